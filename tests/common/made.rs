//! Small clouds made point by point, of which the right answer is known.

use std::fs;
use std::path::{Path, PathBuf};

use las::point::Classification;
use las::{Builder, Point, Transform, Vector, Version, Writer};

/// A made-up site lies at these coordinates, as far from zero as real ones do.
pub const CORNER: (f64, f64) = (500_000.0, 4_200_000.0);

/// The only return of its pulse, unclassified, at a position counted from the corner of the site.
pub fn point(x: f64, y: f64, z: f64) -> Point {
    Point {
        x: CORNER.0 + x,
        y: CORNER.1 + y,
        z,
        return_number: 1,
        number_of_returns: 1,
        classification: Classification::Unclassified,
        gps_time: Some(0.0),
        ..Point::default()
    }
}

/// A point in a unit of so many metres.
pub fn in_unit(at: Point, unit: f64) -> Point {
    Point { x: at.x / unit, y: at.y / unit, z: at.z / unit, ..at }
}

/// The middles of `columns` × `rows` squares of `step`, from the corner of the site.
pub fn grid(columns: usize, rows: usize, step: f64) -> impl Iterator<Item = (f64, f64)> {
    (0..rows).flat_map(move |row| {
        (0..columns).map(move |column| ((column as f64 + 0.5) * step, (row as f64 + 0.5) * step))
    })
}

/// A gentle slope, whole millimetres at whole quarters of a metre.
pub fn slope(x: f64, y: f64) -> f64 {
    300.0 + 0.04 * x - 0.02 * y
}

/// How a made cloud is stored.
#[derive(Clone)]
pub struct Stored {
    /// The coordinate system, as WKT.
    pub wkt: Option<String>,
    /// Step of elevations.
    pub z_scale: f64,
}

impl Stored {
    /// Without a coordinate system.
    pub const SILENT: Stored = Stored { wkt: None, z_scale: 0.001 };

    /// With the coordinate system of a file of `demo-data/make_site`.
    pub fn with_system_of(name: &str) -> Stored {
        let path = super::root().join("demo-data/make_site").join(name);
        Stored { wkt: Some(fs::read_to_string(path).unwrap()), ..Stored::SILENT }
    }
}

/// Writes a cloud, LAS 1.4 format 6, x and y in thousandths.
pub fn write(path: &Path, points: &[Point], stored: &Stored) {
    let mut builder = Builder::from(Version::new(1, 4));
    builder.point_format = las::point::Format::new(6).unwrap();
    builder.point_format.is_compressed = path.extension().is_some_and(|e| e == "laz");
    let transform = |scale, offset| Transform { scale, offset };
    builder.transforms = Vector {
        x: transform(0.001, points[0].x.round()),
        y: transform(0.001, points[0].y.round()),
        z: transform(stored.z_scale, points[0].z.round()),
    };
    let mut header = builder.into_header().unwrap();
    if let Some(wkt) = &stored.wkt {
        header.set_wkt_crs([wkt.trim().as_bytes(), b"\0"].concat()).unwrap();
    }
    let mut writer = Writer::from_path(path, header).unwrap();
    for point in points {
        writer.write_point(point.clone()).unwrap();
    }
    writer.close().unwrap();
}

/// Writes a cloud in metres without a coordinate system.
pub fn write_plain(path: &Path, points: &[Point]) {
    write(path, points, &Stored::SILENT);
}

/// The stages that compare all ground with the nearest reference point.
pub const COMPARE_ALL: &str = "[read: {}, ground: {}, checkpoints: {per_return: all}, \
    compare: {match: nearest, within: 15 mm}, summarise: {}]";

/// Writes a pipeline file over `survey.laz` and, where it is there, `reference.laz` in `folder`, both in metres.
pub fn pipeline(folder: &Path, stages: &str) -> PathBuf {
    let mut text = "survey: {files: [survey.laz], units: m}\n".to_string();
    if folder.join("reference.laz").exists() {
        text += "reference: {files: [reference.laz], units: m}\n";
    }
    let path = folder.join("pipeline.yaml");
    fs::write(&path, format!("{text}stages: {stages}\n")).unwrap();
    path
}
