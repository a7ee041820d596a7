//! The plots of a report. Each is left out where the run has no data for it; each has the limits of the check
//! that was decided on what it shows.

mod banding;
mod facets;

use crate::paper::plot::{Across, Axis, Plot, Shape};
use crate::paper::series::Series;
use crate::paper::typeset;
use crate::record::checks::CheckRow;
use crate::record::curve::StatusPoint;
use crate::record::data::Record;
use crate::record::html::limits::{Column, End, Limits, Statistic, limits_of};
use maud::{Markup, html};
use spintrue_head::{UnitText, show_number};
use spintrue_language::{Outcome, PlotSort};
use std::f64::consts::PI;

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
    plots.extend(speed(record));
    plots.extend(temperature(record));
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
    fn new(asked: Option<&Asked<'_>>, markup: Markup) -> Drawing {
        let conforms = asked.is_none_or(|asked| asked.limits.check.outcome == Outcome::Conforms);
        Drawing { conforms, markup }
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
    fn of(checks: &'a [CheckRow], column: &Column<'_>) -> Option<Asked<'a>> {
        let limits = limits_of(checks, column)?;
        let ends = |values: &[f64]| {
            let low = values.iter().copied().fold(f64::INFINITY, f64::min);
            [low, values.iter().copied().fold(f64::NEG_INFINITY, f64::max)]
        };
        let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
        let ([first, last], [low, high]) = (ends(column.x), ends(column.y));
        let x = [first, last, mean(column.x)];
        Some(Asked { limits, x, y: [f64::midpoint(low, high), mean(column.y)] })
    }

    /// Has a spread lie around these values, where others are drawn than it was decided on.
    fn lie_around(&mut self, values: impl Iterator<Item = f64>) {
        let ends = (f64::INFINITY, f64::NEG_INFINITY);
        let (low, high) = values.fold(ends, |(low, high), y| (low.min(y), high.max(y)));
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
            Statistic::Slope => [first, last].map(|x| mean + end * (x - middle)),
        };
        let both = |end: End| {
            let accept =
                (end.accepted != end.at).then(|| (level(end.accepted), "accept", "accept"));
            [Some((level(end.at), "limit", "limit")), accept]
        };
        // A spread has two sides.
        let other = high.filter(|_| statistic == Statistic::Spread);
        let other = other.map(|end| End { at: -end.at, accepted: -end.accepted });
        [low.or(other), high].into_iter().flatten().flat_map(both).flatten().collect()
    }

    /// All places upwards that the plot must reach, in SI.
    fn levels(&self) -> impl Iterator<Item = f64> {
        self.lines().into_iter().flat_map(|(ends, ..)| ends)
    }

    fn drawn(&self, plot: &Plot, unit: Option<&UnitText>, x_unit: Option<&UnitText>) -> Markup {
        let ends = [self.x[0], self.x[1]].map(|x| counted(x_unit, x));
        let is_sloped = self.limits.statistic == Statistic::Slope;
        let lines = self.lines();
        let lines =
            lines.iter().map(|(ys, name, class)| (ys.map(|y| counted(unit, y)), *name, *class));
        let level = |([at, _], name, class): ([f64; 2], _, _)| Across { at, name, class };
        html! {
            @if is_sloped {
                @for (ys, _, class) in lines { (plot.line(ends.into_iter().zip(ys), class)) }
            } @else {
                (plot.across(lines.map(level).collect()))
            }
        }
    }

    /// Which check it is, with its numbers.
    fn told(&self) -> String {
        let Limits { check, statistic, .. } = &self.limits;
        let of = match statistic {
            Statistic::Largest => "largest magnitude",
            Statistic::Spread => "spread",
            Statistic::Mean => "mean",
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

fn named(name: &str, unit: Option<&UnitText>) -> String {
    match unit {
        Some(unit) if !unit.text.is_empty() => format!("{name} in {}", typeset::unit(&unit.text)),
        _ => name.to_string(),
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
    let asked = if has_own || is_count { None } else { Asked::of(checks, &column) };
    let levels: Vec<f64> =
        asked.iter().flat_map(Asked::levels).map(|si| series.y.counted(si)).collect();
    let ends = |at: f64| [at - step / 2.0, at + step / 2.0].into_iter();
    let beside = |at: &f64| if is_bar { ends(*at).collect() } else { vec![*at] };
    let limits_x = limits.iter().flatten().filter(|_| is_count).copied();
    let x =
        Axis::around(points.iter().flat_map(|(x, _)| beside(x)).chain(limits_x), series.x.set());
    let y = Axis::around(series.heights().chain(levels), series.y.set());
    let most = points.iter().map(|point| point.1).fold(f64::NEG_INFINITY, f64::max);
    let least = points.iter().map(|point| point.1).fold(f64::INFINITY, f64::min);
    let count = points.len();
    let summary = format!(
        "{count} {}, from {} to {} ({}).",
        if is_count { "steps" } else { "values" },
        show_number(least, None),
        show_number(most, None),
        series.y.set()
    );
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
        @if let Some(asked) = &asked { (asked.drawn(&plot, series.y.unit(), series.x.unit())) }
        @if is_count {
            @for (name, limit) in &named { (plot.upright(*limit, name, *name == "low")) }
        } @else {
            (plot.across(named.iter().map(|(name, at)| Across { at: *at, name, class: "limit" }).collect()))
        }
    };
    let caption = html! {
        (summary)
        @if let Some(asked) = &asked { (asked.told()) }
        @if !names.is_empty() {
            " In order: " (names.iter().take(40).map(String::as_str).collect::<Vec<_>>().join(", "))
            @if names.len() > 40 { ", …" } "."
        }
        @if thinned > 1 { " Thinned out to one value in " (thinned) "; its table has them all." }
    };
    Drawing::new(asked.as_ref(), plot.drawn(marks, caption))
}

fn rpm(speed: f64) -> f64 {
    speed * 30.0 / PI
}

/// Speed over head time, with the first lock.
fn speed(record: &Record) -> Option<Drawing> {
    let turning = record.curve.points.iter().filter(|point| point.speed.abs() > 0.0).count();
    if turning < 2 {
        return None;
    }
    let lock = record.curve.lock();
    let fastest = record.curve.points.iter().map(|point| rpm(point.speed)).fold(0.0, f64::max);
    let summary = match lock {
        Some(lock) => format!(
            "The polygon reached {fastest:.0} rpm; lock was first seen at {:.3} s of head time.",
            lock.time
        ),
        None => format!("The polygon reached {fastest:.0} rpm; lock was never seen."),
    };
    let at = lock.map(|lock| (lock.time, format!("lock {:.2} s", lock.time)));
    let words = ["Speed of the polygon", "speed in rpm", &summary];
    Some(over_time(record, words, Some(0.0), at, |point| rpm(point.speed)))
}

/// Temperature over head time, where it changed.
fn temperature(record: &Record) -> Option<Drawing> {
    let degrees = |point: &StatusPoint| point.temperature - 273.15;
    let all = record.curve.points.iter().map(degrees).filter(|value| value.is_finite());
    let (first, last) = (all.clone().next()?, all.clone().next_back()?);
    all.clone().find(|value| *value != first)?;
    let summary = format!("The head went from {first:.1} °C to {last:.1} °C.");
    let words = ["Temperature of the head", "temperature in °C", &summary];
    Some(over_time(record, words, None, None, degrees))
}

/// A number of every status over head time.
fn over_time(
    record: &Record,
    [title, words, summary]: [&str; 3],
    foot: Option<f64>,
    upright: Option<(f64, String)>,
    value: impl Fn(&StatusPoint) -> f64,
) -> Drawing {
    let curve = &record.curve;
    let points = || {
        let points = curve.points.iter().map(|point| (point.time, value(point)));
        points.filter(|(_, value)| value.is_finite())
    };
    let x = Axis::around(points().map(|(time, _)| time), "head time in s");
    let y = Axis::around(points().map(|(_, value)| value).chain(foot), words);
    let plot = Plot::small(title.to_string(), summary, x, y);
    let marks = html! {
        (plot.line(points(), "one"))
        @if let Some((at, words)) = &upright { (plot.upright(*at, words, false)) }
    };
    let caption = html! {
        (summary)
        @if curve.gap > 0.0 {
            " Thinned out to one point in " (spintrue_language::time_text(curve.gap))
            "; events.jsonl.gz has them all."
        }
    };
    Drawing::new(None, plot.drawn(marks, caption))
}
