//! Every code explains itself: the wrong example yields the code, the right one nothing at all,
//! and `explain` shows both. Examples run through the door that scripts take.

// Tests fail by panicking.
#![allow(clippy::disallowed_methods, clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]

#[path = "common/example.rs"]
mod example;

use example::Example;
use spintrue::builtins::{Effect, FAILURE};
use spintrue::diagnostics::codes::{
    ALL, BAD_HEAD_DESCRIPTION, BAD_HEAD_LIST, Code, TAKES_TOO_LONG, find, topics,
};
use spintrue::diagnostics::render::render;
use spintrue::program::failure::FailureKind;
use std::collections::BTreeSet;
use std::process::{Command, Output};

fn codes() -> impl Iterator<Item = &'static Code> {
    topics().iter().flat_map(|topic| &topic.codes)
}

/// Codes whose examples are scripts that a check alone decides.
fn of_scripts() -> impl Iterator<Item = &'static Code> {
    let others = [BAD_HEAD_DESCRIPTION, TAKES_TOO_LONG, BAD_HEAD_LIST];
    codes().filter(move |code| !others.contains(&code.code))
}

#[test]
fn wrong_examples_yield_their_code_and_no_other() {
    let mut wrong = Vec::new();
    for code in of_scripts() {
        let (said, prepared) = Example::new(&code.wrong).said();
        let met: BTreeSet<&str> = said.iter().map(|one| one.code).collect();
        // That there are too many errors is said behind the errors.
        let expected = match code.code {
            "E0206" => BTreeSet::from(["E0206", "E0318"]),
            other => BTreeSet::from([other]),
        };
        if met != expected {
            let report = render(&said, &prepared.sources, false, 80);
            wrong.push(format!("{}: yields {met:?}\n{report}", code.code));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn right_examples_have_nothing_to_be_said_of() {
    let mut wrong = Vec::new();
    for code in of_scripts() {
        let (said, prepared) = Example::new(&code.right).said();
        if !said.is_empty() || prepared.program.is_none() {
            let report = render(&said, &prepared.sources, false, 80);
            wrong.push(format!("{}:\n{report}", code.code));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Options at the head of an example are those of the command line: what they name is taken there.
#[test]
fn options_of_examples_are_taken_by_the_program() {
    let folder = std::env::temp_dir().join(format!("spintrue-explained-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let mut tried = 0;
    for code in of_scripts() {
        for (text, wrong) in [(&code.wrong, true), (&code.right, false)] {
            let options = text.lines().filter_map(|line| line.strip_prefix("// --"));
            let mut options: Vec<String> = options.map(|option| format!("--{option}")).collect();
            if options.is_empty() || options.iter().any(|option| option.starts_with("--allow")) {
                continue;
            }
            for (name, text) in Example::new(text).files {
                std::fs::write(folder.join(name), text).unwrap();
            }
            options = options.iter().flat_map(|o| o.splitn(2, ' ')).map(str::to_string).collect();
            let mut command = Command::new(env!("CARGO_BIN_EXE_spintrue"));
            command.current_dir(&folder).arg("check").args(options).arg("example.spt");
            let said = command.output().unwrap();
            let told = String::from_utf8_lossy(&said.stderr).into_owned()
                + &String::from_utf8_lossy(&said.stdout);
            assert_eq!(said.status.success(), !wrong, "{}: {told}", code.code);
            assert_eq!(told.contains(code.code), wrong, "{}: {told}", code.code);
            tried += 1;
        }
    }
    assert!(tried > 10, "only {tried} examples have options");
    std::fs::remove_dir_all(folder).unwrap();
}

/// Lists in explanations and pages are those of the tables.
#[test]
fn lists_are_those_of_the_tables() {
    let page = |name: &str| {
        let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join(name);
        std::fs::read_to_string(path).unwrap()
    };
    let effects = Effect::ALL.map(Effect::text);
    let explained = spintrue(&["explain", "E0715"]).stdout;
    let explained = String::from_utf8(explained).unwrap().replace('\n', " ");
    assert!(explained.contains(&effects.join(", ")), "{explained}");
    let (last, before) = effects.split_last().unwrap();
    let quoted = before.iter().map(|word| format!("`{word}`")).collect::<Vec<_>>().join(", ");
    let told = page("docs/diagnostics.md").replace('\n', " ");
    assert!(told.contains(&format!("({quoted} or `{last}`)")), "docs/diagnostics.md: {quoted}");
    let failures: Vec<&str> = FailureKind::caught().collect();
    let explained = spintrue(&["explain", "E0521"]).stdout;
    let explained = String::from_utf8(explained).unwrap().replace('\n', " ");
    assert!(explained.contains(&failures.join(", ")), "{explained}");
    let kind = FAILURE.fields.iter().find(|field| field.0 == "kind").unwrap().2;
    let language = page("docs/language.md");
    for failure in failures {
        assert!(kind.contains(failure), "{failure}");
        assert!(language.contains(&format!("`{failure}`")), "docs/language.md: {failure}");
    }
}

/// Who has the program has no sources of it.
#[test]
fn nothing_points_into_the_sources() {
    for code in codes() {
        let said = String::from_utf8(spintrue(&["explain", code.code]).stdout).unwrap();
        let unfilled = ["{effects}", "{failures}"].iter().any(|list| said.contains(list));
        assert!(!said.contains("src/") && !unfilled, "{said}");
    }
}

#[test]
fn every_code_is_explained_once_and_in_order() {
    let all: Vec<&str> = codes().map(|code| code.code).collect();
    assert_eq!(all, ALL, "the pages of the codes and the table of constants differ");
    let digits = |code: &&str| code[1..].parse::<u32>().unwrap();
    assert!(all.iter().map(digits).is_sorted_by(|a, b| a < b), "{all:?}");
    assert!(all.len() > 90, "only {} codes", all.len());
    for code in codes() {
        assert!(code.meaning.len() > 10 && !code.meaning.ends_with('.'), "{}", code.code);
        assert!(code.why.ends_with('.'), "{}", code.code);
        assert!(code.why.len() > code.meaning.len(), "{} explains nothing more", code.code);
        assert_ne!(code.wrong, code.right, "{}", code.code);
    }
}

fn spintrue(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_spintrue")).args(arguments).output().unwrap()
}

#[test]
fn explain_shows_a_code_and_both_examples() {
    let output = spintrue(&["explain", "e0501"]);
    assert_eq!(output.status.code(), Some(0));
    let text = String::from_utf8(output.stdout).unwrap();
    let code = codes().find(|code| code.code == "E0501").unwrap();
    assert!(text.starts_with(&format!("E0501: {}\n", code.meaning)), "{text}");
    for example in [&code.wrong, &code.right] {
        let first = example.trim().lines().next().unwrap();
        assert!(text.contains(first), "`{first}` is not in:\n{text}");
    }
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
}

#[test]
fn explain_lists_every_code() {
    let text = String::from_utf8(spintrue(&["explain"]).stdout).unwrap();
    for topic in topics() {
        assert!(text.contains(topic.title));
        for code in &topic.codes {
            assert!(text.contains(&format!("  {}  {}\n", code.code, code.meaning)));
        }
    }
}

/// An example of a control character must not reach the terminal.
#[test]
fn explanations_hold_no_control_characters() {
    for code in codes() {
        let text = String::from_utf8(spintrue(&["explain", code.code]).stdout).unwrap();
        assert!(text.starts_with(code.code));
        assert!(!text.chars().any(|c| c.is_control() && c != '\n'), "{}", code.code);
    }
}

#[test]
fn unknown_codes_offer_near_ones() {
    for (asked, offer) in [
        ("E0510", "near it are E0511, E0512, E0513, E0514;"),
        ("0501", "near it are E0501, "),
        ("W802", "near it are W0802, "),
        ("what", "; `spintrue explain` lists them all"),
        ("", "; `spintrue explain` lists them all"),
    ] {
        let output = spintrue(&["explain", asked]);
        assert_eq!(output.status.code(), Some(2), "{asked}");
        let text = String::from_utf8(output.stderr).unwrap();
        assert!(text.contains(offer), "{asked}: {text}");
    }
}

/// Examples of lists, as the heads of a batch.
#[test]
fn examples_of_lists() {
    let folder = std::env::temp_dir().join(format!("spintrue-lists-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let path = |name: &str| folder.join(name).display().to_string();
    std::fs::write(path("empty.spt"), "").unwrap();
    let code = find(BAD_HEAD_LIST).unwrap();
    for (example, status) in [(&code.wrong, 2), (&code.right, 0)] {
        std::fs::write(path("heads.csv"), example.trim_start()).unwrap();
        let (script, list, out) = (path("empty.spt"), path("heads.csv"), path("out"));
        let output = spintrue(&["batch", &script, "--list", &list, "--record", &out]);
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(status), "{said}");
        assert_eq!(said.contains(&format!("[{}]", code.code)), status == 2, "{said}");
    }
    std::fs::remove_dir_all(&folder).unwrap();
}

/// Examples of head descriptions, opened as a head.
#[test]
fn examples_of_head_descriptions() {
    let folder = std::env::temp_dir().join(format!("spintrue-explain-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let script = folder.join("empty.spt");
    std::fs::write(&script, "").unwrap();
    let code = find(BAD_HEAD_DESCRIPTION).unwrap();
    for (example, status) in [(&code.wrong, 2), (&code.right, 0)] {
        let file = folder.join("head.toml");
        std::fs::write(&file, example).unwrap();
        let head = format!("sim:{}", file.display());
        let output = spintrue(&["run", script.to_str().unwrap(), "--head", &head]);
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(status), "{said}");
        assert_eq!(said.contains(&format!("[{}]", code.code)), status == 2, "{said}");
    }
    std::fs::remove_dir_all(&folder).unwrap();
}

/// Examples of limits, through the command that has the option.
#[test]
fn examples_of_limits() {
    let folder = std::env::temp_dir().join(format!("spintrue-limits-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let script = folder.join("limited.spt");
    let code = find(TAKES_TOO_LONG).unwrap();
    for (example, status) in [(&code.wrong, 2), (&code.right, 0)] {
        std::fs::write(&script, example).unwrap();
        let limit = example.lines().find_map(|line| line.strip_prefix("// --at-most ")).unwrap();
        for format in ["text", "json", "sarif"] {
            let path = script.to_str().unwrap();
            let arguments = ["check", path, "--at-most", limit, "--format", format];
            let output = spintrue(&arguments);
            let mut said = String::from_utf8(output.stderr).unwrap();
            said.push_str(&String::from_utf8(output.stdout).unwrap());
            assert_eq!(output.status.code(), Some(status), "{said}");
            // Every SARIF log lists all codes as rules.
            let met = said.contains(code.code) && format != "sarif"
                || said.contains(&format!("\"ruleId\":\"{}\"", code.code));
            assert_eq!(met, status == 2, "{said}");
        }
    }
    std::fs::remove_dir_all(&folder).unwrap();
}
