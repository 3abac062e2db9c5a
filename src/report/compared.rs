//! What was compared: the files of both clouds, so that a client can tell whether they are the ones delivered.

use crate::results::format::{and_list_of, thousands};
use crate::results::pictures::{ComparedFile, Pictures};
use crate::results::summary::Summary;
use crate::units::Unit;

/// Digits of a hash that are shown: enough to tell files apart, and few enough to read out.
const DIGITS: usize = 16;
/// Files of a cloud that are listed.
const MOST_FILES: usize = 30;

/// Lists of targets and of control, beside the clouds.
const CONTROL: &str = "control";

/// A file, as the page lists it.
pub(super) struct FileText {
    pub cloud: &'static str,
    pub name: String,
    pub points: String,
    pub measured_on: String,
    pub made_on: String,
    pub hash: String,
}

/// The files of both clouds and of control, as many as the page has room for.
pub(super) fn files(pictures: &Pictures) -> Vec<FileText> {
    let of = |cloud| pictures.files.iter().filter(move |file| file.cloud == cloud).take(MOST_FILES);
    let text = |file: &ComparedFile| FileText {
        cloud: file.cloud,
        name: file.name.clone(),
        points: if file.cloud == CONTROL { "–".to_string() } else { thousands(file.points) },
        measured_on: file.measured_on.as_ref().map_or("–".to_string(), |[first, last]| span(first, last)),
        made_on: file.made_on.clone().unwrap_or_else(|| "–".to_string()),
        hash: file.sha256.chars().take(DIGITS).collect(),
    };
    of("survey").chain(of("reference")).chain(of(CONTROL)).map(text).collect()
}

/// A day, or the first and the last.
fn span(first: &str, last: &str) -> String {
    if first == last { first.to_string() } else { format!("{first} to {last}") }
}

/// When a cloud was measured as its points say, or when its files were made: `measured 2026-10-14`.
fn dates(pictures: &Pictures, cloud: &str) -> Option<String> {
    let files = || pictures.files.iter().filter(|file| file.cloud == cloud);
    let measured: Option<Vec<&[String; 2]>> = files().map(|file| file.measured_on.as_ref()).collect();
    // Dates as year, month and day sort as text.
    if let Some(measured) = measured.filter(|all| !all.is_empty()) {
        let (first, last) =
            (measured.iter().map(|days| &days[0]).min()?, measured.iter().map(|days| &days[1]).max()?);
        return Some(format!("measured {}", span(first, last)));
    }
    let made = || files().filter_map(|file| file.made_on.as_ref());
    let (first, last) = (made().min()?, made().max()?);
    let many = if files().count() == 1 { "file" } else { "files" };
    Some(format!("{many} made {}", span(first, last)))
}

/// Systems and units of both clouds, and what the list leaves out.
pub(super) fn notes(pictures: &Pictures) -> Vec<String> {
    let mut notes = Vec::new();
    for cloud in ["survey", "reference"] {
        let files: Vec<&ComparedFile> = pictures.files.iter().filter(|file| file.cloud == cloud).collect();
        if files.is_empty() {
            continue;
        }
        let mut systems: Vec<String> =
            files.iter().map(|file| format!("{}{}", file.crs, read_as(file.units))).collect();
        systems.sort();
        systems.dedup();
        let more = files.len().saturating_sub(MOST_FILES);
        let more = if more > 0 {
            format!(" {} more files are listed in manifest.json.", thousands(more as u64))
        } else {
            String::new()
        };
        notes.push(format!("Coordinate system of the {cloud}: {}.{more}", and_list_of(&systems, 3)));
    }
    notes
}

fn read_as((horizontal, vertical): (Unit, Unit)) -> String {
    if horizontal == vertical {
        return format!(" (read in {})", horizontal.words());
    }
    format!(" (read in {}, elevations in {})", horizontal.words(), vertical.words())
}

/// Both clouds in a line: `survey 12,345,678 points, 3 files · reference 1,234,567 points, 2 files`.
pub(super) fn line(summary: &Summary, pictures: &Pictures) -> Option<String> {
    let count = |cloud| pictures.files.iter().filter(|file| file.cloud == cloud).count();
    let part = |cloud: &str, points: u64, files: usize| {
        let many = if files == 1 { "" } else { "s" };
        let mut text =
            format!("{cloud}: {} points, {} file{many}", thousands(points), thousands(files as u64));
        let strips = pictures.strips.1.len();
        if cloud == "Survey" && strips > 1 {
            text += &format!(", {} strips", thousands(strips as u64));
        }
        text + &dates(pictures, &cloud.to_lowercase()).map(|dates| format!(", {dates}")).unwrap_or_default()
    };
    (!pictures.files.is_empty()).then(|| {
        let reference = summary.reference.as_ref().map(|counts| counts.read);
        let listed = summary.checkpoints.as_ref().map(|rows| rows.len() as u64);
        let reference = reference.or(listed).map(|n| part("Reference", n, count("reference")));
        let parts = [Some(part("Survey", summary.survey.read, count("survey"))), reference];
        parts.into_iter().flatten().collect::<Vec<_>>().join(" · ")
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;

    #[test]
    fn files_are_told_by_name_points_day_and_hash_and_those_beyond_the_list_are_counted() {
        let (summary, mut pictures) = sample::decided();
        let file = |i: usize| ComparedFile {
            cloud: if i < 40 { "survey" } else { "reference" },
            name: format!("{i}.laz"),
            points: 12_345,
            sha256: format!("{i:064x}"),
            measured_on: (i == 7).then(|| ["2026-10-13", "2026-10-14"].map(String::from)),
            made_on: (i > 0).then(|| "2026-10-14".to_string()),
            crs: "EPSG:6347".to_string(),
            units: (Unit::Metre, Unit::UsSurveyFoot),
        };
        pictures.files = (0..41).map(file).collect();
        let shown = files(&pictures);
        assert_eq!(shown.len(), MOST_FILES + 1);
        assert_eq!(
            (shown[0].points.as_str(), shown[0].made_on.as_str(), shown[0].hash.len()),
            ("12,345", "–", DIGITS)
        );
        let notes = notes(&pictures);
        assert!(
            notes[0].contains("10 more files") && notes[0].contains("elevations in US survey feet"),
            "{notes:?}"
        );
        assert_eq!(shown[7].measured_on, "2026-10-13 to 2026-10-14");
        let head = line(&summary, &pictures).unwrap();
        assert!(head.contains("40 files, files made 2026-10-14 · Reference"), "{head}");
        for file in &mut pictures.files {
            file.measured_on = Some(["2026-10-13", "2026-10-14"].map(String::from));
        }
        pictures.strips.1 = vec![(1, Vec::new()), (2, Vec::new())];
        let head = line(&summary, &pictures).unwrap();
        assert!(head.contains("40 files, 2 strips, measured 2026-10-13 to 2026-10-14 · Ref"), "{head}");
        pictures.files.clear();
        assert_eq!(line(&summary, &pictures), None);
    }
}
