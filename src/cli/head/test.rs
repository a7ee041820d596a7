//! `head test`: tests a head against the head contract.

use crate::error::{Error, FAILED, invalid};
use crate::project::head_at;
use crate::setup::options::{Recording, Surroundings};
use crate::setup::{Opened, SharedTracer, Tracer, bare, wired};
use crate::terminal::show;
use crate::terminal::told::left_text;
use crate::terminal::{
    BOLD, GREEN, RED, YELLOW, caution, colour_output, complain, say, styled, wrapped,
};
use clap::Args;
use serde_json::{Value, json};
use spintrue_head::{
    CONTRACTS, Calls, Contract, ContractOutcome, ContractReport, Permissions, WireTarget,
    is_controlled_by_other, run_contracts_with, stop_on_request,
};
use spintrue_language::Verdict;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

#[derive(Args)]
pub(crate) struct Options {
    /// Address of the head, such as sim or sim:FILE.toml
    #[arg(default_value = "sim", value_parser = head_at)]
    address: String,
    #[command(flatten)]
    around: Surroundings,
    /// Load trims and restore the former ones; store those in force
    #[arg(long)]
    trims: bool,
    /// Switch outputs and set channels, whatever is connected to them
    #[arg(long)]
    switch: bool,
    /// Spin the polygon and steer the mirror
    #[arg(long)]
    spin: bool,
    /// Arm the laser and let light out
    #[arg(long, requires = "spin")]
    allow_light: bool,
    #[command(flatten)]
    recording: Recording,
    /// Print JSON Lines
    #[arg(long)]
    json: bool,
}

pub(super) fn run(options: &Options) -> Result<u8, Error> {
    let address = options.address.as_str();
    if has_controller(address)? {
        return Err(invalid!(
            "another client controls the head at {address}: nothing is tested, since even harmless \
             tests make the head safe and would take it from that client; wait until it is done"
        ));
    }
    let (opened, tracer) = options.open()?;
    let (link, stop) = (opened.link, opened.stop);
    let interrupted = Arc::new(AtomicBool::new(false));
    stop_on_request(&[stop.clone(), interrupted.clone()])?;
    let allowed = Permissions {
        trims: options.trims,
        switches: options.switch,
        motion: options.spin,
        light: options.allow_light,
    };
    let colour = colour_output();
    if !options.json {
        say(&greeting(address, opened.replay.is_some(), colour));
    }
    let mut heard = |contract: &'static Contract, found: &ContractOutcome| {
        show(options.json, &line(contract, found), &told(contract, found, colour));
    };
    let all = run_contracts_with(link, allowed, stop, &mut heard);
    let [kept, broken, skipped] = all.counts();
    let end = json!({
        "event": "end", "kept": kept, "broken": broken, "skipped": skipped, "head": all.safe,
    });
    show(options.json, &end, &summary(&all, colour));
    let mut code = if broken > 0 { FAILED } else { 0 };
    if let Some(tracer) = tracer {
        let verdict = if broken > 0 { "contracts broken" } else { "contracts kept" };
        tracer.borrow_mut().finish(verdict)?;
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

impl Options {
    /// Opens the head, and starts the recording where one is wanted.
    fn open(&self) -> Result<(Opened, Option<SharedTracer>), Error> {
        let mut opened = self.around.open(&self.address, false)?;
        let path = self.recording.trace.as_deref();
        if path.is_none() {
            return Ok((opened, None));
        }
        if opened.replay.is_some() {
            return Err(invalid!("a replay is recorded already: leave `--trace` out"));
        }
        // Asked before the recording starts, so that it holds the calls of the contracts only.
        let description = opened.link.describe().map_err(Error::HeadFailed)?;
        let header = bare(&description, opened.seed, &opened.faults);
        let (opened, tracer) = Tracer::attach(path, opened);
        if let Some(tracer) = &tracer {
            let started = tracer.borrow_mut().start(&header, &self.recording.force);
            started.map_err(|error| error.context("nothing can be recorded"))?;
        }
        Ok((opened, tracer))
    }
}

/// Whether another client controls the head behind a server.
fn has_controller(address: &str) -> Result<bool, Error> {
    let Some((place, secret)) = wired(address)? else { return Ok(false) };
    let (stop, cut) = (Arc::default(), Arc::default());
    Ok(is_controlled_by_other(WireTarget { place, secret, stop, cut }))
}

fn greeting(address: &str, replay: bool, colour: bool) -> String {
    let what = if replay { "contracts of a recorded head" } else { "contracts of a head" };
    let title = format!("{what} at {}", styled(address, BOLD, colour));
    format!("{title}\n{}\n\n", caution(colour))
}

fn told(contract: &Contract, found: &ContractOutcome, colour: bool) -> String {
    let name = contract.name;
    match found {
        ContractOutcome::Kept => format!("{}     {name}\n", styled("kept", GREEN, colour)),
        ContractOutcome::Broken(seen) => {
            let seen = wrapped(&format!("seen: {seen}"), "         ");
            let holds = wrapped(contract.holds(), "         ");
            format!("{}   {name}\n{holds}{seen}", styled("BROKEN", RED, colour))
        }
        ContractOutcome::Skipped(why) => {
            let rest = wrapped(&format!("{name}: {why}"), "         ");
            format!("{}  {}", styled("skipped", YELLOW, colour), rest.trim_start())
        }
    }
}

fn summary(all: &ContractReport, colour: bool) -> String {
    let [kept, broken, skipped] = all.counts();
    let style = if broken > 0 { RED } else { GREEN };
    let counts = format!("{kept} kept, {broken} broken, {skipped} skipped");
    let mut text = format!(
        "\n{} of {} contracts\nhead left with {}\n",
        styled(&counts, style, colour),
        CONTRACTS.len(),
        left_text(&all.safe)
    );
    for trouble in &all.safe.troubles {
        text.push_str(&styled(&wrapped(trouble, "  "), RED, colour));
    }
    text
}

fn line(contract: &Contract, found: &ContractOutcome) -> Value {
    let (outcome, why) = match found {
        ContractOutcome::Kept => ("kept", None),
        ContractOutcome::Broken(seen) => ("broken", Some(seen)),
        ContractOutcome::Skipped(why) => ("skipped", Some(why)),
    };
    json!({
        "event": "contract", "name": contract.name, "holds": contract.holds(),
        "does": contract.risk, "outcome": outcome, "why": why,
    })
}
