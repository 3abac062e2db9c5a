//! The page and the printed result of a run, and those of a control network.

mod accounting;
mod accuracy_chart;
pub(crate) mod adjustment;
mod adjustment_sketch;
pub(crate) mod adjustment_text;
mod agreement;
mod chain;
mod chart;
mod compared;
mod compliance;
mod cross_check;
mod data_loss;
mod decision;
mod decision_table;
mod filters;
mod fit;
mod hillshade;
pub(crate) mod html;
mod intervals;
mod left_out;
mod limits;
pub(crate) mod lines;
mod map;
mod map_layers;
mod matching;
pub(crate) mod method;
mod plan_shift;
pub(crate) mod plan_text;
mod profiles;
mod quantiles;
mod registration;
mod represented;
mod row;
mod sentences;
mod statement;
mod surveyed;
mod svg;
mod terrain;
pub(crate) mod text;
mod truncation;
mod variogram;
mod verdicts;
mod warning_links;

#[cfg(test)]
mod contradictions;
#[cfg(test)]
mod page_tests;
#[cfg(test)]
mod tests {
    use crate::results::{sample, sample_control, sample_pictures};
    use crate::units::Unit;

    /// Writes sample pages to look at: `cargo test --lib report::tests -- --ignored`, then `target/sample-pages/`.
    #[test]
    #[ignore = "writes pages for people to look at"]
    fn write_sample_pages() {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("target/sample-pages");
        std::fs::create_dir_all(&folder).unwrap();
        let mut shifted = sample::decided();
        shifted.0.trust.plan_shift = Some(sample::shifted(true));
        for (name, (summary, pictures)) in [
            ("metres", sample::five_returns(Unit::Metre)),
            ("decided", sample::decided()),
            ("mapped", sample_pictures::mapped(40)),
            ("big", super::page_tests::big()),
            ("feet", sample::five_returns(Unit::UsSurveyFoot)),
            ("fifteen", sample::fifteen_returns()),
            ("one", sample::one_comparison()),
            ("nothing", sample::nothing_matched()),
            ("far", sample::far_off()),
            ("shifted", shifted),
            ("controlled", sample_control::controlled()),
        ] {
            let page = super::html::page(&summary, &pictures);
            std::fs::write(folder.join(format!("{name}.html")), page).unwrap();
            std::fs::write(folder.join(format!("{name}.txt")), super::text::result_text(&summary)).unwrap();
            std::fs::write(folder.join(format!("{name}.csv")), crate::results::tables::returns_csv(&summary))
                .unwrap();
        }
    }
}
