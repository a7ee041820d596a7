//! What to say where the parser could not go on: known mistakes by name, all others by what was
//! expected.

use crate::diagnostics::{Diagnostic, codes};
use crate::source::Span;
use crate::syntax::keyword::Keyword;
use crate::syntax::parse::habits::habit;
use crate::syntax::parse::stray::{misplaced_unit, stray_call, without_brackets};
use crate::syntax::parse::stuck::Stuck;
use crate::syntax::parse::words::{keyword_as_name, missing_name};
use crate::syntax::token::Token;
use crate::syntax::tree::Binary;
use spintrue_head::parse_unit;

/// The report for one place.
pub(super) fn explain(stuck: &Stuck<'_>) -> Diagnostic {
    keyword_as_name(stuck)
        .or_else(|| question(stuck))
        .or_else(|| missing_name(stuck))
        .or_else(|| habit(stuck))
        .or_else(|| equals_sign(stuck))
        .or_else(|| chained(stuck))
        .or_else(|| unbounded(stuck))
        .or_else(|| held(stuck))
        .or_else(|| after_else(stuck))
        .or_else(|| missing_block(stuck))
        .or_else(|| stray_clause(stuck))
        .or_else(|| label(stuck))
        .or_else(|| band(stuck))
        .or_else(|| reason(stuck))
        .or_else(|| missing_type(stuck))
        .or_else(|| missing_value(stuck))
        .or_else(|| left_over(stuck))
        .or_else(|| semicolon(stuck))
        .unwrap_or_else(|| {
            let headline =
                format!("expected {}, found {}", stuck.expected_words(), stuck.found_words());
            stuck.missing(codes::UNEXPECTED, headline).here("not expected here")
        })
}

fn first_keyword(stuck: &Stuck<'_>) -> Option<(Keyword, Span)> {
    let clause = stuck.clause();
    let mut words = clause.iter().map_while(|(token, span)| match token {
        Token::Keyword(keyword) => Some((*keyword, *span)),
        _ => None,
    });
    let first = words.next()?;
    match (first.0, words.next()) {
        (Keyword::Else, Some(second)) => Some(second),
        _ => Some(first),
    }
}

fn equals_sign(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    let report = |headline: &str, help: &str| stuck.report(codes::EQUALS_SIGN, headline).help(help);
    let compares = || {
        stuck.report(codes::EQUALS_SIGN, "`=` does not compare").fix("write `==`", stuck.span, "==")
    };
    if stuck.found() == Some(Token::Operator(Binary::Equal)) && stuck.expects("`=`") {
        let report = stuck.report(codes::EQUALS_SIGN, "`==` compares");
        return Some(report.fix("a value is given with one `=`", stuck.span, "="));
    }
    if stuck.found() != Some(Token::Assign)
        || stuck.expects("an expression")
        || stuck.expects("a type")
    {
        return None;
    }
    match stuck.bracket() {
        Some((Token::ParenOpen, Some(Token::Name(_)))) => {
            return Some(report(
                "`=` cannot stand in a call",
                "a named argument is written `name: value`, a comparison `==`",
            ));
        }
        Some((Token::RecordOpen, _)) => {
            return Some(report(
                "`=` cannot stand in a record",
                "a field is written `name: value`",
            ));
        }
        Some(_) => return Some(compares()),
        None => {}
    }
    match first_keyword(stuck).map(|(keyword, _)| keyword) {
        Some(Keyword::Let | Keyword::Var | Keyword::Param) => Some(report(
            "a second `=` in one statement",
            "write two statements; a comparison is written `==`",
        )),
        Some(Keyword::Record | Keyword::Note | Keyword::Fail) => None,
        Some(_) => Some(compares()),
        None => Some(report("`=` does not compare", "write `==`")),
    }
}

fn chained(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    let compares = |token: Token| matches!(token, Token::Operator(operator) if operator.compares());
    if !stuck.found().is_some_and(compares) || stuck.expects("an expression") {
        return None;
    }
    let joins = |token: Token| matches!(token, Token::Operator(Binary::And | Binary::Or));
    let level = stuck.level();
    let mut before = level.iter().take_while(|(_, token, _)| !joins(*token));
    let (.., first) = before.find(|(_, token, _)| compares(*token))?;
    let middle = stuck.text.get(first.end as usize..stuck.span.start as usize).unwrap_or("").trim();
    let place = Span { end: stuck.span.start, ..stuck.span };
    let report = stuck
        .report(codes::CHAINED_COMPARISON, "comparisons cannot be chained")
        .here("the second comparison")
        .label(*first, "the first");
    // An uncertainty belongs to the whole check, and `not` would take the first comparison alone.
    let takes = |token: Token| {
        matches!(token, Token::Operator(Binary::PlusMinus) | Token::Keyword(Keyword::Not))
    };
    if level.iter().take_while(|(_, token, _)| !joins(*token)).any(|(_, token, _)| takes(*token)) {
        return Some(report.help("a band is `x within low .. high`"));
    }
    // A call would be made twice, and `a == b == c` compares the first answer with `c` elsewhere.
    let tests = |token: &Token| matches!(token, Token::Operator(Binary::Equal | Binary::Unequal));
    let same = level.iter().any(|(_, token, _)| tests(token))
        || stuck.found().is_some_and(|token| tests(&token));
    let text = format!("write `… {middle} and {middle} …`; a band is `x within low .. high`");
    let edit = format!("and {middle} ");
    Some(match same || middle.contains('(') {
        true => report.suggest(text, place, edit),
        false => report.fix(text, place, edit),
    })
}

fn unbounded(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    let (keyword, place) = first_keyword(stuck)?;
    if !stuck.stops() && stuck.found() != Some(Token::BlockOpen) {
        return None;
    }
    match keyword {
        Keyword::While if stuck.expects("`at`") => Some(
            Diagnostic::error(codes::UNBOUNDED_LOOP, "this `while` has no bound", place)
                .label(stuck.point(), "the bound is missing here")
                .suggest(
                    "every loop ends: write `while … at most 100 times { … }`",
                    stuck.behind(),
                    " at most 100 times",
                ),
        ),
        Keyword::Repeat | Keyword::While if stuck.expects("`times`") => Some(
            stuck
                .missing(codes::UNBOUNDED_LOOP, "the bound of this loop lacks its `times`")
                .here("`times` is missing here")
                .help("write it as in `at most 100 times {`"),
        ),
        Keyword::Repeat if stuck.clause().len() == 1 => Some(
            Diagnostic::error(codes::UNBOUNDED_LOOP, "this `repeat` does not say how often", place)
                .help("write `repeat 3 times { … }`, or `repeat at most 10 times { … } until …`"),
        ),
        Keyword::Wait if stuck.expects("`within`") => Some(
            Diagnostic::error(codes::UNBOUNDED_WAIT, "this `wait until` has no time limit", place)
                .label(stuck.point(), "the limit is missing here")
                .suggest(
                    "every wait ends: write `wait until … within 20 s`",
                    stuck.behind(),
                    " within 20 s",
                ),
        ),
        _ => None,
    }
}

/// `hold locked(), {`, `hold {`, `hold locked() for 2 s {`
fn held(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    let (Keyword::Hold, place) = first_keyword(stuck)? else { return None };
    if stuck.bracket().is_some() {
        return None;
    }
    let report =
        |headline: &str, place: Span| Diagnostic::error(codes::MISSING_VALUE, headline, place);
    let (before, found) = (stuck.token(-1)?, stuck.found());
    let ends = matches!(found, Some(Token::BlockOpen | Token::Keyword(Keyword::Every)));
    if before == Token::Comma && (ends || stuck.stops()) {
        let comma = stuck.place(-1)?;
        let headline = "a condition is missing behind this `,`";
        return Some(report(headline, comma).fix("leave the comma out", comma, ""));
    }
    if before == Token::Keyword(Keyword::Hold) && ends {
        let report = report("this `hold` has no condition", place);
        return Some(report.help("write it as in `hold locked() { … }`"));
    }
    if found == Some(Token::Colon) && before == Token::Unquote {
        let headline = "a condition has no label";
        return Some(
            Diagnostic::error(codes::UNEXPECTED, headline, stuck.span)
                .help("the record names a condition as it is written: `hold locked() { … }`"),
        );
    }
    let lasts = [Keyword::For, Keyword::Within, Keyword::At, Keyword::Until];
    let lasts = matches!(found, Some(Token::Keyword(keyword)) if lasts.contains(&keyword));
    lasts.then(|| {
        let headline = "a `hold` lasts as long as its block";
        Diagnostic::error(codes::UNEXPECTED, headline, stuck.span)
            .help("write `hold locked() { wait 2 s }`; `every 50 ms` says how often it looks")
    })
}

fn after_else(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    let keyword = match stuck.found()? {
        Token::Keyword(keyword) => keyword,
        _ => return None,
    };
    let waits = keyword == Keyword::Until
        && stuck.token(-1) == Some(Token::Keyword(Keyword::Wait))
        && stuck.token(-2) == Some(Token::Keyword(Keyword::Else));
    let compound = stuck.token(-1) == Some(Token::Keyword(Keyword::Else))
        && matches!(
            keyword,
            Keyword::If
                | Keyword::For
                | Keyword::While
                | Keyword::Repeat
                | Keyword::Hold
                | Keyword::Arm
                | Keyword::Try
        );
    if !waits && !compound {
        return None;
    }
    let what = if waits { "wait until" } else { keyword.text() };
    Some(
        stuck
            .report(
                codes::ELSE_NEEDS_BRACES,
                format!("`{what}` needs braces around it after this `else`"),
            )
            .help(format!("write `else {{ {what} … }}`")),
    )
}

fn missing_block(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    if !stuck.expects("`{`") || stuck.found() == Some(Token::BlockOpen) {
        return None;
    }
    let (keyword, _) = first_keyword(stuck)?;
    let word = keyword.text();
    let shape = match keyword {
        Keyword::If => "if … { … }",
        Keyword::For => "for x in … { … }",
        Keyword::While => "while … at most 100 times { … }",
        Keyword::Repeat => "repeat 3 times { … }",
        Keyword::Hold => "hold locked() { … }",
        Keyword::Arm => "arm at 35 % { … }",
        Keyword::Routine => "routine name(…) { … }",
        Keyword::Try => "try { … } catch problem { … }",
        Keyword::Catch => "catch problem { … }",
        Keyword::Finally => "finally { … }",
        _ => return None,
    };
    // An operand in the middle of the header is a missing operator, not a missing brace.
    let statement = matches!(stuck.found(), Some(Token::Keyword(k)) if k.begins_statement());
    if !stuck.stops() && !statement {
        return None;
    }
    Some(
        stuck
            .missing(codes::MISSING_BLOCK, format!("the block of this `{word}` is missing"))
            .here("`{` is missing here")
            .help(format!("write `{shape}`; a single statement needs the braces too")),
    )
}

/// `else` and the like without what they belong to, and braces on their own.
fn stray_clause(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    let beginning = stuck.clause().is_empty();
    if stuck.found() == Some(Token::BlockOpen) && beginning {
        return Some(stuck.report(codes::UNEXPECTED, "a block cannot stand alone").help(
            "a block follows `if`, `for`, `repeat`, `while`, `hold`, `arm`, `try` or a routine's head",
        ));
    }
    let Some(Token::Keyword(keyword)) = stuck.found() else {
        return None;
    };
    let owner = match keyword {
        Keyword::Else => "an `if`, `repeat`, `while` or `wait until`",
        Keyword::Catch | Keyword::Finally => "a `try`",
        Keyword::Until => "a `repeat` or `wait`",
        Keyword::Within => "a `wait until`, or one comparison on its own: join two with `and`",
        Keyword::Every => "a `wait until` or a `hold`",
        Keyword::Times | Keyword::Most => "a `repeat` or `while`",
        Keyword::At => "an `arm`",
        _ => return None,
    };
    if stuck.expects("an expression") {
        return None;
    }
    let word = keyword.text();
    Some(
        stuck
            .report(codes::UNEXPECTED, format!("this `{word}` belongs to nothing"))
            .help(format!("it is part of {owner}")),
    )
}

/// `expect "x" a < 3`
fn label(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    let (keyword, place) = first_keyword(stuck)?;
    let shape = match keyword {
        Keyword::Expect => "expect \"what\": condition",
        Keyword::Record => "record \"what\": value",
        _ => return None,
    };
    // `record "x", 3`: a comma where a colon was meant.
    let after_comma = stuck.expects("how it is drawn");
    if !(stuck.expects("`:`") || after_comma) || stuck.bracket().is_some() {
        return None;
    }
    let word = keyword.text();
    Some(
        stuck
            .missing(codes::UNEXPECTED, format!("`:` is missing after the label of this `{word}`"))
            .here("before this")
            .label(place, "a label, `:` and a value follow")
            .help(format!("write `{shape}`")),
    )
}

/// `note ask "who?"`, `ask "who?"`, `ask "gap": length within 5 min`
fn question(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    let report =
        |headline: &str, place: Span| Diagnostic::error(codes::MALFORMED_QUESTION, headline, place);
    let is_ask = |token: Token| token == Token::Keyword(Keyword::Ask);
    if stuck.found().is_some_and(is_ask) {
        let headline = "`ask` is a statement of its own, no part of a value";
        return Some(
            report(headline, stuck.span)
                .help("name the answer first: `let answer = ask \"...\": flag`"),
        );
    }
    let mut clause = stuck.clause().iter().skip_while(|(token, _)| !is_ask(*token));
    let (_, place) = clause.next()?;
    if stuck.bracket().is_some() {
        return None;
    }
    let says = clause.any(|(token, _)| *token == Token::Colon);
    let example = "such as `ask \"gap\" within 5 min: length within 0 mm .. 5 mm`";
    let report = if says && stuck.found() == Some(Token::Keyword(Keyword::Within)) {
        report("a question has one range of answers", stuck.span)
            .help(format!("the time limit stands before the `:`, {example}"))
    } else if says && stuck.expects("`..`") && !stuck.expects("an expression") {
        report("a range of answers has two ends", stuck.point())
            .here("`..` and the largest answer are missing here")
            .help(format!("the time limit stands before the `:`, {example}"))
    } else if !says && stuck.expects("`:`") {
        report("this question does not say what its answer must be", stuck.point())
            .here("`:` and a kind belong here")
            .help(format!("`flag` is answered by yes or no, `text` by a text; {example}"))
    } else {
        return None;
    };
    Some(report.label(*place, "the question"))
}

/// `x within 3 mm`
fn band(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    let waits = matches!(first_keyword(stuck), Some((Keyword::Wait, _)));
    (stuck.expects("`..`") && !stuck.expects("an expression") && !waits).then(|| {
        stuck
            .missing(codes::UNEXPECTED, "a band after `within` has two ends")
            .here("`..` and the upper end are missing here")
            .help("write `x within low .. high`")
    })
}

/// `4800 rpm;` where one value stands alone
fn semicolon(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    (stuck.found() == Some(Token::End) && stuck.word(0) == ";").then(|| {
        stuck.report(codes::LEFT_OVER, "a value ends without `;`").fix(
            "leave it out",
            stuck.span,
            "",
        )
    })
}

/// `allow W0803`
fn reason(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    let (Keyword::Allow, _) = first_keyword(stuck)? else { return None };
    let says = stuck.stops() && stuck.expects("a text");
    says.then(|| {
        let code = stuck.word(-1);
        stuck
            .missing(codes::MISSING_VALUE, "an `allow` says why")
            .here("the reason is missing here")
            .help(format!("write `allow {code} \"why it is meant\"`"))
    })
}

fn missing_type(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    if stuck.expects("a type") {
        let after = match stuck.token(-1) {
            Some(Token::Arrow) => " after `->`",
            Some(Token::Colon) => " after `:`",
            _ => "",
        };
        return Some(
            stuck.missing(codes::UNEXPECTED, format!("expected a type{after}, found {}", stuck.found_words()))
            .help("types are kinds such as `length`, `text`, `flag`, `list of line` or `{name: time}`"),
        );
    }
    let routine = matches!(first_keyword(stuck), Some((Keyword::Routine, _)));
    if routine && stuck.expects("`:`") && matches!(stuck.token(-1), Some(Token::Name(_))) {
        let name = stuck.word(-1);
        return Some(
            Diagnostic::error(
                codes::UNEXPECTED,
                format!("the parameter `{name}` has no type"),
                stuck.place(-1).unwrap_or(stuck.span),
            )
            .help(format!("write its kind, as in `{name}: time`")),
        );
    }
    None
}

fn missing_value(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    if stuck.expects("`=`")
        && let Some((keyword @ (Keyword::Let | Keyword::Var), _)) = first_keyword(stuck)
        && stuck.stops()
    {
        let word = keyword.text();
        return Some(
            stuck
                .missing(codes::MISSING_VALUE, format!("this `{word}` gives no value"))
                .help(format!("write `{word} name = …`")),
        );
    }
    if !stuck.expects("an expression") {
        return None;
    }
    let last = stuck.token(-1);
    let operand = last.is_none_or(|token| {
        matches!(
            token,
            Token::End | Token::BlockOpen | Token::BlockClose | Token::Name(_) | Token::Number(_)
        )
    });
    if operand {
        return None;
    }
    if stuck.found() == Some(Token::Dot)
        && let (Some(Token::Number(_)), Some(number)) = (stuck.token(1), stuck.place(1))
        && number.start == stuck.span.end
    {
        let digits = stuck.word(1);
        return Some(
            Diagnostic::error(
                codes::MALFORMED_NUMBER,
                "a number begins with a point",
                stuck.span.to(number),
            )
            .help(format!("write `0.{digits}`")),
        );
    }
    let word = match last {
        Some(Token::Plain | Token::Quote) | None => return None,
        Some(_) => stuck.word(-1),
    };
    let mut report = stuck
        .missing(codes::MISSING_VALUE, format!("a value is missing after `{word}`"))
        .here(format!("found {} instead", stuck.found_words()));
    match stuck.found() {
        _ if last == Some(Token::Keyword(Keyword::Within))
            && matches!(first_keyword(stuck), Some((Keyword::Wait, _))) =>
        {
            report = report.help("write the limit as `within 20 s`");
        }
        Some(Token::Operator(Binary::PlusMinus)) => {
            report =
                report.help("`±` stands behind the value that is uncertain: `x ± 5 um <= 6 um`");
        }
        Some(Token::Operator(Binary::Add)) => {
            report = report.help("a positive number has no sign");
        }
        Some(Token::Keyword(Keyword::If)) => {
            report = report.help(
                "`if` is a statement and has no value; declare a `var` and set it in the blocks",
            );
        }
        _ => {}
    }
    Some(report)
}

/// A unit with a blank inside.
fn parted_unit(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    let (Some(Token::Unit(_)), Some(Token::Name(_)), Some(before)) =
        (stuck.token(-1), stuck.found(), stuck.place(-1))
    else {
        return None;
    };
    let joined = format!("{}{}", stuck.word(-1), stuck.word(0));
    parse_unit(&joined).ok()?;
    let whole = before.to(stuck.span);
    let report = Diagnostic::error(codes::LEFT_OVER, "a unit has no blank inside", whole);
    // Elsewhere, a blank between two units stands for their product.
    let are_units = [-1, 0].iter().all(|at| parse_unit(stuck.word(*at)).is_ok());
    Some(if are_units {
        report.suggest(format!("write `{joined}`, or a product with `*`"), whole, joined)
    } else {
        report.fix(format!("write `{joined}`"), whole, joined)
    })
}

/// Something stands where the statement, or the element, should have ended.
fn left_over(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    let found = stuck.found()?;
    let starts_operand = found.starts_operand();
    if matches!(stuck.token(-1), Some(Token::Unit(_))) && stuck.word(-1) == "%" && starts_operand {
        return Some(
            Diagnostic::error(
                codes::STRAY_PERCENT,
                "`%` is the unit of the number before it",
                stuck.place(-1).unwrap_or(stuck.span),
            )
            .label(stuck.span, "so this has nothing to do here")
            .suggest(
                "what is left of a division is `a mod b`",
                stuck.place(-1).unwrap_or(stuck.span),
                "mod",
            ),
        );
    }
    let before = stuck.token(-1);
    let after_operand =
        before == Some(Token::BlockClose) || before.is_some_and(Token::ends_operand);
    let in_use = matches!(first_keyword(stuck), Some((Keyword::Use, _)));
    if stuck.expects("an expression") || !after_operand || in_use {
        return None;
    }
    if found == Token::ParenOpen {
        return Some(stray_call(stuck));
    }
    if let Some(report) = parted_unit(stuck) {
        return Some(report);
    }
    if let Some(report) = misplaced_unit(stuck) {
        return Some(report);
    }
    let words = stuck.found_words();
    if let Some((open, _)) = stuck.bracket() {
        if !starts_operand {
            return None;
        }
        let report =
            stuck.report(codes::LEFT_OVER, format!("an operator or `,` is missing before {words}"));
        let is_call = matches!(before, Some(Token::Name(_)));
        return Some(if is_call && open == Token::ValueOpen {
            report.help(format!("a call has brackets: `{}(…)`", stuck.word(-1)))
        } else if open == Token::ValueOpen {
            report.help("one value stands between a text's braces")
        } else {
            report
        });
    }
    let second = |help: &str| {
        let report = stuck.report(codes::LEFT_OVER, "two statements on one line");
        Some(report.here("the second begins here").help(help))
    };
    if matches!(found, Token::Keyword(keyword) if keyword.begins_statement()) {
        return second("begin a new line, or put `;` between them");
    }
    if !starts_operand {
        return None;
    }
    if before == Some(Token::BlockClose) {
        return second("begin a new line after the `}`");
    }
    let report = stuck.report(codes::LEFT_OVER, format!("an operator is missing before {words}"));
    if let (Token::Number(_), Some(before_span)) = (found, stuck.place(-1)) {
        let (first, second, place) = (stuck.word(-1), stuck.word(0), before_span.to(stuck.span));
        if matches!(before, Some(Token::Number(_))) && second.len() == 3 {
            let text = format!("{first}_{second}");
            return Some(report.suggest(
                format!("digits are grouped with `_`: `{text}`"),
                place,
                text,
            ));
        }
        if let (Some(Token::Unit(_)), Some(Token::Number(_)), Some(Token::Unit(_))) =
            (before, stuck.token(-2), stuck.token(1))
            && [-1, 1].iter().all(|at| parse_unit(stuck.word(*at)).is_ok())
        {
            let sum = format!("{} {first} + {second} {}", stuck.word(-2), stuck.word(1));
            return Some(report.help(format!("a sum is written out: `{sum}`")));
        }
    }
    Some(match before {
        Some(Token::Name(_)) if stuck.clause().len() == 1 => without_brackets(stuck, report),
        _ => report,
    })
}
