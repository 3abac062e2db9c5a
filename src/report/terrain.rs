//! Coverage and accuracy by returns used: the table, its sentence and its notes.

use crate::results::format::{
    ResidualFormat, UNDEFINED, and_list, decimal, distance, length, percent, thousands,
};
use crate::results::statistics::Support;
use crate::results::summary::Summary;
use crate::results::terrain_model::supported;
use crate::terrain::by_returns::{TerrainFigures, TerrainRow};
use crate::terrain::lesson::ReturnWeight;

/// A row of the table of the terrain from returns 1 to k.
#[derive(Debug, PartialEq)]
pub struct TerrainText {
    /// The returns used: `1 to 3`.
    pub name: String,
    /// Share of the cells that have ground, per cent.
    pub coverage: String,
    /// Area of the largest void.
    pub largest_void: String,
    /// Number of cells of the reference, or of surveyed points, that the terrain is tested against.
    pub cells: String,
    /// Level, SD and RMSE of the unweighted and, but for a list of surveyed points, of the variance-weighted terrain.
    pub estimates: Vec<[String; 3]>,
}

/// Whether every terrain has figures over the cells that all of them cover.
pub fn has_common_cells(summary: &Summary) -> bool {
    summary.trust.terrain_by_returns.iter().all(|row| row.terrain.sd_terrain_common.is_some())
}

/// The table of the terrain: a row for each k.
pub fn rows(summary: &Summary) -> Vec<TerrainText> {
    summary.trust.terrain_by_returns.iter().map(|row| text_of(summary, row)).collect()
}

fn text_of(summary: &Summary, row: &TerrainRow) -> TerrainText {
    let format = ResidualFormat::of(summary.units);
    let common = has_common_cells(summary);
    let cells = if common { row.terrain.common_cells } else { row.terrain.terrain_cells };
    let surveyed = summary.checkpoints.is_some();
    let enough = cells >= if surveyed { Support::FEWEST_SURVEYED } else { Support::FEWEST_COMPARISONS };
    let texts = |of: &TerrainFigures| {
        let [level, sd, rmse] = match common {
            true => [of.level_terrain_common, of.sd_terrain_common, of.rmse_terrain_common],
            false => [of.level_terrain, of.sd_terrain, of.rmse_terrain],
        }
        .map(|figure| figure.filter(|_| enough));
        [format.signed(level), format.length(sd), format.length(rmse)]
    };
    TerrainText {
        name: if row.returns_up_to == 1 { "1".to_string() } else { format!("1 to {}", row.returns_up_to) },
        coverage: row.coverage.map_or(UNDEFINED.to_string(), percent),
        largest_void: row.largest_void_m2.map_or(UNDEFINED.to_string(), |area| decimal(area, 1)),
        cells: thousands(cells),
        estimates: [Some(&row.terrain), row.weighted.as_ref()].into_iter().flatten().map(texts).collect(),
    }
}

/// Coverage by returns used, and which terrain fits best, in a sentence; none for a single return.
pub fn sentence(summary: &Summary) -> Vec<String> {
    let unit = summary.units;
    let rows = &summary.trust.terrain_by_returns;
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return Vec::new() };
    let (Some(of_first), Some(of_all)) = (first.coverage, last.coverage) else { return Vec::new() };
    if rows.len() < 2 {
        return Vec::new();
    }
    let mut text = format!(
        "Ground points of first returns cover {} % of the terrain cells, those of returns 1 to {} cover {} %.",
        percent(of_first),
        last.returns_up_to,
        percent(of_all)
    );
    let surveyed = summary.checkpoints.is_some();
    if let Some((row, sd)) = supported(rows, surveyed) {
        text += &format!(
            " {} {} that all of them reach, the terrain has its lowest SD against the reference when made from {} ({})",
            if surveyed { "At the" } else { "Over the" },
            match surveyed {
                true => format!("{} surveyed points", thousands(row.terrain.common_cells)),
                false => format!("{} test cells", thousands(row.terrain.common_cells)),
            },
            up_to(row.returns_up_to),
            length(sd, unit)
        );
        text += &match last.weighted.as_ref().and_then(|weighted| weighted.sd_terrain_common) {
            Some(weighted) => format!(
                "; the variance-weighted terrain from all returns, brought to the level of the first, has {}.",
                length(weighted, unit)
            ),
            None => ".".to_string(),
        };
    }
    vec![text]
}

fn up_to(k: u8) -> String {
    if k == 1 { "first returns alone".to_string() } else { format!("returns 1 to {k}") }
}

/// What the figures of the weighted terrain rest on, a line each.
pub fn notes(summary: &Summary) -> Vec<String> {
    let Some(weights) = &summary.trust.terrain_weights else { return Vec::new() };
    let unit = summary.units;
    let mut notes = Vec::new();
    if let Some((first, later)) = weights.returns.split_first().filter(|(_, later)| !later.is_empty()) {
        let format = ResidualFormat::of(unit);
        let of_return = |of: &ReturnWeight| {
            let level = match format.is_zero(of.difference) {
                true => "level".to_string(),
                false => format!("{} {}", format.signed(Some(of.difference)), format.symbol),
            };
            format!("return {}: {level}, weight {}", of.return_number, decimal(of.weight, 2))
        };
        notes.push(format!(
            "Taken out for the variance-weighted terrain, against return {} (weight {}) at the same place: {}.",
            first.return_number,
            decimal(first.weight, 2),
            later.iter().map(of_return).collect::<Vec<_>>().join("; ")
        ));
    }
    if !weights.returns.is_empty() {
        notes.push(match weights.independent {
            true => format!(
                "Its figures are independent: tested at least {} from where differences and weights were learned.",
                distance(weights.gap, unit)
            ),
            false => format!(
                "Its figures are not independent: {} ({}).",
                weights.reason.unwrap_or("the reference covers too little ground"),
                distance(weights.gap, unit)
            ),
        });
    }
    if summary.trust.terrain_by_returns.iter().any(|row| row.offset_removed == Some(true)) {
        notes.push(
            "The known offset of the reference is removed from level and RMSE in this table.".to_string(),
        );
    }
    notes
}

/// The terrain model that is handed over, in a few sentences; none where none is made.
pub fn model(summary: &Summary) -> Option<String> {
    let model = summary.terrain_model.as_ref()?;
    let unit = summary.units;
    let returns: Vec<String> = model.returns.iter().map(u8::to_string).collect();
    let (way, plural) = (
        match model.method {
            "weighted" => "variance-weighted planes through",
            _ => "linear in the triangulation of",
        },
        if returns.len() == 1 { "" } else { "s" },
    );
    // As the pipeline file has it: 0.25 m is not 0.2 m.
    let exact = |length: f64| format!("{} {}", (length * 1e3).round() / 1e3, unit.symbol());
    let share = |cells: u64| percent(cells as f64 / model.cells.max(1) as f64);
    Some(format!(
        "Terrain model ({}): cells of {}, {way} the ground of return{plural} {} ({}). {} cells have an elevation, {} of them ({} %) \
         without ground of these returns, interpolated from ground up to {} away; {} that the survey saw have none.",
        model.files.first().map_or("", String::as_str),
        exact(model.cell),
        and_list(&returns),
        model.reason,
        thousands(model.cells),
        thousands(model.filled),
        share(model.filled),
        exact(model.fill),
        thousands(model.open),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::results::sample;
    use crate::results::terrain_model::TerrainModel;

    #[test]
    fn the_terrain_model_says_how_it_was_made_and_what_is_filled() {
        let mut summary = sample::decided().0;
        assert_eq!(model(&summary), None);
        summary.terrain_model = Some(TerrainModel {
            method: "triangulation",
            returns: vec![1, 2],
            reason: "as the pipeline file asks for".into(),
            cell: 0.5,
            fill: 5.0,
            cells: 40_000,
            filled: 500,
            open: 12,
            compared: 9000,
            files: vec!["terrain.tif".into(), "terrain-voids.tif".into()],
        });
        assert_eq!(
            model(&summary).unwrap(),
            "Terrain model (terrain.tif): cells of 0.5 m, linear in the triangulation of the ground of returns 1 and 2 (as the pipeline \
             file asks for). 40,000 cells have an elevation, 500 of them (1.2 %) without ground of these returns, interpolated from \
             ground up to 5 m away; 12 that the survey saw have none."
        );
    }

    #[test]
    fn a_row_for_each_number_of_returns_used() {
        let terrain = rows(&sample::decided().0);
        let texts =
            |row: &TerrainText| [&row.name, &row.coverage, &row.largest_void, &row.cells].map(String::clone);
        assert_eq!(texts(&terrain[1]), ["1 to 2", "95.3", "108.0", "900"]);
        assert_eq!(terrain[1].estimates, [["+1.0", "18.0", "18.0"], ["+1.0", "17.0", "17.0"]]);
    }
}
