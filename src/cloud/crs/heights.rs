//! What a system says of heights.

use crate::cloud::crs::wkt::Node;

/// The name given to heights that come with a three-dimensional system.
pub(super) const THREE_DIMENSIONAL_NAME: &str = "height of the same three-dimensional system";

/// What WKT says of heights beyond name, code and unit.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Heights {
    /// Whether they are counted from an ellipsoid.
    pub ellipsoidal: bool,
    /// Name of the datum.
    pub datum: Option<String>,
    /// Name of the geoid model.
    pub geoid: Option<String>,
}

impl Heights {
    /// What a vertical system in WKT says.
    pub(super) fn of(node: &Node) -> Self {
        let datum = node.child(&["VERT_DATUM", "VDATUM", "VRF", "VERTICALDATUM", "ENSEMBLE"]);
        // Type 2002 of WKT 1, and a geodetic datum in place of a vertical one.
        let ellipsoidal =
            datum.and_then(|datum| datum.number(1)) == Some(2002.0) || node.child(&["DATUM"]).is_some();
        let name = |node: Option<&Node>| node.and_then(Node::name).map(str::to_string);
        Heights { ellipsoidal, datum: name(datum), geoid: name(node.child(&["GEOIDMODEL"])) }
    }
}
