//! The bench at a glance, for `watch` without a value: strips of what the head tells, one look at its status each
//! time.

use crate::paper::series::Series;
use crate::shell::console::Console;
use crate::shell::prompt;
use crate::shell::prompt::HeadState;
use crate::shell::watch::{MAX_QUICK, View};
use crate::terminal::columns::cut;
use crate::terminal::plot::{Charset, Curve, figure, spark};
use spintrue_head::{Calls, Control, Description, Dimension, Laser, Status, parse_unit};
use spintrue_language::{Failure, PlotOf, PlotSort, Shown, StationError};
use std::collections::VecDeque;
use std::f64::consts::TAU;
use std::sync::Arc;

/// Looks that strips show.
const MAX_LOOKS: usize = 300;

/// Head time in s between two turns whose pulses are asked for, and after one that failed, which takes its time.
const TURN_INTERVAL: f64 = 1.0;
const FAILED_INTERVAL: f64 = 10.0;

/// The error of the speed is drawn up to so many half-widths of the lock window.
const MAX_WINDOWS: f64 = 5.0;

/// Rows of a strip that is drawn in a frame.
const MIN_ROWS: usize = 6;

/// Columns of a name and of a value before its strip.
const NAME: usize = 12;
const VALUE: usize = 24;

/// What the head told since the view began.
#[derive(Default)]
pub(super) struct Bench {
    looks: VecDeque<Status>,
    /// Why it does not answer now.
    silent: Option<String>,
    /// When the pulses of a turn are asked for next, in s of head time.
    due: f64,
    /// How late the pulse of each facet came after the index, against even division, in s; or why that is not known.
    pulses: Option<Result<Vec<f64>, String>>,
    /// The last change.
    event: Option<String>,
}

impl View for Bench {
    fn look(&mut self, console: &mut Console) -> Result<(), Failure> {
        let changes = console.watch.look(&mut console.station);
        match &console.watch.state {
            HeadState::Known(status) => {
                self.silent = None;
                self.looks.push_back((**status).clone());
                if self.looks.len() > MAX_LOOKS {
                    self.looks.pop_front();
                }
            }
            HeadState::NoAnswer(why) => self.silent = Some(why.clone()),
        }
        if let Some(change) = changes.last() {
            let time = self.looks.back().map_or(f64::NAN, |status| status.time);
            self.event = Some(format!("{change} ({time:.1} s)"));
        }
        if console.watch.attended && self.silent.is_none() {
            self.ask_pulses(console);
        }
        Ok(())
    }

    fn picture(&self, console: &Console, size: (usize, usize)) -> Vec<String> {
        let head = console.station.description();
        let charset = Charset::of_terminal();
        let mut lines = vec![self.status_line(console)];
        let Some(now) = self.looks.back() else { return lines };
        if self.silent.is_some() {
            let heard = now.time;
            lines.push(format!(
                "  all below is from {heard:.1} s of head time, when it answered last"
            ));
        }
        let mut below = self.rows(head, size.0, charset);
        let event = self.event.as_deref().unwrap_or("none since this view began");
        let control = console.watch.owner.map(prompt::controller);
        below.extend(control.map(|control| format!("  {:<NAME$} {control}", "control")));
        below.push(format!("  {:<NAME$} {event}", "last event"));
        let room = size.1.saturating_sub(lines.len() + below.len());
        let pulses = match &self.pulses {
            Some(Ok(pulses)) if room > pulses.len() + MIN_ROWS => {
                let bars = pulse_bars(pulses).into_iter().collect();
                figure(bars, None, (size.0, room), 0, charset).0
            }
            Some(Ok(pulses)) => {
                let most = pulses.iter().map(|late| late.abs()).fold(0.0, f64::max) * 1e6;
                vec![row(
                    "pulses",
                    &format!("up to {most:.3} us off even"),
                    pulses,
                    size.0,
                    charset,
                )]
            }
            Some(Err(why)) => vec![format!("  {:<NAME$} {why}", "pulses")],
            None => Vec::new(),
        };
        let room = room.saturating_sub(pulses.len());
        let speed = self.speed(now, head, charset).filter(|_| room >= MIN_ROWS);
        if let Some(speed) = speed {
            lines.extend(figure(vec![speed], None, (size.0, room), 0, charset).0);
        } else if let Some(error) = error(now) {
            let errors: Vec<f64> = self.looks.iter().filter_map(self::error).collect();
            let error = format!("{:+.1} ppm", error * 1e6);
            lines.push(row("speed error", &error, &errors, size.0, charset));
        }
        lines.extend(pulses);
        lines.extend(below);
        lines
    }

    fn line(&self, console: &Console) -> String {
        let time = self.looks.back().map(|status| format!("{:.3}", status.time));
        let time = time.unwrap_or_else(|| "-".to_string());
        let mut text = format!("{time:>9} s  {}", self.status_line(console));
        if let Some(now) = self.looks.back().filter(|_| self.silent.is_none()) {
            let error = error(now).filter(|_| now.locked);
            let error = error.map(|error| format!("  {:+.1} ppm", error * 1e6));
            let rails = console.station.description().rails.iter().zip(&now.rails);
            let rails = rails.map(|(rail, volts)| format!("  {} {volts:.2} V", rail.name));
            text.push_str(&error.into_iter().chain(rails).collect::<String>());
            text.push_str(&format!("  {:.1} degC", now.temperature - 273.15));
        }
        text.push('\n');
        text
    }
}

/// The relative error of the speed; none where none is asked for.
fn error(status: &Status) -> Option<f64> {
    status.target.filter(|target| *target > 0.0).map(|target| status.speed / target - 1.0)
}

/// A name, a value, and how it went.
fn row(name: &str, value: &str, seen: &[f64], columns: usize, charset: Charset) -> String {
    let room = columns.saturating_sub(NAME + VALUE + 4);
    format!("  {name:<NAME$} {value:<VALUE$} {}", spark(seen, room, charset))
}

fn pulse_bars(pulses: &[f64]) -> Option<Curve> {
    let quantity = |value: f64, unit: &str| Shown::Quantity {
        value,
        unit: unit.to_string(),
        asked: None,
        text: String::new(),
    };
    let row = |(facet, late): (usize, &f64)| {
        let fields = [
            ("facet", quantity(facet as f64, "")),
            ("pulse off even division", quantity(*late, "s")),
        ];
        Shown::Record(fields.into_iter().map(|(name, shown)| (Arc::from(name), shown)).collect())
    };
    let rows = Shown::List(pulses.iter().enumerate().map(row).collect());
    let bars = PlotOf { sort: PlotSort::Bars, low: None, high: None };
    let series = Series::all("", &rows, &bars).into_iter().next()?;
    Some(Curve { name: String::new(), group: "pulses".to_string(), series })
}

impl Bench {
    /// What matters first, in capitals.
    fn status_line(&self, console: &Console) -> String {
        let (Some(now), None) = (self.looks.back(), &self.silent) else {
            let why = self.silent.as_deref().unwrap_or("it was not asked yet");
            return format!("NO ANSWER: TAKE IT AS ARMED AND TURNING ({why})");
        };
        let polygon = prompt::polygon(now);
        let at = polygon.find(|c: char| c.is_ascii_digit()).unwrap_or(polygon.len());
        let (state, speed) = polygon.split_at(at);
        let interlock = if now.interlock_closed { "CLOSED" } else { "OPEN" };
        let laser = if now.laser == Laser::Off { "OFF" } else { "ARMED" };
        let bad = prompt::bad_rails(now, console.station.description());
        let bad = if bad.is_empty() { "" } else { "  RAIL BAD" };
        format!("{}{speed}  INTERLOCK {interlock}  LASER {laser}{bad}", state.to_uppercase())
    }

    /// Asks for the pulses of a turn, where that disturbs nothing: only while locked and dark, and only where this
    /// shell has control already.
    fn ask_pulses(&mut self, console: &mut Console) {
        let Some(now) = self.looks.back() else { return };
        let head = console.station.description();
        let why = if !head.counts_in_the_dark() {
            Some("this head gives no pulse of each facet without its beam")
        } else if console.watch.replay.is_some() {
            Some("a replay tells only what was asked")
        } else if console.watch.control.is_some() && console.watch.owner != Some(Control::Own) {
            Some("told only to the client that controls the head")
        } else if !now.locked || now.laser != Laser::Off {
            Some("told while locked and the laser is off")
        } else if head.turns_most(1.0, now.speed) > MAX_QUICK {
            // Ctrl-C waits for the answer.
            Some("a turn without pulses would take this head too long to tell")
        } else {
            None
        };
        if let Some(why) = why {
            self.pulses = Some(Err(why.to_string()));
            return;
        }
        // A clock that went back was started anew.
        if (self.due - FAILED_INTERVAL..self.due).contains(&now.time) {
            return;
        }
        let time = now.time;
        let facets = head.facets as usize;
        let told = match console.station.turns(1).map(|turns| turns.into_iter().next()) {
            Ok(Some(turn)) if turn.pulses.len() == facets => {
                let even = |facet: usize| turn.period * facet as f64 / facets as f64;
                Ok(turn.pulses.iter().enumerate().map(|(facet, at)| at - even(facet)).collect())
            }
            Ok(turn) => {
                let count = turn.map_or(0, |turn| turn.pulses.len());
                Err(format!("the head tells the times of {count} in a turn of {facets} facets"))
            }
            Err(StationError::Fault(fault)) => Err(fault.to_string()),
            Err(_) => return,
        };
        self.due = time + if told.is_ok() { TURN_INTERVAL } else { FAILED_INTERVAL };
        self.pulses = Some(told);
    }

    /// The error of the speed while it is near the one asked for, else the speed.
    fn speed(&self, now: &Status, head: &Description, charset: Charset) -> Option<Curve> {
        let near = |status: &&Status| {
            let limit = MAX_WINDOWS * head.lock_window;
            let is_near = error(status).is_some_and(|error| error.abs() <= limit);
            // In lock, how it got there is of no interest.
            is_near && status.target == now.target && (status.locked || !now.locked)
        };
        let newest = self.looks.iter().rev().take_while(near);
        let mut errors: Vec<(f64, f64)> =
            newest.filter_map(|status| Some((status.time, error(status)?))).collect();
        errors.reverse();
        let series = if errors.is_empty() {
            let speeds: Vec<(f64, f64)> = self.looks.iter().map(|s| (s.time, s.speed)).collect();
            Series::over_time("speed", &speeds, Dimension::ROTATION, None)?
        } else {
            let sign = if charset == Charset::Ascii { "+-" } else { "±" };
            let window = head.lock_window * 1e6;
            let name = format!("speed error (lock: {sign}{window:.0})");
            let ppm = parse_unit("ppm").ok();
            let mut series = Series::over_time(&name, &errors, Dimension::NUMBER, ppm.as_ref())?;
            // The scale fits the errors; the window is drawn where they come near it.
            let most = errors.iter().map(|(_, error)| error.abs()).fold(0.0, f64::max) * 1e6;
            let limits = [-window, window].map(|limit| (most >= window / 2.0).then_some(limit));
            series.limits = limits;
            series
        };
        Some(Curve { name: String::new(), group: "speed".to_string(), series })
    }

    /// A row each for lock, rails and temperature.
    fn rows(&self, head: &Description, columns: usize, charset: Charset) -> Vec<String> {
        let Some(now) = self.looks.back() else { return Vec::new() };
        let over =
            |value: &dyn Fn(&Status) -> f64| self.looks.iter().map(value).collect::<Vec<_>>();
        let mut rows = Vec::new();
        let turn = if now.speed > 0.0 {
            format!(", {:.3} ms a turn", TAU / now.speed * 1e3)
        } else {
            String::new()
        };
        let lock = format!("{}{turn}", if now.locked { "yes" } else { "no" });
        rows.push(row("lock", &lock, &over(&|s| f64::from(u8::from(s.locked))), columns, charset));
        let bad = prompt::bad_rails(now, head);
        for (at, (rail, volts)) in head.rails.iter().zip(&now.rails).enumerate() {
            let off = (volts / rail.nominal - 1.0) * 100.0;
            let mark = if prompt::without(&bad, &rail.name) { "" } else { " BAD" };
            let value = format!("{volts:.2} V, {off:+.2} %{mark}");
            let seen = over(&|s| s.rails.get(at).copied().unwrap_or(f64::NAN));
            rows.push(row(&cut(&rail.name, NAME), &value, &seen, columns, charset));
        }
        let degrees = format!("{:.1} degC", now.temperature - 273.15);
        rows.push(row("temperature", &degrees, &over(&|s| s.temperature), columns, charset));
        rows
    }
}
