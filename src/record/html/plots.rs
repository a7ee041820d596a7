//! The plots of a report. Each is left out where the run has no data for it.

use crate::paper::plot::{Across, Axis, Plot};
use crate::paper::series::Series;
use crate::record::data::Record;
use crate::record::rounds::{FacetMean, Round};
use maud::{Markup, html};
use spintrue_head::show_number;
use spintrue_language::{PlotSort, Shown, decimal_places};
use std::f64::consts::PI;

/// All plots that the run has data for.
pub(super) fn plots(record: &Record) -> Vec<Markup> {
    let mut plots = Vec::new();
    plots.extend(speed(record));
    plots.extend(facets(record, IN_SCAN, "mean in-scan shift in um", |mean| mean.in_scan));
    plots.extend(facets(record, "cross-scan", "mean cross-scan shift in um", |m| m.cross_scan));
    plots.extend(rounds(record));
    let recorded = record.recorded.items.iter();
    let lists = recorded.filter_map(|r| Some((r.label.clone(), peaks(&r.shown)?)));
    let pages = record.pages.iter().filter_map(|page| {
        let peaks = page.banding.as_ref()?.peaks.iter().map(|p| (p.frequency, p.amplitude));
        Some((format!("page {}", page.number), peaks.collect::<Vec<_>>()))
    });
    let spectra: Vec<(String, Vec<(f64, f64)>)> = lists.chain(pages).take(MAX_SPECTRA).collect();
    let most = spectra.iter().flat_map(|(_, peaks)| peaks).map(|peak| peak.1).fold(0.0, f64::max);
    let drawn = (1..).zip(&spectra);
    plots.extend(drawn.map(|(number, (label, peaks))| banding(number, label, peaks, most)));
    let drawn = recorded_plots(record);
    plots.extend(
        (1..).zip(drawn).map(|(number, (label, series))| series_plot(number, label, &series)),
    );
    plots
}

/// Most plots of recorded lists.
const MAX_SERIES: usize = 40;

/// Most points of one.
const MAX_POINTS: usize = 2_000;

/// The recorded lists that the script wants drawn.
fn recorded_plots(record: &Record) -> impl Iterator<Item = (&str, Series)> {
    let drawn = record.recorded.items.iter().filter_map(|recorded| {
        let series = Series::of(&recorded.label, &recorded.shown, recorded.plot.as_ref()?)?;
        Some((recorded.label.as_str(), series))
    });
    drawn.take(MAX_SERIES)
}

/// A recorded list as the script wants it drawn.
fn series_plot(number: usize, label: &str, series: &Series) -> Markup {
    let Series { points, names, limits, step, .. } = series;
    let is_bar = matches!(series.sort, PlotSort::Bars | PlotSort::Histogram);
    let is_count = series.sort == PlotSort::Histogram;
    let ends = |at: f64| [at - step / 2.0, at + step / 2.0].into_iter();
    let beside = |at: &f64| if is_bar { ends(*at).collect() } else { vec![*at] };
    let limits_x = limits.iter().flatten().filter(|_| is_count).copied();
    let x =
        Axis::around(points.iter().flat_map(|(x, _)| beside(x)).chain(limits_x), series.x.clone());
    let y = Axis::around(series.heights(), series.y.clone());
    let most = points.iter().map(|point| point.1).fold(f64::NEG_INFINITY, f64::max);
    let least = points.iter().map(|point| point.1).fold(f64::INFINITY, f64::min);
    let count = points.len();
    let summary = format!(
        "{count} {}, from {} to {} ({}).",
        if is_count { "steps" } else { "values" },
        show_number(least, None),
        show_number(most, None),
        series.y
    );
    let plot = Plot::small(&format!("recorded-{number}"), label.to_string(), &summary, x, y);
    let thinned = count.div_ceil(MAX_POINTS).max(1);
    let shown = || points.iter().copied().step_by(thinned);
    let named = ["low", "high"].into_iter().zip(limits);
    let named: Vec<(&'static str, f64)> =
        named.filter_map(|(name, limit)| Some((name, (*limit)?))).collect();
    let marks = html! {
        @if is_bar {
            @for (at, height) in shown() {
                @let [left, right] = [plot.at_x(at - step * 0.4), plot.at_x(at + step * 0.4)];
                @let [top, foot] = [plot.at_y(height).min(plot.floor()), plot.at_y(height).max(plot.floor())];
                rect x=(left) y=(top) width=((right - left).max(1.0)) height=((foot - top).max(0.5))
                    class="one full" {}
            }
        } @else if series.sort == PlotSort::Line {
            (plot.line(shown(), "one"))
        }
        @if !is_bar && (count <= 60 || series.sort == PlotSort::Points) {
            @for (at, height) in shown() { (plot.point(at, height)) }
        }
        @if is_count {
            @for (name, limit) in &named { (plot.upright(*limit, name)) }
        } @else {
            (plot.across(named.iter().map(|(name, at)| Across { at: *at, name, class: "mark" }).collect()))
        }
    };
    let caption = html! {
        (summary)
        @if !names.is_empty() {
            " In order: " (names.iter().take(40).map(String::as_str).collect::<Vec<_>>().join(", "))
            @if names.len() > 40 { ", …" } "."
        }
        @if thinned > 1 { " Thinned out to one value in " (thinned) "; its table has them all." }
    };
    plot.drawn(marks, caption)
}

/// Most banding spectra of a report.
const MAX_SPECTRA: usize = 8;

fn rpm(speed: f64) -> f64 {
    speed * 30.0 / PI
}

/// Speed over head time, with the first lock.
fn speed(record: &Record) -> Option<Markup> {
    let curve = &record.curve;
    let points = curve.points.iter().map(|point| (point.time, rpm(point.speed)));
    let turning = curve.points.iter().filter(|point| point.speed.abs() > 0.0).count();
    if turning < 2 {
        return None;
    }
    let lock = curve.lock();
    let fastest = points.clone().map(|(_, speed)| speed).fold(0.0, f64::max);
    let summary = match lock {
        Some(lock) => format!(
            "The polygon reached {fastest:.0} rpm; lock was first seen at {:.3} s of head time.",
            lock.time
        ),
        None => format!("The polygon reached {fastest:.0} rpm; lock was never seen."),
    };
    let x = Axis::around(points.clone().map(|(time, _)| time), "head time in s");
    let y = Axis::around(points.clone().map(|(_, s)| s).chain([0.0]), "speed in rpm");
    let title = "Speed of the polygon".to_string();
    let plot = Plot::small("speed", title, &summary, x, y);
    let marks = html! {
        (plot.line(points, "one"))
        @if let Some(lock) = lock { (plot.upright(lock.time, &format!("lock {:.2} s", lock.time))) }
    };
    let caption = html! {
        (summary)
        @if curve.gap > 0.0 {
            " Thinned out to one point in " (spintrue_language::time_text(curve.gap))
            "; events.jsonl.gz has them all."
        }
    };
    Some(plot.drawn(marks, caption))
}

/// Along the line, as plots name it.
const IN_SCAN: &str = "in-scan";

/// Shift of each facet, before and after.
fn facets(
    record: &Record,
    what: &str,
    words: &'static str,
    part: fn(&FacetMean) -> [f64; 3],
) -> Option<Markup> {
    let rounds = &record.rounds.list;
    let (first, last) = (rounds.first()?, rounds.last()?);
    let two = rounds.len() > 1;
    let shown = || first.shown().values().chain(last.shown().values());
    if first.facets.is_empty() || last.facets.is_empty() {
        return None;
    }
    let numbers = first.shown().keys().chain(last.shown().keys()).map(|facet| f64::from(*facet));
    let (low, high) =
        numbers.fold((f64::INFINITY, 0.0_f64), |(low, high), n| (low.min(n), high.max(n)));
    let worst = |round: &Round| {
        let [along, across] = round.worst();
        said(record, if what == IN_SCAN { along } else { across })
    };
    let summary = if two {
        format!(
            "The largest mean {what} shift went from {} in the first round to {} in the last.",
            worst(first),
            worst(last)
        )
    } else {
        format!("The largest mean {what} shift is {}.", worst(first))
    };
    let x = Axis::whole(low, high, "facet");
    let y = Axis::around(shown().flat_map(part).map(|v| v * 1e6).chain([0.0]), words);
    let title = format!("Facets {what}{}", if two { ", before and after" } else { "" });
    let plot = Plot::small(&format!("facets-{what}"), title, &summary, x, y);
    let aside = if two { 5.0 } else { 0.0 };
    let mut rounds = vec![(first, "one thin", false, -aside)];
    rounds.extend(two.then_some((last, "two thin", true, aside)));
    let marks = html! {
        @for (round, class, full, aside) in rounds {
            @for (facet, mean) in round.shown() {
                @let [middle, least, most] = part(mean).map(|value| value * 1e6);
                (plot.whisker(f64::from(*facet), [least, most], class, aside))
                (plot.dot(f64::from(*facet), middle, full, aside))
            }
        }
    };
    let caption = html! {
        @if two { "Circle: first round. Square: last round. " } @else { "Circle: mean. " }
        "Thin line: smallest to largest reading. " (summary)
        " A round is all that was measured under the same trims; where a check was decided on a part "
        "of it, that part is shown. Readings are shown without the hunting of the speed; a check "
        "leaves out wild marks as well."
    };
    Some(plot.drawn(marks, caption))
}

/// A shift in m with the digits of the check that was decided on it, and which that is; else to three
/// digits.
fn said(record: &Record, shift: f64) -> String {
    let decided = record.checks.items.iter().find(|check| check.decided_on(shift, "m"));
    match decided {
        Some(check) => {
            format!("{} (decided by the check \u{201c}{}\u{201d})", check.measured(), check.label)
        }
        None => format!("{} um", show_number(shift * 1e6, Some(decimal_places(shift * 1e6, 3)))),
    }
}

/// The largest mean shift in each round.
fn rounds(record: &Record) -> Option<Markup> {
    let rounds = &record.rounds;
    if rounds.list.len() < 2 {
        return None;
    }
    let worst: Vec<(f64, [f64; 2])> = rounds
        .list
        .iter()
        .enumerate()
        .map(|(index, round)| (rounds.number(index) as f64, round.worst().map(|v| v * 1e6)))
        .collect();
    let last = worst.last()?;
    let summary = format!(
        "In round {:.0}, the last one, the largest mean shift is {} in-scan and {} cross-scan.",
        last.0,
        said(record, last.1[0] * 1e-6),
        said(record, last.1[1] * 1e-6)
    );
    let x = Axis::whole(1.0, last.0, "round: lines measured under the same trims");
    let y = Axis::around(worst.iter().flat_map(|w| w.1).chain([0.0]), "largest mean shift in um");
    let title = "Residual by round of trimming".to_string();
    let plot = Plot::small("rounds", title, &summary, x, y);
    let marks = html! {
        (plot.line(worst.iter().map(|w| (w.0, w.1[0])), "one"))
        (plot.line(worst.iter().map(|w| (w.0, w.1[1])), "two dashed"))
        @for (number, [along, across]) in &worst {
            (plot.dot(*number, *along, false, 0.0))
            (plot.dot(*number, *across, true, 0.0))
        }
    };
    let caption = html! {
        "Circle, whole line: in-scan. Square, dashed line: cross-scan. " (summary)
        @if rounds.left_out > 0 {
            " " (rounds.left_out) " rounds behind the first are left out; lines.csv has them all."
        }
    };
    Some(plot.drawn(marks, caption))
}

/// Frequency in cycles per line and amplitude in m of each peak, where a value is a list of peaks.
fn peaks(shown: &Shown) -> Option<Vec<(f64, f64)>> {
    let Shown::List(items) = shown else { return None };
    let peaks = items.iter().map(|item| {
        let Shown::Record(fields) = item else { return None };
        let field = |wanted: &str, si: &str| {
            fields.iter().find_map(|(name, shown)| match shown {
                Shown::Quantity { value, unit, .. } if &**name == wanted && unit == si => {
                    Some(*value)
                }
                _ => None,
            })
        };
        field("harmonic", "")?;
        Some((field("frequency", "")?, field("amplitude", "m")?))
    });
    peaks.collect::<Option<Vec<_>>>().filter(|peaks| !peaks.is_empty())
}

fn banding(number: usize, label: &str, peaks: &[(f64, f64)], most: f64) -> Markup {
    let worst = peaks.iter().copied().max_by(|one, other| one.1.total_cmp(&other.1));
    let summary = worst.map_or(String::new(), |(frequency, amplitude)| {
        format!(
            "The largest of {} peaks is {:.3} um, at {frequency:.3} cycles per line.",
            peaks.len(),
            amplitude * 1e6
        )
    });
    let highest = peaks.iter().map(|peak| peak.0);
    let x = Axis::around(highest.chain([0.0, 0.5]), "cycles per line");
    let y = Axis::around([0.0, most * 1e6].into_iter(), "amplitude in um");
    let title = format!("Banding: {label}");
    let plot = Plot::small(&format!("banding-{number}"), title, &summary, x, y);
    let marks = html! {
        @for (frequency, amplitude) in peaks {
            line x1=(plot.at_x(*frequency)) x2=(plot.at_x(*frequency)) y1=(plot.floor())
                y2=(plot.at_y(amplitude * 1e6)) class="two" {}
            (plot.dot(*frequency, amplitude * 1e6, true, 0.0))
        }
    };
    plot.drawn(marks, html! { (summary) })
}
