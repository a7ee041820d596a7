//! Small words: what is known, how the head stands, back to safety, trims taken back, files read.

use crate::head::Calls;
use crate::head::Trim;
use crate::head::control::Control;
use crate::head::station::StationError;
use crate::shell::bench::{Bench, Came};
use crate::shell::prompt::{self, Stand};
use crate::shell::reader::Reader;
use crate::shell::save::Deed;
use crate::terminal::{BOLD, beside, complain, say, styled, told, wrapped};

/// `names`
pub fn names(bench: &mut Bench, _: &Reader, _: &str) -> Came {
    let known = bench.known.with(Clone::clone);
    if known.values.is_empty() && known.routines.is_empty() {
        say("no names yet: `let x = 3 mm` makes one, `read FILE` reads a script\n");
    }
    let width = known.values.keys().map(String::len).max().unwrap_or(0);
    for (name, value) in &known.values {
        let about: String = value.text.chars().take(60).collect();
        say(&format!(
            "  {:<width$}  {about}  ({})\n",
            styled(name, BOLD, bench.colour),
            value.kind
        ));
    }
    for routine in known.routines.values() {
        say(&format!("  {}\n", routine.signature()));
    }
    Came::Well
}

/// `stand`
pub fn stand(bench: &mut Bench, _: &Reader, _: &str) -> Came {
    bench.look();
    say(&prompt::told(&bench.stand, bench.owner, bench.station.description()));
    if matches!(bench.stand, Stand::Known(_)) {
        say(&around(bench));
    }
    Came::Well
}

/// How the signals and channels of the station stand.
fn around(bench: &mut Bench) -> String {
    let head = bench.station.description().clone();
    let trims = match bench.station.trims() {
        Ok(trims) => told::trims(&trims).unwrap_or_else(|| "none: all are zero".to_string()),
        Err(error) => error.to_string(),
    };
    let mut text = beside(&format!("  {:<12}", "trims"), &trims);
    for signal in &head.signals {
        let read = match bench.station.signal(&signal.name) {
            Ok(true) => "on".to_string(),
            Ok(false) => "off".to_string(),
            Err(error) => error.to_string(),
        };
        text.push_str(&format!("  {:<12} {read}\n", signal.name));
    }
    for channel in &head.channels {
        let read = match bench.station.channel(&channel.name) {
            Ok(value) => channel.shown(value),
            Err(error) => error.to_string(),
        };
        text.push_str(&format!("  {:<12} {read}\n", channel.name));
    }
    text
}

/// `safe`
pub fn safe(bench: &mut Bench, _: &Reader, _: &str) -> Came {
    let had = bench.owner == Some(Control::Own);
    let safe = bench.make_safe_surely();
    if let (false, Some(control)) = (had, &bench.control) {
        // Waiting for rest may have taken control, which was not asked for. A lost link lost it, too.
        let _ = control.give();
        bench.look();
    }
    if !(safe.laser_off && safe.troubles.is_empty()) {
        return Came::Ill(3);
    }
    bench.deeds.push(Deed::Line("park()".to_string()));
    bench.deeds.push(Deed::Line("brake()".to_string()));
    let rest = "wait until at_rest() within 60 s";
    bench.deeds.push(Deed::Line(rest.to_string()));
    Came::Well
}

/// `take`
pub fn take(bench: &mut Bench, _: &Reader, _: &str) -> Came {
    let Some(control) = &bench.control else {
        say("only this shell controls this head: no other client has control\n");
        return Came::Well;
    };
    match control.take() {
        Ok(()) => {
            say("this shell controls the head; `give` gives control back\n");
            bench.look();
            Came::Well
        }
        Err(why) => {
            complain(&wrapped(&format!("control was not taken: {why}"), ""));
            Came::Ill(3)
        }
    }
}

/// `give`
pub fn give(bench: &mut Bench, _: &Reader, _: &str) -> Came {
    if bench.control.is_none() {
        say("only this shell controls this head: no other client can take it\n");
        return Came::Well;
    }
    bench.look();
    if bench.owner != Some(Control::Own) {
        say("this shell does not control the head\n");
        return Came::Well;
    }
    let safe = bench.make_safe();
    if !(safe.laser_off && safe.troubles.is_empty()) {
        complain("control is kept: the head is not safe\n");
        return Came::Ill(3);
    }
    match bench.control.as_ref().map_or(Ok(()), |control| control.give()) {
        Ok(()) => {
            say("any client may take control now\n");
            bench.look();
            Came::Well
        }
        Err(why) => {
            complain(&format!("whether control was given back is not known: {why}\n"));
            Came::Ill(3)
        }
    }
}

/// `undo`
pub fn undo(bench: &mut Bench, _: &Reader, _: &str) -> Came {
    let Some(trims) = bench.tap.borrow_mut().take_back() else {
        complain("there is nothing to take back: no load has changed the trims\n");
        return Came::Ill(2);
    };
    let loaded = bench.station.load_trims(&trims);
    match loaded {
        Ok(()) => {
            // Loading them was noted as another load.
            bench.tap.borrow_mut().take_back();
            bench.deeds.push(Deed::Line(loading(&trims)));
            say("the trims before the last load are in force again; nothing was stored\n");
            Came::Well
        }
        Err(error) => {
            bench.tap.borrow_mut().offer(trims);
            let refused = matches!(&error, StationError::Fault(fault) if fault.is_refusal());
            let how = if refused { "were not loaded" } else { "may be in force or not" };
            complain(&format!("the trims before the last load {how}: {error}\n"));
            Came::Ill(3)
        }
    }
}

/// Loading trims as the language says it.
fn loading(trims: &[Trim]) -> String {
    let each = trims.iter().map(|trim| {
        format!(
            "{{cross_scan: {} rad, in_scan: {} s}}",
            number(trim.cross_scan),
            number(trim.in_scan)
        )
    });
    format!("load([{}])", each.collect::<Vec<_>>().join(", "))
}

/// A number that reads back as the same double.
fn number(value: f64) -> String {
    format!("{value:?}")
}

/// `read`
pub fn read(bench: &mut Bench, _: &Reader, rest: &str) -> Came {
    let path = rest.trim_matches('"');
    let (path, settings) = match (&bench.script, path) {
        (Some((path, settings)), "") => (path.clone(), settings.clone()),
        (None, "") => {
            complain("no script was read yet: `read FILE`\n");
            return Came::Ill(2);
        }
        (_, path) => (path.to_string(), Vec::new()),
    };
    bench.read(&path, &settings)
}
