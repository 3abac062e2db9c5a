//! Whether the `select` stages leave survey and reference no point in common, so that one file may be both.

use std::collections::BTreeSet;

use crate::stages::list::Stage;
use crate::stages::select::Select;
use crate::tile::points::Cloud;
use crate::units::Micrometres;

/// What may be left of a cloud, condition by condition.
struct Left {
    /// By return number and number of returns in a byte.
    returns: [bool; 256],
    classes: [bool; 256],
    /// Nothing where all are left.
    strips: Option<BTreeSet<u16>>,
    x: (Micrometres, Micrometres),
    y: (Micrometres, Micrometres),
}

impl Left {
    fn all() -> Self {
        let wide = (Micrometres::MIN, Micrometres::MAX);
        Left { returns: [true; 256], classes: [true; 256], strips: None, x: wide, y: wide }
    }

    fn narrow(&mut self, select: &Select) {
        if let Some(returns) = &select.returns {
            let table = returns.table();
            self.returns.iter_mut().zip(table).for_each(|(left, selected)| *left &= selected);
        }
        if let Some(classes) = &select.classes {
            (0..=u8::MAX).zip(&mut self.classes).for_each(|(class, left)| *left &= classes.contains(&class));
        }
        if let Some(strips) = &select.strips {
            let known = self.strips.take();
            let left = strips.iter().filter(|strip| known.as_ref().is_none_or(|known| known.contains(strip)));
            self.strips = Some(left.copied().collect());
        }
        if let Some(area) = &select.area {
            for (side, given) in [(&mut self.x, &area.x), (&mut self.y, &area.y)] {
                *side = (side.0.max(given[0].micrometres()), side.1.min(given[1].micrometres()));
            }
        }
    }

    fn shares_nothing_with(&self, other: &Left) -> bool {
        let disjoint = |a: &[bool], b: &[bool]| !a.iter().zip(b).any(|(a, b)| *a && *b);
        let apart =
            |a: (Micrometres, Micrometres), b: (Micrometres, Micrometres)| a.0.max(b.0) >= a.1.min(b.1);
        disjoint(&self.returns, &other.returns)
            || disjoint(&self.classes, &other.classes)
            || self.strips.as_ref().zip(other.strips.as_ref()).is_some_and(|(a, b)| a.is_disjoint(b))
            || apart(self.x, other.x)
            || apart(self.y, other.y)
    }
}

/// Whether no point of a file can be selected for both clouds.
pub fn select_apart(stages: &[Stage]) -> bool {
    let left = |cloud: Cloud| {
        let mut left = Left::all();
        for stage in stages {
            if let Stage::Select(select) = stage
                && select.cloud.includes(cloud)
            {
                left.narrow(select);
            }
        }
        left
    };
    left(Cloud::Survey).shares_nothing_with(&left(Cloud::Reference))
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;

    fn apart(selects: &[Value]) -> bool {
        let stages = selects.iter().map(|select| json!({ "select": select }));
        select_apart(&serde_json::from_value::<Vec<Stage>>(stages.collect()).unwrap())
    }

    #[test]
    fn different_strips_returns_classes_and_areas_have_nothing_in_common_and_others_may() {
        let two = |survey: Value, reference: Value| {
            let mut both = [survey, reference];
            both[0]["cloud"] = json!("survey");
            both[1]["cloud"] = json!("reference");
            apart(&both)
        };
        assert!(two(json!({"strips": [101]}), json!({"strips": [102, 103]})));
        assert!(!two(json!({"strips": [101, 102]}), json!({"strips": [102, 103]})));
        assert!(two(json!({"returns": 1}), json!({"returns": [2, 3]})));
        // The last return may be the second.
        assert!(!two(json!({"returns": "last"}), json!({"returns": 2})));
        assert!(two(json!({"classes": [2]}), json!({"classes": [3, 4]})));
        let area = |low: &str, high: &str| json!({"area": {"x": [low, high], "y": ["0 m", "9 m"]}});
        assert!(two(area("0 m", "5 m"), area("5 m", "9 m")) && !two(area("0 m", "5 m"), area("4 m", "9 m")));
        assert!(!two(json!({"strips": [101]}), json!({})));
        // The same for both is no difference.
        assert!(!apart(&[json!({"strips": [101]})]) && !apart(&[]));
        let narrowed = [
            json!({"strips": [1, 2]}),
            json!({"cloud": "survey", "strips": [2]}),
            json!({"cloud": "reference", "strips": [1]}),
        ];
        assert!(apart(&narrowed));
    }
}
