//! The `select` stages after the ground filter, for those who judge points anew.

use crate::cloud::point::{Fields, Point};
use crate::stages::select::{Filter, Select};
use crate::stages::stage::StageOptions;
use crate::tile::points::Cloud;

/// Conditions of one cloud that stand after a stage.
#[derive(Default)]
pub struct LaterSelects {
    filters: Vec<Filter>,
    /// Fields that they look at.
    pub fields: Fields,
}

impl LaterSelects {
    /// Those of a cloud among the stages `after`.
    pub fn of(after: &[&dyn StageOptions], cloud: Cloud) -> Self {
        let selects = after.iter().filter_map(|one| one.downcast::<Select>());
        let selects: Vec<&Select> = selects.filter(|select| select.cloud.includes(cloud)).collect();
        LaterSelects {
            fields: selects.iter().fold(Fields::default(), |all, select| all.or(select.fields())),
            filters: selects.iter().map(|select| select.filter()).collect(),
        }
    }

    /// Whether all of them select a point.
    #[inline]
    pub fn selects(&self, point: &Point) -> bool {
        self.filters.iter().all(|filter| filter.selects(point))
    }
}
