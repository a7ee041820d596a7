//! Questions of entries, answered where entries are typed.

use crate::operator::{Answer, NoAnswer, Operator, Question};
use crate::program::show::time_text;
use crate::shell::reader::{Input, Reader, Typed};
use crate::terminal::{BOLD, complain, styled};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Time between two looks at the flag that asks to stop.
const LOOK: Duration = Duration::from_millis(50);

/// Whoever types at the shell.
pub struct AtPrompt {
    /// Where answers come from.
    pub reader: Reader,
    /// Somebody is at the terminal.
    pub attended: bool,
    /// Colours.
    pub colour: bool,
}

impl Operator for AtPrompt {
    fn who(&self) -> String {
        if self.attended { "at the terminal" } else { "by the lines that came" }.to_string()
    }

    fn ask(&mut self, question: &Question<'_>, stop: &AtomicBool) -> Result<Answer, NoAnswer> {
        let started = Instant::now();
        let limit = Duration::try_from_secs_f64(question.limit).unwrap_or(Duration::MAX);
        complain(&format!("{}\n", styled(&question.shown(), BOLD, self.colour)));
        let wanted = question.wanted.words();
        let prompt = format!("  {wanted}, within {}: ", time_text(question.limit));
        self.reader.ask(Typed::Answer, &prompt);
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
            match self.reader.look(LOOK) {
                None => {}
                Some(Input::Entry(text)) => match question.wanted.read(&text) {
                    Ok(answer) => return Ok(answer),
                    Err(why) if self.attended => {
                        complain(&format!("  {why}\n"));
                        self.reader.ask(Typed::Answer, &prompt);
                    }
                    Err(why) => return Err(NoAnswer::Wrong(why.to_string())),
                },
                Some(Input::Dropped(_)) => {
                    stop.store(true, Ordering::SeqCst);
                    return Err(NoAnswer::Interrupted);
                }
                Some(Input::End) => {
                    return Err(NoAnswer::Nobody("the input has ended".to_string()));
                }
                Some(Input::Broken(why)) => return Err(NoAnswer::Nobody(why)),
            }
        }
    }
}
