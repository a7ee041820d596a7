//! The state of the head: as a prompt, as rows, and as a line for each change.

use crate::terminal::columns;
use spintrue_head::{Control, Description, Dimension, Laser, Status, show_quantity, visible_line};

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

/// Rails beyond their tolerance, by name.
pub(super) fn bad_rails(status: &Status, head: &Description) -> Vec<String> {
    let rails = head.rails.iter().zip(&status.rails);
    let bad = rails.filter(|(rail, volts)| {
        (**volts - rail.nominal).abs() > rail.tolerance * rail.nominal.abs()
    });
    bad.map(|(rail, _)| rail.name.clone()).collect()
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
    let status = match state {
        HeadState::Known(status) => status,
        HeadState::NoAnswer(_) => return "no answer> ".to_string(),
    };
    let mut words = vec![polygon(status)];
    if owner == Some(Control::Others) {
        words.insert(0, "observing".to_string());
    }
    if status.laser != Laser::Off {
        words.insert(0, "ARMED".to_string());
    }
    if !status.interlock_closed {
        words.push("interlock open".to_string());
    }
    if !bad_rails(status, head).is_empty() {
        words.push("rail bad".to_string());
    }
    format!("{}> ", words.join(", "))
}

/// What has changed between two looks, a line each.
pub(super) fn changes(before: &HeadState, now: &HeadState, head: &Description) -> Vec<String> {
    let (before, now) = match (before, now) {
        (HeadState::Known(before), HeadState::Known(now)) => (before, now),
        (HeadState::Known(_), HeadState::NoAnswer(why)) => {
            return vec![format!(
                "the head does not answer: {why}; take it as armed and turning until it does"
            )];
        }
        (HeadState::NoAnswer(_), HeadState::Known(now)) => {
            return vec![format!("the head answers again: {}", polygon(now))];
        }
        (HeadState::NoAnswer(_), HeadState::NoAnswer(_)) => return Vec::new(),
    };
    let mut lines = Vec::new();
    if before.interlock_closed != now.interlock_closed {
        let how = if now.interlock_closed { "closed again" } else { "opened" };
        lines.push(format!("the interlock was {how}"));
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
    let was = bad_rails(before, head);
    for rail in bad_rails(now, head).iter().filter(|rail| !was.contains(rail)) {
        lines.push(format!("rail {rail} is out of its tolerance"));
    }
    if before.laser == Laser::Off && now.laser != Laser::Off {
        lines.push("THE LASER IS ARMED, and no entry runs".to_string());
    }
    lines
}

/// Who controls a head that several clients may reach.
pub(super) fn controller(owner: Control) -> &'static str {
    match owner {
        Control::Own => "this shell",
        Control::Others => "another client: this shell only looks",
        Control::None => "no client",
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
        let mark = if bad.contains(&rail.name) { " BAD" } else { "" };
        format!("{} {volts:.2} V{mark}", rail.name)
    });
    rows.push(("rails", rails.collect::<Vec<_>>().join(", ")));
    let time = show_quantity(status.time, Dimension::TIME, None, None);
    rows.push(("head time", time));
    rows.iter().map(|(name, value)| format!("  {name:<12} {value}\n")).collect()
}
