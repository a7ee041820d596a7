//! `serve`: serves a head to clients on sockets and serial lines.

use crate::error::{Error, invalid};
use crate::setup::options::{HeadOption, Surroundings, time};
use crate::setup::{secret_in, wired};
use crate::terminal::{say, wrapped};
use clap::Args;
use spintrue_head::{Listen, Secret, ServeError, ServeOptions, WirePlace, serve_link};
use std::net::ToSocketAddrs;
use std::path::PathBuf;
use std::time::Duration;

#[derive(Args)]
#[command(after_help = include_str!("help/serve.txt"))]
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
    /// File with the secret that clients must know, on its first line. Without it a new one is made up
    /// at each start, which clients of the same user on this machine find by themselves; at serial
    /// lines no secret is asked for then
    #[arg(long, value_name = "FILE")]
    secret_file: Option<PathBuf>,
    /// Why no secret is needed; it is printed
    #[arg(long, value_name = "REASON", conflicts_with = "secret_file")]
    no_secret: Option<String>,
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let listen = options.listen.iter().map(|at| place(at, options));
    let listen = listen.collect::<Result<Vec<Listen>, _>>()?;
    let secret = options.secret_file.as_deref().map(secret_in).transpose()?;
    let secret = secret.map(|secret| Secret::new(&secret)).transpose();
    let secret = secret.map_err(|why| invalid!("{why}"))?;
    let mut served = ServeOptions {
        listen,
        secret,
        no_secret: options.no_secret.clone(),
        dead_man: Duration::try_from_secs_f64(options.dead_man).unwrap_or_default(),
        ..ServeOptions::default()
    };
    served.check().map_err(refused)?;
    let address = &options.head.head;
    let opened = options.around.open_until(address, options.realtime, |opened| &opened.cut)?;
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
        return match wired(listen)? {
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
