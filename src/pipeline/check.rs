//! Checks of values that can be decoded but are wrong: each option by itself, and options that do not fit each other.

use serde_json::Value;

use crate::pipeline::explain::name;
use crate::pipeline::limits;
use crate::pipeline::locate::Seg;
use crate::pipeline::model::{CloudInput, Pipeline};
use crate::pipeline::option_check::{LONGEST, OptionCheck};
use crate::pipeline::parse::Entry;
use crate::pipeline::problem::Notes;
use crate::stages::auto::Auto;
use crate::stages::checkpoints::Checkpoints;
use crate::stages::compare::Compare;
use crate::stages::ground::Ground;
use crate::stages::list::Stage;
use crate::stages::matching::Method;
use crate::stages::read::Read;
use crate::stages::select::Select;
use crate::stages::stage::CloudChoice;
use crate::stages::summarise::Summarise;
use crate::tile::strata::MOST_CLASSES;
use crate::units::Length;

/// Farthest coordinate: beyond it a unit is most likely mistaken.
const FARTHEST: Length = Length::metres(100_000_000.0);

/// Most cells that a window or a filled gap may span: the work grows with them.
const MOST_CELLS: f64 = 20_000.0;

/// Notes every value that is wrong.
pub(super) fn values(pipeline: &Pipeline, entries: &[Entry], schema: &Value, notes: &mut Notes) {
    cloud_input(&pipeline.survey, "survey", notes);
    if !notes.meant("survey", schema) {
        let help = "name the point files: `survey: {files: [flight/*.laz]}`".to_string();
        let message = "the file does not name the survey".to_string();
        notes.value(&[], message, "expected `survey:` with its `files:`".to_string(), Some(help));
    }
    let survey = &pipeline.survey;
    for (key, given) in [
        ("uncertainty", survey.uncertainty.is_some()),
        ("offset", survey.offset.is_some()),
        ("points", survey.points.is_some()),
    ] {
        if given {
            notes.key(
                &["survey".into(), key.into()],
                format!("`survey` has no option `{key}`"),
                "belongs under `reference`".to_string(),
                Some(format!("only the reference has `{key}`; the survey is what it tests")),
            );
        }
    }
    limits::check(pipeline, entries, notes);
    if let Some(reference) = &pipeline.reference {
        cloud_input(reference, "reference", notes);
    }
    for entry in entries {
        let mut check = OptionCheck { path: &entry.path, notes };
        match &entry.stage {
            Stage::Read(read) => check.read(read),
            Stage::Select(select) => check.select(select),
            Stage::Ground(ground) => check.ground(ground),
            Stage::Checkpoints(Checkpoints { spacing, .. }) => check.positive("spacing", *spacing),
            Stage::Compare(compare) => check.compare(compare),
            Stage::Summarise(summarise) => check.summarise(summarise),
        }
        if !notes.meant("reference", schema) {
            needs_no_reference(entry, notes);
        }
    }
}

fn cloud_input(cloud: &CloudInput, key: &str, notes: &mut Notes) {
    let path: [Seg; 1] = [key.into()];
    let mut check = OptionCheck { path: &path, notes };
    if let Some(uncertainty) = cloud.uncertainty {
        check.at_least("uncertainty", uncertainty, Length::metres(0.0), "expected one sigma, 0 or more");
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
        if notes.given(&files) {
            let help = "compare with one of them; the other can have a pipeline file of its own".to_string();
            let message = format!("`{key}` names both `files` and `points`");
            notes.key(&files, message, "expected one of them".to_string(), Some(help));
        }
        return;
    }
    if notes.given(&files) {
        OptionCheck { path: &path, notes }.filled("files", Some(cloud.files.len()));
    } else if notes.given(&path) && !notes.known(&path) {
        let help = format!("name the point files: `{key}: {{files: [folder/*.laz]}}`");
        notes.value(&path, format!("`{key}` names no files"), "expected `files:`".to_string(), Some(help));
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

    fn ground(&mut self, ground: &Ground) {
        let least_cell = Length::millimetres(1.0);
        self.at_least("cell", ground.cell, least_cell, "expected at least 1 mm");
        self.positive("window_max", ground.window_max);
        self.positive("low_outlier", ground.low_outlier);
        let zero = Length::metres(0.0);
        for (key, length) in
            [("dh_initial", ground.dh_initial), ("dh_max", ground.dh_max), ("fill_max", ground.fill_max)]
        {
            self.at_least(key, length, zero, "expected 0 or more");
        }
        if ground.slope < 0.0 {
            self.wrong(
                "slope",
                &format!("is `{}`", ground.slope),
                "expected 0 or more (rise over run)",
                None,
            );
        }
        let (window, cell) = (ground.window_max, ground.cell);
        let both_right = !["window_max", "cell"].iter().any(|key| self.notes.known(&self.path_to(key)));
        if both_right && window.micrometres() < 3 * cell.micrometres() {
            let key = self.first_given(["window_max", "cell"]);
            let why = format!("does not fit: `window_max` {window} is less than three cells of {cell}");
            self.wrong(
                key,
                &why,
                "the smallest window is 3 cells",
                Some("make `window_max` larger than the widest building"),
            );
        }
        for (key, length) in [("window_max", window), ("fill_max", ground.fill_max)] {
            let cells = length.exact_micrometres() / cell.exact_micrometres();
            if cells > MOST_CELLS && !["cell", key].iter().any(|key| self.notes.known(&self.path_to(key))) {
                let at = self.first_given([key, "cell"]);
                let why = format!("does not fit: `{key}` {length} is {cells:.0} cells of {cell}");
                let label = format!("expected {MOST_CELLS:.0} cells at most");
                self.wrong(
                    at,
                    &why,
                    &label,
                    Some("make `cell` larger: about the point spacing is fine enough"),
                );
            }
        }
        let (first, most) = (ground.dh_initial, ground.dh_max);
        let both_right = !["dh_initial", "dh_max"].iter().any(|key| self.notes.known(&self.path_to(key)));
        if both_right && first.micrometres() > most.micrometres() {
            let key = self.first_given(["dh_initial", "dh_max"]);
            let why = format!("does not fit: `dh_initial` {first} is above `dh_max` {most}");
            let label = "the first threshold cannot exceed the largest";
            self.wrong(key, &why, label, Some("lower `dh_initial` or raise `dh_max`"));
        }
    }

    fn compare(&mut self, compare: &Compare) {
        if let Some(within) = compare.within {
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

    fn summarise(&mut self, summarise: &Summarise) {
        self.filled("by", Some(summarise.by.len()));
        self.positive("canopy_height", summarise.canopy_height);
        self.positive("canopy_radius", summarise.canopy_radius);
        self.positive("terrain_cell", summarise.terrain_cell);
        if let Auto::Fixed(block) = summarise.block {
            self.positive("block", block);
        }
        if !(summarise.canopy_share > 0.0 && summarise.canopy_share <= 1.0) {
            let why = format!("is `{}`", summarise.canopy_share);
            self.wrong("canopy_share", &why, "expected a share above 0, at most 1", None);
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
