//! A compact way to read a tree: one short line a statement, operators in brackets, units in < >.

use crate::syntax::names::Names;
use crate::syntax::tree::{
    Block, Choice, Expression, ExpressionKind, File, Kept, Name, Piece, Statement, StatementKind,
    Type, TypeKind,
};
use std::fmt::Write;

/// The whole tree.
pub(super) fn dumped(file: &File, names: &Names) -> String {
    let mut dump = Dump { names, out: String::new(), depth: 0 };
    for statement in &file.statements {
        dump.statement(statement);
    }
    dump.out
}

/// Writes a tree as one short line a statement.
struct Dump<'n> {
    names: &'n Names,
    out: String,
    depth: usize,
}

impl Dump<'_> {
    fn block(&mut self, block: &Block) {
        self.depth += 1;
        for statement in &block.statements {
            self.statement(statement);
        }
        self.depth -= 1;
    }

    fn line(&mut self, text: &str) {
        let _ = writeln!(self.out, "{}{text}", "  ".repeat(self.depth));
    }

    fn name(&self, name: &Name) -> &str {
        self.names.text(name.symbol)
    }

    fn statement(&mut self, statement: &Statement) {
        if let Some(doc) = &statement.doc {
            for line in doc.lines() {
                self.line(&format!("/// {line}"));
            }
        }
        match &statement.kind {
            StatementKind::Use { path, .. } => self.line(&format!("use {path:?}")),
            StatementKind::Param { name, annotation, default, range } => {
                let mut text = format!("param {}", self.name(name));
                if let Some(annotation) = annotation {
                    text += &format!(": {}", self.kind(annotation));
                }
                if let Some(default) = default {
                    text += &format!(" = {}", self.expression(default));
                }
                if let Some(range) = range {
                    let (low, high) = range.as_ref();
                    text += &format!(" [{} to {}]", self.expression(low), self.expression(high));
                }
                self.line(&text);
            }
            StatementKind::Routine(routine) => {
                let mut text = format!("routine {}(", self.name(&routine.name));
                for parameter in &routine.parameters {
                    text += &format!(
                        "{}: {}",
                        self.name(&parameter.name),
                        self.kind(&parameter.annotation)
                    );
                    if let Some(default) = &parameter.default {
                        text += &format!(" = {}", self.expression(default));
                    }
                    text += ", ";
                }
                text += ")";
                if let Some(returns) = &routine.returns {
                    text += &format!(" -> {}", self.kind(returns));
                }
                for open in &routine.open {
                    text += &format!(" any {}", self.name(open));
                }
                for effect in routine.may.iter().flatten() {
                    text += &format!(" may {}", self.name(effect));
                }
                if routine.armed.is_some() {
                    text += " within arm";
                }
                self.line(&text);
                self.block(&routine.body);
            }
            StatementKind::Let { mutable, name, annotation, value } => {
                let word = if *mutable { "var" } else { "let" };
                let kind = annotation
                    .as_ref()
                    .map(|kind| format!(": {}", self.kind(kind)))
                    .unwrap_or_default();
                self.line(&format!(
                    "{word} {}{kind} = {}",
                    self.name(name),
                    self.expression(value)
                ));
            }
            StatementKind::Assign { place, value } => {
                self.line(&format!("set {} = {}", self.expression(place), self.expression(value)))
            }
            StatementKind::Expression(value) => self.line(&self.expression(value)),
            StatementKind::If { arms, otherwise } => {
                for (condition, block) in arms {
                    self.line(&format!("if {}", self.expression(condition)));
                    self.block(block);
                }
                self.otherwise(otherwise.as_ref());
            }
            StatementKind::For { name, over, body } => {
                self.line(&format!("for {} in {}", self.name(name), self.expression(over)));
                self.block(body);
            }
            StatementKind::Repeat { at_most, times, body, until, otherwise } => {
                let word = if *at_most { "at most " } else { "" };
                self.line(&format!("repeat {word}{}", self.expression(times)));
                self.block(body);
                if let Some(until) = until {
                    self.line(&format!("until {}", self.expression(until)));
                }
                self.otherwise(otherwise.as_ref());
            }
            StatementKind::While { condition, times, body, otherwise } => {
                self.line(&format!(
                    "while {} at most {}",
                    self.expression(condition),
                    self.expression(times)
                ));
                self.block(body);
                self.otherwise(otherwise.as_ref());
            }
            StatementKind::Break => self.line("break"),
            StatementKind::Continue => self.line("continue"),
            StatementKind::Return(value) => {
                let value = value.as_ref().map(|value| self.expression(value));
                self.line(&format!("return {}", value.unwrap_or_default()));
            }
            StatementKind::Wait(time) => self.line(&format!("wait {}", self.expression(time))),
            StatementKind::WaitUntil { condition, within, every, otherwise } => {
                let every =
                    every.as_ref().map(|every| format!(" every {}", self.expression(every)));
                self.line(&format!(
                    "wait until {} within {}{}",
                    self.expression(condition),
                    self.expression(within),
                    every.unwrap_or_default()
                ));
                self.otherwise(otherwise.as_ref());
            }
            StatementKind::Hold { conditions, every, body } => {
                let conditions: Vec<String> =
                    conditions.iter().map(|condition| self.expression(condition)).collect();
                let every =
                    every.as_ref().map(|every| format!(" every {}", self.expression(every)));
                self.line(&format!("hold {}{}", conditions.join(", "), every.unwrap_or_default()));
                self.block(body);
            }
            StatementKind::Arm { power, body } => {
                self.line(&format!("arm at {}", self.expression(power)));
                self.block(body);
            }
            StatementKind::Try { body, catch, finally } => {
                self.line("try");
                self.block(body);
                if let Some((name, block)) = catch {
                    self.line(&format!("catch {}", self.name(name)));
                    self.block(block);
                }
                if let Some(block) = finally {
                    self.line("finally");
                    self.block(block);
                }
            }
            StatementKind::Fail(value) => self.line(&format!("fail {}", self.expression(value))),
            StatementKind::Expect { label, choices, condition } => self.line(&format!(
                "expect {}{}: {}",
                self.expression(label),
                self.choices(choices),
                self.expression(condition)
            )),
            StatementKind::Deciding(choices) => {
                self.line(&format!("expect:{}", self.choices(choices)));
            }
            StatementKind::Record { label, choices, value } => self.line(&format!(
                "record {}{}: {}",
                self.expression(label),
                self.choices(choices),
                self.expression(value)
            )),
            StatementKind::Allow { code, reason, .. } => {
                self.line(&format!("allow {} {reason:?}", self.name(code)));
            }
            StatementKind::Note(value) => self.line(&format!("note {}", self.expression(value))),
            StatementKind::Ask(ask) => {
                let mut text = match &ask.kept {
                    Kept::Recorded => String::new(),
                    Kept::Named { mutable, name, annotation } => {
                        let word = if *mutable { "var" } else { "let" };
                        let kind = annotation.as_ref().map(|kind| format!(": {}", self.kind(kind)));
                        format!("{word} {}{} = ", self.name(name), kind.unwrap_or_default())
                    }
                    Kept::Assigned(place) => format!("set {} = ", self.expression(place)),
                };
                text += &format!("ask {}", self.expression(&ask.question));
                if let Some(within) = &ask.within {
                    text += &format!(" within {}", self.expression(within));
                }
                text += &format!(": {}", self.kind(&ask.answer));
                if let Some(range) = &ask.range {
                    let (low, high) = range.as_ref();
                    text += &format!(" [{} to {}]", self.expression(low), self.expression(high));
                }
                self.line(&text);
            }
            StatementKind::Broken => self.line("BROKEN"),
        }
    }

    fn choices(&self, choices: &[Choice]) -> String {
        let one = |choice: &Choice| {
            let value = choice.value.as_ref().map(|value| format!(" {}", self.expression(value)));
            format!(", {}{}", self.name(&choice.name), value.unwrap_or_default())
        };
        choices.iter().map(one).collect()
    }

    fn otherwise(&mut self, block: Option<&Block>) {
        if let Some(block) = block {
            self.line("else");
            self.block(block);
        }
    }

    fn kind(&self, kind: &Type) -> String {
        match &kind.kind {
            TypeKind::List(of) => format!("[{}]", self.kind(of)),
            TypeKind::Record(fields) => {
                let fields: Vec<String> = fields
                    .iter()
                    .map(|(name, kind)| format!("{}: {}", self.name(name), self.kind(kind)))
                    .collect();
                format!("{{{}}}", fields.join(", "))
            }
            TypeKind::Product(factors) => {
                let factors: Vec<String> = factors
                    .iter()
                    .map(|(name, exponent)| match exponent {
                        1 => self.name(name).to_string(),
                        exponent => format!("{}^{exponent}", self.name(name)),
                    })
                    .collect();
                factors.join("*")
            }
        }
    }

    fn expression(&self, expression: &Expression) -> String {
        let e = |expression: &Expression| self.expression(expression);
        match &expression.kind {
            ExpressionKind::Number { value, unit } => match unit {
                Some(unit) => format!("{value}<{}>", self.names.text(unit.symbol)),
                None => format!("{value}"),
            },
            ExpressionKind::Text(pieces) => {
                let pieces: Vec<String> = pieces
                    .iter()
                    .map(|piece| match piece {
                        Piece::Plain(text) => format!("{text:?}"),
                        Piece::Value { value, decimals } => match decimals {
                            Some(decimals) => format!("{{{}:{decimals}}}", e(value)),
                            None => format!("{{{}}}", e(value)),
                        },
                    })
                    .collect();
                format!("text({})", pieces.join(" "))
            }
            ExpressionKind::Flag(flag) => format!("{flag}"),
            ExpressionKind::Name(symbol) => self.names.text(*symbol).to_string(),
            ExpressionKind::List(items) => {
                let items: Vec<String> = items.iter().map(e).collect();
                format!("[{}]", items.join(", "))
            }
            ExpressionKind::Comprehension { element, name, over, only_if } => {
                let only_if = only_if.as_ref().map(|only_if| format!(" if {}", e(only_if)));
                format!(
                    "[{} for {} in {}{}]",
                    e(element),
                    self.name(name),
                    e(over),
                    only_if.unwrap_or_default()
                )
            }
            ExpressionKind::Record(fields) => {
                let fields: Vec<String> = fields
                    .iter()
                    .map(|(name, value)| format!("{}: {}", self.name(name), e(value)))
                    .collect();
                format!("{{{}}}", fields.join(", "))
            }
            ExpressionKind::Call { name, arguments } => {
                let arguments: Vec<String> = arguments
                    .iter()
                    .map(|argument| match &argument.name {
                        Some(name) => format!("{}: {}", self.name(name), e(&argument.value)),
                        None => e(&argument.value),
                    })
                    .collect();
                format!("{}({})", self.name(name), arguments.join(", "))
            }
            ExpressionKind::Field { of, name } => format!("{}.{}", e(of), self.name(name)),
            ExpressionKind::Element { of, index } => format!("{}[{}]", e(of), e(index)),
            ExpressionKind::Unary { operator, operand } => {
                format!("({operator:?} {})", e(operand))
            }
            ExpressionKind::Binary { operator, left, right, .. } => {
                format!("({} {} {})", e(left), operator.text(), e(right))
            }
            ExpressionKind::Power { base, exponent } => format!("({} ^ {exponent})", e(base)),
            ExpressionKind::Shown { value, unit } => {
                format!("({} in <{}>)", e(value), self.names.text(unit.symbol))
            }
            ExpressionKind::Within { value, low, high } => {
                format!("({} within {} to {})", e(value), e(low), e(high))
            }
            ExpressionKind::Broken => "BROKEN".into(),
        }
    }
}
