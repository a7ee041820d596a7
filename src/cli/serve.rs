//! `serve`: serves a head to clients on sockets and serial lines.

use crate::error::{Error, invalid};
use crate::setup::options::{HeadOption, Surroundings, time};
use crate::setup::{Opening, secret_in, wired};
use crate::terminal::{say, wrapped};
use clap::Args;
use spintrue_head::{Listen, Secret, ServeError, ServeOptions, WirePlace, serve_link};
use std::net::ToSocketAddrs;
use std::path::PathBuf;
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

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let listen = options.listen.iter().map(|at| place(at, options));
    let listen = listen.collect::<Result<Vec<Listen>, _>>()?;
    let secret = options.secret_file.as_deref().map(secret_in).transpose()?;
    let mut served = ServeOptions {
        listen,
        secret: secret.map(|secret| Secret::new(&secret)),
        no_secret: options.no_secret.clone(),
        dead_man: Duration::try_from_secs_f64(options.dead_man).unwrap_or_default(),
        ..ServeOptions::default()
    };
    served.check().map_err(refused)?;
    let opening = Opening::at(&options.head.head).within(&options.around);
    let opened = opening.in_real_time(options.realtime).open_until(|opened| &opened.cut)?;
    served.real_time = !opened.virtual_time;
    served.seed = Some(opened.seed);
    served.cut = opened.cut;
    serve_link(opened.link, served, |line| {
        let log = line.strip_prefix("  ");
        say(&wrapped(log.unwrap_or(line), log.map_or("", |_| "  ")));
    })
    .map_err(refused)?;
    Ok(0)
}

fn refused(error: ServeError) -> Error {
    match error {
        ServeError::Head(fault) => Error::HeadFailed(fault),
        ServeError::Reachable(address) => invalid!(
            "every client that reaches {address} could move the head: give --secret-file FILE, or \
             --no-secret REASON why none is needed"
        ),
        other => invalid!("{other}"),
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
    Ok(Listen::Socket(address))
}
