//! Whole runs through the binary: scripts beside what a person sees of them and the exit code.
//!
//! A line `// run: ARGUMENTS` in a script adds arguments; its folder is the working folder.

use crate::program::{Ended, Fault, at_root, command, faults, json_lines, spintrue};
use crate::support::{
    Folder, corpus, file_name, names, repository, root, scripts, snapshot, stem, table_of_page,
};
use std::fs;
use std::path::{Path, PathBuf};

fn run(path: &Path, more: &[&str]) -> (Ended, String) {
    let text = fs::read_to_string(path).unwrap_or_default();
    let mut command = command(path.parent().unwrap(), &["run", file_name(path)]);
    command.args(more);
    for arguments in text.lines().filter_map(|line| line.strip_prefix("// run: ")) {
        command.args(arguments.split_whitespace());
    }
    (command.output().unwrap().into(), text)
}

fn seen(ended: &Ended, text: &str) -> String {
    let mut seen = format!("{}\n────\n", text.trim_end());
    if !ended.error.is_empty() {
        seen.push_str(&format!("{}\n──── standard error above\n", ended.error.trim_end()));
    }
    seen.push_str(&format!("{}\n──── exit code {:?}", ended.out.trim_end(), ended.code));
    seen
}

fn runs(folder: &str, right: impl Fn(Option<i32>) -> bool) {
    corpus(&format!("run/{folder}/*.spt"), |path| {
        let (ended, text) = run(path, &[]);
        let (name, code, out) = (stem(path), ended.code, &ended.out);
        assert!(right(code), "{name} ends with {code:?}\n{}", seen(&ended, &text));
        // However it ended, the head is safe, and says so as measured; where a fault keeps it
        // from being made safe, it says that instead and the run fails.
        if out.contains("LASER NOT KNOWN TO BE OFF") {
            assert!(UNSAFE.contains(&name) && code == Some(3), "{out}");
        } else if out.contains("Summary") {
            assert!(out.contains("laser off"), "{out}");
        }
        seen(&ended, &text)
    });
}

#[test]
fn runs_that_pass() {
    runs("passes", |code| code == Some(0));
}

#[test]
fn runs_that_fail() {
    runs("fails", |code| matches!(code, Some(1..=4)));
}

/// Faults that leave it unknown whether the laser is off.
const UNSAFE: &[&str] = &["laser_stays_armed", "link_silent"];

/// One script per kind of fault shows how a routine notices it: its checks conform.
#[test]
fn faults_show_their_symptom() {
    runs("faults", |code| matches!(code, Some(0 | 3)));
    let folder = root().join("tests/corpus/run/faults");
    for Fault { name, .. } in faults() {
        let seen = fs::read_to_string(folder.join(format!("{name}.snap"))).unwrap();
        assert!(seen.contains(&format!("--fault {name}")), "{name}");
        assert!(seen.contains(": conforms\n"), "{name}:\n{seen}");
        assert!(!seen.contains("DOES NOT CONFORM"), "{name}:\n{seen}");
    }
}

/// Whatever fails, no run takes longer than was said beforehand.
#[test]
fn faults_keep_the_longest_time() {
    let scripts = scripts("tests/corpus/run/faults");
    assert!(scripts.len() >= faults().len());
    for path in scripts {
        let (ended, _) = run(&path, &["--json"]);
        let end = json_lines(&ended.out).pop().unwrap();
        let of = |key: &str| end[key]["value"].as_f64().unwrap();
        assert!(of("took") <= of("at_most"), "{}: {end}", path.display());
    }
}

/// However a run ends, its report has an end, and the exit code says the same.
#[test]
fn reports_are_whole() {
    for fault in faults().iter().filter(|fault| !fault.is_of_station()) {
        for when in ["1 ms", "6.9 s", "8 s", "12 s", "line 3"] {
            let option = fault.at(when);
            let arguments = ["run", "scripts/bring_up.spt", "--json", "--fault", &option];
            let ended = at_root(&arguments);
            let last = json_lines(&ended.out).pop().unwrap();
            assert_eq!(last["event"], "end", "{option}: {last}");
            let code = ended.code.unwrap();
            assert_eq!(last["exit_code"], code, "{option}: {last}");
            assert!([0, 1, 3, 4].contains(&code), "{option}: {last}");
            let known = last["head"]["laser_off"] == true;
            let not_known = UNSAFE.contains(&fault.name.as_str());
            assert!(known || (not_known && code == 3), "{option}: {last}");
        }
    }
}

/// Each shipped head with the script that brings heads up, the params fitting the head.
#[test]
fn shipped_heads_come_to_what_they_say() {
    let mut heads: Vec<PathBuf> = fs::read_dir(root().join("scripts/heads"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "toml"))
        .collect();
    heads.sort();
    assert!(heads.len() >= 6);
    for path in heads {
        as_it_says(&path);
    }
}

/// The shipped data sheet with the script that accepts heads.
#[test]
fn a_head_is_accepted_by_its_data_sheet() {
    as_it_says(&root().join("scripts/datasheets/ten_facet.toml"));
}

/// Whatever goes wrong while a head is accepted, and whenever: it does not pass, nothing is stored, and
/// the trims that were in force before are so again where the head still answers.
#[test]
fn no_fault_passes_acceptance() {
    let accepted = |option: &str| {
        let sheet = "@scripts/datasheets/ten_facet.toml";
        at_root(&["run", "scripts/accept.spt", "--set", sheet, "--fault", option])
    };
    let refused = |option: &str| {
        let ended = accepted(option);
        let told = seen(&ended, option);
        assert!(matches!(ended.code, Some(1 | 3 | 4)), "{told}");
        assert!(!told.contains("trims stored"), "{told}");
        // Before 13 s nothing was changed yet; these heads cannot be told to change anything back.
        let deaf = ["link_silent", "stuck_trim", "@0s"].iter().any(|name| option.contains(name));
        assert!(deaf || told.contains("are in force again"), "{told}");
    };
    // This head has nothing around it.
    for fault in faults().iter().filter(|fault| !fault.is_of_station()) {
        let times: &[&str] = match fault.name.as_str() {
            // A bump at rest moves nothing, and a lie from the first reading on is the gauge's offset.
            "lock_lost" | "gauge_lying" => &["20s", "100s", "403s", "473s", "1049s", "line 30"],
            // Where it moves before the first spin-up or after the last, it is where all was measured.
            "index_shifted" => &["20s", "100s", "403s", "473s"],
            // What the registers hold by then is what was proved.
            "stuck_trim" => &["0s", "20s", "100s", "403s"],
            _ => &["0s", "20s", "100s", "403s", "473s", "1049s", "1076s"],
        };
        for when in times {
            refused(&fault.at(when));
        }
    }
    // Small ones: a lie between two looks at the end, pulses lost one in a thousand.
    for option in [
        "gauge_lying(offset=3um)@432.4s",
        "gauge_lying(offset=-3um)@441.4s",
        "gauge_lying(offset=3um)@1049.4s",
        "gauge_lying(offset=3um)@1081.4s",
        "start_of_scan_dropouts(share=5%)@100s",
        "start_of_scan_dropouts(share=0.1%)@573s",
    ] {
        refused(option);
    }
    // Where lock is not there yet, losing it only takes time.
    assert_eq!(accepted("lock_lost@1129.4s").code, Some(0));
}

/// Trims are stored in heads that pass, and in no other.
#[test]
fn only_heads_that_pass_keep_new_trims() {
    let (mut passed, mut others) = (0, 0);
    for script in ["bring_up", "accept"] {
        for seed in 1..=20 {
            let head = format!("sim:scripts/heads/ten_marginal.toml?seed={seed}");
            let ended = at_root(&["run", &format!("scripts/{script}.spt"), "--head", &head]);
            let told = seen(&ended, &head);
            let good = ended.code == Some(0);
            assert_eq!(told.contains("trims stored"), good, "{told}");
            assert_eq!(told.contains("are in force again"), !good, "{told}");
            *(if good { &mut passed } else { &mut others }) += 1;
        }
    }
    assert!(passed >= 10 && others >= 10, "{passed} passed, {others} did not");
}

/// A gauge is held against the tolerance: a head that is nearly perfect does not make it worse, and
/// one that is badly made does not make it better.
#[test]
fn a_gauge_is_held_against_the_tolerance() {
    let folder = Folder::new("gauges");
    let accepted = |name: &str, spread: &str, noise: &str| {
        let text = format!(
            "[facets]\ndivision = '{spread}'\nfacet_to_axis = '{spread}'\n[gauge]\nnoise = '{noise}'\n"
        );
        let head = format!("sim:{}", folder.named(&format!("{name}.toml"), text));
        let ended = at_root(&["run", "scripts/accept.spt", "--head", &head]);
        (ended.code, seen(&ended, name))
    };
    let (code, told) = accepted("perfect", "0.1 arcsec", "0.5 um");
    assert_eq!(code, Some(0), "{told}");
    // Of a shift that is fitted to five marks, 0.48 of that: six of 2.2 um are 110 % of the tolerance
    // of 12 um.
    let (code, told) = accepted("bad", "30 arcsec", "4.6 um");
    assert!(matches!(code, Some(1 | 4)), "{told}");
    let gauge = |line: &&str| line.contains("check gauge");
    assert_eq!(told.lines().filter(gauge).count(), 2, "{told}");
    assert!(told.lines().filter(gauge).all(|line| !line.contains(": conforms")), "{told}");
    // A digit that hides what is to be seen is no gauge, least of all one that hides everything.
    for digit in ["5 um", "12 um", "50 um", "100 um"] {
        let noise = format!("0.1 um'\nstated = '0.01 um'\nresolution = '{digit}");
        let (code, told) = accepted("coarse", "10 arcsec", &noise);
        assert_eq!(code, Some(1), "{digit}: {told}");
        assert!(!told.contains("trims stored"), "{digit}: {told}");
    }
}

/// Runs the command `# spintrue run …` that a shipped file shows, and compares with its snapshot.
fn as_it_says(path: &Path) {
    let text = fs::read_to_string(path).unwrap();
    let line = |l: &str| l.strip_prefix('#').map(|l| l.trim().to_string());
    let command = text.lines().filter_map(line).find(|l| l.starts_with("spintrue ")).unwrap();
    let words: Vec<&str> = command.split_whitespace().skip(1).collect();
    let ended = at_root(&words);
    let expected = if text.contains("badly made") { 3 } else { 0 };
    let out = seen(&ended, &command);
    assert_eq!(ended.code, Some(expected), "{out}");
    assert!(text.to_lowercase().contains("invented"), "{}", path.display());
    snapshot(&root().join("tests/corpus/run/shipped"), stem(path), &out);
}

/// Trims that reach too little are told before any light comes out: the built-in head reaches 404 um.
#[test]
fn trims_are_judged_by_their_reach_before_light() {
    let folder = Folder::new("reach");
    let trace = folder.path("run.trace");
    let last = [
        "last_time_to_lock=7s",
        "last_turn_jitter=60ppm",
        "last_worst_in_scan=3um",
        "last_worst_in_scan_u=0.1um",
        "last_worst_cross_scan=3um",
        "last_worst_cross_scan_u=0.1um",
        "last_planned_speed=4800rpm",
        "last_planned_length=304.8mm",
        "last_dots=3600",
        "last_dot_period=208.33333333333334ns",
        "last_made_dot_period=208.33333333333334ns",
        "last_start_delay=250us",
        "last_dot_clock_ratios=[]",
        "last_left_by_ratios=0um",
    ];
    for (script, more) in [("bring_up", &[][..]), ("accept", &[]), ("requalify", &last)] {
        let armed = |reach: &str| {
            let script = format!("scripts/{script}.spt");
            let mut arguments = vec!["run", &script, "--trace", &trace, "--force", "--set", reach];
            arguments.extend(more.iter().flat_map(|set| ["--set", set]));
            let ended = at_root(&arguments);
            let calls = at_root(&["head", "trace", &trace, "--json", "--only", "arm"]);
            (ended, json_lines(&calls.out).iter().any(|line| line["call"]["name"] == "arm"))
        };
        let (ended, lit) = armed("needed_reach=405um");
        let told = "cross-scan trims move a line by 404.25 um at most, but 405 um is needed";
        assert!(ended.code == Some(1) && ended.out.contains(told) && !lit, "{}", ended.all());
        let (ended, lit) = armed("needed_reach=404um");
        // A head without trims fails where it is compared with a trimmed one, but with light.
        let passed = ended.code == Some(0) || script == "requalify";
        assert!(passed && lit && !ended.out.contains("not feasible"), "{}", ended.all());
    }
}

/// The same script and seed give the same bytes; another seed does not.
#[test]
fn a_seed_repeats_its_run() {
    let with = |seed: &str| {
        let ended = at_root(&["run", "scripts/bring_up.spt", "--seed", seed]);
        assert_eq!(ended.code, Some(0));
        ended.out
    };
    assert_eq!(with("5"), with("5"));
    assert_ne!(with("5"), with("6"));
}

/// JSON Lines: every line is an object, and they say what the console says.
#[test]
fn machines_get_json_lines() {
    let lines = json_lines(&at_root(&["run", "scripts/bring_up.spt", "--json"]).out);
    assert_eq!(lines[0]["event"], "start");
    let end = lines.last().unwrap();
    assert_eq!(end["event"], "end");
    assert_eq!(end["verdict"], "passed");
    assert_eq!(end["head"]["laser_off"], true);
    let checks = lines.iter().filter(|line| line["event"] == "check").count();
    assert_eq!(end["checks"]["conforming"], checks);
    let before = lines.iter().find(|line| line["name"] == "before").unwrap();
    assert_eq!(before["value"].as_array().unwrap().len(), 10);
    assert_eq!(before["value"][0]["in_scan"]["unit"], "m");
}

/// Heads of the folder that `bring_up.spt` and `accept.spt` must pass, in this order. Their trims come out right,
/// whatever the registers make of each step, the rotor does between lines or the gauge misreads now and then.
const GOOD: &[(&str, [bool; 2])] = &[
    // Warm, its lines lie elsewhere: trims hold for the temperature of the bring-up.
    ("cold_head", [true, false]),
    // Corrections are divided by the gain that was proved.
    ("cross_scan_gain_half", [true, true]),
    ("cross_scan_gain_more_than_double", [true, true]),
    ("cross_scan_gain_one_and_a_half", [true, true]),
    // These draw with the mirror near its parked angle, where nothing is steered wrongly.
    ("galvanometer_gain", [true, true]),
    ("galvanometer_linearity", [true, true]),
    ("hunting", [true, true]),
    ("in_scan_gain_half", [true, true]),
    ("in_scan_gain_more_than_double", [true, true]),
    ("in_scan_gain_one_and_a_half", [true, true]),
    // Nothing had been trimmed before the index moved.
    ("index_shifted", [true, true]),
    // The next divisor of the dot clock makes lines shorter by 1 %: the plan takes what all share.
    ("long_lines", [true, true]),
    // Neither draws a page.
    ("medium_fast", [true, true]),
    ("medium_wobble", [true, true]),
    ("ripple", [true, true]),
    ("tilt_corrected", [true, true]),
    ("wild_readings", [true, true]),
];

/// The last line of a run, and the checks that did not conform, or why it failed.
fn concluded(script: &str, file: &str, more: &[&str]) -> (bool, String) {
    let name = format!("scripts/{script}.spt");
    let head = format!("sim:{file}");
    let ended = at_root(&[&["run", &name, "--head", &head], more].concat());
    let all = ended.all();
    assert!(matches!(ended.code, Some(0 | 1 | 3 | 4)), "{file}: {all}");
    let passed = ended.code == Some(0);
    let stores = script != "requalify";
    assert_eq!(ended.out.contains("trims stored"), passed && stores, "{file}: {all}");
    let verdict = ended.out.trim_end().lines().last().unwrap();
    let against = ended.out.lines().filter(|line| line.contains(" check "));
    let against =
        against.filter(|line| line.contains("DOES NOT CONFORM") || line.contains("UNDECIDED"));
    let labels = against
        .map(|line| line.split(" check ").nth(1).unwrap().split(':').next().unwrap().to_string());
    let mut labels: Vec<String> = labels.collect();
    labels.dedup();
    if labels.is_empty() && !passed {
        let kinds = ["fault: ", "timeout: ", "not feasible: "];
        let why =
            |line: &str| kinds.iter().find_map(|kind| Some(line.split_once(kind)?.1.to_string()));
        labels.extend(ended.out.lines().find_map(why));
    }
    let colon = if labels.is_empty() { "" } else { ": " };
    (passed, format!("{verdict}{colon}{}", labels.join(", ")))
}

/// Which contracts a head breaks, by `head test` with everything allowed.
fn broken_contracts(file: &str) -> String {
    let head = format!("sim:{file}");
    let ended = at_root(&["head", "test", &head, "--spin", "--trims", "--allow-light"]);
    let broken = ended.out.lines().filter_map(|line| line.strip_prefix("BROKEN"));
    let broken: Vec<&str> = broken.map(str::trim).collect();
    assert_eq!(ended.code == Some(0), broken.is_empty(), "{file}: {}", ended.all());
    if broken.is_empty() { "kept".to_string() } else { format!("BROKEN: {}", broken.join(", ")) }
}

/// What is wrong with a head, or with its gauge, is found by the scripts that judge it, and what can be
/// corrected passes: the table of the page is what they conclude.
#[test]
fn heads_with_one_thing_wrong_do_not_pass() {
    let mut table = "| head | what is wrong | `bring_up.spt` | `accept.spt` | `head test` |\n\
                     | --- | --- | --- | --- | --- |\n"
        .to_string();
    for name in names(root().join("scripts/heads/wrong")) {
        let file = format!("scripts/heads/wrong/{name}");
        let name = name.trim_end_matches(".toml");
        let text = std::fs::read_to_string(root().join(&file)).unwrap();
        let what = text.lines().next().unwrap().trim_start_matches("# ").trim_end_matches('.');
        let [bring_up, accept] = ["bring_up", "accept"].map(|script| concluded(script, &file, &[]));
        let passes = GOOD.iter().find(|(good, _)| *good == name).map_or([false; 2], |good| good.1);
        assert_eq!(passes, [bring_up.0, accept.0], "{name}: {} / {}", bring_up.1, accept.1);
        let contracts = broken_contracts(&file);
        table.push_str(&format!(
            "| `{name}` | {what} | {} | {} | {contracts} |\n",
            bring_up.1, accept.1
        ));
    }
    table_of_page("docs/simulated-head.md", "wrong heads", &table);
}

/// Shipped heads are accepted or not by how they are made, and one that is accepted passes when it comes back: the table
/// of the page is what the scripts conclude, with the settings that each head's file names.
#[test]
fn shipped_heads_are_accepted_as_they_are_made() {
    let folder = Folder::new("accepted-heads");
    let mut table = "| head | `bring_up.spt` | `accept.spt` | then `requalify.spt` |\n\
                     | --- | --- | --- | --- |\n"
        .to_string();
    for name in names(root().join("scripts/heads")) {
        let Some(name) = name.strip_suffix(".toml") else { continue };
        let file = format!("scripts/heads/{name}.toml");
        let text = fs::read_to_string(root().join(&file)).unwrap();
        let command = text.lines().find(|line| line.contains("spintrue run")).unwrap();
        let mut set: Vec<&str> =
            command.split_whitespace().skip_while(|word| *word != "--set").collect();
        let bring_up = concluded("bring_up", &file, &set).1;
        let (memory, kept) = (folder.path(&format!("{name}.json")), folder.path(name));
        let file = format!("{file}?memory={memory}");
        let record = [set.as_slice(), &["--record", &kept]].concat();
        let (accepted, accept) = concluded("accept", &file, &record);
        set.extend(["--last", &kept]);
        let requalify = if accepted {
            let (passed, said) = concluded("requalify", &file, &set);
            assert!(passed, "{name}: {said}");
            said
        } else {
            "\u{2013}".to_string()
        };
        table.push_str(&format!("| `{name}` | {bring_up} | {accept} | {requalify} |\n"));
    }
    table_of_page("docs/simulated-head.md", "shipped heads", &table);
}

/// Trims that were stored while the index was where it was built would act on the wrong facets afterwards.
#[test]
fn an_index_that_moved_is_found_when_a_head_comes_back() {
    let folder = Folder::new("moved");
    let run = |script: &str, more: &[&str]| {
        let script = repository(&format!("scripts/{script}.spt"));
        let head = "sim?memory=head.json";
        spintrue(&folder, &[&["run", &script, "--head", head], more].concat())
    };
    let accepted = run("accept", &["--record", "accepted"]);
    assert_eq!(accepted.code, Some(0), "{}", accepted.all());
    let moved = run("requalify", &["--last", "accepted", "--fault", "index_shifted"]);
    assert_eq!(moved.code, Some(3), "{}", moved.all());
    assert!(moved.out.contains("the index has moved by 1 of 10 facets"), "{}", moved.all());
}

/// With `--quiet` only what went wrong is printed, and the outcome; `--color` decides wherever output goes.
#[test]
fn quiet_runs_tell_what_went_wrong() {
    let folder = Folder::new("quiet");
    folder.file(
        "s.spt",
        "param limit = 2 um\nnote \"here\"\nrecord \"x\": 1\nexpect \"low\": 3 um <= limit\n",
    );
    let run = |more: &[&str]| spintrue(&folder, &[&["run", "s.spt"], more].concat());
    let failed = run(&["--quiet"]);
    assert_eq!(failed.code, Some(1));
    assert_eq!(failed.out.lines().count(), 3, "{}", failed.out);
    assert!(failed.out.contains("check low: 3 um <= 2 um: DOES NOT CONFORM"), "{}", failed.out);
    assert!(failed.out.ends_with("\nFAILED\n"));
    let passed = run(&["-q", "--set", "limit=4 um"]);
    assert_eq!(
        (passed.code, passed.out.as_str(), passed.error.as_str()),
        (Some(0), "PASSED\n", "")
    );
    let steers = |more: &[&str]| run(more).out.contains('\x1b');
    assert_eq!(
        [steers(&[]), steers(&["--color", "always"]), steers(&["--color=never"])],
        [false, true, false]
    );
    let stopped = run(&["-q", "--set", "limit=4 um", "--at-most", "1ms"]);
    assert!(stopped.code == Some(2) && stopped.all().contains("E0902"), "{}", stopped.all());
}
