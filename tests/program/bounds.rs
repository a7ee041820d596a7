//! The longest time on the command line: what `check` and `run` print, and what `--at-most`
//! refuses before anything moves.

use crate::program::spintrue;
use crate::support::Folder;

/// A script in a folder of its own.
struct Script(Folder);

impl Script {
    fn new(text: &str) -> Script {
        let folder = Folder::new("bounds");
        folder.file("script.spt", text);
        Script(folder)
    }

    /// Exit code, standard output and standard error.
    fn with(&self, command: &str, arguments: &[&str]) -> (i32, String, String) {
        let ended = spintrue(&self.0, &[&[command, "script.spt"], arguments].concat());
        (ended.code.unwrap(), ended.out, ended.error)
    }
}

const WATCH: &str = "param rounds = 3\nparam watch = 2 s\n\
                     routine look(t: time) {\n    wait t\n}\n\
                     repeat rounds times { look(watch) }\nwait 40 s\n";

#[test]
fn check_says_how_long_and_where() {
    let script = Script::new(WATCH);
    let (code, out, _) = script.with("check", &[]);
    assert_eq!(code, 0);
    // 3 × 2 s, 40 s, and 11.8 s to make a head safe that may be silent.
    assert!(out.contains("takes at most 57.8 s on this head"), "{out}");
    let at = |words: &str| out.find(words).unwrap_or_else(|| panic!("no {words} in {out}"));
    assert!(at("40 s") < at("11.8 s") && at("11.8 s") < at("by `wait t`"), "{out}");
    assert!(out.contains("called at") && out.contains("that is rounds × watch + 51.8 s"), "{out}");
    let (_, more, _) = script.with("check", &["--set", "rounds=10", "--set", "watch=1min"]);
    assert!(more.contains("takes at most 10 min 52 s"), "{more}");
}

#[test]
fn check_says_why_not() {
    let script = Script::new(
        "spin(4800 rpm)\nwait until locked() within 30 s\nlet n = counted_facets()\nrepeat n times { wait 1 s }\n",
    );
    let (code, out, _) = script.with("check", &[]);
    assert_eq!(code, 0);
    assert!(out.contains("no bound on its duration is known"), "{out}");
    let why = "how often this loop runs is known only once `counted_facets()` has run";
    assert!(out.contains(why), "{out}");
    let (code, out, errors) = script.with("run", &["--at-most", "1 h"]);
    assert_eq!((code, out.as_str()), (2, ""), "{errors}");
    assert!(errors.contains("no known bound") && errors.contains(why), "{errors}");
}

#[test]
fn a_run_is_refused_before_anything_moves() {
    let script = Script::new(WATCH);
    for command in ["run", "check"] {
        let (code, out, errors) = script.with(command, &["--at-most", "50s"]);
        assert_eq!(code, 2, "{errors}");
        assert!(!out.contains("Summary") && !out.contains("no problems"), "{out}");
        assert!(errors.contains("may take 57.8 s, more than the 50 s"), "{errors}");
        assert!(
            errors.contains("wait 40 s") && errors.contains("up to 40 s of it here"),
            "{errors}"
        );
        assert_eq!(script.with(command, &["--at-most", "1 min"]).0, 0);
    }
}

#[test]
fn a_limit_of_another_kind_is_told() {
    let script = Script::new("");
    for (limit, words) in
        [("5mm", "this is length"), ("5", "a bare number"), ("x", "not a quantity")]
    {
        let (code, _, errors) = script.with("run", &["--at-most", limit]);
        assert_eq!(code, 2);
        assert!(errors.contains(words) && errors.contains("--at-most"), "{errors}");
    }
    assert_eq!(script.with("run", &["--at-most", "-1s"]).0, 2);
}

#[test]
fn a_run_tells_what_it_took_of_what_it_could() {
    let script = Script::new("wait 2 s\n");
    let (_, out, _) = script.with("run", &[]);
    assert!(out.contains("of head time, at most 13.8 s"), "{out}");
    let (_, out, _) = script.with("run", &["--json"]);
    let end: serde_json::Value = serde_json::from_str(out.lines().last().unwrap()).unwrap();
    let most = end["at_most"]["value"].as_f64().unwrap();
    assert!(most > end["took"]["value"].as_f64().unwrap() && most < 14.0, "{end}");
}
