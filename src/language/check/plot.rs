//! How a recorded list is drawn: `record "bow", line, high 5 um: rows`.

use crate::check::Checker;
use crate::check::operator::is_number;
use crate::check::typed::Typed;
use crate::diagnostics::{Diagnostic, codes};
use crate::program::plot::{PLOT_WORDS, Plot, PlotSort};
use crate::program::types::{RecordType, Type};
use crate::source::Span;
use crate::syntax::tree::{Choice, Name};
use spintrue_head::nearest_name;

impl Checker<'_> {
    /// The plot that the choices of a `record` ask for.
    pub(super) fn plot(&mut self, choices: &[Choice], value: &Typed) -> Option<Box<Plot>> {
        let first = choices.first()?;
        let mut sort: Option<(PlotSort, Span)> = None;
        let mut limits = Vec::new();
        for choice in choices {
            let Choice { name, value } = choice;
            let text = self.text(name.symbol);
            let word = PLOT_WORDS.iter().find(|(word, ..)| *word == text);
            match (word, value) {
                (None, _) => {
                    let headline = format!("no recorded value is drawn by `{text}`");
                    let words = PLOT_WORDS.map(|(word, ..)| word);
                    let report = Diagnostic::error(codes::BAD_PLOT, headline, name.span);
                    self.report(report.meant(nearest_name(&text, words), || {
                        format!("a plot takes {}", words.join(", "))
                    }));
                    return None;
                }
                (Some((_, Some(chosen), _)), None) => match sort {
                    Some((_, first)) => {
                        self.error(codes::BAD_PLOT, "a value is drawn in one way", name.span)
                            .here("a second one")
                            .label(first, "the first");
                    }
                    None => sort = Some((*chosen, name.span)),
                },
                (Some((_, Some(chosen), _)), Some(value)) => {
                    sort.get_or_insert((*chosen, name.span));
                    let headline = format!("`{text}` takes no value");
                    self.error(codes::BAD_PLOT, headline, value.span);
                }
                (Some((_, None, _)), Some(limit)) => limits.push((*name, limit)),
                (Some((_, None, _)), None) => {
                    let headline = format!("`{text}` needs a value");
                    self.error(codes::BAD_PLOT, headline, name.span)
                        .help(format!("the limit itself, such as `{text} 5 um`"));
                }
            }
        }
        let Some((sort, _)) = sort else {
            self.error(codes::BAD_PLOT, "limits belong to a plot", first.name.span)
                .help("say how it is drawn: line, points, bars or histogram");
            return None;
        };
        let Some(drawn) = drawn(&value.kind, sort) else {
            if value.kind != Type::Unknown {
                let kind = self.a_kind(&value.kind);
                self.error(codes::BAD_PLOT, format!("{kind} cannot be drawn"), value.span).help(
                    "a plot takes a list of quantities, or a list of records whose first field lies along \
                     and whose second field lies upwards",
                );
            }
            return None;
        };
        let mut plot = Plot { sort, low: None, high: None };
        for (Name { symbol, .. }, limit) in limits {
            let text = self.text(symbol);
            let what = format!("the limit `{text}`");
            let limit = self.expect_kind(limit, &drawn, codes::UNLIKE_KINDS, &what).number();
            if text == "low" { plot.low = Some(limit) } else { plot.high = Some(limit) }
        }
        Some(Box::new(plot))
    }
}

/// The kind of what a plot of a value shows upwards, or of what a histogram counts.
fn drawn(kind: &Type, sort: PlotSort) -> Option<Type> {
    match kind.item()? {
        item if is_number(item) => Some(item.clone()),
        Type::Record(record) => {
            let mut numbers = in_order(record).filter(|kind| is_number(kind));
            let first = numbers.next()?;
            match sort {
                PlotSort::Histogram => Some(first.clone()),
                // Bars may stand over texts.
                PlotSort::Bars if !in_order(record).next().is_some_and(is_number) => {
                    Some(first.clone())
                }
                _ => numbers.next().cloned(),
            }
        }
        _ => None,
    }
}

/// The kinds of the fields in the order that people see.
fn in_order(record: &RecordType) -> impl Iterator<Item = &Type> {
    let place = |name: &str| record.written.iter().position(|other| **other == *name);
    let mut fields: Vec<_> = record.fields.iter().collect();
    fields.sort_by_key(|(name, _)| place(name).unwrap_or(usize::MAX));
    fields.into_iter().map(|(_, kind)| kind)
}
