//! The plots of a report. Each is left out where the run has no data for it; each has the limits of the check
//! that was decided on what it shows.

mod banding;
mod curves;
mod facets;

use crate::paper::plot::{Across, Axis, Plot, Shape, ends};
use crate::paper::series::Series;
use crate::paper::typeset;
use crate::record::checks::CheckRow;
use crate::record::data::Record;
use crate::record::html::limits::{Column, End, Limits, Statistic, limits_of};
use maud::{Markup, html};
use spintrue_head::{UnitText, show_number};
use spintrue_language::{Outcome, PlotSort, decimal_places};

/// All plots that the run has data for; first those of what does not conform.
pub(super) fn plots(record: &Record) -> Vec<Markup> {
    let mut plots = facets::facets(record);
    plots.extend(banding::spectra(record));
    let recorded = record.recorded.items.iter();
    let drawn = recorded.flat_map(|recorded| {
        let plot = recorded.plot.as_ref();
        let all = plot.map_or(Vec::new(), |of| Series::all(&recorded.label, &recorded.shown, of));
        all.into_iter().map(|series| (recorded.label.as_str(), series))
    });
    let checks = &record.checks.items;
    let drawn = drawn.take(MAX_SERIES);
    plots.extend(drawn.map(|(label, series)| series_plot(label, &series, checks)));
    plots.extend(facets::rounds(record));
    plots.extend(curves::curves(record));
    plots.sort_by_key(|plot| plot.conforms);
    plots.into_iter().map(|plot| plot.markup).collect()
}

/// A drawn plot, or two beside each other.
struct Drawing {
    /// No check on what it shows speaks against the head.
    conforms: bool,
    markup: Markup,
}

impl Drawing {
    fn new(asked: &[Asked<'_>], markup: Markup) -> Drawing {
        Drawing { conforms: asked.iter().all(Asked::conforms), markup }
    }

    /// The last one, with what was before.
    fn beside(before: Option<Drawing>, last: Drawing) -> Drawing {
        let Some(before) = before else { return last };
        let markup = html! { div.pair { (before.markup) (last.markup) } };
        Drawing { conforms: last.conforms, markup }
    }
}

/// Most plots of recorded lists.
const MAX_SERIES: usize = 40;

/// Most points of one.
const MAX_POINTS: usize = 2_000;

/// What a check asks of what a plot shows.
struct Asked<'a> {
    limits: Limits<'a>,
    /// The smallest and the largest place along, and the middle of all, in SI.
    x: [f64; 3],
    /// The middle of the range and the mean of the values in SI.
    y: [f64; 2],
}

impl<'a> Asked<'a> {
    /// Of the check that counts, if there is one: the first that does not conform, else the first.
    fn of(checks: &'a [CheckRow], column: &Column<'_>) -> Vec<Asked<'a>> {
        let all = Asked::all(checks, column).into_iter();
        all.min_by_key(Asked::conforms).into_iter().collect()
    }

    fn conforms(&self) -> bool {
        self.limits.check.outcome == Outcome::Conforms
    }

    /// Of every check that was decided on a statistic of it.
    fn all(checks: &'a [CheckRow], column: &Column<'_>) -> Vec<Asked<'a>> {
        let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
        let (first, last) = ends(column.x.iter().copied());
        let (low, high) = ends(column.y.iter().copied());
        let x = [first, last, mean(column.x)];
        let y = [f64::midpoint(low, high), mean(column.y)];
        limits_of(checks, column).into_iter().map(|limits| Asked { limits, x, y }).collect()
    }

    /// Has a spread lie around these values, where others are drawn than it was decided on.
    fn lie_around(&mut self, values: impl Iterator<Item = f64>) {
        let (low, high) = ends(values);
        self.y[0] = f64::midpoint(low, high);
    }

    /// Where each limit begins and ends in the plot, in SI; its name and how it is drawn.
    fn lines(&self) -> Vec<([f64; 2], &'static str, &'static str)> {
        let Limits { statistic, low, high, .. } = self.limits;
        let [first, last, middle] = self.x;
        let [centre, mean] = self.y;
        let level = |end: f64| match statistic {
            Statistic::Largest | Statistic::Mean => [end; 2],
            Statistic::Spread => [centre + end / 2.0; 2],
            Statistic::Deviation => [mean + end; 2],
            Statistic::Slope => [first, last].map(|x| mean + end * (x - middle)),
        };
        let [limit, accept] = match statistic {
            Statistic::Deviation => ["σ limit", "σ accept"],
            _ => ["limit", "accept"],
        };
        let both = |end: End| {
            let accept = (end.accepted != end.at).then(|| (level(end.accepted), accept, "accept"));
            [Some((level(end.at), limit, "limit")), accept]
        };
        // These have two sides.
        let has_sides = matches!(statistic, Statistic::Spread | Statistic::Deviation);
        let other = high.filter(|_| has_sides);
        let other = other.map(|end| End { at: -end.at, accepted: -end.accepted });
        [low.or(other), high].into_iter().flatten().flat_map(both).flatten().collect()
    }

    /// All places upwards that the plot must reach, in SI.
    fn levels(&self) -> impl Iterator<Item = f64> {
        self.lines().into_iter().flat_map(|(ends, ..)| ends)
    }

    fn drawn(
        all: &[Asked<'_>],
        plot: &Plot,
        unit: Option<&UnitText>,
        x_unit: Option<&UnitText>,
    ) -> Markup {
        let is_sloped = |asked: &&Asked<'_>| asked.limits.statistic == Statistic::Slope;
        let sloped = all.iter().filter(is_sloped).flat_map(|asked| {
            let ends = [asked.x[0], asked.x[1]].map(|x| counted(x_unit, x));
            let lines = asked.lines().into_iter();
            lines.map(move |(ys, _, class)| (ends.into_iter().zip(ys), class))
        });
        let level = all.iter().filter(|asked| !is_sloped(asked)).flat_map(Asked::lines);
        let level =
            level.map(|([at, _], name, class)| Across { at: counted(unit, at), name, class });
        html! {
            @for (points, class) in sloped {
                (plot.line(points.map(|(x, y)| (x, counted(unit, y))), class))
            }
            (plot.across(level.collect()))
        }
    }

    /// Which check it is, with its numbers.
    fn told(&self) -> String {
        let Limits { check, statistic, .. } = &self.limits;
        let of = match statistic {
            Statistic::Largest => "largest magnitude",
            Statistic::Spread => "spread",
            Statistic::Mean => "mean",
            Statistic::Deviation => "standard deviation",
            Statistic::Slope => "slope",
        };
        typeset::text(&format!(
            " Check \u{201c}{}\u{201d} ({of}): {}.",
            check.label,
            check.message()
        ))
        .into_owned()
    }
}

fn counted(unit: Option<&UnitText>, si: f64) -> f64 {
    unit.map_or(si, |unit| unit.from_si(si))
}

/// A number that counts a unit, as people read it.
fn quantity_text(counted: f64, unit: Option<&UnitText>) -> String {
    let number = show_number(counted, Some(decimal_places(counted, 3)));
    let number = typeset::text(&number).into_owned();
    match unit {
        Some(unit) if !unit.text.is_empty() => format!("{number} {}", typeset::unit(&unit.text)),
        _ => number,
    }
}

/// A recorded list as the script wants it drawn.
fn series_plot(label: &str, series: &Series, checks: &[CheckRow]) -> Drawing {
    let Series { points, names, limits, step, .. } = series;
    let is_bar = matches!(series.sort, PlotSort::Bars | PlotSort::Histogram);
    let is_count = series.sort == PlotSort::Histogram;
    let places: Vec<f64> = points.iter().map(|(x, _)| series.x.si(*x)).collect();
    let values: Vec<f64> = points.iter().map(|(_, y)| series.y.si(*y)).collect();
    let column = Column {
        name: &series.field,
        x: &places,
        y: &values,
        x_dimension: series.x.dimension(),
        y_dimension: series.y.dimension(),
    };
    let has_own = limits.iter().any(Option::is_some);
    let asked = if has_own || is_count { Vec::new() } else { Asked::of(checks, &column) };
    let levels: Vec<f64> =
        asked.iter().flat_map(Asked::levels).map(|si| series.y.counted(si)).collect();
    let half = step / 2.0;
    let beside = |at: &f64| if is_bar { vec![at - half, at + half] } else { vec![*at] };
    let limits_x = limits.iter().flatten().filter(|_| is_count).copied();
    let x =
        Axis::around(points.iter().flat_map(|(x, _)| beside(x)).chain(limits_x), series.x.set());
    let y = Axis::around(series.heights().chain(levels), series.y.set());
    let (least, most) = ends(points.iter().map(|(_, y)| *y));
    let count = points.len();
    let [least, most] = [least, most].map(|value| quantity_text(value, series.y.unit()));
    let what = if is_count { "steps" } else { "values" };
    let summary = format!("{count} {what}, from {least} to {most}.");
    let title = if series.field == label {
        label.to_string()
    } else {
        format!("{label}: {}", series.y.name())
    };
    let plot = Plot::small(title, &summary, x, y);
    let thinned = count.div_ceil(MAX_POINTS).max(1);
    let shown = || points.iter().copied().step_by(thinned);
    let named = ["low", "high"].into_iter().zip(limits);
    let named: Vec<(&'static str, f64)> =
        named.filter_map(|(name, limit)| Some((name, (*limit)?))).collect();
    let marks = html! {
        @if is_bar {
            (plot.bars(shown(), step * 0.8))
        } @else if series.sort == PlotSort::Line {
            (plot.line(shown(), "one"))
        }
        @if !is_bar && (count <= 60 || series.sort == PlotSort::Points) {
            (plot.marks(shown(), Shape::Point))
        }
        (Asked::drawn(&asked, &plot, series.y.unit(), series.x.unit()))
        @if is_count {
            @for (name, limit) in &named { (plot.upright(*limit, name, *name == "low")) }
        } @else {
            (plot.across(named.iter().map(|(name, at)| Across { at: *at, name, class: "limit" }).collect()))
        }
    };
    let caption = html! {
        @if asked.is_empty() { (summary) }
        @for asked in &asked { (asked.told()) }
        @if !names.is_empty() {
            " In order: " (names.iter().take(40).map(String::as_str).collect::<Vec<_>>().join(", "))
            @if names.len() > 40 { ", …" } "."
        }
        @if thinned > 1 { " Thinned out to one value in " (thinned) "; its table has them all." }
    };
    Drawing::new(&asked, plot.drawn(marks, caption))
}
