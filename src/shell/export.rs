//! `export`: a list of records as a table in a file, as a record of a run has it.

use crate::record::table_csv;
use crate::shell::console::Console;
use crate::shell::outcome::{Action, EntryOutcome};
use crate::shell::printer::EntryPrinter;
use crate::shell::save;
use crate::terminal::told::failed;
use crate::terminal::{complain, counted};
use spintrue_language::{Effect, Shown};
use std::path::Path;

/// `export`
pub(super) fn export(console: &mut Console, rest: &str) -> EntryOutcome {
    let Some((value, path)) = rest.rsplit_once(" to ") else {
        return EntryOutcome::wrong("say what, and where to: `export before to before.csv`");
    };
    let (value, path) = (value.trim(), path.trim().trim_matches('"'));
    let shown = match shown(console, value) {
        Ok(shown) => shown,
        Err(outcome) => return outcome,
    };
    let Some((rows, text)) = table_csv(&shown) else {
        return EntryOutcome::wrong(format!(
            "`{value}` is no list of records with numbers, flags or texts, which a table needs: write \
             others as one, such as `export [{{facet: k, value: f(k)}} for k in facets()] to FILE`"
        ));
    };
    if let Err(why) = save::write(console, Path::new(path), &text) {
        return EntryOutcome::wrong(format!("nothing was written: {why}"));
    }
    console.actions.push(Action::statement(save::record_statement(value)));
    EntryOutcome::done(&format!("wrote {} to {path}\n", counted(rows, "row")))
}

/// The value of an expression that only reads; else how that ended.
fn shown(console: &mut Console, value: &str) -> Result<Shown, EntryOutcome> {
    let entry = console.session.enter(&mut *console.files, value);
    let entry = console.admit(entry).ok_or(EntryOutcome::WRONG)?;
    let own = entry.effects().last();
    if own.is_some_and(|own| own.effects.keys().any(|effect| *effect != Effect::Reads)) {
        let why = "only what reads can be exported: give it a name first, such as `let seen = ...`";
        return Err(EntryOutcome::wrong(why));
    }
    let mut printer = EntryPrinter::new(console.watch.colour);
    match console.session.look(&entry, &mut console.station, &mut printer) {
        Ok(answers) => match answers.as_slice() {
            [(answer, datum)] => Ok(answer.shower.shown(datum)),
            _ => Err(EntryOutcome::wrong("say one value that is to be exported")),
        },
        Err(failure) => {
            complain(&failed(&failure, console.session.sources(), console.watch.colour));
            Err(console.outcome_of(&failure))
        }
    }
}
