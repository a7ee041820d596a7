//! `serve`: serves a head to clients on sockets and serial lines.

use crate::error::{Error, invalid};
use crate::setup::options::{HeadOption, Surroundings, time};
use crate::setup::{Opening, each_request, secret_in, wired};
use crate::terminal::{CAUTION, say, wrapped};
use clap::Args;
use spintrue_head::Calls;
use spintrue_head::Listener;
use spintrue_head::SerialLine;
use spintrue_head::WirePlace;
use spintrue_head::{Secret, Served};
use spintrue_head::{io_reason, serve_listeners};
use std::net::{SocketAddr, ToSocketAddrs};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread::{self, JoinHandle};
use std::time::Duration;

pub(super) const AFTER_HELP: &str = "\
Serves a head and its gauge to one controlling client and to observers, as docs/wire.md describes. A \
client that moved the head and then disconnects, or stays silent for longer than the dead-man limit, \
loses control, and the head is made safe. A serial line cannot disconnect, so only silence counts \
there; a line that goes away makes the head safe and is opened again every second. Ctrl-C makes the \
head safe and ends the server; a second Ctrl-C does not wait for the polygon to come to rest.

Every client that can reach the address can move the head. So the server listens on this machine \
only, unless `--open` is given with a secret or with the reason why none is needed. Nothing is \
encrypted: use a tunnel where others can listen. A secret is required on serial lines as well.

Lasers and rotors hurt people. spintrue is not a safety function: the hardware interlock chain \
stands on its own. IEC 60825-1, local codes and the laser safety officer decide.

Examples:
  spintrue serve
  spintrue serve --head sim:my_head.toml --listen 127.0.0.1:5026 --realtime
  spintrue serve --listen serial:///dev/ttyUSB0?baud=115200
  spintrue serve --listen 127.0.0.1:5025 --listen serial:///dev/ttyUSB0
  spintrue serve --listen 0.0.0.0:5025 --open --secret-file bench.secret";

#[derive(Args)]
pub(super) struct Options {
    #[command(flatten)]
    head: HeadOption,
    #[command(flatten)]
    around: Surroundings,
    /// Where to listen: HOST:PORT, port 0 for a free one, or serial://DEVICE?baud=RATE. May be
    /// repeated
    #[arg(long, value_name = "HOST:PORT", default_value = "127.0.0.1:5025")]
    listen: Vec<String>,
    /// Let the time of a simulated head pass as on a bench
    #[arg(long)]
    realtime: bool,
    /// How long the controlling client may stay silent before the head is made safe
    #[arg(long, value_name = "TIME", default_value = "3s", value_parser = time)]
    dead_man: f64,
    /// Listen where other machines can reach it
    #[arg(long)]
    open: bool,
    /// File with the secret that clients must know, on its first line
    #[arg(long, value_name = "FILE")]
    secret_file: Option<PathBuf>,
    /// Why no secret is needed although other machines can reach the head; it is printed
    #[arg(long, value_name = "REASON", conflicts_with = "secret_file")]
    no_secret: Option<String>,
}

/// Dead-man limits in s that are allowed.
const DEAD_MAN_LIMITS: core::ops::RangeInclusive<f64> = 0.2..=60.0;

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    if !DEAD_MAN_LIMITS.contains(&options.dead_man) {
        let (low, high) = (DEAD_MAN_LIMITS.start(), DEAD_MAN_LIMITS.end());
        return Err(invalid!("the dead-man limit must be {low} s to {high} s"));
    }
    let places = options.listen.iter().map(|at| place(at, options));
    let places = places.collect::<Result<Vec<Listen>, _>>()?;
    let secret = options.secret_file.as_deref().map(secret_in).transpose()?;
    let secret = secret.map(|secret| Secret::new(&secret));
    let (end, end_now) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicBool::new(false)));
    watch(&end, &end_now)?;
    let opening = Opening::at(&options.head.head).within(&options.around);
    let opened = opening.in_real_time(options.realtime).open_until(|opened| &opened.cut)?;
    let cut = Arc::clone(&opened.cut);
    let mut link = opened.link;
    let described = link.describe().map_err(Error::HeadFailed)?;
    let doors = places.into_iter().map(Listen::open).collect::<Result<Vec<Listener>, _>>()?;
    let at = doors.iter().map(Listener::at).collect::<Result<Vec<String>, _>>();
    let at = at.map_err(|error| invalid!("{error}"))?.join(" and ");
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
    serve_listeners(served, doors, &end, &end_now, &mut |line| log.tell(line))
        .map_err(|why| invalid!("cannot serve on {at}: {why}"))?;
    log.end();
    say("ended\n");
    Ok(0)
}

/// Lines that may wait to be printed.
const MAX_LINES: usize = 256;

/// Prints lines from a thread of its own: a stopped terminal, or a pipe that is not read, must not delay
/// making the head safe.
struct Log {
    lines: SyncSender<String>,
    printer: JoinHandle<()>,
    /// Lines that were not printed.
    lost: u64,
}

impl Log {
    fn new() -> Log {
        let (lines, take) = sync_channel::<String>(MAX_LINES);
        let printer = thread::spawn(move || {
            for line in take {
                say(&wrapped(&line, "  "));
            }
        });
        Log { lines, printer, lost: 0 }
    }

    fn tell(&mut self, line: &str) {
        if self.lost > 0 {
            let told = format!("{} lines were not printed: the output was not read", self.lost);
            if self.lines.try_send(told).is_ok() {
                self.lost = 0;
            }
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
            say(&wrapped(
                &format!("{} lines were not printed: the output was not read", self.lost),
                "  ",
            ));
        }
    }
}

/// Where to listen.
enum Listen {
    Socket(SocketAddr),
    Line(SerialLine),
}

impl Listen {
    fn open(self) -> Result<Listener, Error> {
        match self {
            Listen::Socket(address) => Listener::socket(address)
                .map_err(|why| invalid!("cannot listen on {address}: {}", io_reason(&why))),
            Listen::Line(line) => {
                let shown = line.to_string();
                Listener::line(line)
                    .map_err(|why| invalid!("cannot listen on {shown}: {}", io_reason(&why)))
            }
        }
    }
}

/// Where to listen, if the options allow it.
fn place(listen: &str, options: &Options) -> Result<Listen, Error> {
    if listen.starts_with("serial:") {
        return match wired(listen).transpose()? {
            Some((WirePlace::Serial(line), None)) => Ok(Listen::Line(line)),
            Some((_, Some(_))) => Err(invalid!(
                "`{listen}`: give the secret that clients must know by --secret-file FILE"
            )),
            _ => Err(invalid!("`{listen}`: write serial://DEVICE, such as serial:///dev/ttyUSB0")),
        };
    }
    let bare = listen.strip_prefix("tcp://").unwrap_or(listen);
    let found = bare.to_socket_addrs().ok().and_then(|mut found| found.next());
    let address = found.ok_or_else(|| {
        invalid!(
            "`{listen}` is no address to listen on: write HOST:PORT, such as 127.0.0.1:5025, or \
             serial://DEVICE"
        )
    })?;
    if address.ip().is_loopback() {
        return Ok(Listen::Socket(address));
    }
    if !options.open {
        return Err(invalid!(
            "other machines could reach the head on {address}: say so by --open, with \
             --secret-file FILE, or listen on 127.0.0.1"
        ));
    }
    let reason = options.no_secret.as_ref().is_some_and(|reason| !reason.trim().is_empty());
    if options.secret_file.is_none() && !reason {
        return Err(invalid!(
            "every client that reaches {address} could move the head: give --secret-file FILE, or \
             --no-secret REASON why none is needed"
        ));
    }
    Ok(Listen::Socket(address))
}

/// The first request to end makes the head safe and waits for rest; the second does not wait.
fn watch(end: &Arc<AtomicBool>, end_now: &Arc<AtomicBool>) -> Result<(), Error> {
    let (end, end_now) = (Arc::clone(end), Arc::clone(end_now));
    each_request(move || {
        if end.swap(true, Ordering::SeqCst) {
            end_now.store(true, Ordering::SeqCst);
        }
    })
}
