//! Small words: what is known, how the head stands, back to safety, trims taken back, files read.

use crate::head::Trim;
use crate::shell::bench::{Bench, Came};
use crate::shell::prompt::{self, Stand};
use crate::shell::reader::Reader;
use crate::shell::save::Deed;
use crate::terminal::{BOLD, complain, say, styled};

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
    say(&prompt::told(&bench.stand, bench.station.description()));
    if matches!(bench.stand, Stand::Known(_)) {
        say(&around(bench));
    }
    Came::Well
}

/// How the signals and channels of the station stand.
fn around(bench: &mut Bench) -> String {
    let head = bench.station.description().clone();
    let mut text = String::new();
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
    let safe = bench.make_safe();
    bench.deeds.push(Deed::Line("park()".to_string()));
    bench.deeds.push(Deed::Line("brake()".to_string()));
    let rest = "wait until at_rest() within 60 s";
    bench.deeds.push(Deed::Line(rest.to_string()));
    if safe.laser_off && safe.troubles.is_empty() { Came::Well } else { Came::Ill(3) }
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
            complain(&format!("the trims could not be loaded: {error}\n"));
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
