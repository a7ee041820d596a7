//! Requests to stop while a reply is waited for, and recordings of runs that are killed over the wire.

use crate::wire::bench::{Dice, PATIENCE, Server, program, run, said, signal};
use std::process::Stdio;
use std::thread;
use std::time::{Duration, Instant};

fn told(output: &std::process::Output) -> String {
    said(output).split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Ctrl-C while the head watches turns for half a minute: the wait ends, and the head is safe.
#[test]
fn a_request_to_stop_ends_a_long_call() {
    let server = Server::with(&["--realtime", "--dead-man", "20s"]);
    let script = std::env::temp_dir().join(format!("spintrue-long-{}.spt", std::process::id()));
    std::fs::write(&script, "spin(4800 rpm)\nwait 3 s\nlet seen = turns(3000)\n").unwrap();
    let child = program(&["run", &script.display().to_string(), "--head", &server.address()])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut looking = server.line();
    let from = Instant::now();
    while looking.is_safe() {
        assert!(from.elapsed() < PATIENCE);
    }
    thread::sleep(Duration::from_secs(4));
    signal(&child, "-INT");
    let asked = Instant::now();
    assert!(looking.until_safe() < Duration::from_secs(1));
    let ended = child.wait_with_output().unwrap();
    // It sees the polygon to rest.
    assert!(asked.elapsed() < PATIENCE, "{:?}", asked.elapsed());
    std::fs::remove_file(&script).unwrap();
    assert_eq!(ended.status.code(), Some(130), "{}", said(&ended));
    let told = told(&ended);
    assert!(told.contains("laser off, mirror parked, polygon at rest (measured)"), "{told}");
}

/// What is on disk of a run that was killed plays back up to there, or is refused in words.
#[test]
fn a_recording_of_a_killed_run_is_good_up_to_there() {
    let server = Server::new();
    let mut dice = Dice::new(0xACE);
    let folder = std::env::temp_dir().join(format!("spintrue-killed-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let (mut cut, mut calls) = (0, 0);
    for round in 0..12 {
        let file = folder.join(format!("{round}.trace")).display().to_string();
        let address = server.address();
        let mut child =
            program(&["run", "scripts/bring_up.spt", "--head", &address, "--trace", &file])
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .spawn()
                .unwrap();
        thread::sleep(Duration::from_millis(dice.below(250)));
        signal(&child, "-KILL");
        if child.wait().unwrap().code().is_some() || !std::path::Path::new(&file).exists() {
            continue;
        }
        cut += 1;
        let listed = run(&["head", "trace", &file]);
        let replayed = run(&["run", "scripts/bring_up.spt", "--head", &format!("replay:{file}")]);
        let (listing, replay) = (told(&listed), told(&replayed));
        for (output, words) in [(&listed, &listing), (&replayed, &replay)] {
            assert!(output.status.code().is_some_and(|code| code != 0), "{words}");
            assert!(!words.contains("internal error") && !words.contains("panic"), "{words}");
        }
        if listed.status.code() == Some(1) {
            assert!(listing.contains("cut off"), "{listing}");
            assert!(replay.contains("recording"), "{replay}");
            calls += listing.matches(" spin ").count();
        } else {
            // Killed before the first line was out.
            assert!(listing.contains("error: ") && listing.contains(".trace"), "{listing}");
        }
    }
    std::fs::remove_dir_all(&folder).unwrap();
    assert!(cut > 2 && calls > 0, "{cut} were cut off, {calls} had begun to move");
}
