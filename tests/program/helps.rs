//! No help changes what a number means: every offer of every report on the scripts of
//! `tests/data/helps.txt` is carried out as it stands, the script is run, and what it records is
//! compared with the value that is known without it.

use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// A wrong script, what it should record as `value` in SI, and how many offers it must get.
struct Case {
    value: f64,
    offers: usize,
    /// Lenses are about, where a turn is never right.
    lens: bool,
    text: String,
}

fn cases() -> Vec<Case> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/helps.txt");
    let text = fs::read_to_string(path).unwrap();
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

fn spintrue(arguments: &[&str], script: &Path) -> Output {
    let binary = env!("CARGO_BIN_EXE_spintrue");
    Command::new(binary).args(arguments).arg(script).output().unwrap()
}

/// A script in a folder of its own.
fn written(text: &str, at: usize) -> PathBuf {
    let folder = std::env::temp_dir().join(format!("spintrue-helps-{}-{at}", std::process::id()));
    fs::create_dir_all(&folder).unwrap();
    let path = folder.join("helped.spt");
    fs::write(&path, text).unwrap();
    path
}

/// What is recorded as `value`, in SI; none where the script does not run.
fn recorded(script: &Path) -> Option<f64> {
    let output = spintrue(&["run", "--head", "sim", "--json"], script);
    let printed = String::from_utf8(output.stdout).unwrap();
    let events = printed.lines().map(|line| serde_json::from_str::<Value>(line).unwrap());
    let mut values = events.filter(|event| event["name"] == "value");
    let value = values.next()?["value"].clone();
    value.as_f64().or_else(|| value["value"].as_f64())
}

fn diagnostics(script: &Path) -> Vec<Value> {
    let output = spintrue(&["check", "--format", "json"], script);
    let report: Value = serde_json::from_slice(&output.stdout).unwrap();
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
    for (at, case) in cases().iter().enumerate() {
        let path = written(&case.text, at);
        let mut offers = 0;
        for diagnostic in diagnostics(&path) {
            for help in diagnostic["help"].as_array().unwrap() {
                let help = help.as_str().unwrap();
                if case.lens && diagnostic["code"] != "W0808" && help.contains("1 rev") {
                    wrong.push(format!("a lens is offered a turn: {help}\n{}", case.text));
                }
                let Some(mended) = carried_out(&case.text, &diagnostic, help) else { continue };
                offers += 1;
                let path = written(&mended, at);
                match recorded(&path) {
                    Some(value) if (value / case.value - 1.0).abs() < 1e-4 => {}
                    value => wrong.push(format!(
                        "{help}\ngives {value:?} and not {}:\n{mended}{:?}",
                        case.value,
                        diagnostics(&path).first().map(|d| d["headline"].clone()),
                    )),
                }
            }
        }
        if offers != case.offers {
            wrong.push(format!("{offers} offers and not {}:\n{}", case.offers, case.text));
        }
        fs::remove_dir_all(path.parent().unwrap()).unwrap();
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}
