//! The source of entries: a line editor on a terminal, or plain lines from elsewhere. Either reads
//! on a thread of its own, so that the head is watched while a line is typed.

use crate::shell::context::Shared;
use crate::shell::helper::Helper;
use crate::terminal::columns;
use crate::terminal::width::folded;
use rustyline::config::{BellStyle, ColorMode, CompletionType, Config};
use rustyline::error::ReadlineError;
use rustyline::history::{FileHistory, History};
use rustyline::{Editor, ExternalPrinter};
use spintrue_head::visible_output;
use spintrue_language::is_unfinished;
use std::cell::RefCell;
use std::fmt::Display;
use std::io::{BufRead, Read, stdin};
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, SyncSender, channel, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

/// Longest entry that is read, in bytes.
const MAX_ENTRY: usize = 1 << 20;

/// What is said of a longer one.
const TOO_LONG: &str = "an entry is longer than 1 MiB";

/// What a reader gives.
#[derive(Debug)]
pub(super) enum Input {
    /// An entry.
    Entry(String),
    /// Ctrl-C at the prompt; whether something had been typed.
    Dropped(bool),
    /// The end: Ctrl-D, or nothing more to read.
    End,
    /// Nothing can be read any more; why.
    Broken(String),
}

impl Input {
    fn broken(why: impl Display) -> Input {
        Input::Broken(format!("nothing more can be read: {why}"))
    }
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
    prints: Option<SyncSender<String>>,
    /// The line is to be drawn again and has not been yet.
    redrawn: Arc<AtomicBool>,
    /// The history is searched: a line that is drawn again would hide what is searched for.
    searching: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
    /// A request is pending.
    waiting: bool,
    /// The next request, once the pending input, out of date by then, has come.
    next: Option<Request>,
}

impl Reader {
    /// Reads from a terminal with a line editor. `history` keeps what is typed. Fails where there is no
    /// terminal.
    pub(super) fn terminal(
        known: Shared,
        history: Option<PathBuf>,
        colour: bool,
    ) -> Result<Reader, ReadlineError> {
        let printer = Printer::default();
        let slot = Arc::clone(&printer);
        let mut typed = FileHistory::new();
        if let Some(path) = &history {
            // What cannot be read is not offered.
            let _ = typed.load(path);
        }
        let searching = Arc::new(AtomicBool::new(false));
        let searched = Arc::clone(&searching);
        let helper = move || Helper::new(known.clone(), colour, Arc::clone(&searched));
        let mut editor = edited(typed, helper(), &slot)?;
        let read = move |request| match request {
            Request::Read(kind, prompt) => Some(read(&mut editor, history.as_ref(), kind, &prompt)),
            Request::Forget => {
                // What an editor has read ahead goes with it.
                let typed = std::mem::take(editor.history_mut());
                match edited(typed, helper(), &slot) {
                    Ok(new) => {
                        editor = new;
                        None
                    }
                    Err(error) => Some(Input::broken(error)),
                }
            }
        };
        Ok(Reader::new(read, Some(printer), searching))
    }

    /// Reads plain lines; an entry of several lines ends where its blocks close.
    pub(super) fn lines() -> Reader {
        let read = |request| match request {
            Request::Read(kind, _) => Some(plain(&mut stdin().lock(), kind == InputKind::Entry)),
            Request::Forget => None,
        };
        Reader::new(read, None, Arc::default())
    }

    /// Reads on a thread of its own what is asked for.
    fn new(
        mut read: impl FnMut(Request) -> Option<Input> + Send + 'static,
        printer: Option<Printer>,
        searching: Arc<AtomicBool>,
    ) -> Reader {
        let (requests, requested) = channel();
        let (give, inputs) = channel();
        let thread = std::thread::spawn(move || {
            for input in requested.into_iter().filter_map(&mut read) {
                if give.send(input).is_err() {
                    return;
                }
            }
        });
        let can_print = |printer: &Printer| locked(printer).is_some();
        let redrawn = Arc::new(AtomicBool::new(false));
        let again = Arc::clone(&redrawn);
        Reader(Rc::new(RefCell::new(Inner {
            requests: Some(requests),
            inputs,
            prints: printer.filter(can_print).map(|printer| printing(printer, again)),
            redrawn,
            searching,
            thread: Some(thread),
            waiting: false,
            next: None,
        })))
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
        let inner = &mut *self.0.borrow_mut();
        match inner.inputs.recv_timeout(patience) {
            Ok(input) => {
                inner.waiting = false;
                let Some(next) = inner.next.take() else { return Some(input) };
                // An end is always one; and what comes too late for a question is an entry.
                let is_entry = matches!(next, Request::Read(InputKind::Entry, _));
                let counts = match &input {
                    Input::Entry(text) => is_entry && !text.trim().is_empty(),
                    Input::Dropped(_) => false,
                    Input::End | Input::Broken(_) => true,
                };
                if counts {
                    return Some(input);
                }
                inner.request(next);
                None
            }
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => {
                inner.waiting = false;
                Some(Input::broken("the line editor broke down"))
            }
        }
    }

    /// Prints a line above the one that is typed; false where that cannot be.
    pub(super) fn print_above(&self, line: &str) -> bool {
        let line = folded(&format!("{line}\n"), columns(), None);
        self.0.borrow().print(visible_output(&line).into_owned())
    }

    /// Draws the line that is typed again, where that can be.
    pub(super) fn redraw(&self) {
        let inner = self.0.borrow();
        if inner.searching.load(Ordering::SeqCst) {
            return;
        }
        if !inner.redrawn.swap(true, Ordering::SeqCst) && !inner.print(REDRAW.to_string()) {
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
    fn print(&self, text: String) -> bool {
        self.waiting && self.prints.as_ref().is_some_and(|prints| prints.try_send(text).is_ok())
    }

    fn request(&mut self, request: Request) {
        if self.waiting {
            self.next = Some(request);
            return;
        }
        let sent = self.requests.as_ref().map(|requests| requests.send(request));
        self.waiting = matches!(sent, Some(Ok(())));
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
fn printing(printer: Printer, again: Arc<AtomicBool>) -> SyncSender<String> {
    let (prints, printed) = sync_channel(MAX_PRINTS);
    std::thread::spawn(move || {
        for text in printed {
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
fn read(
    editor: &mut LineEditor,
    history: Option<&PathBuf>,
    typed: InputKind,
    prompt: &str,
) -> Input {
    if let Some(helper) = editor.helper_mut() {
        helper.begin(typed, prompt);
    }
    match editor.readline(prompt) {
        Ok(text) if text.len() > MAX_ENTRY => Input::broken(TOO_LONG),
        Ok(text) => {
            if typed == InputKind::Entry && !text.trim().is_empty() {
                // What is typed is worth more than its history.
                let _ = editor.add_history_entry(text.as_str());
                if let Some(path) = history {
                    let _ = path.parent().map(std::fs::create_dir_all);
                    // The file is readable by the user alone.
                    let _ = editor.append_history(path);
                }
            }
            Input::Entry(text)
        }
        Err(ReadlineError::Interrupted) => {
            Input::Dropped(editor.helper().is_some_and(Helper::typed))
        }
        Err(ReadlineError::Eof) => Input::End,
        Err(error) => Input::broken(error),
    }
}

/// The next entry of plain lines.
fn plain(lines: &mut impl BufRead, whole: bool) -> Input {
    let mut text = String::new();
    loop {
        let mut line = Vec::new();
        let room = (MAX_ENTRY + 1 - text.len().min(MAX_ENTRY)) as u64;
        match Read::take(&mut *lines, room).read_until(b'\n', &mut line) {
            Ok(0) if text.is_empty() => return Input::End,
            Ok(0) => return Input::Entry(text),
            Ok(_) => {}
            Err(error) => return Input::broken(error),
        }
        match std::str::from_utf8(&line) {
            Ok(line) => text.push_str(line),
            Err(_) => return Input::broken("a line is not UTF-8"),
        }
        if text.len() > MAX_ENTRY {
            return Input::broken(TOO_LONG);
        }
        if !whole || !is_unfinished(&text) {
            return Input::Entry(text);
        }
    }
}
