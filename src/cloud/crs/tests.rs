use super::*;

const US: f64 = 1200.0 / 3937.0;

#[test]
fn the_size_decides_which_foot_it_is() {
    let read = |name, size| StatedUnit::from_parts(name, None, Some(size));
    assert_eq!(read("foot", 0.3048), StatedUnit::Stated(Unit::Foot));
    assert_eq!(read("foot", US), StatedUnit::Stated(Unit::UsSurveyFoot));
    assert_eq!(read("Foot_US", 0.304800609601219), StatedUnit::Stated(Unit::UsSurveyFoot));
    assert_eq!(read("US survey foot", 0.3048006), StatedUnit::Stated(Unit::UsSurveyFoot));
    assert_eq!(read("anything", 1.0), StatedUnit::Stated(Unit::Metre));
    assert_eq!(read("US survey foot", 0.3048), StatedUnit::Contradictory(Unit::UsSurveyFoot));
    assert_eq!(read("US survey foot", 1.0), StatedUnit::Contradictory(Unit::UsSurveyFoot));
    assert_eq!(read("metre", 0.3048), StatedUnit::Contradictory(Unit::Metre));
    assert_eq!(read("International Foot", US), StatedUnit::Contradictory(Unit::Foot));
    assert!(matches!(read("yard", 0.9144), StatedUnit::Other(_)));
    assert!(matches!(read("metre", f64::NAN), StatedUnit::Contradictory(Unit::Metre)));
    assert_eq!(StatedUnit::from_parts("foot", Some(9002), Some(US)), StatedUnit::Contradictory(Unit::Foot));
}

#[test]
fn a_compound_system_states_each_unit_on_its_own() {
    let crs = Crs::from_wkt(
        r#"COMPD_CS["both",PROJCS["NAD83 / Oregon LCC (m)",GEOGCS["NAD83",UNIT["degree",0.0174532925199433]],
        UNIT["metre",1,AUTHORITY["EPSG","9001"]],AUTHORITY["EPSG","2991"]],VERT_CS["NAVD88 height (ftUS)",
        VERT_DATUM["x",2005],UNIT["US survey foot",0.304800609601219,AUTHORITY["EPSG","9003"]],
        AUTHORITY["EPSG","6360"]]]"#,
    )
    .unwrap();
    assert_eq!(crs.horizontal_unit, StatedUnit::Stated(Unit::Metre));
    assert_eq!(crs.vertical_unit, StatedUnit::Stated(Unit::UsSurveyFoot));
    assert_eq!(crs.describe(), "NAD83 / Oregon LCC (m) (EPSG 2991) + NAVD88 height (ftUS) (EPSG 6360)");
    assert!(crs.problems.is_empty());
}

#[test]
fn a_projected_system_alone_states_no_vertical_unit() {
    let crs = Crs::from_wkt(r#"PROJCS["a",GEOGCS["b",UNIT["degree",0.017]],UNIT["foot",0.3048]]"#).unwrap();
    assert_eq!(crs.horizontal_unit, StatedUnit::Stated(Unit::Foot));
    assert_eq!(crs.vertical_unit, StatedUnit::NotStated);
}

#[test]
fn a_vertical_system_inside_or_after_the_projected_one_is_found() {
    for text in [
        r#"PROJCS["a",UNIT["metre",1],VERTCS["v",UNIT["US survey foot",1.0]]]"#,
        r#"PROJCS["a",UNIT["metre",1]],VERTCS["v",UNIT["US survey foot",1.0]]"#,
    ] {
        let crs = Crs::from_wkt(text).unwrap();
        assert_eq!(crs.vertical_unit, StatedUnit::Contradictory(Unit::UsSurveyFoot));
        assert_eq!(crs.vertical_unit.unit(), None);
        assert!(crs.problems[0].contains("vertical unit is contradictory"), "{:?}", crs.problems);
    }
}

#[test]
fn reads_wkt_2() {
    let crs = Crs::from_wkt(
        r#"COMPOUNDCRS["c",PROJCRS["p",BASEGEOGCRS["g",DATUM["d"],PRIMEM["Greenwich",0,
        ANGLEUNIT["degree",0.0174532925199433]]],CONVERSION["c",PARAMETER["fe",500000,LENGTHUNIT["metre",1]]],
        CS[Cartesian,2],AXIS["(E)",east,ORDER[1],LENGTHUNIT["US survey foot",0.304800609601219]],
        AXIS["(N)",north,ORDER[2],LENGTHUNIT["US survey foot",0.304800609601219]],ID["EPSG",2903]],
        VERTCRS["v",VDATUM["d"],CS[vertical,1],AXIS["up (H)",up,LENGTHUNIT["metre",1]],ID["EPSG",5703]]]"#,
    )
    .unwrap();
    assert_eq!(crs.horizontal_unit, StatedUnit::Stated(Unit::UsSurveyFoot));
    assert_eq!(crs.vertical_unit, StatedUnit::Stated(Unit::Metre));
    assert_eq!((crs.horizontal_code, crs.vertical_code), (Some(2903), Some(5703)));
}

#[test]
fn a_three_dimensional_system_states_the_unit_of_its_height() {
    let crs = Crs::from_wkt(
        r#"PROJCRS["p",CS[Cartesian,3],AXIS["E",east],AXIS["N",north],AXIS["h",up],LENGTHUNIT["metre",1]]"#,
    )
    .unwrap();
    assert_eq!(crs.vertical_unit, StatedUnit::Stated(Unit::Metre));
}

#[test]
fn only_the_source_of_a_bound_system_counts() {
    let crs = Crs::from_wkt(
        r#"BOUNDCRS[SOURCECRS[PROJCRS["p",CS[Cartesian,2],LENGTHUNIT["metre",1]]],
        TARGETCRS[VERTCRS["other",CS[vertical,1],LENGTHUNIT["metre",1]]],ABRIDGEDTRANSFORMATION["t"]]"#,
    )
    .unwrap();
    assert_eq!(crs.name.as_deref(), Some("p"));
    assert_eq!(crs.vertical_unit, StatedUnit::NotStated);
}

#[test]
fn degrees_and_geocentric_coordinates_are_told_apart() {
    let crs = Crs::from_wkt(r#"GEOGCS["WGS 84",UNIT["degree",0.0174532925199433],AUTHORITY["EPSG","4326"]]"#);
    assert_eq!(crs.unwrap().horizontal_unit, StatedUnit::Degrees);
    let crs = Crs::from_wkt(r#"GEOCCS["WGS 84",UNIT["metre",1]]"#).unwrap();
    assert!(matches!(crs.horizontal_unit, StatedUnit::Other(_)));
    assert_eq!(Crs::from_wkt("TIMECRS[\"t\"]"), None);
    assert_eq!(Crs::from_wkt("junk"), None);
}

fn keys(entries: &[[u16; 2]]) -> Vec<u8> {
    let mut words = vec![1, 1, 0, entries.len() as u16];
    for [key, value] in entries {
        words.extend([*key, 0, 1, *value]);
    }
    words.iter().flat_map(|word: &u16| word.to_le_bytes()).collect()
}

#[test]
fn reads_geotiff_keys() {
    let read = |entries: &[[u16; 2]]| Crs::from_geotiff(&keys(entries), &[], &[]).unwrap();
    let crs = read(&[[1024, 1], [3072, 2903], [3076, 9003], [4096, 5703], [4099, 9001]]);
    assert_eq!(crs.horizontal_unit, StatedUnit::Stated(Unit::UsSurveyFoot));
    assert_eq!(crs.vertical_unit, StatedUnit::Stated(Unit::Metre));
    assert_eq!(crs.describe(), "EPSG 2903 + EPSG 5703");
    // A code alone states no unit, and neither direction lends its unit to the other.
    let crs = read(&[[1024, 1], [3072, 26910]]);
    assert_eq!(crs.horizontal_unit, StatedUnit::NotStated);
    assert_eq!(read(&[[3076, 9002]]).vertical_unit, StatedUnit::NotStated);
    assert_eq!(read(&[[1024, 2]]).horizontal_unit, StatedUnit::Degrees);
    let crs = read(&[[3072, 32767], [4099, 32767]]);
    assert_eq!((crs.horizontal_code, crs.vertical_unit), (None, StatedUnit::NotStated));
    assert_eq!(crs.problems.len(), 1);
}

#[test]
fn two_statements_complete_or_contradict_each_other() {
    let keys = Crs::from_geotiff(&keys(&[[1024, 1], [3076, 9003]]), &[], &[]).unwrap();
    let wkt = Crs::from_wkt(r#"PROJCS["p",UNIT["foot",0.3048]],VERTCS["v",UNIT["m",1]]"#).unwrap();
    let both = keys.completed_by(wkt);
    assert_eq!(both.name.as_deref(), Some("p"));
    assert_eq!(both.vertical_unit, StatedUnit::Stated(Unit::Metre));
    assert_eq!(both.horizontal_unit, StatedUnit::Contradictory(Unit::UsSurveyFoot));
    assert!(both.problems[0].contains("US survey feet and once as international feet"));
}

#[test]
fn the_same_system_is_known_by_code_or_name() {
    let crs = |name: Option<&str>, code| Crs {
        name: name.map(str::to_string),
        horizontal_code: code,
        ..Crs::default()
    };
    let same = |a: &Crs, b: &Crs| a.same_horizontal(b);
    assert_eq!(same(&crs(Some("a"), Some(1)), &crs(Some("b"), Some(1))), Some(true));
    assert_eq!(same(&crs(Some("a"), Some(1)), &crs(Some("a"), Some(2))), Some(false));
    assert_eq!(same(&crs(Some("NAD_83 x"), None), &crs(Some("nad83 X"), Some(2))), Some(true));
    assert_eq!(same(&crs(None, Some(1)), &crs(Some("a"), None)), None);
}
