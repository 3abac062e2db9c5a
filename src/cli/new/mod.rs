//! `echograde new`: a commented pipeline file that fits the data, from the headers and a sample of the points.

mod inputs;
mod sample;
mod suggest;
mod text;

use std::fs;
use std::path::{Path, PathBuf};

use crate::cli::error::CliError;
use crate::cli::new::inputs::Inputs;
use crate::cli::new::sample::Sample;
use crate::cli::new::suggest::Suggestion;
use crate::pipeline::schema::schema_text;

/// The file beside a pipeline file that its first line names, by which editors complete and check it.
const SCHEMA: &str = "echograde.schema.json";

/// Points of each cloud that are looked at, at the most.
const LOOKED_AT: u64 = 8_000_000;

/// Looks at the clouds and writes the pipeline file `out`; gives the text for standard output.
///
/// # Errors
/// Where there is no cloud, one cannot be read, or `out` is there and may not be replaced.
pub fn new(survey: &[PathBuf], reference: &[PathBuf], out: &Path, replace: bool) -> Result<String, CliError> {
    if out.exists() && !replace {
        let name = out.display();
        return Err(CliError::Usage(format!(
            "{name} is there already; add --replace, or name another with --out"
        )));
    }
    let survey = Inputs::find("survey", survey, out)?;
    let reference = (!reference.is_empty()).then(|| Inputs::find("reference", reference, out)).transpose()?;
    let survey_sample = Sample::of(&survey.sources, LOOKED_AT)?;
    let reference_sample =
        reference.as_ref().map(|inputs| Sample::of(&inputs.sources, LOOKED_AT)).transpose()?;
    let suggestion = Suggestion::of(&survey_sample, reference_sample.as_ref());
    let title = out.file_stem().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    let text = text::pipeline(&title, &survey, reference.as_ref(), &suggestion);
    let write = |path: &Path, text: &str| {
        fs::write(path, text).map_err(|error| {
            CliError::Usage(format!(
                "{} cannot be written: {error}; name another place with --out",
                path.display()
            ))
        })
    };
    // Beside it, for editors: it says what may stand where. One that is there stays, as others may use it. Written first, so that what
    // is not whole can be tried again.
    let schema = out.with_file_name(SCHEMA);
    if replace || !schema.exists() {
        write(&schema, &schema_text())?;
    }
    write(out, &text)?;
    let name = out.display();
    let confirm: Vec<&str> = [Some(&survey), reference.as_ref()]
        .into_iter()
        .flatten()
        .filter(|inputs| inputs.unit_unknown())
        .map(|inputs| inputs.cloud)
        .collect();
    let confirm = match confirm.as_slice() {
        [] => String::new(),
        clouds => format!(
            "The headers of the {} do not state all units: confirm the `units:` lines before you run it.\n",
            clouds.join(" and the ")
        ),
    };
    Ok(format!(
        "Wrote {name}, and {SCHEMA} beside it for editors that complete and check as you type.\nEach value stands beside its \
         reason: read it before you run it.\n{confirm}Next:\n  echograde check {name}\n  \
         echograde run {name}\n"
    ))
}
