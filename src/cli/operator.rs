//! Who answers the questions of a script: an answers file, or whoever sits at the terminal, asked on
//! standard error and heard on standard input.

use crate::cli::files::Disk;
use crate::diagnostics::Diagnostic;
use crate::operator::{Answer, Given, NoAnswer, Operator, Question};
use crate::program::show::time_text;
use crate::session::Prepared;
use crate::terminal::{BOLD, colour_errors, complain, styled};
use std::io::{BufRead, IsTerminal, Read, stderr, stdin};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::{Duration, Instant};

/// Time between two looks at the flag that asks to stop.
const LOOK: Duration = Duration::from_millis(50);

/// So long nothing may come before what comes counts as an answer.
const SILENCE: Duration = Duration::from_millis(30);

/// Where a terminal goes away, its input ends first, and the signal that asks to stop follows.
const HANG_UP: Duration = Duration::from_millis(300);

/// Longest line that is read, in bytes.
const LINE_MOST: u64 = 64 * 1024;

/// Whether somebody can be asked: who is to answer must see the question, too.
fn attended() -> bool {
    stdin().is_terminal() && stderr().is_terminal()
}

/// Reads the answers file of a script, where one is given; else sees to it that somebody is there
/// for its questions. Fails with what is to be reported.
pub(super) fn answers(
    prepared: &mut Prepared,
    path: Option<&str>,
) -> Result<Option<Given>, Vec<Diagnostic>> {
    match path {
        Some(path) => prepared.answers(&mut Disk, path).map(Some),
        None if attended() => Ok(None),
        None => match prepared.unanswerable("; or run the script at a terminal") {
            None => Ok(None),
            Some(refused) => Err(vec![refused]),
        },
    }
}

/// Whoever answers the questions of a script; nobody where it asks none.
pub(super) fn engaged(prepared: &Prepared, given: Option<Given>) -> Option<Box<dyn Operator>> {
    prepared.questions().next()?;
    Some(match given {
        Some(given) => Box::new(given),
        None => Box::new(AtTerminal::new()),
    })
}

/// What comes from the terminal.
enum Heard {
    Line(String),
    /// No more will come, and why.
    End(String),
}

/// Asks at the terminal.
struct AtTerminal {
    heard: Receiver<Heard>,
    /// Why no more will come.
    ended: Option<String>,
}

impl AtTerminal {
    /// Listens from now on. The thread that does so ends with the process: a read cannot be broken
    /// off.
    fn new() -> AtTerminal {
        let (send, heard) = channel();
        std::thread::spawn(move || listen(&send));
        AtTerminal { heard, ended: None }
    }

    /// The next line, waited for no longer than so.
    fn line(&mut self, patience: Duration) -> Result<Option<String>, NoAnswer> {
        if self.ended.is_none() {
            match self.heard.recv_timeout(patience) {
                Ok(Heard::Line(line)) => return Ok(Some(line)),
                Ok(Heard::End(why)) => self.ended = Some(why),
                Err(RecvTimeoutError::Timeout) => return Ok(None),
                Err(RecvTimeoutError::Disconnected) => {
                    self.ended = Some("the terminal is gone".to_string());
                }
            }
        }
        Err(NoAnswer::Nobody(self.ended.clone().unwrap_or_default()))
    }
}

fn listen(send: &Sender<Heard>) {
    loop {
        let mut line = Vec::new();
        let heard = match stdin().lock().take(LINE_MOST).read_until(b'\n', &mut line) {
            Ok(_) if line.ends_with(b"\n") || line.len() as u64 == LINE_MOST => {
                Heard::Line(String::from_utf8_lossy(&line).into_owned())
            }
            // What was typed without the Enter that makes it an answer is none.
            Ok(_) => Heard::End("nobody is there any more: the input has ended".to_string()),
            Err(error) => Heard::End(format!("nobody is there any more: {error}")),
        };
        let ended = matches!(heard, Heard::End(_));
        if send.send(heard).is_err() || ended {
            return;
        }
    }
}

/// The end of the input, or the request to stop that it belongs to: what comes later would count as
/// a second one, upon which nobody waits any more for the polygon to rest.
fn gone(nobody: NoAnswer, stop: &AtomicBool) -> NoAnswer {
    let since = Instant::now();
    while since.elapsed() < HANG_UP {
        if stop.load(Ordering::SeqCst) {
            return NoAnswer::Interrupted;
        }
        std::thread::sleep(LOOK / 5);
    }
    nobody
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
        // What was typed before the question is no answer to it.
        let mut early = false;
        while let Ok(Some(_)) = self.line(SILENCE) {
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
            match self.line(left.min(LOOK)) {
                Ok(None) => {}
                Ok(Some(line)) => match question.wanted.read(&line) {
                    Ok(answer) => return Ok(answer),
                    Err(why) => {
                        complain(&format!("  {why}\n  {wanted}, {} left: ", whole(left)));
                    }
                },
                Err(nobody) => break Err(gone(nobody, stop)),
            }
        };
        // The line of the question is still open.
        complain("\n");
        answer
    }
}
