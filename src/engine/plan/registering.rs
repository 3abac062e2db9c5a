//! The registration of the reference's scans, from the lists that the pipeline file names.

use std::collections::BTreeSet;

use crate::cloud::files::file_name;
use crate::cloud::point_list::{ListError, ListFile};
use crate::cloud::{Registered, Source};
use crate::pipeline::register::Register;
use crate::pipeline::register_tables::{self, List};
use crate::pipeline::{Loaded, PipelineError, Problem, Seg};
use crate::registration::network::Network;
use crate::registration::{Observed, Unregistered};
use crate::results::format::and_list;
use crate::units::{Micrometres, Unit};

/// Registered scans.
pub struct Registering {
    /// The adjustment.
    pub network: Network,
    /// What the pipeline file says of it.
    pub register: Register,
    /// The lists of targets and of control, each with its units.
    pub lists: [(ListFile, (Unit, Unit)); 2],
    /// What a person should know.
    pub notes: Vec<String>,
}

/// Why scans cannot be registered.
pub enum Failed {
    /// A list cannot be read.
    List(ListError),
    /// What a list says is wrong.
    Table(PipelineError),
    /// What the lists say does not fit the pipeline file.
    Problem(Problem),
}

impl From<PipelineError> for Failed {
    fn from(error: PipelineError) -> Self {
        Failed::Table(error)
    }
}

impl From<ListError> for Failed {
    fn from(error: ListError) -> Self {
        Failed::List(error)
    }
}

impl Registering {
    /// Registers the scans, if the pipeline file says so; `sources` are those of the reference with their `units`, `survey` the
    /// units of the survey.
    ///
    /// # Errors
    /// What is wrong with the lists, or does not determine the poses.
    pub fn of(
        loaded: &Loaded,
        sources: &[Source],
        units: &[(Unit, Unit)],
        survey: (Unit, Unit),
    ) -> Result<Option<Self>, Failed> {
        let reference = loaded.pipeline.reference.as_ref();
        let Some((register, paths)) =
            reference.and_then(|reference| reference.register.clone()).zip(loaded.register_lists())
        else {
            return Ok(None);
        };
        let setups: Vec<String> =
            reference.map_or(Vec::new(), |r| r.scans.iter().map(|scan| scan.name.clone()).collect());
        let problem = |place: &[&str], message: &str, help: &str| {
            let place: Vec<Seg> =
                ["reference"].iter().chain(place).map(|key| Seg::Key((*key).to_string())).collect();
            Failed::Problem(loaded.problem_at(&place, message, "here", Some(help)))
        };
        let units = units_of(loaded, sources, units, &setups)
            .map_err(|(message, help)| problem(&["scans"], &message, &help))?;
        let control_units = register.units.unwrap_or_default().or(survey);
        let [targets_path, control_path] = paths;
        let targets_file = ListFile::read(&targets_path)?;
        let control_file = ListFile::read(&control_path)?;
        let setup = |name: &str| {
            let at = setups.iter().position(|one| one == name)?;
            Some((at, units[at]))
        };
        let List { points: targets, left_out: others, notes } =
            register_tables::targets(&targets_file, &register.targets.columns, setup)?;
        let List { points: control, left_out: partial, notes: more } =
            register_tables::control(&control_file, &register.control.columns, control_units)?;
        let known: BTreeSet<&str> = control.iter().map(|one| one.name.as_str()).collect();
        let missing: Vec<String> =
            register.withhold.iter().filter(|name| !known.contains(name.as_str())).cloned().collect();
        if !missing.is_empty() {
            return Err(problem(
                &["register", "withhold"],
                &format!(
                    "{} has no point {}, which `withhold` names",
                    file_name(&control_path),
                    and_list(&missing)
                ),
                "withheld points are control points: write their names as the list does",
            ));
        }
        let also = match others.is_empty() {
            true => String::new(),
            false => format!(
                "{} has targets of setups that `scans` does not name, and which are left out: {}",
                file_name(&targets_path),
                and_list(&others)
            ),
        };
        let observed =
            Observed { setups, model: register.model, targets, control, withhold: register.withhold.clone() };
        let network = Network::adjust(observed).map_err(|Unregistered { message, help }| {
            let help = if also.is_empty() { help } else { format!("{help}. {also}") };
            problem(&["register"], &message, &help)
        })?;
        let also = Some(also).filter(|text| !text.is_empty());
        let mut notes: Vec<String> = [notes, more].concat().into_iter().chain(also).collect();
        if !partial.is_empty() {
            notes.push(format!(
                "{} gives no full position of {}: not used for the registration",
                file_name(&control_path),
                and_list(&partial)
            ));
        }
        notes.push(result(&network));
        let horizontal_of_targets = units.first().copied().unwrap_or(survey);
        Ok(Some(Registering {
            network,
            register,
            lists: [(targets_file, horizontal_of_targets), (control_file, control_units)],
            notes,
        }))
    }

    /// The pose of a setup, counted from 1.
    pub fn pose(&self, setup: u16) -> Option<Registered> {
        let pose = self.network.poses.get(usize::from(setup).checked_sub(1)?)?;
        let whole = |metres: f64| (metres * 1e6).round() as Micrometres;
        let from = [0, 1, 2].map(|axis| whole(pose.from[axis]));
        let to = pose.apply(&from.map(|um| um as f64 / 1e6).into());
        Some(Registered {
            turn: [0, 1, 2].map(|row| [0, 1, 2].map(|column| pose.turn[(row, column)])),
            from,
            to: [0, 1, 2].map(|axis| self.network.origin[axis] + whole(to[axis])),
        })
    }
}

/// The adjustment in a sentence.
fn result(network: &Network) -> String {
    let freedom = network.solution.degrees_of_freedom;
    let factor = match (network.solution.variance_factor(), &network.test) {
        (Some(factor), Some(test)) => format!("variance factor {factor:.2}, {}", test.verdict.words()),
        _ => "no redundancy".to_string(),
    };
    let mut text =
        format!("registered {}: {factor}, {freedom} degrees of freedom", and_list(&network.observed.setups));
    if !network.suggested.is_empty() {
        let names: BTreeSet<&str> = network.suggested.iter().map(|one| network.value(one.value).0).collect();
        let names: Vec<String> = names.into_iter().map(str::to_string).collect();
        text += &format!("; suspected blunders: {}", and_list(&names));
    }
    text
}

/// The units of each setup: those of its files, which must agree, in one frame.
fn units_of(
    loaded: &Loaded,
    sources: &[Source],
    units: &[(Unit, Unit)],
    setups: &[String],
) -> Result<Vec<(Unit, Unit)>, (String, String)> {
    let mut found = Vec::with_capacity(setups.len());
    for (name, number) in setups.iter().zip(1u16..) {
        let is_own = |source: &Source| {
            let files = loaded.reference_files.iter().zip(&loaded.reference_setups);
            files.into_iter().any(|(file, setup)| *setup == number && file.path() == source.path())
        };
        let own: Vec<(&Source, (Unit, Unit))> =
            sources.iter().zip(units.iter().copied()).filter(|(source, _)| is_own(source)).collect();
        let Some((_, unit)) = own.first().copied() else {
            return Err((format!("setup {name} has no scan"), "name its files".to_string()));
        };
        if own.iter().any(|(_, other)| *other != unit) {
            return Err((
                format!("the files of setup {name} are in different units"),
                "export them in one unit: its targets have one too".to_string(),
            ));
        }
        let same_file = own.iter().find(|(source, _)| {
            matches!(source, Source::E57(_))
                && own.iter().filter(|(other, _)| other.path() == source.path()).count() > 1
        });
        if let Some((several, _)) = same_file {
            return Err((
                format!("{} of setup {name} holds several scans, each in a frame of its own", several.name()),
                "export each scan to a file of its own, and name each as a setup".to_string(),
            ));
        }
        found.push(unit);
    }
    Ok(found)
}
