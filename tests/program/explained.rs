//! Codes with their examples, as `spintrue explain` tells them.

use crate::program::at_root;
use std::sync::OnceLock;

/// Topics whose examples are no scripts, or are about an option.
pub const HEAD_DESCRIPTIONS: &str = "Descriptions of heads";
pub const LISTS: &str = "Lists of heads";
pub const LIMITS: &str = "Limits of a run";

pub struct Code {
    pub code: String,
    pub topic: String,
    pub meaning: String,
    pub wrong: String,
    pub right: String,
}

/// What `explain` tells of a code.
pub fn text(code: &str) -> String {
    let ended = at_root(&["explain", code]);
    assert_eq!(ended.code, Some(0), "{}", ended.error);
    ended.out
}

/// Every code that `explain` lists, with its topic.
pub fn codes() -> &'static [Code] {
    static CODES: OnceLock<Vec<Code>> = OnceLock::new();
    CODES.get_or_init(|| {
        let overview = at_root(&["explain"]).out;
        let (mut topic, mut codes) = ("", Vec::new());
        for line in overview.lines().take_while(|line| !line.starts_with('`')) {
            let Some(entry) = line.strip_prefix("  ") else {
                topic = if line.is_empty() { topic } else { line };
                continue;
            };
            // The rest of a meaning that is wrapped stands further in.
            if let Some((code, _)) = entry.split_once("  ").filter(|(code, _)| !code.is_empty()) {
                codes.push(explained(code, topic));
            }
        }
        assert!(codes.len() > 90, "only {} codes", codes.len());
        for topic in [HEAD_DESCRIPTIONS, LISTS, LIMITS] {
            assert!(codes.iter().any(|code| code.topic == topic), "no topic {topic}");
        }
        codes
    })
}

fn explained(code: &str, topic: &str) -> Code {
    let text = text(code);
    let (heading, rest) = text.split_once("\n\n").unwrap();
    let meaning = heading.strip_prefix(&format!("{code}: ")).unwrap().to_string();
    let (_, examples) = rest.split_once("\nWrong\n").unwrap();
    let (wrong, right) = examples.split_once("\nRight\n").unwrap();
    let (code, topic) = (code.to_string(), topic.to_string());
    Code { code, topic, meaning, wrong: example(wrong), right: example(right) }
}

/// An example without its indent, control characters as themselves.
fn example(shown: &str) -> String {
    let line = |line: &str| format!("{}\n", line.strip_prefix("  ").unwrap());
    let mut pieces = shown.lines().map(line).collect::<String>();
    while let Some((before, rest)) = pieces.split_once("\\u{") {
        let (digits, after) = rest.split_once('}').unwrap();
        let character = char::from_u32(u32::from_str_radix(digits, 16).unwrap()).unwrap();
        pieces = format!("{before}{character}{after}");
    }
    pieces
}
