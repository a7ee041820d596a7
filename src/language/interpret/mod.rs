//! Runs a checked program: the tree is linked once into typed closures, and these are called.
//! Uses the checked program, the built-ins' functions, the station and the decision of checks.
//!
//! Numbers are untagged doubles and every variable has a slot for good, because routines never
//! call themselves. What a closure would fetch from a variable or a constant is folded into
//! it, so that a line of arithmetic is a handful of calls.

mod events;
mod holds;
mod link;
mod machine;
mod memory;
mod run;
mod step;

pub use events::{
    Bound, Budget, Check, Component, Event, HeldBlock, HeldCondition, Measured, Observer,
    answer_line, answer_text,
};
pub use holds::PlaceText;
pub use run::run;
pub(crate) use run::{Links, run_keeping, run_linked};
pub(crate) use step::{Moment, Stepper};

/// Trees that the checker never lets through.
#[cfg(test)]
mod tests {
    use super::{Event, Observer, run};
    use crate::operator::Wanted;
    use crate::program::failure::FailureKind;
    use crate::program::show::Shower;
    use crate::program::tree::{Ask, Call, Number, Program, Ref, Routine, Statement};
    use crate::source::{SourceId, Span};
    use crate::station::Station;
    use spintrue_head::{Calls, Rig};
    use spintrue_sim::open;
    use std::rc::Rc;
    use std::sync::Arc;

    #[derive(Default)]
    struct Notes(Vec<String>);

    impl Observer for Notes {
        fn event(&mut self, _: f64, event: Event) {
            if let Event::Note(text) = event {
                self.0.push(text);
            }
        }
    }

    fn at() -> Span {
        Span::new(SourceId(0), 0, 1)
    }

    fn arm(body: Vec<Statement>) -> Statement {
        Statement::Arm { power: Number::Constant(0.5), share: at(), body, span: at() }
    }

    /// Fails with these words, before any note and with the laser off.
    #[track_caller]
    fn fails(body: Vec<Statement>, routines: Vec<Routine>, message: &str) {
        let program = Program { words: 10, refs: 10, routines, body, ..Program::default() };
        let (head, _) = open(None, 1).unwrap();
        let mut station =
            Station::open(Box::new(Rig::new(Box::new(head), None)), Arc::default()).unwrap();
        station.spin(500.0).unwrap();
        station.sleep(20.0).unwrap();
        let mut notes = Notes::default();
        let result = run(&program, &mut station, &mut notes, Rc::new(|_| String::new()));
        let failure = result.unwrap_err();
        assert_eq!((failure.kind, &*failure.message), (FailureKind::Fault, message));
        assert!(notes.0.is_empty() && !station.is_armed());
    }

    #[test]
    fn light_in_light_is_refused() {
        let note = Statement::Note(Ref::Text(Rc::from("armed twice")));
        fails(vec![arm(vec![arm(vec![note])])], Vec::new(), "the laser is armed already");
    }

    #[test]
    fn no_question_is_asked_under_light() {
        let ask = Statement::Ask(Box::new(Ask {
            question: Ref::Text(Rc::from("how far?")),
            limit: Number::Constant(20.0),
            wanted: Wanted::Flag,
            range: None,
            into: None,
            shower: Shower::Flag,
            span: at(),
        }));
        let message = "internal error: asking the operator is refused while the laser is armed";
        fails(vec![arm(vec![ask])], Vec::new(), message);
    }

    #[test]
    fn calls_in_a_circle_are_refused_before_the_start() {
        let call = |routine| Statement::Call(Call { routine, arguments: Vec::new(), span: at() });
        let routine = |next| Routine {
            name: Arc::from("routine"),
            parameters: Vec::new(),
            result: None,
            refs: 0..0,
            body: vec![call(next)],
        };
        let body = vec![Statement::Note(Ref::Text(Rc::from("started"))), call(0)];
        let message = "internal error: routines call each other in a circle";
        fails(body, vec![routine(1), routine(0)], message);
    }
}
