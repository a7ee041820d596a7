//! `watch`: values again and again, plotted in place; without a value the whole bench.

use crate::paper::series::Series;
use crate::shell::bench::Bench;
use crate::shell::console::Console;
use crate::shell::outcome::{EntryOutcome, UsageError};
use crate::shell::plot::curves;
use crate::shell::reader::{Input, InputKind};
use crate::shell::values::{Reading, Values, expressions, last_option};
use crate::shell::view::spread;
use crate::terminal::plot::{Charset, Curve, MIN_ROWS, figure, spark};
use crate::terminal::screen::Screen;
use crate::terminal::told::failed;
use crate::terminal::{complain, say, wrapped};
use spintrue_head::{Calls, Control, Dimension, parse_quantity, parse_unit};
use spintrue_language::{Failure, FailureKind, PlotOf, PlotSort, Shown, Verdict};
use std::collections::VecDeque;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// Default time between two readings, in s.
const DEFAULT_INTERVAL: f64 = 0.2;
/// Default length of a watch, in s.
const DEFAULT_LENGTH: f64 = 10.0;
/// Longest watch or interval, in s.
const MAX_TIME: f64 = 86_400.0;
/// The newest readings are kept and drawn, at most so many.
const MAX_KEPT: usize = 20_000;
/// A reading that may take longer, in s, is stopped by Ctrl-C at once; then no key is waited for.
pub(super) const MAX_QUICK: f64 = 3.0;
/// Time between the notice that light comes out and the first light, in s.
const LIGHT_NOTICE: f64 = 2.0;

/// What follows `watch`.
#[derive(Debug, Default, PartialEq)]
struct Options<'a> {
    value: &'a str,
    every: Option<f64>,
    lasts: Option<f64>,
    arm: Option<&'a str>,
}

impl<'a> Options<'a> {
    /// Parses `[VALUE, …] [every TIME] [for TIME] [arm at POWER]`, the options in any order.
    fn parse(text: &'a str) -> Result<Options<'a>, UsageError> {
        let mut options = Options { value: text.trim(), ..Options::default() };
        while let Some((before, word, given)) =
            last_option(options.value, &["for", "every", "arm at"])
        {
            options.value = before;
            let seconds = match parse_quantity(given) {
                Ok((value, Some(unit))) if unit.dimension == Dimension::TIME => value,
                _ => 0.0,
            };
            if word != "arm at" && !(seconds > 0.0 && seconds <= MAX_TIME) {
                return Err(UsageError(format!(
                    "`{word} {given}` is no time: write `{word} 200 ms`, at most 24 h"
                )));
            }
            let is_again = match word {
                "arm at" => options.arm.replace(given).is_some(),
                "for" => options.lasts.replace(seconds).is_some(),
                _ => options.every.replace(seconds.max(0.001)).is_some(),
            };
            if is_again {
                return Err(UsageError(format!("`{word}` is given twice")));
            }
        }
        if options.value.is_empty() && options.arm.is_some() {
            let how = "say what needs light: `watch test_line(0, plan).in_scan arm at 35 %`";
            return Err(UsageError(how.to_string()));
        }
        Ok(options)
    }
}

/// What is looked at again and again.
pub(super) trait View {
    /// Looks once more.
    fn look(&mut self, console: &mut Console) -> Result<(), Failure>;
    /// The picture, for so many columns and rows.
    fn picture(&self, console: &Console, size: (usize, usize)) -> Vec<String>;
    /// The newest look on one line.
    fn line(&self, console: &Console) -> String;
}

/// `watch`
pub(super) fn watch(console: &mut Console, rest: &str) -> EntryOutcome {
    let options = match Options::parse(rest) {
        Ok(options) => options,
        Err(error) => return EntryOutcome::wrong(error),
    };
    let every = options.every.unwrap_or(DEFAULT_INTERVAL);
    let lasts = options.lasts.unwrap_or(DEFAULT_LENGTH);
    if options.value.is_empty() {
        let live = console.watch.attended && console.watch.time_passes;
        let lasts = if live { options.lasts.unwrap_or(MAX_TIME) } else { lasts };
        return run(console, &mut Bench::default(), (every, lasts), true, false);
    }
    let Some(texts) = expressions(options.value) else {
        let entry = console.session.enter(&mut *console.files, options.value);
        console.report(&entry.diagnostics);
        return EntryOutcome::wrong(format!(
            "only values can be watched, up to 32, as in `watch measured_speed(), status().temperature every 1 s \
             for 1 min`; `plot {}` runs what moves the head and plots its speed",
            options.value
        ));
    };
    let values = match Values::check(console, "watch", &texts, "", options.arm) {
        Ok(values) => values,
        Err(refusal) => return refusal.told(),
    };
    let (emits, bound) = (values.emits, values.bound);
    if emits {
        let power = options.arm.map_or(String::new(), |power| format!(" at {power}"));
        complain(&wrapped(
            &format!(
                "LIGHT COMES OUT: the laser is armed{power} for each reading and disarmed after it, every \
                 {every} s for {lasts} s, beginning in {LIGHT_NOTICE} s. Ctrl-C disarms it and makes the head \
                 safe, and is no emergency stop"
            ),
            "",
        ));
        console.mode.set();
        if console.station.sleep(LIGHT_NOTICE).is_err() {
            console.stop();
            return EntryOutcome::Failed(Verdict::Interrupted.exit_code());
        }
    }
    let keys = !emits && bound.is_some_and(|bound| bound <= MAX_QUICK);
    let mut watched = Watched { values, newest: Vec::new(), seen: VecDeque::new() };
    run(console, &mut watched, (every, lasts), keys, emits)
}

/// Looks every so many s, for so many s. With `keys`, Enter ends it.
fn run(
    console: &mut Console,
    view: &mut dyn View,
    (every, lasts): (f64, f64),
    keys: bool,
    emits: bool,
) -> EntryOutcome {
    let live = console.watch.attended && console.watch.time_passes;
    let screen = if live { Screen::open() } else { None };
    let keys = keys && live;
    match keys {
        true => console.watch.reader.ask(InputKind::Answer, ""),
        false => console.mode.set(),
    }
    // The time of a replay passes by its recorded calls only.
    let lasts = if console.watch.replay.is_some() { 0.0 } else { lasts };
    let begun = console.station.now();
    let mut outcome = Ok(EntryOutcome::Done);
    // Counted as well, for a clock that stands still must not keep us here.
    for _ in 0..=(lasts / every).ceil() as usize {
        if let Err(failure) = view.look(console) {
            outcome = Err(failure);
            break;
        }
        match &screen {
            Some(screen) => {
                let footer = footer(console, keys, emits);
                let (columns, rows) = Screen::size();
                let size = (columns, rows.saturating_sub(footer.len()));
                screen.draw(&view.picture(console, size), &footer);
            }
            None if !console.watch.attended || live => say(&view.line(console)),
            None => {}
        }
        if console.station.now() - begun + every > lasts * (1.0 + 1e-9) {
            break;
        }
        if let Some(ended) = pause(console, keys, every) {
            outcome = Ok(ended);
            break;
        }
    }
    let was_drawn = screen.is_some();
    drop(screen);
    // A stop comes before all else.
    let goes_on = match &outcome {
        Ok(outcome) => *outcome == EntryOutcome::Done,
        Err(failure) => failure.kind != FailureKind::Interrupted,
    };
    if goes_on && console.watch.attended && (was_drawn || !live) {
        let picture = view.picture(console, Screen::size());
        let cut = |line: &String| line.chars().take(Screen::size().0).collect::<String>();
        picture.iter().for_each(|line| say(&format!("{}\n", cut(line))));
    }
    let outcome = match outcome {
        Ok(outcome) => {
            if !goes_on {
                console.stop();
            }
            outcome
        }
        Err(failure) if emits => console.stopped(&failure),
        Err(failure) => {
            complain(&failed(&failure, console.session.sources(), console.watch.colour));
            console.outcome_of(&failure)
        }
    };
    if keys && console.watch.reader.is_waiting() {
        complain("Enter goes on\n");
        let reader = &console.watch.reader;
        while !is_asked_to_end(console) && reader.wait(Duration::from_millis(200)).is_none() {}
    }
    outcome
}

fn is_asked_to_end(console: &Console) -> bool {
    console.station.is_stopped() || console.watch.leave.load(Ordering::SeqCst)
}

/// What ends the view, and what does not stop the head.
fn footer(console: &Console, keys: bool, emits: bool) -> Vec<String> {
    let others = console.watch.owner == Some(Control::Others);
    let enter = if keys { "Enter ends it; " } else { "" };
    let stop = match (others, emits) {
        (true, _) => "Ctrl-C leaves the head to the client that controls it",
        (false, true) => "LIGHT COMES OUT for each reading; Ctrl-C disarms and makes the head safe",
        (false, false) => "Ctrl-C makes the head safe",
    };
    let text = format!("{enter}{stop}. NO EMERGENCY STOP IS HERE: use the one of the hardware.");
    wrapped(&text, "").lines().map(str::to_string).collect()
}

/// Lets the time between two looks pass; the outcome of the watch where it ends meanwhile.
fn pause(console: &mut Console, keys: bool, seconds: f64) -> Option<EntryOutcome> {
    if keys {
        match console.watch.reader.wait(Duration::from_secs_f64(seconds)) {
            None if !is_asked_to_end(console) => return None,
            // A request from outside is answered at the prompt.
            None | Some(Input::Entry(_)) => return Some(EntryOutcome::Done),
            Some(_) => {}
        }
    } else if console.station.sleep(seconds).is_ok() {
        return None;
    }
    Some(EntryOutcome::Failed(Verdict::Interrupted.exit_code()))
}

/// Values and how they went.
struct Watched {
    values: Values,
    newest: Vec<Reading>,
    /// Head time and each value in SI; not a number where it is none.
    seen: VecDeque<(f64, Vec<f64>)>,
}

impl View for Watched {
    fn look(&mut self, console: &mut Console) -> Result<(), Failure> {
        self.newest = self.values.read(console)?;
        let number = |(shown, _): &Reading| match shown {
            Shown::Quantity { value, .. } => *value,
            Shown::Flag(flag) => f64::from(u8::from(*flag)),
            _ => f64::NAN,
        };
        self.seen.push_back((console.station.now(), self.newest.iter().map(number).collect()));
        if self.seen.len() > MAX_KEPT {
            self.seen.pop_front();
        }
        Ok(())
    }

    fn picture(&self, _console: &Console, size: (usize, usize)) -> Vec<String> {
        let (mut lines, mut drawn) = (Vec::new(), Vec::new());
        let charset = Charset::of_terminal();
        let labels = self.values.labels.iter();
        let width = labels.clone().map(|label| label.chars().count()).max().unwrap_or(0);
        for (at, (label, reading)) in labels.zip(&self.newest).enumerate() {
            let (shown, _) = reading;
            let seen = self.seen.iter().filter_map(|(time, all)| Some((*time, *all.get(at)?)));
            let seen: Vec<(f64, f64)> = seen.collect();
            let mut text = format!("  {label:<width$}  {shown}");
            match shown {
                Shown::Quantity { unit, asked, .. } => {
                    let dimension = parse_unit(unit).map_or(Dimension::NUMBER, |u| u.dimension);
                    let series = Series::over_time(label, &seen, dimension, asked.as_deref());
                    let curve =
                        |series| Curve { name: label.clone(), group: String::new(), series };
                    drawn.extend(series.map(curve));
                }
                Shown::Flag(_) => {
                    let flags: Vec<f64> = seen.iter().map(|(_, flag)| *flag).collect();
                    let room = size.0.saturating_sub(width + 10);
                    text = format!("{text:<0$}  {1}", width + 9, spark(&flags, room, charset));
                }
                Shown::List(items) if matches!(items.first(), Some(Shown::Quantity { .. })) => {
                    let bars = PlotOf { sort: PlotSort::Bars, low: None, high: None };
                    drawn.extend(curves(label, &(shown.clone(), Some(bars)), &mut Vec::new()));
                }
                _ => {
                    if let Some(table) = spread(label, shown, false) {
                        lines.extend(table.trim_end().lines().map(str::to_string));
                        continue;
                    }
                }
            }
            lines.push(text);
        }
        let room = size.1.saturating_sub(lines.len()).max(MIN_ROWS);
        let (plots, left_out) = figure(drawn, None, (size.0, room), 0, charset);
        lines.extend(plots);
        if !left_out.is_empty() {
            lines.push(format!("  no room for {}", left_out.join(", ")));
        }
        lines
    }

    fn line(&self, _console: &Console) -> String {
        let time = self.seen.back().map_or(f64::NAN, |(time, _)| *time);
        let all: Vec<String> = self.newest.iter().map(|(shown, _)| shown.to_string()).collect();
        format!("{time:9.3} s  {}\n", all.join("  "))
    }
}

#[cfg(test)]
mod tests {
    use super::Options;

    #[test]
    fn takes_a_watch_apart() {
        let of = |value, every, lasts, arm| Ok(Options { value, every, lasts, arm });
        assert_eq!(Options::parse(""), of("", None, None, None));
        assert_eq!(Options::parse("every 1 s for 1 min"), of("", Some(1.0), Some(60.0), None));
        assert_eq!(
            Options::parse("x, y for 2 s every 50 ms"),
            of("x, y", Some(0.05), Some(2.0), None)
        );
        let lit = Options::parse("f(x) arm at 35 % for 2 s");
        assert_eq!(lit, of("f(x)", None, Some(2.0), Some("35 %")));
        for text in ["x every 3 mm", "x for 0 s", "x for", "arm at 35 %", "x for 1 s for 2 s"] {
            assert!(Options::parse(text).is_err(), "{text}");
        }
    }
}
