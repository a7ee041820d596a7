//! Requests to stop while a reply is waited for, recordings of runs that are killed over the wire, and
//! a head that would not be made safe.

use crate::bench::{Dice, PATIENCE, Server, program, run, said, signal};
use spintrue::head::call::{Call, Reply};
use spintrue::head::wire::acceptor::Listener;
use spintrue::head::wire::control::Served;
use spintrue::head::wire::server::serve;
use spintrue::head::{Fault, Link, Rig, SafeState, sim};
use std::net::TcpStream;
use std::process::Stdio;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::channel;
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

/// A head that refuses to be made safe a few times.
struct Stubborn {
    inner: Rig,
    refusals: u32,
    asked: std::sync::mpsc::Sender<Instant>,
}

impl Link for Stubborn {
    fn call(&mut self, call: &Call) -> Result<Reply, Fault> {
        if !matches!(call, Call::MakeSafe { .. }) {
            return self.inner.call(call);
        }
        self.asked.send(Instant::now()).unwrap();
        if self.refusals == 0 {
            return self.inner.call(call);
        }
        self.refusals -= 1;
        Ok(Reply::Safe(SafeState {
            laser_off: false,
            parked: false,
            speed: f64::NAN,
            at_rest: false,
            kept_spinning: false,
            troubles: vec!["it does not answer (invented)".to_string()],
        }))
    }

    fn now(&mut self) -> f64 {
        self.inner.now()
    }
}

/// It is tried again every second, and people are told how that ended.
#[test]
fn a_head_that_would_not_be_made_safe_is_tried_again() {
    let (asked, times) = channel();
    let (place, at) = channel();
    let end = Arc::new(AtomicBool::new(false));
    let ends = Arc::clone(&end);
    let server = thread::spawn(move || {
        let (head, gauge) = sim::open(None, 1).unwrap();
        let inner = Rig::new(Box::new(head), Some(Box::new(gauge)));
        let served = Served {
            link: Box::new(Stubborn { inner, refusals: 3, asked }),
            real_time: false,
            seed: Some(1),
            secret: None,
            limit: Duration::from_secs(1),
            cut: Arc::default(),
        };
        let door = Listener::socket("127.0.0.1:0".parse().unwrap()).unwrap();
        place.send(door.at().unwrap()).unwrap();
        let mut log = Vec::new();
        let mut keep = |line: &str| log.push(line.to_string());
        serve(served, vec![door], &ends, &AtomicBool::new(false), &mut keep).unwrap();
        log
    });
    let place = at.recv().unwrap().trim_start_matches("tcp://").to_string();
    let mut line = crate::bench::Line::new(&place);
    line.say("CONT:TAKE;:ROT:SPE 4800 RPM;:CLOC:SLE 20;:LAS:ARM 0.3");
    assert_eq!(line.ask("LAS:ARM?"), "1");
    drop(line);
    let mut looking = crate::bench::Line::new(&place);
    let left = Instant::now();
    let from = Instant::now();
    while looking.ask("LAS:ARM?") == "1" {
        assert!(from.elapsed() < PATIENCE);
        thread::sleep(Duration::from_millis(20));
    }
    assert!(left.elapsed() < Duration::from_secs(5), "{:?}", left.elapsed());
    end.store(true, Ordering::SeqCst);
    let log = server.join().unwrap();
    assert!(log[0].contains("hung up") && log[0].contains("THE LASER MAY BE ON"), "{log:?}");
    assert!(log[1].starts_with("tried again: made safe: laser off"), "{log:?}");
    let times: Vec<Instant> = times.iter().collect();
    assert_eq!(times.len(), 4, "nobody tries again once it is safe");
    for pair in times[1..].windows(2) {
        let apart = pair[1] - pair[0];
        assert!(apart > Duration::from_millis(900) && apart < Duration::from_secs(2), "{apart:?}");
    }
    drop(TcpStream::connect(&place));
}
