//! Making texts, lists and records.

use crate::interpret::link::operands::Word;
use crate::interpret::link::places::RefSide;
use crate::interpret::link::{FlagNode, Linker, NumberNode, RefNode};
use crate::interpret::machine::{BUILTIN_STEPS, Failed, Flow, Machine};
use crate::program::failure::{FailureKind, long_range};
use crate::program::show::{Shower, number_text};
use crate::program::tree::{Comprehension, Expression, Number, Part, Piece, Ref};
use crate::program::value::{Datum, MAX_LIST, Object, Value};
use crate::source::Span;

/// An expression of any type.
pub(crate) enum ExpressionNode {
    /// A quantity or temperature.
    Number(NumberNode),
    /// A flag.
    Flag(FlagNode),
    /// A text, list or record.
    Reference(RefNode),
}

impl ExpressionNode {
    /// Works it out for the outside.
    pub(crate) fn datum(&self, machine: &mut Machine<'_>) -> Result<Datum, Failed> {
        Ok(match self {
            ExpressionNode::Number(number) => Datum::Number(number(machine)?),
            ExpressionNode::Flag(flag) => Datum::Flag(flag(machine)?),
            ExpressionNode::Reference(reference) => Datum::Value(reference(machine)?),
        })
    }
}

/// A value on its way into a list or record.
pub(crate) enum PartNode {
    /// One double.
    Number(NumberNode),
    /// One double, 0 or 1.
    Flag(FlagNode),
    /// One reference.
    Reference(RefNode),
    /// The contents of a list or record.
    Spread(RefNode),
}

impl PartNode {
    /// Adds it to what is being built.
    #[inline(always)]
    pub(crate) fn push(&self, machine: &mut Machine<'_>, span: Span) -> Result<(), Failed> {
        match self {
            PartNode::Number(number) => {
                let word = number(machine)?;
                machine.push_word(word, span)
            }
            PartNode::Flag(flag) => {
                let word = flag(machine)?.word();
                machine.push_word(word, span)
            }
            PartNode::Reference(reference) => {
                let value = reference(machine)?;
                machine.push_reference(value, span)
            }
            PartNode::Spread(record) => match record(machine)? {
                Value::Object(record) => machine.push_object(&record, span),
                _ => Err(machine.broken("nothing to be spread out", span)),
            },
        }
    }
}

/// A part of a text.
pub(crate) enum PieceNode {
    /// As it stands.
    Plain(Box<str>),
    /// A text in a variable or elsewhere.
    Text(RefSide),
    /// A value and how it is shown.
    Value(ExpressionNode, Shower),
}

impl Linker<'_> {
    /// An expression of any type.
    pub(crate) fn expression(&mut self, expression: &Expression) -> ExpressionNode {
        match expression {
            Expression::Number(number) => ExpressionNode::Number(self.number(number)),
            Expression::Flag(flag) => ExpressionNode::Flag(self.flag(flag)),
            Expression::Ref(reference) => ExpressionNode::Reference(self.reference(reference)),
        }
    }

    /// A value on its way into a list or record.
    pub(crate) fn part(&mut self, part: &Part) -> PartNode {
        match &part.value {
            Expression::Number(number) => PartNode::Number(self.number(number)),
            Expression::Flag(flag) => PartNode::Flag(self.flag(flag)),
            Expression::Ref(record) if part.record => PartNode::Spread(self.reference(record)),
            Expression::Ref(reference) => PartNode::Reference(self.reference(reference)),
        }
    }

    /// A list or record written out.
    pub(crate) fn made(&mut self, parts: &[Part], span: Span) -> RefNode {
        let nodes = parts.iter().map(|part| self.part(part));
        made_of(nodes.collect(), span)
    }

    /// What lists that stand one behind the other are made of.
    pub(crate) fn list_parts(&mut self, lists: &[&Ref]) -> Vec<PartNode> {
        let mut nodes = Vec::new();
        for list in lists {
            match list {
                Ref::Made(parts, _) => nodes.extend(parts.iter().map(|part| self.part(part))),
                list => nodes.push(PartNode::Spread(self.reference(list))),
            }
        }
        nodes
    }

    /// A comprehension.
    pub(crate) fn comprehension(&mut self, comprehension: &Comprehension) -> RefNode {
        let span = comprehension.span;
        let mut each = self.each(comprehension.target, &comprehension.over, span);
        let (only_if, element) = self.counted(&mut each.steps, |linker| {
            let only_if = comprehension.only_if.as_ref().map(|flag| linker.flag(flag));
            (only_if, linker.part(&comprehension.element))
        });
        Box::new(move |machine| {
            machine.building.push(Object::default());
            let turn = |machine: &mut Machine<'_>| {
                if match &only_if {
                    Some(flag) => flag(machine)?,
                    None => true,
                } {
                    element.push(machine, span)?;
                }
                Ok(Flow::Next)
            };
            each.run(machine, turn)?;
            machine.built(0, span)
        })
    }

    /// A range as a list.
    pub(crate) fn range(&mut self, first: &Number, last: &Number, span: Span) -> RefNode {
        let (first, last) = (self.number(first), self.number(last));
        Box::new(move |machine| {
            let first = first(machine)?;
            let last = last(machine)?;
            let count = steps(machine, first, last, span)?;
            if count > MAX_LIST as f64 {
                return Err(machine.fail(FailureKind::Limit, long_range(count), span));
            }
            let words = (0..count as u32).map(|step| first + f64::from(step));
            let words = words.take_while(|word| *word < last).collect();
            let refs = Vec::new();
            machine.object(Object { words, refs }, span)
        })
    }

    /// Text with values in it.
    pub(crate) fn interpolated(&mut self, pieces: &[Piece], span: Span) -> RefNode {
        let pieces = self.pieces(pieces);
        Box::new(move |machine| {
            let text = write_pieces(machine, &pieces, span)?;
            let made = machine.text(&text, span);
            machine.written = text;
            made
        })
    }

    /// The parts of a text.
    pub(crate) fn pieces(&mut self, pieces: &[Piece]) -> Vec<PieceNode> {
        let piece = |piece: &Piece| match piece {
            Piece::Plain(text) => PieceNode::Plain(Box::from(&**text)),
            Piece::Value(Expression::Ref(text), Shower::Text) => {
                PieceNode::Text(self.ref_side(text))
            }
            Piece::Value(value, shower) => PieceNode::Value(self.expression(value), shower.clone()),
        };
        pieces.iter().map(piece).collect()
    }
}

/// A list or record from its parts.
pub(super) fn made_of(nodes: Vec<PartNode>, span: Span) -> RefNode {
    let number = |node: &PartNode| matches!(node, PartNode::Number(_) | PartNode::Flag(_));
    let words = nodes.iter().filter(|node| number(node)).count();
    Box::new(move |machine| {
        machine.building.push(Object { words: Vec::with_capacity(words), refs: Vec::new() });
        for node in &nodes {
            node.push(machine, span)?;
        }
        machine.built(words, span)
    })
}

/// Writes the parts of a text one behind the other, into memory that [`Machine::written`] lends and
/// is to have back.
pub(super) fn write_pieces(
    machine: &mut Machine<'_>,
    pieces: &[PieceNode],
    span: Span,
) -> Result<String, Failed> {
    let mut text = std::mem::take(&mut machine.written);
    text.clear();
    for piece in pieces {
        match piece {
            PieceNode::Plain(plain) => text.push_str(plain),
            PieceNode::Text(side) => {
                side.with(machine, |value| text.push_str(value.as_text()))?;
            }
            PieceNode::Value(value, shower) => {
                let datum = value.datum(machine)?;
                machine.count_steps(BUILTIN_STEPS);
                if let Datum::Value(value) = &datum {
                    machine.can_be_shown(value, span)?;
                }
                shower.write(&datum, &mut text);
            }
        }
        machine.text_fits(text.len(), span)?;
    }
    machine.count_steps(text.len() / 8);
    Ok(text)
}

/// Steps in a range; fails where an end is not finite.
pub(super) fn steps(
    machine: &mut Machine<'_>,
    first: f64,
    last: f64,
    span: Span,
) -> Result<f64, Failed> {
    if !first.is_finite() || !last.is_finite() {
        let message =
            format!("a range cannot go from {} to {}", number_text(first), number_text(last));
        return Err(machine.fail(FailureKind::Value, message, span));
    }
    Ok((last - first).ceil().max(0.0))
}
