//! Checks of what rests on control: the registration of scans, and the fit of the survey.

use serde_json::Value;

use crate::pipeline::locate::Seg;
use crate::pipeline::model::{CloudInput, Pipeline};
use crate::pipeline::option_check::OptionCheck;
use crate::pipeline::problem::Notes;
use crate::pipeline::uncertainty::Uncertainty;
use crate::units::Length;

/// The registration of the scans: there must be some, and an uncertainty that it gives needs it.
pub(super) fn register(reference: &CloudInput, notes: &mut Notes) {
    let path: [Seg; 1] = ["reference".into()];
    let mut check = OptionCheck { path: &path, notes };
    let Some(register) = &reference.register else {
        // Where `register` is there but wrong, that has been said.
        let given = check.path_to("register");
        if reference.uncertainty == Some(Uncertainty::Auto) && !check.notes.given(&given) {
            let help = "state it as a length, as in `uncertainty: 10 mm`, or register the scans";
            check.wrong(
                "uncertainty",
                "is `auto`",
                "follows from `register`, which is not given",
                Some(help),
            );
        }
        return;
    };
    let scans = check.path_to("scans");
    if !check.notes.given(&scans) {
        let help = "name the setups: `scans: [{name: S1, files: [s1.e57]}]`; other references are in the survey's system already";
        check.wrong("register", "needs `scans`", "registers the setups named under `scans`", Some(help));
    }
    let path = check.path_to("register");
    let mut check = OptionCheck { path: &path, notes: check.notes };
    check.at_least("noise", register.noise, Length::metres(0.0), "expected one sigma, 0 or more");
    for (key, table) in register.tables() {
        if table.file.as_os_str().is_empty() && !check.notes.known(&check.path_to(key)) {
            let help = format!("name the list: `register: {{{key}: control/{key}.csv}}`");
            check.wrong(key, "is not given", "expected a file", Some(&help));
        }
    }
    each_once(&register.withhold, &mut check);
}

/// The vertical fit of the survey: control that it is fitted to, and something to compare with.
pub(super) fn fit(pipeline: &Pipeline, schema: &Value, notes: &mut Notes) {
    let Some(fit) = &pipeline.survey.fit else { return };
    let path: [Seg; 2] = ["survey".into(), "fit".into()];
    if !notes.meant("reference", schema) && !notes.known(&path) {
        notes.key(
            &path,
            "`fit` acts on what is compared, but the file names no reference".to_string(),
            "there is no `reference:`".to_string(),
            Some(
                "add `reference: {files: [scan/*.laz]}`, or `reference: {points: control/checkpoints.csv}`"
                    .to_string(),
            ),
        );
    }
    let mut check = OptionCheck { path: &path, notes };
    check.at_least("noise", fit.noise, Length::metres(0.0), "expected one sigma, 0 or more");
    if fit.to.file.as_os_str().is_empty() && !check.notes.known(&check.path_to("to")) {
        check.wrong(
            "to",
            "is not given",
            "expected a file",
            Some("name the list: `fit: {to: control/flight.csv}`"),
        );
    }
    each_once(&fit.withhold, &mut check);
}

/// No point is withheld twice.
fn each_once(withhold: &[String], check: &mut OptionCheck<'_, '_>) {
    for (index, name) in withhold.iter().enumerate() {
        if withhold[..index].contains(name) {
            check.wrong("withhold", &format!("names `{name}` twice"), "expected each point once", None);
        }
    }
}
