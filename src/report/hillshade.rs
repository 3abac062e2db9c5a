//! The ground as a shaded picture: light from the north-west, as maps have it.

use std::io::Write;

use flate2::Compression;
use flate2::write::ZlibEncoder;

use crate::results::pictures::Relief;

/// The picture, and how far slopes are exaggerated.
pub(super) struct Hillshade {
    /// It as a `data:` address.
    pub address: String,
    /// Factor on all slopes.
    pub exaggeration: u32,
}

/// Towards the light: east, north, up. 45 degrees high in the north-west.
const LIGHT: [f64; 3] = [-0.5, 0.5, std::f64::consts::FRAC_1_SQRT_2];
/// Slopes that nine of ten cells stay below are exaggerated up to this: flat sites would show nothing.
const STEEP: f64 = 0.5;
/// Voids are closed this many cells from their edge.
const CLOSED: usize = 2;
/// Grey of unlit ground, and how much light adds. Zero is kept for voids.
const DARK: f64 = 45.0;
const LIT: f64 = 210.0;

/// The shaded ground, north up.
pub(super) fn hillshade(relief: &Relief) -> Hillshade {
    let heights = closed(relief);
    let slopes = slopes(relief, &heights);
    let mut steepness: Vec<f64> = slopes.iter().flatten().map(|[x, y]| (x * x + y * y).sqrt()).collect();
    steepness.sort_by(f64::total_cmp);
    let usual = steepness.get(steepness.len() * 9 / 10).copied().unwrap_or(0.0);
    let exaggeration =
        [10u32, 5, 3, 2].into_iter().find(|times| f64::from(*times) * usual <= STEEP).unwrap_or(1);
    let grey = |slope: &Option<[f64; 2]>| {
        let Some([x, y]) = slope else { return 0 };
        let (x, y) = (x * f64::from(exaggeration), y * f64::from(exaggeration));
        let light = (-x * LIGHT[0] - y * LIGHT[1] + LIGHT[2]) / (x * x + y * y + 1.0).sqrt();
        (DARK + LIT * light.max(0.0)).round().clamp(1.0, 255.0) as u8
    };
    let rows = slopes.chunks_exact(relief.columns).rev();
    let pixels: Vec<Vec<u8>> = rows.map(|row| row.iter().map(grey).collect()).collect();
    let address = format!("data:image/png;base64,{}", base64(&png(relief.columns, &pixels)));
    Hillshade { address, exaggeration }
}

/// Heights with narrow voids closed by the mean around them.
fn closed(relief: &Relief) -> Vec<Option<f64>> {
    let mut heights = relief.heights.clone();
    for _ in 0..CLOSED {
        let before = heights.clone();
        for (at, height) in heights.iter_mut().enumerate().filter(|(_, height)| height.is_none()) {
            let known: Vec<f64> = around(relief, at).into_iter().filter_map(|near| before[near?]).collect();
            if known.len() >= 3 {
                *height = Some(known.iter().sum::<f64>() / known.len() as f64);
            }
        }
    }
    heights
}

/// The eight cells around one, row by row from the south-west.
fn around(relief: &Relief, at: usize) -> [Option<usize>; 8] {
    let (column, row) = ((at % relief.columns) as i64, (at / relief.columns) as i64);
    let offsets = [(-1, -1), (0, -1), (1, -1), (-1, 0), (1, 0), (-1, 1), (0, 1), (1, 1)];
    offsets.map(|(east, north)| {
        let (column, row) = (column + east, row + north);
        let inside = (0..relief.columns as i64).contains(&column) && (0..relief.rows as i64).contains(&row);
        inside.then_some(row as usize * relief.columns + column as usize)
    })
}

/// Slopes to the east and to the north (Horn 1981): weighted differences across a cell; where a neighbour is missing, level.
fn slopes(relief: &Relief, heights: &[Option<f64>]) -> Vec<Option<[f64; 2]>> {
    let slope = |(at, height): (usize, &Option<f64>)| {
        let own = (*height)?;
        let [sw, s, se, w, e, nw, n, ne] =
            around(relief, at).map(|near| near.and_then(|near| heights[near]).unwrap_or(own));
        let across = 8.0 * relief.cell as f64;
        let east = (se + 2.0 * e + ne) - (sw + 2.0 * w + nw);
        let north = (nw + 2.0 * n + ne) - (sw + 2.0 * s + se);
        Some([east / across, north / across])
    };
    heights.iter().enumerate().map(slope).collect()
}

/// A PNG of eight bits of grey, of which 0 is transparent (ISO/IEC 15948).
fn png(width: usize, rows: &[Vec<u8>]) -> Vec<u8> {
    let mut out = b"\x89PNG\r\n\x1a\n".to_vec();
    let mut chunk = |name: &[u8; 4], data: &[u8]| {
        out.extend((data.len() as u32).to_be_bytes());
        let mut crc = flate2::Crc::new();
        crc.update(name);
        crc.update(data);
        out.extend_from_slice(name);
        out.extend_from_slice(data);
        out.extend(crc.sum().to_be_bytes());
    };
    let mut head = Vec::new();
    head.extend((width as u32).to_be_bytes());
    head.extend((rows.len() as u32).to_be_bytes());
    head.extend([8, 0, 0, 0, 0]);
    chunk(b"IHDR", &head);
    chunk(b"tRNS", &[0, 0]);
    let mut packed = ZlibEncoder::new(Vec::new(), Compression::best());
    let mut before = vec![0; width];
    for row in rows {
        // Each row as its difference from the one before: filter 2.
        let differences: Vec<u8> = row.iter().zip(&before).map(|(a, b)| a.wrapping_sub(*b)).collect();
        packed.write_all(&[2]).and_then(|()| packed.write_all(&differences)).expect("memory takes it");
        before.clone_from(row);
    }
    chunk(b"IDAT", &packed.finish().expect("memory takes it"));
    chunk(b"IEND", &[]);
    out
}

/// RFC 4648.
fn base64(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for three in bytes.chunks(3) {
        let word =
            three.iter().fold(0u32, |word, byte| word << 8 | u32::from(*byte)) << (8 * (3 - three.len()));
        for i in 0..4 {
            let digit = DIGITS[(word >> (18 - 6 * i) & 63) as usize];
            text.push(if i > three.len() { '=' } else { char::from(digit) });
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use std::io::Read;

    use super::*;

    fn relief(height: impl Fn(i64, i64) -> Option<f64>) -> Relief {
        let (columns, rows) = (40, 30);
        let heights = (0..columns * rows).map(|at| height(at % columns, at / columns)).collect();
        let reference = vec![false; (columns * rows) as usize];
        Relief {
            cell: 1_000_000,
            first: (0, 0),
            columns: columns as usize,
            rows: rows as usize,
            heights,
            reference,
        }
    }

    /// The greys of a picture, row by row from the north.
    fn greys(shade: &Hillshade) -> Vec<Vec<u8>> {
        let text = shade.address.strip_prefix("data:image/png;base64,").unwrap().trim_end_matches('=');
        let digit = |c: u8| match c {
            b'A'..=b'Z' => c - b'A',
            b'a'..=b'z' => c - b'a' + 26,
            b'0'..=b'9' => c - b'0' + 52,
            b'+' => 62,
            _ => 63,
        };
        let (mut bits, mut count, mut bytes) = (0u32, 0, Vec::new());
        for c in text.bytes() {
            (bits, count) = (bits << 6 | u32::from(digit(c)), count + 6);
            if count >= 8 {
                count -= 8;
                bytes.push((bits >> count) as u8);
                bits &= (1 << count) - 1;
            }
        }
        let at = bytes.windows(4).position(|four| four == b"IDAT").unwrap();
        let mut all = Vec::new();
        flate2::read::ZlibDecoder::new(&bytes[at + 4..]).read_to_end(&mut all).unwrap();
        let width = u32::from_be_bytes(bytes[16..20].try_into().unwrap()) as usize;
        let mut rows: Vec<Vec<u8>> = Vec::new();
        for line in all.chunks_exact(width + 1) {
            let before = rows.last().cloned().unwrap_or(vec![0; width]);
            rows.push(line[1..].iter().zip(before).map(|(a, b)| a.wrapping_add(b)).collect());
        }
        rows
    }

    #[test]
    fn slopes_that_face_the_light_are_bright_and_voids_transparent() {
        // A ridge from the south-west to the north-east, steep enough not to be exaggerated, with a void in the south-east.
        let ridge = relief(|x, y| (x < 30 || y > 10).then(|| -0.6e6 * ((x - y) as f64).abs()));
        let shade = hillshade(&ridge);
        let rows = greys(&shade);
        assert_eq!((rows.len(), rows[0].len(), shade.exaggeration), (30, 40, 1));
        // Rows come from the north: the void lies in the last ones.
        assert!(rows[29][39] == 0 && rows[0][39] > 0);
        // By hand: light on slopes of 0.6 to the north and to the west, or to the south and to the east.
        assert_eq!((rows[5][5], rows[15][25]), (254, 62));
        let flat = hillshade(&relief(|x, _| Some(1e4 * x as f64)));
        assert_eq!(flat.exaggeration, 10);
        let greys = greys(&flat);
        assert!(greys.iter().flatten().all(|grey| (150..=215).contains(grey)), "{:?}", greys[3]);
    }

    #[test]
    fn base64_is_that_of_the_rfc() {
        let cases = [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foobar", "Zm9vYmFy")];
        for (plain, expected) in cases {
            assert_eq!(base64(plain.as_bytes()), expected);
        }
    }
}
