//! The rows of `checkpoints.csv`.

use std::io::{self, Write};

use crate::results::checkpoints::{FIRST_COLUMNS, GROUND_COLUMNS};
use crate::stages::draw::Drawn;
use crate::tile::strata::Cover;
use crate::units::{Micrometres, Unit};

/// Decimals that a coordinate has at least: surveyed points are stated to 0.001.
const LEAST_DECIMALS: usize = 3;

/// The column of what the fit of the survey adds to `z`, where it is fitted.
const FIT: &str = "fit";

/// Writes the header of `checkpoints.csv`, for a survey that is `fitted` or not.
///
/// # Errors
/// What writing to `w` fails with.
pub fn write_checkpoint_header(w: &mut impl Write, fitted: bool) -> io::Result<()> {
    let matched = ["plane_slope", "plane_sd", "reference_points"];
    let fit: &[&str] = if fitted { &[FIT] } else { &[] };
    write_record(w, &[&FIRST_COLUMNS[..], &matched, &GROUND_COLUMNS, &["strip", "dz_limit"], fit].concat())
}

/// Writes one row of `checkpoints.csv`: x and y in the survey's own `horizontal` unit, other lengths in the unit
/// of the `report`; two columns say which these are. `slope` is that of the ground (rise over run), `dz_limit` the
/// highest dz that the ground filter would have accepted there. `fit` is what is added to z, and stands in dz.
///
/// # Errors
/// What writing to `w` fails with.
pub fn write_checkpoint(
    w: &mut impl Write,
    row: &Drawn,
    fit: Option<Micrometres>,
    horizontal: Unit,
    report: Unit,
) -> io::Result<()> {
    let added = fit.unwrap_or(0);
    let mut record = vec![
        exact(row.x, horizontal),
        exact(row.y, horizontal),
        exact(row.z, report),
        row.return_number.to_string(),
        row.number_of_returns.to_string(),
        exact(row.reference_z, report),
        exact(row.dz() + added, report),
        row.plane.map(|(slope, _)| format!("{:.4}", slope as f64 / 1e6)).unwrap_or_default(),
        row.plane.map(|(_, sd)| exact(sd as Micrometres, report)).unwrap_or_default(),
        row.reference_points.to_string(),
        horizontal.symbol().to_string(),
        report.symbol().to_string(),
        row.strata.cover.map_or("", Cover::word).to_string(),
        row.compared()
            .slope_percent()
            .map(|percent| format!("{:.2}", f64::from(percent) / 100.0))
            .unwrap_or_default(),
        row.strata.strip.map(|strip| strip.to_string()).unwrap_or_default(),
        row.compared().limit().map(|limit| exact(limit + added, report)).unwrap_or_default(),
    ];
    record.extend(fit.map(|fit| exact(fit, report)));
    write_record(w, &record)
}

fn write_record<T: AsRef<[u8]>>(w: &mut impl Write, fields: &[T]) -> io::Result<()> {
    // One row at a time, so a buffer of one row.
    let mut table = csv::WriterBuilder::new().buffer_capacity(256).from_writer(w);
    table.write_record(fields)?;
    table.flush()
}

/// A length in `unit` from whole micrometres, by whole numbers alone (half away from zero in feet), without
/// needless zeros at the end.
pub fn exact(micrometres: Micrometres, unit: Unit) -> String {
    let (numerator, denominator) = unit.ratio();
    let decimals = unit.decimals();
    let one = 10_u128.pow(decimals as u32);
    let numerator = numerator as u128;
    let product = u128::from(micrometres.unsigned_abs()) * denominator as u128 * one;
    let value = (2 * product + numerator) / (2 * numerator);
    let digits = format!("{:0decimals$}", value % one);
    let needed = digits.trim_end_matches('0').len().max(LEAST_DECIMALS);
    let sign = if micrometres < 0 && value != 0 { "-" } else { "" };
    format!("{sign}{}.{}", value / one, &digits[..needed])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stages::search::Around;
    use crate::tile::gradient::Gradient;
    use crate::tile::strata::Strata;

    #[test]
    fn checkpoints_are_written_in_both_units() {
        let mut out = Vec::new();
        write_checkpoint_header(&mut out, false).unwrap();
        let mut row = Drawn {
            key: 0,
            x: 500_123_456_000,
            y: 4_199_999_001_000,
            z: 101_234_500,
            return_number: 2,
            number_of_returns: 3,
            reference_z: 101_227_000,
            reference_points: 11,
            headroom: Some(2_500),
            gradient: Some(Gradient::of([0.12, 0.0])),
            local_gradient: None,
            strata: Strata { cover: Some(Cover::Canopy), strip: Some(101), ..Strata::default() },
            plane: Some((123_450, 4_000)),
            inner: (0, 0),
            around: Around::UNKNOWN,
            setup: 0,
        };
        write_checkpoint(&mut out, &row, None, Unit::Metre, Unit::Metre).unwrap();
        (row.plane, row.reference_points) = (None, 1);
        (row.headroom, row.gradient, row.strata) = (None, None, Strata::default());
        write_checkpoint(&mut out, &row, None, Unit::Metre, Unit::Foot).unwrap();
        assert_eq!(
            String::from_utf8(out).unwrap(),
            "x,y,z,return,returns,reference_z,dz,plane_slope,plane_sd,reference_points,horizontal_units,units,cover,slope,strip,dz_limit\n\
             500123.456,4199999.001,101.2345,2,3,101.227,0.0075,0.1235,0.004,11,m,m,canopy,0.12,101,0.2575\n\
             500123.456,4199999.001,332.13419,2,3,332.10958,0.02461,,,1,m,ft,,,,\n"
        );
    }

    #[test]
    fn lengths_are_exact() {
        assert_eq!(exact(4_199_999_123_456, Unit::Metre), "4199999.123456");
        assert_eq!(exact(-1, Unit::Metre), "-0.000001");
        assert_eq!(exact(-1, Unit::Foot), "0.000");
        assert_eq!(exact(0, Unit::Metre), "0.000");
        assert_eq!(exact(7_000, Unit::Metre), "0.007");
        assert_eq!(exact(12_500_000, Unit::Metre), "12.500");
        assert_eq!(exact(304_800, Unit::Foot), "1.000");
        assert_eq!(exact(-1_200_000_000, Unit::UsSurveyFoot), "-3937.000");
        assert_eq!(exact(i64::MAX, Unit::Metre), "9223372036854.775807");
        assert_eq!(exact(i64::MIN, Unit::Metre), "-9223372036854.775808");
        assert!(exact(i64::MAX, Unit::UsSurveyFoot).starts_with("30260346424247."));
    }

    #[test]
    fn a_thousandth_of_a_foot_comes_back_as_it_was() {
        for unit in [Unit::Foot, Unit::UsSurveyFoot] {
            for thousandths in (0..2_100_000_000_i64).step_by(9_999_991).chain([1, 5, 999]) {
                let micrometres = unit.to_micrometres(thousandths as f64 / 1000.0);
                let whole = thousandths / 1000;
                assert_eq!(exact(micrometres, unit), format!("{whole}.{:03}", thousandths % 1000));
            }
        }
    }
}
