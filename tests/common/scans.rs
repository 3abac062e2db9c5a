//! E57 files written by the crate `e57`.

use std::path::Path;

use e57::{E57Writer, Quaternion, Record, RecordDataType, RecordName, RecordValue, Transform, Translation};

/// A scan to be written.
#[derive(Clone, Default)]
pub struct Scan {
    /// Its name.
    pub name: Option<String>,
    /// Its pose.
    pub pose: Option<Transform>,
    /// Names and kinds of its fields.
    pub fields: Vec<(RecordName, RecordDataType)>,
    /// The values of its points.
    pub points: Vec<Vec<RecordValue>>,
}

#[allow(dead_code, reason = "each test uses some of them")]
impl Scan {
    /// A scan of these positions, as 64-bit numbers.
    pub fn of(positions: impl IntoIterator<Item = [f64; 3]>) -> Self {
        let double = RecordDataType::Double { min: None, max: None };
        let names = [RecordName::CartesianX, RecordName::CartesianY, RecordName::CartesianZ];
        Scan {
            fields: names.map(|name| (name, double.clone())).to_vec(),
            points: positions.into_iter().map(|at| at.map(RecordValue::Double).to_vec()).collect(),
            ..Scan::default()
        }
    }

    /// The same with a name.
    pub fn named(self, name: &str) -> Self {
        Scan { name: Some(name.to_string()), ..self }
    }

    /// The same with a pose: turned about the vertical axis by so many radians, then shifted.
    pub fn posed(self, turn: f64, shift: [f64; 3]) -> Self {
        let rotation = Quaternion { w: (turn / 2.0).cos(), x: 0.0, y: 0.0, z: (turn / 2.0).sin() };
        let [x, y, z] = shift;
        Scan { pose: Some(Transform { rotation, translation: Translation { x, y, z } }), ..self }
    }
}

/// Writes scans to a file, with coordinate metadata.
pub fn write(path: &Path, scans: &[Scan], metadata: Option<&str>) {
    let mut writer = E57Writer::from_file(path, "file").unwrap();
    writer.set_coordinate_metadata(metadata.map(str::to_string));
    for (number, scan) in scans.iter().enumerate() {
        let fields = scan.fields.iter().cloned().map(|(name, data_type)| Record { name, data_type });
        let mut points = writer.add_pointcloud(&format!("scan {number}"), fields.collect()).unwrap();
        points.set_name(scan.name.clone());
        points.set_transform(scan.pose.clone());
        scan.points.iter().for_each(|point| points.add_point(point.clone()).unwrap());
        points.finalize().unwrap();
    }
    writer.finalize().unwrap();
}
