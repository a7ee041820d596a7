//! Recordings of runs, through the program's own door and the library's: a replay is the run again,
//! byte for byte; where a script departs is said; whatever is no whole recording is told apart.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    missing_docs,
    reason = "a test fails by panicking, and tries the product from outside"
)]

mod common;

use common::Folder;
use flate2::Compression;
use flate2::read::GzDecoder;
use flate2::write::GzEncoder;
use spintrue::head::call::{Call, Reply};
use spintrue::head::contract::{self, Outcome, Permissions};
use spintrue::head::record::{CallListener, CallRecorder, Heard};
use spintrue::head::replay::Replay;
use spintrue::head::trace::{
    Entry, FORMAT, Header, TraceError, TraceReader, TraceWriter, VERSION, survey,
};
use spintrue::head::{Calls, Description, Fault, Head, Link, Rig, sim};
use std::cell::RefCell;
use std::fs;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::rc::Rc;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn spintrue(folder: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_spintrue"));
    command.args(arguments).current_dir(folder).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

fn unpacked(bytes: &[u8]) -> String {
    let mut lines = String::new();
    GzDecoder::new(bytes).read_to_string(&mut lines).unwrap();
    lines
}

fn packed(lines: &str) -> Vec<u8> {
    let mut packer = GzEncoder::new(Vec::new(), Compression::default());
    packer.write_all(lines.as_bytes()).unwrap();
    packer.finish().unwrap()
}

/// All but the title, which names the head up to its seed.
fn rest(output: &Output) -> String {
    let said = text(&output.stdout);
    let seed = said.find("(seed ").unwrap_or(0);
    said[seed..].split_once('\n').map(|(_, rest)| rest.to_string()).unwrap_or(said)
}

/// Records a run, replays it, and records the replay.
fn repeats(folder: &Folder, at: &Path, script: &str, both: &[&str], first: &[&str]) {
    let name = script.replace('/', "_");
    let (one, two) = (folder.path(&format!("{name}.trace")), folder.path(&format!("{name}.again")));
    let head = format!("replay:{one}");
    let mut then = vec!["run", script, "--trace", &one];
    then.extend(both.iter().chain(first));
    let mut now = vec!["run", script, "--trace", &two, "--head", &head];
    now.extend(both);
    let (then, now) = (spintrue(at, &then), spintrue(at, &now));
    let told = format!("{script}\n{}\n{}", text(&now.stdout), text(&now.stderr));
    assert_eq!(rest(&now), rest(&then), "{told}");
    assert_eq!(now.status.code(), then.status.code(), "{told}");
    assert_eq!(text(&now.stderr), text(&then.stderr), "{told}");
    assert!(then.stdout.len() > 200, "{}", text(&then.stderr));
    let words = text(&now.stdout).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains(" on replay of simulated head"), "{told}");
    assert!(fs::read(&one).unwrap() == fs::read(&two).unwrap(), "{script}: the replay differs");
}

#[test]
fn every_shipped_script_and_every_fault_replays_byte_for_byte() {
    let folder = Folder::new("replays");
    let before = folder.path("before");
    let sheet = "@scripts/datasheets/ten_facet.toml";
    let arguments =
        ["run", "scripts/accept.spt", "--seed", "3", "--set", sheet, "--record", &before];
    assert_eq!(spintrue(root(), &arguments).status.code(), Some(0));
    let mut count = 0;
    for entry in fs::read_dir(root().join("scripts")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|e| e != "spt") {
            continue;
        }
        let name = path.file_name().unwrap().to_str().unwrap();
        let more: Vec<&str> = match name {
            "accept.spt" => vec!["--set", sheet],
            "fit_spacer.spt" => vec!["--answers", "scripts/answers/fit_spacer.toml"],
            "requalify.spt" => vec!["--last", &before],
            _ => vec![],
        };
        let mut first = vec!["--seed", "3"];
        if name == "station.spt" {
            first.extend(["--head", "sim:scripts/heads/ten_with_station.toml"]);
        }
        repeats(&folder, root(), &format!("scripts/{name}"), &more, &first);
        count += 1;
    }
    let faults = root().join("tests/corpus/run/faults");
    for entry in fs::read_dir(&faults).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_none_or(|e| e != "spt") {
            continue;
        }
        let script = fs::read_to_string(&path).unwrap();
        let line = script.lines().find_map(|line| line.strip_prefix("// run: ")).unwrap();
        let only: Vec<&str> = line.split_whitespace().collect();
        let name = path.file_name().unwrap().to_str().unwrap();
        repeats(&folder, &faults, name, &[], &only);
        count += 1;
    }
    assert!(count >= 22, "only {count} scripts");
}

/// What a program wrote that knew no signals and channels is read as before.
#[test]
fn an_older_recording_is_replayed() {
    let folder = root().join("tests/data/recordings");
    let bytes = fs::read(folder.join("version_1.trace")).unwrap();
    assert!(unpacked(&bytes).starts_with("{\"format\":\"spintrue recording\",\"version\":1,"));
    let arguments = ["run", "version_1.spt", "--head", "replay:version_1.trace"];
    let output = spintrue(&folder, &arguments);
    let told = format!("{}{}", text(&output.stdout), text(&output.stderr));
    assert_eq!(output.status.code(), Some(0), "{told}");
    assert!(!told.contains("departs") && !told.contains("leaves"), "{told}");
    let trace = spintrue(&folder, &["head", "trace", "version_1.trace"]);
    assert_eq!(trace.status.code(), Some(0), "{}", text(&trace.stderr));
}

/// What a run of bring_up.spt records.
fn bring_up(folder: &Folder) -> PathBuf {
    let path = folder.path("run.trace");
    let output = spintrue(root(), &["run", "scripts/bring_up.spt", "--trace", &path]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    PathBuf::from(path)
}

#[test]
fn a_changed_script_is_told_where_it_departs() {
    let folder = Folder::new("departs");
    bring_up(&folder);
    let head = format!("replay:{}", folder.path("run.trace"));
    let arguments = ["run", "scripts/bring_up.spt", "--head", &head, "--set", "resolution=299 dpi"];
    let output = spintrue(root(), &arguments);
    assert_eq!(output.status.code(), Some(3));
    let told = format!("{}\n────\n{}", text(&output.stderr), text(&output.stdout));
    let told = told.replace(&folder.path("run.trace"), "run.trace");
    insta::assert_snapshot!("departure", told);
    // A departure that a script catches is one all the same.
    let script = "try { spin(4000 rpm) } catch problem { note \"{problem.message}\" }\n";
    let caught = folder.file("caught.spt", script);
    let output = spintrue(root(), &["run", caught.to_str().unwrap(), "--head", &head]);
    assert_eq!(output.status.code(), Some(3), "{}", text(&output.stdout));
    assert!(text(&output.stderr).contains("leaves its recording at call 2"), "{output:?}");
    // So is a script that stops early, however well.
    let idle = folder.file("idle.spt", "note \"nothing\"\n");
    let output = spintrue(root(), &["run", idle.to_str().unwrap(), "--head", &head]);
    assert_ne!(output.status.code(), Some(0), "{}", text(&output.stdout));
}

/// The prompt's own looks at the head are no part of what is replayed.
#[test]
fn a_recording_can_be_stepped_through_in_the_shell() {
    let folder = Folder::new("steps");
    let path = bring_up(&folder);
    let head = format!("replay:{}", path.display());
    let through = |typed: &str| {
        let mut shell = Command::new(env!("CARGO_BIN_EXE_spintrue"));
        shell.args(["shell", "scripts/bring_up.spt", "--no-history", "--head", &head]);
        shell.current_dir(root()).stdin(Stdio::piped());
        let mut shell = shell.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        shell.stdin.take().unwrap().write_all(typed.as_bytes()).unwrap();
        shell.wait_with_output().unwrap()
    };
    for typed in ["run\n", "step\n\n\n\ngo\n"] {
        let output = through(typed);
        let said = text(&output.stdout);
        assert_eq!(output.status.code(), Some(0), "{said}{}", text(&output.stderr));
        assert!(said.contains("check in-scan residual: 0.68 um ± 0.72 um"), "{said}");
        assert!(said.contains("head: laser off, mirror parked, polygon at rest (measured)"));
    }
    // Whatever else is asked of the head leaves the recording, and says so.
    let output = through("status()\nstatus()\nstatus()\n");
    let said = text(&output.stdout) + &text(&output.stderr);
    assert!(said.contains("the replay leaves its recording at call 4"), "{said}");
}

/// Trims are stored again in a replay with nobody at the terminal, also where the head was a real one.
#[test]
fn storing_in_a_replay_needs_no_leave() {
    let folder = Folder::new("stores");
    folder.file("keep.spt", "store_trims()\nnote \"kept\"\n");
    let output = spintrue(&folder.0, &["run", "keep.spt", "--trace", "run.trace"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let lines = unpacked(&fs::read(folder.path("run.trace")).unwrap());
    let real = lines.replace("\"simulated\":true", "\"simulated\":false");
    let (real, _) = real.trim_end().rsplit_once('\n').unwrap();
    assert!(real.contains("\"simulated\":false"));
    folder.file("real.trace", packed(&format!("{real}\n")));
    for what in ["run", "shell"] {
        let mut program = Command::new(env!("CARGO_BIN_EXE_spintrue"));
        program.args([what, "keep.spt", "--head", "replay:real.trace"]).current_dir(&folder.0);
        program.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut program = program.spawn().unwrap();
        program.stdin.take().unwrap().write_all(b"run\n").unwrap();
        let output = program.wait_with_output().unwrap();
        let said = text(&output.stdout) + &text(&output.stderr);
        assert!(said.contains("kept"), "{said}");
        assert!(!said.contains("E0718"), "{said}");
    }
}

#[test]
fn a_recording_can_be_looked_into() {
    let folder = Folder::new("looks");
    let path = bring_up(&folder);
    let path = path.to_str().unwrap();
    let shown = |more: &[&str]| {
        let mut arguments = vec!["head", "trace", path];
        arguments.extend(more);
        let output = spintrue(root(), &arguments);
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        text(&output.stdout)
    };
    insta::assert_snapshot!("shown", shown(&["--only", "spin,halt,arm,disarm,load_trims"]));
    let lines = shown(&["--json", "--only", "turns"]);
    let values: Vec<serde_json::Value> =
        lines.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(values[0]["header"]["params"][0][0], "speed");
    assert!(values.len() > 2);
    assert_eq!(values[1]["call"]["name"], "turns");
    let early = shown(&["--json", "--to", "1 s"]);
    assert!(early.lines().count() < shown(&["--json"]).lines().count());
    let output = spintrue(root(), &["head", "trace", path, "--only", "spins"]);
    assert_eq!(output.status.code(), Some(2));
}

#[test]
fn nothing_of_the_machine_or_its_people_is_kept() {
    let folder = Folder::new("nothing-of-this-machine");
    let script = folder.file("deep/inside/own.spt", "param p = 3\nspin(4000 rpm)\n");
    let (trace, record) = (folder.path("run.trace"), folder.path("record"));
    let arguments = [
        "run",
        script.to_str().unwrap(),
        "--trace",
        &trace,
        "--record",
        &record,
        "--operator",
        "night-shift",
        "--archive",
        &folder.path("all.sqlite"),
    ];
    assert_eq!(spintrue(root(), &arguments).status.code(), Some(0));
    let lines = unpacked(&fs::read(&trace).unwrap());
    assert!(lines.contains("\"own.spt\""));
    for secret in ["nothing-of-this-machine", "inside", "night-shift", "sqlite"] {
        assert!(!lines.contains(secret), "{secret}");
    }
}

#[test]
fn what_is_no_recording_is_told_apart() {
    let folder = Folder::new("no-recording");
    let whole = fs::read(bring_up(&folder)).unwrap();
    let lines = unpacked(&whole);
    let newer = lines.replacen("\"version\":2", "\"version\":3", 1);
    let newer = newer.replacen("\"spintrue\":\"0.1.0\"", "\"spintrue\":\"9.0.0\"", 1);
    let edited = lines.replacen("\"locked\":false", "\"locked\":true", 1);
    assert_ne!(edited, lines);
    let odd = lines.replacen("\"heard\"", "\"hard\"", 1);
    let behind = format!("{lines}{{\"mended\":null}}\n");
    let mut flipped = whole.clone();
    let middle = flipped.len() / 2;
    flipped[middle] ^= 0x10;
    let mut bomb = GzEncoder::new(Vec::new(), Compression::best());
    let zeros = vec![b' '; 1 << 20];
    for _ in 0..512 {
        bomb.write_all(&zeros).unwrap();
    }
    let cases: [(&str, Vec<u8>); 9] = [
        ("empty", Vec::new()),
        ("text", b"spin(4000 rpm)\n".to_vec()),
        ("other_lines", packed("{\"event\": \"start\"}\n")),
        ("newer", packed(&newer)),
        ("edited", packed(&edited)),
        ("odd", packed(&odd)),
        ("behind", packed(&behind)),
        ("flipped", flipped),
        ("bomb", bomb.finish().unwrap()),
    ];
    let mut told = String::new();
    for (name, bytes) in cases {
        folder.file(&format!("{name}.trace"), bytes);
        let head = format!("replay:{name}.trace");
        let script = root().join("scripts/bring_up.spt");
        let output = spintrue(&folder.0, &["run", script.to_str().unwrap(), "--head", &head]);
        assert_eq!(output.status.code(), Some(2), "{name}: {}", text(&output.stdout));
        assert!(output.stdout.is_empty(), "{name}: {}", text(&output.stdout));
        if name == "flipped" {
            // Where it shows depends on the compressor.
            assert!(text(&output.stderr).contains("error: flipped.trace is damaged"), "{output:?}");
            continue;
        }
        told.push_str(&text(&output.stderr));
    }
    for (head, more) in [
        ("replay:absent.trace", vec![]),
        ("replay:.", vec![]),
        ("replay:run.trace", vec!["--seed", "3"]),
        ("replay:run.trace", vec!["--fault", "no_lock"]),
        ("replay:run.trace", vec!["--archive", "all.sqlite"]),
        ("sim", vec!["--trace", "run.trace"]),
    ] {
        let script = root().join("scripts/bring_up.spt");
        let mut arguments = vec!["run", script.to_str().unwrap(), "--head", head];
        arguments.extend(more);
        let output = spintrue(&folder.0, &arguments);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {}", text(&output.stdout));
        told.push_str(&text(&output.stderr));
    }
    insta::assert_snapshot!("refused", told);
}

/// Cut anywhere, a recording is read up to its last whole line, and says so; with any byte changed,
/// it never passes for another one.
#[test]
fn cut_and_damaged_recordings_never_pass() {
    let folder = Folder::new("cut");
    let whole = fs::read(bring_up(&folder)).unwrap();
    let all = survey(&whole[..]).unwrap();
    assert_eq!(all.verdict.as_deref(), Some("passed"));
    let mut last = 0;
    for end in (0..whole.len()).step_by(997) {
        match survey(&whole[..end]) {
            Ok(cut) => {
                assert_eq!(cut.verdict, None, "{end}");
                assert!(cut.calls >= last && cut.calls <= all.calls, "{end}");
                last = cut.calls;
            }
            Err(TraceError::Foreign) => assert!(last == 0, "{end}"),
            Err(other) => panic!("{end}: {other}"),
        }
    }
    assert!(last > all.calls * 9 / 10, "{last} of {}", all.calls);
    for at in (0..whole.len()).step_by(499) {
        let mut changed = whole.clone();
        changed[at] ^= 0x55;
        match survey(&changed[..]) {
            Err(_) => {}
            // The header of gzip holds a time and a system, which mean nothing here.
            Ok(found) => assert!(found.verdict.is_none() || at < 10 && found == all, "{at}"),
        }
    }
    let half = folder.file("half.trace", &whole[..whole.len() / 2]);
    let head = format!("replay:{}", half.display());
    let output = spintrue(root(), &["run", "scripts/bring_up.spt", "--head", &head]);
    assert_eq!(output.status.code(), Some(3));
    let told = text(&output.stderr);
    assert!(told.contains("it was cut off after call"), "{told}");
    assert!(told.contains("the recording ends there, cut off"), "{told}");
}

/// A head whose clock runs by itself, as a real one's does.
struct Running(Rig, f64);

impl Link for Running {
    fn call(&mut self, call: &Call) -> Result<Reply, Fault> {
        let mut result = self.0.call(call);
        if let Ok(Reply::Safe(safe)) = &mut result {
            safe.speed = f64::NAN;
        }
        result
    }
    fn now(&mut self) -> f64 {
        // Every third look finds the time unchanged, as on a coarse clock.
        self.1 += 1.0;
        self.0.now() + (self.1 / 3.0).floor() * 1e-7
    }
}

fn rig(head: sim::SimHead, gauge: sim::SimGauge) -> Rig {
    Rig::new(Box::new(head), Some(Box::new(gauge)))
}

/// What was written so far, for a writer that is lost.
#[derive(Clone, Default)]
struct Written(Rc<RefCell<Vec<u8>>>);

impl Write for Written {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.borrow_mut().extend_from_slice(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

struct Tap(TraceWriter<Written>);

impl CallListener for Tap {
    fn heard(&mut self, heard: &Heard) {
        self.0.heard(heard).unwrap();
    }
    fn clock(&mut self, time: f64) {
        self.0.clock(time).unwrap();
    }
}

fn header(head: Description) -> Header {
    Header {
        format: FORMAT.to_string(),
        version: VERSION,
        spintrue: "0.1.0".to_string(),
        head,
        gauge: true,
        seed: None,
        faults: Vec::new(),
        scripts: Vec::new(),
        params: Vec::new(),
    }
}

fn played(bytes: Vec<u8>) -> Replay {
    Replay::new(TraceReader::new(std::io::Cursor::new(bytes)).unwrap())
}

#[test]
fn a_clock_that_runs_by_itself_replays_look_by_look() {
    let (head, gauge) = sim::open(None, 1).unwrap();
    let mut head = Running(rig(head, gauge), 0.0);
    let written = Written::default();
    let header = header(head.describe().unwrap());
    let tap = TraceWriter::new(written.clone(), &header).unwrap();
    let tap = Rc::new(RefCell::new(Tap(tap)));
    let mut head = CallRecorder::new(head, tap.clone());
    let looks = |head: &mut dyn Link| {
        let mut seen = vec![head.now(), head.now()];
        for round in 0..5 {
            head.sleep(0.01).unwrap();
            for _ in 0..round {
                seen.push(head.now());
            }
            head.status().unwrap();
        }
        let safe = head.make_safe(false).unwrap();
        assert!(safe.speed.is_nan());
        seen.push(head.now());
        seen.iter().map(|time| time.to_bits()).collect::<Vec<u64>>()
    };
    let first = looks(&mut head);
    // Nobody ends the recording: what was commanded last is there all the same.
    std::mem::forget((head, tap));
    let bytes = written.0.borrow().clone();
    assert_eq!(survey(&bytes[..]).unwrap().verdict, None);
    let mut again = played(bytes);
    // The look behind the last command had not gone out.
    let second = looks(&mut again);
    assert_eq!(second[..second.len() - 1], first[..first.len() - 1]);
    // Whoever listens looks at the clock too, and changes nothing.
    let listened = played(written.0.borrow().clone());
    listened.course().listened_by(1);
    let deaf = TraceWriter::new(Written::default(), &header).unwrap();
    let deaf = Rc::new(RefCell::new(Tap(deaf)));
    let mut head = CallRecorder::new(listened, deaf);
    let third = looks(&mut head);
    assert_eq!(third[..third.len() - 1], first[..first.len() - 1]);
    assert_eq!(again.course().departure(), None);
    assert_eq!(again.course().calls(), 11);
}

const ALL: Permissions = Permissions { trims: true, switches: true, motion: true, light: true };

fn recorded_contracts(faults: &[String]) -> (Vec<u8>, Vec<Outcome>) {
    let station = include_str!("../scripts/heads/ten_with_station.toml");
    let (mut head, gauge) = sim::open_with(Some(("station", station)), 1, faults).unwrap();
    let written = Written::default();
    let described = head.describe().ok();
    let described = described.unwrap_or_else(|| {
        let (mut other, _) = sim::open(None, 1).unwrap();
        other.describe().unwrap()
    });
    let tap = TraceWriter::new(written.clone(), &header(described)).unwrap();
    let tap = Rc::new(RefCell::new(Tap(tap)));
    let link = CallRecorder::new(rig(head, gauge), tap.clone());
    let report = contract::run(Box::new(link), ALL);
    let tap = Rc::into_inner(tap).unwrap().into_inner();
    tap.0.finish("contracts").unwrap();
    let bytes = written.0.borrow().clone();
    (bytes, report.outcomes.into_iter().map(|(_, found)| found).collect())
}

/// The contracts on a replay come to what they came to on the head that was recorded.
#[test]
fn contracts_hold_on_a_replay_as_on_its_head() {
    let mut faults = vec![None];
    faults.extend(spintrue::head::faults::FAULTS.iter().map(Some));
    for kind in faults {
        let fault: Vec<String> = kind.iter().map(|kind| format!("{}@0s", kind.example())).collect();
        let (bytes, then) = recorded_contracts(&fault);
        let again = played(bytes);
        let course = again.course();
        let report = contract::run(Box::new(again), ALL);
        let now: Vec<Outcome> = report.outcomes.into_iter().map(|(_, found)| found).collect();
        assert_eq!(now, then, "{fault:?}");
        assert_eq!(course.departure(), None, "{fault:?}");
        if kind.is_none() {
            assert!(!then.iter().any(|found| matches!(found, Outcome::Broken(_))));
        }
    }
}

#[test]
fn heads_are_checked_from_the_command_line() {
    let folder = Folder::new("checks");
    let all = ["--trims", "--spin", "--allow-light"];
    for (address, code) in [
        ("sim", 0),
        ("sim:scripts/heads/six_small.toml", 0),
        ("sim:scripts/heads/twelve_large.toml", 0),
        ("sim:scripts/heads/eight_badly_made.toml", 1),
    ] {
        let mut arguments = vec!["head", "check", address];
        arguments.extend(all);
        let output = spintrue(root(), &arguments);
        assert_eq!(output.status.code(), Some(code), "{address}: {}", text(&output.stdout));
    }
    let trace = folder.path("check.trace");
    let mut arguments = vec!["head", "check", "sim", "--fault", "index_missing", "--trace", &trace];
    arguments.extend(all);
    let output = spintrue(root(), &arguments);
    assert_eq!(output.status.code(), Some(1));
    insta::assert_snapshot!("checked", text(&output.stdout));
    let head = format!("replay:{trace}");
    let mut arguments = vec!["head", "check", &head];
    arguments.extend(all);
    let replayed = spintrue(root(), &arguments);
    assert_eq!(rest(&replayed), rest(&output));
    assert!(replayed.stderr.is_empty(), "{}", text(&replayed.stderr));
    let silent = spintrue(root(), &["head", "check", "sim", "--fault", "link_silent", "--json"]);
    assert_eq!(silent.status.code(), Some(3));
    for line in text(&silent.stdout).lines() {
        let _: serde_json::Value = serde_json::from_str(line).unwrap();
    }
    let refused = spintrue(root(), &["head", "check", "sim", "--allow-light"]);
    assert_eq!(refused.status.code(), Some(2));
}

/// A page is told apart from another by its dots, of which a recording keeps the digest alone.
#[test]
fn entries_read_back() {
    let folder = Folder::new("pages");
    let trace = folder.path("page.trace");
    let arguments = ["run", "scripts/expose_page.spt", "--trace", &trace];
    assert_eq!(spintrue(root(), &arguments).status.code(), Some(0));
    let bytes = fs::read(&trace).unwrap();
    let lines = unpacked(&bytes);
    assert!(lines.contains("\"expose_page\"") && lines.contains("\"sha256\""));
    assert!(bytes.len() < 200_000, "{}", bytes.len());
    for line in lines.lines().skip(1) {
        let entry: Entry = serde_json::from_str(line).unwrap();
        assert_eq!(serde_json::to_string(&entry).unwrap(), line);
    }
}
