//! The places of `checkpoints.csv`, and which of them two runs share.

use std::collections::HashMap;

use crate::units::{Micrometres, Unit};

/// A place that was compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// Easting and northing.
    pub at: (Micrometres, Micrometres),
    /// Return number; 0 at a surveyed point.
    pub return_number: u8,
    /// Survey minus reference elevation.
    pub dz: Micrometres,
    /// The flight strip, where it is known.
    pub strip: Option<u16>,
}

/// A place that both runs list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pair {
    /// The place, as in the first run.
    pub place: Place,
    /// dz in the second run minus dz in the first.
    pub difference: Micrometres,
}

/// The places of two runs.
#[derive(Debug, Default)]
pub struct Matched {
    /// Those of both.
    pub pairs: Vec<Pair>,
    /// Those of one alone.
    pub only: [Vec<Place>; 2],
}

/// So near to each other two places are one: files of one survey in metres and in feet are rounded apart from each other.
const TOLERANCE: Micrometres = 1_000;

/// The rows of a `checkpoints.csv` that have a dz.
///
/// # Errors
/// What is wrong with the text.
pub fn places(text: &str) -> Result<Vec<Place>, String> {
    let mut table = csv::Reader::from_reader(text.as_bytes());
    let header = table.headers().map_err(|error| error.to_string())?.clone();
    let column = |name: &str| header.iter().position(|own| own == name);
    let needed = |name: &str| column(name).ok_or_else(|| format!("it has no column `{name}`"));
    let [x, y, number, dz, horizontal, vertical] =
        ["x", "y", "return", "dz", "horizontal_units", "units"].map(needed);
    let (x, y, number, dz, horizontal, vertical) = (x?, y?, number?, dz?, horizontal?, vertical?);
    let (strip, used) = (column("strip"), column("used"));
    let mut places = Vec::new();
    for (line, row) in (2..).zip(table.records()) {
        let row = row.map_err(|error| error.to_string())?;
        if row[dz].is_empty() || used.is_some_and(|used| &row[used] == "no") {
            continue;
        }
        let wrong = |what: &str| format!("line {line} has no {what}");
        let length = |column: usize, units: usize, what: &str| {
            let unit = Unit::ALL.into_iter().find(|unit| unit.symbol() == &row[units]);
            let value = row[column].parse::<f64>().ok().filter(|value| value.is_finite());
            unit.zip(value).map(|(unit, value)| unit.to_micrometres(value)).ok_or_else(|| wrong(what))
        };
        let return_number = match &row[number] {
            "" => 0,
            text => text.parse().map_err(|_| wrong("return number"))?,
        };
        places.push(Place {
            at: (length(x, horizontal, "position")?, length(y, horizontal, "position")?),
            return_number,
            dz: length(dz, vertical, "dz")?,
            strip: strip.and_then(|strip| row[strip].parse().ok()),
        });
    }
    places.sort_unstable();
    Ok(places)
}

/// Pairs the places of two runs: the same return within a millimetre in plan, the nearest first.
pub fn matched(first: &[Place], second: &[Place]) -> Matched {
    let bucket = |place: &Place, (dx, dy): (i64, i64)| {
        let (x, y) = place.at;
        (x.div_euclid(TOLERANCE) + dx, y.div_euclid(TOLERANCE) + dy, place.return_number)
    };
    let mut buckets: HashMap<_, Vec<usize>> = HashMap::new();
    for (i, place) in second.iter().enumerate() {
        buckets.entry(bucket(place, (0, 0))).or_default().push(i);
    }
    let around = || (-1..=1).flat_map(|dx| (-1..=1).map(move |dy| (dx, dy)));
    let mut near = Vec::new();
    for (i, place) in first.iter().enumerate() {
        for j in around().filter_map(|step| buckets.get(&bucket(place, step))).flatten() {
            let (dx, dy) = (place.at.0 - second[*j].at.0, place.at.1 - second[*j].at.1);
            let squared = dx * dx + dy * dy;
            if squared <= TOLERANCE * TOLERANCE {
                near.push((squared, i, *j));
            }
        }
    }
    near.sort_unstable();
    let mut taken = [vec![false; first.len()], vec![false; second.len()]];
    let mut pairs = Vec::new();
    for (_, i, j) in near {
        if !taken[0][i] && !taken[1][j] {
            (taken[0][i], taken[1][j]) = (true, true);
            pairs.push(Pair { place: first[i], difference: second[j].dz - first[i].dz });
        }
    }
    pairs.sort_unstable_by_key(|pair| pair.place);
    let left = |places: &[Place], taken: &[bool]| {
        places.iter().zip(taken).filter(|(_, taken)| !**taken).map(|(place, _)| *place).collect()
    };
    Matched { pairs, only: [left(first, &taken[0]), left(second, &taken[1])] }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_come_from_either_unit_and_are_paired_one_to_one() {
        let head = "x,y,z,return,returns,reference_z,dz,horizontal_units,units,strip\n";
        let metres =
            format!("{head}500000.001,10.5,3,2,2,3,0.0123,m,m,7\n500000.001,10.5,3,1,2,3,0.5,m,m,7\n");
        let feet = format!("{head}1640419.951,34.449,3,2,2,3,0.0404,ft,ft,\n9,9,3,1,1,3,,ft,ft,\n");
        let (metres, feet) = (places(&metres).unwrap(), places(&feet).unwrap());
        assert_eq!((metres.len(), feet.len()), (2, 1));
        let found = matched(&metres, &feet);
        assert_eq!((found.pairs.len(), found.only[0].len(), found.only[1].len()), (1, 1, 0));
        let pair = found.pairs[0];
        assert_eq!((pair.place.return_number, pair.place.strip), (2, Some(7)));
        assert_eq!(pair.difference, (0.0404 * 304_800.0f64).round() as i64 - 12_300);
        // Of two within reach the nearer one is the pair.
        let at = |x| Place { at: (x, 0), return_number: 1, dz: x, strip: None };
        let found = matched(&[at(0), at(900)], &[at(800)]);
        assert_eq!((found.pairs[0].place.at.0, found.only[0][0].at.0), (900, 0));
        for (wrong, says) in
            [("a,b\n1,2\n", "no column `x`"), (&format!("{head}1,?,3,1,1,3,0.1,m,m,\n"), "line 2")]
        {
            assert!(places(wrong).unwrap_err().contains(says));
        }
    }
}
