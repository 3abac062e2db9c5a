//! An inspection as text.

use std::fmt;

use crate::cli::inspect::inspection::Inspection;
use crate::results::format::thousands;

impl fmt::Display for Inspection {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let row = |f: &mut fmt::Formatter<'_>, label: &str, text: String| writeln!(f, "  {label:<12}{text}");
        let per = |share: f64| format!("{:5.1} %", 100.0 * share);
        let packed = if self.compressed { "compressed" } else { "uncompressed" };
        writeln!(f, "{}", self.file)?;
        let mut made = format!("LAS {}, point format {}, {packed}", self.version, self.format);
        if let Some(nodes) = self.copc_nodes {
            made += &format!(", COPC of {} nodes", thousands(nodes as u64));
        }
        if let Some(day) = &self.created {
            made += &format!(", created on {day}");
        }
        row(f, "file", made)?;
        row(f, "CRS", self.crs.clone().unwrap_or("not stated".into()))?;
        row(
            f,
            "units",
            format!("x, y: {}; z: {}", self.units.horizontal_stated, self.units.vertical_stated),
        )?;
        row(f, "points", thousands(self.points))?;
        for (index, count) in self.returns.iter().enumerate() {
            let label = if index == 0 { "returns" } else { "" };
            let points = thousands(count.points);
            row(f, label, format!("{:>3} {points:>15} {}", count.r#return, per(count.share)))?;
        }
        let [first, last, single] = [self.first, self.last, self.single].map(thousands);
        row(f, "", format!("first {first}, last {last}, single {single}"))?;
        row(f, "density", self.density())?;
        for (index, count) in self.classes.iter().enumerate() {
            let label = if index == 0 { "classes" } else { "" };
            let points = thousands(count.points);
            row(f, label, format!("{:>3} {points:>15} {} {}", count.class, per(count.share), count.name))?;
        }
        for (index, count) in self.strips.iter().enumerate() {
            let label = if index == 0 { "strips" } else { "" };
            row(f, label, format!("{:>5} {:>13}", count.strip, thousands(count.points)))?;
        }
        if let Some(bounds) = &self.bounds {
            for (axis, name) in ["x", "y", "z"].into_iter().enumerate() {
                row(f, name, format!("{:.3} to {:.3}", bounds.min[axis], bounds.max[axis]))?;
            }
        }
        if let Some(angle) = &self.scan_angle_deg {
            row(f, "scan angle", format!("{:.1} to {:.1} degrees", angle.min, angle.max))?;
        }
        if let Some(time) = &self.gps_time {
            let from =
                if time.counted_from == "week" { "of the GPS week" } else { "since 2011-09-14 01:46:40" };
            row(f, "GPS time", format!("{:.3} to {:.3} s {from}", time.first, time.last))?;
        }
        row(f, "withheld", thousands(self.withheld))?;
        row(f, "noise", format!("{} (classes 7 and 18)", thousands(self.noise)))?;
        for (index, problem) in self.problems.iter().enumerate() {
            row(f, if index == 0 { "problems" } else { "" }, format!("- {problem}"))?;
        }
        if self.problems.is_empty() {
            row(f, "problems", "none found".into())?;
        }
        Ok(())
    }
}

impl Inspection {
    fn density(&self) -> String {
        let Some(basis) = &self.density_basis else { return "not measured".into() };
        let (text, unit) = match (self.density_per_m2, self.density_per_square_unit) {
            (Some(density), _) => (format!("{} points/m²", digits(density)), "m"),
            (None, Some(density)) => {
                (format!("{} points per square unit (unit of the file unknown)", digits(density)), "units")
            }
            (None, None) => return "not measured".into(),
        };
        let foot = self.density_per_ft2.map(|density| format!(" ({} points/ft²)", digits(density)));
        let first =
            self.first_returns_per_m2.map(|density| format!(", {} first returns/m²", digits(density)));
        let (foot, first) = (foot.unwrap_or_default(), first.unwrap_or_default());
        format!("{text}{foot}{first}, over the occupied cells of {0} x {0} {unit}", basis.cell)
    }
}

/// A number with three significant digits, or all those before the point.
fn digits(value: f64) -> String {
    let before = if value > 0.0 { value.log10().floor() as i32 + 1 } else { 1 };
    format!("{value:.*}", (3 - before).clamp(0, 9) as usize)
}

/// Decimals that show a coordinate scaled by `scale`.
pub(super) fn decimals(scale: f64) -> usize {
    (-scale.abs().log10()).ceil().clamp(0.0, 6.0) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_shown_with_three_significant_digits() {
        assert_eq!(
            [24.761, 0.001_234, 1234.6, 0.0, 9.999].map(digits),
            ["24.8", "0.00123", "1235", "0.00", "10.00"]
        );
        assert_eq!([1.0, 0.01, 0.000_25, 1e-9, 100.0].map(decimals), [0, 2, 4, 6, 0]);
    }
}
