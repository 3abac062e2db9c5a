//! A made site of comparisons for the tests of this room, and a pipeline for it.

use std::collections::BTreeMap;
use std::io;

use serde_json::{Value, json};

use crate::pipeline::Pipeline;
use crate::stages::compared::{Compared, Comparisons};
use crate::stats::simulated::Normal;
use crate::tile::gradient::Gradient;
use crate::tile::strata::{Cover, Strata, StratumCounts};
use crate::trust::figures::PointCounts;
use crate::trust::study::{Studied, conclude, figures};
use crate::units::Unit;

/// Comparisons in memory.
pub struct Made(pub Vec<Compared>);

impl Comparisons for Made {
    fn len(&self) -> u64 {
        self.0.len() as u64
    }

    fn parts(&self) -> usize {
        self.0.chunks(100).len()
    }

    fn read_part(&self, part: usize, f: &mut dyn FnMut(&[Compared])) -> io::Result<()> {
        self.0.chunks(100).skip(part).take(1).for_each(f);
        Ok(())
    }
}

/// 6,000 comparisons of two returns and strips on 200 m × 100 m of slopes of 20 %, half of them under canopy, with a bias
/// of zero and an SD of 30 mm, and no correlation.
pub fn site() -> Vec<Compared> {
    let mut normal = Normal::new(1);
    let one = |_| {
        let [x, y] = [200.0, 100.0].map(|side| (normal.uniform() * side * 1e6) as i64);
        Compared {
            x,
            y,
            dz: (30_000.0 * normal.next()) as i64,
            headroom: None,
            gradient: Some(Gradient::of([0.0, 0.2])),
            local_gradient: None,
            strata: Strata {
                return_number: 1 + normal.below(2) as u8,
                cover: Some(if y < 50_000_000 { Cover::Open } else { Cover::Canopy }),
                strip: Some(101 + normal.below(2) as u16),
                ..Strata::default()
            },
        }
    };
    (0..6_000).map(one).collect()
}

/// A pipeline that compares within 15 mm with a reference of 5 mm, in blocks of 10 m, with other keys or values.
pub fn pipeline(changes: Value) -> Pipeline {
    let mut file = json!({
        "reference": {"files": ["reference.laz"], "uncertainty": "5 mm"},
        "stages": [{"compare": {"within": "15 mm"}}, {"summarise": {"block": "10 m"}}],
    });
    for (key, value) in changes.as_object().unwrap() {
        file[key] = value.clone();
    }
    serde_json::from_value(file).unwrap()
}

/// Twice as many points as comparisons, and as many ground points, crossed by return and cover.
pub fn counts(all: &[Compared]) -> PointCounts {
    let mut counts = PointCounts::default();
    let mut strata: BTreeMap<Strata, StratumCounts> = BTreeMap::new();
    for one in all {
        counts.points[usize::from(one.strata.return_number)] += 2;
        counts.ground[usize::from(one.strata.return_number)] += 1;
        counts.ground_by_kind.add(&one.strata, 1);
        let Strata { return_number, cover, .. } = one.strata;
        let of = strata.entry(Strata { return_number, cover, ..Strata::default() }).or_default();
        (of.points, of.ground) = (of.points + 2, of.ground + 1);
    }
    PointCounts { strata, ..counts }
}

/// The study of comparisons, without terrain.
pub fn study(all: Vec<Compared>, pipeline: &Pipeline) -> Studied {
    let counts = counts(&all);
    let figured = figures(&Made(all), &counts, pipeline, Unit::Metre).unwrap();
    conclude(figured, None, pipeline, &|_| None, Unit::Metre)
}
