//! The source of entries: a line editor on a terminal, or plain lines from elsewhere. Either reads
//! on a thread of its own, so that the head is watched while a line is typed.

use crate::shell::context::Shared;
use crate::shell::helper::Helper;
use crate::shell::history::History;
use rustyline::config::{BellStyle, ColorMode, CompletionType, Config};
use rustyline::error::ReadlineError;
use rustyline::history::FileHistory;
use rustyline::{Editor, ExternalPrinter};
use spintrue_head::visible_output;
use spintrue_language::is_unfinished;
use std::cell::RefCell;
use std::io::BufRead;
use std::rc::Rc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, SyncSender, channel, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;
use thiserror::Error;

/// Longest entry that is read, in bytes.
const MAX_ENTRY: usize = 1 << 20;

/// Why nothing can be read any more.
#[derive(Debug, Error)]
pub(super) enum ReaderError {
    /// The terminal cannot be used.
    #[error("the terminal cannot be used: {0}")]
    Terminal(ReadlineError),
    /// The line editor has ended by itself.
    #[error("nothing more can be read: the line editor broke down")]
    EditorEnded,
    /// The line editor or the input fails.
    #[error("nothing more can be read: {0}")]
    Editor(#[from] ReadlineError),
    /// An entry is too long.
    #[error("nothing more can be read: an entry is longer than 1 MiB")]
    TooLong,
    /// The input is no text.
    #[error("nothing more can be read: a line is not UTF-8")]
    NotUtf8,
}

/// What a reader gives.
#[derive(Debug)]
pub(super) enum Input {
    /// An entry.
    Entry(String),
    /// Ctrl-C at the prompt; whether something had been typed.
    Dropped(bool),
    /// The end: Ctrl-D, or nothing more to read.
    End,
    /// Nothing can be read any more.
    Broken(ReaderError),
}

/// What a line is typed for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum InputKind {
    /// An entry; the prompt shows the state of the head.
    Entry,
    /// How to go on at a pause; the prompt shows the state of the head.
    Pause,
    /// The answer to a question.
    Answer,
}

/// What the reading thread is asked for.
enum Request {
    /// What is typed next, behind a prompt.
    Read(InputKind, String),
    /// To discard what was typed ahead.
    Forget,
}

/// What is printed above the line that is typed.
enum Print {
    /// A line.
    Line(String),
    /// The line that is typed, again.
    Redraw,
}

/// Draws the line that is typed again: up and down, since whatever is printed ends with a newline.
const REDRAW: &str = "\u{1b}[1A\n";

/// Most prints that wait while a list of completions is looked at.
const MAX_PRINTS: usize = 16;

type LineEditor = Editor<Helper, FileHistory>;

/// What prints for the present line editor, where it can.
type Printer = Arc<Mutex<Option<Box<dyn ExternalPrinter + Send>>>>;

/// Reads entries; all copies share one source.
#[derive(Clone)]
pub(super) struct Reader(Rc<RefCell<Inner>>);

/// The shared source of entries.
struct Inner {
    requests: Option<Sender<Request>>,
    inputs: Receiver<Input>,
    /// Prints above the line that is typed, where that can be.
    prints: Option<SyncSender<Print>>,
    /// The line is to be drawn again and has not been yet.
    redrawn: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
    /// A request is pending.
    waiting: bool,
    /// The next request, once the pending input, out of date by then, has come.
    next: Option<Request>,
}

impl Reader {
    /// Reads from a terminal with a line editor. Fails where there is none.
    pub(super) fn terminal(
        known: Shared,
        history: History,
        colour: bool,
    ) -> Result<Reader, ReaderError> {
        let (requests, requested) = channel::<Request>();
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
                    let _ = ready.send(Err(ReaderError::Terminal(error)));
                    return;
                }
            };
            for request in requested {
                let input = match request {
                    Request::Read(typed, prompt) => read(&mut editor, &history, typed, &prompt),
                    Request::Forget => {
                        // What an editor has read ahead goes with it.
                        let kept = std::mem::take(editor.history_mut());
                        match edited(kept, Helper::new(known.clone(), colour), &slot) {
                            Ok(new) => editor = new,
                            Err(error) => drop(give.send(Input::Broken(error.into()))),
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
            Ok(Ok(())) => Ok(Reader::new(requests, inputs, Some(printer), thread)),
            Ok(Err(error)) => Err(error),
            Err(_) => Err(ReaderError::EditorEnded),
        }
    }

    /// Reads plain lines; an entry of several lines ends where its blocks close.
    pub(super) fn lines() -> Reader {
        let (requests, requested) = channel::<Request>();
        let (give, inputs) = channel();
        let thread = std::thread::spawn(move || {
            let mut lines = std::io::stdin().lock();
            for request in requested {
                let Request::Read(typed, _) = request else { continue };
                let input = plain(&mut lines, typed == InputKind::Entry);
                if give.send(input).is_err() {
                    return;
                }
            }
        });
        Reader::new(requests, inputs, None, thread)
    }

    fn new(
        requests: Sender<Request>,
        inputs: Receiver<Input>,
        printer: Option<Printer>,
        thread: JoinHandle<()>,
    ) -> Reader {
        let (requests, thread) = (Some(requests), Some(thread));
        let can_print = |printer: &Printer| locked(printer).is_some();
        let redrawn = Arc::new(AtomicBool::new(false));
        let again = Arc::clone(&redrawn);
        let prints = printer.filter(can_print).map(|printer| printing(printer, again));
        let (waiting, next) = (false, None);
        let inner = Inner { requests, inputs, prints, redrawn, thread, waiting, next };
        Reader(Rc::new(RefCell::new(inner)))
    }

    /// Asks for input; [`Reader::wait`] gives it.
    pub(super) fn ask(&self, typed: InputKind, prompt: &str) {
        self.0.borrow_mut().request(Request::Read(typed, prompt.to_string()));
    }

    /// Discards what was typed ahead, but for an unfinished line.
    pub(super) fn forget(&self) {
        let mut inner = self.0.borrow_mut();
        if inner.waiting && inner.inputs.try_recv().is_ok() {
            inner.waiting = false;
        }
        inner.next = None;
        if let (false, Some(requests)) = (inner.waiting, &inner.requests) {
            let _ = requests.send(Request::Forget);
        }
    }

    /// Waits for the input that was asked for last, at most `patience`.
    pub(super) fn wait(&self, patience: Duration) -> Option<Input> {
        self.0.borrow_mut().wait(patience)
    }

    /// Prints a line above the one that is typed; false where that cannot be.
    pub(super) fn print_above(&self, line: &str) -> bool {
        self.0.borrow().print(Print::Line(format!("{line}\n")))
    }

    /// Draws the line that is typed again, where that can be.
    pub(super) fn redraw(&self) {
        let inner = self.0.borrow();
        if !inner.redrawn.swap(true, Ordering::SeqCst) && !inner.print(Print::Redraw) {
            inner.redrawn.store(false, Ordering::SeqCst);
        }
    }

    /// Words before a line can change while it is typed.
    pub(super) fn can_redraw(&self) -> bool {
        self.0.borrow().prints.is_some()
    }

    /// A line is being typed, or could be.
    pub(super) fn is_waiting(&self) -> bool {
        self.0.borrow().waiting
    }
}

impl Inner {
    /// Never waits: a line editor that shows a list prints nothing until that is looked at.
    fn print(&self, print: Print) -> bool {
        self.waiting && self.prints.as_ref().is_some_and(|prints| prints.try_send(print).is_ok())
    }

    fn request(&mut self, request: Request) {
        if self.waiting {
            self.next = Some(request);
            return;
        }
        let sent = self.requests.as_ref().map(|requests| requests.send(request));
        self.waiting = matches!(sent, Some(Ok(())));
    }

    fn wait(&mut self, patience: Duration) -> Option<Input> {
        match self.inputs.recv_timeout(patience) {
            Ok(input) => {
                self.waiting = false;
                let Some(next) = self.next.take() else { return Some(input) };
                // An end is always one; and what comes too late for a question is an entry.
                let late = match (&input, &next) {
                    (Input::Entry(text), Request::Read(InputKind::Entry, _)) => {
                        !text.trim().is_empty()
                    }
                    _ => false,
                };
                if late || matches!(input, Input::End | Input::Broken(_)) {
                    return Some(input);
                }
                self.request(next);
                None
            }
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => {
                self.waiting = false;
                Some(Input::Broken(ReaderError::EditorEnded))
            }
        }
    }
}

impl Drop for Inner {
    fn drop(&mut self) {
        self.requests = None;
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
                Print::Line(line) => visible_output(&line).into_owned(),
                Print::Redraw => REDRAW.to_string(),
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
fn read(editor: &mut LineEditor, history: &History, typed: InputKind, prompt: &str) -> Input {
    if let Some(helper) = editor.helper_mut() {
        helper.begin(typed, prompt);
    }
    match editor.readline(prompt) {
        Ok(text) if text.len() > MAX_ENTRY => Input::Broken(ReaderError::TooLong),
        Ok(text) => {
            if typed == InputKind::Entry && !text.trim().is_empty() {
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
        Err(error) => Input::Broken(error.into()),
    }
}

/// The next entry of plain lines.
fn plain(lines: &mut impl BufRead, whole: bool) -> Input {
    let mut text = String::new();
    loop {
        let mut line = Vec::new();
        let room = (MAX_ENTRY + 1 - text.len().min(MAX_ENTRY)) as u64;
        match std::io::Read::take(&mut *lines, room).read_until(b'\n', &mut line) {
            Ok(0) if text.is_empty() => return Input::End,
            Ok(0) => return Input::Entry(text),
            Ok(_) => {}
            Err(error) => return Input::Broken(ReadlineError::from(error).into()),
        }
        match std::str::from_utf8(&line) {
            Ok(line) => text.push_str(line),
            Err(_) => return Input::Broken(ReaderError::NotUtf8),
        }
        if text.len() > MAX_ENTRY {
            return Input::Broken(ReaderError::TooLong);
        }
        if !whole || !is_unfinished(&text) {
            return Input::Entry(text);
        }
    }
}
