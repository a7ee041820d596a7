//! `check`: checks scripts without moving anything.

use crate::cli::fmt::{STANDARD_INPUT, replace};
use crate::cli::formats;
use crate::cli::formats::Format;
use crate::disk::Disk;
use crate::error::{Error, WRONG, invalid};
use crate::project::head_at;
use crate::setup::options::{Answers, AtMost, Settings};
use crate::setup::{Described, Fixtures, Retest};
use crate::terminal;
use crate::terminal::told::rendered;
use crate::terminal::{BOLD, DIM, complain, counted, duration, say, styled, wrapped};
use clap::Args;
use spintrue_language::{
    Diagnostic, EffectsOf, PlannedCheck, Prepared, Severity, TAKES_TOO_LONG, TimeBound,
    UNKNOWN_SIGNAL, mend, prove,
};
use std::path::Path;

#[derive(Args)]
#[command(after_help = include_str!("help/check.txt"))]
pub(super) struct Options {
    /// Scripts to check
    #[arg(required = true, value_name = "SCRIPT")]
    scripts: Vec<String>,
    #[command(flatten)]
    settings: Settings,
    #[command(flatten)]
    answers: Answers,
    /// Make the safe edits of the reports in the scripts named here, then check what they left
    #[arg(long)]
    fix: bool,
    /// Output format
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Address of the head that the scripts are to run on. Without it signals and channels are only
    /// listed, and the longest time is that on the built-in simulated head
    #[arg(long, value_name = "ADDRESS", value_parser = head_at)]
    head: Option<String>,
    #[command(flatten)]
    fixtures: Fixtures,
    #[command(flatten)]
    longest: AtMost,
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let address = options.head.as_deref().unwrap_or("sim");
    let described = options.fixtures.describe(address)?;
    let head = &described.head;
    let is_named = options.head.is_some() || !(head.signals.is_empty() && head.channels.is_empty());
    let (mut code, mut all) = (0, Vec::new());
    for script in &options.scripts {
        let fixed = if options.fix { options.mend(script) } else { Ok(()) };
        let checked = fixed.and_then(|()| options.check(script, &described, is_named));
        code = code.max(match &checked {
            Ok(one) if one.prepared.errors() == 0 && one.too_long.is_none() => 0,
            Ok(_) => WRONG,
            Err(error) => error.exit_code(),
        });
        match checked {
            checked if options.format != Format::Text => all.push((script.as_str(), checked)),
            Ok(checked) => checked.print(script, is_named),
            Err(error) => error.print(),
        }
    }
    if options.format != Format::Text {
        formats::print(options.format, all);
    }
    Ok(code)
}

/// A checked script, the bound on its time, and why `--at-most` forbids it.
pub(super) struct Checked {
    pub prepared: Prepared,
    pub bound: Option<TimeBound>,
    pub too_long: Option<Diagnostic>,
}

impl Options {
    /// Checks a script, its answers file and what it needs of the head.
    fn check(&self, script: &str, described: &Described, is_named: bool) -> Result<Checked, Error> {
        let mut prepared = prove(&mut Disk, script, &self.settings.settings)?;
        if prepared.errors() == 0 {
            Retest::check(&prepared.sources, &self.settings.settings)?;
        }
        let bound = prepared.bound(&described.head);
        let too_long = bound.as_ref().and_then(|bound| self.too_long(bound, &prepared));
        let mut unfit = described.unfit(&prepared);
        // Without a named head, what only a head of one's own has is not missing.
        unfit.retain(|report| is_named || report.code != UNKNOWN_SIGNAL);
        prepared.diagnostics.extend(unfit);
        prepared.diagnostics.extend(described.risky(&prepared));
        if let (Some(path), true) = (&self.answers.file, prepared.program.is_some()) {
            let wrong = prepared.answers(&mut Disk, path).err();
            prepared.diagnostics.extend(wrong.into_iter().flatten());
        }
        Ok(Checked { prepared, bound, too_long })
    }

    /// Makes the safe edits of a script, and tells which. The standard input is no file.
    fn mend(&self, script: &str) -> Result<(), Error> {
        if script == STANDARD_INPUT {
            return Err(invalid!("`--fix` changes files: name one"));
        }
        let Some(mended) = mend(&mut Disk, script, &self.settings.settings)? else { return Ok(()) };
        replace(Path::new(script), &mended.text)?;
        let made = counted(mended.steps.len(), "edit");
        complain(&format!("{made} made in {script}:\n  {}\n\n", mended.steps.join("\n  ")));
        Ok(())
    }

    /// Why `--at-most` forbids a script, if it does.
    fn too_long(&self, bound: &TimeBound, prepared: &Prepared) -> Option<Diagnostic> {
        let is_limited = self.longest.at_most.is_some();
        match prepared.unset.first().filter(|_| bound.most.is_none() && is_limited) {
            Some(param) => {
                let headline = "how long this script takes is known only once its params are set";
                let report = Diagnostic::error(TAKES_TOO_LONG, headline, param.span);
                Some(report.help(format!("set it: `--set {}=...`", param.name)))
            }
            None => self.longest.check(bound, &prepared.sources),
        }
    }
}

impl Checked {
    /// Prints what was found and what the script may do; `is_named` where the head was chosen by name, or
    /// has fixtures.
    fn print(&self, script: &str, is_named: bool) {
        let Checked { prepared, bound, too_long } = self;
        let colour = terminal::colour_output();
        complain(&rendered(&prepared.diagnostics, &prepared.sources));
        say(&format!("{}: {}\n", styled(script, BOLD, colour), self.verdict()));
        if let Some(program) = &prepared.program {
            for one in prepared.effects.iter().rev() {
                say(&effects_line(one, prepared, colour));
            }
            say(&planned(&program.checks));
            let unset =
                prepared.unset.iter().map(|param| format!("{} ({})", param.name, param.kind));
            let unset = unset.collect::<Vec<_>>().join(", ");
            if !unset.is_empty() {
                say(&indented(&format!("must be set to run: {unset}")));
            }
            let needs = prepared.needs().join(", ");
            if !needs.is_empty() && !is_named {
                say(&indented(&format!("needs a head with {needs}: `--head` names it")));
            }
            let questions: Vec<&str> =
                prepared.questions().map(|q| q.planned.label.as_ref()).collect();
            say(&listed("may ask", "question", &questions));
        }
        if let Some(bound) = bound {
            say(&if bound.most.is_none() && !prepared.unset.is_empty() {
                "  its longest time is known once it is set\n".to_string()
            } else {
                let program = prepared.program.as_ref();
                duration::explained(bound, program, &prepared.sources, colour)
            });
        }
        complain(&rendered(too_long.as_slice(), &prepared.sources));
    }

    fn verdict(&self) -> String {
        let prepared = &self.prepared;
        let errors = prepared.errors() + usize::from(self.too_long.is_some());
        let all = prepared.diagnostics.iter();
        let warnings = all.filter(|report| report.severity == Severity::Warning).count();
        match (prepared.program.is_some(), errors, warnings) {
            (true, 0, 0) => "no problems".to_string(),
            (true, 0, n) => format!("may run, with {}", counted(n, "warning")),
            (true, errors, _) => format!("does not run like this: {}", counted(errors, "error")),
            (false, errors, _) => format!("does not run: {}", counted(errors, "error")),
        }
    }
}

/// A line of labels; empty where there are none.
fn listed(what: &str, noun: &str, labels: &[&str]) -> String {
    if labels.is_empty() {
        return String::new();
    }
    indented(&format!("{what} {}: {}", counted(labels.len(), noun), labels.join("; ")))
}

/// Indented by two columns, further lines by four.
fn indented(text: &str) -> String {
    let lines = wrapped(text, "    ");
    lines.strip_prefix("  ").map_or_else(|| lines.clone(), str::to_string)
}

/// The checks that every run makes, and those that it may make.
fn planned(checks: &[PlannedCheck]) -> String {
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
