//! What a plot of a recorded list shows: from values to points, bars and limits, for the page and for the
//! terminal.

use crate::paper::plot::ends;
use crate::paper::table::{common_unit, head};
use crate::paper::typeset;
use spintrue_head::{Dimension, UnitText, parse_unit, suited_unit};
use spintrue_language::{PlotOf, PlotSort, Shown};
use std::sync::Arc;

/// Most bars of a histogram.
const MAX_BINS: usize = 40;

/// A recorded list in the units of its axes.
pub(crate) struct Series {
    /// How it is drawn.
    pub sort: PlotSort,
    /// The field that lies upwards, as the script names it.
    pub field: String,
    /// What lies along.
    pub x: Words,
    /// What lies upwards.
    pub y: Words,
    /// Places and values.
    pub points: Vec<(f64, f64)>,
    /// The names of bars; empty where they stand at numbers.
    pub names: Vec<String>,
    /// The lower and the upper limit.
    pub limits: [Option<f64>; 2],
    /// How wide a bar is.
    pub step: f64,
}

/// The words of an axis: its name and its unit, if it has one.
#[derive(Clone, Debug)]
pub(crate) struct Words {
    name: String,
    unit: Option<UnitText>,
}

impl Words {
    /// As a page has them.
    pub(crate) fn set(&self) -> String {
        self.with(typeset::unit)
    }

    fn with(&self, text: impl Fn(&str) -> String) -> String {
        match &self.unit {
            Some(unit) if !unit.text.is_empty() => format!("{} in {}", self.name, text(&unit.text)),
            _ => self.name.clone(),
        }
    }

    /// Without the unit.
    pub(crate) fn name(&self) -> &str {
        &self.name
    }

    /// What the numbers on the axis count.
    pub(crate) fn unit(&self) -> Option<&UnitText> {
        self.unit.as_ref()
    }

    /// Of the numbers on the axis.
    pub(crate) fn dimension(&self) -> Dimension {
        self.unit.as_ref().map_or(Dimension::NUMBER, |unit| unit.dimension)
    }

    /// A number of SI on the axis.
    pub(crate) fn counted(&self, si: f64) -> f64 {
        self.unit.as_ref().map_or(si, |unit| unit.from_si(si))
    }

    /// A number of the axis in SI.
    pub(crate) fn si(&self, counted: f64) -> f64 {
        self.unit.as_ref().map_or(counted, |unit| unit.to_si(counted))
    }
}

impl std::fmt::Display for Words {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.with(str::to_string))
    }
}

type Fields = [(Arc<str>, Shown)];

impl Series {
    /// What is drawn of a recorded value: each number behind the first field over that field. None where
    /// there is nothing to draw.
    pub(crate) fn all(label: &str, shown: &Shown, plot: &PlotOf) -> Vec<Series> {
        let Shown::List(items) = shown else { return Vec::new() };
        let (along, upwards) = match items.first() {
            Some(Shown::Record(_)) => {
                let rows = items.iter().filter_map(|item| match item {
                    Shown::Record(fields) => Some(fields.as_slice()),
                    _ => None,
                });
                columns(&rows.collect::<Vec<&Fields>>(), plot.sort)
            }
            Some(Shown::Quantity { .. }) => {
                (None, vec![Column::new(label, items.iter().collect())])
            }
            _ => (None, Vec::new()),
        };
        // The script's limits are of the second field.
        let limited = upwards.first().map(|first| first.words.dimension());
        let drawn = upwards.iter().filter_map(|y| {
            let limits = [plot.low, plot.high].map(|limit| {
                let limit = limit.filter(|_| limited == Some(y.words.dimension()))?;
                Some(y.words.counted(limit))
            });
            Series::over(along.as_ref(), y, plot.sort, limits)
        });
        drawn.collect()
    }

    fn over(
        along: Option<&Column<'_>>,
        y: &Column<'_>,
        sort: PlotSort,
        limits: [Option<f64>; 2],
    ) -> Option<Series> {
        if sort == PlotSort::Histogram {
            return histogram(y, limits);
        }
        let names = along.map_or(Vec::new(), Column::names);
        let values = y.values();
        let places = match along.filter(|_| names.is_empty()) {
            Some(along) => along.values(),
            None => (0..values.len()).map(|at| at as f64).collect(),
        };
        let points = places.into_iter().zip(values).filter(|(x, y)| x.is_finite() && y.is_finite());
        let points: Vec<(f64, f64)> = points.collect();
        let order = || Words { name: "element".to_string(), unit: None };
        let x = along.map_or_else(order, |along| along.words.clone());
        let step = width(&points);
        let (field, y) = (y.field.to_string(), y.words.clone());
        (!points.is_empty()).then_some(Series { sort, field, x, y, points, names, limits, step })
    }

    /// Values in SI over head time in s; in the unit asked for, else in one that suits the largest. None without
    /// two points at different times.
    pub(crate) fn over_time(
        name: &str,
        points: &[(f64, f64)],
        dimension: Dimension,
        asked: Option<&UnitText>,
    ) -> Option<Series> {
        let points = points.iter().copied().filter(|(time, si)| time.is_finite() && si.is_finite());
        let points: Vec<(f64, f64)> = points.collect();
        if points.last()?.0 <= points.first()?.0 {
            return None;
        }
        let second = parse_unit("s").ok();
        let x = Words { name: "head time".to_string(), unit: second };
        let y = Words { name: name.to_string(), unit: None };
        let (limits, names, field) = ([None; 2], Vec::new(), name.to_string());
        let mut series =
            Series { sort: PlotSort::Line, field, x, y, points, names, limits, step: 1.0 };
        series.y.unit = parse_unit(&dimension.si()).ok();
        let suited = || suited_unit(series.most(), dimension);
        let unit = asked.cloned().or_else(suited);
        series.count_in(unit.as_ref());
        Some(series)
    }

    /// Gives what was drawn another name than its words on a page.
    pub(crate) fn rename(&mut self, name: &str) {
        let words = if self.sort == PlotSort::Histogram { &mut self.x } else { &mut self.y };
        words.name = name.to_string();
    }

    /// The largest magnitude in SI.
    pub(crate) fn most(&self) -> f64 {
        self.points.iter().map(|point| self.y.si(point.1).abs()).fold(0.0, f64::max)
    }

    /// Counts what lies upwards in another unit of the same dimension.
    pub(crate) fn count_in(&mut self, unit: Option<&UnitText>) {
        let new = Words { name: self.y.name.clone(), unit: unit.cloned() };
        let old = std::mem::replace(&mut self.y, new);
        let counted = |value: f64| self.y.counted(old.si(value));
        self.points.iter_mut().for_each(|point| point.1 = counted(point.1));
        self.limits = self.limits.map(|limit| limit.map(counted));
    }

    /// The smallest and the largest place of all, limits included, and of bars their foot.
    pub(crate) fn heights(&self) -> impl Iterator<Item = f64> {
        let foot = matches!(self.sort, PlotSort::Bars | PlotSort::Histogram).then_some(0.0);
        let limits = self.limits.iter().flatten().copied();
        let limits = limits.filter(|_| self.sort != PlotSort::Histogram);
        self.points.iter().map(|point| point.1).chain(limits).chain(foot)
    }
}

/// The narrowest distance between two places.
fn width(points: &[(f64, f64)]) -> f64 {
    let mut places: Vec<f64> = points.iter().map(|point| point.0).collect();
    places.sort_by(f64::total_cmp);
    let gaps = places.iter().zip(places.iter().skip(1)).map(|(a, b)| b - a);
    let least = gaps.filter(|gap| *gap > 0.0).fold(f64::INFINITY, f64::min);
    if least.is_finite() { least } else { 1.0 }
}

/// A column of a list.
struct Column<'a> {
    field: &'a str,
    words: Words,
    cells: Vec<&'a Shown>,
}

impl<'a> Column<'a> {
    fn new(field: &'a str, cells: Vec<&'a Shown>) -> Column<'a> {
        let unit = common_unit(cells.iter().copied()).map(|(_, unit)| unit);
        Column { field, words: Words { name: head(field), unit }, cells }
    }

    fn is_number(&self) -> bool {
        matches!(self.cells.first(), Some(Shown::Quantity { .. }))
    }

    fn values(&self) -> Vec<f64> {
        let value = |cell: &&Shown| match cell {
            Shown::Quantity { value, .. } => self.words.counted(*value),
            _ => f64::NAN,
        };
        self.cells.iter().map(value).collect()
    }

    /// What the cells say, where they are no numbers.
    fn names(&self) -> Vec<String> {
        if self.is_number() {
            return Vec::new();
        }
        self.cells.iter().map(|cell| cell.to_string()).collect()
    }
}

/// What lies along, if anything but the order does, and what upwards.
fn columns<'a>(rows: &[&'a Fields], sort: PlotSort) -> (Option<Column<'a>>, Vec<Column<'a>>) {
    let fields = rows.first().map_or(&[][..], |row| row).iter().enumerate();
    let mut columns = fields.map(|(at, (name, _))| {
        let cells = rows.iter().filter_map(|row| row.get(at).map(|(_, shown)| shown));
        Column::new(name, cells.collect())
    });
    let Some(first) = columns.next() else { return (None, Vec::new()) };
    if sort == PlotSort::Bars && !first.is_number() {
        return (Some(first), columns.filter(Column::is_number).collect());
    }
    let mut numbers = std::iter::once(first).chain(columns).filter(Column::is_number);
    let x = numbers.next();
    match sort {
        PlotSort::Histogram => (None, x.into_iter().collect()),
        _ => (x, numbers.collect()),
    }
}

/// How many values fall into equal steps, as many as the root of their number (common practice, no source).
fn histogram(of: &Column<'_>, limits: [Option<f64>; 2]) -> Option<Series> {
    let values: Vec<f64> = of.values().into_iter().filter(|value| value.is_finite()).collect();
    let (low, high) = ends(values.iter().copied());
    let bins = ((values.len() as f64).sqrt().ceil() as usize).clamp(1, MAX_BINS);
    let step = if high > low { (high - low) / bins as f64 } else { 1.0 };
    let mut counts = vec![0_u32; bins];
    for value in &values {
        let place = (((value - low) / step) as usize).min(bins - 1);
        if let Some(count) = counts.get_mut(place) {
            *count += 1;
        }
    }
    let points = counts.iter().enumerate();
    let points = points.map(|(at, count)| (low + (at as f64 + 0.5) * step, f64::from(*count)));
    let (sort, names) = (PlotSort::Histogram, Vec::new());
    let (x, y) = (of.words.clone(), Words { name: "values".to_string(), unit: None });
    let (points, field): (Vec<(f64, f64)>, _) = (points.collect(), of.field.to_string());
    (!values.is_empty()).then_some(Series { sort, field, x, y, points, names, limits, step })
}

#[cfg(test)]
mod tests {
    use super::Series;
    use spintrue_language::{PlotOf, PlotSort, Shown};
    use std::sync::Arc;

    fn length(value: f64) -> Shown {
        Shown::Quantity { value, unit: "m".to_string(), asked: None, text: String::new() }
    }

    fn row(at: f64, height: f64) -> Shown {
        Shown::Record(vec![(Arc::from("at"), length(at)), (Arc::from("height"), length(height))])
    }

    #[test]
    fn the_second_field_lies_over_the_first() {
        let rows = Shown::List(vec![row(0.0, 1e-6), row(0.1, 3e-6), row(0.3, 2e-6)]);
        let plot = PlotOf { sort: PlotSort::Line, low: None, high: Some(4e-6) };
        let series = &Series::all("bow", &rows, &plot)[0];
        assert_eq!(
            (series.x.to_string(), series.y.set()),
            ("at in mm".into(), "height in µm".into())
        );
        assert!(
            series
                .points
                .iter()
                .zip([(0.0, 1.0), (100.0, 3.0), (300.0, 2.0)])
                .all(|(a, b)| { (a.0 - b.0).abs() < 1e-9 && (a.1 - b.1).abs() < 1e-9 })
        );
    }

    #[test]
    fn a_histogram_counts() {
        let values =
            Shown::List([1.0, 1.1, 1.2, 3.9, 4.0, 1.0, 2.0, 2.5, 3.0].map(length).to_vec());
        let plot = PlotOf { sort: PlotSort::Histogram, low: None, high: None };
        let series = &Series::all("x", &values, &plot)[0];
        // Nine values make three steps from 1 to 4: by hand.
        let counts: Vec<f64> = series.points.iter().map(|point| point.1).collect();
        assert_eq!(counts, [4.0, 2.0, 3.0]);
    }
}
