//! Small plots of characters: points over time with units on both axes, and bars.

use spintrue_head::{Dimension, UnitText, show_number, show_quantity, suited_unit};

/// Rows that points are drawn on.
const ROWS: usize = 10;

/// Columns of the numbers beside the plot.
const MARGIN: usize = 11;

/// What is drawn over time.
pub(super) struct Series<'a> {
    /// Head time in s, and the value in SI.
    pub points: &'a [(f64, f64)],
    /// What is drawn.
    pub dimension: Dimension,
    /// The unit that it is drawn in; a fitting one without.
    pub unit: Option<&'a UnitText>,
    /// A moment worth a mark, and what it is.
    pub mark: Option<(f64, &'a str)>,
}

/// Draws points over time, at most `width` columns wide; nothing where there are none.
pub(super) fn plot(series: &Series<'_>, columns: usize) -> Vec<String> {
    let finite = series.points.iter().filter(|(time, value)| time.is_finite() && value.is_finite());
    let points: Vec<(f64, f64)> = finite.copied().collect();
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return Vec::new() };
    let (begin, end) = (first.0, last.0);
    let values = points.iter().map(|(_, value)| *value);
    let low = values.clone().fold(f64::INFINITY, f64::min);
    let high = values.fold(f64::NEG_INFINITY, f64::max);
    let chosen = suited_unit(low.abs().max(high.abs()), series.dimension);
    let unit = series.unit.or(chosen.as_ref());
    let counted = |value: f64| unit.map_or(value, |unit| unit.from_si(value));
    let (low, high) = roomy(counted(low), counted(high));
    let width = columns.saturating_sub(MARGIN + 3).clamp(10, 100);
    let column = |time: f64| scaled(time, begin, end, width);
    let mut rows = vec![vec![' '; width]; ROWS];
    let marked = series.mark.filter(|(time, _)| (begin..=end).contains(time));
    if let Some((time, _)) = marked {
        for row in &mut rows {
            if let Some(cell) = row.get_mut(column(time)) {
                *cell = ':';
            }
        }
    }
    for (time, value) in &points {
        let row = ROWS - 1 - scaled(counted(*value), low, high, ROWS);
        if let Some(cell) = rows.get_mut(row).and_then(|row| row.get_mut(column(*time))) {
            *cell = '*';
        }
    }
    let digits = digits_of(high - low);
    let name = unit.map_or(String::new(), |unit| unit.text.clone());
    let mut lines = vec![format!("{name:>MARGIN$}")];
    for (index, row) in rows.iter().enumerate() {
        let share = (ROWS - 1 - index) as f64 / (ROWS - 1) as f64;
        let label = match index {
            0 | 4 | 9 => show_number(low + share * (high - low), Some(digits)),
            _ => String::new(),
        };
        let drawn: String = row.iter().collect();
        lines.push(format!("{label:>MARGIN$} |{}", drawn.trim_end()));
    }
    let time = |at: f64| show_quantity(at, Dimension::TIME, None, Some(2));
    lines.push(format!("{:>MARGIN$} +{}", "", "-".repeat(width)));
    let (left, right) = (time(begin), format!("{} of head time", time(end)));
    let gap = width.saturating_sub(left.chars().count() + right.chars().count()).max(1);
    lines.push(format!("{:>MARGIN$}  {left}{}{right}", "", " ".repeat(gap)));
    if let Some((at, what)) = marked {
        lines.push(format!("{:>MARGIN$}  : {what} at {}", "", time(at)));
    }
    lines
}

/// A bar from the middle, to the left for what is negative.
pub(super) fn bar(value: f64, most: f64, columns: usize) -> String {
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

fn scaled(value: f64, low: f64, high: f64, cells: usize) -> usize {
    let share = if high > low { (value - low) / (high - low) } else { 0.5 };
    ((share * (cells - 1) as f64).round().max(0.0) as usize).min(cells - 1)
}

/// Ends that differ, also where all values are the same.
fn roomy(low: f64, high: f64) -> (f64, f64) {
    let least = (low.abs().max(high.abs()) * 1e-3).max(1e-12);
    if high - low >= least { (low, high) } else { (low - least, high + least) }
}

/// Digits behind the point that tell three parts of a span apart.
fn digits_of(span: f64) -> u8 {
    let digits = 1.0 - span.abs().max(f64::MIN_POSITIVE).log10().floor();
    digits.clamp(0.0, 6.0) as u8
}

#[cfg(test)]
mod tests {
    use super::{Series, bar, plot};
    use spintrue_head::Dimension;

    #[test]
    fn points_stand_where_they_belong() {
        let points: Vec<(f64, f64)> =
            (0..50).map(|i| (f64::from(i) * 0.1, f64::from(i) * 10.0)).collect();
        let series = Series {
            points: &points,
            dimension: Dimension::ROTATION,
            unit: None,
            mark: Some((2.5, "lock")),
        };
        let lines = plot(&series, 60);
        assert!(lines.iter().all(|line| line.chars().count() <= 80), "{lines:#?}");
        assert!(lines[0].contains("rpm"));
        assert!(lines[1].trim_end().ends_with('*'), "{lines:#?}");
        assert!(lines[10].contains("|*"), "{lines:#?}");
        assert!(lines.last().is_some_and(|line| line.contains("lock at 2.50 s")));
    }

    #[test]
    fn nothing_and_a_single_value_are_drawn_too() {
        let of = |points| Series { points, dimension: Dimension::TIME, unit: None, mark: None };
        assert!(plot(&of(&[]), 80).is_empty());
        assert!(plot(&of(&[(1.0, f64::NAN)]), 80).is_empty());
        assert!(plot(&of(&[(1.0, 2.0)]), 80).iter().any(|line| line.contains('*')));
    }

    #[test]
    fn bars_grow_from_the_middle() {
        assert_eq!(bar(1.0, 2.0, 8), "    |==  ");
        assert_eq!(bar(-2.0, 2.0, 8), "====|    ");
        assert_eq!(bar(0.0, 0.0, 8), "    |    ");
    }
}
