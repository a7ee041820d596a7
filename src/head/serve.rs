//! Serving a head: opens what clients connect to, prints what people should know of, and makes the
//! head safe on a request to end. Uses the wire.

#![allow(clippy::disallowed_methods, reason = "a server owns threads and prints its log")]

use crate::link::{Calls, Link, Rig};
use crate::stop_request::{SignalsError, each_request};
use crate::system::io_reason;
use crate::wire::acceptor::Listener;
use crate::wire::control::{Secret, Served};
use crate::wire::line::SerialLine;
use crate::wire::server::serve_listeners;
use crate::wire::token::Token;
use crate::{Fault, Gauge, Head, visible};
use std::net::SocketAddr;
use std::ops::RangeInclusive;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread::{self, JoinHandle};
use std::time::Duration;
use std::{fmt, io};
use thiserror::Error;

/// Dead-man limits in s that are allowed.
const DEAD_MAN_LIMITS: RangeInclusive<f64> = 0.2..=60.0;

/// Lines of the log that may wait to be printed.
const MAX_LINES: usize = 256;

/// Printed before everything that moves a head or lets light out.
pub const CAUTION: &str = "\
Lasers and rotors hurt people. spintrue is not a safety function: the hardware interlock chain
stands on its own. IEC 60825-1, local codes and the laser safety officer decide.";

/// Where clients connect.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Listen {
    /// At a socket; port 0 takes a free one.
    Socket(SocketAddr),
    /// At a serial line.
    Line(SerialLine),
}

impl fmt::Display for Listen {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Listen::Socket(address) => address.fmt(f),
            Listen::Line(line) => line.fmt(f),
        }
    }
}

/// How a head is served.
#[derive(Clone, Debug)]
pub struct ServeOptions {
    /// Where clients connect.
    pub listen: Vec<Listen>,
    /// What clients must know. Without it, and without a reason why none is needed, a new one is made up
    /// for clients at sockets and kept, while this serves, in a file that only this user can read and
    /// where clients of this user find it.
    pub secret: Option<Secret>,
    /// Why no secret is needed; it is printed.
    pub no_secret: Option<String>,
    /// Dead-man limit: how long the controlling client may stay silent before the head is made safe,
    /// 0.2 s to 60 s.
    pub dead_man: Duration,
    /// Time passes by itself, and not by what the head is asked for. Always so unless the head says
    /// that it is simulated.
    pub real_time: bool,
    /// Seed of a simulated head.
    pub seed: Option<u64>,
    /// Set while what a client waits for is to be cut short; the head reads it.
    pub cut: Arc<AtomicBool>,
}

impl Default for ServeOptions {
    /// On this machine only, port 5025, with a dead-man limit of 3 s.
    fn default() -> ServeOptions {
        ServeOptions {
            listen: vec![Listen::Socket(([127, 0, 0, 1], 5025).into())],
            secret: None,
            no_secret: None,
            dead_man: Duration::from_secs(3),
            real_time: false,
            seed: None,
            cut: Arc::default(),
        }
    }
}

/// Why a head cannot be served.
#[derive(Debug, Error)]
pub enum ServeError {
    /// The dead-man limit is out of range.
    #[error("the dead-man limit must be {} s to {} s", DEAD_MAN_LIMITS.start(), DEAD_MAN_LIMITS.end())]
    DeadMan,
    /// Other machines could move the head.
    #[error(
        "every client that reaches {0} could move the head: set a secret, or say why none is needed"
    )]
    Reachable(SocketAddr),
    /// The reason why no secret is needed is blank.
    #[error("the reason why no secret is needed is blank: say why")]
    Blank,
    /// A socket or a serial line cannot be opened.
    #[error("cannot listen on {0}: {reason}", reason = io_reason(.1))]
    Listen(Listen, io::Error),
    /// No secret can be kept.
    #[error(
        "no secret can be made up for clients on this machine ({reason}): set one, or say why none is \
         needed", reason = io_reason(.0)
    )]
    Token(io::Error),
    /// Stop requests would be missed.
    #[error(transparent)]
    Signals(#[from] SignalsError),
    /// The head does not say what it is.
    #[error("the head does not answer: {0}")]
    Head(#[from] Fault),
    /// The server failed.
    #[error("cannot serve: {reason}", reason = io_reason(.0))]
    Server(#[from] io::Error),
}

/// Serves a head and its gauge until Ctrl-C or another request to end, and makes it safe then; a second
/// request does not wait for the polygon to come to rest. Prints to standard output.
///
/// ```no_run
/// use spintrue_head::{Head, ServeError, ServeOptions, serve};
///
/// /// Serves a head without a gauge.
/// fn serve_mine(head: Box<dyn Head>) -> Result<(), ServeError> {
///     serve(head, None, ServeOptions::default())
/// }
/// ```
pub fn serve(
    head: Box<dyn Head>,
    gauge: Option<Box<dyn Gauge>>,
    options: ServeOptions,
) -> Result<(), ServeError> {
    serve_link(Box::new(Rig::new(head, gauge)), options, |line| {
        println!("{}", visible::visible_output(line))
    })
}

/// The same for a link. `print` gets one line at a time, on a thread of its own; lines of the log
/// begin with two spaces.
pub fn serve_link(
    mut link: Box<dyn Link>,
    options: ServeOptions,
    print: impl Fn(&str) + Clone + Send + 'static,
) -> Result<(), ServeError> {
    options.check()?;
    let (end, end_now) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
    watch(&end, &end_now)?;
    let described = link.describe()?;
    let listeners = options.listen.into_iter().map(open).collect::<Result<Vec<_>, _>>()?;
    let at = listeners.iter().map(Listener::at).collect::<io::Result<Vec<String>>>()?.join(" and ");
    let real_time = options.real_time || !described.simulated;
    let kind = if described.simulated { "simulated head" } else { "head" };
    let time = if real_time { "" } else { "; its time passes by what it is asked for only" };
    let token = match (&options.secret, &options.no_secret) {
        (None, None) => token(&listeners)?,
        _ => None,
    };
    print(&format!("serving {kind} {} {} on {at}{time}", described.model, described.serial));
    if let Some(token) = &token {
        let files: Vec<String> = token.files().map(|file| file.to_string()).collect();
        print(&format!(
            "clients of this user on this machine find the secret by themselves; others need \
             ?secret-file=FILE with a copy of {}",
            files.join(" or ")
        ));
    } else if let Some(reason) = &options.no_secret {
        print(&format!("no secret is asked for: {reason}"));
    }
    print(CAUTION);
    let served = Served {
        link,
        real_time,
        seed: options.seed.filter(|_| described.simulated),
        secret_at_lines: token.is_none(),
        secret: options.secret.or(token.as_ref().and_then(|token| Secret::new(&token.secret).ok())),
        limit: options.dead_man,
        cut: options.cut,
    };
    let mut log = Log::new(print.clone());
    let served = serve_listeners(served, listeners, &end, &end_now, &mut |line| log.tell(line));
    log.end();
    served?;
    print("ended");
    Ok(())
}

impl ServeOptions {
    /// Refuses what [`serve_link`] would refuse, before a head is opened.
    pub fn check(&self) -> Result<(), ServeError> {
        if !DEAD_MAN_LIMITS.contains(&self.dead_man.as_secs_f64()) {
            return Err(ServeError::DeadMan);
        }
        let named = self.no_secret.as_ref().is_some_and(|reason| !reason.trim().is_empty());
        let reachable = self.listen.iter().find_map(|listen| match listen {
            Listen::Socket(address) if !address.ip().is_loopback() => Some(*address),
            _ => None,
        });
        match reachable {
            Some(address) if self.secret.is_none() && !named => Err(ServeError::Reachable(address)),
            _ if self.no_secret.is_some() && !named => Err(ServeError::Blank),
            _ => Ok(()),
        }
    }
}

/// Makes up a secret where there are sockets.
fn token(listeners: &[Listener]) -> Result<Option<Token>, ServeError> {
    let ports = listeners.iter().filter_map(Listener::port).collect::<io::Result<Vec<u16>>>()?;
    let token = (!ports.is_empty()).then(|| Token::new(&ports).map_err(ServeError::Token));
    token.transpose()
}

fn open(listen: Listen) -> Result<Listener, ServeError> {
    let opened = match &listen {
        Listen::Socket(address) => Listener::socket(*address),
        Listen::Line(line) => Listener::line(line.clone()),
    };
    opened.map_err(|error| ServeError::Listen(listen, error))
}

/// The first request to end makes the head safe and waits for rest; the second does not wait.
fn watch(end: &Arc<AtomicBool>, end_now: &Arc<AtomicBool>) -> Result<(), SignalsError> {
    let (end, end_now) = (Arc::clone(end), Arc::clone(end_now));
    each_request(move || {
        if end.swap(true, Ordering::SeqCst) {
            end_now.store(true, Ordering::SeqCst);
        }
    })
}

/// Prints lines from a thread of its own: a stopped terminal, or a pipe that is not read, must not delay
/// making the head safe.
struct Log<P> {
    lines: SyncSender<String>,
    printer: JoinHandle<()>,
    print: P,
    /// Lines that were not printed.
    lost: u64,
}

impl<P: Fn(&str) + Clone + Send + 'static> Log<P> {
    fn new(print: P) -> Log<P> {
        let (lines, take) = sync_channel::<String>(MAX_LINES);
        let printing = print.clone();
        let printer = thread::spawn(move || {
            for line in take {
                printing(&format!("  {line}"));
            }
        });
        Log { lines, printer, print, lost: 0 }
    }

    fn tell(&mut self, line: &str) {
        if self.lost > 0 && self.lines.try_send(not_printed(self.lost)).is_ok() {
            self.lost = 0;
        }
        if self.lines.try_send(line.to_string()).is_err() {
            self.lost += 1;
        }
    }

    /// Waits until everything is printed.
    fn end(self) {
        drop(self.lines);
        // A panic of the printer loses lines only.
        let _ = self.printer.join();
        if self.lost > 0 {
            (self.print)(&format!("  {}", not_printed(self.lost)));
        }
    }
}

fn not_printed(lost: u64) -> String {
    format!("{lost} lines were not printed: the output was not read")
}
