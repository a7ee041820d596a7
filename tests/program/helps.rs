//! No help changes what a number means: every offer of every report on the scripts of
//! `tests/data/helps.txt` is carried out as it stands, the script is run, and what it records is
//! compared with the value that is known without it.

use crate::program::{json_lines, spintrue};
use crate::support::{Folder, root};
use serde_json::Value;
use std::fs;

/// A wrong script, what it should record as `value` in SI, and how many offers it must get.
struct Case {
    value: f64,
    offers: usize,
    /// Lenses are about, where a turn is never right.
    lens: bool,
    text: String,
}

fn cases() -> Vec<Case> {
    let text = fs::read_to_string(root().join("tests/data/helps.txt")).unwrap();
    let blocks = text.split("\n=== ").skip(1);
    let case = |block: &str| {
        let (head, text) = block.split_once('\n').unwrap();
        let words: Vec<&str> = head.split_whitespace().collect();
        Case {
            value: words[0].parse().unwrap(),
            offers: words[1].parse().unwrap(),
            lens: words[2] == "lens",
            text: text.to_string(),
        }
    };
    blocks.map(case).collect()
}

/// What is recorded as `value`, in SI; none where the script does not run.
fn recorded(folder: &Folder) -> Option<f64> {
    let ended = spintrue(folder, &["run", "--head", "sim", "--json", "helped.spt"]);
    let events = json_lines(&ended.out);
    let value = &events.iter().find(|event| event["name"] == "value")?["value"];
    value.as_f64().or_else(|| value["value"].as_f64())
}

fn diagnostics(folder: &Folder) -> Vec<Value> {
    let ended = spintrue(folder, &["check", "--format", "json", "helped.spt"]);
    let report: Value = serde_json::from_str(&ended.out).unwrap();
    report["diagnostics"].as_array().unwrap().clone()
}

/// The codes in backticks of a help.
fn codes(help: &str) -> Vec<&str> {
    help.split('`').skip(1).step_by(2).collect()
}

fn span(label: &Value) -> std::ops::Range<usize> {
    let byte = |end: &str| label[end]["byte"].as_u64().unwrap() as usize;
    byte("start")..byte("end")
}

/// The script with an offer carried out: the words that it is about are replaced by it. None where
/// a help offers nothing to write.
fn carried_out(text: &str, diagnostic: &Value, help: &str) -> Option<String> {
    let labels = diagnostic["labels"].as_array().unwrap();
    let codes = codes(help);
    let replaced = |range: std::ops::Range<usize>, by: &str| {
        format!("{}{by}{}", &text[..range.start], &text[range.end..])
    };
    // "declare it per angle: in `mm/rad`"
    if help.contains("declare it per angle") || help.contains("its unit where it is declared") {
        let unit = codes.last().unwrap();
        let place = |label: &&Value| {
            let text = label["text"].as_str().unwrap();
            text == "a plain length" || text.starts_with("declared here")
        };
        let declared = span(labels.iter().find(place).unwrap()).end;
        let line = text[declared..].find('\n').map_or(text.len(), |at| declared + at);
        let declaration = text[declared..line].trim_end();
        let number = |word: &str| word.parse::<f64>().is_ok();
        let at = declaration.split_whitespace().find(|word| number(word)).unwrap();
        let from = declared + declaration.find(at).unwrap() + at.len();
        return Some(replaced(from..declared + declaration.len(), &format!(" {unit}")));
    }
    // "`plan.f_theta` for `plan.focal_length`"
    if let ([new, old], true) = (codes.as_slice(), help.contains("the length per angle of")) {
        return Some(text.replace(old, new));
    }
    let [code] = codes.as_slice() else { return None };
    for label in labels {
        let range = span(label);
        let words = text[range.clone()].split_whitespace().collect::<Vec<_>>().join(" ");
        let bare = words.split(" in ").next().unwrap().to_string();
        for words in [words, bare] {
            if !words.is_empty() && code.contains(&words) && *code != words {
                let range = range.start..range.start + words.len();
                return Some(replaced(range, &format!("({code})")));
            }
        }
    }
    // What stands in the place of the words: a unit, or the same without its turn.
    let range = span(&labels[0]);
    let words = &text[range.clone()];
    let named = help.starts_with("did you mean") || diagnostic["code"] == "W0808";
    (named && *code != words).then(|| replaced(range, code))
}

#[test]
fn every_offer_gives_the_right_number() {
    let mut wrong = Vec::new();
    for case in cases() {
        let folder = Folder::new("helps");
        folder.file("helped.spt", &case.text);
        let mut offers = 0;
        for diagnostic in diagnostics(&folder) {
            for help in diagnostic["help"].as_array().unwrap() {
                let help = help.as_str().unwrap();
                if case.lens && diagnostic["code"] != "W0808" && help.contains("1 rev") {
                    wrong.push(format!("a lens is offered a turn: {help}\n{}", case.text));
                }
                let Some(mended) = carried_out(&case.text, &diagnostic, help) else { continue };
                offers += 1;
                folder.file("helped.spt", &mended);
                match recorded(&folder) {
                    Some(value) if (value / case.value - 1.0).abs() < 1e-4 => {}
                    value => wrong.push(format!(
                        "{help}\ngives {value:?} and not {}:\n{mended}{:?}",
                        case.value,
                        diagnostics(&folder).first().map(|d| d["headline"].clone()),
                    )),
                }
            }
        }
        if offers != case.offers {
            wrong.push(format!("{offers} offers and not {}:\n{}", case.offers, case.text));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}
