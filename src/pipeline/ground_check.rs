//! Whether the options of a `ground` stage fit each other.

use crate::pipeline::explain::name;
use crate::pipeline::option_check::OptionCheck;
use crate::stages::alternative::Alternative;
use crate::stages::ground::{Ground, OF_FILTER, OF_SURFACE};
use crate::stages::stage::CloudChoice;
use crate::tile::points::GroundFrom;
use crate::units::Length;

/// Most cells that a window or a filled gap may span: the work grows with them.
const MOST_CELLS: f64 = 20_000.0;

impl OptionCheck<'_, '_> {
    /// Checks the options of a `ground` stage.
    pub(super) fn ground(&mut self, ground: &Ground) {
        if !ground.may_cross_check() {
            let (label, help) = match ground.from {
                GroundFrom::Filter => (
                    "nothing is delivered to be held against the filter",
                    "write `from: classes`, or remove it",
                ),
                GroundFrom::Classes => {
                    ("only classes of the survey are held against the filter", "remove it")
                }
            };
            self.idle("cross_check", &format!("`from: {}`", ground.from.word()), label, help);
        }
        if !ground.filters() {
            return self.delivered_ground(ground);
        }
        self.filter(ground);
        if ground.from == GroundFrom::Classes {
            let help = "remove it; or compare settings in a run with `from: filter`";
            return self.idle("compare", "`from: classes`", "the run's own ground is class 2", help);
        }
        self.alternatives(ground);
    }

    /// Other settings that the stage compares itself with: right as options of the stage, and each a setting of its own.
    fn alternatives(&mut self, ground: &Ground) {
        let path = self.path_to("compare");
        if ground.compare.len() > Alternative::MOST {
            let most = Alternative::MOST;
            let help = "compare in two runs: a second pipeline file costs no more than as many settings here";
            let why = format!("lists {} settings", ground.compare.len());
            return self.wrong("compare", &why, &format!("expected {most} at most"), Some(help));
        }
        let own = ground.with(&Alternative::default());
        let mut known = vec![own];
        for (index, alternative) in ground.compare.iter().enumerate() {
            let path = [&path[..], &[index.into()]].concat();
            let options = ground.with(alternative);
            if known.contains(&options) {
                let message = format!("entry {} of `compare` is no setting of its own", index + 1);
                let label = "the same as the stage's own options, or an entry before".to_string();
                let help = "name the options that differ, as in `{dh_initial: 0.4 m}`".to_string();
                self.notes.value(&path, message, label, Some(help));
                continue;
            }
            OptionCheck { path: &path, notes: self.notes }.filter(&options);
            known.push(options);
        }
    }

    /// The options of the filter.
    fn filter(&mut self, ground: &Ground) {
        self.surface(ground);
        self.positive("window_max", ground.window_max);
        self.positive("low_outlier", ground.low_outlier);
        for (key, length) in [("dh_initial", ground.dh_initial), ("dh_max", ground.dh_max)] {
            self.at_least(key, length, Length::metres(0.0), "expected 0 or more");
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
        if self.both_right(["window_max", "cell"]) && window.micrometres() < 3 * cell.micrometres() {
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
            self.cells(key, length, cell);
        }
        let (first, most) = (ground.dh_initial, ground.dh_max);
        if self.both_right(["dh_initial", "dh_max"]) && first.micrometres() > most.micrometres() {
            let key = self.first_given(["dh_initial", "dh_max"]);
            let why = format!("does not fit: `dh_initial` {first} is above `dh_max` {most}");
            let label = "the first threshold cannot exceed the largest";
            self.wrong(key, &why, label, Some("lower `dh_initial` or raise `dh_max`"));
        }
    }

    /// The options of the surface, whatever it is made of.
    fn surface(&mut self, ground: &Ground) {
        self.at_least("cell", ground.cell, Length::millimetres(1.0), "expected at least 1 mm");
        self.at_least("fill_max", ground.fill_max, Length::metres(0.0), "expected 0 or more");
    }

    /// Where classes are taken as delivered, what would say how to filter does nothing.
    fn delivered_ground(&mut self, ground: &Ground) {
        let help = "remove it; or write `from: filter`, which finds the ground whatever the classes are, or `cross_check: true`, \
                    which holds the survey's classes against it";
        let mut idle = OF_FILTER.to_vec();
        if ground.cloud == CloudChoice::Reference {
            idle.extend(OF_SURFACE);
        } else {
            self.surface(ground);
            self.cells("fill_max", ground.fill_max, ground.cell);
        }
        idle.push("compare");
        for key in idle {
            self.idle(key, "`from: classes`", "class 2 is taken as delivered", help);
        }
    }

    /// Notes an option that is given and does nothing beside another.
    fn idle(&mut self, key: &str, beside: &str, label: &str, help: &str) {
        let path = self.path_to(key);
        if self.notes.given(&path) && !self.notes.known(&path) {
            let message = format!("{} does nothing with {beside}", name(&path));
            self.notes.key(&path, message, label.to_string(), Some(help.to_string()));
        }
    }

    /// Refuses a length of too many cells.
    fn cells(&mut self, key: &'static str, length: Length, cell: Length) {
        let cells = length.exact_micrometres() / cell.exact_micrometres();
        if self.both_right(["cell", key]) && cells > MOST_CELLS {
            let at = self.first_given([key, "cell"]);
            let why = format!("does not fit: `{key}` {length} is {cells:.0} cells of {cell}");
            let label = format!("expected {MOST_CELLS:.0} cells at most");
            self.wrong(at, &why, &label, Some("make `cell` larger: about the point spacing is fine enough"));
        }
    }
}
