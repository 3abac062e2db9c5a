//! The days on which a cloud was measured, from the GPS times of its points.

use crate::cloud::Source;
use crate::cloud::point::Fields;
use crate::units::Unit;

/// GPS seconds that adjusted standard time leaves out: LAS 1.4 R16, global encoding.
const ADJUSTED: f64 = 1e9;
/// GPS time ahead of UTC, seconds: 18 since 2017, and less before, which no day shows but at midnight.
const AHEAD_OF_UTC: f64 = 18.0;
/// Days from 1970-01-01 to 1980-01-06, where GPS time begins.
const GPS_EPOCH: i64 = 3657;
/// Points of a block whose times are looked at: a block is flown in less than a second.
const LOOKED_AT: u64 = 256;

/// First and last day of points of its first and its last block, UTC; nothing where the file does not state times of which the day is known.
pub fn measured_on(source: &Source, units: (Unit, Unit)) -> Option<[String; 2]> {
    if !source.has_absolute_time() {
        return None;
    }
    let (first, last) = (source.blocks().first()?, source.blocks().last()?);
    let fields = Fields { gps_time: true, ..Fields::default() };
    let mut decoder = source.decoder(fields, units.0, units.1).ok()?.of_first(LOOKED_AT);
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    let ends = [Some(first), Some(last).filter(|last| last.number != first.number)];
    for block in ends.into_iter().flatten() {
        let seen = decoder.for_each(block, |decoded| {
            // What was never filled in is zero.
            if decoded.gps_time != 0.0 && decoded.gps_time.is_finite() {
                (low, high) = (low.min(decoded.gps_time), high.max(decoded.gps_time));
            }
        });
        seen.ok()?;
    }
    Some([day(low)?, day(high)?])
}

/// The day of an adjusted standard time; nothing where no survey can be of that day.
fn day(adjusted: f64) -> Option<String> {
    let days = ((adjusted + ADJUSTED - AHEAD_OF_UTC) / 86_400.0).floor();
    // From 1995 to 2100.
    (5_475.0..44_000.0).contains(&days).then(|| date(GPS_EPOCH + days as i64))
}

/// A date from the days since 1970-01-01, by the rules of the Gregorian calendar: years begin in March, so that the leap day is the last.
fn date(days: i64) -> String {
    let days = days + 719_468;
    let (era, of_era) = (days.div_euclid(146_097), days.rem_euclid(146_097));
    let year = (of_era - of_era / 1_460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year + year / 4 - year / 100);
    let month = (5 * of_year + 2) / 153;
    let day = of_year - (153 * month + 2) / 5 + 1;
    let (year, month) = (year + era * 400, if month < 10 { month + 3 } else { month - 9 });
    format!("{:04}-{month:02}-{day:02}", if month <= 2 { year + 1 } else { year })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_follow_from_gps_time() {
        // 2011-09-14 01:46:40 UTC is second 1,000,000,015 of GPS time, as GPS was 15 s ahead then.
        assert_eq!(day(15.0).as_deref(), Some("2011-09-14"));
        // 2026-10-14 is day 17,083 of GPS time: 46 years with 12 leap days, and 281 days, less the six of January 1980.
        let noon = (365.0 * 46.0 + 12.0 + 286.0 - 5.0) * 86_400.0 + 43_200.0 - 1e9;
        assert_eq!(day(noon).as_deref(), Some("2026-10-14"));
        assert_eq!([day(-9e8), day(1e13), day(f64::NAN), day(f64::INFINITY)], [None, None, None, None]);
        let dates = [
            (0, "1970-01-01"),
            (3657, "1980-01-06"),
            (11_016, "2000-02-29"),
            (11_017, "2000-03-01"),
            (20_512, "2026-02-28"),
        ];
        for (days, expected) in dates {
            assert_eq!(date(days), expected);
        }
    }
}
