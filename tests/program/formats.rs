//! What `check` says to machines: JSON in our own schema, and SARIF 2.1.0. `tests/extra/schemas.py` validates the
//! logs that are left here against the schema that OASIS publishes (`tests/sarif`).

use crate::program::spintrue;
use crate::support::{Folder, left, names, root};
use serde_json::{Value, json};
use std::fs;
use std::path::Path;

/// What a check prints, with its exit code.
fn checked(format: &str, folder: impl AsRef<Path>, arguments: &[&str]) -> (i32, Value) {
    let ended = spintrue(folder, &[&["check", "--format", format], arguments].concat());
    assert!(ended.error.is_empty(), "{}", ended.error);
    assert_eq!(ended.out.lines().count(), 1, "one object, on one line");
    if let Some(place) = left(&format!("{format}.json")) {
        fs::write(place, &ended.out).unwrap();
    }
    (ended.code.unwrap(), serde_json::from_str(&ended.out).unwrap())
}

const LIBRARY: &str = "routine idle() { brake(3) }\n";
const FIRST: &str = "use \"lib/idle.spt\"\nidle()\nlet µ = 5 um + 3 s\nnote \"{µ}\"\n";
const SECOND: &str = "use \"lib/idle.spt\"\nidle()\nparam speed = 4800 rpm\nspin(speed)\n";

fn three_files(name: &str) -> Folder {
    let files = [("lib/idle.spt", LIBRARY), ("first.spt", FIRST), ("second µ.spt", SECOND)];
    let folder = Folder::new(name);
    for (name, text) in files {
        folder.file(name, text);
    }
    folder
}

const ARGUMENTS: &[&str] = &["first.spt", "second µ.spt", "absent.spt", "--set", "speed=3"];

#[test]
fn json_says_where_and_what() {
    let folder = three_files("json");
    let (code, value) = checked("json", &folder, ARGUMENTS);
    assert_eq!(code, 2);
    assert_eq!(value["schema"], "spintrue-diagnostics-1");
    assert_eq!(value["files"], json!(["first.spt", "lib/idle.spt", "second µ.spt"]));
    assert_eq!(value["unread"][0]["script"], "absent.spt");
    assert_eq!(value["unread"][0]["reason"], "there is no file absent.spt");
    let scripts = value["scripts"].as_array().unwrap();
    assert_eq!(scripts.len(), 2);
    assert_eq!(scripts[0]["may_run"], false);

    let diagnostics = value["diagnostics"].as_array().unwrap();
    let of = |code: &str| -> Vec<&Value> {
        diagnostics.iter().filter(|one| one["code"] == code).collect()
    };
    // Both scripts use the file, and it is said once.
    assert_eq!(of("E0601").len(), 1);
    assert_eq!(of("E0601")[0]["file"], "lib/idle.spt");

    let added = of("E0501")[0];
    assert_eq!(added["severity"], "error");
    assert_eq!(added["headline"], "cannot add a length and a time");
    let labels = added["labels"].as_array().unwrap();
    let mains: Vec<&Value> = labels.iter().map(|label| &label["main"]).collect();
    assert_eq!(mains, [&json!(true), &json!(false), &json!(false)]);
    // Columns count characters, bytes count bytes: `µ` is one and two.
    let plus = FIRST.find('+').unwrap();
    assert_eq!(labels[0]["start"], json!({"line": 3, "column": 14, "byte": plus}));
    assert_eq!(labels[0]["end"], json!({"line": 3, "column": 15, "byte": plus + 1}));

    let set: Vec<&Value> = diagnostics.iter().filter(|one| one["file"] == "--set").collect();
    assert!(!set.is_empty());
    assert!(set.iter().all(|one| one["labels"][0]["argument"] == "speed=3"));
}

#[test]
fn json_of_a_good_script_has_its_effects() {
    let (code, value) = checked("json", root(), &["scripts/spin_only.spt"]);
    assert_eq!(code, 0);
    assert_eq!(value["diagnostics"], json!([]));
    let script = &value["scripts"][0];
    assert_eq!(
        (&script["may_run"], &script["errors"], &script["warnings"]),
        (&json!(true), &json!(0), &json!(0))
    );
    let own = &script["effects"][0];
    assert_eq!(own["routine"], Value::Null);
    let effects: Vec<&Value> =
        own["effects"].as_array().unwrap().iter().map(|one| &one["effect"]).collect();
    assert!(effects.contains(&&json!("spins")), "{effects:?}");
    assert!(!effects.contains(&&json!("emits")), "{effects:?}");
    assert!(own["effects"][0]["at"]["start"]["line"].as_u64() > Some(0));
}

/// A way out carries its edits into both formats, with what makes them safe.
#[test]
fn ways_out_carry_their_edits() {
    let folder = Folder::new("fixes");
    folder.file("habit.spt", "let µ = 3 um\nprint(µ)\nlet share = 12 000\nnote \"{share}\"\n");
    let (_, value) = checked("json", &folder, &["habit.spt"]);
    let reports = value["diagnostics"].as_array().unwrap();
    let of = |code: &str| reports.iter().find(|one| one["code"] == code).unwrap();
    // What cannot be read hides what is only unknown.
    assert_eq!(reports.len(), 2, "{reports:?}");
    let edit = &of("E0402")["fixes"][0];
    assert_eq!((&edit["help"], &edit["safe"]), (&json!("write `note \"{µ}\"`"), &json!(true)));
    let (start, end) = (&edit["edits"][0]["start"], &edit["edits"][0]["end"]);
    assert_eq!(
        (&start["line"], &start["column"], &end["column"]),
        (&json!(2), &json!(1), &json!(9))
    );
    assert_eq!(edit["edits"][0]["text"], "note \"{µ}\"");
    let group = &of("E0315")["fixes"][0];
    assert_eq!((&group["safe"], &group["edits"][0]["text"]), (&json!(false), &json!("12_000")));

    let (_, log) = checked("sarif", &folder, &["habit.spt"]);
    let results = log["runs"][0]["results"].as_array().unwrap();
    let result = results.iter().find(|result| result["ruleId"] == "E0402").unwrap();
    let change = &result["fixes"][0]["artifactChanges"][0];
    assert_eq!(change["artifactLocation"]["uri"], "habit.spt");
    let region = json!({"startLine": 2, "startColumn": 1, "endLine": 2, "endColumn": 9});
    assert_eq!(change["replacements"][0]["deletedRegion"], region);
    assert_eq!(change["replacements"][0]["insertedContent"]["text"], "note \"{µ}\"");
    assert_eq!(result["fixes"][0]["properties"]["safe"], true);
    // An argument is no file that could be changed.
    let set = &["habit.spt", "--set", "µ='a'"];
    let (_, log) = checked("sarif", &folder, set);
    let results = log["runs"][0]["results"].as_array().unwrap();
    let of_argument = results.iter().find(|result| result["ruleId"] == "E0401").unwrap();
    assert!(of_argument["fixes"].is_null(), "{of_argument}");
}

/// A warning is no error, in any format.
#[test]
fn warnings_let_a_script_run() {
    let folder = Folder::new("warned");
    folder.file("warned.spt", "measured_speed()\n");
    for format in ["json", "sarif"] {
        assert_eq!(checked(format, &folder, &["warned.spt"]).0, 0);
    }
}

#[test]
fn sarif_points_to_the_same_places() {
    let folder = three_files("sarif");
    let (code, log) = checked("sarif", &folder, ARGUMENTS);
    assert_eq!(code, 2);
    let run = &log["runs"][0];
    assert_eq!(run["columnKind"], "unicodeCodePoints");
    let results = run["results"].as_array().unwrap();
    let rules = run["tool"]["driver"]["rules"].as_array().unwrap();
    for result in results {
        let index = usize::try_from(result["ruleIndex"].as_u64().unwrap()).unwrap();
        assert_eq!(rules[index]["id"], result["ruleId"]);
    }
    let added = results.iter().find(|result| result["ruleId"] == "E0501").unwrap();
    assert_eq!(added["level"], "error");
    let place = &added["locations"][0]["physicalLocation"];
    assert_eq!(place["artifactLocation"]["uri"], "first.spt");
    let region = json!({"startLine": 3, "startColumn": 14, "endLine": 3, "endColumn": 15});
    assert_eq!(place["region"], region);
    assert_eq!(added["relatedLocations"].as_array().unwrap().len(), 2);
    let uris: Vec<&Value> =
        run["artifacts"].as_array().unwrap().iter().map(|one| &one["location"]["uri"]).collect();
    assert_eq!(uris, ["first.spt", "lib/idle.spt", "second%20%C2%B5.spt"]);
    let invocation = &run["invocations"][0];
    assert_eq!(invocation["executionSuccessful"], false);
    let unread = &invocation["toolExecutionNotifications"][0]["message"]["text"];
    assert_eq!(unread, "there is no file absent.spt");
}

/// Everything that can be said of a script is said in SARIF.
#[test]
fn sarif_of_the_whole_corpus() {
    let corpus = root().join("tests/corpus");
    let mut count = 0;
    for stage in fs::read_dir(corpus.join("check")).unwrap() {
        let folder = stage.unwrap().path();
        let mut names = names(&folder);
        names.retain(|name| name.ends_with(".spt"));
        let names: Vec<&str> = names.iter().map(String::as_str).collect();
        assert!(!names.is_empty(), "no script in {}", folder.display());
        let (_, log) = checked("sarif", &folder, &names);
        count += log["runs"][0]["results"].as_array().unwrap().len();
    }
    assert!(count > 200, "only {count} results");
}
