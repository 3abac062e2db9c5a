//! The whole study, from all comparisons to what the report says.

use std::io;

use crate::cloud::point::MAX_RETURN;
use crate::pipeline::Pipeline;
use crate::results::confidence::{GroupRow, Standards, Trust};
use crate::results::summary::{ReturnRow, Statistics};
use crate::stages::compared::Comparisons;
use crate::stages::list::Stage;
use crate::standards::{ASPRS, MIN_CHECKPOINTS};
use crate::stats::moments::Moments;
use crate::terrain::by_returns::TerrainRow;
use crate::terrain::learning::Learning;
use crate::tile::strata::By;
use crate::trust::accept::{self, Found};
use crate::trust::compliance::{Reference, compliance, testable_class};
use crate::trust::figures::{PointCounts, figures, first_pass, statistics};
use crate::trust::groups::{Groups, Role};
use crate::trust::intervals::{Alike, Intervals, intervals};
use crate::trust::warnings::{Findings, warnings};
use crate::units::{Micrometres, Unit};

/// Moments by return number.
pub type Moments16 = [Moments; MAX_RETURN + 1];

/// What a study found.
pub struct Studied {
    /// Rows by return, from 1 to the highest that occurs.
    pub returns: Vec<ReturnRow>,
    /// All returns together.
    pub all: Statistics,
    /// How far the figures can be trusted.
    pub trust: Trust,
}

/// Works out everything that rests on the comparisons; `trade` makes the account of what returns cost and gain, lengths
/// in micrometres, from the moments of dz by return and what was learned in blocks of the site.
///
/// # Errors
/// Whatever reading the comparisons back, or `trade`, fails with.
pub fn study<E: From<io::Error>>(
    all: &dyn Comparisons,
    counts: &PointCounts,
    pipeline: &Pipeline,
    units: Unit,
    trade: impl FnOnce(&Moments16, &Learning, Micrometres) -> Result<Vec<TerrainRow>, E>,
) -> Result<Studied, E> {
    let summarise = pipeline.stages.iter().find_map(Stage::as_summarise).cloned().unwrap_or_default();
    let first = first_pass(all, &summarise)?;
    let highest = (1..counts.points.len()).rev().find(|&n| counts.points[n] > 0).unwrap_or(0);
    let compared = first.moments.keys().copied().collect();
    let groups = Groups::new(&summarise, &counts.strata, compared, highest as u8);
    let (figures, alike) = rayon::join(
        || figures(all, &groups, &first.moments),
        || Alike::of(&first.excerpt, &groups, summarise.block, pipeline.seed),
    );
    let figures = figures?;
    let rows = groups.all.iter().zip(&figures);
    let mut rows: Vec<Statistics> =
        rows.map(|(group, figures)| statistics(group, figures, counts, units)).collect();
    let Intervals { correlation, block, learning } =
        intervals(all, &groups, &alike, pipeline.seed, units, &mut rows)?;
    let mut by_return = Moments16::default();
    first.moments.iter().for_each(|(strata, dz)| by_return[usize::from(strata.return_number)].merge(dz));
    let trade = trade(&by_return, &learning, block)?;
    let trade: Vec<TerrainRow> =
        trade.into_iter().map(|row| row.in_unit(|um| units.from_micrometres(um))).collect();

    let stated = pipeline.reference.as_ref();
    let length = |um: f64| units.from_micrometres(um);
    let reference = Reference {
        uncertainty: stated.and_then(|r| r.uncertainty).map(|u| length(u.exact_micrometres())),
        offset: stated.and_then(|r| r.offset.as_ref()).map(|offset| {
            let [value, sigma] = [offset.value, offset.sigma].map(|l| length(l.exact_micrometres()));
            (value, sigma, offset.why.clone())
        }),
    };
    let only_by_return = summarise.by == [By::Return];
    let compliances: Vec<_> =
        groups.all.iter().zip(&rows).map(|(group, row)| compliance(group, row, &reference, units)).collect();
    let find = |by: &serde_json::Map<String, serde_json::Value>| {
        let place = groups.all.iter().position(|group| group.by == *by)?;
        Some(Found { statistics: &rows[place], compliance: &compliances[place] })
    };
    let accepted = accept::judge(&pipeline.accept, find, &trade, units);
    let findings = Findings {
        pipeline,
        groups: &groups,
        rows: &rows,
        compliances: &compliances,
        excerpt: &first.excerpt,
        block,
        correlation: &correlation,
        reference: &reference,
        accepted: &accepted,
        units,
    };
    let warnings = warnings(&findings);

    let told = |role: &Role| !(only_by_return && matches!(role, Role::Crossed));
    let in_standards = groups.all.iter().zip(compliances).filter(|(group, _)| told(&group.role));
    let standards = Standards {
        standard: ASPRS,
        required_checkpoints: MIN_CHECKPOINTS,
        groups: in_standards.map(|(_, compliance)| compliance).collect(),
        reference_class_cm: reference.uncertainty.and_then(|sigma| testable_class(sigma, units)),
        offset: reference.offset,
    };
    let mut studied = Studied {
        returns: Vec::new(),
        all: Statistics::default(),
        trust: Trust {
            correlation,
            terrain_by_returns: trade,
            standards,
            accept: accepted,
            warnings,
            ..Trust::default()
        },
    };
    for (group, statistics) in groups.all.iter().zip(rows) {
        match group.role {
            Role::All => studied.all = statistics,
            Role::Return(return_number) => studied.returns.push(ReturnRow { return_number, statistics }),
            Role::Cover(_) => {}
            Role::Crossed => studied.trust.groups.push(GroupRow { by: group.by.clone(), statistics }),
        }
    }
    Ok(studied)
}
