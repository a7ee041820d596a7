//! What is wrong with the form of a TOML file, in words for its author: a parser names its grammar instead.

use core::ops::Range;

/// A mistake in the form of a TOML file.
#[derive(Clone, Debug, PartialEq)]
pub struct FormMistake {
    /// Bytes of the text that it is about.
    pub span: Range<usize>,
    /// What is wrong.
    pub message: String,
    /// What would be right.
    pub help: Option<String>,
}

/// What a parser found in a text, one mistake a line, each in plain words where its line tells what was meant.
pub fn toml_mistakes<'m>(
    text: &str,
    found: impl IntoIterator<Item = (Range<usize>, &'m str)>,
) -> Vec<FormMistake> {
    let mut last = None;
    let mut mistakes = Vec::new();
    for (span, message) in found {
        let before = text.get(..span.start).unwrap_or(text);
        let start = before.rfind('\n').map_or(0, |at| at + 1);
        if last.replace(start) == Some(start) {
            continue;
        }
        let line = text.get(start..).and_then(|rest| rest.split('\n').next()).unwrap_or_default();
        let told = told(line.trim(), text.get(span.clone()).unwrap_or_default(), message);
        let (message, help) =
            told.unwrap_or_else(|| (format!("this is not TOML: {message}"), None));
        mistakes.push(FormMistake { span, message, help });
    }
    mistakes
}

fn write(line: impl AsRef<str>) -> Option<String> {
    Some(format!("write `{}`", line.as_ref()))
}

fn is_key(word: &str) -> bool {
    let is_part = |c: char| c.is_alphanumeric() || matches!(c, '_' | '-' | '.');
    !word.is_empty() && word.chars().all(is_part)
}

/// What is wrong with a line, and what would be right; none where the line does not tell.
fn told(line: &str, place: &str, message: &str) -> Option<(String, Option<String>)> {
    if message == "duplicate key" {
        return Some((format!("`{place}` is given twice"), Some("keep one of them".to_string())));
    }
    for mark in [";", "//", "--", "%"] {
        if let Some(comment) = line.strip_prefix(mark) {
            let comment = write(format!("# {}", comment.trim()));
            return Some(("a comment begins with `#`".to_string(), comment));
        }
    }
    if line.contains('\r') {
        let help = "save the file with LF or CRLF line ends".to_string();
        return Some((
            "a carriage return without a line feed ends no line".to_string(),
            Some(help),
        ));
    }
    let (key, value) = line.split_once(['=', ':'])?;
    let key = key.trim();
    if !is_key(key) {
        return None;
    }
    let value = value.trim();
    let marks: &[_] = &['=', ':'];
    let plain = value.trim_start_matches(marks).trim();
    let given = plain.trim_end_matches([';', ',']).trim();
    if plain.is_empty() {
        return Some((format!("`{key}` has no value"), write(format!("{key} = \"…\""))));
    }
    let (quoted, fault) = quoted(given);
    let fault = match fault {
        // A list or table that goes on below is not rewritten.
        _ if given.starts_with(['[', '{']) && !given.ends_with([']', '}']) => {
            let close = if given.starts_with('[') { ']' } else { '}' };
            return Some((format!("this is not closed by `{close}`"), None));
        }
        _ if line.split_once('=').is_none_or(|(before, _)| before.contains(':')) => {
            "a key and its value are parted by `=`"
        }
        _ if plain.len() < value.len() => "one `=` gives a value",
        Some(fault) => fault,
        None if given.len() < plain.len() => "a line ends without a mark",
        None => return None,
    };
    Some((fault.to_string(), write(format!("{key} = {quoted}"))))
}

/// A value as TOML has it, and what was wrong with it.
fn quoted(value: &str) -> (String, Option<&'static str>) {
    let bare = value.trim_matches(['“', '”', '„', '«', '»', '‘', '’']);
    if bare.len() < value.len() {
        return (format!("\"{bare}\""), Some("a text stands in plain double quotes"));
    }
    let is_number = |text: &str| text.parse::<f64>().is_ok();
    let lower = value.to_lowercase();
    let quote = value.chars().next().filter(|c| matches!(c, '"' | '\''));
    match quote {
        Some(quote) if value.len() > 1 && value.ends_with(quote) => (value.to_string(), None),
        Some(quote) => (format!("{value}{quote}"), Some("this text does not end on its line")),
        None if value.starts_with(['[', '{']) || value == lower && is_number(value) => {
            (value.to_string(), None)
        }
        None if matches!(lower.as_str(), "true" | "false") => {
            let is_right = value == lower;
            (lower, (!is_right).then_some("`true` and `false` are written in small letters"))
        }
        None if is_number(&value.replacen(',', ".", 1)) => {
            (value.replacen(',', ".", 1), Some("a number has a decimal point"))
        }
        None => {
            let mark = if value.contains('"') { '\'' } else { '"' };
            let fault = "a text, or a number with its unit, stands in quotes";
            (format!("{mark}{value}{mark}"), Some(fault))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::toml_mistakes;

    /// A line, what is said of it, and the line that is written instead.
    #[test]
    fn a_line_tells_what_was_meant() {
        let cases = [
            ("speed = 4800 rpm", "a text, or", "speed = \"4800 rpm\""),
            ("rows = table(\"x.csv\")", "a text, or", "rows = 'table(\"x.csv\")'"),
            ("speed: \"4800 rpm\"", "a key and its value", "speed = \"4800 rpm\""),
            ("speed: 4800 rpm;", "a key and its value", "speed = \"4800 rpm\""),
            ("speed == \"4800 rpm\"", "one `=`", "speed = \"4800 rpm\""),
            ("speed := 3", "a key and its value", "speed = 3"),
            ("share = 2,5", "a number has", "share = 2.5"),
            ("ready = True", "`true` and", "ready = true"),
            ("speed = \"4800 rpm\";", "a line ends", "speed = \"4800 rpm\""),
            ("speed = \"4800 rpm", "this text does not end", "speed = \"4800 rpm\""),
            ("; a comment", "a comment begins", "# a comment"),
            ("// a comment", "a comment begins", "# a comment"),
            ("speed = “4800 rpm”", "a text stands", "speed = \"4800 rpm\""),
            ("speed =", "`speed` has no value", "speed = \"…\""),
        ];
        for (line, said, meant) in cases {
            let told = toml_mistakes(line, [(0..1, "unexpected"), (1..2, "again")]);
            let [told] = told.as_slice() else { panic!("{line}: {told:?}") };
            assert!(told.message.starts_with(said), "{line}: {}", told.message);
            assert_eq!(told.help.as_deref(), Some(format!("write `{meant}`").as_str()), "{line}");
        }
        let others = ["[head", "a b c", "xs = [1, 2", "x = 2024-05-01x = 3"];
        for line in others {
            let told = toml_mistakes(line, [(0..1, "unexpected")]);
            assert_eq!(told.len(), 1, "{line}");
        }
    }
}
