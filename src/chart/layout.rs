//! Where things lie on a chart: bands from the top, windows along the line, isolated lines, dashes, fiducials,
//! patches and the code.
//!
//! Lines are isolated: one dark row among white ones, which one facet drew. The gaps between them are
//! random, so that no regular error of a scanner looks like a facet. In each window a line has a block of dashes, whose
//! edges tell the place along it, and solid parts on both sides of it, which tell the place across.

use crate::error::{ChartError, refuse};
use crate::spec::Spec;
use core::cmp::Ordering;
use core::ops::Range;
use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};

/// Width in m of the border that holds fiducials.
pub(crate) const BORDER: f64 = 6e-3;
/// Side in m of a fiducial.
pub(crate) const FIDUCIAL: f64 = 3e-3;
/// Height in m of the band with words.
pub(crate) const WORDS: f64 = 14e-3;
/// Height in m of the band with patches and code.
const PATCHES: f64 = 6e-3;
/// Side in m of a patch, and from patch to patch.
const PATCH: f64 = 4e-3;
const PATCH_STEP: f64 = 5e-3;
/// Tints of patches, in eighths of the dots.
pub(crate) const TINTS: u32 = 8;
/// Width in m of a bit of the code, its height, and the number of bits.
const BIT: f64 = 1.5e-3;
const BITS: u32 = 32;

/// Half of a window in m, and where its dashes end, from its middle.
pub(crate) const WINDOW: f64 = 5e-3;
pub(crate) const DASHES: f64 = 2.5e-3;

/// Shortest dash and gap in m.
const MIN_DASH: f64 = 0.25e-3;

/// Least white in m between isolated lines that lie where they should.
const MIN_GAP: f64 = 0.3e-3;
/// Least rows from line to line, and so many sizes of gap.
const MIN_ROWS: u32 = 5;
const GAPS: u32 = 6;

/// Least lines of each facet.
pub(crate) const MIN_LINES: usize = 4;

/// Fiducials along each border, as shares from corner to corner: no turn or reflection of the whole is the same.
const ALONG_TOP: [f64; 3] = [0.21, 0.48, 0.69];
const ALONG_BOTTOM: [f64; 3] = [0.38, 0.60, 0.87];
const ALONG_LEFT: [f64; 2] = [0.40, 0.66];
const ALONG_RIGHT: [f64; 2] = [0.30, 0.74];

/// A dash of a line: dots from where it begins up to where it ends.
pub(crate) type Dash = Range<u32>;

/// An isolated line.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct IsolatedLine {
    /// Its row in the image.
    pub row: u32,
    /// The facet that draws it.
    pub facet: u32,
    /// The dashes of each place, in their order.
    pub dashes: Vec<Vec<Dash>>,
}

/// A square or a patch, in m: left, top, width, height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Area {
    pub x: f64,
    pub y: f64,
    pub width: f64,
    pub height: f64,
}

impl Area {
    fn square(x: f64, y: f64, side: f64) -> Area {
        Area { x: x - side / 2.0, y: y - side / 2.0, width: side, height: side }
    }

    pub(crate) fn middle(&self) -> [f64; 2] {
        [self.x + self.width / 2.0, self.y + self.height / 2.0]
    }
}

/// Where everything lies. Places are in m from the first dot and the top of the first line.
#[derive(Clone, Debug)]
pub struct Layout {
    pub(crate) spec: Spec,
    /// Places along the line in dots: the middles of the windows.
    pub(crate) places: Vec<u32>,
    pub(crate) lines: Vec<IsolatedLine>,
    pub(crate) fiducials: Vec<Area>,
    /// Patches with 1 to 8 eighths of their dots on.
    pub(crate) patches: Vec<Area>,
    /// The bits of the code, the most significant first.
    pub(crate) bits: Vec<Area>,
    /// Top of the band with words.
    pub(crate) words: f64,
    /// The rows of the lines, from the first to behind the last.
    pub(crate) rows: Range<f64>,
    /// The strip for a ruler.
    pub(crate) ruler: Range<f64>,
}

impl Layout {
    /// Lays a chart out.
    pub fn new(spec: &Spec) -> Result<Layout, ChartError> {
        check(spec)?;
        let (length, height) = (spec.length(), spec.height());
        let words = BORDER;
        let patches = words + WORDS;
        let rows = patches + PATCHES..height - BORDER - spec.ruler_space;
        let inset = BORDER + 1e-3;
        let least = 2.0 * inset + PATCH_STEP * f64::from(TINTS) + BIT * f64::from(BITS) + 4e-3;
        if length < least {
            return refuse!(
                "a line of {:.1} mm has no room for a chart, which takes {:.0} mm: take a larger sheet, or plan a longer \
                 line",
                length * 1e3,
                least * 1e3
            );
        }
        let span = length - 2.0 * (inset + WINDOW);
        let room = (span / (2.0 * WINDOW)).floor() as u32 + 1;
        if !(3..=room).contains(&spec.places) {
            return refuse!(
                "a line of {:.1} mm has room for 3 to {room} places with marks, not {}",
                length * 1e3,
                spec.places
            );
        }
        // As far from one end as from the other, so that what all lines share has the same uncertainty at both.
        let place = |k: u32| {
            let other = spec.places - 1 - k;
            let x = inset + WINDOW + span * f64::from(k.min(other)) / f64::from(spec.places - 1);
            let dot = (x / spec.in_scan_pitch).round() as u32;
            match k.cmp(&other) {
                Ordering::Less => dot,
                Ordering::Equal => spec.dots / 2,
                Ordering::Greater => spec.dots - dot,
            }
        };
        let places: Vec<u32> = (0..spec.places).map(place).collect();
        let middle = patches + PATCHES / 2.0 - 0.5e-3;
        let patch =
            |k: u32| Area::square(inset + PATCH / 2.0 + PATCH_STEP * f64::from(k), middle, PATCH);
        let bit = |k: u32| Area {
            x: length - inset - BIT * f64::from(BITS - k),
            y: middle - PATCH / 2.0,
            width: BIT,
            height: PATCH,
        };
        let mut layout = Layout {
            spec: spec.clone(),
            lines: Vec::new(),
            fiducials: fiducials(length, height),
            patches: (0..TINTS).map(patch).collect(),
            bits: (0..BITS).map(bit).collect(),
            words,
            ruler: rows.end..rows.end + spec.ruler_space,
            rows,
            places,
        };
        layout.lines = layout.isolated_lines();
        let [fewest, _] = layout.fewest_and_most();
        if fewest < MIN_LINES {
            return refuse!(
                "there is room for {} isolated lines only, {fewest} of one of the {} facets where at least \
                 {MIN_LINES} are needed: take a larger sheet, less room for a ruler, or a finer resolution",
                layout.lines.len(),
                spec.facets
            );
        }
        Ok(layout)
    }

    fn lines_of(&self, facet: u32) -> usize {
        self.lines.iter().filter(|line| line.facet == facet).count()
    }

    /// What the chart is made for.
    pub fn spec(&self) -> &Spec {
        &self.spec
    }

    /// How many isolated lines it has.
    pub fn line_count(&self) -> usize {
        self.lines.len()
    }

    /// Fewest and most isolated lines of a facet.
    pub fn fewest_and_most(&self) -> [usize; 2] {
        let counts = (0..self.spec.facets).map(|facet| self.lines_of(facet));
        counts.fold([usize::MAX, 0], |[low, high], count| [low.min(count), high.max(count)])
    }

    /// Places of marks as shares of the planned length from the middle of the line.
    pub fn shares(&self) -> Vec<f64> {
        let dots = f64::from(self.spec.dots);
        self.places.iter().map(|dot| f64::from(*dot) / dots - 0.5).collect()
    }

    /// Rows from line to line: the fewest.
    pub(crate) fn min_rows(&self) -> u32 {
        let white = MIN_GAP + 2.0 * self.spec.reach;
        MIN_ROWS.max((white / self.spec.cross_scan_pitch).ceil() as u32)
    }

    /// Lines at random gaps; those whose facets have few lines yet are more likely.
    fn isolated_lines(&self) -> Vec<IsolatedLine> {
        let spec = &self.spec;
        let mut random = Pcg64::from_seed(self.spec.digest());
        let pitch = spec.cross_scan_pitch;
        let last = (self.rows.end / pitch).floor() as u32;
        let mut row = (self.rows.start / pitch).ceil() as u32 + self.min_rows();
        let mut counts = vec![0_u32; spec.facets as usize];
        let mut lines = Vec::new();
        while row + self.min_rows() <= last {
            let facet = spec.facet(row);
            if let Some(count) = counts.get_mut(facet as usize) {
                *count += 1;
            }
            let dashes = self.places.iter().map(|dot| self.dashes(*dot, &mut random)).collect();
            lines.push(IsolatedLine { row, facet, dashes });
            let count = |gap: u32| {
                let facet = spec.facet(row + self.min_rows() + gap);
                counts.get(facet as usize).copied().unwrap_or(0)
            };
            let fewest = (0..GAPS).map(count).min().unwrap_or(0);
            let weight = |gap: u32| 60 / (1 + count(gap) - fewest).pow(2).min(60);
            let mut at = random.next_u32() % (0..GAPS).map(weight).sum::<u32>().max(1);
            let mut gap = 0;
            while gap + 1 < GAPS && at >= weight(gap) {
                at -= weight(gap);
                gap += 1;
            }
            row += self.min_rows() + gap;
        }
        lines
    }

    /// Dashes of the block around a place: gaps and dashes of random lengths, a gap at both ends.
    fn dashes(&self, place: u32, random: &mut Pcg64) -> Vec<Dash> {
        let dots = |length: f64| (length / self.spec.in_scan_pitch).round() as u32;
        let shortest = ((MIN_DASH / self.spec.in_scan_pitch).ceil() as u32).max(3);
        let mut length = || shortest + random.next_u32() % (shortest + 1);
        let half = dots(DASHES);
        let (mut at, end) = (place.saturating_sub(half), place + half);
        let mut dashes = Vec::new();
        loop {
            let from = at + length();
            let to = from + length();
            // What is left is the last gap.
            if to + shortest > end {
                return dashes;
            }
            dashes.push(from..to);
            at = to;
        }
    }

    /// The dots between which the block of dashes around a place lies.
    pub(crate) fn block(&self, place: u32) -> Range<u32> {
        let half = (DASHES / self.spec.in_scan_pitch).round() as u32;
        place.saturating_sub(half)..place + half
    }
}

fn fiducials(length: f64, height: f64) -> Vec<Area> {
    let (near, far_x, far_y) = (BORDER / 2.0, length - BORDER / 2.0, height - BORDER / 2.0);
    let x = |share: f64| near + share * (far_x - near);
    let y = |share: f64| near + share * (far_y - near);
    let mut middles = vec![[near, near], [far_x, near], [near, far_y], [far_x, far_y]];
    middles.extend(ALONG_TOP.map(|share| [x(share), near]));
    middles.extend(ALONG_BOTTOM.map(|share| [x(share), far_y]));
    middles.extend(ALONG_LEFT.map(|share| [near, y(share)]));
    middles.extend(ALONG_RIGHT.map(|share| [far_x, y(share)]));
    middles.into_iter().map(|[x, y]| Area::square(x, y, FIDUCIAL)).collect()
}

/// Refuses numbers that make no chart.
fn check(spec: &Spec) -> Result<(), ChartError> {
    let pitches = [spec.in_scan_pitch, spec.cross_scan_pitch];
    if pitches.iter().any(|pitch| !(1e-6..=0.2e-3).contains(pitch)) {
        return refuse!(
            "dots and lines of a chart lie 1 µm to 0.2 mm apart (127 dpi): plan a finer resolution"
        );
    }
    if spec.facets == 0 || spec.facets > 1000 {
        return refuse!("a polygon has 1 to 1000 facets, not {}", spec.facets);
    }
    if !(0.0..=1e-3).contains(&spec.reach) || !(0.0..=0.1).contains(&spec.ruler_space) {
        return refuse!("lines reach up to 1 mm off their place, and a ruler takes up to 100 mm");
    }
    // Positions are computed in f64 and lie far below what this leaves.
    if !(1e-3..=2.0).contains(&spec.length()) || !(1e-3..=2.0).contains(&spec.height()) {
        return refuse!("a chart measures up to 2 m");
    }
    Ok(())
}

#[cfg(test)]
pub(crate) mod tests {
    use super::{Layout, Spec};

    pub(crate) fn spec() -> Spec {
        Spec {
            model: "invented head".into(),
            serial: "X-1".into(),
            facets: 10,
            first_facet: 0,
            speed: 502.654_824_574,
            dots: 4500,
            lines: 3100,
            in_scan_pitch: 25.4e-3 / 600.0,
            cross_scan_pitch: 25.4e-3 / 600.0,
            places: 5,
            reach: 60e-6,
            ruler_space: 16e-3,
            trims: "none".into(),
            date: "2026-01-02".into(),
        }
    }

    #[test]
    fn every_facet_has_about_as_many_lines_at_random_gaps() {
        for facets in [1, 2, 6, 10, 12, 36] {
            let layout = Layout::new(&Spec { facets, lines: 4500, ..spec() }).unwrap();
            let mean = layout.lines.len() as f64 / f64::from(facets);
            let counts: Vec<usize> = (0..facets).map(|facet| layout.lines_of(facet)).collect();
            for count in &counts {
                assert!((*count as f64 - mean).abs() <= 4.0 + 0.1 * mean, "{facets}: {counts:?}");
            }
            let gaps: Vec<u32> =
                layout.lines.windows(2).map(|pair| pair[1].row - pair[0].row).collect();
            let least = layout.min_rows();
            assert!(gaps.iter().all(|gap| (least..least + 6).contains(gap)));
            assert!((0..6).all(|k| gaps.contains(&(least + k))), "{facets}");
        }
    }

    #[test]
    fn dashes_lie_inside_their_blocks_and_differ_from_line_to_line() {
        let layout = Layout::new(&spec()).unwrap();
        for line in &layout.lines {
            for (place, dashes) in layout.places.iter().zip(&line.dashes) {
                let block = layout.block(*place);
                assert!(dashes.len() >= 5);
                assert!(dashes[0].start > block.start && dashes.last().unwrap().end < block.end);
                assert!(dashes.windows(2).all(|pair| pair[0].end + 6 <= pair[1].start));
            }
        }
        assert_ne!(layout.lines[0].dashes, layout.lines[1].dashes);
        assert_ne!(layout.lines[0].dashes[0], layout.lines[0].dashes[1]);
    }

    #[test]
    fn no_turn_or_reflection_of_the_fiducials_is_the_same() {
        let layout = Layout::new(&spec()).unwrap();
        let (length, height) = (layout.spec.length(), layout.spec.height());
        let places: Vec<[f64; 2]> = layout.fiducials.iter().map(|area| area.middle()).collect();
        for turned in 1..4 {
            let same = places.iter().filter(|[x, y]| {
                let [x, y] = [
                    if turned & 1 == 1 { length - x } else { *x },
                    if turned & 2 == 2 { height - y } else { *y },
                ];
                places.iter().any(|[a, b]| (a - x).abs() < 2e-3 && (b - y).abs() < 2e-3)
            });
            assert_eq!(same.count(), 4, "{turned}: the corners only");
        }
    }

    #[test]
    fn what_has_no_room_is_refused_with_the_way_out() {
        let cases = [
            (Spec { dots: 2000, ..spec() }, "plan a longer line"),
            (Spec { places: 2, ..spec() }, "3 to"),
            (Spec { places: 99, ..spec() }, "3 to"),
            (Spec { lines: 1000, ..spec() }, "a larger sheet"),
            (Spec { facets: 200, ..spec() }, "a larger sheet"),
            (Spec { facets: 0, ..spec() }, "1 to 1000 facets"),
            (Spec { in_scan_pitch: f64::NAN, ..spec() }, "finer resolution"),
            (Spec { reach: 1.0, ..spec() }, "up to 1 mm"),
        ];
        for (spec, says) in cases {
            let error = Layout::new(&spec).unwrap_err().to_string();
            assert!(error.contains(says), "{error}");
        }
    }
}
