//! `entries` and `drop`: what `save` writes, numbered, and what it leaves out.

use crate::shell::console::Console;
use crate::shell::outcome::EntryOutcome;
use crate::terminal::told::shortened;
use crate::terminal::{DIM, say, styled};

/// `entries`
pub(super) fn entries(console: &mut Console) -> EntryOutcome {
    if console.actions.is_empty() {
        say("nothing ran to its end yet, so `save` would write nothing\n");
    }
    for (number, action) in (1..).zip(&console.actions) {
        let text = shortened(&action.text);
        let line = match action.is_dropped {
            true => styled(&format!("{number:4}  (left out) {text}"), DIM, console.watch.colour),
            false => format!("{number:4}  {text}"),
        };
        say(&format!("{line}\n"));
    }
    EntryOutcome::Done
}

/// `drop`
pub(super) fn drop(console: &mut Console, rest: &str) -> EntryOutcome {
    let count = console.actions.len();
    let number = rest.trim().parse::<usize>().ok();
    let action = number.and_then(|number| console.actions.get_mut(number.checked_sub(1)?));
    let Some(action) = action else {
        return EntryOutcome::wrong(match count {
            0 => "there is nothing to leave out: nothing ran to its end yet".to_string(),
            _ => format!("say which: `drop NUMBER`, 1 to {count}; `entries` lists them"),
        });
    };
    if action.is_dropped {
        return EntryOutcome::done("it is left out already\n");
    }
    action.is_dropped = true;
    let told = format!("`save` leaves out: {}\n", shortened(&action.text));
    EntryOutcome::done(&told)
}
