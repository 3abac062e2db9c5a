//! Made-up results for the tests of this room, and a way to look at them.

use crate::results::agreement::{Agreement, AgreementLimits, Disagreement, Member, MemberPair};
use crate::results::confidence::{
    Compliance, GroupRow, LimitResult, Measure, Trust, Verdict, VerticalAccuracy, Warning, WarningCode,
};
use crate::results::cross_check::{CrossCheck, CrossRow, CrossSet};
use crate::results::filters::{FilterReference, FilterReturn, FilterSetting, FiltersCompared};
use crate::results::group_key::{GroupKey, Property};
use crate::results::pictures::Pictures;
use crate::results::plan_shift::{PlanShift, ShiftRemoved, StripShift};
use crate::results::slope_row::SlopeRow;
use crate::results::statistics::Statistics;
use crate::results::statistics::{Order, VsFirst};
use crate::results::summary::{CloudCounts, Histogram, ReturnRow, SelectCounts, Summary};
use crate::stats::moments::rmse_about;
use crate::terrain::by_returns::{TerrainFigures, TerrainRow};
use crate::terrain::lesson::{ReturnWeight, TerrainWeights};
use crate::tile::points::GroundFrom;
use crate::tile::strata::Cover;
use crate::units::Unit;

/// A cross-check of a classification, with few comparisons of one set; in metres.
pub fn cross_check() -> CrossCheck {
    let set = |points, compared, [bias, sd]: [f64; 2]| {
        let rmse = rmse_about(bias, Some(sd), compared);
        CrossSet { points, compared, bias: Some(bias), sd: Some(sd), rmse: Some(rmse) }
    };
    let all = CrossRow {
        return_number: None,
        both: set(78_000, 50_000, [0.004, 0.021]),
        classes_only: set(2_000, 800, [0.152, 0.06]),
        filter_only: set(1_000, 19, [0.02, 0.05]),
        neither: 119_000,
        classes: set(80_000, 50_800, [0.0063, 0.0285]),
        filter: set(79_000, 50_019, [0.004, 0.021]),
    };
    CrossCheck { returns: vec![CrossRow { return_number: Some(1), ..all.clone() }], all }
}

/// Three settings of the ground filter: two returns each.
pub fn filters_compared() -> FiltersCompared {
    let setting = |dh: &str, ground: u64, near: f64, sd: f64| {
        let row = |return_number, part: u64, near| FilterReturn {
            return_number,
            ground: ground / part,
            compared: ground / part / 10,
            bias: Some(-0.004),
            sd: Some(sd),
            rmse: Some(sd.hypot(0.004)),
            within_sd_of_limit: Some(near),
        };
        FilterSetting {
            options: [("dh_initial".to_string(), dh.into())].into_iter().collect(),
            returns: vec![row(Some(1), 2, near / 10.0), row(Some(4), 3, near)],
            all: row(None, 1, near),
            coverage: Some(0.965),
            reference: Some(FilterReference {
                ground: 990,
                by_slope: Vec::new(),
                share_refused: Some(0.005),
            }),
        }
    };
    FiltersCompared {
        own: setting("0.3 m", 100_000, 0.02, 0.045),
        alternatives: vec![setting("0.2 m", 90_000, 0.05, 0.04), setting("0.4 m", 104_000, 0.001, 0.047)],
        suggestion: "dh_initial 0.4 m is the tightest setting that truncates no return much.".to_string(),
    }
}

/// A result and its pictures.
pub type Sample = (Summary, Pictures);

/// A plausible spread without a random number generator from outside: the sum of twelve uniform numbers.
struct Noise(u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

fn statistics(points: u64, all_points: u64, dz: &mut [f64]) -> Statistics {
    dz.sort_by(f64::total_cmp);
    let n = dz.len() as f64;
    let ground = points / 3;
    let mut out = Statistics {
        points,
        share: Some(points as f64 / all_points as f64),
        ground,
        ground_share: Some(points as f64 / all_points as f64),
        compared: dz.len() as u64,
        blocks: (dz.len() as u64).min(100),
        ..Statistics::default()
    };
    if dz.is_empty() {
        return out;
    }
    let mean = dz.iter().sum::<f64>() / n;
    let middle = |sorted: &[f64]| sorted[sorted.len() / 2];
    let sorted = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values
    };
    let median = middle(dz);
    out.bias = Some(mean);
    out.sd = (n > 1.0).then(|| (dz.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt());
    out.rmse = Some((dz.iter().map(|d| d * d).sum::<f64>() / n).sqrt());
    out.min = dz.first().copied();
    out.max = dz.last().copied();
    out.median = Some(median);
    out.nmad = Some(1.4826 * middle(&sorted(dz.iter().map(|d| (d - median).abs()).collect())));
    out.abs_p95 = Some(sorted(dz.iter().map(|d| d.abs()).collect())[(0.95 * (n - 1.0)) as usize]);
    out
}

fn histogram(groups: &[Vec<f64>], bin_width: f64, start: f64, bins: usize) -> Histogram {
    let count = |(i, dz): (usize, &Vec<f64>)| {
        let mut counts = vec![0; bins];
        for d in dz {
            counts[(((d - start) / bin_width).floor().max(0.0) as usize).min(bins - 1)] += 1;
        }
        (i as u8 + 1, counts)
    };
    Histogram { bin_width, start, returns: groups.iter().enumerate().map(count).collect() }
}

fn sample(unit: Unit, mut groups: Vec<Vec<f64>>, bin_width: f64, start: f64, bins: usize) -> Sample {
    let histogram = histogram(&groups, bin_width, start, bins);
    let points = |i: usize| 8_412_377 / (1 + (i * i * i) as u64);
    let all_points = (0..groups.len()).map(points).sum();
    let returns = groups
        .iter_mut()
        .enumerate()
        .map(|(i, dz)| ReturnRow {
            return_number: i as u8 + 1,
            statistics: statistics(points(i), all_points, dz),
        })
        .collect();
    let all = statistics(all_points, all_points, &mut groups.concat());
    let ground = all.ground;
    let survey = CloudCounts {
        read: all_points + 34,
        damaged_blocks: 0,
        lost_points: 0,
        outside_area: 0,
        withheld: 34,
        invalid_return: 12,
        out_of_range: 0,
        select: vec![SelectCounts { stage: 2, selected: all_points - 5_210, not_selected: 5_210 }],
        noise: 812,
        low_outlier: 27,
        above_ground: all_points - 5_210 - 812 - 27 - ground,
        other_class: 0,
        ground,
        ground_from: Some(GroundFrom::Filter),
        by_slope: Vec::new(),
    };
    let reference = CloudCounts {
        read: 2_310_455,
        noise: 3,
        above_ground: 310_452,
        ground: 2_000_000,
        ground_from: Some(GroundFrom::Filter),
        by_slope: [("<0.1", 1_700_000, 2_100), ("0.1-0.2", 280_000, 4_000), ("0.2-0.4", 20_000, 3_500)]
            .map(|(slope, ground, slope_refused)| SlopeRow {
                slope: slope.to_string(),
                ground,
                above_ground: slope_refused + ground / 9,
                slope_refused,
            })
            .into(),
        ..CloudCounts::default()
    };
    let summary = Summary {
        title: "Larkspur Hollow, autumn flight <against> spring scan & levels".to_string(),
        units: unit,
        points: all_points,
        reference_uncertainty: Some(unit.from_micrometres(10_000.0)),
        returns,
        all,
        trust: Trust::default(),
            registration: None,
        fit: None,
        excluded: Vec::new(),
            stages: serde_json::Map::new(),
        survey,
        reference: Some(reference),
        checkpoints: None,
        agreement: None,
        cross_check: None,
        filters_compared: None,
        terrain_model: None,
        method: "Each checkpoint is compared with the reference ground point nearest in plan, no farther than 15 \
                 mm from it. 2,000 checkpoints of each return were drawn at random (seed 7), none closer than 1 m \
                 to another of the same return."
            .to_string(),
    };
    (summary, histogram.into())
}

/// Five returns, the later the lower and the noisier, with a few gross values.
pub fn five_returns(unit: Unit) -> Sample {
    let mut noise = Noise(7);
    let to_unit = |metres: f64| unit.from_micrometres(metres * 1e6);
    let mut groups: Vec<Vec<f64>> = [
        (8_120, 0.009, 0.024),
        (2_903, 0.006, 0.031),
        (1_102, 0.001, 0.042),
        (301, -0.008, 0.06),
        (64, -0.02, 0.083),
    ]
    .map(|(n, bias, sd)| (0..n).map(|_| to_unit(bias + sd * noise.normal())).collect())
    .into();
    groups[0].extend([to_unit(-0.9), to_unit(1.3)]);
    sample(unit, groups, to_unit(0.001), to_unit(-1.0), 2_000)
}

/// Two returns on open ground and under canopy with all that carries a decision.
pub fn decided() -> Sample {
    let (mut summary, pictures) = five_returns(Unit::Metre);
    summary.returns.truncate(2);
    let of_return = |number, cover| GroupKey::new([Property::Return(number), Property::Cover(Some(cover))]);
    let of_cover = |cover| GroupKey::new([Property::Cover(Some(cover))]);
    let compliance =
        |by: GroupKey, name, rmse_v: f64, ends: Option<[f64; 2]>, class, upper_class| Compliance {
            by,
            name,
            compared: 2_000,
            blocks: 100,
            surveyed: false,
            n_effective: Some(300.0),
            enough_checkpoints: true,
            rmse_v1: Some(rmse_v),
            rmse_v2: Some(0.010),
            rmse_v: Some(rmse_v),
            rmse_v_ci95: ends,
            class_cm: Some(class),
            class_cm_95: upper_class,
            quality_level: Some("QL0"),
            bias_to_class: Some(0.1),
            bias_within_guidance: Some(true),
            nssda_95: Some(1.96 * rmse_v),
            abs_p95: Some(2.0 * rmse_v),
            offset_removed: None,
        };
    let groups = vec![
        compliance(GroupKey::all(), None, 0.030, Some([0.028, 0.032]), 5.0, Some(5.0)),
        compliance(
            of_cover(Cover::Open),
            Some(VerticalAccuracy::Nva),
            0.024,
            Some([0.022, 0.026]),
            2.5,
            Some(5.0),
        ),
        compliance(
            GroupKey::new([Property::Vegetated]),
            Some(VerticalAccuracy::Vva),
            0.041,
            Some([0.037, 0.046]),
            5.0,
            Some(5.0),
        ),
        compliance(of_return(1, Cover::Open), None, 0.023, Some([0.021, 0.0249]), 2.5, Some(2.5)),
        compliance(of_return(2, Cover::Canopy), None, 0.044, None, 5.0, None),
    ];
    summary.trust.standards.groups = groups;
    summary.trust.standards.reference_class_cm = Some(2.5);
    summary.trust.groups = [of_return(1, Cover::Open), of_return(2, Cover::Canopy)]
        .map(|by| GroupRow { by, statistics: summary.returns[0].statistics.clone() })
        .into();
    for (row, ratio) in [(0, 1.0), (1, 1.5)] {
        let s = &mut summary.returns[row].statistics;
        (s.bias_ci95, s.sd_ci95, s.n_effective) = (Some([0.007, 0.011]), Some([0.022, 0.026]), Some(300.0));
        s.vs_first = (ratio > 1.0).then(|| VsFirst {
            n: [1_500, 1_200],
            bias: Some(-0.003),
            bias_ci95: Some([-0.005, -0.001]),
            sd_ratio: Some(1.3),
            sd_ratio_ci95: Some([1.2, 1.4]),
            rmse_ratio: Some(ratio),
            rmse_ratio_ci95: Some([1.4, 1.6]),
            verdict: Order::Worse,
            bias_verdict: Order::Different,
            spread_verdict: Order::Worse,
            ..VsFirst::default()
        });
    }
    // Level and spread, whose RMSE is rounded.
    let terrain = |sd: f64| TerrainFigures {
        rmse_terrain: Some(sd),
        level_terrain: Some(0.001),
        sd_terrain: Some(sd),
        terrain_cells: 900,
        uncovered_cells: 0,
        rmse_terrain_common: Some(sd),
        level_terrain_common: Some(0.001),
        sd_terrain_common: Some(sd),
        common_cells: 900,
    };
    let row = |k, coverage, plain, weighted| TerrainRow {
        returns_up_to: k,
        ground_per_m2: Some(9.0),
        coverage: Some(coverage),
        largest_void_m2: Some(108.0),
        rmse_points: Some(0.03),
        terrain: terrain(plain),
        weighted: Some(terrain(weighted)),
        offset_removed: None,
    };
    summary.trust.terrain_by_returns = vec![row(1, 0.867, 0.019, 0.019), row(2, 0.953, 0.018, 0.017)];
    let weight =
        |return_number, difference, sd, weight| ReturnWeight { return_number, difference, sd, weight };
    summary.trust.terrain_weights = Some(TerrainWeights {
        independent: true,
        reason: None,
        gap: 8.0,
        returns: vec![weight(1, 0.0, 0.02, 1.0), weight(2, -0.006, 0.04, 0.25)],
    });
    let limit = |verdict, more_checkpoints| LimitResult {
        limit: "RMSE, return 2: at most 30 mm".to_string(),
        group: GroupKey::new([Property::Return(2)]),
        measure: Measure::Rmse,
        bound: 0.03,
        value: Some(0.031),
        ci95: Some([0.029, 0.033]),
        offset_removed: false,
        raw_value: None,
        support: Some(summary.returns[1].statistics.support()),
        verdict,
        more_checkpoints,
        reason: None,
    };
    summary.trust.accept = vec![limit(Verdict::Met, None), limit(Verdict::Inconclusive, Some(1_200))];
    let text = "dz changes across the site.".to_string();
    summary.trust.warnings = vec![Warning { code: WarningCode::Tilt, text }];
    summary.trust.correlation.range = Some(8.0);
    summary.agreement = Some(agreement());
    summary.all.n_effective = Some(500.0);
    (summary, pictures)
}

/// A shift in plan of 5 cm, or what may be none, with a strip that differs and one of which nothing can be told.
pub fn shifted(significant: bool) -> PlanShift {
    PlanShift {
        east: Some(0.0521),
        north: Some(-0.0034),
        east_ci95: Some([0.041, 0.063]),
        north_ci95: Some([-0.012, 0.005]),
        significant,
        n: 12_000,
        enough_slope: Some(true),
        reason: None,
        slope_rms: Some(0.124),
        adds_sd: Some(0.0046),
        share_explained: Some(0.041),
        shift_removed: Some(ShiftRemoved { compared: 12_490, bias: 0.0081, sd: Some(0.0291), rmse: 0.0302 }),
        strips: vec![
            StripShift {
                strip: 101,
                n: 6_000,
                reason: Some("its slopes differ too little".into()),
                ..StripShift::default()
            },
            StripShift {
                strip: 102,
                n: 6_000,
                east: Some(0.2),
                north: Some(0.0),
                differs: true,
                ..StripShift::default()
            },
        ],
    }
}

/// Three strips of which one is off, and two setups that differ.
pub fn agreement() -> Agreement {
    let member = |number, offset: Option<f64>, off| Member {
        number,
        name: (number < 10).then(|| format!("S{number} <north>")),
        cells: 4_321,
        smoothness: Some(0.018),
        smoothness_within: Some(false),
        group: offset.map(|_| 1),
        offset,
        offset_ci95: offset.map(|offset| [offset - 0.0012, offset + 0.0012]),
        off,
    };
    let pair = |pair, bias: f64, rms| MemberPair {
        pair,
        cells: 1_204,
        area_m2: 1_204.0,
        bias,
        bias_ci95: Some([bias - 0.001, bias + 0.001]),
        rms,
        rms_noise: 0.004,
        rms_within: Some(rms <= 0.02),
        largest: Some(1.6 * bias),
        largest_at: Some([400_107.5, 6_100_046.5]),
        largest_within: Some(false),
    };
    Agreement {
        cell: 1.0,
        slope: 0.4,
        horizontal_units: Unit::Metre,
        limits: Some(AgreementLimits {
            class_cm: 2.5,
            asked: false,
            rms: 0.02,
            largest: 0.04,
            smoothness: 0.015,
        }),
        strips: Some(vec![
            member(101, Some(0.0004), Some(false)),
            member(102, Some(0.0301), Some(true)),
            member(103, Some(-0.0004), Some(false)),
            member(104, None, None),
        ]),
        strip_pairs: vec![pair([101, 102], 0.0297, 0.0304), pair([101, 103], -0.0008, 0.0045)],
        strip_tolerance: Some(0.0058),
        strips_disagree: Vec::new(),
        setups: Some(vec![member(1, Some(-0.005), None), member(2, Some(0.005), None)]),
        setup_pairs: vec![pair([1, 2], 0.01, 0.011)],
        setup_tolerance: Some(0.003),
        setups_disagree: vec![Disagreement { pair: [1, 2], difference: 0.01 }],
    }
}

/// As many returns as a pulse can have.
pub fn fifteen_returns() -> Sample {
    let mut noise = Noise(15);
    let groups = (0..15).map(|i| {
        let n = 40_000 / (1 + i * i);
        (0..n).map(|_| 0.01 - 0.002 * f64::from(i) + (0.02 + 0.005 * f64::from(i)) * noise.normal()).collect()
    });
    sample(Unit::Metre, groups.collect(), 0.001, -0.5, 1_000)
}

/// One comparison in all.
pub fn one_comparison() -> Sample {
    sample(Unit::Metre, vec![vec![0.007]], 0.001, -0.5, 1_000)
}

/// A reference without any survey ground near it.
pub fn nothing_matched() -> Sample {
    sample(Unit::Metre, vec![Vec::new(); 3], 0.001, -0.5, 1_000)
}

/// A survey far above its reference, and a return of almost no scatter; some values beyond all bins.
pub fn far_off() -> Sample {
    let mut noise = Noise(3);
    let mut wide: Vec<f64> = (0..2_000).map(|_| 31.5 + 4.0 * noise.normal()).collect();
    wide.extend([-9_000.0, -80.0, -70.0, 75.0, 12_345.678]);
    let narrow = (0..500).map(|_| 0.000_2 * noise.normal()).collect();
    sample(Unit::Metre, vec![wide, narrow], 0.1, -60.0, 1_200)
}
