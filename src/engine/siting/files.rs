//! The files of a plan: the table and the GeoPackage for the field, and all of it for programs.

use std::fs;

use crate::engine::plan::job::Job;
use crate::engine::store::error::EngineError;
#[cfg(feature = "geopackage")]
use crate::products::geopackage::{GeoPackage, Kind, Layer, Shape, Shapes, Value};
use crate::products::staging::{ProductError, Products};
use crate::results::site_plan::{Place, SitePlan, SiteRow};

/// The table, and what stands in it. A list of surveyed points has the first columns of it, once elevations are measured.
pub const TABLE: &str = "sites.csv";
/// All of it, for programs.
pub const JSON: &str = "plan.json";
/// The GeoPackage.
#[cfg(feature = "geopackage")]
const LAYERS: &str = "sites.gpkg";

const COLUMNS: [&str; 19] = [
    "name",
    "order",
    "cover",
    "easting",
    "northing",
    "elevation",
    "slope",
    "roughness",
    "ground_points",
    "quadrant",
    "nearest_site",
    "alternative_easting",
    "alternative_northing",
    "alternative_elevation",
    "alternative_slope",
    "alternative_distance",
    "reason",
    "horizontal_units",
    "vertical_units",
];

/// Writes the plan into the folder where it waits.
///
/// # Errors
/// Where the disk does not take it.
pub fn write_plan(job: &Job, plan: &SitePlan, products: &Products) -> Result<(), EngineError> {
    let files = [(TABLE, table(plan)), (JSON, json(plan).into_bytes())];
    for (file, text) in files {
        let path = products.place(file)?;
        fs::write(&path, text).map_err(ProductError::of(path, "writing the plan"))?;
        products.add(file, STAGE)?;
    }
    #[cfg(feature = "geopackage")]
    {
        write_layers(job, plan, products)?;
        products.add(LAYERS, STAGE)?;
    }
    #[cfg(not(feature = "geopackage"))]
    {
        let _ = job;
        products.note("sites.gpkg is not written: this program was built without GeoPackage".to_string());
    }
    Ok(())
}

/// What the files come from, as the manifest names it.
const STAGE: &str = "plan";

/// The contents of `plan.json`.
pub fn json(plan: &SitePlan) -> String {
    serde_json::to_string_pretty(plan).expect("plain data") + "\n"
}

fn table(plan: &SitePlan) -> Vec<u8> {
    let mut table = csv::Writer::from_writer(Vec::new());
    table.write_record(COLUMNS).expect("memory takes it");
    for site in &plan.sites {
        table.write_record(row(site, plan)).expect("memory takes it");
    }
    table.into_inner().expect("memory takes it")
}

fn row(site: &SiteRow, plan: &SitePlan) -> [String; COLUMNS.len()] {
    let length = |value: Option<f64>| value.map(|value| format!("{value:.3}")).unwrap_or_default();
    let other = site.alternative;
    let of_other = |what: fn(Place) -> f64| length(other.map(what));
    [
        site.name.clone(),
        site.order.to_string(),
        site.cover.word().to_string(),
        length(Some(site.place.easting)),
        length(Some(site.place.northing)),
        length(Some(site.place.elevation)),
        format!("{:.3}", site.place.slope),
        format!("{:.4}", site.place.roughness),
        site.place.ground_points.to_string(),
        site.quadrant.to_string(),
        length(site.nearest_site),
        of_other(|place| place.easting),
        of_other(|place| place.northing),
        of_other(|place| place.elevation),
        of_other(|place| place.slope),
        length(site.alternative_distance),
        site.reason.clone(),
        plan.horizontal_units.symbol().to_string(),
        plan.vertical_units.symbol().to_string(),
    ]
}

/// Columns of a place.
#[cfg(feature = "geopackage")]
const OF_PLACE: [(&str, Kind); 6] = [
    ("easting", Kind::Real),
    ("northing", Kind::Real),
    ("elevation", Kind::Real),
    ("slope", Kind::Real),
    ("roughness", Kind::Real),
    ("ground_points", Kind::Integer),
];

#[cfg(feature = "geopackage")]
fn of_place(place: &Place) -> [Value<'static>; OF_PLACE.len()] {
    [
        Value::Real(place.easting),
        Value::Real(place.northing),
        Value::Real(place.elevation),
        Value::Real(place.slope),
        Value::Real(place.roughness),
        Value::Integer(place.ground_points.into()),
    ]
}

#[cfg(feature = "geopackage")]
fn write_layers(job: &Job, plan: &SitePlan, products: &Products) -> Result<(), ProductError> {
    let path = products.place(LAYERS)?;
    let file = GeoPackage::create(&path, job.survey.sources[0].crs(), products.origin())?;
    let units = [("horizontal_units", Kind::Text), ("vertical_units", Kind::Text)];
    let unit_values =
        [Value::Text(plan.horizontal_units.symbol()), Value::Text(plan.vertical_units.symbol())];
    let number = |value: Option<f64>| value.map_or(Value::Null, Value::Real);

    let own = [("name", Kind::Text), ("order", Kind::Integer), ("cover", Kind::Text)];
    let more = [
        ("quadrant", Kind::Text),
        ("nearest_site", Kind::Real),
        ("alternative_distance", Kind::Real),
        ("reason", Kind::Text),
    ];
    let columns = [&own[..], &OF_PLACE, &more, &units].concat();
    let layer = Layer {
        name: "sites",
        description: "Sites proposed for checkpoints; elevation is the survey's own, to find the place",
        shapes: Shapes::Points,
        columns: &columns,
    };
    file.add_layer(&layer, |add| {
        for site in &plan.sites {
            let first =
                [Value::Text(&site.name), Value::Integer(site.order as i64), Value::Text(site.cover.word())];
            let last = [
                Value::Text(site.quadrant),
                number(site.nearest_site),
                number(site.alternative_distance),
                Value::Text(&site.reason),
            ];
            let values = [&first[..], &of_place(&site.place), &last, &unit_values].concat();
            add(Shape::Point([site.place.easting, site.place.northing]), &values)?;
        }
        Ok::<(), ProductError>(())
    })?;

    let own = [("name", Kind::Text), ("site", Kind::Text), ("cover", Kind::Text)];
    let columns = [&own[..], &OF_PLACE, &[("distance", Kind::Real)], &units].concat();
    let layer = Layer {
        name: "alternatives",
        description: "An alternative near each site, for where that cannot be used",
        shapes: Shapes::Points,
        columns: &columns,
    };
    file.add_layer(&layer, |add| {
        for site in &plan.sites {
            let Some(place) = &site.alternative else { continue };
            let name = format!("{}a", site.name);
            let first = [Value::Text(&name), Value::Text(&site.name), Value::Text(site.cover.word())];
            let values =
                [&first[..], &of_place(place), &[number(site.alternative_distance)], &unit_values].concat();
            add(Shape::Point([place.easting, place.northing]), &values)?;
        }
        Ok::<(), ProductError>(())
    })?;
    file.finish()
}
