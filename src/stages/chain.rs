//! The chain: the stages of a pipeline, made ready to work.

use std::sync::Arc;

use crate::agreement::cell::CellRule;
use crate::areas::LeftOut;
use crate::cloud::Ground;
use crate::cloud::point::Fields;
use crate::stages::compare_filters;
use crate::stages::cross_check::CrossCheckGround;
use crate::stages::ground::Ground as GroundOptions;
use crate::stages::left_out::CountLeftOut;
use crate::stages::list::Stage;
use crate::stages::sites::{FindSites, SiteSearch};
use crate::stages::stage::{Places, Preparing, Setups, StageOptions, SurfaceNeed, TileStage, WhileReading};
use crate::tile::at_work::Halo;
use crate::tile::points::Cloud;
use crate::units::{Length, Micrometres};

/// The stages of a pipeline, ready to work.
#[derive(Default)]
pub struct Chain {
    /// What judges points as they are read: the `select` stages before the ground filter.
    pub while_reading: Vec<WhileReading>,
    /// The stages that work on tiles, in order.
    pub tiles: Vec<Box<dyn TileStage>>,
    /// Edge of the terrain cells, where the survey's ground is classified.
    pub terrain_cell: Option<Length>,
    /// Edge of the cells of rasters that are handed over, where there are any.
    pub raster_cell: Option<Length>,
    /// Whether reading continues past damaged blocks.
    pub skip_damaged: bool,
    /// Whether points may lie outside the boxes that the headers state.
    pub ignore_bounds: bool,
    /// The clouds whose classes are taken as delivered.
    pub delivered: Vec<Cloud>,
    /// How cells are judged where ground is summed up by strip and setup.
    pub agreement: Option<CellRule>,
    /// Whether the survey's classes are held against the ground filter.
    pub is_cross_checked: bool,
    /// The settings of the ground filter that are compared, the run's own first.
    pub filters: Vec<GroundOptions>,
    /// Edge of the cells by which sites for checkpoints are looked for, where they are.
    pub site_cell: Option<Micrometres>,
}

/// What a chain is given beside its stages.
#[derive(Default)]
pub struct Given {
    /// Areas whose points are left out of comparisons.
    pub left_out: LeftOut,
    /// Where the reference is a list of surveyed points: their positions.
    pub surveyed: Option<Places>,
    /// Where the survey is fitted to control: its positions.
    pub control: Places,
    /// What of the setups of the reference matters.
    pub setups: Setups,
    /// What sites for checkpoints are looked for by, where they are.
    pub sites: Option<Arc<SiteSearch>>,
}

impl Chain {
    /// Makes the stages ready. The list must have passed the checks of the pipeline file.
    pub fn new(stages: &[Stage], seed: u64) -> Self {
        Chain::with(stages, seed, Given::default())
    }

    /// The same, with what is given beside the stages.
    pub fn with(stages: &[Stage], seed: u64, given: Given) -> Self {
        let Given { left_out, surveyed, control, setups, sites } = given;
        let mut options: Vec<&dyn StageOptions> = stages.iter().map(Stage::options).collect();
        // What tells covers apart, without what the stage does.
        options.extend(sites.iter().map(|search| &search.covers as &dyn StageOptions));
        let mut preparing = Preparing {
            options,
            seed,
            surveyed,
            control,
            left_out: left_out.clone(),
            setups,
            attributes_margin: sites.as_ref().map_or(0, |search| search.rules.reach()),
            ..Preparing::default()
        };
        for (i, stage) in stages.iter().enumerate() {
            stage.options().prepare(i + 1, &mut preparing);
        }
        // Last, when it is known which points of the reference are ground.
        let cross_check = CrossCheckGround::of(&preparing);
        let is_cross_checked = cross_check.is_some();
        preparing.tiles.extend(cross_check.map(|stage| Box::new(stage) as Box<dyn TileStage>));
        let filters = compare_filters::settings(&preparing);
        let compared = compare_filters::stages(&preparing);
        preparing.tiles.extend(compared);
        let site_cell = sites.as_ref().map(|search| search.rules.cell);
        if let Some(search) = &sites {
            preparing.tiles.push(Box::new(FindSites { search: search.clone(), left_out }));
        } else if !left_out.is_empty() {
            preparing.tiles.push(Box::new(CountLeftOut { areas: left_out }));
        }
        let Preparing { while_reading, tiles, terrain_cell, raster_cell, .. } = preparing;
        let Preparing { skip_damaged, ignore_bounds, delivered, agreement, .. } = preparing;
        Chain {
            while_reading,
            tiles,
            terrain_cell,
            raster_cell,
            skip_damaged,
            ignore_bounds,
            delivered,
            agreement,
            is_cross_checked,
            filters,
            site_cell,
        }
    }

    /// The grounds outside of which no point of a cloud is selected.
    pub fn grounds(&self, cloud: Cloud) -> Vec<&Ground> {
        let own = self.while_reading.iter().filter(|one| one.cloud == cloud);
        own.filter_map(|one| one.filter.ground()).collect()
    }

    /// The fields that must be decoded.
    pub fn fields_read(&self) -> Fields {
        self.while_reading.iter().fold(self.fields_of_tiles(), |all, one| all.or(one.filter.fields()))
    }

    /// The fields that must reach the tiles.
    pub fn fields_of_tiles(&self) -> Fields {
        self.tiles.iter().fold(Fields::default(), |all, stage| all.or(stage.fields()))
    }

    /// How far beyond the core of a tile points are needed: as far as the stage does that needs them farthest.
    pub fn halo(&self) -> Halo {
        self.tiles.iter().map(|stage| stage.halo()).fold(Halo::default(), |all, halo| Halo {
            survey: all.survey.max(halo.survey),
            reference: all.reference.max(halo.reference),
        })
    }

    /// The surfaces of which stages hold something for each cell until a tile is done, with the bytes of that.
    pub fn held_cells(&self) -> impl Iterator<Item = (SurfaceNeed, f64)> + '_ {
        let held = self.tiles.iter().filter_map(|stage| Some((stage.surface()?, stage.bytes_per_cell())));
        held.filter(|(_, bytes)| *bytes > 0.0)
    }

    /// The surfaces that stages want.
    pub fn surfaces(&self) -> impl Iterator<Item = SurfaceNeed> + '_ {
        self.tiles.iter().filter_map(|stage| stage.surface())
    }
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;
    use crate::cloud::point::Point;

    fn chain(stages: &Value) -> Chain {
        let stages: Vec<Stage> = serde_json::from_value(stages.clone()).unwrap();
        Chain::new(&stages, 7)
    }

    /// Halos in micrometres, of the survey and of the reference.
    fn halos(chain: &Chain) -> Vec<(i64, i64)> {
        chain.tiles.iter().map(|stage| stage.halo()).map(|halo| (halo.survey, halo.reference)).collect()
    }

    #[test]
    fn stages_work_on_tiles_in_the_order_of_the_list_and_the_widest_halo_counts() {
        let stages = json!([
            {"read": {}},
            {"ground": {"cell": "0.5 m"}},
            {"checkpoints": {"spacing": "3 m"}},
            {"compare": {"match": "plane", "within": "40 cm"}},
            {"summarise": {"by": ["return", "cover"], "canopy_radius": "2 m"}},
        ]);
        let chain = chain(&stages);
        // The survey's ground filter sees whole cells; cover its radius and two cells; the reference's ground filter
        // nothing around; the draw the spacing in both clouds, and what the comparison reaches from there; the comparison its
        // reach in the reference; terrain, relief, counts and strips the core alone.
        let (cell, cover, draw, reach) = ((500_000, 0), (3_000_001, 0), (3_000_000, 3_400_000), (0, 400_000));
        assert_eq!(halos(&chain)[..5], [cell, cover, (0, 0), draw, reach]);
        assert_eq!(halos(&chain)[5..], [(0, 0); 4]);
        assert_eq!(chain.halo(), Halo { survey: 3_000_001, reference: 3_400_000 });
        let surfaces: Vec<(Cloud, f64)> = chain.surfaces().map(|need| (need.cloud, need.cell)).collect();
        assert_eq!(surfaces, [(Cloud::Survey, 5e5), (Cloud::Reference, 5e5)]);
    }

    #[test]
    fn select_judges_while_reading_before_ground_and_on_tiles_after_it() {
        let before = json!({"select": {"strips": [7]}});
        let after = json!({"select": {"scan_angle_max": "15 deg"}});
        let [ground, both] = ["survey", "both"].map(|cloud| json!({"ground": {"cloud": cloud}}));
        let while_reading = |chain: &Chain| -> Vec<(Cloud, usize)> {
            chain.while_reading.iter().map(|one| (one.cloud, one.place)).collect()
        };
        let (survey, reference) = (Cloud::Survey, Cloud::Reference);
        // Of a cloud without a ground filter every point counts as ground: it is judged while reading wherever the
        // stage stands.
        let one = chain(&json!([{"read": {}}, before, ground, after, {"summarise": {}}]));
        assert_eq!(while_reading(&one), [(survey, 2), (reference, 2), (reference, 4)]);
        let two = chain(&json!([{"read": {}}, before, both, after, {"summarise": {}}]));
        assert_eq!(while_reading(&two), [(survey, 2), (reference, 2)]);
        // One more stage on tiles: the reference's ground filter, and the selection of its ground.
        assert_eq!(two.tiles.len(), one.tiles.len() + 2);
        let mut points = vec![Point { strip: 7, ..Point::default() }, Point { strip: 8, ..Point::default() }];
        two.while_reading[0].filter.retain(&mut points);
        assert_eq!(points, [Point { strip: 7, ..Point::default() }]);
    }

    #[test]
    fn fields_for_judging_alone_are_read_but_do_not_reach_the_tiles() {
        let fields = |strip, scan_angle| Fields { strip, scan_angle, gps_time: false };
        let [strips, angle] =
            [json!({"select": {"strips": [7]}}), json!({"select": {"scan_angle_max": "15 deg"}})];
        let [read, ground, summarise] = ["read", "ground", "summarise"].map(|name| json!({name: {}}));
        let both = |stages: Value| {
            let chain = chain(&stages);
            (chain.fields_read(), chain.fields_of_tiles())
        };
        assert_eq!(both(json!([read, ground])), (fields(false, false), fields(false, false)));
        assert_eq!(both(json!([read, strips, ground])), (fields(true, false), fields(false, false)));
        assert_eq!(both(json!([read, strips, ground, angle])), (fields(true, true), fields(false, true)));
        // Strips are always compared with each other.
        assert_eq!(both(json!([read, summarise])), (fields(true, false), fields(true, false)));
        let by_strip = json!({"summarise": {"by": ["strip"]}});
        assert_eq!(both(json!([read, angle, ground, by_strip])), (fields(true, true), fields(true, false)));
    }

    #[test]
    fn terrain_is_summed_up_where_the_survey_has_a_ground_filter_only() {
        let [summarise, both, survey, reference] = [
            json!({"summarise": {"terrain_cell": "2 m"}}),
            json!({"ground": {}}),
            json!({"ground": {"cloud": "survey"}}),
            json!({"ground": {"cloud": "reference"}}),
        ];
        let metres = |stages: &Value| chain(stages).terrain_cell.map(|cell| cell.exact_micrometres() / 1e6);
        for (stages, expected) in [
            (json!([{"read": {}}, summarise]), None),
            (json!([{"read": {}}, reference, summarise]), None),
            (json!([{"read": {}}, survey, summarise]), Some(2.0)),
            (json!([{"read": {}}, both, summarise]), Some(2.0)),
        ] {
            assert_eq!(metres(&stages), expected, "{stages}");
        }
    }

    #[test]
    fn damaged_blocks_are_skipped_only_where_that_is_asked_for() {
        for (read, expected) in
            [(json!({}), false), (json!({"damaged": "stop"}), false), (json!({"damaged": "skip"}), true)]
        {
            assert_eq!(chain(&json!([{"read": read}])).skip_damaged, expected);
        }
    }
}
