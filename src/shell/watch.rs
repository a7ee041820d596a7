//! `watch`: a value again and again, drawn in place, and how it went. `trace`: the polygon's speed
//! while an entry runs.

use crate::builtins::Effect;
use crate::check::live::Answer;
use crate::head::Calls;
use crate::program::show::{Shower, Shown};
use crate::program::value::Datum;
use crate::session::Verdict;
use crate::shell::bench::{Bench, Came};
use crate::shell::plot::{Series, plot};
use crate::shell::reader::{Input, Reader, Typed};
use crate::shell::voice::Voice;
use crate::terminal::told::failed;
use crate::terminal::{columns, complain, draws_progress, say, say_over};
use crate::units::{Dimension, parse_quantity, parse_unit};
use std::rc::Rc;
use std::time::Duration;

/// Time between two looks where none is said, in s.
const EVERY: f64 = 0.2;
/// How long it goes on where nothing is said, in s.
const FOR: f64 = 10.0;
/// Time between two looks at the speed of what is traced, in s.
const TRACED: f64 = 0.05;
/// Most looks of one watch.
const LOOKS_MOST: usize = 100_000;

/// What a watch is asked for.
#[derive(Debug, PartialEq)]
struct Asked<'a> {
    value: &'a str,
    every: f64,
    lasts: f64,
}

/// Takes `VALUE [every TIME] [for TIME]` apart.
fn asked(text: &str) -> Result<Asked<'_>, String> {
    let mut asked = Asked { value: text.trim(), every: EVERY, lasts: FOR };
    // In either order, the last one first.
    for _ in 0..2 {
        let last = |word: &'static str| Some((asked.value.rfind(&format!(" {word} "))?, word));
        let Some((at, word)) = last("for").into_iter().chain(last("every")).max() else { break };
        let (before, marked) = asked.value.split_at(at);
        // `[x for x in xs]` is a list.
        if word == "for" && before.matches('[').count() > before.matches(']').count() {
            break;
        }
        let time = marked.get(word.len() + 2..).unwrap_or("").trim();
        let seconds = parse_quantity(time)
            .ok()
            .and_then(|(value, unit)| {
                Some((value, unit.filter(|u| u.dimension == Dimension::TIME)?))
            })
            .map(|(value, _)| value)
            .filter(|seconds| *seconds > 0.0 && *seconds <= 86_400.0);
        let Some(seconds) = seconds else {
            return Err(format!("`{word} {time}` is no time: write `{word} 200 ms`, at most 24 h"));
        };
        match word {
            "for" => asked.lasts = seconds,
            _ => asked.every = seconds.max(0.001),
        }
        asked.value = before.trim();
    }
    if asked.value.is_empty() {
        return Err("say what to watch: `watch measured_speed() every 200 ms for 10 s`".to_string());
    }
    Ok(asked)
}

/// `watch`
pub fn watch(bench: &mut Bench, reader: &Reader, rest: &str) -> Came {
    let asked = match asked(rest) {
        Ok(asked) => asked,
        Err(why) => {
            complain(&format!("{why}\n"));
            return Came::Ill(2);
        }
    };
    let entry = bench.session.enter(&mut *bench.files, asked.value);
    let Some(entry) = bench.may_run(entry) else { return Came::Ill(2) };
    let acts =
        entry.effects().last().is_some_and(|of| of.effects.keys().any(|e| *e != Effect::Reads));
    if acts {
        complain("only what reads can be watched: this does more to the head\n");
        return Came::Ill(2);
    }
    let live = bench.attended && bench.time_passes;
    if live {
        complain("Enter ends it; Ctrl-C makes the head safe\n");
        reader.ask(Typed::Answer, "");
    }
    let mut drawn = 0;
    let mut seen: Vec<(f64, f64)> = Vec::new();
    let mut last = Vec::new();
    let begun = bench.station.now();
    let mut came = Came::Well;
    for _ in 0..LOOKS_MOST {
        let mut voice = Voice::new(bench.colour);
        match bench.session.look(&entry, &mut bench.station, &mut voice) {
            Ok(answers) if answers.is_empty() => {
                complain("this gives no value that could be watched\n");
                came = Came::Ill(2);
                break;
            }
            Ok(answers) => last = answers,
            Err(failure) => {
                complain(&failed(&failure, bench.session.sources(), bench.colour));
                came = bench.ill(&failure);
                break;
            }
        }
        let now = bench.station.now();
        if let [(_, Datum::Number(value)), ..] = last.as_slice() {
            seen.push((now, *value));
        }
        let lines = picture(&last, &seen);
        if draws_progress() && live {
            redraw(&lines, drawn);
            drawn = lines.len();
        } else if !bench.attended {
            say(&format!("{:9.3} s  {}\n", now, words(&last)));
        }
        if now - begun + asked.every > asked.lasts * (1.0 + 1e-9) {
            break;
        }
        if live {
            match reader.look(Duration::from_secs_f64(asked.every)) {
                None => {}
                Some(Input::Entry(_)) => break,
                Some(_) => {
                    bench.stop();
                    came = Came::Ill(Verdict::Interrupted.exit_code());
                    break;
                }
            }
            if bench.station.is_stopped() {
                break;
            }
        } else if bench.station.sleep(asked.every).is_err() {
            bench.stop();
            came = Came::Ill(Verdict::Interrupted.exit_code());
            break;
        }
    }
    if bench.attended && !(draws_progress() && live) {
        redraw(&picture(&last, &seen), 0);
    }
    if live && reader.is_waiting() {
        complain("Enter goes on\n");
        while reader.look(Duration::from_millis(200)).is_none() && !bench.station.is_stopped() {}
    }
    came
}

/// The values as they are now, on one line.
fn words(answers: &[(Answer, Datum)]) -> String {
    let all: Vec<String> =
        answers.iter().map(|(answer, datum)| answer.shower.text(datum)).collect();
    all.join("  ")
}

/// The values as they are now, and how the first one went where it is a quantity.
fn picture(answers: &[(Answer, Datum)], seen: &[(f64, f64)]) -> Vec<String> {
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
    let drawn = match answers.first().map(|(answer, _)| &answer.shower) {
        Some(Shower::Quantity { dimension, unit, .. }) => Some((*dimension, unit.clone())),
        Some(Shower::Temperature { unit, .. }) => {
            let usual = || parse_unit("degC").ok().map(Rc::new);
            Some((Dimension::TEMPERATURE, unit.clone().or_else(usual)))
        }
        _ => None,
    };
    if let Some((dimension, unit)) = drawn {
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

/// `trace`
pub fn trace(bench: &mut Bench, _: &Reader, rest: &str) -> Came {
    if rest.trim().is_empty() {
        complain("say what to run: `trace spin(4800 rpm); wait until locked() within 20 s`\n");
        return Came::Ill(2);
    }
    bench.station.sample(Some(TRACED));
    let came = bench.enter(rest);
    bench.station.sample(None);
    if came != Came::Ill(2) {
        let tap = bench.tap.borrow();
        let points: Vec<(f64, f64)> =
            tap.curve.points.iter().map(|point| (point.time, point.speed)).collect();
        let mark = tap.curve.lock().map(|lock| (lock.time, "lock"));
        let series = Series { points: &points, dimension: Dimension::ROTATION, unit: None, mark };
        let lines = plot(&series, columns());
        if points.len() < 2 {
            say("it was over at once, so there is nothing to draw: trace what waits\n");
        }
        for line in lines {
            say(&format!("{line}\n"));
        }
    }
    came
}

#[cfg(test)]
mod tests {
    use super::{Asked, EVERY, FOR, asked};

    #[test]
    fn takes_a_watch_apart() {
        let of = |value, every, lasts| Ok(Asked { value, every, lasts });
        assert_eq!(asked("measured_speed()"), of("measured_speed()", EVERY, FOR));
        assert_eq!(asked("x every 50 ms for 2 s"), of("x", 0.05, 2.0));
        assert_eq!(asked("x for 2 s every 50 ms"), of("x", 0.05, 2.0));
        assert_eq!(asked("[a for a in b]"), of("[a for a in b]", EVERY, FOR));
        assert!(asked("x every 3 mm").is_err());
        assert!(asked("x for 0 s").is_err());
        assert!(asked(" ").is_err());
    }
}
