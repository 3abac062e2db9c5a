//! Drawing by hand: round ticks, scales and the few SVG shapes that a histogram needs.

use std::fmt::Write;

/// Maps a range of values onto a range of the drawing.
#[derive(Clone, Copy, Debug)]
pub struct Scale {
    /// Lowest and highest value.
    pub values: [f64; 2],
    /// Where they lie in the drawing.
    pub positions: [f64; 2],
}

impl Scale {
    /// Where `value` lies.
    pub fn at(&self, value: f64) -> f64 {
        let [v0, v1] = self.values;
        let [p0, p1] = self.positions;
        p0 + (value - v0) / (v1 - v0) * (p1 - p0)
    }

    /// Whether `value` lies within the drawing.
    pub fn holds(&self, value: f64) -> bool {
        (self.values[0]..=self.values[1]).contains(&value)
    }

    /// Where `value` lies, moved to the nearer end if that is outside.
    pub fn clamped(&self, value: f64) -> f64 {
        self.at(value.clamp(self.values[0], self.values[1]))
    }
}

/// Round values (1, 2 or 5 times a power of ten apart) within a range, at most `most` of them, and the decimals
/// that show them.
pub fn ticks(low: f64, high: f64, most: usize) -> (Vec<f64>, usize) {
    let span = high - low;
    if !(span.is_finite() && span > 0.0) {
        return (Vec::new(), 0);
    }
    let raw = span / most.max(1) as f64;
    let mut exponent = raw.log10().floor() as i32;
    // The next step up is tried until few enough fit: never more than a few turns.
    loop {
        for digit in [1.0, 2.0, 5.0] {
            // Dividing by a whole power of ten rounds once, where multiplying by 0.001 would round twice.
            let step =
                if exponent < 0 { digit / 10f64.powi(-exponent) } else { digit * 10f64.powi(exponent) };
            let first = (low / step - 1e-9).ceil() as i64;
            let last = (high / step + 1e-9).floor() as i64;
            if last - first < most as i64 {
                let scale = 10f64.powi(exponent.abs());
                let value = |i: i64| {
                    if exponent < 0 { i as f64 * digit / scale } else { i as f64 * digit * scale }
                };
                return ((first..=last).map(value).collect(), (-exponent).max(0) as usize);
            }
        }
        exponent += 1;
    }
}

/// A coordinate of the drawing to a tenth of a pixel: enough for the eye, and the same bytes everywhere.
pub fn number(value: f64) -> String {
    let text = format!("{value:.1}");
    let text = text.strip_suffix(".0").unwrap_or(&text);
    if text == "-0" { "0".to_string() } else { text.to_string() }
}

/// An SVG drawing in the making. What things look like is for the style sheet of the page, by class.
pub struct Drawing {
    body: String,
}

impl Drawing {
    /// A drawing of this size, with the title and description that a screen reader tells. `id` is its own within
    /// the page.
    pub fn new(id: &str, width: f64, height: f64, title: &str, description: &str) -> Self {
        let mut body = String::new();
        let (w, h) = (number(width), number(height));
        let _ = write!(
            body,
            r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" width="{w}" height="{h}" role="img" aria-labelledby="{id}-title {id}-desc">
<title id="{id}-title">{}</title>
<desc id="{id}-desc">{}</desc>
"#,
            escape(title),
            escape(description)
        );
        Drawing { body }
    }

    /// A rectangle from its corners.
    pub fn rectangle(&mut self, class: &str, x: [f64; 2], y: [f64; 2]) {
        let (width, height) = (number(x[1] - x[0]), number(y[1] - y[0]));
        let (x, y) = (number(x[0]), number(y[0]));
        let _ = writeln!(
            self.body,
            r#"<rect class="{class}" x="{x}" y="{y}" width="{width}" height="{height}"/>"#
        );
    }

    /// A straight line.
    pub fn line(&mut self, class: &str, from: [f64; 2], to: [f64; 2]) {
        let [x1, y1, x2, y2] = [from[0], from[1], to[0], to[1]].map(number);
        let _ = writeln!(self.body, r#"<line class="{class}" x1="{x1}" y1="{y1}" x2="{x2}" y2="{y2}"/>"#);
    }

    /// An ellipse about a position; `turned` are degrees clockwise by which its first half axis is turned from the right.
    pub fn ellipse(&mut self, class: &str, at: [f64; 2], half_axes: [f64; 2], turned: f64) {
        let [x, y, rx, ry] = [at[0], at[1], half_axes[0], half_axes[1]].map(number);
        let turned = number(turned);
        let _ = writeln!(
            self.body,
            r#"<ellipse class="{class}" cx="{x}" cy="{y}" rx="{rx}" ry="{ry}" transform="rotate({turned} {x} {y})"/>"#
        );
    }

    /// A small triangle that points up at a position.
    pub fn pointer(&mut self, class: &str, x: f64, y: f64) {
        let [left, middle, right, top, bottom] = [x - 4.0, x, x + 4.0, y, y + 6.0].map(number);
        let _ = writeln!(
            self.body,
            r#"<path class="{class}" d="M{middle} {top}L{right} {bottom}L{left} {bottom}Z"/>"#
        );
    }

    /// A path of its own making.
    pub fn path(&mut self, class: &str, path: &str) {
        let _ = writeln!(self.body, r#"<path class="{class}" d="{path}"/>"#);
    }

    /// Text on a base line; `anchor` is `start`, `middle` or `end`.
    pub fn text(&mut self, class: &str, anchor: &str, x: f64, y: f64, text: &str) {
        let [x, y] = [x, y].map(number);
        let text = escape(text);
        let _ = writeln!(
            self.body,
            r#"<text class="{class}" text-anchor="{anchor}" x="{x}" y="{y}">{text}</text>"#
        );
    }

    /// The whole drawing.
    pub fn finish(mut self) -> String {
        self.body.push_str("</svg>");
        self.body
    }
}

/// Text as it stands in markup.
pub fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_few() {
        assert_eq!(ticks(-130.0, 170.0, 7), (vec![-100.0, -50.0, 0.0, 50.0, 100.0, 150.0], 0));
        assert_eq!(ticks(-0.25, 0.31, 7), (vec![-0.2, -0.1, 0.0, 0.1, 0.2, 0.3], 1));
        assert_eq!(ticks(-0.004, 0.004, 5), (vec![-0.004, -0.002, 0.0, 0.002, 0.004], 3));
        assert_eq!(ticks(1.0, 1.0, 5), (vec![], 0));
        assert_eq!(ticks(f64::NAN, 1.0, 5), (vec![], 0));
        for span in [1e-6, 0.37, 12.0, 5e9] {
            let (values, _) = ticks(-span / 3.0, span, 6);
            assert!((2..=6).contains(&values.len()), "{span}: {values:?}");
        }
    }

    #[test]
    fn text_is_escaped_and_coordinates_are_short() {
        let mut drawing = Drawing::new("f", 10.0, 5.5, "a & b", "c < d");
        drawing.text("label", "start", -0.04, 1.25, "<script>");
        let svg = drawing.finish();
        assert!(svg.contains(r#"viewBox="0 0 10 5.5""#) && svg.contains("a &amp; b"));
        assert!(svg.contains(r#"x="0" y="1.2">&lt;script&gt;<"#), "{svg}");
    }
}
