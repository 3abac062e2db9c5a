//! Polygons in well-known binary, as GeoPackage stores them (OGC 12-128, clause 2.1.3; OGC 06-103r4, clause 8).

use crate::areas::Polygons;

/// Geometries inside each other: collections hold polygons.
const DEEPEST: usize = 8;

/// Adds the polygons of a geometry.
///
/// # Errors
/// What is wrong with it.
pub(super) fn add(bytes: &[u8], to: &mut Polygons) -> Result<(), String> {
    Reader { rest: bytes }.geometry(0, to)
}

struct Reader<'a> {
    rest: &'a [u8],
}

impl Reader<'_> {
    fn take<const N: usize>(&mut self) -> Result<[u8; N], String> {
        let (taken, rest) = self.rest.split_first_chunk().ok_or("one of its geometries is cut off")?;
        self.rest = rest;
        Ok(*taken)
    }

    fn count(&mut self, little: bool) -> Result<u32, String> {
        self.take().map(if little { u32::from_le_bytes } else { u32::from_be_bytes })
    }

    fn geometry(&mut self, depth: usize, to: &mut Polygons) -> Result<(), String> {
        if depth > DEEPEST {
            return Err("its geometries are nested too deeply".into());
        }
        let little = match self.take()? {
            [0] => false,
            [1] => true,
            [other] => {
                return Err(format!(
                    "one of its geometries has the byte order {other}, which does not exist"
                ));
            }
        };
        let kind = self.count(little)?;
        // Thousands say whether there is a height, a measure, or both.
        let numbers = match kind / 1000 {
            0 => 2,
            1 | 2 => 3,
            3 => 4,
            _ => return Err(format!("it holds a geometry of kind {kind}, which is not known")),
        };
        match kind % 1000 {
            3 => to.push(self.rings(little, numbers)?),
            6 | 7 => {
                for _ in 0..self.count(little)? {
                    self.geometry(depth + 1, to)?;
                }
            }
            other => {
                let names = ["Geometry", "Point", "LineString", "Polygon", "MultiPoint", "MultiLineString"];
                let name = names.get(other as usize).copied().unwrap_or("curve or surface");
                return Err(format!("it holds a {name}, but an area is a Polygon or MultiPolygon"));
            }
        }
        Ok(())
    }

    fn rings(&mut self, little: bool, numbers: usize) -> Result<Vec<Vec<[f64; 2]>>, String> {
        let mut rings = Vec::new();
        for _ in 0..self.count(little)? {
            let mut ring = Vec::new();
            for _ in 0..self.count(little)? {
                let mut corner = [0.0; 4];
                for number in &mut corner[..numbers] {
                    *number =
                        self.take().map(if little { f64::from_le_bytes } else { f64::from_be_bytes })?;
                }
                ring.push([corner[0], corner[1]]);
            }
            rings.push(ring);
        }
        Ok(rings)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// A triangle, as a polygon of this kind.
    fn triangle(kind: u32, little: bool, numbers: usize) -> Vec<u8> {
        let count = |n: u32| if little { n.to_le_bytes() } else { n.to_be_bytes() };
        let mut bytes = vec![u8::from(little)];
        [kind, 1, 3].iter().for_each(|n| bytes.extend(count(*n)));
        for corner in [[0.0, 1.0], [5.0, 1.5], [3.0, 9.0]] {
            for number in (0..numbers).map(|i| corner.get(i).copied().unwrap_or(77.0f64)) {
                bytes.extend(if little { number.to_le_bytes() } else { number.to_be_bytes() });
            }
        }
        bytes
    }

    #[test]
    fn polygons_come_back_in_either_byte_order_and_with_heights() {
        for (kind, numbers) in [(3, 2), (1003, 3), (2003, 3), (3003, 4)] {
            for little in [false, true] {
                let mut found = Polygons::new();
                add(&triangle(kind, little, numbers), &mut found).unwrap();
                assert_eq!(found, [[[[0.0, 1.0], [5.0, 1.5], [3.0, 9.0]]]]);
            }
        }
        let mut both = [&[1u8][..], &6u32.to_le_bytes(), &2u32.to_le_bytes()].concat();
        both.extend(triangle(3, true, 2));
        both.extend(triangle(3, false, 2));
        let mut found = Polygons::new();
        add(&both, &mut found).unwrap();
        assert_eq!(found.len(), 2);
        let line = [&[1u8][..], &2u32.to_le_bytes()].concat();
        assert!(add(&line, &mut found).unwrap_err().contains("a LineString"));
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_or_refused(mut bytes in proptest::collection::vec(any::<u8>(), 0..60), kind in 0u32..8) {
            let _ = add(&bytes, &mut Polygons::new());
            if bytes.len() > 5 {
                bytes[0] = 1;
                bytes[1..5].copy_from_slice(&kind.to_le_bytes());
                let _ = add(&bytes, &mut Polygons::new());
            }
        }
    }
}
