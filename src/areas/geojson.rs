//! Polygons from GeoJSON (RFC 7946).

use ::geojson::{GeoJson, Geometry, GeometryValue, JsonObject, Position};

use crate::areas::Polygons;
use crate::areas::stated::Stated;

/// The polygons of a text, and what it says of their system.
///
/// # Errors
/// What is wrong with it.
pub(super) fn read(text: &str) -> Result<(Polygons, Stated), String> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let json: GeoJson = text.parse().map_err(|error| {
        let error = format!("{error}");
        format!("it is not GeoJSON: {}", error.lines().next().unwrap_or_default())
    })?;
    let mut polygons = Vec::new();
    let members = match &json {
        GeoJson::Geometry(geometry) => {
            add(geometry, &mut polygons)?;
            &geometry.foreign_members
        }
        GeoJson::Feature(feature) => {
            feature.geometry.iter().try_for_each(|geometry| add(geometry, &mut polygons))?;
            &feature.foreign_members
        }
        GeoJson::FeatureCollection(all) => {
            let geometries = all.features.iter().filter_map(|feature| feature.geometry.as_ref());
            geometries.into_iter().try_for_each(|geometry| add(geometry, &mut polygons))?;
            &all.foreign_members
        }
    };
    Ok((polygons, members.as_ref().map_or(Stated::Nothing, stated)))
}

/// What the member `crs` of GeoJSON before RFC 7946 says, which programs still write.
fn stated(members: &JsonObject) -> Stated {
    let Some(crs) = members.get("crs").filter(|crs| !crs.is_null()) else { return Stated::Nothing };
    let name = crs["properties"]["name"].as_str().unwrap_or_default().trim();
    if name.to_uppercase().ends_with("CRS84") {
        return Stated::Degrees(name.to_string());
    }
    let code =
        name.to_uppercase().contains("EPSG").then(|| name.rsplit(':').next()?.trim().parse().ok()).flatten();
    code.map_or_else(|| Stated::Unknown(name.to_string()), Stated::Code)
}

fn add(geometry: &Geometry, to: &mut Polygons) -> Result<(), String> {
    match &geometry.value {
        GeometryValue::Polygon { coordinates } => to.push(rings(coordinates)?),
        GeometryValue::MultiPolygon { coordinates } => {
            for polygon in coordinates {
                to.push(rings(polygon)?);
            }
        }
        GeometryValue::GeometryCollection { geometries } => {
            geometries.iter().try_for_each(|one| add(one, to))?
        }
        other => {
            return Err(format!(
                "it holds a {}, but an area is a Polygon or MultiPolygon",
                other.type_name()
            ));
        }
    }
    Ok(())
}

fn rings(polygon: &[Vec<Position>]) -> Result<Vec<Vec<[f64; 2]>>, String> {
    let corner = |position: &Position| match *position.as_slice() {
        [x, y, ..] => Ok([x, y]),
        _ => Err("one of its positions has fewer than two numbers".to_string()),
    };
    polygon.iter().map(|ring| ring.iter().map(corner).collect()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const SQUARE: &str =
        r#"{"type":"Polygon","coordinates":[[[0,0],[4,0],[4,4],[0,4],[0,0]],[[1,1],[2,1],[2,2],[1,1]]]}"#;

    #[test]
    fn polygons_are_found_wherever_they_stand() {
        let wrapped = format!(
            r#"{{"type":"FeatureCollection","crs":{{"type":"name","properties":{{"name":"urn:ogc:def:crs:EPSG::25832"}}}},
            "features":[{{"type":"Feature","properties":{{}},"geometry":{SQUARE}}},
            {{"type":"Feature","properties":null,"geometry":null}},
            {{"type":"Feature","properties":{{}},"geometry":{{"type":"GeometryCollection","geometries":[{SQUARE}]}}}},
            {{"type":"Feature","properties":{{}},"geometry":
            {{"type":"MultiPolygon","coordinates":[[[[9,9,5],[8,8,5],[9,8,5],[9,9,5]]]]}}}}]}}"#
        );
        let (polygons, stated) = read(&wrapped).unwrap();
        assert_eq!((polygons.len(), polygons[0].len(), polygons[2][0][1]), (3, 2, [8.0, 8.0]));
        assert_eq!(stated, Stated::Code(25832));
        assert_eq!(read(SQUARE).unwrap().1, Stated::Nothing);
    }

    #[test]
    fn what_is_stated_of_the_system_is_told_apart() {
        let with = |name: &str| {
            read(&SQUARE.replacen('{', &format!(r#"{{"crs":{{"properties":{{"name":"{name}"}}}},"#), 1))
                .unwrap()
                .1
        };
        assert!(matches!(with("urn:ogc:def:crs:OGC:1.3:CRS84"), Stated::Degrees(_)));
        assert_eq!(with("EPSG:2991"), Stated::Code(2991));
        assert_eq!(with("the site grid"), Stated::Unknown("the site grid".to_string()));
    }

    #[test]
    fn what_is_no_area_is_refused() {
        for (text, expected) in [
            ("", "it is not GeoJSON"),
            (r#"{"type":"LineString","coordinates":[[0,0],[1,1]]}"#, "it holds a LineString"),
            (r#"{"type":"Polygon","coordinates":[[[0],[1,1],[2,2]]]}"#, ""),
            (r#"{"type":"Polygon"}"#, "it is not GeoJSON"),
        ] {
            let error = read(text).unwrap_err();
            assert!(error.contains(expected), "{text}: {error}");
        }
    }
}
