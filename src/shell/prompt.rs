//! The state of the head: as a prompt, as rows, and as a line for each change.

use crate::terminal::columns;
use spintrue_head::{
    Control, Description, Dimension, Laser, Status, show_number, show_quantity, visible_line,
};

/// The state of the head as it was last seen.
#[derive(Clone, Debug)]
pub(super) enum HeadState {
    /// It answered.
    Known(Box<Status>),
    /// It did not.
    NoAnswer(String),
}

fn speed(status: &Status) -> String {
    show_quantity(status.speed, Dimension::ROTATION, None, Some(0))
}

/// Rails beyond their tolerance, each with what it reads and should read.
pub(super) fn bad_rails<'a>(status: &Status, head: &'a Description) -> Vec<(&'a str, String)> {
    let rails = head.rails.iter().zip(&status.rails);
    let bad = rails.filter(|(rail, volts)| {
        (**volts - rail.nominal).abs() > rail.tolerance * rail.nominal.abs()
    });
    let told = bad.map(|(rail, volts)| {
        let share = show_number(rail.tolerance * 100.0, None);
        let reads = format!("{volts:.2} V, should be {:.2} V ± {share} %", rail.nominal);
        (rail.name.as_str(), reads)
    });
    told.collect()
}

/// Whether a rail is within its tolerance.
pub(super) fn without(rails: &[(&str, String)], name: &str) -> bool {
    rails.iter().all(|(rail, _)| *rail != name)
}

/// The words of an alarm in a prompt, the worst first.
const ALARMS: [&str; 4] = ["NO ANSWER", "LASER ARMED", "INTERLOCK OPEN", "RAIL BAD"];

/// Whether a prompt holds an alarm.
pub(super) fn is_alarmed(prompt: &str) -> bool {
    ALARMS.iter().any(|alarm| prompt.contains(alarm))
}

/// The first word of a line that must stand out.
pub(super) const ALARM: &str = "ALARM: ";

fn alarm(what: &str) -> String {
    format!("{ALARM}{what}")
}

/// What the polygon does.
pub(super) fn polygon(status: &Status) -> String {
    if status.locked {
        return format!("locked {}", speed(status));
    }
    if status.at_rest {
        return "at rest".to_string();
    }
    match status.target {
        Some(_) => format!("no lock {}", speed(status)),
        None => format!("slowing {}", speed(status)),
    }
}

/// Columns of a prompt that may change while a line is typed.
const PROMPT_COLUMNS: usize = 30;

/// Begins the prompt of a pause.
pub(super) const PAUSED: &str = "paused, ";

/// A prompt with room for another in its place; where it cannot change any more, without a speed,
/// which would soon be out of date.
pub(super) fn roomy(words: String, can_change: bool) -> String {
    match can_change {
        true if columns() >= 60 => format!("{words:<PROMPT_COLUMNS$}"),
        true => words,
        false => {
            let stays = |word: &&str| !word.starts_with(|c: char| c.is_ascii_digit());
            let words = words.trim_end().trim_end_matches('>').replace(" rpm", "");
            let words: Vec<&str> = words.split(' ').filter(stays).collect();
            format!("{}> ", words.join(" "))
        }
    }
}

/// The prompt of an entry; `owner` controls the head, where several clients may reach it.
pub(super) fn prompt(state: &HeadState, owner: Option<Control>, head: &Description) -> String {
    let known = match state {
        HeadState::Known(status) => Some(status),
        HeadState::NoAnswer(_) => None,
    };
    let is = |alarmed: fn(&Status, &Description) -> bool| known.is_some_and(|s| alarmed(s, head));
    // A laser that is armed at a prompt was armed by no entry.
    let raised = [
        known.is_none(),
        is(|status, _| status.laser != Laser::Off),
        is(|status, _| !status.interlock_closed),
        is(|status, head| !bad_rails(status, head).is_empty()),
    ];
    let alarms = ALARMS.iter().zip(raised).filter(|(_, raised)| *raised);
    let alarms = alarms.map(|(alarm, _)| (*alarm).to_string());
    let control = owner.map(|owner| match owner {
        Control::Own => "control".to_string(),
        Control::Others => "observing".to_string(),
        Control::None => "free".to_string(),
    });
    let words: Vec<String> =
        alarms.chain(control).chain(known.map(|status| polygon(status))).collect();
    format!("{}> ", words.join(", "))
}

/// What has changed between two looks, a line each.
pub(super) fn changes(before: &HeadState, now: &HeadState, head: &Description) -> Vec<String> {
    let (before, now) = match (before, now) {
        (HeadState::Known(before), HeadState::Known(now)) => (before, now),
        (HeadState::Known(_), HeadState::NoAnswer(why)) => {
            return vec![alarm(&format!(
                "the head does not answer: {why}; take it as armed and turning until it does"
            ))];
        }
        (HeadState::NoAnswer(_), HeadState::Known(now)) => {
            return vec![format!("the head answers again: {}", polygon(now))];
        }
        (HeadState::NoAnswer(_), HeadState::NoAnswer(_)) => return Vec::new(),
    };
    let mut lines = Vec::new();
    match (before.laser, now.laser) {
        (Laser::Off, Laser::Armed) => lines.push(alarm(
            "THE LASER IS ARMED, and no entry runs: type `safe`, or open the interlock",
        )),
        (Laser::Armed, Laser::Off) => lines.push("the laser is off again".to_string()),
        _ => {}
    }
    match (before.interlock_closed, now.interlock_closed) {
        (true, false) => lines.push(alarm("the interlock was opened")),
        (false, true) => lines.push("the interlock was closed again".to_string()),
        _ => {}
    }
    let (was, is) = (bad_rails(before, head), bad_rails(now, head));
    for (rail, reads) in is.iter().filter(|(rail, _)| without(&was, rail)) {
        lines.push(alarm(&format!("rail {rail} is out of its tolerance: {reads}")));
    }
    for (rail, _) in was.iter().filter(|(rail, _)| without(&is, rail)) {
        lines.push(format!("rail {rail} is within its tolerance again"));
    }
    if before.locked && !now.locked {
        match now.target {
            Some(_) => lines.push(format!("lock was lost, at {}", speed(now))),
            None => lines.push(format!("the polygon is on its way down, at {}", speed(now))),
        }
    }
    if !before.locked && now.locked {
        lines.push(format!("locked at {}", speed(now)));
    }
    if !before.at_rest && now.at_rest {
        lines.push("the polygon is at rest".to_string());
    }
    lines
}

/// Who controls a head that several clients may reach.
pub(super) fn controller(owner: Control) -> &'static str {
    match owner {
        Control::Own => "this shell; `give` gives it back",
        Control::Others => "another client: this shell only looks",
        Control::None => "no client; `take` takes it",
    }
}

/// The state of the head, a row each.
pub(super) fn rows(state: &HeadState, owner: Option<Control>, head: &Description) -> String {
    let status = match state {
        HeadState::Known(status) => status,
        HeadState::NoAnswer(why) => return format!("the head does not answer: {why}\n"),
    };
    let degrees = |angle: f64| show_quantity(angle, Dimension::ANGLE, None, None);
    let mut rows = vec![
        ("head", visible_line(&format!("{} {}, {} facets", head.model, head.serial, head.facets))),
        ("polygon", polygon(status)),
        ("interlock", if status.interlock_closed { "closed" } else { "OPEN" }.to_string()),
        ("laser", if status.laser == Laser::Off { "off" } else { "ARMED" }.to_string()),
        ("mirror", if status.parked { "parked".to_string() } else { degrees(status.galvanometer) }),
        ("temperature", format!("{:.1} degC", status.temperature - 273.15)),
    ];
    if let Some(owner) = owner {
        rows.push(("control", controller(owner).to_string()));
    }
    if let Some(target) = status.target {
        rows.push(("asked for", show_quantity(target, Dimension::ROTATION, None, None)));
    }
    if let Some(facet) = status.facet {
        rows.push(("next facet", facet.to_string()));
    }
    let bad = bad_rails(status, head);
    let rails = head.rails.iter().zip(&status.rails).map(|(rail, volts)| {
        let mark = if without(&bad, &rail.name) { "" } else { " BAD" };
        format!("{} {volts:.2} V{mark}", rail.name)
    });
    rows.push(("rails", rails.collect::<Vec<_>>().join(", ")));
    let time = show_quantity(status.time, Dimension::TIME, None, None);
    rows.push(("head time", time));
    rows.iter().map(|(name, value)| format!("  {name:<12} {value}\n")).collect()
}
