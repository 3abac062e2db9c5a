//! Whether two clouds count their elevations from the same surface.
//!
//! Codes of the EPSG registry and of GeoTIFF 1.0 are from memory, citation not verified.

use crate::cloud::crs::Crs;
use crate::cloud::crs::heights::THREE_DIMENSIONAL_NAME;

/// EPSG codes of systems that differ in their unit alone or are known by name: code and the name that [`plain`] gives.
const KNOWN: &[(u32, &str)] = &[
    (5703, "navd88"),
    (6360, "navd88"),
    (8228, "navd88"),
    (5702, "ngvd29"),
    (7968, "ngvd29"),
    (5773, "egm96"),
    (3855, "egm2008"),
];

/// Long names of the same.
const LONG: &[(&str, &str)] = &[
    ("northamerican1988", "navd88"),
    ("northamerican88", "navd88"),
    ("navd1988", "navd88"),
    ("nationalgeodetic1929", "ngvd29"),
    ("ngvd1929", "ngvd29"),
];

/// Three-dimensional geographic systems, whose heights are ellipsoidal: WGS 84, ETRS89, NAD83(2011).
const THREE_DIMENSIONAL: &[u32] = &[4979, 4937, 6319];

/// Ellipsoids as vertical systems in GeoTIFF 1.0.
const GEOTIFF_ELLIPSOIDS: std::ops::RangeInclusive<u32> = 5001..=5033;

impl Crs {
    /// Reads codes such as `EPSG:25832` or `EPSG:25832+7837`. Nothing where the text is something else.
    pub fn from_codes(text: &str) -> Option<Crs> {
        let codes = text.trim().strip_prefix("EPSG:").or_else(|| text.trim().strip_prefix("epsg:"))?;
        let mut codes = codes.split('+').map(|code| code.trim().trim_start_matches("EPSG:").parse::<u32>());
        let horizontal = codes.next()?.ok()?;
        let vertical = codes.next().transpose().ok()?;
        codes.next().is_none().then(|| Crs {
            horizontal_code: Some(horizontal),
            vertical_code: vertical,
            ..Crs::default()
        })
    }

    /// Whether the cloud says what its elevations are counted from.
    pub fn states_vertical(&self) -> bool {
        self.vertical_name.is_some() || self.vertical_code.is_some()
    }

    /// The vertical system as text.
    pub fn describe_vertical(&self) -> String {
        match (&self.vertical_name, self.vertical_code) {
            (Some(name), Some(code)) => format!("{name} (EPSG {code})"),
            (Some(name), None) if self.heights.ellipsoidal && !is_ellipsoid(name) => {
                format!("{name} (ellipsoidal)")
            }
            (Some(name), None) => name.clone(),
            (None, Some(code)) => format!("EPSG {code}"),
            (None, None) => "no vertical system".into(),
        }
    }

    /// Whether both clouds count elevations from the same surface, whatever their units. Nothing where one does not say, or
    /// the two cannot be compared: one by its name alone, one by an unknown code.
    pub fn same_vertical(&self, other: &Crs) -> Option<bool> {
        if !(self.states_vertical() && other.states_vertical()) {
            return None;
        }
        if self.is_ellipsoidal() != other.is_ellipsoidal() {
            return Some(false);
        }
        if self.is_ellipsoidal() {
            // Which ellipsoid is told by the horizontal system.
            return Some(true);
        }
        if let (Some(a), Some(b)) = (self.geoid(), other.geoid())
            && a != b
        {
            return Some(false);
        }
        if let (Some(a), Some(b)) = (self.vertical_code, other.vertical_code) {
            return Some(a == b || known(a).is_some() && known(a) == known(b));
        }
        let (a, b) = (self.vertical_names(), other.vertical_names());
        if a.is_empty() || b.is_empty() {
            return None;
        }
        Some(a.iter().any(|name| b.contains(name)))
    }

    fn is_ellipsoidal(&self) -> bool {
        let by_code = |code: u32| THREE_DIMENSIONAL.contains(&code) || GEOTIFF_ELLIPSOIDS.contains(&code);
        self.heights.ellipsoidal
            || self.vertical_code.is_some_and(by_code)
            || self.vertical_name.as_deref().is_some_and(is_ellipsoid)
    }

    /// The geoid model, from its own place or from the name of the system (`NAVD88 height - Geoid18`).
    fn geoid(&self) -> Option<String> {
        let squeezed = |text: &str| text.to_lowercase().replace(|c: char| !c.is_ascii_alphanumeric(), "");
        if let Some(model) = &self.heights.geoid {
            return Some(squeezed(model));
        }
        let name = squeezed(self.vertical_name.as_deref()?);
        let at = name.find("geoid")?;
        let digits: String = name[at + 5..].chars().take_while(char::is_ascii_digit).collect();
        let letter: String =
            name[at + 5 + digits.len()..].chars().take_while(|c| "ab".contains(*c)).take(1).collect();
        (!digits.is_empty()).then(|| format!("geoid{digits}{letter}"))
    }

    /// The names by which the surface is known, plainly.
    fn vertical_names(&self) -> Vec<String> {
        let names = self.vertical_name.iter().chain(&self.heights.datum).map(|name| plain(name));
        let names = names.chain(self.vertical_code.and_then(known).map(str::to_string));
        names.filter(|name| !name.is_empty()).collect()
    }
}

fn known(code: u32) -> Option<&'static str> {
    KNOWN.iter().find(|(known, _)| *known == code).map(|(_, name)| *name)
}

fn is_ellipsoid(name: &str) -> bool {
    name.to_lowercase().contains("ellipsoid") || name == THREE_DIMENSIONAL_NAME
}

/// A name without its unit, its geoid, spelling, and words that say nothing.
fn plain(name: &str) -> String {
    let name = name.to_lowercase();
    let name = name.split(['(', '[']).next().unwrap_or_default();
    let name = name.split(" - ").next().unwrap_or_default();
    let words = name.split(|c: char| !c.is_alphanumeric()).filter(|word| {
        !matches!(
            *word,
            "height"
                | "heights"
                | "vertical"
                | "datum"
                | "of"
                | "the"
                | "m"
                | "ft"
                | "ftus"
                | "metre"
                | "meters"
                | "d"
        )
    });
    let name = words.collect::<String>();
    LONG.iter().find(|(long, _)| *long == name).map_or(name, |(_, short)| short.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn vertical(inside: &str) -> Crs {
        Crs::from_wkt(&format!(r#"COMPD_CS["c",PROJCS["p",UNIT["metre",1]],{inside}]"#)).unwrap()
    }

    fn same(a: &str, b: &str) -> Option<bool> {
        let (a, b) = (vertical(a), vertical(b));
        assert_eq!(a.same_vertical(&b), b.same_vertical(&a));
        a.same_vertical(&b)
    }

    const NAVD_M: &str = r#"VERT_CS["NAVD88 height",VERT_DATUM["North American Vertical Datum 1988",2005],UNIT["metre",1],AUTHORITY["EPSG","5703"]]"#;
    const NAVD_FT: &str = r#"VERT_CS["NAVD88 height (ftUS)",VERT_DATUM["x",2005],UNIT["US survey foot",0.304800609601219],AUTHORITY["EPSG","6360"]]"#;
    const NAVD_NAME: &str = r#"VERT_CS["North American Vertical Datum of 1988",UNIT["metre",1]]"#;
    const ELLIPSOID: &str = r#"VERT_CS["Ellipsoid (metres)",VERT_DATUM["Ellipsoid",2002],UNIT["metre",1]]"#;
    const GEODETIC: &str =
        r#"VERTCS["WGS_1984",DATUM["D_WGS_1984",SPHEROID["WGS_1984",6378137.0,298.25]],UNIT["Meter",1.0]]"#;

    #[test]
    fn the_same_surface_in_another_unit_is_the_same() {
        assert_eq!(same(NAVD_M, NAVD_FT), Some(true));
        assert_eq!(same(NAVD_FT, NAVD_NAME), Some(true));
        assert_eq!(same(ELLIPSOID, GEODETIC), Some(true));
    }

    #[test]
    fn ellipsoids_datums_and_geoids_are_distinguished() {
        assert_eq!(same(NAVD_M, ELLIPSOID), Some(false));
        assert_eq!(same(NAVD_NAME, GEODETIC), Some(false));
        let ngvd = r#"VERT_CS["NGVD29 height",UNIT["metre",1],AUTHORITY["EPSG","7968"]]"#;
        assert_eq!(same(NAVD_M, ngvd), Some(false));
        let geoid = |model: &str| format!(r#"VERT_CS["NAVD88 height - {model} (ftUS)",UNIT["metre",1]]"#);
        assert_eq!(same(&geoid("Geoid18"), &geoid("Geoid12B")), Some(false));
        assert_eq!(same(&geoid("Geoid18"), &geoid("GEOID 18")), Some(true));
        assert_eq!(same(&geoid("Geoid18"), NAVD_FT), Some(true));
        let model = |model: &str| {
            format!(r#"VERTCRS["NAVD88 height",VDATUM["n"],GEOIDMODEL["{model}"],UNIT["metre",1]]"#)
        };
        assert_eq!(same(&model("GEOID12B"), &model("GEOID18")), Some(false));
    }

    #[test]
    fn what_is_not_stated_is_not_compared() {
        let none = Crs::from_wkt(r#"PROJCS["p",UNIT["metre",1]]"#).unwrap();
        assert_eq!(none.same_vertical(&vertical(NAVD_M)), None);
        let unknown = Crs { vertical_code: Some(9999), ..Crs::default() };
        assert_eq!(unknown.same_vertical(&vertical(NAVD_NAME)), None);
    }

    #[test]
    fn codes_alone_are_read() {
        let both = Crs::from_codes("EPSG:25832+7837").unwrap();
        assert_eq!((both.horizontal_code, both.vertical_code), (Some(25832), Some(7837)));
        for junk in ["25832", "EPSG:", "EPSG:x", "EPSG:1+", "EPSG:1+2+3", ""] {
            assert_eq!(Crs::from_codes(junk), None, "{junk}");
        }
    }
}
