//! How checks are decided, by themselves and by default, and which the script plans to make.

use crate::check::Checker;
use crate::diagnostics::{Diagnostic, codes};
use crate::program::tree::{COVERAGE, Deciding, Number, Planned, Rule, Stated};
use crate::program::types::Type;
use crate::source::Span;
use crate::syntax::tree::{Choice, Expression, ExpressionKind, Piece, StatementKind};
use spintrue_head::nearest_name;
use std::rc::Rc;

/// Every word that can say how a check is decided, and what it says.
pub(crate) const WORDS: [(&str, &str); 6] = [
    ("simple", "the value alone is held against its limits"),
    ("guard", "the expanded uncertainty is a guard band"),
    ("risk", "the largest probability of a wrong decision, such as 2 %"),
    ("coverage", "the factor by which the uncertainty is expanded, such as 2"),
    ("optional", "the script may end without this check"),
    ("needed", "the script fails unless this check conforms"),
];

/// What choices come to; none where nothing was said.
#[derive(Clone, Debug, Default)]
pub(super) struct Chosen {
    rule: Option<(Rule, Span)>,
    coverage: Option<(Number, Span)>,
    optional: bool,
    needed: bool,
}

/// A check as it was found, with who makes it.
#[derive(Clone, Debug)]
pub(super) struct Found {
    planned: Planned,
    routine: Option<usize>,
}

impl Checker<'_> {
    /// Reads the choices of the script for all its checks.
    pub(super) fn deciding_of_all<'s>(
        &mut self,
        statements: impl Iterator<Item = &'s crate::syntax::tree::Statement>,
    ) {
        let mut first: Option<Span> = None;
        for statement in statements {
            match &statement.kind {
                StatementKind::Expect { .. } => {
                    first.get_or_insert(statement.span);
                }
                StatementKind::Deciding(choices) => {
                    if let Some(first) = first {
                        let headline = "how all checks are decided is said once, before the first";
                        self.error(codes::BAD_CHECK_RULE, headline, statement.span)
                            .label(first, "it was too late from here on");
                        continue;
                    }
                    first = Some(statement.span);
                    let chosen = self.chosen(choices, true);
                    self.decides = chosen;
                }
                _ => {}
            }
        }
    }

    /// The words that say how all checks are decided stand elsewhere.
    pub(super) fn misplaced_deciding(&mut self, span: Span) {
        self.error(codes::BAD_CHECK_RULE, "this says how all checks are decided", span).help(
            "write it at the top level of the script that is run, before its first check; one \
                 check says it behind its label: `expect \"what\", guard: ...`",
        );
    }

    fn chosen(&mut self, choices: &[Choice], all: bool) -> Chosen {
        let mut chosen = Chosen::default();
        for Choice { name, value } in choices {
            let text = self.text(name.symbol);
            let rule = match text.as_str() {
                "simple" => Some(Rule::Simple),
                "guard" => Some(Rule::Guard),
                "risk" => {
                    self.choice_value((&text, name.span), value, 0.0..=0.5, all).map(Rule::Risk)
                }
                "coverage" => {
                    let factor = self.choice_value((&text, name.span), value, 0.1..=10.0, all);
                    chosen.coverage = factor.map(|factor| (factor, name.span));
                    continue;
                }
                "optional" | "needed" if all => {
                    let headline = format!("`{text}` is said of one check, not of all");
                    self.error(codes::BAD_CHECK_RULE, headline, name.span);
                    continue;
                }
                "optional" => {
                    chosen.optional = true;
                    self.without_value(&text, value);
                    continue;
                }
                "needed" => {
                    chosen.needed = true;
                    self.without_value(&text, value);
                    continue;
                }
                _ => {
                    let headline = format!("no check is decided by `{text}`");
                    let report = Diagnostic::error(codes::BAD_CHECK_RULE, headline, name.span);
                    let words = WORDS.map(|(word, _)| word);
                    self.report(report.meant(nearest_name(&text, words), || {
                        format!("a check takes {}", words.join(", "))
                    }));
                    continue;
                }
            };
            if text != "risk" {
                self.without_value(&text, value);
            }
            if let Some((_, before)) = &chosen.rule {
                self.error(codes::BAD_CHECK_RULE, "a check has one rule", name.span)
                    .here("a second one")
                    .label(*before, "the first");
                continue;
            }
            chosen.rule = rule.map(|rule| (rule, name.span));
        }
        chosen
    }

    fn without_value(&mut self, word: &str, value: &Option<Expression>) {
        let Some(value) = value else { return };
        self.error(codes::BAD_CHECK_RULE, format!("`{word}` takes no value"), value.span);
    }

    /// The number behind a word.
    fn choice_value(
        &mut self,
        (word, span): (&str, Span),
        value: &Option<Expression>,
        range: std::ops::RangeInclusive<f64>,
        all: bool,
    ) -> Option<Number> {
        let share = word == "risk";
        let (example, limits) = match share {
            true => ("risk 2 %", "from 0 % to 50 %"),
            false => ("coverage 2", "from 0.1 to 10"),
        };
        let Some(value) = value else {
            self.error(codes::BAD_CHECK_RULE, format!("`{word}` needs a value"), span)
                .help(format!("such as `{example}`"));
            return None;
        };
        let typed = self.expect_kind(
            value,
            &Type::NUMBER,
            codes::UNLIKE_KINDS,
            &format!("the value of `{word}`"),
        );
        if typed.kind == Type::Unknown {
            return None;
        }
        match typed.constant() {
            Some(constant) if !range.contains(&constant) => {
                let headline = format!("`{word}` is {limits}");
                self.error(codes::BAD_CHECK_RULE, headline, typed.span)
                    .help(format!("such as `{example}`"));
                None
            }
            None if all => {
                let headline = "what holds for all checks must be known before the script runs";
                self.error(codes::BAD_CHECK_RULE, headline, typed.span);
                None
            }
            _ => Some(typed.number()),
        }
    }

    /// How a check is decided, by its own choices and those for all, with what is stated behind its value.
    pub(super) fn decided(
        &mut self,
        choices: &[Choice],
        stated: Option<&Stated>,
    ) -> (Deciding, bool) {
        let own = self.chosen(choices, false);
        for (word, span) in [
            own.rule
                .as_ref()
                .filter(|(rule, _)| !matches!(rule, Rule::Simple))
                .map(|r| ("rule", r.1)),
            own.coverage.as_ref().map(|c| ("factor", c.1)),
        ]
        .into_iter()
        .flatten()
        {
            if stated.is_none() {
                let headline = format!("this {word} rests on an uncertainty, and none is stated");
                self.error(codes::BAD_CHECK_RULE, headline, span)
                    .help("state it behind the value: `value ± uncertainty <= limit`");
            }
        }
        if let (Some((_, span)), Some(Stated::Budget(_))) = (&own.coverage, stated) {
            let headline = "a budget is expanded by the factor that its degrees of freedom lead to";
            self.error(codes::BAD_CHECK_RULE, headline, *span)
                .help("leave `coverage` out; it is for an uncertainty that is expanded already");
        }
        let all = &self.decides;
        let rule = own.rule.or_else(|| all.rule.clone()).map_or(Rule::Guard, |rule| rule.0);
        let coverage = own.coverage.or_else(|| all.coverage.clone());
        let coverage = coverage.map_or(Number::Constant(COVERAGE), |coverage| coverage.0);
        (Deciding { rule, coverage, needed: own.needed }, own.optional)
    }

    /// Plans a check; gives its place.
    pub(super) fn plan(&mut self, label: &Expression, optional: bool, span: Span) -> usize {
        let text = match &label.kind {
            // What is put in is known only when the check is made.
            ExpressionKind::Text(pieces) => {
                let pieces = pieces.iter().map(|piece| match piece {
                    Piece::Plain(text) => text.as_str(),
                    _ => "\u{2026}",
                });
                pieces.collect()
            }
            _ => self.whole_words(label.span),
        };
        let planned = Planned { label: Rc::from(text.as_str()), span, optional };
        self.found.push(Found { planned, routine: self.inside.routine });
        self.found.len() - 1
    }

    /// The plan: a check in a routine that nothing calls need not be made.
    pub(super) fn planned(&mut self) -> Vec<Planned> {
        let called = self.called();
        let of = |found: Found| {
            let optional = found.planned.optional || !called(found.routine);
            Planned { optional, ..found.planned }
        };
        std::mem::take(&mut self.found).into_iter().map(of).collect()
    }
}
