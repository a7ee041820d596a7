//! The longest time of a script: worked out by hand for small scripts, and never exceeded by
//! generated scripts on generated heads.

use crate::generate::{Generator, Moody, Stripes, stripes};
use crate::inside::{Events, Sources};
use spintrue_head::{Clock, ClockKind, Description, Detector, Register, Rig, StartOfScan, Times};
use spintrue_language::{
    BoundFor, Prepared, Station, TimeBound, finish_most, prepare, run_program,
};
use spintrue_sim::open;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// A head whose times are easy to reckon with.
fn round() -> Description {
    let register = Register { step: 1e-9, range: 1e-6 };
    Description {
        model: "round".to_string(),
        serial: "0".to_string(),
        simulated: true,
        facets: 8,
        // One turn a second, and a hundred.
        speed_least: core::f64::consts::TAU,
        speed_most: 100.0 * core::f64::consts::TAU,
        lock_window: 0.0,
        lock_turns: 8,
        spin_up_most: 10.0,
        coast_most: 60.0,
        focal_length: 0.3,
        line_most: 0.3,
        active_most: 0.6,
        clock: Clock { master: 1e8, kind: ClockKind::Accumulator { bits: 32 } },
        dot_least: 0.0,
        word_service: 1e-6,
        queue_words: 64,
        in_scan_trim: register,
        cross_scan_trim: register,
        power_trim: None,
        length_trim: None,
        linearity: None,
        map_marks: 0,
        galvanometer_range: 0.1,
        galvanometer_settling: 0.0,
        rails: Vec::new(),
        start_of_scan: StartOfScan::EveryFacet,
        detector: Detector::default(),
        laser_power: 1e-3,
        times: Times {
            reply_most: 0.0,
            silence_most: 0.0,
            pulse_silence_most: 2.0,
            arming_most: 0.5,
            fill_most: 0.1,
            waiting_turns_most: 5,
            reading_most: 0.2,
            gauge_silence_most: 0.0,
            brake_most: 4.0,
            station_most: 0.0,
            sheet_most: 0.0,
        },
        signals: Vec::new(),
        channels: Vec::new(),
    }
}

fn prepared(text: &str, settings: &[&str]) -> Prepared {
    let settings: Vec<String> = settings.iter().map(|s| s.to_string()).collect();
    let prepared =
        prepare(&mut Sources::with_image(text, stripes()), "script.spt", &settings).unwrap();
    assert_eq!(prepared.errors(), 0, "{:?}\n{text}", prepared.diagnostics);
    prepared
}

fn bound_with(text: &str, settings: &[&str]) -> TimeBound {
    prepared(text, settings).bound(&round()).unwrap()
}

/// Time of a script without the making safe at its end.
#[track_caller]
fn takes(text: &str, seconds: f64) {
    let bound = bound_with(text, &[]);
    let most = bound.most.unwrap_or_else(|| panic!("{:?}\n{text}", bound.unknown));
    let own = most / (1.0 + 1e-9) - finish_most(&round(), false);
    assert!((own - seconds).abs() < 1e-5, "{own} instead of {seconds}\n{text}");
}

/// BoundFor is not known, in the script's words.
#[track_caller]
fn unknown(text: &str, what: BoundFor, at: &str, from: Option<&str>) {
    let prepared = prepared(text, &[]);
    let bound = prepared.bound(&round()).unwrap();
    assert_eq!(bound.most, None, "{text}");
    let unknown = &bound.unknown[0];
    assert_eq!(unknown.what, what);
    let here = prepared.sources.slice(unknown.span);
    assert!(here.starts_with(at), "`{here}`");
    assert_eq!(unknown.from.map(|span| prepared.sources.slice(span)), from);
}

#[test]
fn waits_and_branches() {
    takes("note \"nothing\"\n", 0.0);
    takes("wait 2 s\nwait 500 ms\n", 2.5);
    takes("wait until locked() within 20 s\n", 20.0);
    takes("wait until locked() within 20 s else { wait 3 s }\n", 23.0);
    takes("wait until locked() within 20 s else { wait 3 s\n fail \"no\" }\n", 23.0);
    takes("if locked() { wait 2 s } else { wait 5 s }\n", 5.0);
    takes("if 1 < 2 { wait 2 s } else { wait 5 s }\n", 2.0);
    takes("if locked() { wait 9 s\n fail \"no\" }\nwait 4 s\n", 13.0);
}

/// A look takes as long as its conditions. It is counted when the block begins and ends, twice for each wait,
/// and once for each period that calls take.
#[test]
fn looks_while_conditions_hold() {
    let mut head = round();
    head.times.reply_most = 1.0;
    let own = |text: &str| {
        let most = prepared(text, &[]).bound(&head).unwrap().most.unwrap();
        most / (1.0 + 1e-9) - finish_most(&head, false)
    };
    let takes = |text: &str, seconds: f64| {
        assert!((own(text) - seconds).abs() < 1e-5, "{} instead of {seconds}\n{text}", own(text));
    };
    takes("hold locked() { note \"x\" }\n", 2.0);
    takes("hold locked(), interlock_closed() { note \"x\" }\n", 4.0);
    takes("hold locked() every 2 s { wait 100 s }\n", 100.0 + 4.0);
    takes("hold locked() every 2 s { repeat 3 times { wait 10 s } }\n", 30.0 + 8.0);
    // A call that takes 1 s is half a period.
    takes("hold locked() every 2 s { repeat 10 times { note \"{now()}\" } }\n", 10.0 + 5.0 + 2.0);
    // Looking at one block counts for no other: 2 of the inner one, 2 for its wait, and as many of the outer one.
    takes("hold locked() { hold interlock_closed() { wait 5 s } }\n", 5.0 + 4.0 + 4.0);
    // The same routine inside and outside.
    takes("routine r() { wait 5 s }\nr()\nhold locked() { r() }\nr()\n", 15.0 + 4.0);
    takes("hold locked() { wait 5 s\n fail \"x\" }\n", 5.0 + 4.0);
}

#[test]
fn questions() {
    takes("ask \"ready\": flag\n", 600.0);
    takes("ask \"ready\" within 20 s: flag\n", 20.0);
    takes("let go = ask \"go\" within 20 s: flag\nif go { wait 2 s } else { wait 5 s }\n", 25.0);
    takes("let t = ask \"t\" within 1 s: time within 1 s .. 3 s\nwait t\n", 4.0);
    takes("let n = ask \"n\" within 1 s: number within 0 .. 3\nrepeat n times { wait 2 s }\n", 7.0);
    takes(
        "var n = 9\nn = ask \"n\" within 1 s: number within 0 .. 3\nrepeat n times { wait 2 s }\n",
        7.0,
    );
    takes("try { ask \"ready\" within 20 s: flag } catch problem { wait 3 s }\n", 23.0);
    takes("repeat 3 times { ask \"ready\" within 20 s: flag }\n", 60.0);
    // Without a limit it can be anything.
    let endless = "let t = ask \"t\": time\nwait t\n";
    unknown(endless, BoundFor::Wait, "wait t", Some("ask"));
}

#[test]
fn loops() {
    takes("repeat 3 times { wait 2 s }\n", 6.0);
    takes("repeat at most 3 times { wait 2 s } until locked()\n", 6.0);
    takes("repeat at most 3 times { wait 2 s } until locked() else { wait 1 s }\n", 7.0);
    takes("while not locked() at most 4 times { wait 1 s }\n", 4.0);
    takes("for i in 0..4 { wait i * 1 s }\n", 6.0);
    takes("for t in [1 s, 2 s, 4 s] { wait t }\n", 7.0);
    takes("for r in [{t: 1 s, n: 7}, {t: 2 s, n: 9}] { wait r.t }\n", 3.0);
    takes("var t = 1 s\nrepeat 4 times { wait t\n t = 2 * t }\n", 15.0);
    takes("var t = 1 s\nfor i in 0..4 { if i == 2 { break }\n wait t }\n", 2.0);
    takes("for k in facets() { wait 1 s }\n", 8.0);
    // A list that is worked out is known by its largest element.
    takes("for k in [x * 1 s for x in 0..3] { wait k }\n", 6.0);
    takes("param n = 3\nvar t = 1 s\nrepeat n times { t = t * 2 }\nwait t\n", 8.0);
    takes("for i in 0..3 { for j in 0..i { wait 1 s } }\n", 3.0);
    // Nothing takes time here, so it does not matter how often.
    takes("for t in turns(1) { note \"{t.period}\" }\n", 4.0);
}

#[test]
fn calls_and_failures() {
    takes("routine r(t: time) {\n wait t\n}\nr(2 s)\nr(3 s)\n", 5.0);
    takes("routine r(n: number) -> time {\n wait 1 s\n return n * 2 s\n}\nwait r(3)\n", 7.0);
    takes("try { wait 1 s } catch p { wait 2 s\n note p.kind } finally { wait 4 s }\n", 7.0);
    takes("try { wait 1 s\n fail \"x\" } catch p { wait 2 s\n note p.kind }\nwait 8 s\n", 11.0);
    takes("spin(10 rev/s)\nlet t = turns(10)\nnote \"{count(t)}\"\n", 10.0 + 1.1);
    // A silence between two pulses ends it before the polygon could be up to speed.
    takes("spin(10 rev/s)\nlet t = turns(3)\nnote \"{count(t)}\"\n", 8.0);
}

#[test]
fn the_end() {
    let end = |script: &str| bound_with(script, &[]).most.unwrap();
    assert!((end("note \"x\"\n") - (4.0 + 0.05)).abs() < 1e-6);
    // Kept only where it is held at a speed: one that coasts runs out.
    assert!((end("spin(10 rev/s)\ncoast()\nkeep_spinning()\n") - (60.0 + 0.05)).abs() < 1e-6);
}

/// Four lines a reading, and three more readings, at 10 turns a second: queue, five turns and the line, and the gauge; the
/// arming delay once; and a silence of pulses where it fails.
#[test]
fn test_lines() {
    let script = "spin(10 rev/s)
wait until locked() within 20 s
let plan = plan_line(10 rev/s, length: 100 mm, resolution: 100 dpi)
arm at 35 % {
    let seen = [test_line(k, plan, readings: 2) for k in facets()]
    note \"{worst(seen).in_scan}\"
}
";
    takes(script, 20.0 + 0.5 + 8.0 * 5.0 * 4.0 * (0.1 + 0.6 + 0.2) + 2.0);
    let two = script.replace("for k in facets()]", "for k in [0, 1]]");
    takes(&two, 20.0 + 0.5 + 2.0 * 5.0 * 4.0 * 0.9 + 2.0);
    // Single readings are never taken again for a wild mark; all facets in one call take as long.
    let all =
        script.replace("[test_line(k, plan, readings: 2) for k in facets()]", "test_lines(plan)");
    takes(&all, 20.0 + 0.5 + 8.0 * 4.0 * 0.9 + 2.0);
}

/// A look before and one behind the arming, a last one before the disarming, and the arming delay; each
/// call inside is followed by a look.
#[test]
fn looks_under_light() {
    let mut head = round();
    head.times.reply_most = 1.0;
    let own = |text: &str| {
        let most = prepared(text, &[]).bound(&head).unwrap().most.unwrap();
        most / (1.0 + 1e-9) - finish_most(&head, false)
    };
    let armed = |body: &str| own(&format!("arm at 35 % {{ {body} }}\n"));
    assert!((armed("") - 5.5).abs() < 1e-5, "{}", armed(""));
    assert!((armed("steer(1 mrad)") - 7.5).abs() < 1e-5, "{}", armed("steer(1 mrad)"));
}

#[test]
fn what_is_measured_can_be_limited() {
    let measured = "let t = turns(1)[0].period\n";
    takes(&format!("{measured}wait smaller(t, 3 s)\n"), 7.0);
    takes(&format!("{measured}wait smaller(larger(2 * t, 1 s), 3 s)\n"), 7.0);
    takes(&format!("{measured}repeat smaller(ceiling(t / 1 s), 3) times {{ wait 1 s }}\n"), 7.0);
}

#[test]
fn what_is_not_known_is_said() {
    let measured = "let t = turns(1)[0].period\nwait t\n";
    unknown(measured, BoundFor::Wait, "wait t", Some("turns(1)"));
    let counted = "let n = counted_facets()\nrepeat n times { wait 1 s }\n";
    unknown(counted, BoundFor::Loop, "n", Some("counted_facets()"));
    let grown = "var xs = [1]\nwhile not locked() at most 100 times { xs = xs + xs }\n\
                 for x in xs { wait 1 s }\n";
    unknown(grown, BoundFor::Loop, "for x in xs", None);
}

#[test]
fn params_are_told_apart() {
    let script = "param rounds = 4\nparam watch = 5 s\nlet twice = 2 * watch\n\
                  routine r(t: time) {\n    wait t + 1 s\n}\n\
                  repeat at most rounds times { r(watch) } until locked()\nwait twice\nwait 7 s\n";
    let formula = bound_with(script, &[]).formula.unwrap();
    let mut terms: Vec<(Vec<usize>, f64)> =
        formula.terms.into_iter().map(|t| (t.params, (t.factor * 1e4).round() / 1e4)).collect();
    terms.sort_by(|a, b| a.0.cmp(&b.0));
    let safe = finish_most(&round(), false);
    assert_eq!(terms, [(vec![], 7.0 + safe), (vec![0], 1.0), (vec![0, 1], 1.0), (vec![1], 2.0)]);
    assert_eq!(formula.held, [] as [usize; 0]);
    // The formula and the bound agree for other values.
    for (rounds, watch) in [(0.0, 1.0), (9.0, 2.0)] {
        let settings = [format!("rounds={rounds}"), format!("watch={watch}s")];
        let settings: Vec<&str> = settings.iter().map(String::as_str).collect();
        let most = bound_with(script, &settings).most.unwrap();
        let by_formula = 7.0 + safe + rounds + rounds * watch + 2.0 * watch;
        assert!((most - by_formula).abs() < 1e-4, "{most} {by_formula}");
    }
    // A param that decides the way is held.
    let script = "param rounds = 4\nparam watch = 5 s\nif rounds > 3 { wait watch }\n";
    let formula = bound_with(script, &[]).formula.unwrap();
    assert_eq!(formula.held, [0]);
}

#[test]
fn what_adds_most_comes_first() {
    let script = "routine r() {\n    wait 4 s\n}\nwait 20 s\nr()\nr()\nr()\nwait 2 s\n";
    let prepared = prepared(script, &[]);
    let bound = prepared.bound(&round()).unwrap();
    let named: Vec<(&str, Option<&str>, f64)> = bound
        .contributions
        .iter()
        .filter_map(|c| {
            let call = c.call.map(|call| prepared.sources.slice(call));
            Some((prepared.sources.slice(c.span?), call, c.seconds.round()))
        })
        .collect();
    assert_eq!(
        named,
        [("wait 20 s", None, 20.0), ("wait 4 s", Some("r()"), 12.0), ("wait 2 s", None, 2.0)]
    );
}

/// Deep and wide scripts are walked in little time.
#[test]
fn large_scripts_are_no_trouble() {
    let mut script = String::from("routine r0(n: number) {\n    wait n * 1 s\n}\n");
    for i in 1..40 {
        let before = i - 1;
        script.push_str(&format!(
            "routine r{i}(n: number) {{\n    r{before}(n)\n    r{before}(n + 1)\n}}\n"
        ));
    }
    let armed = format!("{script}repeat 2 times {{ arm at 10 % {{ r39(1) }} }}\n");
    prepared(&armed, &[]);
    script.push_str("r39(1)\n");
    let bound = bound_with(&script, &[]);
    assert!(bound.most.is_none_or(|most| most > 1e12), "{:?}", bound.most);
    let mut chain = String::from("routine r0() {\n    wait 1 s\n}\n");
    for i in 1..2000 {
        chain.push_str(&format!("routine r{i}() {{\n    r{}()\n}}\n", i - 1));
    }
    chain.push_str("r1999()\n");
    let prepared = prepare(&mut Sources::of(&chain), "script.spt", &[]).unwrap();
    let bound = prepared.bound(&round()).unwrap();
    assert_eq!(bound.most, None);
    let nested =
        "for a in 0..9 { ".repeat(20) + "var t = 1 s\nwait t\nt = t * 2" + &" }".repeat(20);
    let most = bound_with(&format!("{nested}\n"), &[]).most.unwrap();
    assert!(most > 9_f64.powi(20) && most < 9_f64.powi(20) * 1.1, "{most}");
}

/// BoundFor a generated script took on a generated head, and what it was allowed.
struct Ran {
    script: f64,
    script_most: Option<f64>,
    safe: f64,
    safe_most: f64,
    told: String,
}

/// Runs what was generated from a seed.
fn tried(seed: u64) -> Option<Ran> {
    let mut generator = Generator::new(seed);
    let toml = generator.head();
    ran(&toml, &generator.script(), seed)
}

/// The same as `session::run` does, with the clock read between script and making safe.
fn ran(toml: &str, script: &str, seed: u64) -> Option<Ran> {
    let prepared = prepare(&mut Sources::with_image(script, stripes()), "script.spt", &[]).unwrap();
    let errors = prepared.diagnostics.iter().filter(|d| d.is_error());
    let codes: Vec<&str> = errors.map(|d| d.code).collect();
    // A routine that changes the speed may have been called under light, or one that asks while conditions hold.
    let by_chance = codes.iter().all(|code| ["E0719", "E0722"].contains(code));
    assert!(by_chance, "seed {seed}: {:?}\n{script}", prepared.diagnostics);
    if !codes.is_empty() {
        return None;
    }
    // Some descriptions are refused, since their polygon never locks.
    let (head, gauge) = open(Some(("head.toml", toml)), seed).ok()?;
    let stop = Arc::new(AtomicBool::new(false));
    // Nothing is run where the link is silent from the start.
    let mut station =
        Station::open(Box::new(Rig::new(Box::new(head), Some(Box::new(gauge)))), stop).ok()?;
    station.set_images(Box::new(Stripes));
    station.set_operator(Box::new(Moody::default()));
    let bound = prepared.bound(station.description()).unwrap();
    let safe_most = finish_most(station.description(), script.contains("keep_spinning()"));
    let program = prepared.program.as_ref().unwrap();
    let started = station.now();
    let sources = prepared.sources.clone();
    let place = Rc::new(move |span| sources.place(span));
    let failure = run_program(program, &mut station, &mut Events::default(), place).err();
    let ended = station.now();
    station.finish(failure.is_none());
    let why = bound.unknown.first().map(|u| (u.what, prepared.sources.slice(u.span)));
    let told = format!("{why:?} seed {seed}\n{toml}\n{script}\n{failure:?}");
    Some(Ran {
        script: ended - started,
        script_most: bound.most.map(|most| most - safe_most),
        safe: station.now() - ended,
        safe_most,
        told,
    })
}

fn never_exceeded(seeds: std::ops::Range<u64>) {
    let (mut ran, mut bounded, mut close) = (0, 0, 0);
    let all = seeds.end - seeds.start;
    for seed in seeds {
        let Some(Ran { script, script_most, safe, safe_most, told }) = tried(seed) else {
            continue;
        };
        ran += 1;
        assert!(safe <= safe_most, "safe after {safe} s, at most {safe_most} s\n{told}");
        let Some(most) = script_most else {
            if std::env::var_os("BOUNDS_TELL").is_some() {
                println!("{:?}", told.lines().next());
            }
            continue;
        };
        bounded += 1;
        close += u64::from(script > 0.5 * most);
        if std::env::var_os("BOUNDS_TELL").is_some() {
            println!("seed {seed}: {script:.3} s of {most:.3} s");
        }
        assert!(script <= most, "took {script} s, at most {most} s\n{told}");
    }
    // The scripts do run, nearly all have a bound, and many come near it.
    println!("{all} seeds: {ran} ran, {bounded} with a bound, {close} took more than half of it");
    assert!(ran * 10 > all * 7, "{ran} of {all} ran");
    assert!(bounded * 10 > ran * 8, "{bounded} of {ran} have a bound");
    assert!(close * 8 > bounded, "{close} of {bounded} took more than half of it");
}

/// Scripts that take the long way on a head that makes it long, so that whatever is left out of
/// the bound shows.
#[test]
fn the_long_way_is_counted() {
    const NOT: &str = "not interlock_closed()";
    let again = |times: u32, what: &str| {
        format!("repeat {times} times {{ try {{ {what} }} catch _p {{ note _p.kind }} }}\n")
    };
    let line = "let plan = plan_line(5000 rpm, length: 40 mm, resolution: 300 dpi)\n\
                spin(5000 rpm)\nwait 15 s\n";
    let light = |what: &str| format!("{line}{}", again(20, &format!("arm at 35 % {{ {what} }}")));
    let one = "let _s = test_line(0, plan)";
    let lost = "[gauge]\nlost = \"100 %\"\ntime = \"6 s\"\n";
    let slow = "[rotor]\nspeed_least = \"300 rpm\"\n[lock]\nwindow = \"1 %\"\nturns = 4\n";
    let fault = |kind: &str| format!("[[fault]]\nkind = \"{kind}\"\nat = \"14 s\"\n");
    let cases = [
        // Every reading is lost and taken again.
        (lost.to_string(), light(one)),
        // Each exposure waits for light anew.
        ("[laser]\narming_delay = \"40 s\"\n".to_string(), light(one)),
        // No index: the polygon might rest.
        (
            format!("[start_of_scan]\nrest_after = \"9 s\"\n{}", fault("index_missing")),
            light(one),
        ),
        // The head is silent for each of many calls.
        (fault("link_silent"), format!("wait 15 s\n{}", again(200, "note \"{measured_speed()}\""))),
        (fault("link_silent"), format!("wait 15 s\n{}", again(200, "load(no_trims())"))),
        (fault("gauge_dead"), light(one)),
        // BoundFor a variable is after one of several ways.
        (String::new(), format!("if {NOT} {{ wait 1 s }} else {{ wait 50 s }}\n")),
        (
            String::new(),
            format!("var t = 1 s\nif {NOT} {{ note \"no\" }} else {{ t = 50 s }}\nwait t\n"),
        ),
        (
            String::new(),
            "var t = 1 s\nfor i in 0..5 {\n t = 50 s\n if interlock_closed() { break }\n \
             t = 1 s\n wait i * 1 ms\n}\nwait t\n"
                .to_string(),
        ),
        (
            String::new(),
            "var t = 1 s\nfor i in 0..5 {\n t = 50 s\n if interlock_closed() { continue }\n \
             t = 1 s\n wait i * 1 ms\n}\nwait t\n"
                .to_string(),
        ),
        (
            String::new(),
            "var t = 1 s\ntry {\n t = 50 s\n if interlock_closed() { fail \"x\" }\n t = 1 s\n} \
             catch _p { wait t }\n"
                .to_string(),
        ),
        (
            String::new(),
            "var t = 1 s\ntry {\n t = 50 s\n if interlock_closed() { fail \"x\" }\n t = 1 s\n} \
             finally { wait t }\n"
                .to_string(),
        ),
        (
            String::new(),
            "routine r() -> time {\n for i in 0..3 {\n  if interlock_closed() { return 50 s }\n  \
             wait i * 1 ms\n }\n return 1 s\n}\nwait r()\n"
                .to_string(),
        ),
        // Looks that take their time, each right behind a wait.
        (
            slow.to_string(),
            "spin(300 rpm)\nwait 15 s\nroutine turning() -> flag may reads { return count(turns(20)) == 20 }\n\
             hold turning() every 10 ms { wait 60 s }\n"
                .to_string(),
        ),
        // How fast the polygon turns after one of several ways.
        (
            slow.to_string(),
            format!(
                "if {NOT} {{ spin(5000 rpm) }} else {{ spin(300 rpm) }}\nwait 15 s\n\
                 let _t = turns(900)\n"
            ),
        ),
        (
            slow.to_string(),
            "spin(5000 rpm)\ntry {\n spin(300 rpm)\n if interlock_closed() { fail \"x\" }\n \
             spin(5000 rpm)\n} catch _p { note _p.kind }\nwait 15 s\nlet _t = turns(900)\n"
                .to_string(),
        ),
        (
            slow.to_string(),
            "routine r() {\n spin(300 rpm)\n}\nspin(5000 rpm)\nr()\nwait 15 s\nlet _t = turns(900)\n"
                .to_string(),
        ),
    ];
    for (toml, script) in &cases {
        let Ran { script: took, script_most, told, .. } = ran(toml, script, 1).unwrap();
        let most = script_most.unwrap_or_else(|| panic!("{told}"));
        assert!(took <= most, "took {took} s, at most {most} s\n{told}");
        // A case that comes nowhere near would show nothing.
        assert!(took > 0.3 * most, "took only {took} s of {most} s\n{told}");
    }
    // A polygon that was to be kept spinning and coasts is not braked.
    let keep = "spin(5000 rpm)\nwait 15 s\ncoast()\nkeep_spinning()\n";
    let Ran { safe, safe_most, told, .. } = ran("", keep, 1).unwrap();
    assert!(safe <= safe_most, "safe after {safe} s, at most {safe_most} s\n{told}");
    assert!(safe > 0.5 * safe_most, "safe after only {safe} s of {safe_most} s\n{told}");
}

#[test]
fn no_generated_script_exceeds_its_bound() {
    never_exceeded(0..200);
}

/// The same for as many as `BOUNDS_SEEDS` says, counted from 1000.
#[test]
#[ignore = "takes minutes; run it after changing what calls may take"]
fn no_generated_script_of_many_exceeds_its_bound() {
    let count = std::env::var("BOUNDS_SEEDS").ok().and_then(|text| text.parse().ok());
    never_exceeded(1000..1000 + count.unwrap_or(5000));
}
