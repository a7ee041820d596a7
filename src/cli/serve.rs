//! `serve`: offers a head on the wire.

use crate::cli::fixture::Fixtures;
use crate::cli::signals::each_request;
use crate::cli::{CAUTION, WRONG, address, duration};
use crate::head::Calls;
use crate::head::system;
use crate::head::wire::acceptor::Listener;
use crate::head::wire::control::{Secret, Served};
use crate::head::wire::line::Line;
use crate::head::wire::link::Place;
use crate::head::wire::server;
use crate::session::Verdict;
use crate::terminal::{complain, say, wrapped};
use clap::Args;
use std::net::{SocketAddr, ToSocketAddrs};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread::{self, JoinHandle};
use std::time::Duration;

pub(super) const AFTER_HELP: &str = "\
Offers a head, its gauge included, to one client that controls it and to others that look, as
docs/wire.md describes. A client that moved the head and then hangs up, or is silent for longer than
the dead-man limit, loses control, and the head is made safe. On a serial line nobody hangs up, so
that silence alone tells; a line that goes away makes the head safe and is tried again every second.
Ctrl-C makes the head safe and ends
the server; a second one does not wait for the polygon to come to rest.

Whoever can reach the address can move the head. So it listens on this machine only, unless
`--open` and a secret, or the reason why none is needed, say otherwise. Nothing is encrypted: use a
tunnel where others can listen. At a serial line sits whoever holds its cable; a secret, where there
is one, is asked for there as well.

Lasers and rotors hurt people. spintrue is not a safety function: the hardware interlock chain
stands on its own. IEC 60825-1, local codes and the laser safety officer decide.

Examples:
  spintrue serve
  spintrue serve --head sim:my_head.toml --listen 127.0.0.1:5026 --realtime
  spintrue serve --listen serial:///dev/ttyUSB0?baud=115200
  spintrue serve --listen 127.0.0.1:5025 --listen serial:///dev/ttyUSB0
  spintrue serve --listen 0.0.0.0:5025 --open --secret-file bench.secret";

#[derive(Args)]
pub(super) struct Options {
    /// Which head
    #[arg(long, value_name = "ADDRESS", default_value = "sim")]
    head: String,
    #[command(flatten)]
    fixtures: Fixtures,
    /// Where to listen: HOST:PORT, port 0 taking a free one, or serial://DEVICE?baud=RATE; may be
    /// repeated
    #[arg(long, value_name = "HOST:PORT", default_value = "127.0.0.1:5025")]
    listen: Vec<String>,
    /// Seed of a simulated head [default: 1]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// Has a simulated head fail, as `run` does; may be repeated
    #[arg(long = "fault", value_name = "KIND@TIME")]
    faults: Vec<String>,
    /// A simulated head's time passes as on a bench
    #[arg(long)]
    realtime: bool,
    /// Silence of the client in control by whose end the head is safe
    #[arg(long, value_name = "TIME", default_value = "3s", value_parser = duration::limit)]
    dead_man: f64,
    /// Listens where other machines can reach it
    #[arg(long)]
    open: bool,
    /// A file with the secret that clients must know, on its first line
    #[arg(long, value_name = "FILE")]
    secret_file: Option<PathBuf>,
    /// Why no secret is needed although other machines can reach it; it is printed
    #[arg(long, value_name = "REASON", conflicts_with = "secret_file")]
    no_secret: Option<String>,
}

/// Dead-man limits in s that make sense.
const LIMITS: core::ops::RangeInclusive<f64> = 0.2..=60.0;

pub(super) fn serve(options: &Options) -> u8 {
    match started(options) {
        Ok(()) => 0,
        Err((code, why)) => {
            complain(&format!("{}\n", why.trim_end()));
            code
        }
    }
}

fn started(options: &Options) -> Result<(), (u8, String)> {
    let wrong = |why: String| (WRONG, format!("error: {why}"));
    if !LIMITS.contains(&options.dead_man) {
        let (low, high) = (LIMITS.start(), LIMITS.end());
        return Err(wrong(format!("the dead-man limit must be {low} s to {high} s")));
    }
    let places: Vec<Listen> = options
        .listen
        .iter()
        .map(|at| place(at, options))
        .collect::<Result<_, _>>()
        .map_err(wrong)?;
    let secret = options.secret_file.as_deref().map(secret_in).transpose().map_err(wrong)?;
    let (end, end_now) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
    watch(&end, &end_now).map_err(|why| wrong(format!("signals cannot be watched for: {why}")))?;
    let fixtures = options.fixtures.read().map_err(|why| (WRONG, why))?;
    let opened = address::open_with(&options.head, options.seed, &options.faults)
        .map_err(|why| (WRONG, why))?;
    let cut = Arc::clone(&opened.cut);
    let opened = fixtures.fit(opened, options.realtime, &cut).map_err(|why| (WRONG, why))?;
    let mut link = opened.link;
    let described = link.describe().map_err(|fault| {
        let why = format!("error: the head does not answer: {fault}");
        (Verdict::HeadFailed.exit_code(), why)
    })?;
    let doors = places.into_iter().map(Listen::open).collect::<Result<Vec<Listener>, _>>();
    let doors = doors.map_err(wrong)?;
    let at = doors.iter().map(Listener::at).collect::<Result<Vec<String>, _>>();
    let at = at.map_err(|why| wrong(why.to_string()))?.join(" and ");
    let real_time = !opened.virtual_time || !described.simulated;
    let kind = if described.simulated { "simulated head" } else { "head" };
    let time = if real_time { "" } else { "; its time passes by what it is asked for only" };
    let title = format!("serving {kind} {} {} on {at}{time}", described.model, described.serial);
    say(&wrapped(&title, ""));
    if let Some(reason) = &options.no_secret {
        say(&wrapped(&format!("no secret is asked for: {reason}"), ""));
    }
    say(&wrapped(CAUTION, ""));
    let served = Served {
        link,
        real_time,
        seed: described.simulated.then_some(opened.seed),
        secret,
        limit: Duration::from_secs_f64(options.dead_man),
        cut,
    };
    let mut log = Log::new();
    server::serve(served, doors, &end, &end_now, &mut |line| log.tell(line))
        .map_err(|why| wrong(format!("cannot serve on {at}: {why}")))?;
    log.end();
    say("ended\n");
    Ok(())
}

/// Lines that wait to be told.
const LINES_MOST: usize = 256;

/// Tells what people should know of, from a thread of its own: a terminal that was stopped, or a pipe
/// that nobody reads, must not hold up whoever makes the head safe.
struct Log {
    lines: SyncSender<String>,
    teller: JoinHandle<()>,
    /// Lines that were not told.
    lost: u64,
}

impl Log {
    fn new() -> Log {
        let (lines, take) = sync_channel::<String>(LINES_MOST);
        let teller = thread::spawn(move || {
            for line in take {
                say(&wrapped(&line, "  "));
            }
        });
        Log { lines, teller, lost: 0 }
    }

    fn tell(&mut self, line: &str) {
        if self.lost > 0 {
            let told = format!("{} lines were not told: nobody took them", self.lost);
            if self.lines.try_send(told).is_ok() {
                self.lost = 0;
            }
        }
        if self.lines.try_send(line.to_string()).is_err() {
            self.lost += 1;
        }
    }

    /// Waits until all is told.
    fn end(self) {
        drop(self.lines);
        // What could not be told is of no use any more.
        let _ = self.teller.join();
        if self.lost > 0 {
            say(&wrapped(&format!("{} lines were not told: nobody took them", self.lost), "  "));
        }
    }
}

/// Where to listen.
enum Listen {
    Socket(SocketAddr),
    Line(Line),
}

impl Listen {
    fn open(self) -> Result<Listener, String> {
        match self {
            Listen::Socket(address) => Listener::socket(address)
                .map_err(|why| format!("cannot listen on {address}: {}", system::why(&why))),
            Listen::Line(line) => {
                let shown = line.to_string();
                Listener::line(line)
                    .map_err(|why| format!("cannot listen on {shown}: {}", system::why(&why)))
            }
        }
    }
}

/// Where to listen, if the options allow it.
fn place(listen: &str, options: &Options) -> Result<Listen, String> {
    if listen.starts_with("serial:") {
        let place = address::wired(listen).transpose();
        let place = place.map_err(|why| why.trim_start_matches("error: ").to_string())?;
        return match place {
            Some((Place::Serial(line), None)) => Ok(Listen::Line(line)),
            Some((_, Some(_))) => Err(format!(
                "`{listen}`: give the secret that clients must know by --secret-file FILE"
            )),
            _ => Err(format!("`{listen}`: write serial://DEVICE, such as serial:///dev/ttyUSB0")),
        };
    }
    let bare = listen.strip_prefix("tcp://").unwrap_or(listen);
    let found = bare.to_socket_addrs().ok().and_then(|mut found| found.next());
    let address = found.ok_or_else(|| {
        format!(
            "`{listen}` is no address to listen on: write HOST:PORT, such as 127.0.0.1:5025, or \
             serial://DEVICE"
        )
    })?;
    if address.ip().is_loopback() {
        return Ok(Listen::Socket(address));
    }
    if !options.open {
        return Err(format!(
            "other machines could reach the head on {address}: say so by --open, with \
             --secret-file FILE, or listen on 127.0.0.1"
        ));
    }
    let reason = options.no_secret.as_ref().is_some_and(|reason| !reason.trim().is_empty());
    if options.secret_file.is_none() && !reason {
        return Err(format!(
            "whoever reaches {address} could move the head: give --secret-file FILE, or say by \
             --no-secret REASON why none is needed"
        ));
    }
    Ok(Listen::Socket(address))
}

/// The secret on the first line of a file.
fn secret_in(file: &Path) -> Result<Secret, String> {
    address::secret_in(file).map(|secret| Secret::new(&secret))
}

/// The first request to end makes the head safe and waits for rest; the second does not wait.
fn watch(end: &Arc<AtomicBool>, end_now: &Arc<AtomicBool>) -> Result<(), String> {
    let (end, end_now) = (Arc::clone(end), Arc::clone(end_now));
    each_request(move || {
        if end.swap(true, Ordering::SeqCst) {
            end_now.store(true, Ordering::SeqCst);
        }
    })
    .map_err(|why| why.to_string())
}
