//! Writing point files: LAS 1.4, point format 6, compressed, in the unit and coordinate system asked for.

use std::fs::File;
use std::io::BufWriter;
use std::path::Path;

use clap::ValueEnum;
use las::{GpsTimeType, PointDataBuilder, Transform, Vector, Version, Writer};

/// The unit of a file's coordinates and elevations.
#[derive(Clone, Copy, Debug, PartialEq, ValueEnum)]
pub enum Unit {
    #[value(name = "m")]
    Metre,
    #[value(name = "ft")]
    Foot,
    #[value(name = "ftUS")]
    UsSurveyFoot,
}

/// Coordinates are whole thousandths of a unit.
const SCALE: f64 = 0.001;

impl Unit {
    /// Metres in one unit.
    fn metres(self) -> f64 {
        match self {
            Unit::Metre => 1.0,
            Unit::Foot => 0.3048,
            Unit::UsSurveyFoot => 1200.0 / 3937.0,
        }
    }

    /// The unit as a pipeline file writes it.
    pub fn symbol(self) -> &'static str {
        match self {
            Unit::Metre => "m",
            Unit::Foot => "ft",
            Unit::UsSurveyFoot => "ftUS",
        }
    }

    /// The coordinates of the site's south-west corner: in open sea in each system, for no real place is meant.
    fn origin(self) -> [f64; 2] {
        match self {
            Unit::Metre => [400_000.0, 6_100_000.0],
            Unit::Foot => [150_000.0, 500_000.0],
            Unit::UsSurveyFoot => [1_200_000.0, 60_000.0],
        }
    }

    fn wkt(self) -> &'static str {
        match self {
            Unit::Metre => include_str!("metre.wkt"),
            Unit::Foot => include_str!("foot.wkt"),
            Unit::UsSurveyFoot => include_str!("us-survey-foot.wkt"),
        }
    }

    /// A length in metres as the whole number that a file stores.
    pub fn store(self, metres: f64) -> i32 {
        (metres / self.metres() / SCALE).round() as i32
    }

    /// The length in metres that a stored number stands for.
    pub fn restore(self, stored: i32) -> f64 {
        f64::from(stored) * SCALE * self.metres()
    }
}

/// One point, as point format 6 stores it; x and y from the site's corner.
#[derive(Clone, Copy, Default)]
pub struct Record {
    pub x: i32,
    pub y: i32,
    pub z: i32,
    pub intensity: u16,
    pub return_number: u8,
    pub number_of_returns: u8,
    pub withheld: bool,
    pub class: u8,
    /// In units of 0.006 degree.
    pub scan_angle: i16,
    pub strip: u16,
    pub gps_time: f64,
}

impl Record {
    fn append_to(&self, bytes: &mut Vec<u8>) {
        for coordinate in [self.x, self.y, self.z] {
            bytes.extend(coordinate.to_le_bytes());
        }
        bytes.extend(self.intensity.to_le_bytes());
        bytes.push(self.return_number | self.number_of_returns << 4);
        bytes.push(u8::from(self.withheld) << 2);
        bytes.push(self.class);
        bytes.push(0);
        bytes.extend(self.scan_angle.to_le_bytes());
        bytes.extend(self.strip.to_le_bytes());
        bytes.extend(self.gps_time.to_le_bytes());
    }
}

/// A point file being written, block by block.
pub struct Cloud {
    writer: Writer<BufWriter<File>>,
}

impl Cloud {
    /// Starts a file.
    pub fn create(path: &Path, unit: Unit, file_source_id: u16) -> las::Result<Self> {
        let [east, north] = unit.origin();
        let mut builder = las::Builder::from(Version::new(1, 4));
        builder.point_format = las::point::Format::new(6)?;
        builder.transforms = Vector {
            x: Transform { scale: SCALE, offset: east },
            y: Transform { scale: SCALE, offset: north },
            z: Transform { scale: SCALE, offset: 0.0 },
        };
        builder.date = None; // the day it was made must not change the file
        builder.file_source_id = file_source_id;
        builder.gps_time_type = GpsTimeType::Standard;
        builder.system_identifier = "SIMULATION".to_string();
        builder.generating_software = "make-site".to_string();
        let mut header = builder.into_header()?;
        header.set_wkt_crs([unit.wkt().trim().replace('\n', "").as_bytes(), b"\0"].concat())?;
        Ok(Cloud { writer: Writer::from_path(path, header)? })
    }

    /// Adds a block of points.
    pub fn write(&mut self, records: &[Record]) -> las::Result<()> {
        let mut bytes = Vec::with_capacity(records.len() * 30);
        records.iter().for_each(|record| record.append_to(&mut bytes));
        let points = PointDataBuilder::new().for_header(self.writer.header()).build_from_bytes(bytes)?;
        self.writer.write_points(&points)
    }

    /// Ends the file.
    pub fn close(mut self) -> las::Result<()> {
        self.writer.close()
    }
}
