//! Recordings of runs through the program: a replay is the run again, byte for byte; where a script
//! departs is said; whatever is no whole recording is told apart.

use crate::program::{Ended, at_root, command, json_lines, piped, spintrue};
use crate::support::{Folder, file_name, repository, root, scripts};
use flate2::Compression;
use flate2::read::GzDecoder;
use flate2::write::GzEncoder;
use std::fs;
use std::io::{Read, Write};
use std::path::Path;

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
fn rest(ended: &Ended) -> String {
    let said = &ended.out;
    let seed = said.find("(seed ").unwrap_or(0);
    said[seed..].split_once('\n').map(|(_, rest)| rest.to_string()).unwrap_or(said.clone())
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
    let told = format!("{script}\n{}", now.all());
    assert_eq!(rest(&now), rest(&then), "{told}");
    assert_eq!(now.code, then.code, "{told}");
    assert_eq!(now.error, then.error, "{told}");
    assert!(then.out.len() > 200, "{}", then.error);
    assert!(now.words().contains(" on replay of simulated head"), "{told}");
    assert!(fs::read(&one).unwrap() == fs::read(&two).unwrap(), "{script}: the replay differs");
}

#[test]
fn every_shipped_script_and_every_fault_replays_byte_for_byte() {
    let folder = Folder::new("replays");
    let before = folder.path("before");
    let sheet = "@scripts/datasheets/ten_facet.toml";
    let arguments =
        ["run", "scripts/accept.spt", "--seed", "3", "--set", sheet, "--record", &before];
    assert_eq!(at_root(&arguments).code, Some(0));
    let mut count = 0;
    let top = root().join("scripts");
    for path in scripts("scripts").iter().filter(|path| path.parent() == Some(&top)) {
        let name = file_name(path);
        let more: Vec<&str> = match name {
            "accept.spt" => vec!["--set", sheet],
            "fit_spacer.spt" => vec!["--answers", "scripts/answers/fit_spacer.toml"],
            "first_power_on.spt" => vec!["--answers", "scripts/answers/first_power_on.toml"],
            "gauge_study.spt" => vec!["--answers", "scripts/answers/gauge_study.toml"],
            "requalify.spt" => vec!["--last", &before],
            _ => vec![],
        };
        let mut first = vec!["--seed", "3"];
        match name {
            "station.spt" => first.extend(["--head", "sim:scripts/heads/ten_with_station.toml"]),
            "power.spt" => first.extend(["--head", "sim:scripts/heads/ten_with_meter.toml"]),
            _ => {}
        }
        repeats(&folder, root(), &format!("scripts/{name}"), &more, &first);
        count += 1;
    }
    let faults = root().join("tests/corpus/run/faults");
    for path in scripts("tests/corpus/run/faults") {
        let script = fs::read_to_string(&path).unwrap();
        let line = script.lines().find_map(|line| line.strip_prefix("// run: ")).unwrap();
        let only: Vec<&str> = line.split_whitespace().collect();
        repeats(&folder, &faults, file_name(&path), &[], &only);
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
    let output = spintrue(&folder, &["run", "version_1.spt", "--head", "replay:version_1.trace"]);
    let told = output.all();
    assert_eq!(output.code, Some(0), "{told}");
    assert!(!told.contains("departs") && !told.contains("leaves"), "{told}");
    let trace = spintrue(&folder, &["head", "trace", "version_1.trace"]);
    assert_eq!(trace.code, Some(0), "{}", trace.error);
}

/// What a run of bring_up.spt records.
fn bring_up(folder: &Folder) -> String {
    let path = folder.path("run.trace");
    let output = at_root(&["run", "scripts/bring_up.spt", "--trace", &path]);
    assert_eq!(output.code, Some(0), "{}", output.error);
    path
}

#[test]
fn a_changed_script_is_told_where_it_departs() {
    let folder = Folder::new("departs");
    bring_up(&folder);
    let head = format!("replay:{}", folder.path("run.trace"));
    let arguments = ["run", "scripts/bring_up.spt", "--head", &head, "--set", "resolution=299 dpi"];
    let output = at_root(&arguments);
    assert_eq!(output.code, Some(3));
    let told = format!("{}\n────\n{}", output.error, output.out);
    let told = told.replace(&folder.path("run.trace"), "run.trace");
    insta::assert_snapshot!("departure", told);
    // A departure that a script catches is one all the same.
    let script = "try { spin(4000 rpm) } catch problem { note \"{problem.message}\" }\n";
    let caught = folder.named("caught.spt", script);
    let output = at_root(&["run", &caught, "--head", &head]);
    assert_eq!(output.code, Some(3), "{}", output.out);
    assert!(output.error.contains("leaves its recording at call 2"), "{}", output.error);
    // So is a script that stops early, however well.
    let idle = folder.named("idle.spt", "note \"nothing\"\n");
    let output = at_root(&["run", &idle, "--head", &head]);
    assert_ne!(output.code, Some(0), "{}", output.out);
}

/// The prompt's own looks at the head are no part of what is replayed.
#[test]
fn a_recording_can_be_stepped_through_in_the_shell() {
    let folder = Folder::new("steps");
    let head = format!("replay:{}", bring_up(&folder));
    let through = |typed: &str| {
        let arguments = ["shell", "scripts/bring_up.spt", "--no-history", "--head", &head];
        piped(command(root(), &arguments), typed)
    };
    for typed in ["run\n", "step\n\n\n\ngo\n"] {
        let output = through(typed);
        let said = output.out;
        assert_eq!(output.code, Some(0), "{said}{}", output.error);
        assert!(
            said.lines()
                .any(|line| line.contains("check in-scan residual: ") && line.contains("conforms")),
            "{said}"
        );
        assert!(said.contains("head: laser off, mirror parked, polygon at rest (measured)"));
    }
    // Whatever else is asked of the head leaves the recording, and says so.
    let output = through("status()\nstatus()\nstatus()\n");
    let said = output.all();
    assert!(said.contains("the replay leaves its recording at call 4"), "{said}");
}

/// A replay stores trims without an operator at the terminal, even those of a real head.
#[test]
fn storing_in_a_replay_needs_no_leave() {
    let folder = Folder::new("stores");
    folder.file("keep.spt", "store_trims()\nnote \"kept\"\n");
    let output = spintrue(&folder, &["run", "keep.spt", "--trace", "run.trace"]);
    assert_eq!(output.code, Some(0), "{}", output.error);
    let lines = unpacked(&fs::read(folder.path("run.trace")).unwrap());
    let real = lines.replace("\"simulated\":true", "\"simulated\":false");
    let (real, _) = real.trim_end().rsplit_once('\n').unwrap();
    assert!(real.contains("\"simulated\":false"));
    folder.file("real.trace", packed(&format!("{real}\n")));
    for what in ["run", "shell"] {
        let program = command(&folder, &[what, "keep.spt", "--head", "replay:real.trace"]);
        let said = piped(program, "run\n").all();
        assert!(said.contains("kept"), "{said}");
        assert!(!said.contains("E0718"), "{said}");
    }
}

#[test]
fn a_recording_can_be_looked_into() {
    let folder = Folder::new("looks");
    let path = &bring_up(&folder);
    let shown = |more: &[&str]| {
        let mut arguments = vec!["head", "trace", path];
        arguments.extend(more);
        let output = at_root(&arguments);
        assert_eq!(output.code, Some(0), "{}", output.error);
        output.out
    };
    insta::assert_snapshot!("shown", shown(&["--only", "spin,halt,arm,disarm,load_trims"]));
    let lines = shown(&["--json", "--only", "turns"]);
    let values = json_lines(&lines);
    assert_eq!(values[0]["header"]["params"][0][0], "speed");
    assert!(values.len() > 2);
    assert_eq!(values[1]["call"]["name"], "turns");
    let early = shown(&["--json", "--to", "1 s"]);
    assert!(early.lines().count() < shown(&["--json"]).lines().count());
    let output = at_root(&["head", "trace", path, "--only", "spins"]);
    assert_eq!(output.code, Some(2));
}

#[test]
fn nothing_of_the_machine_or_its_people_is_kept() {
    let folder = Folder::new("nothing-of-this-machine");
    let script = folder.named("deep/inside/own.spt", "param p = 3\nspin(4000 rpm)\n");
    let (trace, record) = (folder.path("run.trace"), folder.path("record"));
    let arguments = [
        "run",
        &script,
        "--trace",
        &trace,
        "--record",
        &record,
        "--operator",
        "night-shift",
        "--archive",
        &folder.path("all.sqlite"),
    ];
    assert_eq!(at_root(&arguments).code, Some(0));
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
    let written_by = concat!("\"spintrue\":\"", env!("CARGO_PKG_VERSION"), "\"");
    let newer = newer.replacen(written_by, "\"spintrue\":\"9.0.0\"", 1);
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
    let (script, mut told) = (repository("scripts/bring_up.spt"), String::new());
    for (name, bytes) in cases {
        folder.file(&format!("{name}.trace"), bytes);
        let head = format!("replay:{name}.trace");
        let output = spintrue(&folder, &["run", &script, "--head", &head]);
        assert_eq!(output.code, Some(2), "{name}: {}", output.out);
        assert!(output.out.is_empty(), "{name}: {}", output.out);
        if name == "flipped" {
            // Where it shows depends on the compressor.
            assert!(
                ["is damaged", "was changed"]
                    .iter()
                    .any(|why| output.error.contains(&format!("error: flipped.trace {why}"))),
                "{}",
                output.error
            );
            continue;
        }
        told.push_str(&output.error);
    }
    for (head, more) in [
        ("replay:absent.trace", vec![]),
        ("replay:.", vec![]),
        ("replay:run.trace", vec!["--seed", "3"]),
        ("replay:run.trace", vec!["--fault", "no_lock"]),
        ("replay:run.trace", vec!["--archive", "all.sqlite"]),
        ("sim", vec!["--trace", "run.trace"]),
    ] {
        let mut arguments = vec!["run", &script, "--head", head];
        arguments.extend(more);
        let output = spintrue(&folder, &arguments);
        assert_eq!(output.code, Some(2), "{arguments:?}: {}", output.out);
        told.push_str(&output.error);
    }
    insta::assert_snapshot!("refused", told);
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
        let mut arguments = vec!["head", "test", address];
        arguments.extend(all);
        let output = at_root(&arguments);
        assert_eq!(output.code, Some(code), "{address}: {}", output.out);
    }
    let trace = folder.path("check.trace");
    let mut arguments = vec!["head", "test", "sim", "--fault", "index_missing", "--trace", &trace];
    arguments.extend(all);
    let output = at_root(&arguments);
    assert_eq!(output.code, Some(1));
    insta::assert_snapshot!("checked", output.out);
    let head = format!("replay:{trace}");
    let mut arguments = vec!["head", "test", &head];
    arguments.extend(all);
    let replayed = at_root(&arguments);
    assert_eq!(rest(&replayed), rest(&output));
    assert!(replayed.error.is_empty(), "{}", replayed.error);
    let silent = at_root(&["head", "test", "sim", "--fault", "link_silent", "--json"]);
    assert_eq!(silent.code, Some(3));
    json_lines(&silent.out);
    let refused = at_root(&["head", "test", "sim", "--allow-light"]);
    assert_eq!(refused.code, Some(2));
}

/// What is cut off replays up to there and says so; `tests/sim/recordings.rs` cuts everywhere.
#[test]
fn a_recording_that_was_cut_off_says_so() {
    let folder = Folder::new("cut");
    let whole = fs::read(bring_up(&folder)).unwrap();
    let half = folder.named("half.trace", &whole[..whole.len() / 2]);
    let ended = at_root(&["run", "scripts/bring_up.spt", "--head", &format!("replay:{half}")]);
    assert_eq!(ended.code, Some(3));
    assert!(ended.error.contains("it was cut off after call"), "{}", ended.error);
    assert!(ended.error.contains("the recording ends there, cut off"), "{}", ended.error);
}

/// A page is told apart from another by its dots, of which a recording keeps the digest alone.
#[test]
fn a_recording_keeps_the_digest_of_a_page() {
    let folder = Folder::new("pages");
    let trace = folder.path("page.trace");
    let ended = at_root(&["run", "scripts/expose_page.spt", "--trace", &trace]);
    assert_eq!(ended.code, Some(0), "{}", ended.error);
    let bytes = fs::read(&trace).unwrap();
    let lines = unpacked(&bytes);
    assert!(lines.contains("\"expose_page\"") && lines.contains("\"sha256\""));
    assert!(bytes.len() < 200_000, "{}", bytes.len());
}
