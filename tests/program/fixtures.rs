//! `--fixture` from outside: what is fitted to which head, what is refused and why, and runs with a
//! device that is not there. `tests/extra/modbus.sh` tries a real one.

use crate::support::Folder;
use std::net::TcpListener;
use std::process::Command;

const STATION: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/scripts/fixtures/station.toml");

/// What is printed, in one line, and the exit code.
#[track_caller]
fn says(arguments: &[&str], code: i32, words: &[&str]) {
    let output = Command::new(env!("CARGO_BIN_EXE_spintrue")).args(arguments).output().unwrap();
    let both = [output.stderr, output.stdout].concat();
    let text = String::from_utf8(both).unwrap();
    let line = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert_eq!(output.status.code(), Some(code), "{text}");
    for word in words {
        assert!(line.contains(word), "`{word}` is not in:\n{text}");
    }
}

/// The shipped station, at a place on this machine where nobody listens.
fn absent(folder: &Folder) -> String {
    let free = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let text = std::fs::read_to_string(STATION).unwrap();
    let text = text.replace("192.0.2.10:502", &free.to_string());
    folder.file("station.toml", text).display().to_string()
}

#[test]
fn names_are_known_without_a_device() {
    let folder = Folder::new("fixture-names");
    let station = absent(&folder);
    let words = ["vacuum", "answer of a signal or a channel 550 ms", "clamp output"];
    says(&["head", "describe", "sim", "--fixture", &station], 0, &words);
    let good = folder.file("good.spt", "switch_on(\"clamp\")\n");
    let good = good.display().to_string();
    says(&["check", &good, "--fixture", &station], 0, &["no problems", "switches"]);
    // No head is named, so none lacks it; one that is named does.
    says(&["check", &good], 0, &["needs a head with clamp: `--head` names it"]);
    says(&["check", &good, "--head", "sim"], 2, &["[E0908]", "clamp"]);
    says(&["run", &good], 2, &["[E0908]", "clamp"]);
    let bad = folder.file("bad.spt", "switch_on(\"vacuum\")\n").display().to_string();
    says(&["check", &bad, "--fixture", &station], 2, &["vacuum"]);
}

#[test]
fn where_no_fixture_can_be() {
    let folder = Folder::new("fixture-refused");
    let script = folder.file("empty.spt", "\n").display().to_string();
    says(&["simulate", &script, "--fixture", STATION], 2, &["a fixture is one real device"]);
    let trace = folder.path("run.trace");
    says(&["run", &script, "--trace", &trace], 0, &["PASSED"]);
    let replay = format!("replay:{trace}");
    says(&["run", &script, "--head", &replay, "--fixture", STATION], 2, &["leave `--fixture"]);
    let own = concat!("sim:", env!("CARGO_MANIFEST_DIR"), "/scripts/heads/ten_with_station.toml");
    says(&["run", &script, "--head", own, "--fixture", STATION], 2, &["would be there twice"]);
    let head = folder.file("head.toml", "[head]\nmodel = \"x\"\n").display().to_string();
    says(&["run", &script, "--fixture", &head], 2, &["no table `head`", "no table `[modbus]`"]);
    says(&["run", &script, "--fixture", "absent.toml"], 2, &["there is no file absent.toml"]);
}

#[test]
fn a_device_that_is_not_there_is_told_and_the_head_is_safe() {
    let folder = Folder::new("fixture-absent");
    let station = absent(&folder);
    let script = folder.file("door.spt", "expect \"door\": not signal(\"door_open\")\n");
    let script = script.display().to_string();
    let record = folder.path("record");
    let words = [
        "passes as on a bench",
        "failed at reading `door_open` (discrete input 3): it refuses the connection",
        "the output `lamp` could not be switched off",
        "the channel `pump` could not be set to 0 kPa",
        "laser off, mirror parked, polygon at rest (measured)",
    ];
    says(&["run", &script, "--fixture", &station, "--record", &record], 3, &words);
    let events = std::fs::read_to_string(folder.0.join("record/events.jsonl")).unwrap();
    assert!(events.contains("door_open"), "the record has the call");
}

/// A device that takes connections and says nothing keeps nobody for longer than is stated beforehand.
#[test]
fn a_silent_device_is_given_up_within_the_bound() {
    let folder = Folder::new("fixture-silent");
    let silent = TcpListener::bind("127.0.0.1:0").unwrap();
    let text = std::fs::read_to_string(STATION).unwrap();
    let text = text.replace("192.0.2.10:502", &silent.local_addr().unwrap().to_string());
    let station = folder.file("station.toml", text.replace("500 ms", "200 ms"));
    let script = folder.file("clamp.spt", "switch_on(\"clamp\")\n").display().to_string();
    let station = station.display().to_string();
    let output = Command::new(env!("CARGO_BIN_EXE_spintrue"))
        .args(["run", &script, "--fixture", &station, "--json"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3));
    let lines = String::from_utf8(output.stdout).unwrap();
    let end: serde_json::Value = serde_json::from_str(lines.lines().last().unwrap()).unwrap();
    let time =
        |key: &str| end.get(key).and_then(|time| time.get("value")).unwrap().as_f64().unwrap();
    let (most, took) = (time("at_most"), time("took"));
    // One write, and both outputs that have a safe state, twice each.
    assert!(took > 0.9 && took < most, "{took} s, at most {most} s\n{lines}");
    assert!(lines.contains("no reply came within 0.2 s; whether it was carried out is not known"));
}
