//! Questions of entries, answered at the prompt.

use crate::shell::reader::{Input, InputKind, Reader};
use crate::terminal::{BOLD, complain, styled};
use spintrue_language::{Answer, NoAnswer, Operator, Question, time_text};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Time between two looks at the stop flag.
const LOOK_INTERVAL: Duration = Duration::from_millis(50);

/// The operator at the prompt.
pub(super) struct PromptOperator {
    /// Where answers come from.
    pub reader: Reader,
    /// A person is at the terminal.
    pub attended: bool,
    /// Colours.
    pub colour: bool,
}

impl Operator for PromptOperator {
    fn who(&self) -> String {
        if self.attended { "at the terminal" } else { "by the lines of the input" }.to_string()
    }

    fn ask(&mut self, question: &Question<'_>, stop: &AtomicBool) -> Result<Answer, NoAnswer> {
        let started = Instant::now();
        let limit = Duration::try_from_secs_f64(question.limit).unwrap_or(Duration::MAX);
        complain(&format!("{}\n", styled(&question.shown(), BOLD, self.colour)));
        let wanted = question.wanted.words();
        let prompt = format!("  {wanted}, within {}: ", time_text(question.limit));
        self.reader.ask(InputKind::Answer, &prompt);
        loop {
            if started.elapsed() >= limit {
                if self.attended {
                    complain("\n(too late: what is typed from here on is an entry)\n");
                }
                return Err(NoAnswer::TimedOut);
            }
            if stop.load(Ordering::SeqCst) {
                return Err(NoAnswer::Interrupted);
            }
            match self.reader.wait(LOOK_INTERVAL) {
                None => {}
                Some(Input::Entry(text)) => match question.wanted.read(&text) {
                    Ok(answer) => return Ok(answer),
                    Err(why) if self.attended => {
                        complain(&format!("  {why}\n"));
                        self.reader.ask(InputKind::Answer, &prompt);
                    }
                    Err(why) => return Err(NoAnswer::Wrong(why.to_string())),
                },
                Some(Input::Dropped(_)) => {
                    stop.store(true, Ordering::SeqCst);
                    return Err(NoAnswer::Interrupted);
                }
                Some(Input::End) => {
                    return Err(NoAnswer::NoOperator("the input has ended".to_string()));
                }
                Some(Input::Broken(why)) => return Err(NoAnswer::NoOperator(why.to_string())),
            }
        }
    }
}
