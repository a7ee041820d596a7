//! Questions, with an operator who answers whatever a test says.

use super::head::Bench;
use super::ran::{Ran, program, run_asking};
use super::tree::{arm, at, attempt, c, does, note, note_number, r, text, w};
use crate::interpret::Event;
use crate::operator::{Answer, NoAnswer, Operator, Quantity, Question, Wanted};
use crate::program::failure::FailureKind;
use crate::program::show::Shower;
use crate::program::tree::{Ask, Number, RefSlot, Slot, Statement, WordSlot};
use crate::units::Dimension;
use std::sync::atomic::{AtomicBool, Ordering};

/// Says what it is told to, sense or not.
struct Parrot {
    answers: Vec<Result<Answer, NoAnswer>>,
    stops: bool,
}

impl Operator for Parrot {
    fn who(&self) -> String {
        "by a parrot".to_string()
    }
    fn ask(&mut self, _: &Question<'_>, stop: &AtomicBool) -> Result<Answer, NoAnswer> {
        stop.fetch_or(self.stops, Ordering::SeqCst);
        self.answers.remove(0)
    }
}

const LENGTH: Dimension = Dimension::LENGTH;

fn ask(wanted: Wanted, range: Option<(Number, Number)>, into: Slot) -> Statement {
    let shower = match &wanted {
        Wanted::Flag => Shower::Flag,
        Wanted::Text => Shower::Text,
        Wanted::Quantity(_) => Shower::Quantity { dimension: LENGTH, unit: None, decimals: None },
    };
    let (question, into) = (text("how far?"), Some(into));
    Statement::Ask(Box::new(Ask {
        question,
        limit: c(20.0),
        wanted,
        range,
        into,
        shower,
        span: at(5),
    }))
}

fn length(range: Option<(Number, Number)>) -> Statement {
    let quantity = Quantity { dimension: LENGTH, absolute: false, unit: None, range: None };
    ask(Wanted::Quantity(quantity), range, Slot::Number(WordSlot(0)))
}

fn answered(body: Vec<Statement>, answers: Vec<Result<Answer, NoAnswer>>) -> Ran {
    let parrot = Parrot { answers, stops: false };
    run_asking(Bench::default(), &program(body), Some(Box::new(parrot)))
}

#[test]
fn answers_reach_their_variables() {
    let body = vec![
        length(Some((c(0.0), c(1.0)))),
        ask(Wanted::Flag, None, Slot::Flag(WordSlot(1))),
        ask(Wanted::Text, None, Slot::Ref(RefSlot(0))),
        note_number(w(0)),
        note_number(w(1)),
        Statement::Note(r(0)),
    ];
    let answers =
        [Answer::Quantity(0.25), Answer::Flag(true), Answer::Text("far enough".to_string())];
    let ran = answered(body, answers.map(Ok).to_vec());
    ran.says(&["0.25", "1", "far enough"]);
    let told = ran.events.iter().filter_map(|event| match event {
        Event::Asked { question, wanted, limit, .. } => {
            Some(format!("{question} {wanted} {limit}"))
        }
        Event::Answered { shown, who, .. } => Some(format!("{shown} {who}")),
        _ => None,
    });
    assert_eq!(
        told.collect::<Vec<_>>(),
        [
            "how far? a length from 0 m to 1 m 20",
            "250 mm by a parrot",
            "how far? yes or no 20",
            "true by a parrot",
            "how far? a text 20",
            "far enough by a parrot",
        ]
    );
}

/// Whoever implements an operator may be wrong, too.
#[test]
fn an_answer_without_sense_never_reaches_the_script() {
    for (answer, why) in [
        (Answer::Quantity(1.5), "1.5 m is outside the range from 0 m to 1 m"),
        (Answer::Quantity(f64::NAN), "a number must be finite"),
        (Answer::Flag(true), "a length from 0 m to 1 m is wanted"),
    ] {
        let ran = answered(vec![length(Some((c(0.0), c(1.0)))), note("no")], vec![Ok(answer)]);
        ran.fails(FailureKind::Value, &format!("the question \"how far?\": {why}"));
        assert!(ran.notes().is_empty());
    }
    let ran = answered(vec![length(Some((c(1.0), c(0.0))))], vec![]);
    ran.fails(FailureKind::Value, "no answer lies within 1 m and 0 m");
}

#[test]
fn no_answer_is_a_failure_that_says_which() {
    for (why, kind, message) in [
        (NoAnswer::TimedOut, FailureKind::Timeout, "gave up after 20 s: nobody answered"),
        (NoAnswer::Nobody("gone".to_string()), FailureKind::Unanswered, "gone"),
        (NoAnswer::Wrong("nonsense".to_string()), FailureKind::Value, "nonsense"),
    ] {
        let ran = answered(vec![length(None)], vec![Err(why)]);
        ran.fails(kind, &format!("the question \"how far?\": {message}"));
    }
    let ran = answered(vec![length(None)], vec![Err(NoAnswer::Interrupted)]);
    ran.fails(FailureKind::Interrupted, "stopped on request");
    let ran = run_asking(Bench::default(), &program(vec![length(None)]), None);
    let message = "the question \"how far?\": nobody is there to answer";
    ran.fails(FailureKind::Unanswered, message);
    // It can be caught, other than an interruption.
    let body = vec![attempt(vec![length(None)], vec![note("caught")], vec![])];
    let nobody = || vec![Err(NoAnswer::Nobody("gone".to_string()))];
    answered(body, nobody()).says(&["caught"]);
}

/// An answer that comes together with Ctrl-C is none.
#[test]
fn a_request_to_stop_counts_more_than_an_answer() {
    let parrot = Parrot { answers: vec![Ok(Answer::Quantity(0.5))], stops: true };
    let body = vec![attempt(vec![length(None)], vec![note("caught")], vec![]), note("on")];
    let ran = run_asking(Bench::default(), &program(body), Some(Box::new(parrot)));
    ran.fails(FailureKind::Interrupted, "stopped on request");
    assert!(ran.notes().is_empty());
}

/// The checker refuses this; a tree that comes by another way finds nobody asked either.
#[test]
fn nobody_is_asked_under_light() {
    let body = vec![arm(0.5, vec![does("trims", 3), length(None)])];
    let ran = answered(body, vec![]);
    let message = "internal error: asking the operator is refused while the laser is armed";
    ran.fails(FailureKind::Fault, message);
    assert_eq!(ran.calls(), ["arm 0.5", "trims", "disarm"]);
}
