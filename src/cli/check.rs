//! `check`: proves scripts without moving anything.

use crate::bounds::Bound;
use crate::check::flow::EffectsOf;
use crate::cli::files::Disk;
use crate::cli::fixture::Fixtures;
use crate::cli::formats::{self, Format};
use crate::cli::{WRONG, address, duration};
use crate::diagnostics::{Diagnostic, Severity, codes};
use crate::head::station::cannot_provoke;
use crate::head::{Description, Provoker};
use crate::program::tree::Planned;
use crate::session::{Prepared, prove};
use crate::terminal::told::rendered;
use crate::terminal::{self, BOLD, DIM, complain, say, styled, wrapped};
use clap::Args;

pub(super) const AFTER_HELP: &str = "\
Names, kinds, units, calls, effects and bounds are checked first, across all files; every problem
is reported at once. Nothing moves: the head is only asked what it is, for the longest time that
the script can take on it. That time counts every wait up to its limit, every loop up to its bound,
every reading as often as it may be taken again, what runs where a limit is reached, `catch` and
`finally`, a head that falls silent, and the making safe at the end. Working something out takes no
head time.

Examples:
  spintrue check scripts/bring_up.spt
  spintrue check scripts/*.spt
  spintrue check scripts/bring_up.spt --set speed=5000rpm
  spintrue check scripts/fit_spacer.spt --answers scripts/answers/fit_spacer.toml
  spintrue check scripts/*.spt --format sarif > check.sarif
  spintrue check scripts/bring_up.spt --head sim:my_head.toml --at-most 10min";

#[derive(Args)]
pub(super) struct Options {
    /// Scripts to check
    #[arg(required = true, value_name = "SCRIPT")]
    scripts: Vec<String>,
    /// Gives a param a value, or many from a data sheet: @FILE.toml
    #[arg(long = "set", value_name = "NAME=VALUE")]
    settings: Vec<String>,
    /// Looks at an answers file as well: whether it answers every question of each script
    #[arg(long, value_name = "FILE.toml")]
    answers: Option<String>,
    /// How to say what was found
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// The head that the scripts are to run on; without it signals and channels are only listed, and
    /// the longest time is worked out for the built-in simulated head
    #[arg(long, value_name = "ADDRESS")]
    head: Option<String>,
    #[command(flatten)]
    fixtures: Fixtures,
    /// Refuses a script that could take longer than this, such as 5min
    #[arg(long, value_name = "TIME", value_parser = duration::limit)]
    at_most: Option<f64>,
}

/// The head that scripts are checked for.
struct Heads {
    head: Description,
    provoker: Option<Box<dyn Provoker>>,
    /// It was chosen by name, or has fixtures around it.
    named: bool,
}

impl Heads {
    /// What a script names by plain text and this head does not have.
    fn impossible(&self, prepared: &Prepared) -> Vec<Diagnostic> {
        let mut found =
            prepared.unfit(&self.head, &|fault| cannot_provoke(self.provoker.as_deref(), fault));
        // What only a head of its own has is not missed where none was named.
        found.retain(|report| self.named || report.code != codes::UNKNOWN_SIGNAL);
        found
    }
}

pub(super) fn check(options: &Options) -> u8 {
    let opened = options.fixtures.read().and_then(|fixtures| {
        let address = options.head.as_deref().unwrap_or("sim");
        let mut opened = fixtures.described(address::open(address, None)?)?;
        let head = opened.head.describe();
        let head = head.map_err(|fault| format!("error: the head does not answer: {fault}"))?;
        let bare = head.signals.is_empty() && head.channels.is_empty();
        let named = options.head.is_some() || !bare;
        Ok(Heads { head, provoker: opened.provoker, named })
    });
    let heads = match opened {
        Ok(heads) => heads,
        Err(why) => {
            complain(&format!("{}\n", why.trim_end()));
            return WRONG;
        }
    };
    if options.format != Format::Text {
        return for_machines(options, &heads);
    }
    let mut code = 0;
    for script in &options.scripts {
        match prove(&mut Disk, script, &options.settings) {
            Err(why) => {
                complain(&format!("error: {why}\n"));
                code = WRONG;
            }
            Ok(mut prepared) => {
                prepared.diagnostics.extend(heads.impossible(&prepared));
                answered(options, &mut prepared);
                complain(&rendered(&prepared.diagnostics, &prepared.sources));
                if prepared.errors() > 0 {
                    code = WRONG;
                }
                report(script, &prepared, &heads);
                let Some(bound) = prepared.bound(&heads.head) else { continue };
                say(&if bound.most.is_none() && !prepared.unset.is_empty() {
                    "  its longest time is known once it is set\n".to_string()
                } else {
                    duration::explained(&bound, &prepared, terminal::colour_output())
                });
                if let Some(no) = too_long(&bound, &prepared, options.at_most) {
                    complain(&rendered(&[no], &prepared.sources));
                    code = WRONG;
                }
            }
        }
    }
    code
}

/// Why `--at-most` forbids a script, if it does.
fn too_long(bound: &Bound, prepared: &Prepared, limit: Option<f64>) -> Option<Diagnostic> {
    match prepared.unset.first().filter(|_| bound.most.is_none() && limit.is_some()) {
        Some(param) => {
            let headline = "how long this script takes is known only once its params are set";
            let report = Diagnostic::error(codes::TAKES_TOO_LONG, headline, param.span);
            Some(report.help(format!("set it: `--set {}=...`", param.name)))
        }
        None => duration::refused(bound, limit, &prepared.sources),
    }
}

/// What is wrong with the answers file, where one is given.
fn answered(options: &Options, prepared: &mut Prepared) {
    let (Some(path), true) = (&options.answers, prepared.program.is_some()) else { return };
    let wrong = prepared.answers(&mut Disk, path).err();
    prepared.diagnostics.extend(wrong.into_iter().flatten());
}

/// Checks all scripts and prints one object.
fn for_machines(options: &Options, heads: &Heads) -> u8 {
    let mut prepared = Vec::new();
    let mut unread = Vec::new();
    for script in &options.scripts {
        match prove(&mut Disk, script, &options.settings) {
            Err(why) => unread.push((script.clone(), why.to_string())),
            Ok(mut checked) => {
                let bound = checked.bound(&heads.head);
                let refused =
                    bound.as_ref().and_then(|bound| too_long(bound, &checked, options.at_most));
                checked.diagnostics.extend(heads.impossible(&checked));
                answered(options, &mut checked);
                checked.diagnostics.extend(refused);
                prepared.push((script.as_str(), checked, bound.and_then(|bound| bound.most)));
            }
        }
    }
    formats::print(options.format, &prepared, &unread);
    let may_run = unread.is_empty() && prepared.iter().all(|(_, one, _)| one.errors() == 0);
    if may_run { 0 } else { WRONG }
}

/// What a script comes to, and what it may do.
fn report(script: &str, prepared: &Prepared, heads: &Heads) {
    let colour = terminal::colour_output();
    let warnings = prepared.diagnostics.iter().filter(|d| d.severity == Severity::Warning).count();
    let name = styled(script, BOLD, colour);
    let verdict = match (prepared.program.is_some(), prepared.errors(), warnings) {
        (true, 0, 0) => "no problems".to_string(),
        (true, 0, n) => format!("may run, with {}", counted(n, "warning")),
        (true, errors, _) => format!("does not run like this: {}", counted(errors, "error")),
        (false, errors, _) => format!("does not run: {}", counted(errors, "error")),
    };
    say(&format!("{name}: {verdict}\n"));
    if prepared.program.is_none() {
        return;
    }
    for one in prepared.effects.iter().rev() {
        say(&effects_line(one, prepared, colour));
    }
    say(&planned(prepared.program.as_ref().map_or(&[], |program| &program.checks)));
    let unset = prepared.unset.iter().map(|param| format!("{} ({})", param.name, param.kind));
    let unset = unset.collect::<Vec<_>>().join(", ");
    if !unset.is_empty() {
        say(&indented(&format!("must be set to run: {unset}")));
    }
    let needs = prepared.needs().join(", ");
    if !needs.is_empty() && !heads.named {
        let what = format!("needs a head with {needs}: `--head` names it");
        say(&indented(&what));
    }
    let questions: Vec<&str> = prepared.questions().map(|q| q.planned.label.as_ref()).collect();
    say(&listed("may ask", "question", &questions));
}

/// Nothing where there are none of them.
fn listed(what: &str, noun: &str, labels: &[&str]) -> String {
    if labels.is_empty() {
        return String::new();
    }
    indented(&format!("{what} {}: {}", counted(labels.len(), noun), labels.join("; ")))
}

/// By two columns, and what does not fit on the line by two more.
fn indented(text: &str) -> String {
    let lines = wrapped(text, "    ");
    lines.strip_prefix("  ").map_or_else(|| lines.clone(), str::to_string)
}

/// The checks without which no run passes, and those that it may end without.
fn planned(checks: &[Planned]) -> String {
    let labels = |optional: bool| -> Vec<&str> {
        checks.iter().filter(|c| c.optional == optional).map(|c| c.label.as_ref()).collect()
    };
    let line = |labels: Vec<&str>, what: &str| listed(what, "check", &labels);
    line(labels(false), "makes") + &line(labels(true), "may make")
}

fn effects_line(one: &EffectsOf, prepared: &Prepared, colour: bool) -> String {
    if one.routine.is_some() && one.effects.is_empty() {
        return String::new();
    }
    let who = one.routine.as_deref().unwrap_or("the script");
    let effects: Vec<&str> = one.effects.keys().map(|effect| effect.text()).collect();
    let effects = if effects.is_empty() {
        "does nothing to the head".to_string()
    } else {
        effects.join(", ")
    };
    let mut text = format!("  {who} {effects}\n");
    for (effect, brought) in &one.effects {
        let call = prepared.sources.slice(brought.span);
        let place = prepared.sources.place(brought.span);
        let line = format!("    {:<8} by `{call}` at {place}", effect.text());
        text.push_str(&styled(&line, DIM, colour));
        text.push('\n');
    }
    text
}

/// `1 error`, `2 errors`.
pub(super) fn counted(number: usize, noun: &str) -> String {
    format!("{number} {noun}{}", if number == 1 { "" } else { "s" })
}
