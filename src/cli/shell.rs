//! `shell`: an interactive prompt on a head.

use crate::cli::files::{Disk, Supply};
use crate::cli::fixture::Fixtures;
use crate::cli::signals::{end_on_request, stop_on_request};
use crate::cli::{CAUTION, WRONG, address, allow};
use crate::head::record::recorded;
use crate::head::station::Station;
use crate::session::Verdict;
use crate::shell::{self, CallMonitor, Setup};
use crate::terminal::{BOLD, colour_output, complain, styled, told, wrapped};
use clap::Args;
use std::cell::RefCell;
use std::io::{IsTerminal, stdin, stdout};
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

pub(super) const AFTER_HELP: &str = "\
Every entry is a piece of the language: it is checked before it runs, and what it declares is there
for the next one. A value that stands alone is shown. `help` lists the words that the shell adds.
The words before the entry tell how the head stands. Ctrl-C stops what runs and makes the head
safe; `leave`, Ctrl-D or a closed terminal do so and end the shell. Light is possible only inside
an `arm` block, as everywhere, so no shell waits with the laser armed.

Lines that come from a pipe are run one by one up to the first error.

Lasers and rotors hurt people. spintrue is not a safety function: the hardware interlock chain
stands on its own. IEC 60825-1, local codes and the laser safety officer decide.

Examples:
  spintrue shell
  spintrue shell scripts/bring_up.spt --set speed=3000rpm
  spintrue shell --head sim:my_head.toml --realtime
  echo 'rail(0)' | spintrue shell";

#[derive(Args)]
pub(super) struct Options {
    /// A script whose routines, params and constants are there from the start; nothing of it runs
    script: Option<String>,
    /// Which head
    #[arg(long, value_name = "ADDRESS", default_value = "sim")]
    head: String,
    #[command(flatten)]
    fixtures: Fixtures,
    /// Gives a param of the script a value, or many from a data sheet: @FILE.toml; may be repeated
    #[arg(long = "set", value_name = "NAME=VALUE")]
    settings: Vec<String>,
    /// Seed of a simulated head [default: 1]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// Has a simulated head fail, as `run` does; may be repeated
    #[arg(long = "fault", value_name = "KIND@TIME")]
    faults: Vec<String>,
    /// All that entries may do to the head, such as reads,spins
    #[arg(long, value_name = "EFFECTS")]
    allow: Option<String>,
    /// A simulated head's time passes as on a bench
    #[arg(long)]
    realtime: bool,
    /// Keeps nothing of what is typed
    #[arg(long)]
    no_history: bool,
}

pub(super) fn shell(options: &Options) -> u8 {
    let opened = options.fixtures.read().and_then(|fixtures| {
        let opened = address::open_with(&options.head, options.seed, &options.faults)?;
        if options.realtime && opened.replay.is_some() {
            return Err(
                "error: nothing is waited for in a replay, whose times are recorded: leave \
                        `--realtime` out"
                    .to_string(),
            );
        }
        let stop = Arc::clone(&opened.stop);
        fixtures.fit(opened, options.realtime, &stop)
    });
    let opened = match opened {
        Ok(opened) => opened,
        Err(why) => {
            complain(&format!("{}\n", why.trim_end()));
            return WRONG;
        }
    };
    let allowed = match options.allow.as_deref().map(allow::parse).transpose() {
        Ok(allowed) => allowed,
        Err(why) => {
            complain(&why);
            return WRONG;
        }
    };
    let stop = Arc::clone(&opened.stop);
    let leave = Arc::new(AtomicBool::new(false));
    // Ctrl-C stops what runs; a request to end and a closed terminal end the shell as well.
    let watched = stop_on_request(std::slice::from_ref(&stop))
        .and_then(|()| end_on_request(std::slice::from_ref(&leave)));
    if let Err(error) = watched {
        complain(&format!("error: signals cannot be watched for, so nothing is run: {error}\n"));
        return WRONG;
    }
    if let Some(replay) = &opened.replay {
        replay.listened_by(1);
    }
    let monitor = Rc::new(RefCell::new(CallMonitor::default()));
    let (head, gauge) = recorded(opened.head, opened.gauge, monitor.clone());
    let mut station = match Station::open(head, gauge, stop) {
        Ok(station) => station,
        Err(fault) => {
            complain(&format!("error: the head does not answer: {fault}\n"));
            return Verdict::HeadFailed.exit_code();
        }
    };
    let from = options.script.clone().unwrap_or_default();
    station.supply(Box::new(Supply::new(Disk, &from)));
    station.rehearse(opened.provoker);
    let attended = stdin().is_terminal() && stdout().is_terminal();
    let colour = colour_output();
    let greeting = greeting(&station, opened.seed, opened.replay.is_some(), colour);
    shell::run(Setup {
        station,
        monitor,
        files: Box::new(Disk),
        script: options.script.clone(),
        settings: options.settings.clone(),
        allowed,
        leave,
        replay: opened.replay.map(|replay| replay.course()),
        control: opened.control,
        history: if options.no_history { None } else { history() },
        attended,
        time_passes: !opened.virtual_time,
        colour,
        greeting,
    })
}

fn greeting(station: &Station, seed: u64, replayed: bool, colour: bool) -> String {
    let kind = told::head(station.description(), seed, replayed);
    let caution = wrapped(CAUTION, "");
    let title = told::title("spintrue shell", &kind);
    format!(
        "{}{}\n\n`help` lists what can be typed; Ctrl-D leaves.\n",
        title.replacen("spintrue shell", &styled("spintrue shell", BOLD, colour), 1),
        styled(caution.trim_end(), crate::terminal::DIM, colour)
    )
}

/// Where what is typed is kept: for this user alone, where data of programs belong (XDG Base
/// Directory Specification).
fn history() -> Option<PathBuf> {
    let set = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty());
    let data = set("XDG_DATA_HOME").map(PathBuf::from);
    let data = data.or_else(|| Some(PathBuf::from(set("HOME")?).join(".local/share")));
    Some(data?.join("spintrue").join("shell_history"))
}
