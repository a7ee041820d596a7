//! A compact way to read a tree: one short line a statement, operators in brackets, units in < >.

use crate::syntax::names::Names;
use crate::syntax::tree::{
    Block, Choice, Expression, ExpressionKind, File, Kept, Name, Piece, Statement, StatementKind,
    Type, TypeKind,
};

/// The whole tree.
pub(super) fn dumped(file: &File, names: &Names) -> String {
    let dump = Dump { names };
    joined(&file.statements, "", |statement| format!("{}\n", dump.statement(statement)))
}

fn joined<T>(
    items: impl IntoIterator<Item = T>,
    between: &str,
    text: impl Fn(T) -> String,
) -> String {
    items.into_iter().map(text).collect::<Vec<_>>().join(between)
}

/// What may be left out, behind a word.
fn behind<T>(word: &str, part: Option<&T>, text: impl Fn(&T) -> String) -> String {
    part.map_or(String::new(), |part| format!("{word}{}", text(part)))
}

struct Dump<'n> {
    names: &'n Names,
}

impl Dump<'_> {
    /// Its statements, each on lines of its own that are indented.
    fn block(&self, block: &Block) -> String {
        let lines = |statement| self.statement(statement).replace('\n', "\n  ");
        joined(&block.statements, "", |statement| format!("\n  {}", lines(statement)))
    }

    fn name(&self, name: &Name) -> &str {
        self.names.text(name.symbol)
    }

    fn statement(&self, statement: &Statement) -> String {
        let e = |expression: &Expression| self.expression(expression);
        let (block, kind) = (|block: &Block| self.block(block), |kind: &Type| self.kind(kind));
        let otherwise = |part: &Option<Block>| behind("\nelse", part.as_ref(), block);
        let every = |part: &Option<Expression>| behind(" every ", part.as_ref(), e);
        let named = |mutable: bool, name: &Name, annotation: &Option<Type>| {
            let word = if mutable { "var" } else { "let" };
            format!("{word} {}{}", self.name(name), behind(": ", annotation.as_ref(), kind))
        };
        let range = |part: &Option<Box<(Expression, Expression)>>| {
            behind(" ", part.as_ref(), |ends| format!("[{} to {}]", e(&ends.0), e(&ends.1)))
        };
        let text = match &statement.kind {
            StatementKind::Use { path, .. } => format!("use {path:?}"),
            StatementKind::Param { name, annotation, default, range: ends } => {
                let annotation = behind(": ", annotation.as_ref(), kind);
                let default = behind(" = ", default.as_ref(), e);
                format!("param {}{annotation}{default}{}", self.name(name), range(ends))
            }
            StatementKind::Routine(routine) => {
                let parameters = joined(&routine.parameters, "", |parameter| {
                    let default = behind(" = ", parameter.default.as_ref(), e);
                    let annotation = kind(&parameter.annotation);
                    format!("{}: {annotation}{default}, ", self.name(&parameter.name))
                });
                let returns = behind(" -> ", routine.returns.as_ref(), kind);
                let open = joined(&routine.open, "", |open| format!(" any {}", self.name(open)));
                let may = routine.may.iter().flatten();
                let may = joined(may, "", |effect| format!(" may {}", self.name(effect)));
                let armed = if routine.armed.is_some() { " within arm" } else { "" };
                let (name, body) = (self.name(&routine.name), block(&routine.body));
                format!("routine {name}({parameters}){returns}{open}{may}{armed}{body}")
            }
            StatementKind::Let { mutable, name, annotation, value } => {
                format!("{} = {}", named(*mutable, name, annotation), e(value))
            }
            StatementKind::Assign { place, value } => format!("set {} = {}", e(place), e(value)),
            StatementKind::Expression(value) => e(value),
            StatementKind::If { arms, otherwise: rest } => {
                let arm = |(condition, body): &_| format!("if {}{}", e(condition), block(body));
                joined(arms, "\n", arm) + &otherwise(rest)
            }
            StatementKind::For { name, over, body } => {
                format!("for {} in {}{}", self.name(name), e(over), block(body))
            }
            StatementKind::Repeat { at_most, times, body, until, otherwise: rest } => {
                let word = if *at_most { "at most " } else { "" };
                let until = behind("\nuntil ", until.as_ref(), e);
                format!("repeat {word}{}{}{until}{}", e(times), block(body), otherwise(rest))
            }
            StatementKind::While { condition, times, body, otherwise: rest } => {
                let (condition, times) = (e(condition), e(times));
                format!("while {condition} at most {times}{}{}", block(body), otherwise(rest))
            }
            StatementKind::Break => "break".to_string(),
            StatementKind::Continue => "continue".to_string(),
            StatementKind::Return(value) => {
                format!("return {}", value.as_ref().map(e).unwrap_or_default())
            }
            StatementKind::Wait(time) => format!("wait {}", e(time)),
            StatementKind::WaitUntil { condition, within, every: step, otherwise: rest } => {
                let (condition, within) = (e(condition), e(within));
                let (step, rest) = (every(step), otherwise(rest));
                format!("wait until {condition} within {within}{step}{rest}")
            }
            StatementKind::Hold { conditions, every: step, body } => {
                format!("hold {}{}{}", joined(conditions, ", ", e), every(step), block(body))
            }
            StatementKind::Arm { power, body } => format!("arm at {}{}", e(power), block(body)),
            StatementKind::Try { body, catch, finally } => {
                let catch = behind("\ncatch ", catch.as_ref(), |(name, body)| {
                    format!("{}{}", self.name(name), block(body))
                });
                format!("try{}{catch}{}", block(body), behind("\nfinally", finally.as_ref(), block))
            }
            StatementKind::Fail(value) => format!("fail {}", e(value)),
            StatementKind::Expect { label, choices, condition } => {
                format!("expect {}{}: {}", e(label), self.choices(choices), e(condition))
            }
            StatementKind::Deciding(choices) => format!("expect:{}", self.choices(choices)),
            StatementKind::Record { label, choices, value } => {
                format!("record {}{}: {}", e(label), self.choices(choices), e(value))
            }
            StatementKind::Allow { code, reason, .. } => {
                format!("allow {} {reason:?}", self.name(code))
            }
            StatementKind::Note(value) => format!("note {}", e(value)),
            StatementKind::Ask(ask) => {
                let kept = match &ask.kept {
                    Kept::Recorded => String::new(),
                    Kept::Named { mutable, name, annotation } => {
                        format!("{} = ", named(*mutable, name, annotation))
                    }
                    Kept::Assigned(place) => format!("set {} = ", e(place)),
                };
                let within = behind(" within ", ask.within.as_ref(), e);
                let (question, answer) = (e(&ask.question), kind(&ask.answer));
                format!("{kept}ask {question}{within}: {answer}{}", range(&ask.range))
            }
            StatementKind::Broken => "BROKEN".to_string(),
        };
        let doc = statement.doc.iter().flat_map(|doc| doc.lines());
        joined(doc, "", |line| format!("/// {line}\n")) + &text
    }

    fn choices(&self, choices: &[Choice]) -> String {
        joined(choices, "", |choice| {
            let value = behind(" ", choice.value.as_ref(), |value| self.expression(value));
            format!(", {}{value}", self.name(&choice.name))
        })
    }

    fn kind(&self, kind: &Type) -> String {
        match &kind.kind {
            TypeKind::List(of) => format!("[{}]", self.kind(of)),
            TypeKind::Record(fields) => {
                let field = |(name, kind): &_| format!("{}: {}", self.name(name), self.kind(kind));
                format!("{{{}}}", joined(fields, ", ", field))
            }
            TypeKind::Product(factors) => joined(factors, "*", |(name, exponent)| match exponent {
                1 => self.name(name).to_string(),
                exponent => format!("{}^{exponent}", self.name(name)),
            }),
        }
    }

    fn expression(&self, expression: &Expression) -> String {
        let e = |expression: &Expression| self.expression(expression);
        match &expression.kind {
            ExpressionKind::Number { value, unit } => {
                let unit = unit.map(|unit| format!("<{}>", self.names.text(unit.symbol)));
                format!("{value}{}", unit.unwrap_or_default())
            }
            ExpressionKind::Text(pieces) => {
                let pieces = joined(pieces, " ", |piece| match piece {
                    Piece::Plain(text) => format!("{text:?}"),
                    Piece::Value { value, decimals } => {
                        format!("{{{}{}}}", e(value), behind(":", decimals.as_ref(), u8::to_string))
                    }
                });
                format!("text({pieces})")
            }
            ExpressionKind::Flag(flag) => format!("{flag}"),
            ExpressionKind::Name(symbol) => self.names.text(*symbol).to_string(),
            ExpressionKind::List(items) => format!("[{}]", joined(items, ", ", e)),
            ExpressionKind::Comprehension { element, name, over, only_if } => {
                let only_if = behind(" if ", only_if.as_deref(), e);
                format!("[{} for {} in {}{only_if}]", e(element), self.name(name), e(over))
            }
            ExpressionKind::Record(fields) => {
                let field = |(name, value): &_| format!("{}: {}", self.name(name), e(value));
                format!("{{{}}}", joined(fields, ", ", field))
            }
            ExpressionKind::Call { name, arguments } => {
                let arguments = joined(arguments, ", ", |argument| {
                    let name = argument.name.map(|name| format!("{}: ", self.name(&name)));
                    name.unwrap_or_default() + &e(&argument.value)
                });
                format!("{}({arguments})", self.name(name))
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
