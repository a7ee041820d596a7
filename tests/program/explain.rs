//! `explain`: every code with its meaning and both examples, which are tried by the commands that they
//! are about.

use crate::example::Example;
use crate::explained::{self, Code, codes};
use crate::program::{at_root, spintrue};
use crate::support::Folder;
use serde_json::Value;

/// Options at the head of an example are those of the command line: what they name is taken there.
#[test]
fn options_of_examples_are_taken_by_the_program() {
    let folder = Folder::new("explained");
    let mut tried = 0;
    for code in codes() {
        for (text, wrong) in [(&code.wrong, true), (&code.right, false)] {
            let options = text.lines().filter_map(|line| line.strip_prefix("// --"));
            let options: Vec<String> = options.map(|option| format!("--{option}")).collect();
            if options.is_empty() || options.iter().any(|option| option.starts_with("--allow")) {
                continue;
            }
            for (name, text) in Example::new(text).files {
                folder.file(&name, text);
            }
            let mut arguments = vec!["check", "example.spt"];
            arguments.extend(options.iter().flat_map(|option| option.splitn(2, ' ')));
            let ended = spintrue(&folder, &arguments);
            let told = ended.all();
            assert_eq!(ended.code == Some(0), !wrong, "{}: {told}", code.code);
            assert_eq!(told.contains(&code.code), wrong, "{}: {told}", code.code);
            tried += 1;
        }
    }
    assert!(tried > 10, "only {tried} examples have options");
}

/// Readers have the program without its sources, and examples may hold control characters, which must
/// not reach the terminal.
#[test]
fn explanations_stand_alone_and_steer_no_terminal() {
    for code in codes() {
        let text = explained::text(&code.code);
        assert!(text.starts_with(&format!("{}: {}\n", code.code, code.meaning)), "{text}");
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        assert!(!text.contains("src/"), "{text}");
        assert!(!["{effects}", "{failures}"].iter().any(|list| text.contains(list)), "{text}");
        assert!(!text.chars().any(|c| c.is_control() && c != '\n'), "{}", code.code);
    }
    assert_eq!(at_root(&["explain", "e0501"]).out, explained::text("E0501"));
}

/// The rules of a SARIF log are all the codes.
#[test]
fn every_code_is_listed() {
    let check = ["check", "--format", "sarif", "scripts/spin_only.spt"];
    let log: Value = serde_json::from_str(&at_root(&check).out).unwrap();
    let rules = log["runs"][0]["tool"]["driver"]["rules"].as_array().unwrap();
    let rules: Vec<&str> = rules.iter().map(|rule| rule["id"].as_str().unwrap()).collect();
    let mut listed: Vec<&str> = codes().iter().map(|code| code.code.as_str()).collect();
    listed.sort_unstable_by_key(|code| code[1..].parse::<u32>().unwrap());
    assert_eq!(listed, rules);
}

/// Each keyword that is listed is explained, with its example.
#[test]
fn every_keyword_is_listed_and_explained() {
    let overview = at_root(&["explain"]).out;
    let (_, listed) = overview.split_once("\nKeywords\n").unwrap();
    let listed = listed.split("\n\n").next().unwrap();
    let keywords: Vec<&str> =
        listed.split([',', '\n']).map(str::trim).filter(|w| !w.is_empty()).collect();
    assert!(keywords.len() > 30, "{keywords:?}");
    for keyword in keywords {
        let text = at_root(&["explain", keyword]).out;
        assert!(text.starts_with(&format!("keyword {keyword}\n")), "{keyword}: {text}");
        assert!(text.contains("\nExample:\n"), "{keyword}: {text}");
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
        let ended = at_root(&["explain", asked]);
        assert_eq!(ended.code, Some(2), "{asked}");
        assert!(ended.error.contains(offer), "{asked}: {}", ended.error);
    }
}

/// Examples of limits, through the command that has the option.
#[test]
fn examples_of_limits() {
    let folder = Folder::new("limits");
    for Code { code, wrong, right, .. } in codes().iter().filter(|c| c.topic == explained::LIMITS) {
        for (example, status) in [(wrong, 2), (right, 0)] {
            folder.file("limited.spt", example);
            let limit = Example::new(example).at_most.unwrap();
            for format in ["text", "json", "sarif"] {
                let check = ["check", "limited.spt", "--at-most", &limit, "--format", format];
                let ended = spintrue(&folder, &check);
                let told = ended.all();
                assert_eq!(ended.code, Some(status), "{told}");
                // Every SARIF log lists all codes as rules.
                let met = told.contains(code) && format != "sarif"
                    || told.contains(&format!("\"ruleId\":\"{code}\""));
                assert_eq!(met, status == 2, "{told}");
            }
        }
    }
}
