//! Walks over syntax trees. Trees are bounded in depth by the parser.

use crate::source::Span;
use crate::syntax::tree::{
    Ask, Block, Expression, ExpressionKind, File, Kept, Name, Piece, Routine, Statement,
    StatementKind,
};

/// The blocks of a statement.
pub(crate) fn blocks(statement: &Statement) -> Vec<&Block> {
    match &statement.kind {
        StatementKind::Routine(routine) => vec![&routine.body],
        StatementKind::If { arms, otherwise } => {
            arms.iter().map(|(_, block)| block).chain(otherwise).collect()
        }
        StatementKind::For { body, .. }
        | StatementKind::Hold { body, .. }
        | StatementKind::Arm { body, .. } => vec![body],
        StatementKind::Repeat { body, otherwise, .. }
        | StatementKind::While { body, otherwise, .. } => {
            [body].into_iter().chain(otherwise).collect()
        }
        StatementKind::WaitUntil { otherwise, .. } => otherwise.iter().collect(),
        StatementKind::Try { body, catch, finally } => [body]
            .into_iter()
            .chain(catch.as_ref().map(|(_, block)| block))
            .chain(finally)
            .collect(),
        _ => Vec::new(),
    }
}

/// The expressions that stand in a statement itself, not in its blocks.
pub fn expressions(statement: &Statement) -> Vec<&Expression> {
    match &statement.kind {
        StatementKind::Param { default, range, .. } => {
            let ends = range.iter().flat_map(|ends| [&ends.0, &ends.1]);
            default.iter().chain(ends).collect()
        }
        StatementKind::Routine(routine) => {
            routine.parameters.iter().filter_map(|p| p.default.as_ref()).collect()
        }
        StatementKind::Let { value, .. } => vec![value],
        StatementKind::Assign { place, value } => vec![place, value],
        StatementKind::Expression(e)
        | StatementKind::Wait(e)
        | StatementKind::Fail(e)
        | StatementKind::Note(e)
        | StatementKind::Return(Some(e))
        | StatementKind::For { over: e, .. }
        | StatementKind::Arm { power: e, .. } => vec![e],
        StatementKind::If { arms, .. } => arms.iter().map(|(condition, _)| condition).collect(),
        StatementKind::Repeat { times, until, .. } => [times].into_iter().chain(until).collect(),
        StatementKind::While { condition, times, .. } => vec![condition, times],
        StatementKind::WaitUntil { condition, within, every, .. } => {
            [condition, within].into_iter().chain(every).collect()
        }
        StatementKind::Hold { conditions, every, .. } => conditions.iter().chain(every).collect(),
        StatementKind::Expect { label, choices, condition } => {
            let values = choices.iter().filter_map(|choice| choice.value.as_ref());
            [label].into_iter().chain(values).chain([condition]).collect()
        }
        StatementKind::Deciding(choices) => {
            choices.iter().filter_map(|choice| choice.value.as_ref()).collect()
        }
        StatementKind::Record { label, choices, value } => {
            let values = choices.iter().filter_map(|choice| choice.value.as_ref());
            [label].into_iter().chain(values).chain([value]).collect()
        }
        StatementKind::Ask(ask) => {
            let place = match &ask.kept {
                Kept::Assigned(place) => Some(place),
                Kept::Recorded | Kept::Named { .. } => None,
            };
            let ends = ask.range.iter().flat_map(|ends| [&ends.0, &ends.1]);
            place.into_iter().chain([&ask.question]).chain(&ask.within).chain(ends).collect()
        }
        _ => Vec::new(),
    }
}

/// Visits an expression and all inside it.
pub fn each_expression<'t>(e: &'t Expression, visit: &mut dyn FnMut(&'t Expression)) {
    visit(e);
    parts(e).into_iter().for_each(|part| each_expression(part, visit));
}

/// The expressions that an expression is made of, in their order.
pub(crate) fn parts(e: &Expression) -> Vec<&Expression> {
    match &e.kind {
        ExpressionKind::Text(pieces) => {
            let values = pieces.iter().filter_map(|piece| match piece {
                Piece::Value { value, .. } => Some(value),
                Piece::Plain(_) => None,
            });
            values.collect()
        }
        ExpressionKind::List(items) => items.iter().collect(),
        ExpressionKind::Comprehension { element, over, only_if, .. } => {
            [element, over].into_iter().chain(only_if).map(|part| &**part).collect()
        }
        ExpressionKind::Record(fields) => fields.iter().map(|(_, value)| value).collect(),
        ExpressionKind::Call { arguments, .. } => arguments.iter().map(|a| &a.value).collect(),
        ExpressionKind::Field { of: e, .. }
        | ExpressionKind::Unary { operand: e, .. }
        | ExpressionKind::Power { base: e, .. }
        | ExpressionKind::Shown { value: e, .. } => vec![e],
        ExpressionKind::Element { of: a, index: b }
        | ExpressionKind::Binary { left: a, right: b, .. } => vec![a, b],
        ExpressionKind::Within { value, low, high } => vec![value, low, high],
        ExpressionKind::Number { .. }
        | ExpressionKind::Flag(_)
        | ExpressionKind::Name(_)
        | ExpressionKind::Broken => Vec::new(),
    }
}

/// Visits every statement of a file.
pub fn each_statement<'t>(file: &'t File, visit: &mut dyn FnMut(&'t Statement)) {
    file.statements.iter().for_each(|statement| each_inside(statement, visit));
}

/// Visits a statement and all inside it.
pub(crate) fn each_inside<'t>(statement: &'t Statement, visit: &mut dyn FnMut(&'t Statement)) {
    visit(statement);
    for block in blocks(statement) {
        block.statements.iter().for_each(|statement| each_inside(statement, visit));
    }
}

/// The name that a statement declares.
pub(crate) fn declared(statement: &Statement) -> Option<Name> {
    match &statement.kind {
        StatementKind::Param { name, .. } | StatementKind::Let { name, .. } => Some(*name),
        StatementKind::Routine(routine) => Some(routine.name),
        StatementKind::Ask(ask) => answer(ask),
        _ => None,
    }
}

/// The name that an answer is bound to.
pub(crate) fn answer(ask: &Ask) -> Option<Name> {
    match &ask.kept {
        Kept::Named { name, .. } => Some(*name),
        Kept::Recorded | Kept::Assigned(_) => None,
    }
}

/// The statement that declares a name.
pub(crate) fn declaring(file: &File, name: Span) -> Option<&Statement> {
    let mut found = None;
    each_statement(file, &mut |statement| {
        if declared(statement).is_some_and(|n| n.span == name) {
            found = Some(statement);
        }
    });
    found
}

/// The routine of a file by its name where it is declared.
pub(crate) fn routine(file: &File, name: Span) -> Option<(&Statement, &Routine)> {
    file.routines().find(|(_, routine)| routine.name.span == name)
}
