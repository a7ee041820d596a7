//! Plots of recorded lists in a terminal. Uses paper.

use crate::paper::series::Series;
use crate::terminal::columns;
use spintrue_head::show_number;
use spintrue_language::{PlotOf, PlotSort, Shown};

/// A recorded list as the script wants it drawn, the first number over what lies along; none where there is
/// nothing to draw.
pub(crate) fn plot_text(label: &str, shown: &Shown, plot: Option<&PlotOf>) -> Option<String> {
    Some(drawn(Series::all(label, shown, plot?).first()?, columns()))
}

/// Most rows of a plot in a terminal.
const MAX_ROWS: usize = 60;

/// A plot as text: a row for each value, its bar or point beside it, `|` at the limits.
fn drawn(series: &Series, columns: usize) -> String {
    let is_bar = matches!(series.sort, PlotSort::Bars | PlotSort::Histogram);
    let texts = |value: f64| show_number(value, None);
    let rows: Vec<(String, f64)> = series
        .points
        .iter()
        .enumerate()
        .take(MAX_ROWS)
        .map(|(at, (x, y))| (series.names.get(at).cloned().unwrap_or_else(|| texts(*x)), *y))
        .collect();
    let left = rows.iter().map(|(name, _)| name.chars().count()).max().unwrap_or(0).min(24);
    let right = rows.iter().map(|(_, y)| texts(*y).len()).max().unwrap_or(0);
    let room = columns.saturating_sub(left + right + 6).clamp(10, 60);
    let low = series.heights().fold(f64::INFINITY, f64::min);
    let high = series.heights().fold(f64::NEG_INFINITY, f64::max);
    let span = if high > low { high - low } else { 1.0 };
    let place = |y: f64| (((y - low) / span) * (room - 1) as f64).round() as usize;
    let mut text = format!("  {} over {}\n", series.y, series.x);
    for (name, y) in &rows {
        let mut line = vec![' '; room];
        let limits = series.limits.iter().flatten().filter(|_| series.sort != PlotSort::Histogram);
        let (from, to) = if is_bar {
            (place(*y).min(place(0.0)), place(*y).max(place(0.0)))
        } else {
            (place(*y), place(*y))
        };
        let mark = if is_bar { '#' } else { '*' };
        line.iter_mut().take(to + 1).skip(from).for_each(|c| *c = mark);
        for limit in limits {
            if let Some(c) = line.get_mut(place(*limit)) {
                *c = '|';
            }
        }
        let name: String = name.chars().take(left).collect();
        let line: String = line.into_iter().collect();
        text.push_str(&format!("  {name:>left$} {line} {:>right$}\n", texts(*y)));
    }
    if series.points.len() > MAX_ROWS {
        text.push_str(&format!("  and {} more\n", series.points.len() - MAX_ROWS));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::{Series, drawn};
    use spintrue_language::{PlotOf, PlotSort, Shown};

    #[test]
    fn marks_lie_by_their_values_and_limits_at_theirs() {
        let value = |value: f64| Shown::Quantity {
            value: value * 1e-6,
            unit: "m".to_string(),
            asked: None,
            text: String::new(),
        };
        let rows = Shown::List(vec![value(1.0), value(3.0), value(2.0)]);
        let plot = PlotOf { sort: PlotSort::Line, low: None, high: Some(4e-6) };
        let text = drawn(&Series::all("bow", &rows, &plot)[0], 40);
        let marks: Vec<usize> = text.lines().skip(1).map(|line| line.find('*').unwrap()).collect();
        assert!(marks[0] < marks[2] && marks[2] < marks[1], "{text}");
        assert_eq!(text.matches('|').count(), 3, "{text}");
        assert!(text.starts_with("  bow in um over element\n"), "{text}");
        let bars = PlotOf { sort: PlotSort::Bars, low: None, high: None };
        let text = drawn(&Series::all("bow", &rows, &bars)[0], 40);
        let lengths: Vec<usize> =
            text.lines().skip(1).map(|line| line.matches('#').count()).collect();
        assert!(lengths[1] > lengths[2] && lengths[2] > lengths[0], "{text}");
    }
}
