//! Parts that are missing or damaged, and the commands that do them.

use crate::engine::parts::agreed::Agreed;
use crate::engine::store::error::EngineError;
use crate::engine::store::parts_folder::PartsFolder;
use crate::engine::store::phase::{PHASES, PartOf, Phase};

/// Commands that are written out; the list of the missing parts is complete.
const COMMANDS: usize = 8;

/// Makes sure that all parts of these phases are there.
///
/// # Errors
/// Which are missing, with the commands that do them.
pub fn check_parts(phases: &[Phase], agreed: &Agreed, folder: &PartsFolder) -> Result<(), EngineError> {
    let missing: Vec<(Phase, Vec<u32>)> = phases
        .iter()
        .map(|&phase| (phase, folder.missing(phase, agreed.parts)))
        .filter(|(_, numbers)| !numbers.is_empty())
        .collect();
    if missing.is_empty() {
        return Ok(());
    }
    let of_phase = |(phase, numbers): &(Phase, Vec<u32>)| {
        format!("{} {} of {}", phase.name(), ranges(numbers), agreed.parts)
    };
    let names: Vec<String> = missing.iter().map(of_phase).collect();
    let all = missing.iter().flat_map(|(phase, numbers)| numbers.iter().map(move |number| (*phase, *number)));
    let all: Vec<(Phase, u32)> = all.collect();
    let mut message = format!("parts of the run are missing: {}. Do them, then try again:", names.join("; "));
    for (phase, number) in all.iter().take(COMMANDS) {
        message += &format!("\n  {}", command(*phase, *number, agreed, folder));
    }
    if all.len() > COMMANDS {
        message += &format!("\n  and so on for {} more", all.len() - COMMANDS);
    }
    Err(EngineError::RunFolder { path: folder.target().to_path_buf(), message })
}

/// The command that does a part.
fn command(phase: Phase, number: u32, agreed: &Agreed, folder: &PartsFolder) -> String {
    format!(
        "echograde run {} --out {} --phase {} --part {}{}",
        quoted(&agreed.pipeline_file.display().to_string()),
        quoted(&folder.target().display().to_string()),
        phase.name(),
        PartOf { number, of: agreed.parts },
        if agreed.may_replace() { " --replace" } else { "" }
    )
}

/// A word as a shell takes it.
pub fn quoted(word: &str) -> String {
    let is_plain = |c: char| c.is_alphanumeric() || "/._-+:@%".contains(c);
    if !word.is_empty() && word.chars().all(is_plain) {
        return word.to_string();
    }
    format!("'{}'", word.replace('\'', "'\\''"))
}

/// What to do about a damaged file of a part.
pub fn with_remedy(error: EngineError, agreed: &Agreed, folder: &PartsFolder) -> EngineError {
    let path = match &error {
        EngineError::Damaged { path } | EngineError::Disk { path, .. } => path,
        _ => return error,
    };
    let of_part = |phase: Phase| {
        let within = path.strip_prefix(folder.work().join(phase.name())).ok()?;
        let number = within.iter().next()?.to_str()?.parse::<u32>().ok()?;
        Some((phase, number))
    };
    let Some((phase, number)) = PHASES.into_iter().find_map(of_part) else { return error };
    let message = format!(
        "{} is damaged or cannot be read ({error}). Remove the folder {} and do the part again:\n  {}",
        path.display(),
        folder.part(phase, number).display(),
        command(phase, number, agreed, folder)
    );
    EngineError::RunFolder { path: folder.target().to_path_buf(), message }
}

/// Ascending numbers as `1, 3-5`.
fn ranges(numbers: &[u32]) -> String {
    let runs = numbers.chunk_by(|a, b| a + 1 == *b).map(|run| match run {
        [only] => only.to_string(),
        [first, .., last] => format!("{first}-{last}"),
        [] => String::new(),
    });
    runs.collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn runs_of_numbers_are_drawn_together() {
        assert_eq!(ranges(&[1, 3, 4, 5, 9, 10]), "1, 3-5, 9-10");
    }

    #[test]
    fn words_reach_the_shell_as_they_are() {
        assert_eq!(quoted("/a/b-1.yaml"), "/a/b-1.yaml");
        assert_eq!(quoted("a b'c"), r"'a b'\''c'");
    }
}
