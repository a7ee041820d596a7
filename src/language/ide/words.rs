//! Words and texts of a script that are no names and mean something all the same: effects, choices of
//! checks and plots, codes, faults, kinds of failures, and paths of files. One walk finds them for hover,
//! links and tokens; what each means stands in the table that it comes from.

use crate::builtins;
use crate::builtins::Effect;
use crate::check::deciding::WORDS;
use crate::diagnostics::codes;
use crate::program::failure::FailureKind;
use crate::program::plot::PLOT_WORDS;
use crate::source::Span;
use crate::syntax::names::Names;
use crate::syntax::tree::{
    Binary, Choice, Expression, ExpressionKind, File, Name, Statement, StatementKind,
};
use crate::syntax::walk::{each_expression, each_statement, expressions};
use spintrue_head::FAULTS;

/// What a word is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum WordKind {
    /// An effect behind `may`.
    Effect,
    /// How a check is decided.
    Decision,
    /// How a recorded value is drawn.
    Drawing,
    /// The code behind `allow`.
    Code,
    /// The text of a fault.
    Fault,
    /// The text that `problem.kind` is compared with.
    FailureKind,
    /// The path of a script or table, from the folder of the file that names it.
    Path,
    /// The path of an image, from the folder of the script that is run.
    Image,
}

/// A word of a script.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Word {
    /// Where it stands; texts with their quotes.
    pub span: Span,
    /// What it is.
    pub kind: WordKind,
    /// As it is written, escapes resolved.
    pub text: String,
}

/// All words of a file, in the order in which statements and their parts come.
pub(super) fn words(file: &File, names: &Names) -> Vec<Word> {
    let mut finder = Finder { names, found: Vec::new() };
    each_statement(file, &mut |statement| finder.statement(statement));
    finder.found
}

struct Finder<'n> {
    names: &'n Names,
    found: Vec<Word>,
}

impl Finder<'_> {
    fn add(&mut self, span: Span, kind: WordKind, text: impl Into<String>) {
        self.found.push(Word { span, kind, text: text.into() });
    }

    fn name(&mut self, name: Name, kind: WordKind) {
        let text = self.names.text(name.symbol);
        self.add(name.span, kind, text);
    }

    fn choices(&mut self, choices: &[Choice], kind: WordKind) {
        choices.iter().for_each(|choice| self.name(choice.name, kind));
    }

    fn statement(&mut self, statement: &Statement) {
        match &statement.kind {
            StatementKind::Use { path, path_span } => self.add(*path_span, WordKind::Path, path),
            StatementKind::Routine(routine) => {
                let may = routine.may.iter().flatten();
                may.for_each(|name| self.name(*name, WordKind::Effect));
            }
            StatementKind::Expect { choices, .. } | StatementKind::Deciding(choices) => {
                self.choices(choices, WordKind::Decision);
            }
            StatementKind::Record { choices, .. } => self.choices(choices, WordKind::Drawing),
            StatementKind::Allow { code, .. } => self.name(*code, WordKind::Code),
            _ => {}
        }
        for e in expressions(statement) {
            each_expression(e, &mut |e| self.expression(e));
        }
    }

    fn expression(&mut self, e: &Expression) {
        match &e.kind {
            ExpressionKind::Call { name, arguments } => {
                if !arguments.iter().any(|argument| argument.value.plain_text().is_some()) {
                    return;
                }
                let Some(builtin) = builtins::named(self.names.text(name.symbol)) else { return };
                let parameters = &builtin.page().parameters;
                for (place, argument) in arguments.iter().enumerate() {
                    let parameter = match argument.name {
                        Some(name) => {
                            let name = self.names.text(name.symbol);
                            parameters.iter().find(|parameter| parameter.name == name)
                        }
                        None => parameters.get(place),
                    };
                    let kind = match parameter.map(|parameter| parameter.kind) {
                        Some("fault") => WordKind::Fault,
                        Some("table") => WordKind::Path,
                        Some("image" | "chart") => WordKind::Image,
                        _ => continue,
                    };
                    if let Some(text) = argument.value.plain_text() {
                        self.add(argument.value.span, kind, text);
                    }
                }
            }
            ExpressionKind::Binary {
                operator: Binary::Equal | Binary::Unequal,
                left,
                right,
                ..
            } => {
                for (field, text) in [(left, right), (right, left)] {
                    if let ExpressionKind::Field { name, .. } = &field.kind
                        && self.names.text(name.symbol) == "kind"
                        && let Some(kind) = text.plain_text()
                    {
                        self.add(text.span, WordKind::FailureKind, kind);
                    }
                }
            }
            _ => {}
        }
    }
}

/// What a word means, in markdown; paths mean nothing.
pub(super) fn meaning(word: &Word) -> Option<String> {
    let text = word.text.as_str();
    let named = |what: &str, meaning: &str| format!("{what} `{text}`: {meaning}");
    Some(match word.kind {
        WordKind::Effect => named("Effect", Effect::named(text)?.meaning()),
        WordKind::Decision => {
            named("Check", WORDS.iter().find(|(word, _)| *word == text).map(|(_, says)| says)?)
        }
        WordKind::Drawing => {
            named("Plot", PLOT_WORDS.iter().find(|(word, ..)| *word == text).map(|w| w.2)?)
        }
        WordKind::Code => format!("`{text}`: {}", codes::find(text)?.meaning),
        WordKind::Fault => {
            let name = text.split(['(', '@']).next().unwrap_or(text).trim();
            let fault = FAULTS.iter().find(|fault| fault.name == name)?;
            format!("Fault `{}`: {}\n\n{}", fault.example(), fault.does(), fault.symptom())
        }
        WordKind::FailureKind => {
            let kind = FailureKind::ALL.iter().find(|kind| kind.text() == text)?;
            named("Failure", kind.meaning())
        }
        WordKind::Path | WordKind::Image => return None,
    })
}
