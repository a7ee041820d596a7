//! Bars that lie: a row for each, with its name and its number. And one row of bars that stand.

use crate::paper::plot::Axis;
use crate::terminal::columns::cut;
use crate::terminal::plot::{Charset, Curve};
use spintrue_head::show_number;
use spintrue_language::{PlotSort, decimal_places};

/// Columns of the names of bars at most.
const MAX_NAME: usize = 24;

/// Rows that bars of the same axes take.
pub(super) fn rows(curves: &[&Curve]) -> usize {
    curves.iter().map(|curve| curve.series.points.len()).sum()
}

/// What the bars number `at` are drawn with.
pub(super) fn sign(at: usize, charset: Charset) -> char {
    let signs =
        if charset == Charset::Ascii { ['#', '=', '-', '.'] } else { ['█', '▒', '░', '▪'] };
    signs.get(at % signs.len()).copied().unwrap_or('#')
}

/// A row for each bar, from zero; `|` stands at limits.
pub(super) fn bars(curves: &[&Curve], columns: usize, charset: Charset) -> Vec<String> {
    let name = |curve: &Curve, x: f64| {
        let half = curve.series.step / 2.0;
        // A named bar stands at the number of its row.
        let named = curve.series.names.get(x as usize).cloned();
        named.unwrap_or_else(|| match curve.series.sort {
            PlotSort::Histogram => {
                let digits = Some(decimal_places(half, 2).min(9));
                format!("{} .. {}", show_number(x - half, digits), show_number(x + half, digits))
            }
            _ => show_number(x, None),
        })
    };
    let mut drawn = Vec::new();
    let count = curves.iter().map(|curve| curve.series.points.len()).max().unwrap_or(0);
    for at in 0..count {
        for (number, curve) in curves.iter().enumerate() {
            let Some((x, y)) = curve.series.points.get(at) else { continue };
            // Bars beside each other have one name.
            let name = if number == 0 { name(curve, *x) } else { String::new() };
            drawn.push((cut(&name, MAX_NAME), *y, number));
        }
    }
    let left = drawn.iter().map(|(name, ..)| name.chars().count()).max().unwrap_or(0);
    let right = drawn.iter().map(|(_, y, _)| show_number(*y, None).len()).max().unwrap_or(0);
    let room = columns.saturating_sub(left + right + 4).max(10);
    let scale = Axis::within(curves.iter().flat_map(|curve| curve.series.heights()), 1, false);
    let place = |y: f64| ((scale.share(y) * (room - 1) as f64).round() as usize).min(room - 1);
    let limits: Vec<f64> = curves
        .iter()
        .filter(|curve| curve.series.sort != PlotSort::Histogram)
        .flat_map(|curve| curve.series.limits.into_iter().flatten())
        .collect();
    let row = |(name, y, number): &(String, f64, usize)| {
        let (from, to) = (place(y.min(0.0)), place(y.max(0.0)));
        let mut line = vec![' '; room];
        // A zero has no length.
        let length = if *y == 0.0 { 0 } else { to + 1 - from };
        line.iter_mut().skip(from).take(length).for_each(|c| *c = sign(*number, charset));
        for limit in &limits {
            if let Some(c) = line.get_mut(place(*limit)) {
                *c = '|';
            }
        }
        let line: String = line.into_iter().collect();
        format!("  {name:>left$} {line} {:>right$}", show_number(*y, None))
    };
    drawn.iter().map(row).collect()
}

/// A bar from the middle, to the left for what is negative.
pub(crate) fn bar(value: f64, most: f64, columns: usize) -> String {
    let half = columns / 2;
    let share = if most > 0.0 && value.is_finite() { (value / most).clamp(-1.0, 1.0) } else { 0.0 };
    let length = (share.abs() * half as f64).round() as usize;
    let (left, right) = if share < 0.0 { (length, 0) } else { (0, length) };
    format!(
        "{}{}|{}{}",
        " ".repeat(half - left),
        "=".repeat(left),
        "=".repeat(right),
        " ".repeat(half - right)
    )
}

/// The newest of some values in one row of characters, between their smallest and their largest.
pub(crate) fn spark(values: &[f64], columns: usize, charset: Charset) -> String {
    let levels: &[char] = match charset {
        Charset::Ascii => &['_', '.', '-', '=', '^'],
        Charset::Braille => &['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'],
    };
    let newest = values.get(values.len().saturating_sub(columns)..).unwrap_or(values);
    let scale = Axis::within(newest.iter().copied(), 1, false);
    let level = |value: &f64| {
        let at = (scale.share(*value) * (levels.len() - 1) as f64).round() as usize;
        if value.is_finite() { levels.get(at).copied().unwrap_or(' ') } else { ' ' }
    };
    newest.iter().map(level).collect()
}

#[cfg(test)]
mod tests {
    use super::{bar, spark};
    use crate::terminal::plot::Charset;

    #[test]
    fn bars_grow_from_the_middle() {
        assert_eq!(bar(1.0, 2.0, 8), "    |==  ");
        assert_eq!(bar(-2.0, 2.0, 8), "====|    ");
        assert_eq!(bar(0.0, 0.0, 8), "    |    ");
    }

    #[test]
    fn a_row_shows_the_newest_values() {
        assert_eq!(spark(&[9.0, 0.0, 1.0, 2.0, f64::NAN], 4, Charset::Ascii), "_-^ ");
        assert_eq!(spark(&[0.0, 7.0], 8, Charset::Braille), "▁█");
    }
}
