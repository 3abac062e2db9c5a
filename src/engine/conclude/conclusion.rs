//! The phase that turns what the tiles gave back into results.

use std::thread;

use crate::agreement::cell::CellRule;
use crate::cloud::files::file_name;
use crate::cloud::point::MAX_RETURN;
use crate::engine::conclude::agreement::tallies as tallies_by_strip;
use crate::engine::conclude::draw::{Sample, write_compared};
use crate::engine::conclude::files::{write_checkpoints, write_surveyed};
use crate::engine::conclude::filters::filters;
use crate::engine::conclude::fitted::Fitted;
use crate::engine::conclude::gate::{judge, nothing_compared};
use crate::engine::conclude::profiles::profiles;
use crate::engine::conclude::registered::Registered;
use crate::engine::conclude::summing_up::{cloud_counts, histogram};
use crate::engine::conclude::surveyed::Surveyed;
use crate::engine::conclude::terrain::{Account, Accounted, TerrainCells};
use crate::engine::partition::classes::without_ground;
use crate::engine::partition::clouds::Partitions;
use crate::engine::plan::job::Job;
use crate::engine::plan::list_job::ListJob;
use crate::engine::plan::setups;
use crate::engine::store::error::EngineError;
use crate::engine::store::journal::Journals;
use crate::engine::store::run_folder::RunFolder;
use crate::engine::watch::Watch;
use crate::fit::VerticalFit;
use crate::pipeline::model::Exclude;
use crate::report::method::method;
use crate::results::agreement::Agreement;
use crate::results::confidence::{RepresentedArea, Trust, Warning, WarningCode};
use crate::results::format::and_list_of;
use crate::results::pictures::{Pictures, Profile, Relief, Ring};
use crate::results::summary::{CloudCounts, ExcludedArea, Summary};
use crate::stages::agreement::Tallies;
use crate::stages::alone::AloneCounts;
use crate::stages::auto::Count;
use crate::stages::chain::Chain;
use crate::stages::compared::{ComparedInTiles, Comparisons};
use crate::stages::counts::Counts;
use crate::stages::cross_check;
use crate::stages::left_out;
use crate::stages::list::{draw_of, ground_of, is_delivered, summarise_of};
use crate::stages::matching_sums::MatchingSums;
use crate::stages::refused::{REFUSED, RefusedCounts};
use crate::stages::relief;
use crate::stages::select::tallies;
use crate::stages::triangulated::{self, AtPoints};
use crate::terrain::differences::ByReturn;
use crate::tile::points::Cloud;
use crate::tile::strata::Strata;
use crate::tile::yields::Yields;
use crate::trust::agreement::{self, Basis};
use crate::trust::figures::PointCounts;
use crate::trust::fit;
use crate::trust::matching::{matching, plane_warning, slope_warning};
use crate::trust::registration;
use crate::trust::study::{self, Studied};
use crate::trust::surveyed::test_terrain;

/// What a run found.
pub struct Conclusion {
    /// The contents of `summary.json`.
    pub summary: Summary,
    /// What the page shows besides.
    pub pictures: Pictures,
    /// Ground points of the survey by return number.
    pub ground: [u64; MAX_RETURN + 1],
    /// What was learned of the returns, from a scanned reference.
    pub learned: Option<Learned>,
    /// What is added to the survey, where it is fitted to control.
    pub fit: Option<VerticalFit>,
}

/// What the returns differ by and scatter, and how far terrain is best smoothed.
pub struct Learned {
    /// Of each return what is known from the whole site.
    pub overall: ByReturn,
    /// The least window with which the weighted terrain is best, by its place among them.
    pub best_weighted: usize,
}

/// Draws the conclusions from what all tiles gave back, and writes `checkpoints.csv` meanwhile.
///
/// # Errors
/// Where the disk fails, or the run is asked to stop.
pub fn conclude(
    job: &Job,
    partitions: &Partitions,
    journals: &Journals,
    folder: &RunFolder,
    watch: &Watch,
) -> Result<Conclusion, EngineError> {
    let draw = draw_of(&job.pipeline.stages);
    let counts = Counts::conclude(journals)?;
    let [survey_tallies, reference_tallies] = tallies(journals)?;
    let sample = Sample::of(journals, draw.kept, &folder.spill().join("draw"))?;
    let in_draw = match draw.everything_counts {
        true => None,
        false => Some(write_compared(&sample, folder.spill().join("drawn-compared"))?),
    };
    let in_tiles = ComparedInTiles::new(in_draw.as_ref().unwrap_or(journals));
    let (of_list, of_control) = at_points(job, journals)?;
    let fitted = Fitted::of(job, &of_control)?;
    let surveyed = job.list.as_ref().map(|list| Surveyed::of(list, of_list, fitted.as_ref(), job));
    let with_fit = fitted.as_ref().map(|fitted| fitted.over(&in_tiles));
    let compared: &dyn Comparisons = match (&surveyed, &with_fit) {
        (Some(surveyed), _) => &surveyed.comparisons,
        (None, Some(with_fit)) => with_fit,
        (None, None) => &in_tiles,
    };
    let registered = Registered::of(job, journals, in_draw.as_ref().map(|_| &sample))?;
    let of_list = surveyed.as_ref().map(|surveyed| &surveyed.pipeline);
    let of_scans = registered.as_ref().map(|registered| &registered.pipeline);
    let pipeline = of_list.or(of_scans).unwrap_or(&job.pipeline);

    let read = &partitions.survey.counts;
    let point_counts = PointCounts {
        points: read.by_return,
        ground: counts.survey.ground_by_return,
        strata: counts.strata.clone(),
        ground_by_kind: counts.ground_by_kind.clone(),
        delivered: counts.delivered.clone(),
        sited: None,
    };
    // A surveyed point is compared with the ground of all strips together.
    let point_counts = match &surveyed {
        Some(surveyed) => point_counts.at_surveyed_points(surveyed.sited(&counts.delivered)),
        None => point_counts,
    };
    let studied =
        |done: &(dyn Fn() + Sync)| -> Result<(Studied, Option<Learned>, Vec<Profile>), EngineError> {
            let mut figured = study::figures(compared, &point_counts, pipeline, job.units)?;
            let cell = job.chain.terrain_cell.map(|cell| cell.exact_micrometres());
            let lesson = cell.map(|cell| (cell, figured.lesson(cell)));
            let (profiles, terrain) = rayon::join(
                || {
                    let fit = fitted.as_ref().map(|one| &one.fit);
                    let profiles = profiles(job, partitions, journals, folder, figured.map(), fit)?;
                    // Nobody asks for the points any more.
                    done();
                    Ok::<_, EngineError>(profiles)
                },
                || -> Result<_, EngineError> {
                    let Some((cell, lesson)) = lesson else { return Ok((None, None, None)) };
                    let offset =
                        job.pipeline.reference.as_ref().and_then(|reference| reference.offset.as_ref());
                    let account = Account {
                        ground: counts.survey.ground_by_return,
                        dz: figured.by_return,
                        lesson: &lesson,
                        offset: offset.map(|offset| offset.value.exact_micrometres()),
                        fit: fitted.as_ref().map(|fitted| &fitted.fit),
                    };
                    let cells = TerrainCells::new(journals, job.tiling, cell);
                    let (accounted, compared) = rayon::join(
                        || cells.account(&account, watch),
                        || draw.everything_counts.then(|| cells.compared()).transpose(),
                    );
                    let Accounted { mut rows, ground, best_weighted } = accounted?;
                    if let Some((list, surveyed)) = job.list.as_ref().zip(surveyed.as_ref()) {
                        test_terrain(&mut rows, &list.points, &surveyed.found, account.offset);
                    }
                    let area = area(ground, compared?, cell);
                    let learned = Learned { overall: lesson.overall, best_weighted };
                    let of_cloud = surveyed.is_none();
                    let terrain = (rows, Some(lesson).filter(|_| of_cloud));
                    Ok((Some(terrain), Some(area), Some(learned).filter(|_| of_cloud)))
                },
            );
            let (profiles, (terrain, area, learned)) = (profiles?, terrain?);
            let common = |wanted: &dyn Fn(&Strata) -> bool| registered.as_ref()?.common(wanted);
            let mut studied = study::conclude(figured, terrain, pipeline, &common, job.units);
            studied.trust.represented.area = area;
            Ok((studied, learned, profiles))
        };
    // The study leaves workers idle now and then: time for what does not depend on it, and for the system to give room back.
    let (studied, (checkpoints, apart)) = thread::scope(|scope| {
        let empty = || {
            scope.spawn(|| partitions.empty());
        };
        let rows = surveyed.as_ref().map(|surveyed| &surveyed.rows[..]);
        rayon::join(
            || studied(&empty),
            || {
                let checkpoints = || match rows {
                    Some(rows) => write_surveyed(job, &folder.results(), rows),
                    None => write_checkpoints(
                        job,
                        &folder.results(),
                        &sample,
                        draw.listed,
                        fitted.as_ref().map(|one| &one.fit),
                    ),
                };
                rayon::join(checkpoints, || Apart::of(job, partitions, journals))
            },
        )
    });
    checkpoints?;
    let Apart { relief, tallies } = apart?;
    let (mut studied, learned, profiles) = studied?;
    let sums = match &in_draw {
        None => MatchingSums::conclude(journals)?,
        Some(_) => matching_of_draw(&sample)?,
    };
    let summarise = summarise_of(&job.pipeline.stages);
    let by_slope = RefusedCounts::conclude(REFUSED, journals)?.rows(&summarise.slope_breaks);
    let uncertainty = pipeline.reference.as_ref().and_then(|r| r.uncertainty);
    let uncertainty = uncertainty.map(|u| job.units.from_micrometres(u.total_um()));
    let trust = &mut studied.trust;
    if job.list.is_none() {
        trust.matching = matching(&sums, &job.pipeline, job.units);
    }
    if let Some(matching) = &trust.matching {
        let returns = studied.returns.iter().map(|row| &row.statistics);
        trust.warnings.extend(plane_warning(matching, returns, uncertainty, job.units));
    }
    let survey_filtered = !is_delivered(&job.pipeline.stages, Cloud::Survey);
    trust.warnings.extend(slope_warning(&by_slope, survey_filtered));
    trust.warnings.extend(unclassified(job, partitions));
    let ground_from = |cloud| ground_of(&job.pipeline.stages, cloud).map(|ground| ground.from);
    let histogram = histogram(&studied.returns, &studied.all, compared, job.units)?;
    let raw: &dyn Comparisons = match surveyed.as_ref().and_then(|surveyed| surveyed.raw.as_ref()) {
        Some(of_list) => of_list,
        None => &in_tiles,
    };
    let fit = fitted.as_ref().map(|fitted| fitted.summary(job, raw)).transpose()?;
    let listed = job.list.iter().flat_map(|list| &list.points.points);
    let pictures = Pictures {
        map: studied.map.take(),
        relief,
        strips: counts.delivered.places_by_strip(MOST_SQUARES),
        left_out: left_out_areas(job),
        checkpoints: listed.map(|point| (point.x, point.y)).collect(),
        profiles,
        horizontal: job.survey.units[0].0,
        ..histogram.into()
    };
    let mut summary = Summary {
        title: job.pipeline.title.clone(),
        units: job.units,
        points: read.by_return.iter().sum(),
        reference_uncertainty: uncertainty,
        returns: studied.returns,
        all: studied.all,
        trust: studied.trust,
        registration: registered.as_ref().map(|registered| registered.summary(job)),
        fit,
        excluded: excluded(job, journals)?,
        checkpoints: surveyed.map(|surveyed| surveyed.rows),
        agreement: None,
        cross_check: job
            .chain
            .is_cross_checked
            .then(|| cross_check::conclude(journals, job.units))
            .transpose()?,
        filters_compared: None,
        terrain_model: None,
        stages: of_stages(&job.chain, journals)?,
        survey: cloud_counts(read, &survey_tallies, &counts.survey, ground_from(Cloud::Survey)),
        reference: partitions
            .reference
            .as_ref()
            .map(|cloud| {
                let from = ground_from(Cloud::Reference);
                cloud_counts(&cloud.counts, &reference_tallies, &counts.reference, from)
            })
            .map(|counts| CloudCounts { by_slope, ..counts }),
        method: method(&job.pipeline),
    };
    summary.filters_compared = filters(job, journals, summary.reference.as_ref())?;
    let of_scans = summary.registration.as_ref().map(registration::warnings);
    summary.trust.warnings.extend(of_scans.unwrap_or_default());
    if let Some((fit, fitted)) = summary.fit.as_ref().zip(fitted.as_ref()) {
        summary.trust.warnings.extend(fit::warnings(fit, &fitted.shared(job), job.units));
    }
    if let Some(why) = nothing_compared(job, partitions, &summary) {
        return Err(EngineError::NothingCompared { why });
    }
    judge(job, AloneCounts::conclude(journals)?, &mut summary);
    // Of the class that the gate has left.
    let agreement = tallies.and_then(|(rule, tallies)| agreement(job, rule, &tallies, &summary.trust));
    if let Some(agreement) = agreement {
        summary.trust.warnings.extend(agreement::warnings(&agreement, job.units));
        summary.agreement = Some(agreement);
    }
    let ground = counts.survey.ground_by_return;
    let fit = fitted.map(|fitted| fitted.fit);
    Ok(Conclusion { summary, pictures, ground, learned, fit })
}

/// What was found at the points of a list of surveyed points, and at those of the control that the survey is fitted to.
fn at_points(job: &Job, yields: &dyn Yields) -> Result<(AtPoints, AtPoints), EngineError> {
    let count = |list: Option<&ListJob>| list.map_or(0, |list| list.points.points.len());
    let of_list = count(job.list.as_ref());
    let of_control = count(job.fitting.as_ref().map(|fitting| &fitting.list));
    let mut found = match of_list + of_control {
        0 => Vec::new(),
        all => triangulated::conclude(yields, all)?,
    };
    let control = found.split_off(of_list);
    Ok((found, control))
}

/// The warning of files without any ground class, beside others of their cloud that have it.
fn unclassified(job: &Job, partitions: &Partitions) -> Option<Warning> {
    let reference = job.reference.iter().zip(&partitions.reference);
    let clouds = [(&job.survey, &partitions.survey)].into_iter().chain(reference);
    let files = clouds.flat_map(|(from, found)| without_ground(from, &found.counts));
    let files: Vec<String> = files.map(file_name).collect();
    let one = files.len() == 1;
    (!files.is_empty()).then(|| Warning {
        code: WarningCode::Unclassified,
        text: format!(
            "No point of {} is of class 2: {} not classified, and {} ground is in no figure.",
            and_list_of(&files, MOST_FILES),
            if one { "this file is" } else { "these files are" },
            if one { "its" } else { "their" }
        ),
    })
}

/// Squares of all strips on the map.
const MOST_SQUARES: usize = 8_000;

/// Files that a warning names.
const MOST_FILES: usize = 5;

/// What does not depend on the study.
struct Apart {
    /// The picture of the site.
    relief: Option<Relief>,
    /// What is known of strips and setups, where they are compared with each other, and by which cells.
    tallies: Option<(CellRule, Tallies)>,
}

impl Apart {
    fn of(job: &Job, partitions: &Partitions, journals: &Journals) -> Result<Self, EngineError> {
        let by_strip = |rule| Ok::<_, EngineError>((rule, tallies_by_strip(journals, job.tiling, &rule)?));
        let (relief, tallies) = rayon::join(
            || relief::conclude(journals, partitions),
            || job.chain.agreement.map(by_strip).transpose(),
        );
        Ok(Apart { relief: relief?, tallies: tallies? })
    }
}

/// How strips agree with each other, and setups.
fn agreement(job: &Job, rule: CellRule, tallies: &Tallies, trust: &Trust) -> Option<Agreement> {
    let reference = job.reference.as_ref().zip(job.pipeline.reference.as_ref());
    let basis = Basis {
        rule,
        names: &reference.map(|(cloud, input)| setups::names(cloud, input)).unwrap_or_default(),
        units: job.units,
        horizontal: job.survey.units[0].0,
        limits: agreement::limits(trust, job.units),
    };
    agreement::agreement(tallies, &basis)
}

/// The areas left out, with what each took.
fn excluded(job: &Job, yields: &dyn Yields) -> Result<Vec<ExcludedArea>, EngineError> {
    let areas = &job.pipeline.exclude;
    let taken = left_out::conclude(areas.len(), yields)?;
    let area = |(exclude, [survey, reference]): (&Exclude, left_out::Taken)| ExcludedArea {
        area: exclude.area.display().to_string(),
        why: exclude.why.trim().to_string(),
        survey,
        reference,
    };
    Ok(areas.iter().zip(taken).map(area).collect())
}

/// The areas left out, for the map.
fn left_out_areas(job: &Job) -> Vec<(String, Vec<Ring>)> {
    let areas = job.pipeline.exclude.iter().zip(job.left_out.areas());
    areas.map(|(exclude, one)| (exclude.why.trim().to_string(), one.area.rings().to_vec())).collect()
}

/// Areas of so many terrain cells with ground and with comparisons; `cell` is their edge, micrometres.
fn area(ground: u64, compared: Option<u64>, cell: f64) -> RepresentedArea {
    let m2 = |cells: u64| cells as f64 * (cell / 1e6).powi(2);
    RepresentedArea {
        ground_m2: m2(ground),
        compared_m2: compared.map(m2),
        compared_share: compared.filter(|_| ground > 0).map(|cells| cells as f64 / ground as f64),
    }
}

/// What matching may have added at the checkpoints drawn.
fn matching_of_draw(sample: &Sample) -> Result<MatchingSums, EngineError> {
    let mut sums = MatchingSums::default();
    for number in 1..=MAX_RETURN as u8 {
        sample.for_each(number, Count::All, &mut |drawn| {
            drawn.add_matching(&mut sums);
            Ok(())
        })?;
    }
    Ok(sums)
}

/// What the stages say of themselves.
fn of_stages(
    chain: &Chain,
    yields: &dyn Yields,
) -> Result<serde_json::Map<String, serde_json::Value>, EngineError> {
    let mut all = serde_json::Map::new();
    for stage in &chain.tiles {
        all.extend(stage.conclude(yields)?);
    }
    Ok(all)
}
