//! `shell`: an interactive prompt on a head.

use crate::disk::{Disk, Force};
use crate::error::{Error, invalid};
use crate::record::{About, identity};
use crate::setup::options::{Allow, HeadOption, Settings, Surroundings};
use crate::setup::{PrintOptions, Stage, is_elsewhere};
use crate::shell;
use crate::shell::{CallMonitor, SessionRecord, Setup};
use crate::terminal::{BOLD, caution, colour_output, styled, told};
use clap::Args;
use spintrue_head::{end_on_request, stop_on_request};
use spintrue_sim::Showing;
use std::cell::RefCell;
use std::io::{IsTerminal, stdin, stdout};
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// Sheets of a simulated medium are shown as finely as a print is measured.
const SHOWING: Showing = Showing { scale: 1, spot: None };

#[derive(Args)]
#[command(after_help = include_str!("help/shell.txt"))]
pub(super) struct Options {
    /// A script whose routines, params and constants are available; nothing of it runs
    script: Option<String>,
    #[command(flatten)]
    head: HeadOption,
    #[command(flatten)]
    around: Surroundings,
    #[command(flatten)]
    settings: Settings,
    #[command(flatten)]
    allow: Allow,
    #[command(flatten)]
    print: PrintOptions,
    #[command(flatten)]
    force: Force,
    /// Let the time of a simulated head pass as on a bench
    #[arg(long)]
    realtime: bool,
    /// Keep no history of what is typed
    #[arg(long)]
    no_history: bool,
    /// Keep a record of the session in an empty or new folder: what was typed, and everything that head
    /// and entries reported. Its verdict is that of the first entry that failed, else that of all checks
    #[arg(long, value_name = "DIR")]
    record: Option<PathBuf>,
    /// Name of the operator, for the record
    #[arg(long, value_name = "NAME", requires = "record")]
    operator: Option<String>,
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    options.print.check_allowed(&options.allow)?;
    let opened = options.around.open(&options.head.head, options.realtime)?;
    options.print.check_alone(&opened)?;
    if options.realtime && opened.replay.is_some() {
        return Err(invalid!(
            "nothing is waited for in a replay, whose times are recorded: leave `--realtime` out"
        ));
    }
    let leave = Arc::new(AtomicBool::new(false));
    // Ctrl-C stops what runs; a request to end and a closed terminal end the shell as well.
    stop_on_request(std::slice::from_ref(&opened.stop))?;
    end_on_request(std::slice::from_ref(&leave))?;
    let monitor = Rc::new(RefCell::new(CallMonitor::default()));
    let (opened, recorder) = match &options.record {
        Some(folder) => {
            let (opened, recorder) = opened.recorded();
            (opened, Some((folder, recorder)))
        }
        None => (opened, None),
    };
    let mut opened = opened.heard_by(monitor.clone());
    let (control, time_passes) = (opened.control.take(), !opened.virtual_time);
    let script = options.script.as_deref().unwrap_or_default();
    let mut stage = Stage::open(opened, script)?;
    stage.measure_by_prints(&options.print, script, SHOWING, &options.force)?;
    let colour = colour_output();
    let greeting = greeting(&stage, colour);
    if let Some((folder, recorder)) = &recorder {
        let about = About {
            address: options.head.head.clone(),
            elsewhere: is_elsewhere(&options.head.head),
            operator: options.operator.clone(),
            ..stage
                .about(None, "typed in a shell", None)
                .with_files(options.around.fixtures.texts())
        };
        recorder.borrow_mut().set_looks(stage.station.looks());
        let started = recorder.borrow_mut().start(folder, &about, identity(&about, None));
        started.map_err(|e| e.context("no record can be kept, so no shell is opened"))?;
    }
    let begun = stage.station.now();
    let session = recorder.map(|(_, recorder)| SessionRecord::new(recorder, stage.medium, begun));
    Ok(shell::run(Setup {
        session,
        station: stage.station,
        monitor,
        files: Box::new(Disk),
        script: options.script.clone().map(|script| (script, options.settings.settings.clone())),
        allowed: options.allow.effects.clone(),
        leave,
        replay: stage.replay.map(|replay| replay.course()),
        control,
        history: if options.no_history { None } else { history() },
        attended: stdin().is_terminal() && stdout().is_terminal(),
        time_passes,
        colour,
        greeting,
    }))
}

fn greeting(stage: &Stage, colour: bool) -> String {
    let kind = told::head(&stage.head, stage.seed, stage.replay.is_some());
    let title = told::title("spintrue shell", &kind);
    format!(
        "{}{}\n\n`help` lists what can be typed; Ctrl-D leaves.\n",
        title.replacen("spintrue shell", &styled("spintrue shell", BOLD, colour), 1),
        caution(colour)
    )
}

/// The history of this user, in the place for data of programs (XDG Base Directory Specification).
fn history() -> Option<PathBuf> {
    let set = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty());
    let data = set("XDG_DATA_HOME").map(PathBuf::from);
    let data = data.or_else(|| Some(PathBuf::from(set("HOME")?).join(".local/share")));
    Some(data?.join("spintrue").join("shell_history"))
}
