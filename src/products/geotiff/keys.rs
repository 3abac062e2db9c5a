//! Where a raster lies, and in what system: the keys of GeoTIFF.

use super::directory::{Directory, Value};

/// Where a raster lies, and in what system.
#[derive(Clone, Debug, PartialEq)]
pub struct RasterSystem {
    /// Easting of the western edge.
    pub west: f64,
    /// Northing of the northern edge.
    pub north: f64,
    /// Edge of a cell.
    pub cell: f64,
    /// Name of the horizontal system, where it is known.
    pub name: Option<String>,
    /// Its EPSG code.
    pub code: Option<u16>,
    /// EPSG code of its unit.
    pub unit: u16,
    /// Name of the vertical system.
    pub vertical_name: Option<String>,
    /// Its EPSG code.
    pub vertical_code: Option<u16>,
    /// EPSG code of its unit.
    pub vertical_unit: u16,
}

/// What stands for a system that the registry does not have.
const USER_DEFINED: u16 = 32767;

impl RasterSystem {
    /// Says so in a directory.
    pub(super) fn describe(&self, directory: &mut Directory) {
        directory.set(33550, Value::Doubles(vec![self.cell, self.cell, 0.0]));
        directory.set(33922, Value::Doubles(vec![0.0, 0.0, 0.0, self.west, self.north, 0.0]));
        let mut texts = String::new();
        let mut keys: Vec<[u16; 4]> = Vec::new();
        let mut text = |text: &str| {
            let clean = text.replace('|', " ");
            let entry = [34737, clean.len() as u16 + 1, texts.len() as u16];
            texts += &clean;
            texts.push('|');
            entry
        };
        let number = |value: u16| [0, 1, value];
        let mut key = |key: u16, [place, count, value]: [u16; 3]| keys.push([key, place, count, value]);
        // Without a code a reader takes the unit of a plane system of its own, but not that of a projected one.
        key(1024, number(if self.code.is_some() { 1 } else { USER_DEFINED }));
        // Cells are areas.
        key(1025, number(1));
        let name = self.name.as_deref().unwrap_or("horizontal system not stated");
        let whole = match &self.vertical_name {
            Some(vertical) => format!("{name} + {vertical}"),
            None => name.to_string(),
        };
        key(1026, text(&whole));
        match self.code {
            Some(code) => key(3072, number(code)),
            None => key(3073, text(name)),
        }
        key(3076, number(self.unit));
        if self.vertical_code.is_some() || self.vertical_name.is_some() {
            key(4096, number(self.vertical_code.unwrap_or(USER_DEFINED)));
        }
        if let Some(vertical) = &self.vertical_name {
            key(4097, text(vertical));
        }
        key(4099, number(self.vertical_unit));
        let mut all = vec![1, 1, 1, keys.len() as u16];
        all.extend(keys.into_iter().flatten());
        directory.set(34735, Value::Shorts(all));
        directory.set(34737, Value::Text(texts));
    }
}
