//! What answers the questions of a script: an answers file, or the operator at the terminal, asked on
//! standard error and heard on standard input.

use crate::terminal::{BOLD, colour_errors, complain, styled};
use spintrue_language::{Answer, Given, NoAnswer, Operator, Question, time_text};
use std::io::{BufRead, IsTerminal, Read, stderr, stdin};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::{Duration, Instant};

/// Interval between two checks of the stop flag.
const POLL_INTERVAL: Duration = Duration::from_millis(50);

/// The input must be silent for this long before what comes counts as an answer.
const MIN_SILENCE: Duration = Duration::from_millis(30);

/// How long the stop signal may take after the input has ended, where a terminal is closed.
const HANG_UP_TIMEOUT: Duration = Duration::from_millis(300);

/// Longest line in bytes.
const MAX_LINE: u64 = 64 * 1024;

/// Whether an operator can be asked: the one who answers must see the question, too.
pub(crate) fn is_attended() -> bool {
    stdin().is_terminal() && stderr().is_terminal()
}

/// What answers questions: the answers given, or the operator at the terminal.
pub(crate) fn of(given: Option<Given>) -> Box<dyn Operator> {
    match given {
        Some(given) => Box::new(given),
        None => Box::new(AtTerminal::new()),
    }
}

/// Input from the terminal.
enum Input {
    Line(String),
    /// The end, and its reason.
    End(String),
}

/// The operator at the terminal.
struct AtTerminal {
    input: Receiver<Input>,
    /// Why the input ended.
    ended: Option<String>,
}

impl AtTerminal {
    /// Listens from now on. Its thread ends with the process, since a read cannot be cancelled.
    fn new() -> AtTerminal {
        let (send, input) = channel();
        std::thread::spawn(move || listen(&send));
        AtTerminal { input, ended: None }
    }

    /// The next line, if it comes within a time.
    fn line(&mut self, timeout: Duration) -> Result<Option<String>, NoAnswer> {
        if self.ended.is_none() {
            match self.input.recv_timeout(timeout) {
                Ok(Input::Line(line)) => return Ok(Some(line)),
                Ok(Input::End(why)) => self.ended = Some(why),
                Err(RecvTimeoutError::Timeout) => return Ok(None),
                Err(RecvTimeoutError::Disconnected) => {
                    self.ended = Some("the terminal is gone".to_string());
                }
            }
        }
        Err(NoAnswer::NoOperator(self.ended.clone().unwrap_or_default()))
    }
}

fn listen(send: &Sender<Input>) {
    loop {
        let mut line = Vec::new();
        let heard = match stdin().lock().take(MAX_LINE).read_until(b'\n', &mut line) {
            Ok(_) if line.ends_with(b"\n") || line.len() as u64 == MAX_LINE => {
                Input::Line(String::from_utf8_lossy(&line).into_owned())
            }
            // Without Enter, what was typed is no answer.
            Ok(_) => Input::End("the operator is gone: the input has ended".to_string()),
            Err(error) => Input::End(format!("the operator is gone: {error}")),
        };
        let ended = matches!(heard, Input::End(_));
        if send.send(heard).is_err() || ended {
            return;
        }
    }
}

/// The end of the input, or the stop request that caused it: later it would count as a second
/// request, which does not wait for the polygon to come to rest.
fn gone(ended: NoAnswer, stop: &AtomicBool) -> NoAnswer {
    let since = Instant::now();
    while since.elapsed() < HANG_UP_TIMEOUT {
        if stop.load(Ordering::SeqCst) {
            return NoAnswer::Interrupted;
        }
        std::thread::sleep(POLL_INTERVAL / 5);
    }
    ended
}

/// A time in whole minutes or seconds.
fn whole(time: Duration) -> String {
    let seconds = time.as_secs_f64();
    if seconds > 120.0 {
        format!("{} min", (seconds / 60.0).ceil())
    } else {
        format!("{} s", seconds.ceil())
    }
}

impl Operator for AtTerminal {
    fn who(&self) -> String {
        "at the terminal".to_string()
    }

    fn ask(&mut self, question: &Question<'_>, stop: &AtomicBool) -> Result<Answer, NoAnswer> {
        let started = Instant::now();
        let limit = Duration::try_from_secs_f64(question.limit).unwrap_or(Duration::MAX);
        // Input before the question is no answer to it.
        let mut early = false;
        while let Ok(Some(_)) = self.line(MIN_SILENCE) {
            early = true;
        }
        complain(&format!("{}\n", styled(&question.shown(), BOLD, colour_errors())));
        if early {
            complain("  (what was typed before this was asked is not taken)\n");
        }
        let wanted = question.wanted.words();
        complain(&format!("  {wanted}, within {}: ", time_text(question.limit)));
        let answer = loop {
            let Some(left) = limit.checked_sub(started.elapsed()).filter(|left| !left.is_zero())
            else {
                break Err(NoAnswer::TimedOut);
            };
            if stop.load(Ordering::SeqCst) {
                break Err(NoAnswer::Interrupted);
            }
            match self.line(left.min(POLL_INTERVAL)) {
                Ok(None) => {}
                Ok(Some(line)) => match question.wanted.read(&line) {
                    Ok(answer) => return Ok(answer),
                    Err(why) => {
                        complain(&format!("  {why}\n  {wanted}, {} left: ", whole(left)));
                    }
                },
                Err(ended) => break Err(gone(ended, stop)),
            }
        };
        // The line of the question is still open.
        complain("\n");
        answer
    }
}
