//! Campaigns over many simulated heads, through the binary.

use crate::program::{Ended, at_root, command, json_lines, spintrue};
use crate::support::{Folder, root};
use insta::assert_snapshot;
use std::fs;

fn simulate(arguments: &[&str]) -> Ended {
    at_root(&[&["simulate"], arguments].concat())
}

fn seen(ended: &Ended) -> String {
    let errors = match ended.error.as_str() {
        "" => String::new(),
        errors => format!("{errors}──── standard error above\n"),
    };
    format!("{errors}{}──── exit code {:?}", ended.out, ended.code)
}

const SCRIPT: &str = "scripts/bring_up.spt";

/// As a file of results tells by which version it was made.
const VERSIONS: &str = concat!("[\"", env!("CARGO_PKG_VERSION"), "\"]");

#[test]
fn neither_threads_nor_shards_nor_their_order_change_a_result() {
    let folder = Folder::new("simulate-shards");
    let file = |k: u32| folder.path(&format!("{k}.json"));
    let common = [SCRIPT, "--heads", "23", "--seed", "5"];
    let whole = |threads: &str| {
        let path = file(0);
        let output =
            simulate(&[&common[..], &["--threads", threads, "--out", &path, "--force"]].concat());
        assert_eq!(output.code, Some(0));
        (output.out, fs::read_to_string(path).unwrap())
    };
    let one = whole("1");
    assert_eq!(one, whole("3"));
    for (k, shard) in [(1, "1/3"), (2, "2/3"), (3, "3/3")] {
        let path = file(k);
        let output = simulate(&[&common[..], &["--shard", shard, "--out", &path]].concat());
        assert_eq!(output.code, Some(0));
    }
    let merged = simulate(&["--merge", &file(3), &file(1), &file(2)]);
    assert_eq!(merged.out, one.0);
    // A campaign of one shard and one of three differ in nothing else.
    let again = simulate(&["--merge", &file(2), &file(3), &file(1), "--json"]);
    let json: serde_json::Value = serde_json::from_str(&again.out).unwrap();
    assert_eq!(json["heads"], 23);
    assert_eq!(json["campaign"]["shards"], 3);
}

/// A job of an array takes its share from what the engine tells it. `JOB_COMPLETION_INDEX` is from memory; the
/// manuals of the others name theirs.
#[test]
fn a_job_of_an_array_knows_its_share() {
    let folder = Folder::new("simulate-arrays");
    let job = |shard: &str, variables: &[(&str, &str)], name: &str| {
        let out = folder.path(name);
        let mut job =
            command(root(), &["simulate", SCRIPT, "--heads", "5", "--shard", shard, "--out", &out]);
        job.envs(variables.iter().copied());
        Ended::from(job.output().unwrap())
    };
    let slurm = |id, least, most, count| {
        [
            ("SLURM_ARRAY_TASK_ID", id),
            ("SLURM_ARRAY_TASK_MIN", least),
            ("SLURM_ARRAY_TASK_MAX", most),
            ("SLURM_ARRAY_TASK_COUNT", count),
        ]
    };
    for (shard, variables, part, of) in [
        ("auto", &slurm("2", "1", "3", "3")[..], 2, 3),
        ("auto/3", &slurm("3", "3", "3", "1"), 3, 3),
        ("auto/3", &[("JOB_COMPLETION_INDEX", "0")], 1, 3),
        ("auto/2", &[("PARALLEL_SEQ", "2")], 2, 2),
    ] {
        let name = format!("{part}-{of}-{}.json", variables.len());
        assert_eq!(job(shard, variables, &name).code, Some(0), "{shard} {variables:?}");
        let told: serde_json::Value = serde_json::from_str(&folder.read(&name)).unwrap();
        assert_eq!((&told["parts"][0], &told["campaign"]["shards"]), (&part.into(), &of.into()));
    }
    let both = [("PARALLEL_SEQ", "1"), ("JOB_COMPLETION_INDEX", "0")];
    for (shard, variables, told) in [
        ("auto", &[][..], "write --shard auto/N"),
        ("auto/3", &[], "none of them is set"),
        ("auto/3", &both, "set at once"),
        ("auto", &slurm("3", "3", "7", "2"), "write --shard auto/N"),
        ("auto/3", &slurm("0", "0", "2", "3"), "3 shards need jobs 1 to 3 in Slurm"),
        ("auto/3", &[("JOB_COMPLETION_INDEX", "3")], "3 shards need jobs 0 to 2 in Kubernetes"),
        ("auto/3", &[("PARALLEL_SEQ", "x")], "`x`"),
        (
            "auto/3",
            &[("PARALLEL_SEQ", "+3")],
            "is `+3`, but 3 shards need jobs 1 to 3 in GNU parallel, in digits",
        ),
        ("auto/0", &[("PARALLEL_SEQ", "1")], "K/N"),
        ("+1/2", &[], "K/N in digits"),
    ] {
        let ended = job(shard, variables, "none.json");
        assert_eq!(ended.code, Some(2), "{shard} {variables:?}");
        assert!(ended.words().contains(told), "{shard} {variables:?}: {}", ended.all());
    }
}

/// A variable that is no text is set nevertheless.
#[cfg(unix)]
#[test]
fn a_place_that_is_no_text_is_shown() {
    use std::os::unix::ffi::OsStrExt;
    let mut job = command(root(), &["simulate", SCRIPT, "--shard", "auto/3"]);
    job.env("PARALLEL_SEQ", std::ffi::OsStr::from_bytes(b"\xff"));
    let ended = Ended::from(job.output().unwrap());
    assert_eq!(ended.code, Some(2));
    assert!(ended.words().contains("PARALLEL_SEQ is `\u{fffd}`, but 3 shards"), "{}", ended.all());
}

/// A file that was edited or is of other runs is refused with its place, or with what really differs.
#[test]
fn shards_that_do_not_hold_together_are_refused() {
    let folder = Folder::new("simulate-edited");
    folder.file("s.spt", "param width = 1 um\nrecord \"wide\": width\n");
    folder.file("t.spt", "param width = 1 um\nrecord \"wide\": 2 * width\n");
    let run = |arguments: &[&str]| spintrue(&folder, &[&["simulate"], arguments].concat());
    let shard = |script: &str, part: &str, more: &[&str]| {
        let order = [script, "--heads", "6", "--shard", part, "--out", "b.json", "--force"];
        assert_eq!(run(&[&order[..], more].concat()).code, Some(0));
        folder.read("b.json")
    };
    folder.file("a.json", shard("s.spt", "1/2", &[]));
    let whole = shard("s.spt", "2/2", &[]);
    let refused = |file: &str, wanted: &str| {
        folder.file("b.json", file);
        let told = run(&["--merge", "a.json", "b.json"]);
        assert!(told.code == Some(2) && told.words().contains(wanted), "{}", told.all());
        assert!(told.words().contains("b.json"), "{}", told.all());
    };
    for (from, to, wanted) in [
        (
            "\"seed\":4",
            "\"seed\":3",
            "row 2, seed 3: it is of shard 1, and the file holds 2: run that shard again",
        ),
        ("\"seed\":4", "\"seed\":2", "row 2, seed 2: it comes twice or out of order"),
        ("\"seed\":6", "\"seed\":8", "row 3, seed 8: this campaign has seeds 1 to 6"),
        ("\"passed\"", "\"great\"", "row 1, seed 2: `great` is no verdict"),
        ("\"values\":[1e-6]", "\"values\":[]", "row 1, seed 2: number of values 0, of columns 1"),
        ("\"heads\":6", "\"heads\":0", "`campaign` has 0 heads from seed 1 in 2 shards"),
        ("\"parts\":[2]", "\"parts\":[2,2]", "this does not name shards of 2"),
        ("\"parts\":[2]", "\"parts\":[1,2]", "holds 3 of its 6 heads"),
        (VERSIONS, "[\"9.0.0\"]", "was made by spintrue 9.0.0, and the files before it by"),
    ] {
        let edited = whole.replacen(from, to, 1);
        assert_ne!(edited, whole, "{from}");
        refused(&edited, wanted);
    }
    for (script, part, more, wanted) in [
        ("s.spt", "2/2", &["--set", "width=2 um"][..], "its --set is width=2 um, not none"),
        ("s.spt", "2/2", &["--fault", "no_lock"], "its --fault is no_lock, not none"),
        ("s.spt", "2/3", &[], "its number of shards is 3, not 2"),
        ("s.spt", "2/2", &["--seed", "9"], "its --seed is 9, not 1"),
        ("t.spt", "2/2", &[], "its script is t.spt, not s.spt"),
    ] {
        refused(&shard(script, part, more), wanted);
    }
    folder.file("s.spt", folder.read("t.spt"));
    refused(&shard("s.spt", "2/2", &[]), "the text of the script differs");
}

/// A shard without a head has no yield, so none that is too low.
#[test]
fn an_empty_shard_has_no_yield() {
    let empty = [SCRIPT, "--heads", "3", "--shard", "5/8", "--yield-least", "90 %"];
    let told = simulate(&empty);
    assert!(
        told.code == Some(0) && told.out.contains("no head was run, so there is no yield"),
        "{told:?}"
    );
    let told = simulate(&[&empty[..], &["--json"]].concat());
    let json: serde_json::Value = serde_json::from_str(&told.out).unwrap();
    assert!(told.code == Some(0) && json["yield"].is_null(), "{json}");
}

/// A job that an engine repeated tells the same again; another result under its number is an error.
#[test]
fn a_shard_that_comes_twice_is_the_same_shard() {
    let folder = Folder::new("simulate-twice");
    let file = |name: &str| folder.path(name);
    for (name, shard) in [("1.json", "1/2"), ("2.json", "2/2"), ("again.json", "2/2")] {
        let out = file(name);
        let made = simulate(&[SCRIPT, "--heads", "5", "--shard", shard, "--out", &out]);
        assert_eq!(made.code, Some(0));
    }
    let once = simulate(&["--merge", &file("1.json"), &file("2.json")]);
    let all = ["--merge", &file("again.json"), &file("1.json"), &file("2.json")];
    assert_eq!(simulate(&all).out, once.out);
    let text = folder.read("again.json").replacen("\"passed\"", "\"failed\"", 1);
    folder.file("again.json", text);
    let told = simulate(&all);
    assert_eq!(told.code, Some(2));
    assert!(told.words().contains("shard 2 a second time, with other results"), "{told:?}");
}

/// The heads of a campaign are those that `run` makes from the same seeds.
#[test]
fn a_head_of_a_campaign_can_be_run_again() {
    let output = simulate(&[SCRIPT, "--heads", "4", "--seed", "11", "--json"]);
    let json: serde_json::Value = serde_json::from_str(&output.out).unwrap();
    let values = json["values"].as_array().unwrap();
    let worst = values.iter().find(|v| v["label"] == "worst in-scan").unwrap();
    let seed = worst["most"]["seed"].to_string();
    let run = at_root(&["run", SCRIPT, "--json", "--seed", &seed]);
    let lines = json_lines(&run.out);
    let recorded = lines.iter().find(|event| event["name"] == "worst in-scan").unwrap();
    assert_eq!(recorded["value"]["value"], worst["most"]["value"]);
}

#[test]
fn what_people_see() {
    let folder = Folder::new("simulate-seen");
    let text = "[facets]\nfacet_to_axis = \"7 arcsec\"\n[gauge]\nnoise = \"1.2 um\"\n\
                [trims]\ncross_scan_range = \"85 urad\"\n";
    let address = format!("sim:{}", folder.file("wide.toml", text).display());
    let output = simulate(&[SCRIPT, "--heads", "40", "--head", &address, "--yield-least", "95 %"]);
    let text = seen(&output).replace(&folder.0.display().to_string(), "FOLDER");
    // Names of files aside, it fits 80 columns.
    let fits = |line: &str| line.chars().count() <= 80 || line.contains("FOLDER");
    assert!(text.lines().all(fits), "{text}");
    assert_snapshot!(text);
}

/// A share keeps its unit, a file names the unit of its numbers, and what is the same on all heads but
/// for rounding is a constant.
#[test]
fn values_keep_the_units_they_were_recorded_in() {
    let folder = Folder::new("simulate-units");
    let script = "\
record \"percent\": (status().temperature - 21 degC) / 1 K * 7.77e-6 in %
record \"ppm\": 12.5 ppm
record \"shift\": test_line(3, plan).in_scan in um
let shift = test_line(3, plan).in_scan / 1 um
record \"constant\": (shift + 0.1) - shift
";
    let script = format!(
        "let plan = plan_line(4800 rpm, length: 304.8 mm, resolution: 300 dpi)\nspin(4800 rpm)\nwait until locked() within 20 s\narm at 35 % {{\n{script}}}\n"
    );
    let path = folder.named("s.spt", script);
    let file = folder.path("out.json");
    let output = simulate(&[&path, "--heads", "9", "--out", &file]);
    let text = seen(&output);
    assert_eq!(output.code, Some(0), "{text}");
    assert!(text.contains("ppm  12.5 ppm\n  the same on all 9 heads"), "{text}");
    assert!(text.contains(" %\n") && text.contains(" um\n"), "{text}");
    assert!(text.contains("constant  0.1\n  the same on all 9 heads"), "{text}");
    let json: serde_json::Value = serde_json::from_slice(&fs::read(&file).unwrap()).unwrap();
    let column = |label: &str| {
        let columns = json["columns"].as_array().unwrap();
        let at = columns.iter().position(|column| column["label"] == label).unwrap();
        let value = json["rows"][0]["values"][at].as_f64().unwrap();
        (columns[at]["unit"].clone(), columns[at]["shown_unit"].clone(), value)
    };
    assert_eq!(column("ppm"), ("".into(), "ppm".into(), 12.5e-6));
    let (unit, shown, value) = column("shift");
    assert!(unit == "m" && shown == "um" && value.abs() < 1e-3, "{unit} {shown} {value}");
}

/// A shard that an older program wrote goes together with one of today.
#[test]
fn a_shard_that_was_kept_is_merged() {
    let folder = Folder::new("simulate-kept");
    let older = root().join("tests/data/older");
    folder.file("old.spt", fs::read(older.join("old.spt")).unwrap());
    folder.file("one.json", fs::read(older.join("old.json")).unwrap());
    let run = |arguments: &[&str]| spintrue(&folder, &[&["simulate"], arguments].concat());
    let output = run(&["old.spt", "--heads", "4", "--shard", "2/2", "--out", "two.json"]);
    assert_eq!(output.code, Some(0), "{}", seen(&output));
    for files in [["one.json", "two.json"], ["two.json", "one.json"]] {
        let output = run(&["--merge", files[0], files[1], "--out", "both.json", "--force"]);
        let text = seen(&output);
        assert!(text.contains("width  24 V\n") && text.contains("share  0.1 %\n"), "{text}");
        assert!(text.contains("2 check wrong: not met or not decided\n"), "{text}");
        assert!(text.contains("2 check wrong: does not conform\n"), "{text}");
        assert!(text.contains("2 check unsure: undecided\n"), "{text}");
        let both = folder.read("both.json");
        assert!(both.starts_with("{\"spintrue_campaign\":2,"), "{both}");
        let versions = concat!("results: ", env!("CARGO_PKG_VERSION"), ", unknown\n");
        assert!(text.contains(versions), "{text}");
        assert!(both.contains("\"width\",\"unit\":\"V\",\"shown_unit\":\"V\""), "{both}");
    }
}

/// Every head is answered from the first answer on; without a file no question is asked, terminal or not.
#[test]
fn every_head_gets_the_same_answers() {
    let folder = Folder::new("simulate-answers");
    let path = |name: &str, text: &str| folder.named(name, text);
    let script = "\
repeat 2 times {
    let gap = ask \"gap\": length within 0 mm .. 5 mm
    record \"gap\": gap
}
";
    let script = path("asks.spt", script);
    let answers = path("answers.toml", "gap = [\"1 mm\", \"2 mm\"]\n");
    let few = path("few.toml", "gap = [\"1 mm\"]\n");
    let wrong = path("wrong.toml", "gap = [\"1 s\"]\n");
    let run = |answers: &str| {
        simulate(&[&script, "--heads", "5", "--threads", "2", "--json", "--answers", answers])
    };
    let results = |ended: &Ended| -> serde_json::Value {
        assert_eq!(ended.code, Some(0), "{}", seen(ended));
        serde_json::from_str(&ended.out).unwrap()
    };
    let all = results(&run(&answers));
    assert_eq!(all["passed"], 5, "{all}");
    assert_eq!(results(&run(&few))["passed"], 0);
    for (arguments, code) in [
        (&[script.as_str(), "--heads", "2"][..], "E0905"),
        (&[&script, "--heads", "2", "--answers", &wrong], "E0906"),
    ] {
        let output = simulate(arguments);
        assert_eq!(output.code, Some(2), "{}", seen(&output));
        assert!(seen(&output).contains(code), "{}", seen(&output));
    }
}

#[test]
fn mistakes_are_told_before_any_head_is_run() {
    let folder = Folder::new("simulate-mistakes");
    let path = |name: &str, text: &str| folder.named(name, text);
    let wrong = path("wrong.spt", "spin(4800)\n");
    let bad_head = path("bad.toml", "[facets]\ncount = 0\n");
    let no_results = path("no.json", "{}\n");
    let bad_head = format!("sim:{bad_head}");
    let results = |name: &str, seed: &str| {
        let path = folder.path(name);
        simulate(&[SCRIPT, "--heads", "2", "--seed", seed, "--out", &path]);
        path
    };
    let (whole, other) = (results("whole.json", "1"), results("other.json", "2"));
    let mut cut: serde_json::Value =
        serde_json::from_str(&fs::read_to_string(&whole).unwrap()).unwrap();
    cut["rows"].as_array_mut().unwrap().pop();
    let cut_short = path("cut.json", &cut.to_string());
    let nowhere = folder.path("nowhere/out.json");
    let cases: &[&[&str]] = &[
        &[&wrong],
        &[SCRIPT, "--head", &bad_head],
        &[SCRIPT, "--head", "sim?seed=3"],
        &[SCRIPT, "--out", &nowhere],
        &[SCRIPT, "--seed", "18446744073709551615", "--heads", "2"],
        &["--merge", &no_results],
        &["--merge", &nowhere],
        &["--merge", &cut_short],
        &["--merge", &whole, &other],
        &[SCRIPT, "--shard", "3/2"],
        &[SCRIPT, "--heads", "0"],
        &[SCRIPT, "--yield-least", "2"],
    ];
    let mut text = String::new();
    for case in cases {
        let output = simulate(case);
        assert_eq!(output.code, Some(2), "{case:?}");
        text.push_str(&format!("$ simulate {}\n{}\n\n", case.join(" "), seen(&output)));
    }
    assert_snapshot!(text.replace(&folder.0.display().to_string(), "FOLDER"));
}
