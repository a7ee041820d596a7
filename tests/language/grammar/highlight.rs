//! The highlighting grammar for editors, in the TextMate JSON format, made from the tables of
//! keywords, units, kinds and built-ins. Patterns are for the Oniguruma engine.

use serde_json::{Value, json};
use spintrue_head::{KINDS, UNITS};
use spintrue_language::{Effect, KEYWORDS, builtin_records, builtins};
use std::collections::BTreeSet;

/// What each keyword is to a reader. Every keyword stands in exactly one class.
pub const CLASSES: &[(&str, &[&str])] = &[
    (
        "keyword.control",
        &[
            "if", "else", "for", "repeat", "at", "most", "times", "until", "while", "break",
            "continue", "return", "wait", "within", "every", "hold", "arm", "try", "catch",
            "finally", "fail",
        ],
    ),
    ("keyword.control.import", &["use"]),
    ("storage.type", &["param", "routine", "let", "var"]),
    ("storage.modifier", &["any", "may", "allow", "list", "of"]),
    ("keyword.operator.word", &["and", "or", "not", "mod", "in"]),
    ("keyword.other", &["expect", "record", "note", "ask"]),
    ("constant.language", &["true", "false"]),
];

const NAME: &str = r"[\p{L}\p{Nl}_][\p{L}\p{Nl}\p{N}\p{Mn}\p{Mc}\p{Pc}]*";
const BEFORE: &str = r"(?<![\p{L}\p{N}\p{Pc}])";
const AFTER: &str = r"(?![\p{L}\p{N}\p{Pc}])";

/// One of several words, the longest first, so that none hides a longer one.
fn any_of<'w>(words: impl IntoIterator<Item = &'w str>) -> String {
    let unique: BTreeSet<&str> = words.into_iter().collect();
    let mut sorted: Vec<&str> = unique.into_iter().collect();
    sorted.sort_by_key(|word| std::cmp::Reverse(word.len()));
    format!("(?:{})", sorted.join("|"))
}

fn words<'w>(words: impl IntoIterator<Item = &'w str>) -> String {
    format!("{BEFORE}{}{AFTER}", any_of(words))
}

/// A whole unit: one of the table, with prefixes, powers and further units.
fn unit() -> String {
    let names = UNITS.iter().flat_map(|unit| {
        std::iter::once(unit.name).chain(unit.aliases.iter().copied()).map(|name| {
            match unit.prefixes {
                "" => name.to_string(),
                prefixes => format!("[{}]?{name}", prefixes.replace('u', "uµμ")),
            }
        })
    });
    let names: Vec<String> = names.collect();
    let part = format!(r"{}(?:\^-?[0-9]+)?", any_of(names.iter().map(String::as_str)));
    format!(r"{part}(?:[/*]{part}|[/*]\({part}(?:[/*]{part})*\))*{AFTER}")
}

fn scoped(name: &str) -> String {
    format!("{name}.spintrue")
}

fn rule(scope: &str, pattern: &str) -> Value {
    json!({ "name": scoped(scope), "match": pattern })
}

fn captured(pattern: &str, scopes: &[&str]) -> Value {
    let captures: serde_json::Map<String, Value> = (1..)
        .zip(scopes)
        .map(|(at, scope)| (at.to_string(), json!({ "name": scoped(scope) })))
        .collect();
    json!({ "match": pattern, "captures": captures })
}

fn keywords() -> Vec<Value> {
    let classes = CLASSES.iter();
    classes.map(|(scope, class)| rule(scope, &words(class.iter().copied()))).collect()
}

fn types() -> String {
    let kinds = KINDS.iter().map(|kind| kind.name).filter(|name| !name.contains('/'));
    let records = builtin_records().iter().map(|record| record.name);
    let plain = ["flag", "text", "temperature"];
    any_of(kinds.chain(records).chain(plain))
}

/// The whole grammar, as it stands in its file.
pub fn grammar() -> String {
    let number = r"[0-9]+(?:_[0-9]+)*(?:\.[0-9]+(?:_[0-9]+)*)?(?:[eE][+-]?[0-9]+)?";
    let effects = any_of(Effect::ALL.map(Effect::text));
    let mut code = vec![
        rule("comment.line.documentation", r"^\s*///(?!/).*$"),
        rule("comment.line.double-slash", "//.*$"),
        json!({ "include": "#text" }),
        captured(
            &format!(r"{BEFORE}({number})[ \t]*({})", unit()),
            &["constant.numeric", "keyword.other.unit"],
        ),
        rule("constant.numeric", &format!("{BEFORE}{number}")),
        captured(
            &format!(r"{BEFORE}(in)[ \t]+({})", unit()),
            &["keyword.operator.word", "keyword.other.unit"],
        ),
        captured(
            &format!(r"{BEFORE}(routine)\s+({NAME})"),
            &["storage.type", "entity.name.function"],
        ),
        captured(
            &format!(r"{BEFORE}(param|let|var)\s+({NAME})"),
            &["storage.type", "variable.other.declaration"],
        ),
        captured(
            &format!(r"{BEFORE}(may)\s+({effects}(?:\s*,\s*{effects})*){AFTER}"),
            &["storage.modifier", "support.constant.effect"],
        ),
        captured(
            &format!(r"{BEFORE}(allow)\s+([EW][0-9]+){AFTER}"),
            &["storage.modifier", "constant.other.code"],
        ),
        captured(
            &format!(r"(:|->|{BEFORE}of{AFTER})\s*({}){AFTER}(?!\s*[(.])", types()),
            &["keyword.operator", "support.type"],
        ),
    ];
    // A keyword may name a field.
    code.push(captured(
        &format!(r"(?<!\.)(\.)({NAME})"),
        &["punctuation.separator", "variable.other.property"],
    ));
    code.extend(keywords());
    code.extend([
        rule(
            "support.function",
            &format!(r"{}(?=\s*\()", words(builtins().iter().map(|builtin| builtin.name))),
        ),
        rule("entity.name.function.call", &format!(r"{BEFORE}{NAME}(?=\s*\()")),
        rule("variable.parameter", &format!(r"{BEFORE}{NAME}(?=\s*:)")),
        rule("keyword.operator", r"\.\.|±|\+-|==|!=|<=|>=|->|[-+*/^<>=]"),
        rule("punctuation.separator", "[,;:.]"),
    ]);
    let grammar = json!({
        "name": "spintrue",
        "scopeName": "source.spintrue",
        "fileTypes": ["spt"],
        "patterns": [{ "include": "#code" }],
        "repository": {
            "code": { "patterns": code },
            "text": {
                "name": "string.quoted.double.spintrue",
                "begin": "\"",
                "end": "\"|$",
                "patterns": [
                    rule("constant.character.escape", r#"\\["\\nt{}]"#),
                    rule("invalid.illegal.escape", r"\\."),
                    {
                        "name": "meta.embedded.spintrue",
                        "begin": r"\{",
                        "end": r"\}|$",
                        "patterns": [{ "include": "#value" }],
                    },
                ],
            },
            "value": {
                "patterns": [
                    { "begin": r"\{", "end": r"\}|$", "patterns": [{ "include": "#value" }] },
                    { "include": "#code" },
                ],
            },
        },
    });
    serde_json::to_string_pretty(&grammar).unwrap() + "\n"
}

/// Keywords without a class, with several, and words in a class that are none.
pub fn misplaced() -> Vec<String> {
    let classed: Vec<&str> = CLASSES.iter().flat_map(|(_, class)| class.iter().copied()).collect();
    let often = |word: &&&str| classed.iter().filter(|other| *other == *word).count() != 1;
    let wrong = KEYWORDS.iter().filter(often);
    let unknown = classed.iter().filter(|word| !KEYWORDS.contains(word));
    wrong.chain(unknown).map(ToString::to_string).collect()
}
