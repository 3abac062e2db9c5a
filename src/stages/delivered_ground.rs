//! Ground as the files classify it, on the tiles of one cloud: `ground: {from: classes}`.

use std::rc::Rc;

use crate::cloud::bounds::widened;
use crate::raster::{Extent, Raster};
use crate::stages::ground::{Ground, LOOKED_AROUND};
use crate::stages::ground_limits::{KeepOrigin, SurveyGround};
use crate::stages::stage::{LowestOf, SurfaceNeed, TileStage, Visitor};
use crate::tile::at_work::Tile;
use crate::tile::points::{Cloud, PointSet, PointStatus};

/// The stage at work on one cloud.
pub struct DeliveredGround {
    /// The options.
    pub options: Ground,
    /// The cloud it applies to.
    pub cloud: Cloud,
    /// Where later stages want the surface of the ground.
    pub keep_origin: KeepOrigin,
}

/// The surface over the whole tile, for its other parts.
struct FilledOnce(Option<Rc<Raster>>);

impl DeliveredGround {
    /// The surface over the whole tile and its halo.
    fn filled(&self, tile: &Tile<'_>, surface: Raster) -> Raster {
        let margin = tile.halo.of(self.cloud);
        let (x, y) = (widened(tile.whole.0, margin), widened(tile.whole.1, margin));
        let asked = Extent::covering(surface.extent.cell, x, y, 0);
        self.options.filled(surface, &asked)
    }
}

impl TileStage for DeliveredGround {
    fn surface(&self) -> Option<SurfaceNeed> {
        (self.keep_origin != KeepOrigin::Never).then(|| SurfaceNeed {
            cloud: self.cloud,
            of: LowestOf::GroundClass,
            cell: self.options.cell.exact_micrometres(),
            margin: self.options.fill_margin() + LOOKED_AROUND,
        })
    }

    fn visitor<'a>(&'a self, tile: &mut Tile<'_>, surface: Option<Raster>) -> Option<Box<dyn Visitor + 'a>> {
        let mut ground = None;
        if self.keep_origin.in_tile(tile) {
            let known = tile.shared_by_parts.take::<FilledOnce>().and_then(|FilledOnce(known)| known);
            ground = known.or_else(|| surface.map(|surface| Rc::new(self.filled(tile, surface))));
            tile.shared_by_parts.put(FilledOnce(ground.clone()));
        }
        Some(Box::new(ClassVisitor { cloud: self.cloud, ground }))
    }
}

struct ClassVisitor {
    cloud: Cloud,
    ground: Option<Rc<Raster>>,
}

impl Visitor for ClassVisitor {
    fn visit(&mut self, cloud: Cloud, piece: &mut PointSet) {
        if cloud != self.cloud {
            return;
        }
        for (point, status) in piece.points.iter().zip(&mut piece.statuses) {
            if *status == PointStatus::Ground && !point.is_ground_class() {
                *status = PointStatus::OtherClass;
            }
        }
    }

    fn finish(self: Box<Self>, tile: &mut Tile<'_>) {
        if let Some(ground) = self.ground {
            tile.shared.put(SurveyGround::Delivered(ground));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cloud::point::Point;

    #[test]
    fn class_2_of_its_cloud_is_ground_and_other_classes_are_counted_as_such() {
        let mut piece = PointSet::default();
        for class in [2, 1, 7, 9, 2, 18, 6] {
            piece.add(Point { class, ..Point::default() });
        }
        let mut visitor = ClassVisitor { cloud: Cloud::Survey, ground: None };
        visitor.visit(Cloud::Reference, &mut piece);
        assert_eq!(piece.ground().count(), 5);
        visitor.visit(Cloud::Survey, &mut piece);
        let (ground, other, noise) = (PointStatus::Ground, PointStatus::OtherClass, PointStatus::Noise);
        assert_eq!(piece.statuses, [ground, other, noise, other, ground, noise, other]);
    }
}
