//! Where entries come from: a line editor on a terminal, or plain lines from elsewhere. Either
//! reads on a thread of its own, so that the head is watched while somebody types.

use crate::shell::history::History;
use crate::shell::known::Shared;
use crate::shell::line::Helper;
use crate::syntax::unfinished;
use rustyline::config::{BellStyle, CompletionType, Config};
use rustyline::error::ReadlineError;
use rustyline::{Editor, ExternalPrinter};
use std::cell::RefCell;
use std::io::BufRead;
use std::rc::Rc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;

/// Longest entry that is read, in bytes.
const ENTRY_MOST: usize = 1 << 20;

/// What came of asking for an entry.
#[derive(Debug)]
pub enum Input {
    /// An entry.
    Entry(String),
    /// Ctrl-C at the prompt; whether something had been typed.
    Dropped(bool),
    /// The end: Ctrl-D, or nothing more to read.
    End,
    /// Nothing can be read any more, and why.
    Broken(String),
}

/// What the reading thread is asked for.
enum Wish {
    /// An entry, with these words before it.
    Entry(String),
    /// The answer to a question, which is not kept.
    Answer(String),
}

type Printer = Box<dyn ExternalPrinter + Send>;

/// Reads entries; all copies share one place that they come from.
#[derive(Clone)]
pub struct Reader(Rc<RefCell<Place>>);

/// Where entries come from.
struct Place {
    wishes: Option<Sender<Wish>>,
    inputs: Receiver<Input>,
    /// Prints above the line that is typed, where that can be.
    printer: Option<Printer>,
    thread: Option<JoinHandle<()>>,
    /// Something was asked for and has not come yet.
    waiting: bool,
    /// What is to be asked for once that has come, which nobody wants any more.
    next: Option<Wish>,
}

impl Reader {
    /// Reads from a terminal with a line editor. Fails where there is none.
    pub fn terminal(known: Shared, history: History, colour: bool) -> Result<Reader, String> {
        let (wishes, wished) = channel::<Wish>();
        let (give, inputs) = channel();
        let (ready, is_ready) = channel();
        let thread = std::thread::spawn(move || {
            let config = Config::builder()
                .completion_type(CompletionType::List)
                .completion_show_all_if_ambiguous(true)
                .bell_style(BellStyle::None)
                .auto_add_history(false)
                .max_history_size(2000)
                .map(|config| config.build());
            let editor =
                config.and_then(|config| Editor::<Helper, _>::with_history(config, history.open()));
            let mut editor = match editor {
                Ok(editor) => editor,
                Err(error) => {
                    let _ = ready.send(Err(error.to_string()));
                    return;
                }
            };
            editor.set_helper(Some(Helper::new(known, colour)));
            // A dumb terminal has none.
            let printer = editor.create_external_printer().ok();
            let _ = ready.send(Ok(printer.map(|printer| Box::new(printer) as Printer)));
            for wish in wished {
                let (prompt, keep) = match &wish {
                    Wish::Entry(prompt) => (prompt, true),
                    Wish::Answer(prompt) => (prompt, false),
                };
                if let Some(helper) = editor.helper_mut() {
                    helper.begin(keep, prompt);
                }
                let input = match editor.readline(prompt) {
                    Ok(text) if text.len() > ENTRY_MOST => {
                        Input::Broken("an entry is longer than 1 MiB".to_string())
                    }
                    Ok(text) => {
                        if keep && !text.trim().is_empty() {
                            // What is typed is worth more than its history.
                            let _ = editor.add_history_entry(text.as_str());
                            history.append(&mut editor);
                        }
                        Input::Entry(text)
                    }
                    Err(ReadlineError::Interrupted) => {
                        let typed = editor.helper().is_some_and(Helper::typed);
                        Input::Dropped(typed)
                    }
                    Err(ReadlineError::Eof) => Input::End,
                    Err(error) => Input::Broken(error.to_string()),
                };
                if give.send(input).is_err() {
                    return;
                }
            }
        });
        match is_ready.recv() {
            Ok(Ok(printer)) => Ok(Reader::new(wishes, inputs, printer, thread)),
            Ok(Err(why)) => Err(why),
            Err(_) => Err("the line editor broke down".to_string()),
        }
    }

    /// Reads plain lines; an entry of several lines ends where its blocks close.
    pub fn lines() -> Reader {
        let (wishes, wished) = channel::<Wish>();
        let (give, inputs) = channel();
        let thread = std::thread::spawn(move || {
            let mut lines = std::io::stdin().lock();
            for wish in wished {
                let input = plain(&mut lines, matches!(wish, Wish::Entry(_)));
                if give.send(input).is_err() {
                    return;
                }
            }
        });
        Reader::new(wishes, inputs, None, thread)
    }

    fn new(
        wishes: Sender<Wish>,
        inputs: Receiver<Input>,
        printer: Option<Printer>,
        thread: JoinHandle<()>,
    ) -> Reader {
        let (wishes, thread) = (Some(wishes), Some(thread));
        let place = Place { wishes, inputs, printer, thread, waiting: false, next: None };
        Reader(Rc::new(RefCell::new(place)))
    }

    /// Asks for an entry; [`Reader::look`] gives it.
    pub fn ask(&self, prompt: &str) {
        self.0.borrow_mut().wish(Wish::Entry(prompt.to_string()));
    }

    /// Asks a question; [`Reader::look`] gives the answer.
    pub fn question(&self, prompt: &str) {
        self.0.borrow_mut().wish(Wish::Answer(prompt.to_string()));
    }

    /// Waits for what was asked for last, at most so long.
    pub fn look(&self, patience: Duration) -> Option<Input> {
        self.0.borrow_mut().look(patience)
    }

    /// Prints a line above the one that is typed; false where that cannot be.
    pub fn above(&self, line: &str) -> bool {
        let mut place = self.0.borrow_mut();
        let waiting = place.waiting;
        match &mut place.printer {
            Some(printer) if waiting => printer.print(format!("{line}\n")).is_ok(),
            _ => false,
        }
    }

    /// Somebody is typing, or could be.
    pub fn is_waiting(&self) -> bool {
        self.0.borrow().waiting
    }
}

impl Place {
    fn wish(&mut self, wish: Wish) {
        if self.waiting {
            self.next = Some(wish);
            return;
        }
        let sent = self.wishes.as_ref().map(|wishes| wishes.send(wish));
        self.waiting = matches!(sent, Some(Ok(())));
    }

    fn look(&mut self, patience: Duration) -> Option<Input> {
        match self.inputs.recv_timeout(patience) {
            Ok(input) => {
                self.waiting = false;
                let Some(next) = self.next.take() else { return Some(input) };
                // An end is an end, whoever waits; and what came too late for a question is an entry.
                let late = match (&input, &next) {
                    (Input::Entry(text), Wish::Entry(_)) => !text.trim().is_empty(),
                    _ => false,
                };
                if late || matches!(input, Input::End | Input::Broken(_)) {
                    return Some(input);
                }
                self.wish(next);
                None
            }
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => {
                self.waiting = false;
                Some(Input::Broken("the line editor broke down".to_string()))
            }
        }
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        self.wishes = None;
        // A thread that still waits for a key ends with the process.
        if !self.waiting
            && let Some(thread) = self.thread.take()
        {
            let _ = thread.join();
        }
    }
}

/// The next entry of plain lines.
fn plain(lines: &mut impl BufRead, whole: bool) -> Input {
    let mut text = String::new();
    loop {
        let mut line = Vec::new();
        let room = (ENTRY_MOST + 1 - text.len().min(ENTRY_MOST)) as u64;
        match std::io::Read::take(&mut *lines, room).read_until(b'\n', &mut line) {
            Ok(0) if text.is_empty() => return Input::End,
            Ok(0) => return Input::Entry(text),
            Ok(_) => {}
            Err(error) => return Input::Broken(error.to_string()),
        }
        match std::str::from_utf8(&line) {
            Ok(line) => text.push_str(line),
            Err(_) => return Input::Broken("a line is not UTF-8".to_string()),
        }
        if text.len() > ENTRY_MOST {
            return Input::Broken("an entry is longer than 1 MiB".to_string());
        }
        if !whole || !unfinished(&text) {
            return Input::Entry(text);
        }
    }
}
