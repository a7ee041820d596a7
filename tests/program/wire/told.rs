//! Answers that no good server gives: what makes no sense is refused at the greeting, and people are
//! told what is wrong in words that help.

use crate::program::recorded;
use crate::support::Folder;
use crate::wire::bench::{PATIENCE, ended, program, run, signal, started};
use crate::wire::fake::{described, description, dying, fake};
use serde_json::{Value, json};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::channel;
use std::thread;
use std::time::{Duration, Instant};

fn told(arguments: &[&str]) -> String {
    run(arguments).words()
}

/// What `head describe` says of a head that answers one header so.
fn describing(header: &'static str, reply: String) -> String {
    let address = fake(move |line| line.starts_with(header).then(|| reply.clone()));
    told(&["head", "describe", &address])
}

#[test]
fn what_is_usual_is_taken() {
    let address = fake(|_| None);
    let ended = run(&["head", "describe", &address]);
    assert_eq!(ended.code, Some(0), "{}", ended.all());
}

#[test]
fn absurd_answers_are_refused_at_the_greeting() {
    for limit in ["0", "0.01", "-5", "9.91E+37", "1E9", "soon", "nan"] {
        let told = describing("CONT:LIM?", limit.to_string());
        let wanted =
            format!("answers CONT:LIM? with `{limit}`, which is no limit of 50 ms to 3600 s");
        assert!(told.contains(&wanted), "{told}");
    }
    for pace in ["FAST", "VIRTU", "1", ""] {
        let told = describing("CLOC:PACE?", format!("{pace};\"none\""));
        let wanted =
            format!("answers CLOC:PACE? with `{pace};\"none\"`, which is neither VIRT nor REAL");
        assert!(told.contains(&wanted), "{told}");
    }
    for edition in ["1", "1.", "1.x", "+1.1", "newest"] {
        let told = describing("SYST:PROT?", edition.to_string());
        let wanted = format!("answers SYST:PROT? with `{edition}`, which is no edition");
        assert!(told.contains(&wanted), "{told}");
    }
    let told = describing("CLOC:TIME?", "noon".to_string());
    assert!(told.contains("answers CLOC:TIME? with `noon`, which is no head time"), "{told}");
    for (header, good) in [
        ("CONT:LIM?", "0.05"),
        ("CONT:LIM?", "3600"),
        ("CLOC:PACE?", "Virtual;\"none\""),
        ("CLOC:PACE?", "real;\"none\""),
        ("SYST:PROT?", "1.99"),
    ] {
        let told = describing(header, good.to_string());
        assert!(!told.contains("error:"), "{header} {good}: {told}");
    }
}

#[test]
fn a_description_that_cannot_be_used_names_the_key() {
    let spoilt = |spoil: &dyn Fn(&mut Value)| {
        let mut value = description();
        spoil(&mut value);
        describing("HEAD:DESC?", described(&value))
    };
    let missing =
        spoilt(&|value| drop(value["times"].as_object_mut().unwrap().remove("reply_most")));
    let typed = spoilt(&|value| value["facets"] = json!("ten"));
    assert!(missing.contains("cannot be used: the key `times.reply_most` is missing"), "{missing}");
    assert!(typed.contains("cannot be used: the key `facets`: invalid type"), "{typed}");
    for told in [missing, typed] {
        assert!(told.contains("`spintrue docs heads` lists the keys"), "{told}");
        assert!(!told.contains("-161") && !told.contains("may have been done"), "{told}");
    }
}

/// What a run says of a head that answers a header so.
fn spinning(header: &'static str, reply: &'static str) -> String {
    let address = fake(move |line| line.starts_with(header).then(|| reply.to_string()));
    told(&["run", "scripts/spin_only.spt", "--head", &address])
}

#[test]
fn refusals_without_words_and_unknown_headers_are_told() {
    for (reply, wanted) in [
        ("\"refused\"", "the head refused without saying why"),
        ("\"out_of_range\",\"polygon speed\"", "polygon speed is out of range; the head does not"),
        ("\"out_of_range\"", "what was asked is out of range"),
        ("\"broken\"", "the head is broken without saying how"),
        (
            "\"error\",-113,\"Undefined header;sp\"",
            "the server of the head does not know how to do this: runs the polygon and holds it there",
        ),
    ] {
        let told = spinning("ROT:SPE", reply);
        assert!(told.contains(wanted), "{reply}: {told}");
        assert!(!told.contains("older"), "{told}");
    }
    // A query that came to nothing did nothing.
    let told = spinning("HEAD:STAT?", "7;\"none\"");
    assert!(told.contains("the reply makes no sense"), "{told}");
    assert!(!told.contains("may have been done"), "{told}");
}

#[test]
fn what_answers_is_shown_plain_and_short() {
    let identity = format!("\u{1b}[2Jnoise{}", "x".repeat(500));
    let told = describing("*IDN?", identity);
    assert!(told.contains("is no instrument: `\\u{1b}[2Jnoisexxx"), "{told}");
    assert!(!told.contains('\u{1b}') && told.contains("x…`") && told.len() < 300, "{told}");
    let told = describing("*IDN?", "-310,\"\u{7}full\"".to_string());
    assert!(told.contains("refuses: -310,\"\\u{7}full\""), "{told}");
}

/// What a head says stands as escapes wherever people read it, and as it was where machines do.
#[test]
fn what_a_head_says_steers_no_terminal_and_reorders_no_page() {
    let evil = "a\u{1b}[31mb\u{7}c\u{9b}2Jd\u{202e}e\u{2066}f\u{200b}g\u{2028}h\u{fffe}i";
    let shown = "a\\u{1b}[31mb\\u{7}c\\u{9b}2Jd\\u{202e}e\\u{2066}f\\u{200b}g\\u{2028}h\\u{fffe}i";
    let mut value = description();
    (value["model"], value["serial"]) = (json!(format!("{evil}\nPASSED")), json!(evil));
    let reply = described(&value);
    let address = fake(move |line| match line.split(['?', ' ']).next() {
        Some("HEAD:DESC") => Some(reply.clone()),
        Some("ROT:SPE") => Some(format!("\"refused\",\"{evil}\"")),
        _ => None,
    });
    let folder = Folder::new("evil");
    let at = |name: &str| folder.path(name);
    folder.file("s.spt", "spin(4800 rpm)\n");
    let run_it = ["run", &at("s.spt"), "--head", &address];
    let kept = ["--record", &at("kept"), "--trace", &at("run.trace"), "--archive", &at("a.sqlite")];
    let ran = run(&[&run_it[..], &kept].concat());
    assert_eq!(ran.code, Some(3), "{}", ran.all());
    let trace = ["head", "trace", &at("run.trace")];
    let replay = format!("replay:{}", at("run.trace"));
    let seen = [
        ran.all(),
        run(&["head", "describe", &address]).all(),
        run(&trace).all(),
        run(&["run", &at("s.spt"), "--head", &replay]).all(),
        run(&["record", "show", &at("kept")]).all(),
        run(&["history", &at("a.sqlite")]).all(),
        std::fs::read_to_string(at("kept/report.html")).unwrap(),
        std::fs::read_to_string(at("kept/junit.xml")).unwrap(),
        std::fs::read_to_string(at("kept/results.tap")).unwrap(),
    ];
    for (number, text) in seen.iter().enumerate() {
        let odd = |c: char| evil.contains(c) && !c.is_ascii_graphic();
        let hidden = |c: char| odd(c) || c.is_control() && !matches!(c, '\n' | '\t');
        assert!(!text.contains(hidden), "{number}: {}", text.escape_debug());
        // A line break in the source of a page is a blank to readers.
        let faked = text.lines().any(|line| line.starts_with("PASSED"));
        assert!(!faked || number >= 6, "{number}: {text}");
        // What is too long for a column of a list is cut.
        let whole = text.replace("\\\\", "\\").contains(shown);
        assert!(whole || number == 5, "{number}: {text}");
    }
    let exact = [
        run(&[&run_it[..], &["--json"]].concat()).all(),
        run(&[&trace[..], &["--json"]].concat()).all(),
        std::fs::read_to_string(at("kept/record.json")).unwrap(),
        recorded(at("kept/events.jsonl")),
    ];
    let wanted = json!(evil).to_string();
    for text in exact {
        assert!(text.contains(&wanted), "{}", text.escape_debug());
    }
}

/// A silence is told in a time that people read.
#[test]
fn times_are_told_without_noise() {
    let mut value = description();
    value["times"]["silence_most"] = json!(1.1);
    value["times"]["reply_most"] = json!(0.2);
    let reply = described(&value);
    let address = fake(move |line| match line.split(['?', ' ']).next() {
        Some("HEAD:DESC") => Some(reply.clone()),
        Some("ROT:SPE") => Some(String::new()),
        _ => None,
    });
    let told = told(&["run", "scripts/spin_only.spt", "--head", &address]);
    assert!(told.contains("no reply came within 1.3 s"), "{told}");
}

/// Ctrl-C and a request to end reach a call that is never answered, laser armed, whatever silence the
/// description claims to bear.
#[test]
#[cfg(unix)]
fn a_request_to_stop_ends_a_call_that_is_never_answered() {
    let folder = Folder::new("wire");
    let text = "spin(4800 rpm)\nwait until locked() within 30 s\n\
                let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)\n\
                arm at 35 % {\n    record \"line\": test_line(0, plan)\n}\n";
    let script = folder.named("script.spt", text);
    for name in ["INT", "TERM"] {
        let mut value = description();
        for time in ["silence_most", "gauge_silence_most", "reply_most", "arming_most"] {
            value["times"][time] = json!(1e6);
        }
        let reply = described(&value);
        let (heard, events) = channel();
        let armed = AtomicBool::new(false);
        let address = fake(move |line| {
            let header = line.split([';', ' ']).next().unwrap();
            match header {
                "LAS:ARM" | "LAS:DIS" => armed.store(header == "LAS:ARM", Ordering::SeqCst),
                "LINE:EXP?" | "SAFE?" => {
                    heard.send((header == "SAFE?", Instant::now())).unwrap();
                }
                _ => {}
            }
            let laser = u8::from(armed.load(Ordering::SeqCst));
            match header {
                "HEAD:DESC?" => Some(reply.clone()),
                "LINE:EXP?" => Some(String::new()),
                "HEAD:STAT?" => {
                    Some(format!("1,502.6548,502.6548,1,0,1,{laser},0,0,1,295,5,24,12;\"none\""))
                }
                _ => None,
            }
        });
        let child = started(program(&["run", &script, "--head", &address]));
        if !matches!(events.recv_timeout(PATIENCE), Ok((false, _))) {
            panic!("no line was asked for: {}", ended(child).all());
        }
        thread::sleep(Duration::from_millis(300));
        signal(&child, name);
        let asked = Instant::now();
        let safe = events.recv_timeout(PATIENCE).unwrap().1 - asked;
        let ended = ended(child);
        let took = asked.elapsed();
        let told = ended.all();
        assert!(safe < Duration::from_millis(900), "{name} {safe:?}: {told}");
        assert!(took < Duration::from_millis(1500), "{name} {took:?}: {told}");
        assert_eq!(ended.code, Some(130), "{told}");
    }
}

/// Where the server died, no message claims that it makes anything safe.
#[test]
fn a_server_that_died_makes_nothing_safe() {
    let address = dying("ROT:SPE");
    let told = told(&["run", "scripts/spin_only.spt", "--head", &address]);
    assert!(told.contains("no server answers there"), "{told}");
    assert!(told.contains("only a watchdog or an interlock of its own"), "{told}");
    assert!(!told.contains("its server makes it safe"), "{told}");
}
