//! Whole processes: the start of a small script beside Lua, and a bring-up with its peak memory.

use crate::{median, verdict};
use nix::sys::resource::{UsageWho, getrusage};
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

/// First argument of a process of this bench that only tells the peak memory of a command.
pub const PEAK: &str = "--peak-of";

/// Largest ratio of a start to Lua's.
const START_GOAL: f64 = 1.5;

/// Longest bring-up in ms.
const RUN_GOAL: f64 = 100.0;

/// Most memory of a bring-up in MB.
const MEMORY_GOAL: f64 = 50.0;

/// Starts are short, so they are timed more often than all else.
const STARTS_PER_ROUND: usize = 20;

/// A way to time a process, in ms.
type Timed = fn(&Path, &[&Path]) -> f64;

fn build(manifest: &Path, binary: &str) -> PathBuf {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let built = Command::new(cargo)
        .args(["build", "--release", "--quiet", "--bin", binary, "--manifest-path"])
        .arg(manifest.join("Cargo.toml"))
        .status();
    assert!(built.expect("cargo can be started").success(), "{binary} does not build");
    let target = match std::env::var_os("CARGO_TARGET_DIR") {
        Some(shared) => shared.into(),
        None => manifest.join("target"),
    };
    target.join("release").join(binary)
}

/// Wall time of a whole process in ms.
fn timed(program: &Path, arguments: &[&Path]) -> f64 {
    let mut command = Command::new(program);
    command.args(arguments).stdout(Stdio::null()).stderr(Stdio::null());
    let start = Instant::now();
    let status = command.status().expect("the process starts");
    let took = start.elapsed().as_secs_f64() * 1e3;
    assert!(status.success(), "{} {arguments:?} failed", program.display());
    took
}

/// Wall time in ms until a process has written its first line.
fn first_line(program: &Path, arguments: &[&Path]) -> f64 {
    let mut command = Command::new(program);
    command.args(arguments).stdout(Stdio::piped()).stderr(Stdio::null());
    let start = Instant::now();
    let mut process = command.spawn().expect("the process starts");
    let mut output = BufReader::new(process.stdout.take().expect("its output is piped"));
    let mut text = Vec::new();
    output.read_until(b'\n', &mut text).expect("it writes a line");
    let took = start.elapsed().as_secs_f64() * 1e3;
    output.read_to_end(&mut text).expect("it comes to its end");
    assert!(process.wait().expect("it ends").success());
    took
}

/// Runs a command and prints the peak of its resident memory in kB, as the system counts it. This
/// process itself must be small, for its own pages count until the command has begun.
pub fn print_peak(command: &[String]) {
    let (program, arguments) = command.split_first().expect("a command is named");
    let status = Command::new(program).args(arguments).stdout(Stdio::null()).status();
    assert!(status.expect("the process starts").success());
    println!("{}", getrusage(UsageWho::RUSAGE_CHILDREN).expect("usage is known").max_rss());
}

fn peak(command: &[&Path]) -> f64 {
    let this = std::env::current_exe().expect("this process has a file");
    let told = Command::new(this).arg(PEAK).args(command).output().expect("it starts again");
    let text = String::from_utf8(told.stdout).expect("a number is text");
    text.trim().parse::<f64>().expect("the peak is told") / 1000.0
}

/// Times and prints whole processes.
pub fn print(rounds: usize, wanted: &dyn Fn(&str) -> bool) {
    let bench = Path::new(env!("CARGO_MANIFEST_DIR"));
    let project = bench.join("../..");
    let ours = build(&project, "spintrue");
    let run = Path::new("run");
    if wanted("start") {
        let lua = build(bench, "lua-peer");
        let (script, program) = (bench.join("start/start.spt"), bench.join("start/start.lua"));
        let ways: [(&str, Timed); 2] = [("to the first line", first_line), ("to the end", timed)];
        for (way, timed) in ways {
            let mut times = [const { Vec::new() }; 2];
            for _ in 0..rounds * STARTS_PER_ROUND {
                times[0].push(timed(&ours, &[run, &script]));
                times[1].push(timed(&lua, &[&program]));
            }
            let [ours, lua] = times.map(|mut times| (median(&mut times), times[0]));
            println!(
                "start     {:>11.2} {:>8.2} ms: a process {way}: {:.2} (the quickest of each: \
                 {:.2}), goal {START_GOAL} {}",
                ours.0,
                lua.0,
                ours.0 / lua.0,
                ours.1 / lua.1,
                verdict(ours.0 / lua.0, START_GOAL)
            );
        }
    }
    if wanted("run") {
        let script = project.join("scripts/bring_up.spt");
        let mut times: Vec<f64> = (0..rounds).map(|_| timed(&ours, &[run, &script])).collect();
        let (took, peak) = (median(&mut times), peak(&[&ours, run, &script]));
        println!(
            "run       {took:>11.2} ms: bring_up.spt, goal {RUN_GOAL} ms {}; {peak:.1} MB at most, \
             goal {MEMORY_GOAL} MB {}",
            verdict(took, RUN_GOAL),
            verdict(peak, MEMORY_GOAL)
        );
    }
}
