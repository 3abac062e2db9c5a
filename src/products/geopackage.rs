//! GeoPackage, with SQLite: layers of points and polygons with their attributes, an index over them, and what the file says of
//! where it comes from. No other file writes it.
//!
//! Source: OGC 12-128 (GeoPackage 1.3), with its extensions for R-trees and metadata. The bytes depend on the contents alone: nothing
//! in it tells the time.

use std::io;
use std::path::{Path, PathBuf};

use rusqlite::types::ToSqlOutput;
use rusqlite::{Connection, ErrorCode, ToSql, params, params_from_iter};

use crate::cloud::Crs;
use crate::products::origin::Origin;
use crate::products::staging::ProductError;

/// `GPKG`, and version 1.3.
const APPLICATION: u32 = 0x4750_4b47;
const VERSION: u32 = 10_300;

/// When all of a file was changed last: the same in every file, or its bytes would tell the time.
const LAST_CHANGE: &str = "1970-01-01T00:00:00.000Z";

/// The number of a system without a code of its own.
const OWN_SYSTEM: i64 = 100_000;

/// A coordinate system that is not known: OGC 12-128, clause 1.1.2.1.2.
const NO_SYSTEM: i64 = -1;

/// The tables that every file has.
const TABLES: &str = "
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL, srs_id INTEGER NOT NULL PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE, description TEXT DEFAULT '',
  last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL,
  z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name), CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id));
CREATE TABLE gpkg_extensions (
  table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL,
  CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
CREATE TABLE gpkg_metadata (
  id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL, md_scope TEXT NOT NULL DEFAULT 'dataset', md_standard_uri TEXT NOT NULL,
  mime_type TEXT NOT NULL DEFAULT 'text/xml', metadata TEXT NOT NULL DEFAULT '');
CREATE TABLE gpkg_metadata_reference (
  reference_scope TEXT NOT NULL, table_name TEXT, column_name TEXT, row_id_value INTEGER,
  timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')), md_file_id INTEGER NOT NULL, md_parent_id INTEGER,
  CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
  CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id));
INSERT INTO gpkg_spatial_ref_sys VALUES ('Undefined Cartesian SRS', -1, 'NONE', -1, 'undefined', 'undefined Cartesian');
INSERT INTO gpkg_spatial_ref_sys VALUES ('Undefined geographic SRS', 0, 'NONE', 0, 'undefined', 'undefined geographic');
INSERT INTO gpkg_spatial_ref_sys VALUES ('WGS 84 geodetic', 4326, 'EPSG', 4326,
  'GEOGCS[\"WGS 84\",DATUM[\"WGS_1984\",SPHEROID[\"WGS 84\",6378137,298.257223563,AUTHORITY[\"EPSG\",\"7030\"]],AUTHORITY[\"EPSG\",\"6326\"]],PRIMEM[\"Greenwich\",0,AUTHORITY[\"EPSG\",\"8901\"]],UNIT[\"degree\",0.0174532925199433,AUTHORITY[\"EPSG\",\"9122\"]],AUTHORITY[\"EPSG\",\"4326\"]]',
  'longitude and latitude');
INSERT INTO gpkg_extensions VALUES ('gpkg_metadata', NULL, 'gpkg_metadata', 'http://www.geopackage.org/spec130/#extension_metadata', 'read-write');
INSERT INTO gpkg_extensions VALUES ('gpkg_metadata_reference', NULL, 'gpkg_metadata', 'http://www.geopackage.org/spec130/#extension_metadata', 'read-write');
";

/// The triggers that keep the index of a table right when another program edits it: OGC 12-128, annex F.3. `{t}` is the table.
const TRIGGERS: &str = r#"
CREATE TRIGGER "rtree_{t}_geom_insert" AFTER INSERT ON "{t}" WHEN (new."geom" NOT NULL AND NOT ST_IsEmpty(NEW."geom"))
BEGIN INSERT OR REPLACE INTO "rtree_{t}_geom" VALUES (NEW."fid", ST_MinX(NEW."geom"), ST_MaxX(NEW."geom"), ST_MinY(NEW."geom"), ST_MaxY(NEW."geom")); END;
CREATE TRIGGER "rtree_{t}_geom_update1" AFTER UPDATE OF "geom" ON "{t}" WHEN OLD."fid" = NEW."fid" AND (NEW."geom" NOTNULL AND NOT ST_IsEmpty(NEW."geom"))
BEGIN INSERT OR REPLACE INTO "rtree_{t}_geom" VALUES (NEW."fid", ST_MinX(NEW."geom"), ST_MaxX(NEW."geom"), ST_MinY(NEW."geom"), ST_MaxY(NEW."geom")); END;
CREATE TRIGGER "rtree_{t}_geom_update2" AFTER UPDATE OF "geom" ON "{t}" WHEN OLD."fid" = NEW."fid" AND (NEW."geom" ISNULL OR ST_IsEmpty(NEW."geom"))
BEGIN DELETE FROM "rtree_{t}_geom" WHERE id = OLD."fid"; END;
CREATE TRIGGER "rtree_{t}_geom_update3" AFTER UPDATE ON "{t}" WHEN OLD."fid" != NEW."fid" AND (NEW."geom" NOTNULL AND NOT ST_IsEmpty(NEW."geom"))
BEGIN DELETE FROM "rtree_{t}_geom" WHERE id = OLD."fid"; INSERT OR REPLACE INTO "rtree_{t}_geom" VALUES (NEW."fid", ST_MinX(NEW."geom"), ST_MaxX(NEW."geom"), ST_MinY(NEW."geom"), ST_MaxY(NEW."geom")); END;
CREATE TRIGGER "rtree_{t}_geom_update4" AFTER UPDATE ON "{t}" WHEN OLD."fid" != NEW."fid" AND (NEW."geom" ISNULL OR ST_IsEmpty(NEW."geom"))
BEGIN DELETE FROM "rtree_{t}_geom" WHERE id IN (OLD."fid", NEW."fid"); END;
CREATE TRIGGER "rtree_{t}_geom_delete" AFTER DELETE ON "{t}" WHEN old."geom" NOT NULL
BEGIN DELETE FROM "rtree_{t}_geom" WHERE id = OLD."fid"; END;
"#;

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Text.
    Text,
    /// A whole number.
    Integer,
    /// A number.
    Real,
    /// Yes or no.
    Boolean,
}

impl Kind {
    /// Its name: OGC 12-128, table 1.
    fn name(self) -> &'static str {
        match self {
            Kind::Text => "TEXT",
            Kind::Integer => "INTEGER",
            Kind::Real => "REAL",
            Kind::Boolean => "BOOLEAN",
        }
    }
}

/// A value of a column.
#[derive(Clone, Debug, PartialEq)]
pub enum Value<'a> {
    /// None.
    Null,
    /// Text.
    Text(&'a str),
    /// A whole number; 0 and 1 stand for no and yes.
    Integer(i64),
    /// A number.
    Real(f64),
}

impl ToSql for Value<'_> {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        match self {
            Value::Null => Ok(ToSqlOutput::from(rusqlite::types::Null)),
            Value::Text(text) => Ok(ToSqlOutput::from(*text)),
            Value::Integer(number) => Ok(ToSqlOutput::from(*number)),
            Value::Real(number) => Ok(ToSqlOutput::from(*number)),
        }
    }
}

/// The shape of a feature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shape<'a> {
    /// A position.
    Point([f64; 2]),
    /// Polygons, each a list of rings, the outer one first.
    Polygons(&'a [Vec<Vec<[f64; 2]>>]),
}

/// What the shapes of a layer are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shapes {
    /// Positions.
    Points,
    /// Polygons.
    Polygons,
}

/// A layer to be written.
#[derive(Clone, Copy, Debug)]
pub struct Layer<'a> {
    /// Its name, of letters, digits and underscores.
    pub name: &'a str,
    /// What it holds, in words.
    pub description: &'a str,
    /// What its shapes are.
    pub shapes: Shapes,
    /// Its columns beside the shape.
    pub columns: &'a [(&'a str, Kind)],
}

/// A GeoPackage that is being written.
pub struct GeoPackage {
    path: PathBuf,
    file: Connection,
    system: i64,
}

/// The box around shapes: least x and y, greatest x and y.
type Bounds = [f64; 4];

const NO_BOUNDS: Bounds = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];

impl GeoPackage {
    /// An empty one, in the horizontal system of `crs`.
    ///
    /// # Errors
    /// Where the disk does not take it.
    pub fn create(path: &Path, crs: &Crs, origin: &Origin) -> Result<Self, ProductError> {
        let create = || -> rusqlite::Result<(Connection, i64)> {
            let file = Connection::open(path)?;
            // The file appears with the results, whole or not at all: it needs no journal of its own.
            file.execute_batch(&format!(
                "PRAGMA page_size = 4096; PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF; PRAGMA temp_store = MEMORY;
                 PRAGMA application_id = {APPLICATION}; PRAGMA user_version = {VERSION}; BEGIN;"
            ))?;
            file.execute_batch(TABLES)?;
            let system = add_system(&file, crs)?;
            let record = serde_json::to_string(origin).expect("plain data");
            file.execute(
                "INSERT INTO gpkg_metadata VALUES (1, 'dataset', 'https://www.json.org', 'application/json', ?1)",
                [record],
            )?;
            file.execute(
                "INSERT INTO gpkg_metadata_reference VALUES ('geopackage', NULL, NULL, NULL, ?1, 1, NULL)",
                [LAST_CHANGE],
            )?;
            Ok((file, system))
        };
        let (file, system) = create().map_err(|error| failed(path, error))?;
        Ok(GeoPackage { path: path.to_path_buf(), file, system })
    }

    /// Adds a layer; `features` hands each feature to what it is given, with as many values as there are columns.
    ///
    /// # Errors
    /// Where the disk does not take it, or `features` fails.
    pub fn add_layer<E: From<ProductError>>(
        &self,
        layer: &Layer<'_>,
        features: impl FnOnce(
            &mut dyn FnMut(Shape<'_>, &[Value<'_>]) -> Result<(), ProductError>,
        ) -> Result<(), E>,
    ) -> Result<(), E> {
        let failed = |error| failed(&self.path, error);
        self.make_table(layer).map_err(failed)?;
        let marks: String = (0..layer.columns.len()).map(|i| format!(", ?{}", i + 3)).collect();
        let insert = format!("INSERT INTO \"{}\" VALUES (?1, ?2{marks})", layer.name);
        let mut insert = self.file.prepare(&insert).map_err(failed)?;
        let index = format!("INSERT INTO \"rtree_{}_geom\" VALUES (?1, ?2, ?3, ?4, ?5)", layer.name);
        let mut index = self.file.prepare(&index).map_err(failed)?;
        let (mut all, mut number) = (NO_BOUNDS, 0i64);
        features(&mut |shape, values| {
            number += 1;
            let (blob, [west, south, east, north]) = encode(shape, self.system);
            let (number, blob) = (Value::Integer(number), blob);
            let first: [&dyn ToSql; 2] = [&number, &blob];
            let others = values.iter().map(|value| value as &dyn ToSql);
            insert.execute(params_from_iter(first.into_iter().chain(others))).map_err(failed)?;
            index.execute(params![number, west, east, south, north]).map_err(failed)?;
            all = [all[0].min(west), all[1].min(south), all[2].max(east), all[3].max(north)];
            Ok(())
        })?;
        let ends = all.map(|end| if end.is_finite() { Value::Real(end) } else { Value::Null });
        let set =
            "UPDATE gpkg_contents SET min_x = ?1, min_y = ?2, max_x = ?3, max_y = ?4 WHERE table_name = ?5";
        self.file.execute(set, params![ends[0], ends[1], ends[2], ends[3], layer.name]).map_err(failed)?;
        self.file.execute_batch(&TRIGGERS.replace("{t}", layer.name)).map_err(failed)?;
        Ok(())
    }

    fn make_table(&self, layer: &Layer<'_>) -> rusqlite::Result<()> {
        let shapes = match layer.shapes {
            Shapes::Points => "POINT",
            Shapes::Polygons => "MULTIPOLYGON",
        };
        let columns: String =
            layer.columns.iter().map(|(name, kind)| format!(", \"{name}\" {}", kind.name())).collect();
        self.file.execute_batch(&format!(
            "CREATE TABLE \"{0}\" (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom {shapes}{columns});
             CREATE VIRTUAL TABLE \"rtree_{0}_geom\" USING rtree(id, minx, maxx, miny, maxy);",
            layer.name
        ))?;
        self.file.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change, srs_id)
             VALUES (?1, 'features', ?1, ?2, ?3, ?4)",
            params![layer.name, layer.description, LAST_CHANGE, self.system],
        )?;
        self.file.execute(
            "INSERT INTO gpkg_geometry_columns VALUES (?1, 'geom', ?2, ?3, 0, 0)",
            params![layer.name, shapes, self.system],
        )?;
        self.file.execute(
            "INSERT INTO gpkg_extensions VALUES (?1, 'geom', 'gpkg_rtree_index',
             'http://www.geopackage.org/spec130/#extension_rtree', 'write-only')",
            [layer.name],
        )?;
        Ok(())
    }

    /// Closes the file.
    ///
    /// # Errors
    /// Where the disk does not take it.
    pub fn finish(self) -> Result<(), ProductError> {
        let GeoPackage { path, file, .. } = self;
        file.execute_batch("COMMIT").map_err(|error| failed(&path, error))?;
        file.close().map_err(|(_, error)| failed(&path, error))
    }
}

/// The number of the horizontal system of `crs` in the file, where it is known.
fn add_system(file: &Connection, crs: &Crs) -> rusqlite::Result<i64> {
    let (system, organization, code) = match (crs.horizontal_code, &crs.horizontal_wkt) {
        (Some(code), _) => (i64::from(code), "EPSG", i64::from(code)),
        (None, Some(_)) => (OWN_SYSTEM, "NONE", OWN_SYSTEM),
        (None, None) => return Ok(NO_SYSTEM),
    };
    let name = crs.name.clone().unwrap_or_else(|| format!("EPSG {code}"));
    let definition = crs.horizontal_wkt.as_deref().unwrap_or("undefined");
    file.execute(
        "INSERT OR IGNORE INTO gpkg_spatial_ref_sys VALUES (?1, ?2, ?3, ?4, ?5, 'horizontal system of the survey')",
        params![name, system, organization, code, definition],
    )?;
    Ok(system)
}

/// A shape as the file holds it: a head, a box of polygons, and well-known binary; and the box around it.
fn encode(shape: Shape<'_>, system: i64) -> (Vec<u8>, Bounds) {
    let mut blob = vec![b'G', b'P', 0, 1];
    blob.extend_from_slice(&(system as i32).to_le_bytes());
    let head = |kind: u32, to: &mut Vec<u8>| {
        to.push(1);
        to.extend_from_slice(&kind.to_le_bytes());
    };
    let position = |at: &[f64; 2], to: &mut Vec<u8>| {
        at.iter().for_each(|value| to.extend_from_slice(&value.to_le_bytes()));
    };
    match shape {
        Shape::Point(at) => {
            head(1, &mut blob);
            position(&at, &mut blob);
            (blob, [at[0], at[1], at[0], at[1]])
        }
        Shape::Polygons(polygons) => {
            let corners = polygons.iter().flatten().flatten();
            let bounds = corners.fold(NO_BOUNDS, |all, [x, y]| {
                [all[0].min(*x), all[1].min(*y), all[2].max(*x), all[3].max(*y)]
            });
            blob[3] |= 1 << 1;
            [bounds[0], bounds[2], bounds[1], bounds[3]]
                .iter()
                .for_each(|end| blob.extend_from_slice(&end.to_le_bytes()));
            head(6, &mut blob);
            blob.extend_from_slice(&(polygons.len() as u32).to_le_bytes());
            for rings in polygons {
                head(3, &mut blob);
                blob.extend_from_slice(&(rings.len() as u32).to_le_bytes());
                for ring in rings {
                    // Rings are closed.
                    let closing = ring.first().filter(|first| ring.last() != Some(*first));
                    let corners = ring.iter().chain(closing);
                    blob.extend_from_slice(&(corners.clone().count() as u32).to_le_bytes());
                    corners.for_each(|corner| position(corner, &mut blob));
                }
            }
            (blob, bounds)
        }
    }
}

fn failed(path: &Path, error: rusqlite::Error) -> ProductError {
    let kind = match error.sqlite_error_code() {
        Some(ErrorCode::DiskFull) => io::ErrorKind::StorageFull,
        Some(ErrorCode::PermissionDenied | ErrorCode::ReadOnly) => io::ErrorKind::PermissionDenied,
        _ => io::ErrorKind::Other,
    };
    ProductError::of(path, "writing a GeoPackage")(io::Error::new(kind, error))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(crs: &Crs) -> (tempfile::TempDir, PathBuf) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("points.gpkg");
        let origin = Origin::new("A run", "f00".into());
        let file = GeoPackage::create(&path, crs, &origin).unwrap();
        let columns =
            [("name", Kind::Text), ("dz", Kind::Real), ("return", Kind::Integer), ("used", Kind::Boolean)];
        let points =
            Layer { name: "checkpoints", description: "d", shapes: Shapes::Points, columns: &columns };
        file.add_layer(&points, |add| -> Result<(), ProductError> {
            add(
                Shape::Point([3.5, -2.0]),
                &[Value::Text("A"), Value::Real(0.25), Value::Integer(2), Value::Integer(1)],
            )?;
            add(Shape::Point([1.0, 7.0]), &[Value::Text("B"), Value::Null, Value::Null, Value::Integer(0)])
        })
        .unwrap();
        let square = vec![vec![
            vec![[0.0, 0.0], [2.0, 0.0], [2.0, 2.0]],
            vec![[1.0, 0.5], [1.5, 0.5], [1.5, 1.0], [1.0, 0.5]],
        ]];
        let areas = Layer {
            name: "left_out",
            description: "",
            shapes: Shapes::Polygons,
            columns: &[("why", Kind::Text)],
        };
        file.add_layer(&areas, |add| -> Result<(), ProductError> {
            add(Shape::Polygons(&square), &[Value::Text("a bridge")])
        })
        .unwrap();
        let empty = Layer { name: "nothing", description: "", shapes: Shapes::Points, columns: &[] };
        file.add_layer(&empty, |_| Ok::<(), ProductError>(())).unwrap();
        file.finish().unwrap();
        (folder, path)
    }

    #[test]
    fn layers_come_back_with_their_shapes_values_index_and_system() {
        let crs = Crs { horizontal_code: Some(25832), name: Some("a system".into()), ..Crs::default() };
        let (_folder, path) = written(&crs);
        let file = Connection::open(&path).unwrap();
        let one = |sql: &str| file.query_row(sql, [], |row| row.get::<_, rusqlite::types::Value>(0)).unwrap();
        let text = |sql: &str| format!("{:?}", one(sql));
        assert_eq!(text("PRAGMA application_id"), format!("Integer({APPLICATION})"));
        assert_eq!(text("PRAGMA integrity_check"), "Text(\"ok\")");
        assert_eq!(text("SELECT count(*) FROM pragma_foreign_key_check"), "Integer(0)");
        assert_eq!(text("SELECT max_y FROM gpkg_contents WHERE table_name = 'checkpoints'"), "Real(7.0)");
        assert_eq!(text("SELECT max_y FROM gpkg_contents WHERE table_name = 'nothing'"), "Null");
        assert_eq!(
            text("SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = 'left_out'"),
            "Integer(25832)"
        );
        assert_eq!(text("SELECT dz FROM checkpoints WHERE name = 'B'"), "Null");
        assert_eq!(text("SELECT id FROM rtree_checkpoints_geom WHERE minx < 2 AND maxy > 5"), "Integer(2)");
        let rusqlite::types::Value::Blob(point) = one("SELECT geom FROM checkpoints WHERE fid = 1") else {
            panic!()
        };
        assert_eq!((&point[..4], point.len()), (&b"GP\0\x01"[..], 29));
        assert_eq!((&point[13..21], &point[21..]), (&3.5f64.to_le_bytes()[..], &(-2.0f64).to_le_bytes()[..]));
        assert!(text("SELECT metadata FROM gpkg_metadata").contains("f00"));
    }

    #[test]
    fn bytes_depend_on_the_contents_alone_and_no_system_is_said_to_be_none() {
        let (first, second) = (written(&Crs::default()), written(&Crs::default()));
        assert_eq!(std::fs::read(&first.1).unwrap(), std::fs::read(&second.1).unwrap());
        let file = Connection::open(&first.1).unwrap();
        let system = "SELECT DISTINCT srs_id FROM gpkg_contents";
        assert_eq!(file.query_row(system, [], |row| row.get::<_, i64>(0)).unwrap(), NO_SYSTEM);
    }
}
