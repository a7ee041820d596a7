//! `head check`: tries on a head what every head must hold to.

use crate::cli::fixture::Fixtures;
use crate::cli::output::Force;
use crate::cli::signals::stop_on_request;
use crate::cli::trace::{Tracer, bare};
use crate::cli::{CAUTION, FAILED, WRONG, address};
use crate::head::Calls;
use crate::head::contract::{Contract, Outcome, Permissions, Report, TABLE, run_with};
use crate::head::wire::driver;
use crate::head::wire::greeting::Target;
use crate::session::Verdict;
use crate::terminal::told::left;
use crate::terminal::{
    BOLD, DIM, GREEN, RED, YELLOW, colour_output, complain, emit, say, styled, wrapped,
};
use clap::Args;
use serde_json::{Value, json};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

pub(crate) const AFTER_HELP: &str = "\
Harmless contracts come first. Without options a head is read, disarmed and made safe, which parks
its mirror, brings its polygon down and sets its outputs as it says; nothing else moves and no light
comes out, on a head that breaks what it is tried for too. --trims loads trims and puts the former
ones back, and stores those in force; --switch switches each output both ways, so that clamps move
and whatever else hangs on them; --spin moves polygon and mirror; --allow-light arms the laser and
draws test lines. The head is made safe at the end, whatever happens. docs/heads.md lists the
contracts.

With --allow-light, light comes out. Keep to the usual cautions: eyewear, enclosure, closed covers
over the rotor, nobody in the beam path. spintrue is not a safety function: the hardware interlock
chain stands on its own. IEC 60825-1, local codes and the laser safety officer decide.

Exit codes: 0 where nothing that was tried is broken, 1 where something is, 2 where an option or a
file is wrong or another client controls the head, 3 where the head is not known to be safe in the end, 130 where it was interrupted.

Examples:
  spintrue head check sim
  spintrue head check sim --trims --spin
  spintrue head check sim --trims --spin --allow-light --trace check.trace
  spintrue head check sim:my_head.toml --spin --json";

#[derive(Args)]
pub(crate) struct Options {
    /// Which head, such as sim or sim:FILE.toml
    #[arg(default_value = "sim")]
    address: String,
    #[command(flatten)]
    fixtures: Fixtures,
    /// Loads trims and puts the former ones back; stores those in force
    #[arg(long)]
    trims: bool,
    /// Switches outputs and sets channels, whatever stands behind them
    #[arg(long)]
    switch: bool,
    /// Spins the polygon and steers the mirror
    #[arg(long)]
    spin: bool,
    /// Arms the laser and lets light out
    #[arg(long, requires = "spin")]
    allow_light: bool,
    /// Seed of a simulated head [default: 1]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// Has a simulated head fail, as `run` does; may be repeated
    #[arg(long = "fault", value_name = "KIND@TIME")]
    faults: Vec<String>,
    /// Records every call in a file
    #[arg(long, value_name = "FILE")]
    trace: Option<PathBuf>,
    #[command(flatten)]
    force: Force,
    /// Prints JSON Lines for machines
    #[arg(long)]
    json: bool,
}

pub(super) fn check(options: &Options) -> u8 {
    match checked(options) {
        Ok(code) => code,
        Err(why) => {
            complain(&format!("{}\n", why.trim_end()));
            WRONG
        }
    }
}

fn checked(options: &Options) -> Result<u8, String> {
    let fixtures = options.fixtures.read()?;
    if is_anothers(&options.address)? {
        return Err(wrapped(
            &format!(
                "error: another client controls the head at {}: nothing is tried, since even what is \
                 harmless makes the head safe and would take it from that client; wait until it is \
                 done",
                options.address
            ),
            "",
        ));
    }
    let opened = address::open_with(&options.address, options.seed, &options.faults)?;
    let stop = Arc::clone(&opened.stop);
    let opened = fixtures.fit(opened, false, &stop)?;
    let mut link = opened.link;
    let header = match &options.trace {
        // Asked before the recording is begun, so that it holds what the contracts see alone.
        Some(_) if opened.replay.is_some() => {
            return Err("error: a replay is recorded already: leave `--trace` out".to_string());
        }
        Some(path) => match link.describe() {
            Ok(description) => Some((path, bare(&description, opened.seed, &opened.faults))),
            Err(fault) => {
                complain(&format!("error: the head does not answer: {fault}\n"));
                return Ok(Verdict::HeadFailed.exit_code());
            }
        },
        None => None,
    };
    let (tracer, link) = match header {
        Some((path, header)) => {
            let link = (link, opened.has_gauge);
            let (tracer, link) = Tracer::listening(path, stop.clone(), link);
            let started = tracer.borrow_mut().start(&header, &options.force);
            started.map_err(|why| format!("error: nothing can be recorded: {why}"))?;
            (Some(tracer), link)
        }
        None => (None, link),
    };
    let interrupted = Arc::new(AtomicBool::new(false));
    stop_on_request(&[stop.clone(), interrupted.clone()]).map_err(|why| {
        format!("error: Ctrl-C cannot be watched for, so nothing is tried: {why}")
    })?;
    let allowed = Permissions {
        trims: options.trims,
        switches: options.switch,
        motion: options.spin,
        light: options.allow_light,
    };
    let colour = colour_output();
    if !options.json {
        say(&greeting(&options.address, opened.replay.is_some(), colour));
    }
    let mut heard = |contract: &'static Contract, found: &Outcome| {
        if options.json {
            emit(&format!("{}\n", line(contract, found)));
        } else {
            say(&told(contract, found, colour));
        }
    };
    let all = run_with(link, allowed, stop, &mut heard);
    if options.json {
        emit(&end(&all))
    } else {
        say(&summary(&all, colour))
    }
    let [_, broken, _] = all.counts();
    let mut code = if broken > 0 { FAILED } else { 0 };
    if let Some(tracer) = tracer {
        let verdict = if broken > 0 { "contracts broken" } else { "contracts kept" };
        tracer.borrow_mut().finish(verdict).map_err(|why| format!("error: {why}"))?;
    }
    if let Some(left) = opened.replay.as_ref().and_then(|replay| replay.outcome()) {
        complain(&left);
    }
    let trouble = !all.safe.laser_off || !all.safe.troubles.is_empty();
    if interrupted.load(Ordering::SeqCst) && !trouble {
        code = Verdict::Interrupted.exit_code();
    } else if !all.safe.is_safe() {
        code = Verdict::HeadFailed.exit_code();
    }
    Ok(code)
}

/// Another client controls the head behind a server.
fn is_anothers(address: &str) -> Result<bool, String> {
    let Some((place, secret)) = address::wired(address).transpose()? else { return Ok(false) };
    let (stop, cut) = (Arc::default(), Arc::default());
    Ok(driver::is_anothers(Target { place, secret, stop, cut }))
}

fn greeting(address: &str, replay: bool, colour: bool) -> String {
    let what = if replay { "contracts of a recorded head" } else { "contracts of a head" };
    let title = format!("{what} at {}", styled(address, BOLD, colour));
    format!("{title}\n{}\n\n", styled(wrapped(CAUTION, "").trim_end(), DIM, colour))
}

fn told(contract: &Contract, found: &Outcome, colour: bool) -> String {
    let Contract { name, holds, .. } = contract;
    match found {
        Outcome::Kept => format!("{}     {name}\n", styled("kept", GREEN, colour)),
        Outcome::Broken(seen) => {
            let seen = wrapped(&format!("seen: {seen}"), "         ");
            let holds = wrapped(holds, "         ");
            format!("{}   {name}\n{holds}{seen}", styled("BROKEN", RED, colour))
        }
        Outcome::Skipped(why) => {
            let rest = wrapped(&format!("{name}: {why}"), "         ");
            format!("{}  {}", styled("skipped", YELLOW, colour), rest.trim_start())
        }
    }
}

fn summary(all: &Report, colour: bool) -> String {
    let [kept, broken, skipped] = all.counts();
    let style = if broken > 0 { RED } else { GREEN };
    let counts = format!("{kept} kept, {broken} broken, {skipped} skipped");
    let mut text = format!(
        "\n{} of {} contracts\nhead left with {}\n",
        styled(&counts, style, colour),
        TABLE.len(),
        left(&all.safe)
    );
    for trouble in &all.safe.troubles {
        text.push_str(&styled(&wrapped(trouble, "  "), RED, colour));
    }
    text
}

fn line(contract: &Contract, found: &Outcome) -> Value {
    let (outcome, why) = match found {
        Outcome::Kept => ("kept", None),
        Outcome::Broken(seen) => ("broken", Some(seen)),
        Outcome::Skipped(why) => ("skipped", Some(why)),
    };
    json!({
        "event": "contract", "name": contract.name, "holds": contract.holds,
        "does": contract.risk, "outcome": outcome, "why": why,
    })
}

fn end(all: &Report) -> String {
    let [kept, broken, skipped] = all.counts();
    let line = json!({
        "event": "end", "kept": kept, "broken": broken, "skipped": skipped, "head": all.safe,
    });
    format!("{line}\n")
}
