//! `plot`: lists as curves, bars, histograms and spectra; or the speed of the polygon while an entry runs.

use crate::paper::series::Series;
use crate::paper::table::is_detail;
use crate::shell::console::Console;
use crate::shell::outcome::EntryOutcome;
use crate::shell::values::{Reading, Refusal, Values, expressions, last_option, outline, parts};
use crate::terminal::plot::{Curve, Mark, printed};
use crate::terminal::{complain, say, wrapped};
use spintrue_head::{Dimension, show_number};
use spintrue_language::{KEYWORDS, PlotOf, PlotSort, RecordSpec, Shown, builtin_records};
use std::sync::Arc;

/// Time between two readings of the speed while an entry is plotted, in s.
const PLOT_INTERVAL: f64 = 0.05;

/// Most lists of a list of lists that are drawn.
const MAX_LISTS: usize = 8;

/// Tones that are named below a spectrum.
const NAMED_TONES: usize = 3;

/// Ways to plot that need no more words.
const WAYS: [&str; 5] = ["line", "points", "bars", "histogram", "spectrum"];

/// `plot`
pub(super) fn plot(console: &mut Console, rest: &str) -> EntryOutcome {
    if rest.trim().is_empty() {
        return EntryOutcome::wrong(
            "say what to plot: a list, as in `plot xs` or `plot histogram: xs`, or what moves the head, as in \
             `plot spin(4800 rpm); wait until locked() within 20 s`",
        );
    }
    let (words, value) = words(rest);
    let (value, arm) = match last_option(value, &["arm at"]) {
        Some((value, _, power)) => (value, Some(power)),
        None => (value, None),
    };
    let plotted = expressions(value).map(|texts| plot_values(console, &texts, words, arm));
    let outcome = match plotted {
        Some(Ok(outcome)) => outcome,
        Some(Err(refusal)) if words.is_some() || arm.is_some() => refusal.told(),
        Some(Err(Refusal::Wrong(outcome))) => outcome,
        None if words.is_some() => {
            EntryOutcome::wrong("what follows the colon is no list: `plot histogram: xs`")
        }
        _ => plot_entry(console, rest),
    };
    let first = rest.split_whitespace().next().unwrap_or("");
    if outcome == EntryOutcome::WRONG && words.is_none() && WAYS.contains(&first) {
        complain(&format!("a colon stands before what is plotted: `plot {first}: xs`\n"));
    }
    outcome
}

/// The words before a colon that say how to plot, and what follows.
fn words(text: &str) -> (Option<&str>, &str) {
    let outline = outline(text);
    let Some(at) = outline.find(':') else { return (None, text) };
    let (words, value) = text.split_at(at);
    let first = words.split([' ', ',']).next().unwrap_or("");
    let is_word = !first.is_empty() && first.chars().all(|c| c.is_alphanumeric() || c == '_');
    match is_word && !KEYWORDS.contains(&first) && !words.contains([';', '=']) {
        true => (Some(words.trim()), value.get(1..).unwrap_or("").trim()),
        false => (None, text),
    }
}

/// Plots lists and tables.
fn plot_values(
    console: &mut Console,
    texts: &[&str],
    words: Option<&str>,
    arm: Option<&str>,
) -> Result<EntryOutcome, Refusal> {
    // A spectrum is what the built-in gives, in bars.
    let mut said = parts(words.unwrap_or(""));
    let is_spectrum = said.contains(&"spectrum");
    let step = said.iter().find_map(|word| word.strip_prefix("step ")).unwrap_or("1");
    let call = |text: &&str| match is_spectrum {
        true => format!("spectrum({text}, step: {step})"),
        false => text.to_string(),
    };
    let called: Vec<String> = texts.iter().map(call).collect();
    let called: Vec<&str> = called.iter().map(String::as_str).collect();
    if is_spectrum {
        said.retain(|word| *word != "spectrum" && !word.starts_with("step "));
        said.insert(0, "bars");
    }
    let values = Values::check(console, "plot", &called, &said.join(", "), arm)?;
    console.mode.set();
    let readings = match values.read(console) {
        Ok(readings) => readings,
        Err(failure) => return Ok(console.stopped(&failure)),
    };
    let (mut all, mut notes) = (Vec::new(), Vec::new());
    for (label, reading) in values.labels.iter().zip(&readings) {
        match curves(label, reading, &mut notes) {
            drawn if drawn.is_empty() => {
                return Ok(EntryOutcome::wrong(format!(
                    "`{label}` holds no list of numbers: `watch {label}` plots one value over time, \
                     `plot {label}.FIELD` a list in a record"
                )));
            }
            drawn => all.extend(drawn),
        }
    }
    let (lines, left_out) = printed(all, None, usize::MAX);
    lines.iter().for_each(|line| say(&format!("{line}\n")));
    if !left_out.is_empty() {
        let fields = left_out.join(", ");
        notes.push(format!(
            "no room for {fields}: plot one alone, as in `plot [row.dose for row in rows]`"
        ));
    }
    notes.iter().for_each(|note| say(&wrapped(note, "  ")));
    Ok(EntryOutcome::Done)
}

/// The curves of a value; what is to say below them is added to `notes`.
pub(super) fn curves(label: &str, (shown, plot): &Reading, notes: &mut Vec<String>) -> Vec<Curve> {
    let Shown::List(items) = shown else { return Vec::new() };
    if let Some(Shown::List(_)) = items.first() {
        let each = items.iter().take(MAX_LISTS).enumerate();
        let each = each.flat_map(|(at, item)| {
            curves(&format!("{label}[{at}]"), &(item.clone(), *plot), notes)
        });
        return each.collect();
    }
    let is_record = matches!(items.first(), Some(Shown::Record(_)));
    let rows: Vec<Shown> = items.iter().enumerate().filter_map(along_first).collect();
    let is_spectrum = is_record && rows.len() < items.len();
    let by_name = rows.first().is_some_and(|row| matches!(row, Shown::Record(fields)
        if fields.first().is_some_and(|(name, first)| &**name == "facet" || matches!(first, Shown::Text(_)))));
    let sort = if by_name || is_spectrum { PlotSort::Bars } else { PlotSort::Line };
    let plot = plot.unwrap_or(PlotOf { sort, low: None, high: None });
    let mut all = Series::all(label, &Shown::List(rows), &plot);
    if all.iter().any(|series| !is_detail(&series.field)) {
        all.retain(|series| !is_detail(&series.field));
    }
    // People read along the line before across it.
    let order = ["in_scan", "cross_scan"];
    all.sort_by_key(|series| order.iter().position(|name| *name == series.field).unwrap_or(2));
    if is_spectrum {
        notes.push(tones(label, &all));
    }
    let count = items.len();
    let lost = all.iter().map(|series| count.saturating_sub(series.points.len())).max();
    if let (Some(lost @ 1..), false) = (lost, is_spectrum || plot.sort == PlotSort::Histogram) {
        notes.push(format!(
            "{lost} of {count} elements of `{label}` are no numbers and are left out"
        ));
    }
    let curve = |mut series: Series| {
        let group = if is_record { series.field.clone() } else { String::new() };
        if !is_record {
            series.rename(label);
        }
        Curve { name: label.to_string(), group, series }
    };
    all.into_iter().map(curve).collect()
}

/// A row with the field first that the others belong to. What built-ins give has its fields in the order of the
/// alphabet: facet or frequency come first, else the number of the row. Of a spectrum only the amplitudes, without
/// the mean, which would dwarf all others.
fn along_first((at, item): (usize, &Shown)) -> Option<Shown> {
    let Shown::Record(fields) = item else { return Some(item.clone()) };
    let mut fields: Vec<(Arc<str>, Shown)> = fields.clone();
    let names: Vec<&str> = fields.iter().map(|(name, _)| &**name).collect();
    let is_of = |record: &RecordSpec| {
        record.page().fields.iter().map(|field| field.name).eq(names.iter().copied())
    };
    if !builtin_records().iter().any(is_of) {
        return Some(item.clone());
    }
    if names == ["amplitude", "frequency", "phase"] {
        fields.truncate(2);
        let frequency = fields.get(1).map(|(_, shown)| shown);
        if matches!(frequency, Some(Shown::Quantity { value, .. }) if *value == 0.0) {
            return None;
        }
    }
    match fields.iter().position(|(name, _)| matches!(&**name, "facet" | "frequency")) {
        Some(along) => {
            let along = fields.remove(along);
            fields.insert(0, along);
        }
        None => {
            let (value, unit, text) = (at as f64, String::new(), at.to_string());
            let number = Shown::Quantity { value, unit, asked: None, text };
            fields.insert(0, (Arc::from("element"), number));
        }
    }
    Some(Shown::Record(fields))
}

/// The largest tones of a spectrum.
fn tones(label: &str, all: &[Series]) -> String {
    let Some(series) = all.first() else { return String::new() };
    let mut points = series.points.clone();
    points.sort_by(|one, other| other.1.total_cmp(&one.1));
    let unit = |unit: Option<&spintrue_head::UnitText>| {
        unit.map_or(String::new(), |unit| format!(" {}", unit.text))
    };
    let (x, y) = (unit(series.x.unit()), unit(series.y.unit()));
    let named = points.iter().take(NAMED_TONES).map(|(at, height)| {
        format!("{}{y} at {}{x}", show_number(*height, None), show_number(*at, None))
    });
    format!("{label} without the mean; the largest: {}", named.collect::<Vec<_>>().join(", "))
}

/// Runs an entry and plots the speed of the polygon meanwhile.
fn plot_entry(console: &mut Console, entry: &str) -> EntryOutcome {
    console.station.sample(Some(PLOT_INTERVAL));
    let outcome = console.enter(entry);
    console.station.sample(None);
    if outcome == EntryOutcome::WRONG {
        return outcome;
    }
    let monitor = console.monitor.borrow();
    let points = monitor.curve.points.iter().map(|point| (point.time, point.speed));
    let points: Vec<(f64, f64)> = points.collect();
    let Some(series) = Series::over_time("speed", &points, Dimension::ROTATION, None) else {
        say("it was over at once, so there is nothing to plot: plot an entry that waits\n");
        return outcome;
    };
    // Where it was locked from the start, lock came before.
    let was_locked = monitor.curve.points.first().is_some_and(|point| point.locked);
    let lock = monitor.curve.lock().filter(|_| !was_locked);
    let mark =
        lock.map(|lock| Mark { at: lock.time, words: format!("lock at {:.2} s", lock.time) });
    let curve = Curve { name: String::new(), group: String::new(), series };
    let (lines, _) = printed(vec![curve], mark.as_ref(), usize::MAX);
    lines.iter().for_each(|line| say(&format!("{line}\n")));
    outcome
}
