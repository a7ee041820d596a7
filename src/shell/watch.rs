//! `watch`: a value again and again, plotted in place. `plot`: the speed of the polygon while an
//! entry runs.

use crate::shell::console::Console;
use crate::shell::outcome::{EntryOutcome, UsageError};
use crate::shell::plot::{Series, plot};
use crate::shell::printer::EntryPrinter;
use crate::shell::reader::{Input, InputKind};
use crate::terminal::told::failed;
use crate::terminal::{columns, complain, draws_progress, say, say_over};
use spintrue_head::{Calls, Dimension, parse_quantity};
use spintrue_language::{Datum, Effect, EntryAnswer, Shower, Shown, Verdict};
use std::time::Duration;

/// Default time between two readings, in s.
const DEFAULT_INTERVAL: f64 = 0.2;
/// Default length of a watch, in s.
const DEFAULT_LENGTH: f64 = 10.0;
/// Longest watch or interval, in s.
const MAX_TIME: f64 = 86_400.0;
/// Time between two readings of the speed while an entry is plotted, in s.
const PLOT_INTERVAL: f64 = 0.05;
/// Most readings of one watch.
const MAX_READINGS: usize = 100_000;

/// What follows `watch`.
#[derive(Debug, PartialEq)]
struct Options<'a> {
    value: &'a str,
    every: f64,
    lasts: f64,
}

impl<'a> Options<'a> {
    /// Parses `VALUE [every TIME] [for TIME]`.
    fn parse(text: &'a str) -> Result<Options<'a>, UsageError> {
        let (every, lasts) = (DEFAULT_INTERVAL, DEFAULT_LENGTH);
        let mut options = Options { value: text.trim(), every, lasts };
        // In either order, the last one first.
        for _ in 0..2 {
            let last =
                |word: &'static str| Some((options.value.rfind(&format!(" {word} "))?, word));
            let Some((at, word)) = last("for").into_iter().chain(last("every")).max() else {
                break;
            };
            let (before, marked) = options.value.split_at(at);
            // `[x for x in xs]` is a list.
            if word == "for" && before.matches('[').count() > before.matches(']').count() {
                break;
            }
            let time = marked.get(word.len() + 2..).unwrap_or("").trim();
            let seconds = match parse_quantity(time) {
                Ok((value, Some(unit))) if unit.dimension == Dimension::TIME => value,
                _ => 0.0,
            };
            if !(seconds > 0.0 && seconds <= MAX_TIME) {
                return Err(UsageError(format!(
                    "`{word} {time}` is no time: write `{word} 200 ms`, at most 24 h"
                )));
            }
            match word {
                "for" => options.lasts = seconds,
                _ => options.every = seconds.max(0.001),
            }
            options.value = before.trim();
        }
        if options.value.is_empty() {
            let how = "say what to watch: `watch measured_speed() every 200 ms for 10 s`";
            return Err(UsageError(how.to_string()));
        }
        Ok(options)
    }
}

/// `watch`
pub(super) fn watch(console: &mut Console, rest: &str) -> EntryOutcome {
    let options = match Options::parse(rest) {
        Ok(options) => options,
        Err(error) => return EntryOutcome::wrong(error),
    };
    let entry = console.session.enter(&mut *console.files, options.value);
    let Some(entry) = console.admit(entry) else { return EntryOutcome::WRONG };
    let acts =
        entry.effects().last().is_some_and(|of| of.effects.keys().any(|e| *e != Effect::Reads));
    if acts {
        return EntryOutcome::wrong("only what reads can be watched: this does more to the head");
    }
    let live = console.watch.attended && console.watch.time_passes;
    let draws = live && draws_progress();
    if live {
        complain("Enter ends it; Ctrl-C makes the head safe\n");
        console.watch.reader.ask(InputKind::Answer, "");
    }
    let mut drawn = 0;
    let mut seen: Vec<(f64, f64)> = Vec::new();
    let mut last = Vec::new();
    let begun = console.station.now();
    let mut outcome = EntryOutcome::Done;
    for _ in 0..MAX_READINGS {
        let mut printer = EntryPrinter::new(console.watch.colour);
        match console.session.look(&entry, &mut console.station, &mut printer) {
            Ok(answers) if answers.is_empty() => {
                outcome = EntryOutcome::wrong("this gives no value that could be watched");
                break;
            }
            Ok(answers) => last = answers,
            Err(failure) => {
                complain(&failed(&failure, console.session.sources(), console.watch.colour));
                outcome = console.outcome_of(&failure);
                break;
            }
        }
        let now = console.station.now();
        if let [(_, Datum::Number(value)), ..] = last.as_slice() {
            seen.push((now, *value));
        }
        if draws {
            let lines = picture(&last, &seen);
            redraw(&lines, drawn);
            drawn = lines.len();
        } else if !console.watch.attended {
            say(&format!("{:9.3} s  {}\n", now, words(&last)));
        }
        if now - begun + options.every > options.lasts * (1.0 + 1e-9) {
            break;
        }
        if let Some(ended) = pause(console, live, options.every) {
            outcome = ended;
            break;
        }
    }
    if console.watch.attended && !draws {
        redraw(&picture(&last, &seen), 0);
    }
    let reader = &console.watch.reader;
    if live && reader.is_waiting() {
        complain("Enter goes on\n");
        while reader.wait(Duration::from_millis(200)).is_none() && !console.station.is_stopped() {}
    }
    outcome
}

/// Lets the time between two readings pass; the outcome of the watch where it ends meanwhile.
fn pause(console: &mut Console, live: bool, seconds: f64) -> Option<EntryOutcome> {
    if live {
        match console.watch.reader.wait(Duration::from_secs_f64(seconds)) {
            None if !console.station.is_stopped() => return None,
            None | Some(Input::Entry(_)) => return Some(EntryOutcome::Done),
            Some(_) => {}
        }
    } else if console.station.sleep(seconds).is_ok() {
        return None;
    }
    console.stop();
    Some(EntryOutcome::Failed(Verdict::Interrupted.exit_code()))
}

/// The values as they are now, on one line.
fn words(answers: &[(EntryAnswer, Datum)]) -> String {
    let all: Vec<String> =
        answers.iter().map(|(answer, datum)| answer.shower.text(datum)).collect();
    all.join("  ")
}

/// The values as they are now, and how the first one went where it is a quantity.
fn picture(answers: &[(EntryAnswer, Datum)], seen: &[(f64, f64)]) -> Vec<String> {
    let mut lines = Vec::new();
    for (answer, datum) in answers {
        match answer.shower.shown(datum) {
            Shown::Record(fields) => {
                let width = fields.iter().map(|(name, _)| name.len()).max().unwrap_or(0);
                let fields =
                    fields.iter().map(|(name, field)| format!("  {name:<width$}  {field}"));
                lines.extend(fields);
            }
            other => lines.push(format!("  {other}")),
        }
    }
    if let Some((answer, _)) = answers.first()
        && let Shower::Quantity { dimension, .. } = answer.shower
    {
        let unit = answer.shower.unit();
        let series = Series { points: seen, dimension, unit: unit.as_deref(), mark: None };
        lines.extend(plot(&series, columns()));
    }
    lines
}

/// Prints lines over those that were drawn before.
fn redraw(lines: &[String], drawn: usize) {
    let width = columns().saturating_sub(1);
    let cut = |line: &String| line.chars().take(width).collect();
    say_over(&lines.iter().map(cut).collect::<Vec<String>>(), drawn);
}

/// `plot`
pub(super) fn plot_entry(console: &mut Console, rest: &str) -> EntryOutcome {
    if rest.trim().is_empty() {
        return EntryOutcome::wrong(
            "say what to run: `plot spin(4800 rpm); wait until locked() within 20 s`",
        );
    }
    console.station.sample(Some(PLOT_INTERVAL));
    let outcome = console.enter(rest);
    console.station.sample(None);
    if outcome == EntryOutcome::WRONG {
        return outcome;
    }
    let monitor = console.monitor.borrow();
    let points = monitor.curve.points.iter().map(|point| (point.time, point.speed));
    let points: Vec<(f64, f64)> = points.collect();
    let mark = monitor.curve.lock().map(|lock| (lock.time, "lock"));
    let series = Series { points: &points, dimension: Dimension::ROTATION, unit: None, mark };
    if points.len() < 2 {
        say("it was over at once, so there is nothing to plot: plot an entry that waits\n");
    }
    plot(&series, columns()).iter().for_each(|line| say(&format!("{line}\n")));
    outcome
}

#[cfg(test)]
mod tests {
    use super::{DEFAULT_INTERVAL, DEFAULT_LENGTH, Options};

    #[test]
    fn takes_a_watch_apart() {
        let of = |value, every, lasts| Ok(Options { value, every, lasts });
        assert_eq!(
            Options::parse("measured_speed()"),
            of("measured_speed()", DEFAULT_INTERVAL, DEFAULT_LENGTH)
        );
        assert_eq!(Options::parse("x every 50 ms for 2 s"), of("x", 0.05, 2.0));
        assert_eq!(Options::parse("x for 2 s every 50 ms"), of("x", 0.05, 2.0));
        assert_eq!(
            Options::parse("[a for a in b]"),
            of("[a for a in b]", DEFAULT_INTERVAL, DEFAULT_LENGTH)
        );
        assert!(Options::parse("x every 3 mm").is_err());
        assert!(Options::parse("x for 0 s").is_err());
        assert!(Options::parse(" ").is_err());
    }
}
