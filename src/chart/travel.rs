//! Where lines lie along: the edges of their dashes against how the scanner moved, which all lines share.
//!
//! The edges of all lines in a window, at random places, meet the same rows of pixels. A smooth curve over
//! pixels, with knots of 0.1 mm, is what the scanner's motion adds; it is solved for together with the shift of each
//! facet and the growth of its dashes, so that it is subtracted where an edge really lies.

use crate::solve::{Curve, Normal, Sample, facet_columns, facet_effects, median};
use crate::window::{Edge, Seen};
use nalgebra::DVector;

/// Knots of the curve over pixels: so many of them over the block of dashes.
const PARTS: f64 = 50.0;

/// Least pixels from knot to knot.
const MIN_STEP: f64 = 2.0;

/// Share of the dashes at either end where the curve is not trusted.
const MARGIN: f64 = 0.08;

/// Medians of deviations beyond which an edge is left out.
const MAX_DEVIATION: f64 = 6.0;

/// Where lines lie along in a window, and how the scanner moved there.
pub(crate) struct Travel {
    pub samples: Vec<Sample>,
    model: Model,
    of: DVector<f64>,
    pixels: [f64; 2],
}

impl Travel {
    /// How far in m the facets together seem off at a pixel along and a place across; none outside of the dashes and
    /// near their ends, where few edges hold the curve.
    pub(crate) fn off(&self, pixel: f64, y: f64) -> Option<f64> {
        let margin = MARGIN * (self.pixels[1] - self.pixels[0]);
        let (low, high) = (self.pixels[0] + margin, self.pixels[1] - margin);
        let row = (low..=high).contains(&pixel).then(|| self.model.common(pixel, y))?;
        Some(row.iter().map(|(k, v)| v * self.of.get(*k).copied().unwrap_or(0.0)).sum())
    }
}

/// Where each line lies along; none where there are too few edges.
pub(crate) fn in_scan(seen: &[Seen], facets: usize) -> Option<Travel> {
    let edges = || seen.iter().flat_map(|line| line.edges.iter().map(move |edge| (line, edge)));
    let (low, high) = edges().fold((f64::MAX, f64::MIN), |(low, high), (_, edge)| {
        (edge.pixel.min(low), edge.pixel.max(high))
    });
    let (first, last) = seen
        .iter()
        .fold((f64::MAX, f64::MIN), |(low, high), line| (line.y.min(low), line.y.max(high)));
    let model = Model {
        curve: Curve::new(low, high, ((high - low) / PARTS).max(MIN_STEP)),
        facets,
        middle: (first + last) / 2.0,
        half: (last - first) / 2.0,
    };
    let mut limit = f64::INFINITY;
    let mut fitted = None;
    for _ in 0..3 {
        let mut normal = Normal::new(model.columns());
        for (line, edge) in edges() {
            let known = fitted.as_ref().map(|of| edge.off - model.value(of, line, edge, true));
            if known.is_none_or(|rest: f64| rest.abs() < limit) && edge.off.is_finite() {
                normal.add(&model.row(line, edge), edge.off);
            }
        }
        if normal.count < 2 * model.columns() {
            return None;
        }
        let (of, _) = normal.solve()?;
        let rests =
            edges().map(|(line, edge)| (edge.off - model.value(&of, line, edge, true)).abs());
        limit = MAX_DEVIATION * median(rests.collect());
        fitted = Some(of);
    }
    let of = fitted?;
    let sample = |line: &Seen| {
        let own: Vec<f64> = line
            .edges
            .iter()
            .filter(|edge| (edge.off - model.value(&of, line, edge, true)).abs() < limit)
            .map(|edge| edge.off - model.value(&of, line, edge, false))
            .collect();
        // Half of its edges at least.
        let enough = 2 * own.len() > line.edges.len();
        let value = own.iter().sum::<f64>() / own.len() as f64;
        enough.then_some(Sample { y: line.y, facet: line.facet, value })
    };
    let samples = seen.iter().filter_map(sample).collect();
    Some(Travel { samples, pixels: [low, high], of, model })
}

/// What an edge's place is made of.
struct Model {
    curve: Curve,
    facets: usize,
    middle: f64,
    half: f64,
}

impl Model {
    /// The curve, what grows across the sheet, shifts of facets, and growth of dashes.
    fn columns(&self) -> usize {
        self.curve.columns + 2 + (self.facets - 1) + self.facets
    }

    fn row(&self, line: &Seen, edge: &Edge) -> Vec<(usize, f64)> {
        let mut row = self.common(edge.pixel, line.y);
        let first = self.curve.columns;
        facet_columns(&mut row, first + 2, self.facets, line.facet, 1.0);
        row.push((first + 2 + self.facets - 1 + line.facet, edge.side));
        row
    }

    /// What all facets share.
    fn common(&self, pixel: f64, y: f64) -> Vec<(usize, f64)> {
        let mut row = self.curve.row(pixel, 0).to_vec();
        let across = (y - self.middle) / self.half;
        row.push((self.curve.columns, across));
        row.push((self.curve.columns + 1, across * across - 1.0 / 3.0));
        row
    }

    /// What the model makes of an edge; its facet's shift is left out on demand.
    fn value(&self, of: &DVector<f64>, line: &Seen, edge: &Edge, all: bool) -> f64 {
        let row = self.row(line, edge);
        let made: f64 = row.iter().map(|(k, v)| v * of.get(*k).copied().unwrap_or(0.0)).sum();
        let shifts = facet_effects(of, self.curve.columns + 2, self.facets);
        let own = shifts.get(line.facet).copied().unwrap_or(0.0);
        if all { made } else { made - own }
    }
}
