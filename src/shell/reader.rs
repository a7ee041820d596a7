//! Where entries come from: a line editor on a terminal, or plain lines from elsewhere. Either
//! reads on a thread of its own, so that the head is watched while somebody types.

use crate::shell::history::History;
use crate::shell::known::Shared;
use crate::shell::line::Helper;
use crate::syntax::unfinished;
use crate::visible;
use rustyline::config::{BellStyle, ColorMode, CompletionType, Config};
use rustyline::error::ReadlineError;
use rustyline::history::FileHistory;
use rustyline::{Editor, ExternalPrinter};
use std::cell::RefCell;
use std::io::BufRead;
use std::rc::Rc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, SyncSender, channel, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
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

/// What is typed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Typed {
    /// An entry, behind words that tell how the head stands.
    Entry,
    /// How to go on at a pause, behind such words as well.
    Pause,
    /// The answer to a question.
    Answer,
}

/// What the reading thread is asked for.
enum Wish {
    /// What is typed next, with these words before it.
    Read(Typed, String),
    /// To throw away what was typed ahead.
    Forget,
}

/// What is printed above the line that is typed.
enum Print {
    /// A line.
    Line(String),
    /// Nothing: the line is drawn again.
    Again,
}

/// Draws the line that is typed again: up and down, since whatever is printed ends with a newline.
const AGAIN: &str = "\u{1b}[1A\n";

/// Most prints that wait while a list of completions is looked at.
const MAX_PRINTS: usize = 16;

type LineEditor = Editor<Helper, FileHistory>;

/// What prints for the present line editor, where it can.
type Printer = Arc<Mutex<Option<Box<dyn ExternalPrinter + Send>>>>;

/// Reads entries; all copies share one place that they come from.
#[derive(Clone)]
pub struct Reader(Rc<RefCell<Place>>);

/// Where entries come from.
struct Place {
    wishes: Option<Sender<Wish>>,
    inputs: Receiver<Input>,
    /// Prints above the line that is typed, where that can be.
    prints: Option<SyncSender<Print>>,
    /// The line is to be drawn again and has not been yet.
    drawn_again: Arc<AtomicBool>,
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
        let printer = Printer::default();
        let slot = Arc::clone(&printer);
        let thread = std::thread::spawn(move || {
            let made = edited(history.open(), Helper::new(known.clone(), colour), &slot);
            let mut editor = match made {
                Ok(editor) => {
                    let _ = ready.send(Ok(()));
                    editor
                }
                Err(error) => {
                    let _ = ready.send(Err(error.to_string()));
                    return;
                }
            };
            for wish in wished {
                let input = match wish {
                    Wish::Read(typed, prompt) => read(&mut editor, &history, typed, &prompt),
                    Wish::Forget => {
                        // What an editor has read ahead goes with it.
                        let kept = std::mem::take(editor.history_mut());
                        match edited(kept, Helper::new(known.clone(), colour), &slot) {
                            Ok(new) => editor = new,
                            Err(error) => drop(give.send(Input::Broken(error.to_string()))),
                        }
                        continue;
                    }
                };
                if give.send(input).is_err() {
                    return;
                }
            }
        });
        match is_ready.recv() {
            Ok(Ok(())) => Ok(Reader::new(wishes, inputs, Some(printer), thread)),
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
                let Wish::Read(typed, _) = wish else { continue };
                let input = plain(&mut lines, typed == Typed::Entry);
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
        let can_print = |printer: &Printer| locked(printer).is_some();
        let drawn_again = Arc::new(AtomicBool::new(false));
        let again = Arc::clone(&drawn_again);
        let prints = printer.filter(can_print).map(|printer| printing(printer, again));
        let (waiting, next) = (false, None);
        let place = Place { wishes, inputs, prints, drawn_again, thread, waiting, next };
        Reader(Rc::new(RefCell::new(place)))
    }

    /// Asks for something; [`Reader::look`] gives it.
    pub fn ask(&self, typed: Typed, prompt: &str) {
        self.0.borrow_mut().wish(Wish::Read(typed, prompt.to_string()));
    }

    /// Throws away what was typed ahead, but for a line that is not finished.
    pub fn forget(&self) {
        let mut place = self.0.borrow_mut();
        if place.waiting && place.inputs.try_recv().is_ok() {
            place.waiting = false;
        }
        place.next = None;
        if let (false, Some(wishes)) = (place.waiting, &place.wishes) {
            let _ = wishes.send(Wish::Forget);
        }
    }

    /// Waits for what was asked for last, at most so long.
    pub fn look(&self, patience: Duration) -> Option<Input> {
        self.0.borrow_mut().look(patience)
    }

    /// Prints a line above the one that is typed; false where that cannot be.
    pub fn above(&self, line: &str) -> bool {
        self.0.borrow().print(Print::Line(format!("{line}\n")))
    }

    /// Draws the line that is typed again, where that can be.
    pub fn draw_again(&self) {
        let place = self.0.borrow();
        if !place.drawn_again.swap(true, Ordering::SeqCst) && !place.print(Print::Again) {
            place.drawn_again.store(false, Ordering::SeqCst);
        }
    }

    /// Words before a line can change while it is typed.
    pub fn can_draw_again(&self) -> bool {
        self.0.borrow().prints.is_some()
    }

    /// Somebody is typing, or could be.
    pub fn is_waiting(&self) -> bool {
        self.0.borrow().waiting
    }
}

impl Place {
    /// Never waits: a line editor that shows a list prints nothing until that is looked at.
    fn print(&self, print: Print) -> bool {
        self.waiting && self.prints.as_ref().is_some_and(|prints| prints.try_send(print).is_ok())
    }

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
                    (Input::Entry(text), Wish::Read(Typed::Entry, _)) => !text.trim().is_empty(),
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

/// A line editor over what was typed before, and what prints for it.
fn edited(
    history: FileHistory,
    helper: Helper,
    printer: &Printer,
) -> Result<LineEditor, ReadlineError> {
    let config = Config::builder()
        .completion_type(CompletionType::List)
        .completion_show_all_if_ambiguous(true)
        .bell_style(BellStyle::None)
        .auto_add_history(false)
        // The words before a line change by it, with colours or without.
        .color_mode(ColorMode::Forced)
        .max_history_size(2000)?
        .build();
    let mut editor = Editor::with_history(config, history)?;
    editor.set_helper(Some(helper));
    // A dumb terminal has none.
    let new = editor.create_external_printer().ok();
    *locked(printer) = new.map(|printer| Box::new(printer) as Box<dyn ExternalPrinter + Send>);
    Ok(editor)
}

fn locked(printer: &Printer) -> MutexGuard<'_, Option<Box<dyn ExternalPrinter + Send>>> {
    printer.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Prints on a thread of its own, for a line editor takes what is printed when it likes.
fn printing(printer: Printer, again: Arc<AtomicBool>) -> SyncSender<Print> {
    let (prints, printed) = sync_channel(MAX_PRINTS);
    std::thread::spawn(move || {
        for print in printed {
            let text = match print {
                Print::Line(line) => visible::output(&line).into_owned(),
                Print::Again => AGAIN.to_string(),
            };
            if let Some(printer) = locked(&printer).as_mut() {
                // An editor that was left takes nothing any more.
                let _ = printer.print(text);
            }
            again.store(false, Ordering::SeqCst);
        }
    });
    prints
}

/// Reads what is typed next.
fn read(editor: &mut LineEditor, history: &History, typed: Typed, prompt: &str) -> Input {
    if let Some(helper) = editor.helper_mut() {
        helper.begin(typed, prompt);
    }
    match editor.readline(prompt) {
        Ok(text) if text.len() > ENTRY_MOST => {
            Input::Broken("an entry is longer than 1 MiB".to_string())
        }
        Ok(text) => {
            if typed == Typed::Entry && !text.trim().is_empty() {
                // What is typed is worth more than its history.
                let _ = editor.add_history_entry(text.as_str());
                history.append(editor);
            }
            Input::Entry(text)
        }
        Err(ReadlineError::Interrupted) => {
            Input::Dropped(editor.helper().is_some_and(Helper::typed))
        }
        Err(ReadlineError::Eof) => Input::End,
        Err(error) => Input::Broken(error.to_string()),
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
