//! Statements of the language itself: variables, branches, loops, routines' ends.

use crate::check::Checker;
use crate::check::head::TIME;
use crate::check::scope::{LoopInfo, Role};
use crate::check::typed::{Makeup, Typed};
use crate::diagnostics::codes;
use crate::program::tree as program;
use crate::program::tree::{Flag, Number, RefSlot, Slot};
use crate::program::types::Type;
use crate::source::Span;
use crate::syntax::tree::{
    Binary, Block, Expression, ExpressionKind, Name, Statement, StatementKind,
};
use crate::syntax::walk::blocks;

/// Checked statements, and whether control surely leaves them before their end.
pub(super) type Checked = (Vec<program::Statement>, bool);

impl Checker<'_> {
    /// A block with a scope of its own.
    pub(super) fn block(&mut self, block: &Block) -> Checked {
        self.scope.enter();
        let checked = self.statements(&block.statements);
        self.scope.leave();
        checked
    }

    /// The same of one that may be passed by. Nothing follows what it does where it ends in `fail` alone and no
    /// `try` catches that.
    pub(super) fn branch(&mut self, block: &Block) -> Checked {
        let first = self.calls.len();
        let checked = self.block(block);
        let fails =
            block.statements.last().is_some_and(|s| matches!(s.kind, StatementKind::Fail(_)));
        if fails && !self.inside.caught && !jumps(block) {
            let inside = self.calls.iter_mut().skip(first);
            inside.for_each(|call| call.fails = Some(block.span));
        }
        checked
    }

    pub(super) fn statements<'s>(
        &mut self,
        statements: impl IntoIterator<Item = &'s Statement>,
    ) -> Checked {
        let mut code = Vec::new();
        let mut leaves = false;
        let mut told = false;
        for statement in statements {
            if leaves && !told && statement.kind != StatementKind::Broken {
                told = true;
                self.warning(codes::UNREACHABLE, "this is never reached", statement.span)
                    .help("what stands before it always leaves the block");
            }
            self.step(statement, &mut code);
            leaves |= self.statement(statement, &mut code);
        }
        (code, leaves)
    }

    /// Checks one statement; tells whether control surely leaves the block in it.
    fn statement(&mut self, statement: &Statement, code: &mut Vec<program::Statement>) -> bool {
        let span = statement.span;
        self.near = Makeup::BARE;
        match &statement.kind {
            StatementKind::Use { .. } => self.item("`use`", span),
            StatementKind::Param { .. } => self.item("a param", span),
            StatementKind::Routine(_) => self.item("a routine", span),
            StatementKind::Let { mutable, name, annotation, value } => {
                let role = if *mutable { Role::Var } else { Role::Let };
                self.variable(role, *name, annotation.as_ref(), value, code);
            }
            StatementKind::Assign { place, value } => self.assign(place, value, code),
            StatementKind::Expression(e) => self.alone(e, code),
            StatementKind::If { arms, otherwise } => {
                return self.branches(arms, otherwise.as_ref(), code);
            }
            StatementKind::For { name, over, body } => {
                let (over, item) = self.over(over);
                self.scope.enter();
                let (variable, target) = self.declare(*name, item, Role::Loop);
                self.counts_within(variable, &over);
                let body = self.loop_body(body);
                self.scope.leave();
                code.push(program::Statement::For { target, over, body, span });
            }
            StatementKind::Repeat { at_most, times, body, until, otherwise } => {
                self.repeat(*at_most, times, body, until.as_ref(), otherwise.as_ref(), code, span);
            }
            StatementKind::While { condition, times, body, otherwise } => {
                let before = Some(self.condition(condition, "the condition of `while`"));
                let bound = self.times(times);
                let body = self.loop_body(body);
                let otherwise = self.otherwise(otherwise.as_ref());
                code.push(program::Statement::Repeat {
                    times: bound,
                    before,
                    body,
                    until: None,
                    otherwise,
                    span: times.span,
                });
            }
            StatementKind::Break => {
                return self.jump("break", program::Statement::Break, span, code);
            }
            StatementKind::Continue => {
                let declared = self.variables.len();
                if let Some(around) = self.inside.loops.last_mut() {
                    around.continues.push((span, declared));
                }
                return self.jump("continue", program::Statement::Continue, span, code);
            }
            StatementKind::Return(value) => {
                self.give_back(value.as_ref(), span, code);
                return true;
            }
            StatementKind::Try { body, catch, finally } => {
                return self.attempt(body, catch.as_ref(), finally.as_ref(), span, code);
            }
            StatementKind::Allow { .. } | StatementKind::Broken => {}
            _ => return self.head_statement(statement, code),
        }
        false
    }

    fn item(&mut self, what: &str, span: Span) {
        let headline = format!("{what} stands at the top level of a file, not in a block");
        self.error(codes::MISPLACED_ITEM, headline, span)
            .help("move it out of the block that it stands in");
    }

    /// `let` and `var`.
    pub(super) fn variable(
        &mut self,
        role: Role,
        name: Name,
        annotation: Option<&crate::syntax::tree::Type>,
        value: &Expression,
        code: &mut Vec<program::Statement>,
    ) -> usize {
        let mut wanted = annotation.map(|written| self.annotation(written));
        let what = format!("`{}`", self.text(name.symbol));
        let typed = match annotation.zip(wanted.as_mut()) {
            Some((written, kind)) => self.as_declared(value, kind, written.span, &what),
            None => self.expression(value, None),
        };
        let kind = wanted.unwrap_or_else(|| typed.kind.clone());
        let like = Typed { kind, ..typed.clone() };
        let (variable, slot) = self.declare(name, like, role);
        if typed.kind != Type::Unknown {
            code.push(program::Statement::Set(slot, typed.code));
        }
        variable
    }

    /// An expression on its own: a call.
    fn alone(&mut self, e: &Expression, code: &mut Vec<program::Statement>) {
        let ExpressionKind::Call { name, arguments } = &e.kind else {
            let before = self.diagnostics.len();
            let typed = self.expression(e, None);
            let is_known = typed.kind != Type::Unknown && !self.is_wrong_since(before);
            if !is_known || self.answers(&typed, code) {
                return;
            }
            // What is dropped compares nothing.
            let mut after = self.diagnostics.split_off(before);
            after.retain(|report| report.code != codes::EXACT_MEASURED);
            self.diagnostics.append(&mut after);
            let set = match &e.kind {
                ExpressionKind::Binary { operator: Binary::Equal, left, right, .. } => {
                    let name = matches!(left.kind, ExpressionKind::Name(_));
                    name.then(|| (self.words(left.span), self.words(right.span)))
                }
                _ => None,
            };
            let report =
                self.error(codes::UNUSED_VALUE, "this is worked out and then dropped", e.span);
            match set {
                Some((name, value)) => {
                    report.help(format!("`==` compares; a variable is set with `{name} = {value}`"))
                }
                None => {
                    report.help("print it with `note \"{...}\"`, keep it with `let`, or delete it")
                }
            };
            return;
        };
        let typed = self.call(*name, arguments, e.span);
        if !matches!(typed.kind, Type::Unknown | Type::Nothing) && self.answers(&typed, code) {
            return;
        }
        match (typed.kind.clone(), typed.code) {
            (Type::Unknown, _) => {}
            (Type::Nothing, program::Expression::Number(Number::Call(call))) => {
                code.push(program::Statement::Call(*call));
            }
            (Type::Nothing, program::Expression::Number(Number::Builtin(call))) => {
                code.push(program::Statement::Builtin(*call));
            }
            (kind, expression) => {
                let text = self.text(name.symbol);
                let headline = format!("`{text}` gives {}, which is dropped", self.a_kind(&kind));
                let words = self.words(e.span);
                self.warning(codes::DROPPED_RESULT, headline, e.span).help(format!(
                    "keep it with `let`, or say that it is not needed: `let _unused = {words}`"
                ));
                code.push(program::Statement::Evaluate(expression));
            }
        }
    }

    fn branches(
        &mut self,
        arms: &[(Expression, Block)],
        otherwise: Option<&Block>,
        code: &mut Vec<program::Statement>,
    ) -> bool {
        let mut leaves = otherwise.is_some();
        let mut checked = Vec::new();
        for (condition, block) in arms {
            let condition = self.condition(condition, "the condition of `if`");
            let (body, left) = self.branch(block);
            leaves &= left;
            checked.push((condition, body));
        }
        let mut rest = Vec::new();
        if let Some(block) = otherwise {
            let (body, left) = self.branch(block);
            leaves &= left;
            rest = body;
        }
        code.push(program::Statement::If(checked, rest));
        leaves
    }

    pub(super) fn condition(&mut self, e: &Expression, what: &str) -> Flag {
        self.expect_kind(e, &Type::Flag, codes::NOT_A_FLAG, what).flag()
    }

    /// The body of a loop, in a scope of its own.
    fn loop_body(&mut self, body: &Block) -> Vec<program::Statement> {
        self.enter_loop();
        let (code, _) = self.block(body);
        self.inside.loops.pop();
        code
    }

    fn enter_loop(&mut self) {
        let first = self.variables.len();
        self.inside.loops.push(LoopInfo { first, continues: Vec::new() });
    }

    /// The bound of a loop.
    fn times(&mut self, times: &Expression) -> Number {
        let typed = self.expression(times, Some(&Type::NUMBER));
        if typed.kind == TIME {
            let words = self.words(times.span);
            let headline = "a loop counts its turns and not the time";
            self.error(codes::BAD_LOOP_BOUND, headline, times.span).here("this is a time").help(
                format!("to wait for something at most so long: `wait until ... within {words}`"),
            );
            return Number::Constant(0.0);
        }
        let typed =
            self.of_kind(times, typed, &Type::NUMBER, codes::BAD_LOOP_BOUND, "the bound of a loop");
        if let Some(value) = typed.constant()
            && !(value >= 0.0 && value.fract() == 0.0 && value <= 1e9)
        {
            let headline = "the bound of a loop is a whole number from 0 to 1e9";
            self.error(codes::BAD_LOOP_BOUND, headline, typed.span);
        }
        typed.number()
    }

    #[allow(clippy::too_many_arguments, reason = "the parts of one statement")]
    fn repeat(
        &mut self,
        at_most: bool,
        times: &Expression,
        body: &Block,
        until: Option<&Expression>,
        otherwise: Option<&Block>,
        code: &mut Vec<program::Statement>,
        span: Span,
    ) {
        let bound = self.times(times);
        if until.is_some() && !at_most {
            let words = self.words(times.span);
            self.error(codes::MALFORMED_LOOP, "a loop with `until` may end early", times.span)
                .help(format!("say so: `repeat at most {words} times`"));
        }
        if until.is_none() && otherwise.is_some() {
            self.error(
                codes::MALFORMED_LOOP,
                "`else` needs an `until` that can fail to hold",
                span,
            )
            .help("`repeat at most 4 times { ... } until done else fail \"...\"`");
        }
        self.enter_loop();
        self.scope.enter();
        let (checked, _) = self.statements(&body.statements);
        let around = self.inside.loops.pop();
        let until = until.map(|condition| {
            self.inside.until = around;
            let flag = self.condition(condition, "the condition of `until`");
            self.inside.until = None;
            flag
        });
        self.scope.leave();
        let otherwise = self.otherwise(otherwise);
        code.push(program::Statement::Repeat {
            times: bound,
            before: None,
            body: checked,
            until,
            otherwise,
            span: times.span,
        });
    }

    pub(super) fn otherwise(&mut self, block: Option<&Block>) -> Vec<program::Statement> {
        block.map(|block| self.branch(block).0).unwrap_or_default()
    }

    fn jump(
        &mut self,
        word: &str,
        statement: program::Statement,
        span: Span,
        code: &mut Vec<program::Statement>,
    ) -> bool {
        if self.inside.loops.is_empty() && self.inside.finally {
            let headline = format!("`{word}` cannot leave a `finally` block");
            self.error(codes::JUMP_OUT_OF_FINALLY, headline, span)
                .help("it would drop a failure that is on its way out");
            return false;
        }
        if self.inside.loops.is_empty() {
            let headline = format!("`{word}` stands outside of any loop");
            self.error(codes::JUMP_OUTSIDE_LOOP, headline, span)
                .help("a script ends behind its last statement, a routine with `return`");
            return false;
        }
        code.push(statement);
        true
    }

    fn give_back(
        &mut self,
        value: Option<&Expression>,
        span: Span,
        code: &mut Vec<program::Statement>,
    ) {
        if self.inside.finally {
            self.error(codes::JUMP_OUT_OF_FINALLY, "`return` cannot leave a `finally` block", span)
                .help("it would drop a failure that is on its way out");
        }
        match (self.inside.result.clone(), value) {
            (Some((kind, slot)), Some(value)) => {
                let typed =
                    self.expect_kind(value, &kind, codes::BAD_RETURN, "what this routine gives");
                code.push(program::Statement::Return(Some((slot, typed.code))));
            }
            (Some((kind, _)), None) => {
                let headline = format!("`return` needs {}", self.a_kind(&kind));
                self.error(codes::BAD_RETURN, headline, span);
            }
            (None, Some(value)) => {
                let typed = self.expression(value, None);
                if let Some(routine) = self.inside.routine {
                    self.undeclared.insert(routine);
                    let kind = self.kind_name(&typed.kind);
                    // What is not understood is reported already.
                    if typed.kind != Type::Unknown {
                        self.error(
                            codes::BAD_RETURN,
                            "this routine gives nothing back",
                            value.span,
                        )
                        .help(format!("say what it gives behind its parameters: `-> {kind}`"));
                    }
                } else {
                    self.error(codes::BAD_RETURN, "a script gives nothing back", value.span)
                        .help("it ends behind its last statement, or fails with `fail \"...\"`");
                }
            }
            (None, None) => code.push(program::Statement::Return(None)),
        }
    }

    fn attempt(
        &mut self,
        body: &Block,
        catch: Option<&(Name, Block)>,
        finally: Option<&Block>,
        span: Span,
        code: &mut Vec<program::Statement>,
    ) -> bool {
        if catch.is_none() && finally.is_none() {
            self.error(codes::BARE_TRY, "`try` needs a `catch` or a `finally`", span);
        }
        let outer = std::mem::replace(&mut self.inside.caught, true);
        let (body, mut leaves) = self.block(body);
        self.inside.caught = outer;
        let catch = catch.map(|(name, block)| {
            self.scope.enter();
            let like = Typed { kind: self.kind("failure"), ..Typed::unknown(name.span) };
            let (_, slot) = self.declare(*name, like, Role::Caught);
            let slot = if let Slot::Ref(slot) = slot { slot } else { RefSlot(0) };
            let (handler, left) = self.block(block);
            self.scope.leave();
            leaves &= left;
            (slot, handler)
        });
        let outer = std::mem::replace(&mut self.inside.finally, true);
        let loops = std::mem::take(&mut self.inside.loops);
        let (finally, left) = finally.map(|block| self.block(block)).unwrap_or_default();
        self.inside.loops = loops;
        self.inside.finally = outer;
        code.push(program::Statement::Try { body, catch, finally });
        leaves | left
    }
}

/// Whether a block may be left by another way than its end.
fn jumps(block: &Block) -> bool {
    block.statements.iter().any(|statement| {
        matches!(
            statement.kind,
            StatementKind::Return(_) | StatementKind::Break | StatementKind::Continue
        ) || blocks(statement).into_iter().any(jumps)
    })
}
