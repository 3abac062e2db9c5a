//! Comparisons by the setup of the reference that they rest on: what a registration says of their common error.

use std::collections::BTreeMap;

use crate::registration::sigma::SetupSums;
use crate::stages::compared::Compared;
use crate::tile::strata::{self, Strata};
use crate::tile::yields::{Sections, YieldError, Yields};
use crate::units::Micrometres;

/// The section of the sums.
const SECTION: &str = "setups";

/// Bytes of the sums of one set of strata and one setup.
const ENCODED: usize = strata::ENCODED + 2 + SetupSums::ENCODED;

/// Sums over the comparisons of a run by their strata and the setup, counted from 1.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SetupsOfComparisons(BTreeMap<(Strata, u16), SetupSums>);

impl SetupsOfComparisons {
    /// Adds a comparison with a point of a setup, counted from 1; `middles` are those of the targets of each.
    pub fn add(&mut self, compared: &Compared, setup: u16, middles: &[[Micrometres; 2]]) {
        let Some(middle) = usize::from(setup).checked_sub(1).and_then(|at| middles.get(at)) else { return };
        let sums = self.0.entry((compared.strata, setup)).or_default();
        sums.add(compared.x - middle[0], compared.y - middle[1], compared.gradient);
    }

    /// Gives those of one tile back.
    pub fn give(&self, to: &mut Sections) {
        for ((strata, setup), sums) in &self.0 {
            let bytes = to.of(SECTION);
            bytes.extend_from_slice(&strata.encode());
            bytes.extend_from_slice(&setup.to_le_bytes());
            sums.encode(bytes);
        }
    }

    /// Those of all tiles.
    ///
    /// # Errors
    /// Where the disk does not give them back.
    pub fn conclude(yields: &dyn Yields) -> Result<Self, YieldError> {
        let mut all = SetupsOfComparisons::default();
        yields.for_each(SECTION, &mut |bytes| {
            let (entries, rest) = bytes.as_chunks::<ENCODED>();
            for entry in entries {
                let (strata, entry) = entry.split_first_chunk::<{ strata::ENCODED }>()?;
                let (setup, sums) = entry.split_first_chunk::<2>()?;
                let key = (Strata::decode(*strata), u16::from_le_bytes(*setup));
                all.0.entry(key).or_default().merge(&SetupSums::decode(sums.try_into().ok()?));
            }
            rest.is_empty().then_some(())
        })?;
        Ok(all)
    }

    /// By setup, of those comparisons whose strata are `wanted`.
    pub fn of(&self, wanted: impl Fn(&Strata) -> bool) -> BTreeMap<u16, SetupSums> {
        let mut found: BTreeMap<u16, SetupSums> = BTreeMap::new();
        for ((_, setup), sums) in self.0.iter().filter(|((strata, _), _)| wanted(strata)) {
            found.entry(*setup).or_default().merge(sums);
        }
        found
    }
}
