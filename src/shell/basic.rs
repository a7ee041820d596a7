//! Small commands: `names`, `state`, `safe`, `take`, `give`, `undo` and `read`.

use crate::shell::console::Console;
use crate::shell::outcome::{Action, EntryOutcome};
use crate::shell::prompt;
use crate::shell::prompt::HeadState;
use crate::shell::view::name_row;
use crate::terminal::width::width;
use crate::terminal::{beside, say, told};
use spintrue_head::{Calls, Control, Trim};
use spintrue_language::StationError;

/// `names`
pub(super) fn names(console: &mut Console) -> EntryOutcome {
    let scope = console.watch.shared.with(|known| known.scope.clone());
    if scope.values.is_empty() && scope.routines.is_empty() {
        say("no names yet: `let x = 3 mm` declares one, `read FILE` reads a script\n");
    }
    let width = scope.values.keys().map(|name| width(name)).max().unwrap_or(0);
    for (name, value) in &scope.values {
        let shown = Some((value.text.as_str(), value.kind.as_str()));
        say(&name_row(name, width, shown, console.watch.colour));
    }
    for routine in scope.routines.values() {
        say(&format!("  {}\n", routine.signature()));
    }
    EntryOutcome::Done
}

/// `state`
pub(super) fn state(console: &mut Console) -> EntryOutcome {
    console.look();
    let watch = &console.watch;
    say(&prompt::rows(&watch.state, watch.owner, console.station.description()));
    if matches!(watch.state, HeadState::Known(_)) {
        say(&station_rows(console));
    }
    EntryOutcome::Done
}

/// Trims, signals and channels, a row each.
fn station_rows(console: &mut Console) -> String {
    let head = console.station.description().clone();
    let trims = match console.station.trims() {
        Ok(trims) => told::trims(&trims).unwrap_or_else(|| "none: all are zero".to_string()),
        Err(error) => error.to_string(),
    };
    let mut text = beside(&format!("  {:<12}", "trims"), &trims);
    let mut row = |name: &str, value: String| text.push_str(&format!("  {name:<12} {value}\n"));
    for signal in &head.signals {
        row(
            &signal.name,
            match console.station.signal(&signal.name) {
                Ok(true) => "on".to_string(),
                Ok(false) => "off".to_string(),
                Err(error) => error.to_string(),
            },
        );
    }
    for channel in &head.channels {
        let value = console.station.channel(&channel.name);
        let shown = value.map(|value| channel.shown(value));
        row(&channel.name, shown.unwrap_or_else(|error| error.to_string()));
    }
    text
}

/// `safe`
pub(super) fn safe(console: &mut Console) -> EntryOutcome {
    let had = console.watch.owner == Some(Control::Own);
    let safe = console.force_safe();
    if let (false, Some(control)) = (had, &console.watch.control) {
        // Waiting for rest may have taken control, which was not asked for. A lost link lost it, too.
        let _ = control.give();
        console.look();
    }
    if !(safe.laser_off && safe.troubles.is_empty()) {
        return EntryOutcome::Failed(3);
    }
    console.keep_safe();
    EntryOutcome::Done
}

/// `take`
pub(super) fn take(console: &mut Console) -> EntryOutcome {
    let Some(control) = &console.watch.control else {
        return EntryOutcome::done(
            "only this shell controls this head: no other client has control\n",
        );
    };
    if let Err(why) = control.take() {
        console.look();
        let way = match console.watch.owner {
            Some(Control::Others) => {
                ". Ask its operator to give control back, in a shell by `give`: this shell says when \
                 control is free. `safe` makes the head safe all the same"
            }
            _ => "",
        };
        return EntryOutcome::head_failed(&format!("control was not taken: {why}{way}"));
    }
    console.look();
    EntryOutcome::done("this shell controls the head now; `give` gives control back\n")
}

/// `give`
pub(super) fn give(console: &mut Console) -> EntryOutcome {
    if console.watch.control.is_none() {
        return EntryOutcome::done(
            "only this shell controls this head: no other client can take it\n",
        );
    }
    console.look();
    if console.watch.owner != Some(Control::Own) {
        let whose = match console.watch.owner {
            Some(Control::Others) => "another client does",
            _ => "no client does; `take` takes control",
        };
        let told = format!("this shell does not control the head: {whose}\n");
        return EntryOutcome::done(&told);
    }
    let safe = console.safe(false);
    if !(safe.laser_off && safe.troubles.is_empty()) {
        return EntryOutcome::head_failed("control is kept: the head is not safe");
    }
    if let Some(Err(why)) = console.watch.control.as_ref().map(|control| control.give()) {
        let why = format!("whether control was given back is not known: {why}");
        return EntryOutcome::head_failed(&why);
    }
    console.look();
    EntryOutcome::done("any client may take control now\n")
}

/// `undo`
pub(super) fn undo(console: &mut Console) -> EntryOutcome {
    let Some(trims) = console.monitor.borrow_mut().take_back() else {
        return EntryOutcome::wrong("there is nothing to undo: no load has changed the trims");
    };
    if let Err(error) = console.station.load_trims(&trims) {
        console.monitor.borrow_mut().offer(trims);
        let refused = matches!(&error, StationError::Fault(fault) if fault.is_refusal());
        let how = if refused { "were not loaded" } else { "may be in force or not" };
        let why = format!("the trims before the last load {how}: {error}");
        return EntryOutcome::head_failed(&why);
    }
    // This load was noted as well.
    console.monitor.borrow_mut().take_back();
    console.actions.push(Action::statement(load_statement(&trims)));
    EntryOutcome::done("the trims before the last load are in force again; nothing was stored\n")
}

/// The statement that loads trims; its numbers read back as the same doubles.
fn load_statement(trims: &[Trim]) -> String {
    let each = trims.iter().map(|Trim { cross_scan, in_scan, power, length }| {
        let share = |name, value: f64| match value {
            1.0 => String::new(),
            value => format!(", {name}: {value:?}"),
        };
        let (length, power) = (share("length", *length), share("power", *power));
        format!("{{cross_scan: {cross_scan:?} rad, in_scan: {in_scan:?} s{length}{power}}}")
    });
    format!("load([{}])", each.collect::<Vec<_>>().join(", "))
}

/// `read`
pub(super) fn read(console: &mut Console, rest: &str) -> EntryOutcome {
    let path = rest.trim_matches('"');
    match (console.script.clone(), path) {
        (Some((path, settings)), "") => console.read(&path, &settings),
        (None, "") => EntryOutcome::wrong("no script was read yet: `read FILE`"),
        (_, path) => console.read(path, &[]),
    }
}
