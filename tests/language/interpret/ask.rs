//! Questions, with an operator who answers what a test says.

use super::head::Log;
use super::{Ran, run, run_asking};
use spintrue_language::{Answer, Event, FailureKind, NoAnswer, Operator, Question};
use std::sync::atomic::{AtomicBool, Ordering};

/// Gives the answers of a test, with or without sense.
struct Scripted {
    answers: Vec<Result<Answer, NoAnswer>>,
    stops: bool,
}

impl Operator for Scripted {
    fn who(&self) -> String {
        "by a test".to_string()
    }
    fn ask(&mut self, _: &Question<'_>, stop: &AtomicBool) -> Result<Answer, NoAnswer> {
        stop.fetch_or(self.stops, Ordering::SeqCst);
        self.answers.remove(0)
    }
}

fn answered(script: &str, answers: Vec<Result<Answer, NoAnswer>>) -> Ran {
    run_asking(Log::default(), script, Some(Box::new(Scripted { answers, stops: false })))
}

const ASK: &str = "let far = ask \"how far?\" within 20 s: length\nnote \"{far}\"\n";
const ASK_WITHIN: &str =
    "let far = ask \"how far?\" within 20 s: length within 0 m .. 1 m\nnote \"{far}\"\n";

#[test]
fn answers_reach_their_variables() {
    let script = format!(
        "{ASK_WITHIN}let sure = ask \"how far?\" within 20 s: flag\n\
         let said = ask \"how far?\" within 20 s: text\nnote \"{{sure}} {{said}}\"\n"
    );
    let answers =
        [Answer::Quantity(0.25), Answer::Flag(true), Answer::Text("far enough".to_string())];
    let ran = answered(&script, answers.map(Ok).to_vec());
    ran.says(&["0.25 m", "true far enough"]);
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
            "0.25 m by a test",
            "how far? yes or no 20",
            "true by a test",
            "how far? a text 20",
            "far enough by a test",
        ]
    );
}

/// An operator's implementation may be wrong, too.
#[test]
fn an_answer_without_sense_never_reaches_the_script() {
    for (answer, why) in [
        (Answer::Quantity(1.5), "1.5 m is outside the range from 0 m to 1 m"),
        (Answer::Quantity(f64::NAN), "a number must be finite"),
        (Answer::Flag(true), "a length from 0 m to 1 m is wanted"),
    ] {
        let ran = answered(ASK_WITHIN, vec![Ok(answer)]);
        ran.fails(FailureKind::Value, &format!("the question \"how far?\": {why}"));
        assert!(ran.notes().is_empty());
    }
    let script = "var least = 1 m\nask \"how far?\": length within least .. 0 m\n";
    answered(script, vec![]).fails(FailureKind::Value, "no answer lies within 1 m and 0 m");
}

#[test]
fn no_answer_is_a_failure_that_says_which() {
    for (why, kind, message) in [
        (NoAnswer::TimedOut, FailureKind::Timeout, "gave up after 20 s: no answer came"),
        (NoAnswer::NoOperator("gone".to_string()), FailureKind::Unanswered, "gone"),
        (NoAnswer::Wrong("nonsense".to_string()), FailureKind::Value, "nonsense"),
    ] {
        let ran = answered(ASK, vec![Err(why)]);
        ran.fails(kind, &format!("the question \"how far?\": {message}"));
    }
    let ran = answered(ASK, vec![Err(NoAnswer::Interrupted)]);
    ran.fails(FailureKind::Interrupted, "stopped on request");
    let message = "the question \"how far?\": no operator is there to answer";
    run(ASK).fails(FailureKind::Unanswered, message);
    // It can be caught, other than an interruption.
    let caught = format!("try {{ {ASK} }} catch _p {{ note \"caught\" }}\n");
    answered(&caught, vec![Err(NoAnswer::NoOperator("gone".to_string()))]).says(&["caught"]);
}

/// An answer that comes together with Ctrl-C is none.
#[test]
fn a_request_to_stop_counts_more_than_an_answer() {
    let scripted = Scripted { answers: vec![Ok(Answer::Quantity(0.5))], stops: true };
    let script = format!("try {{ {ASK} }} catch _p {{ note \"caught\" }}\nnote \"on\"\n");
    let ran = run_asking(Log::default(), &script, Some(Box::new(scripted)));
    ran.fails(FailureKind::Interrupted, "stopped on request");
    assert!(ran.notes().is_empty());
}
