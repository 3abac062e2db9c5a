//! Checks of values that can be decoded but are wrong: each option by itself, and options that do not fit each other.

use serde_json::Value;

use crate::cloud::point::MAX_RETURN;
use crate::pipeline::control_check;
use crate::pipeline::explain::name;
use crate::pipeline::limits;
use crate::pipeline::locate::Seg;
use crate::pipeline::model::{CloudInput, Pipeline};
use crate::pipeline::option_check::{LONGEST, OptionCheck};
use crate::pipeline::parse::Entry;
use crate::pipeline::problem::Notes;
use crate::pipeline::schema::{REFERENCE_ALONE, SURVEY_ALONE};
use crate::pipeline::uncertainty::Uncertainty;
use crate::stages::auto::Auto;
use crate::stages::checkpoints::Checkpoints;
use crate::stages::compare::Compare;
use crate::stages::export::Export;
use crate::stages::list::Stage;
use crate::stages::method::Method;
use crate::stages::read::Read;
use crate::stages::select::Select;
use crate::stages::stage::CloudChoice;
use crate::stages::summarise::Summarise;
use crate::stages::terrain::TerrainStage;
use crate::tile::strata::MOST_CLASSES;
use crate::units::Length;

/// Smallest cell by which strips are compared.
const LEAST_CELL: Length = Length::millimetres(100.0);

/// Smallest and largest cell of a raster that is handed over, and the most cells over which it is filled: the work grows with them.
const LEAST_RASTER_CELL: Length = Length::millimetres(10.0);
const LARGEST_RASTER_CELL: Length = Length::metres(100.0);
const MOST_FILLED_CELLS: f64 = 100.0;

/// Farthest coordinate: beyond it a unit is most likely mistaken.
const FARTHEST: Length = Length::metres(100_000_000.0);

/// Notes every value that is wrong.
pub(super) fn values(pipeline: &Pipeline, entries: &[Entry], schema: &Value, notes: &mut Notes) {
    cloud_input(&pipeline.survey, "survey", notes);
    if !notes.meant("survey", schema) {
        let help = "name the point files: `survey: {files: [flight/*.laz]}`".to_string();
        let message = "the file does not name the survey".to_string();
        notes.value(&[], message, "expected `survey:` with its `files:`".to_string(), Some(help));
    }
    for key in REFERENCE_ALONE {
        let path = ["survey".into(), key.into()];
        if notes.given(&path) {
            notes.key(
                &path,
                format!("`survey` has no option `{key}`"),
                "belongs under `reference`".to_string(),
                Some(format!("only the reference has `{key}`; the survey is what it tests")),
            );
        }
    }
    for key in SURVEY_ALONE {
        let path = ["reference".into(), key.into()];
        if notes.given(&path) {
            notes.key(
                &path,
                format!("`reference` has no option `{key}`"),
                "belongs under `survey`".to_string(),
                Some(format!("only the survey has `{key}`: the reference stays as it was measured")),
            );
        }
    }
    limits::check(pipeline, entries, notes);
    control_check::fit(pipeline, schema, notes);
    if let Some(reference) = &pipeline.reference {
        cloud_input(reference, "reference", notes);
        scans(reference, notes);
        control_check::register(reference, notes);
        vertical_shift(reference, notes);
    }
    exclude(pipeline, schema, notes);
    for entry in entries {
        let mut check = OptionCheck { path: &entry.path, notes };
        match &entry.stage {
            Stage::Read(read) => check.read(read),
            Stage::Select(select) => check.select(select),
            Stage::Ground(ground) => check.ground(ground),
            Stage::Checkpoints(Checkpoints { spacing, .. }) => check.positive("spacing", *spacing),
            Stage::Compare(compare) => check.compare(compare),
            Stage::Summarise(summarise) => check.summarise(summarise),
            Stage::Terrain(terrain) => check.terrain(terrain),
            Stage::Export(export) => check.export(export),
        }
        if !notes.meant("reference", schema) {
            needs_no_reference(entry, notes);
        }
    }
}

fn cloud_input(cloud: &CloudInput, key: &str, notes: &mut Notes) {
    let path: [Seg; 1] = [key.into()];
    let mut check = OptionCheck { path: &path, notes };
    for (part, length) in cloud.uncertainty.iter().flat_map(Uncertainty::lengths) {
        let (zero, expected) = (Length::metres(0.0), "expected one sigma, 0 or more");
        match part {
            None => check.at_least("uncertainty", length, zero, expected),
            Some(part) => {
                let path = check.path_to("uncertainty");
                OptionCheck { path: &path, notes: check.notes }.at_least(part, length, zero, expected);
            }
        }
    }
    if let Some(offset) = &cloud.offset {
        let path = check.path_to("offset");
        let mut check = OptionCheck { path: &path, notes: check.notes };
        check.not_too_long("value", offset.value, LONGEST);
        check.at_least("sigma", offset.sigma, Length::metres(0.0), "expected one sigma, 0 or more");
        if offset.why.trim().is_empty() {
            check.wrong("why", "is empty", "expected the reason for the offset and how it is known", None);
        }
    }
    let files = OptionCheck { path: &path, notes }.path_to("files");
    if cloud.points.is_some() {
        for other in ["files", "scans"] {
            let path = [key.into(), other.into()];
            if notes.given(&path) {
                let help =
                    "compare with one of them; the other can have a pipeline file of its own".to_string();
                let message = format!("`{key}` names both `{other}` and `points`");
                notes.key(&path, message, "expected one of them".to_string(), Some(help));
            }
        }
        return;
    }
    if key == "reference" && notes.given(&[key.into(), "scans".into()]) {
        if notes.given(&files) {
            let label = "expected `files` or `scans`, not both".to_string();
            notes.key(&files, "the reference has `files` and `scans`".to_string(), label, None);
        }
    } else if notes.given(&files) {
        OptionCheck { path: &path, notes }.filled("files", Some(cloud.files.len()));
    } else if notes.given(&path) && !notes.known(&path) {
        let help = format!("name the point files: `{key}: {{files: [folder/*.laz]}}`");
        notes.value(&path, format!("`{key}` names no files"), "expected `files:`".to_string(), Some(help));
    }
}

/// The setups of the reference: each with a name of its own, and files.
fn scans(reference: &CloudInput, notes: &mut Notes) {
    let path: [Seg; 2] = ["reference".into(), "scans".into()];
    if notes.given(&path) {
        OptionCheck { path: &path[..1], notes }.filled("scans", Some(reference.scans.len()));
    }
    for (index, scan) in reference.scans.iter().enumerate() {
        let path = [&path[..], &[index.into()]].concat();
        let mut check = OptionCheck { path: &path, notes };
        check.filled("files", Some(scan.files.len()));
        if scan.name.trim().is_empty() {
            check.wrong("name", "is empty", "expected the name of the setup", None);
        } else if reference.scans[..index].iter().any(|before| before.name == scan.name) {
            check.wrong(
                "name",
                &format!("`{}` is given twice", scan.name),
                "expected a name of its own",
                None,
            );
        }
    }
}

/// A shift between vertical systems, which must be explained.
fn vertical_shift(reference: &CloudInput, notes: &mut Notes) {
    let path: [Seg; 1] = ["reference".into()];
    let mut check = OptionCheck { path: &path, notes };
    let explained = reference.why.as_ref().is_some_and(|why| !why.trim().is_empty());
    match reference.vertical_shift {
        Some(shift) => {
            check.not_too_long("vertical_shift", shift, LONGEST);
            if !explained {
                let key = if reference.why.is_some() { "why" } else { "vertical_shift" };
                let why = if reference.why.is_some() { "is empty" } else { "is not explained" };
                let help = "for example `why: \"geoid undulation at the site, from the model of the mapping agency\"`";
                check.wrong(
                    key,
                    why,
                    "expected `why:` beside it, the reason and the source of the value",
                    Some(help),
                );
            }
        }
        None if reference.why.is_some() => {
            let help = "remove it, or add `vertical_shift`; the reason for an `offset` stands inside it";
            check.wrong(
                "why",
                "explains nothing",
                "belongs to `vertical_shift`, which is not given",
                Some(help),
            );
        }
        None => {}
    }
}

/// Areas left out: each with its reason; without a reference there is nothing to leave them out of.
fn exclude(pipeline: &Pipeline, schema: &Value, notes: &mut Notes) {
    for (index, exclude) in pipeline.exclude.iter().enumerate() {
        let path: [Seg; 2] = ["exclude".into(), index.into()];
        if exclude.why.trim().is_empty() {
            let label = "expected the reason for leaving the area out";
            OptionCheck { path: &path, notes }.wrong("why", "is empty", label, None);
        }
    }
    let path: [Seg; 1] = ["exclude".into()];
    if !pipeline.exclude.is_empty() && !notes.meant("reference", schema) && !notes.known(&path) {
        notes.key(
            &path,
            "`exclude` leaves areas out of the comparisons, but the file names no reference".to_string(),
            "there is no `reference:`".to_string(),
            Some("add `reference: {files: [scan/*.laz]}`, or remove `exclude`".to_string()),
        );
    }
}

/// A stage for the reference where there is none.
fn needs_no_reference(entry: &Entry, notes: &mut Notes) {
    let cloud = match &entry.stage {
        Stage::Select(select) => select.cloud,
        Stage::Ground(ground) => ground.cloud,
        _ => return,
    };
    if cloud == CloudChoice::Reference {
        let path = [&entry.path[..], &["cloud".into()]].concat();
        notes.value(
            &path,
            format!("{} applies to the reference, but the file names none", name(&entry.path)),
            "there is no `reference:`".to_string(),
            Some("add `reference: {files: [scan/*.laz]}`, or remove the stage".to_string()),
        );
    }
}

/// The options of each stage.
impl OptionCheck<'_, '_> {
    fn read(&mut self, read: &Read) {
        if let Auto::Fixed(tile) = read.tile {
            self.at_least("tile", tile, Length::metres(1.0), "expected `auto` or at least 1 m");
        }
    }

    fn select(&mut self, select: &Select) {
        self.filled("classes", select.classes.as_ref().map(Vec::len));
        self.filled("strips", select.strips.as_ref().map(Vec::len));
        if let Some(angle) = select.scan_angle_max.filter(|angle| !(0.0..=180.0).contains(&angle.degrees)) {
            self.wrong("scan_angle_max", &format!("is `{angle}`"), "expected 0 to 180 degrees", None);
        }
        let Some(area) = &select.area else { return };
        let path = self.path_to("area");
        let mut sides = OptionCheck { path: &path, notes: self.notes };
        for (axis, [low, high]) in [("x", area.x), ("y", area.y)] {
            sides.not_too_long(axis, low, FARTHEST);
            sides.not_too_long(axis, high, FARTHEST);
            if low.micrometres() >= high.micrometres() {
                let why = format!("runs from `{low}` to `{high}`: the box is empty");
                sides.wrong(axis, &why, "expected the lower limit first, then the upper", None);
            }
        }
    }

    fn export(&mut self, export: &Export) {
        let twice = |(i, dimension)| export.extra_bytes[..i].contains(dimension);
        if export.extra_bytes.iter().enumerate().any(twice) {
            self.wrong("extra_bytes", "lists one twice", "expected each once", None);
        }
        if !export.cloud && !export.extra_bytes.is_empty() {
            let help = "remove it, or write `cloud: true`";
            self.wrong("extra_bytes", "does nothing", "no cloud is written", Some(help));
        }
    }

    fn compare(&mut self, compare: &Compare) {
        if let Some(Auto::Fixed(within)) = compare.within {
            self.positive("within", within);
        }
        if let Some(longest) = compare.longest_edge {
            self.positive("longest_edge", longest);
            self.not_too_long("longest_edge", longest, Length::metres(100.0));
        }
        if let Some(steepest) = compare.steepest.filter(|steepest| !(*steepest > 0.0 && steepest.is_finite()))
        {
            self.wrong("steepest", &format!("is `{steepest}`"), "expected rise over run, above 0", None);
        }
        let of_triangles =
            [("longest_edge", compare.longest_edge.is_some()), ("steepest", compare.steepest.is_some())];
        for (key, given) in of_triangles {
            if given && compare.method != Method::Triangulated {
                self.wrong(key, "applies to `match: triangulated` alone", "not used by this method", None);
            }
        }
        if compare.within.is_some() && compare.method == Method::Triangulated {
            self.wrong("within", "does not apply to `match: triangulated`", "use `longest_edge`", None);
        }
    }

    fn terrain(&mut self, terrain: &TerrainStage) {
        self.at_least("cell", terrain.cell, LEAST_RASTER_CELL, "expected 1 cm or more");
        self.not_too_long("cell", terrain.cell, LARGEST_RASTER_CELL);
        self.positive("fill", terrain.fill);
        if terrain.fill.exact_micrometres() > MOST_FILLED_CELLS * terrain.cell.exact_micrometres() {
            let help = "voids wider than that are better measured than filled";
            let label = format!("expected {MOST_FILLED_CELLS} cells at most");
            self.wrong("fill", &format!("is `{}`", terrain.fill), &label, Some(help));
        }
        if let Auto::Fixed(returns) = &terrain.returns {
            self.filled("returns", Some(returns.len()));
            let most = MAX_RETURN as u8;
            if let Some(number) = returns.iter().find(|number| !(1..=most).contains(number)) {
                self.wrong(
                    "returns",
                    &format!("names return `{number}`"),
                    "expected return numbers from 1 to 15",
                    None,
                );
            }
        }
    }

    fn summarise(&mut self, summarise: &Summarise) {
        self.filled("by", Some(summarise.by.len()));
        let twice = (1..summarise.by.len()).find(|&i| summarise.by[..i].contains(&summarise.by[i]));
        if let Some(i) = twice {
            let word = summarise.by[i].word();
            self.wrong("by", &format!("names `{word}` twice"), "expected each property once", None);
        }
        self.positive("canopy_height", summarise.canopy_height);
        self.positive("canopy_radius", summarise.canopy_radius);
        self.positive("terrain_cell", summarise.terrain_cell);
        let cell = summarise.agreement_cell;
        self.at_least("agreement_cell", cell, LEAST_CELL, "expected 10 cm at least");
        self.not_too_long("agreement_cell", cell, Length::metres(20.0));
        let slope = summarise.agreement_slope;
        if !(slope > 0.0 && slope.is_finite()) {
            self.wrong("agreement_slope", &format!("is `{slope}`"), "expected rise over run, above 0", None);
        }
        if let Auto::Fixed(block) = summarise.block {
            self.positive("block", block);
        }
        self.positive("low_vegetation_height", summarise.low_vegetation_height);
        for (key, share) in [
            ("canopy_share", summarise.canopy_share),
            ("low_vegetation_share", summarise.low_vegetation_share),
        ] {
            if !(share > 0.0 && share <= 1.0) {
                self.wrong(key, &format!("is `{share}`"), "expected a share above 0, at most 1", None);
            }
        }
        let (low, high) = (summarise.low_vegetation_height, summarise.canopy_height);
        if self.both_right(["low_vegetation_height", "canopy_height"])
            && low.micrometres() >= high.micrometres()
        {
            let key = self.first_given(["low_vegetation_height", "canopy_height"]);
            let why =
                format!("does not fit: `low_vegetation_height` {low} is not below `canopy_height` {high}");
            self.wrong(key, &why, "low vegetation must be lower than canopy", None);
        }
        for (key, breaks) in
            [("slope_breaks", &summarise.slope_breaks), ("scan_angle_breaks", &summarise.scan_angle_breaks)]
        {
            self.filled(key, Some(breaks.len()));
            if breaks.len() > MOST_CLASSES {
                let label = format!("expected {MOST_CLASSES} breaks at most");
                self.wrong(key, &format!("has {} breaks", breaks.len()), &label, None);
            } else if breaks.iter().any(|edge| !(*edge > 0.0 && edge.is_finite())) || !breaks.is_sorted() {
                self.wrong(
                    key,
                    "is not a list of increasing numbers above 0",
                    "expected for example `[10, 20, 30]`",
                    None,
                );
            }
        }
    }
}
