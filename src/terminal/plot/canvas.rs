//! Curves in a frame with an axis on either side, of Braille or ASCII characters.

use crate::paper::plot::Axis;
use crate::terminal::plot::{Charset, Curve, Mark};
use spintrue_language::PlotSort;

/// The dots of a Braille character from the top, left and right (ISO/IEC 10646, block U+2800, from memory).
const DOTS: [[u32; 2]; 4] = [[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]];

/// What later curves of one frame are drawn with; the first one has dots.
const GLYPHS: [char; 4] = ['o', 'x', '+', '#'];

/// Columns of a curve that a tick along takes at least.
const TICK_COLUMNS: usize = 12;

/// Rows beside those that a frame is drawn in: its axis, and the numbers along.
const AROUND: usize = 2;

/// What a character of the frame shows.
#[derive(Clone, Copy)]
enum Cell {
    Empty,
    /// Below all curves.
    Line(char),
    Dots(u32),
    Glyph(char),
}

/// A frame of characters, each of several dots.
struct Canvas {
    cells: Vec<Vec<Cell>>,
    /// Dots of a character along and upwards.
    fine: (usize, usize),
    x: Axis,
    y: Axis,
}

/// What the curve number `at` is drawn with, for a legend.
pub(super) fn sign(at: usize, charset: Charset) -> char {
    let first = if charset == Charset::Ascii { '*' } else { '⠒' };
    at.checked_sub(1).and_then(|at| GLYPHS.get(at % GLYPHS.len())).copied().unwrap_or(first)
}

/// Curves of the same axes in `rows` lines, at most `columns` wide.
pub(super) fn frame(
    curves: &[&Curve],
    mark: Option<&Mark>,
    (columns, rows): (usize, usize),
    charset: Charset,
) -> Vec<String> {
    let rows = rows.saturating_sub(AROUND).max(3);
    let series = || curves.iter().map(|curve| &curve.series);
    let upwards = |ticks| Axis::within(series().flat_map(|one| one.heights()), ticks, false);
    // Two ticks at least tell the scale.
    let ticks = (rows / 2).clamp(2, 8);
    let y = (ticks..ticks + 4).map(upwards).find(|y| y.ticks().count() > 1);
    let y = y.unwrap_or_else(|| upwards(ticks));
    let ticks: Vec<(f64, String)> = y.ticks().map(|tick| (tick, y.text(tick))).collect();
    let left = ticks.iter().map(|(_, text)| text.chars().count()).max().unwrap_or(0);
    let width = columns.saturating_sub(left + 3).max(10);
    let places = series().flat_map(|one| one.points.iter().map(|point| point.0));
    let is_whole = series().all(|one| one.points.iter().all(|point| point.0.fract() == 0.0));
    let x = Axis::within(places, width / TICK_COLUMNS, is_whole);
    let fine = if charset == Charset::Ascii { (1, 1) } else { (2, 4) };
    let mut canvas = Canvas { cells: vec![vec![Cell::Empty; width]; rows], fine, x, y };
    canvas.lines(curves, mark, charset);
    for (at, curve) in curves.iter().enumerate() {
        canvas.curve(curve, (at > 0).then(|| sign(at, charset)));
    }
    let [upright, corner, floor, tick_mark] = charset.axes();
    let row_of = |tick: &f64| canvas.row(*tick) / canvas.fine.1;
    let mut lines = Vec::new();
    for (at, row) in canvas.cells.iter().enumerate() {
        let tick = ticks.iter().find(|(tick, _)| row_of(tick) == at);
        let label = tick.map_or("", |(_, text)| text.as_str());
        let drawn: String = row.iter().map(|cell| shown(*cell, charset)).collect();
        let fill = " ".repeat(left - label.chars().count());
        lines.push(format!(" {fill}{label} {upright}{}", drawn.trim_end()));
    }
    let (mut axis, mut numbers) = (vec![floor; width], String::new());
    for tick in canvas.x.ticks() {
        let (at, text) = (canvas.column(tick) / canvas.fine.0, canvas.x.text(tick));
        let length = text.chars().count();
        let start = at.saturating_sub(length / 2).min(width.saturating_sub(length));
        if let Some(cell) = axis.get_mut(at) {
            *cell = tick_mark;
        }
        let taken = numbers.chars().count();
        if taken == 0 || start > taken {
            numbers.push_str(&format!("{}{text}", " ".repeat(start - taken)));
        }
    }
    let margin = " ".repeat(left + 2);
    lines.push(format!("{margin}{corner}{}", axis.iter().collect::<String>()));
    lines.push(format!("{margin} {numbers}"));
    lines.iter().map(|line| charset.text(line)).collect()
}

fn shown(cell: Cell, charset: Charset) -> char {
    match cell {
        Cell::Empty => ' ',
        Cell::Line(glyph) | Cell::Glyph(glyph) => glyph,
        Cell::Dots(_) if charset == Charset::Ascii => '*',
        Cell::Dots(dots) => char::from_u32(0x2800 + dots).unwrap_or('*'),
    }
}

impl Canvas {
    /// The dot from the left.
    fn column(&self, x: f64) -> usize {
        let dots = self.cells.first().map_or(0, Vec::len) * self.fine.0;
        place(self.x.share(x), dots)
    }

    /// The dot from the top.
    fn row(&self, y: f64) -> usize {
        place(1.0 - self.y.share(y), self.cells.len() * self.fine.1)
    }

    /// Zero, limits and the mark, below all curves.
    fn lines(&mut self, curves: &[&Curve], mark: Option<&Mark>, charset: Charset) {
        let [across, zero, upright] = charset.lines();
        // The limits of a histogram lie along.
        let upwards = curves.iter().filter(|curve| curve.series.sort != PlotSort::Histogram);
        let limits = upwards.flat_map(|curve| curve.series.limits).flatten();
        let lines: Vec<(f64, char)> =
            std::iter::once((0.0, zero)).chain(limits.map(|limit| (limit, across))).collect();
        for (y, glyph) in lines {
            let at = self.row(y) / self.fine.1;
            let inside = (0.0..=1.0).contains(&self.y.share(y));
            if let Some(row) = self.cells.get_mut(at).filter(|_| inside) {
                row.iter_mut().for_each(|cell| *cell = Cell::Line(glyph));
            }
        }
        if let Some(mark) = mark.filter(|mark| (0.0..=1.0).contains(&self.x.share(mark.at))) {
            let at = self.column(mark.at) / self.fine.0;
            let cells = self.cells.iter_mut().filter_map(|row| row.get_mut(at));
            cells.for_each(|cell| *cell = Cell::Line(upright));
        }
    }

    fn dot(&mut self, x: usize, y: usize, glyph: Option<char>) {
        let (fine_x, fine_y) = self.fine;
        let bits = DOTS.get(y % fine_y).and_then(|row| row.get(x % fine_x)).copied().unwrap_or(1);
        let cell = self.cells.get_mut(y / fine_y).and_then(|row| row.get_mut(x / fine_x));
        if let Some(cell) = cell {
            *cell = match (*cell, glyph) {
                (_, Some(glyph)) => Cell::Glyph(glyph),
                (Cell::Dots(dots), None) => Cell::Dots(dots | bits),
                (_, None) => Cell::Dots(bits),
            };
        }
    }

    /// Points, or a line through them; through the ends of bars as well, which are too many to lie.
    fn curve(&mut self, curve: &Curve, glyph: Option<char>) {
        let mut last = None;
        for (x, y) in &curve.series.points {
            let here = (self.column(*x), self.row(*y));
            let from = last.filter(|_| curve.series.sort != PlotSort::Points).unwrap_or(here);
            self.stroke(from, here, glyph);
            last = Some(here);
        }
    }

    /// A straight line of dots.
    fn stroke(&mut self, from: (usize, usize), to: (usize, usize), glyph: Option<char>) {
        let steps = from.0.abs_diff(to.0).max(from.1.abs_diff(to.1)).max(1);
        let between = |a: usize, b: usize, at: usize| {
            (a as f64 + (b as f64 - a as f64) * at as f64 / steps as f64).round() as usize
        };
        for at in 0..=steps {
            self.dot(between(from.0, to.0, at), between(from.1, to.1, at), glyph);
        }
    }
}

/// The nearest of `dots` to a share of them.
fn place(share: f64, dots: usize) -> usize {
    let last = dots.saturating_sub(1);
    // What is no number lies at the beginning.
    ((share * last as f64).round().max(0.0) as usize).min(last)
}
