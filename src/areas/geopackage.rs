//! Polygons from GeoPackage (OGC 12-128), with SQLite: no other file sees it.

use std::path::Path;

use rusqlite::{Connection, OpenFlags};

use crate::areas::stated::Stated;
use crate::areas::{Polygons, wkb};
use crate::cloud::Crs;

/// The polygons of all tables of a file, and what it says of their system.
///
/// # Errors
/// What is wrong with it.
pub(super) fn read(path: &Path) -> Result<(Polygons, Stated), String> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let file = Connection::open_with_flags(path, flags).map_err(plain)?;
    let tables = tables(&file).map_err(plain)?;
    let mut systems = tables.iter().map(|table| table.system);
    let system = systems.next().ok_or("it has no table of features")?;
    if systems.any(|other| other != system) {
        return Err("its tables are in different systems: give each area a file of its own".to_string());
    }
    let mut polygons = Polygons::new();
    for table in &tables {
        let quoted = |name: &str| format!("\"{}\"", name.replace('"', "\"\""));
        let select = format!("SELECT {} FROM {}", quoted(&table.column), quoted(&table.name));
        let mut select = file.prepare(&select).map_err(plain)?;
        let mut rows = select.query([]).map_err(plain)?;
        while let Some(row) = rows.next().map_err(plain)? {
            if let Some(blob) = row.get::<_, Option<Vec<u8>>>(0).map_err(plain)? {
                add(&blob, &mut polygons)?;
            }
        }
    }
    Ok((polygons, stated(&file, system).map_err(plain)?))
}

/// A table of features.
struct Table {
    name: String,
    column: String,
    system: i64,
}

fn tables(file: &Connection) -> rusqlite::Result<Vec<Table>> {
    let mut select = file
        .prepare("SELECT table_name, column_name, srs_id FROM gpkg_geometry_columns ORDER BY table_name")?;
    let table =
        |row: &rusqlite::Row<'_>| Ok(Table { name: row.get(0)?, column: row.get(1)?, system: row.get(2)? });
    select.query_map([], table)?.collect()
}

/// What the file says of a system.
fn stated(file: &Connection, system: i64) -> rusqlite::Result<Stated> {
    // -1 and 0 are undefined: OGC 12-128, clause 1.1.2.1.2.
    if system <= 0 {
        return Ok(Stated::Nothing);
    }
    let text = "SELECT srs_name, organization, organization_coordsys_id, definition FROM gpkg_spatial_ref_sys WHERE srs_id = ?1";
    let row = |row: &rusqlite::Row<'_>| -> rusqlite::Result<(String, String, i64, String)> {
        Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
    };
    let (name, organization, code, definition) = match file.query_row(text, [system], row) {
        Err(rusqlite::Error::QueryReturnedNoRows) => return Ok(Stated::Nothing),
        other => other?,
    };
    let code = u32::try_from(code).ok().filter(|_| organization.eq_ignore_ascii_case("EPSG"));
    Ok(match (Crs::from_wkt(&definition), code) {
        (Some(mut crs), code) => {
            crs.horizontal_code = crs.horizontal_code.or(code);
            Stated::System(Box::new(crs))
        }
        (None, Some(code)) => Stated::Code(code),
        (None, None) => Stated::Unknown(name),
    })
}

/// The geometry of a feature: a header of eight bytes and a box, then well-known binary.
fn add(blob: &[u8], to: &mut Polygons) -> Result<(), String> {
    let [b'G', b'P', _, flags, ..] = *blob else {
        return Err("one of its geometries does not begin with GP".to_string());
    };
    if flags & 0x10 != 0 {
        return Ok(());
    }
    let bounds = [0, 32, 48, 48, 64].get(usize::from(flags >> 1 & 7));
    let after = bounds.and_then(|bounds| blob.get(8 + bounds..));
    wkb::add(after.ok_or("one of its geometries is cut off")?, to)
}

fn plain(error: rusqlite::Error) -> String {
    format!("it cannot be read as a GeoPackage: {error}")
}
