//! How fast spintrue is, beside Lua 5.4, in one go. Every figure is a median over rounds in which
//! the rivals take turns, and is printed with what is aimed for.
//!
//! - `kernels`: loops, calls, records, and each shape of list and text, from the text to the result,
//!   inside one process.
//! - `check`: parse and all checks of a generated script of 1 MB, beside Lua's parse of the same
//!   program in its own words.
//! - `start`: a script of twenty lines as a process of its own, from its start to its first line
//!   and to its end, beside the same lines in a Lua process.
//! - `run`: `scripts/bring_up.spt` as a whole process, with its peak memory.
//! - `time`: an hour of head time, waited in one piece and looked at every 10 ms.
//!
//! Run with `cargo run --release --manifest-path tests/bench/Cargo.toml [rounds] [part …]`; parts
//! are the words above and the kernels' names, none for all. It builds `spintrue` and its peer
//! process itself where they are older than their sources.

// A bench needs the clock, files and processes.
#![allow(clippy::disallowed_methods)]

mod big;
mod kernels;
mod pages;
mod process;
mod script;
mod simulated;

/// The median; sorts what it is given.
fn median(times: &mut [f64]) -> f64 {
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}

/// Whether a goal is reached, in words.
fn verdict(value: f64, most: f64) -> &'static str {
    if value <= most { "reached" } else { "MISSED" }
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let Some((process::PEAK, command)) = arguments.split_first().map(|(f, c)| (f.as_str(), c)) {
        process::print_peak(command);
        return;
    }
    let (numbers, parts): (Vec<&String>, Vec<&String>) =
        arguments.iter().partition(|a| a.parse::<usize>().is_ok());
    let rounds = numbers.first().and_then(|n| n.parse().ok()).unwrap_or(9).max(1);
    let wanted = |part: &str| parts.is_empty() || parts.iter().any(|p| *p == part);
    kernels::print(rounds, &wanted);
    if wanted("check") {
        big::print(rounds);
    }
    if wanted("start") || wanted("run") {
        process::print(rounds, &wanted);
    }
    if wanted("time") {
        simulated::print(rounds);
        pages::print(rounds);
    }
}
