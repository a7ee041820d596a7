//! Completion: what can be typed at a place, by the tables of the language and by what the session
//! knows.

use crate::builtins::{self, Effect, Spec};
use crate::check::deciding;
use crate::lsp::cursor::{Cursor, Wanted, at};
use crate::lsp::describe::Callable;
use crate::program::types::Type;
use crate::shell::known::{Known, fields};
use crate::shell::words::{self, WORDS};
use crate::syntax::KEYWORDS;
use crate::units::{KINDS, TABLE};
use crate::visible::is_hidden;
use std::path::{Path, PathBuf};

/// Most candidates that are offered at once.
const OFFERED_MOST: usize = 200;

/// Where the completed word begins, and each text with what is shown of it.
pub fn complete(known: &Known, line: &str, place: usize) -> (usize, Vec<(String, String)>) {
    let before = line.get(..place).unwrap_or(line);
    if let Some((word, rest)) = words::of(before)
        && word.takes.contains("FILE")
        && before.ends_with(rest)
        && before.trim_end() != word.name
    {
        let start = rest.trim_start_matches('"');
        return paths(Path::new(""), start, before.len() - start.len());
    }
    if let Some(named) = of_station(known, before) {
        return named;
    }
    // `help` takes any name; what follows another word is the language's.
    let (skipped, help) = match words::of(before) {
        Some((word, rest)) if before.trim_end() != word.name => {
            (before.len() - rest.len(), word.name == "help")
        }
        _ => (0, false),
    };
    let code = before.get(skipped..).unwrap_or("");
    let cursor = at(code, code.len());
    let start = skipped + cursor.word.start;
    let typed = before.get(start..).unwrap_or("");
    let found = match cursor.wanted {
        Wanted::Path(begin) => {
            let typed = code.get(begin..).unwrap_or("");
            return paths(Path::new(&known.folder), typed, skipped + begin);
        }
        Wanted::Nothing => Vec::new(),
        Wanted::Field => fields_at(known, code.get(..cursor.word.start).unwrap_or("")),
        Wanted::Unit => units(known, code, &cursor),
        Wanted::Kind => kinds(),
        Wanted::Effect => plain(Effect::ALL.into_iter().map(Effect::text)),
        Wanted::Choice => plain(deciding::WORDS.into_iter().map(|(word, _)| word)),
        Wanted::Code => Vec::new(),
        Wanted::Statement | Wanted::Expression => {
            let first = skipped == 0 && cursor.wanted == Wanted::Statement;
            names(known, code, &cursor, first || help)
        }
    };
    let mut found: Vec<(String, String)> =
        found.into_iter().filter(|(text, _)| text.starts_with(typed)).collect();
    found.dedup_by(|a, b| a.0 == b.0);
    found.truncate(OFFERED_MOST);
    (start, found)
}

/// Signals or channels, where the text begins that names one.
fn of_station(known: &Known, before: &str) -> Option<(usize, Vec<(String, String)>)> {
    let (call, typed) = before.rsplit_once('"')?;
    let call = call.trim_end().strip_suffix('(')?;
    let name = call.rsplit(|c: char| !(c.is_alphanumeric() || c == '_')).next()?;
    let builtin = builtins::table().iter().find(|builtin| builtin.name == name)?;
    let names = match builtin.parameters.first()?.spec {
        Spec::Signal => &known.signals,
        Spec::Channel => &known.channels,
        _ => return None,
    };
    let fits = |name: &&str| name.starts_with(typed) && !name.contains(is_hidden);
    let fitting = names.iter().map(String::as_str).filter(fits);
    Some((before.len() - typed.len(), plain(fitting.take(OFFERED_MOST))))
}

fn plain<'a>(texts: impl Iterator<Item = &'a str>) -> Vec<(String, String)> {
    texts.map(|text| (text.to_string(), text.to_string())).collect()
}

/// The routine or built-in of a name.
pub fn callable(known: &Known, name: &str) -> Option<Callable> {
    if let Some(routine) = known.routines.get(name) {
        return Some(routine.clone());
    }
    let builtin = builtins::table().iter().find(|builtin| builtin.name == name)?;
    Some(Callable::builtin(builtin))
}

/// Names, arguments first.
fn names(known: &Known, code: &str, cursor: &Cursor, words: bool) -> Vec<(String, String)> {
    let mut found = Vec::new();
    if let Some(call) = &cursor.call
        && let Some(called) = callable(known, code.get(call.name.clone()).unwrap_or(""))
    {
        let given: Vec<&str> =
            call.given.iter().filter_map(|range| code.get(range.clone())).collect();
        let open = called.parameters.iter().skip(call.commas.saturating_sub(given.len()));
        let open = open.filter(|parameter| !given.contains(&parameter.name.as_str()));
        found.extend(open.map(|p| (format!("{}: ", p.name), p.label.clone())));
    }
    let values = known.values.iter();
    found.extend(values.map(|(name, value)| (name.clone(), format!("{name}: {}", value.kind))));
    let called = |called: &Callable| {
        let end = if called.parameters.is_empty() { "()" } else { "(" };
        (format!("{}{end}", called.name), called.signature())
    };
    found.extend(known.routines.values().map(called));
    found.extend(builtins::table().iter().map(|builtin| called(&Callable::builtin(builtin))));
    found.extend(plain(KEYWORDS.iter().copied()));
    if words {
        found.extend(WORDS.iter().map(|word| {
            let end = if word.takes.is_empty() { "" } else { " " };
            (
                format!("{}{end}", word.name),
                format!("{} {}", word.name, word.takes).trim_end().to_string(),
            )
        }));
    }
    found
}

/// Fields of what stands before the point: of a value, of what a built-in gives, and of fields in
/// them.
fn fields_at(known: &Known, code: &str) -> Vec<(String, String)> {
    let Some(of) = code.trim_end().strip_suffix('.') else { return Vec::new() };
    let found = receiver(known, of.trim_end());
    found.into_iter().map(|(name, kind)| (name.clone(), format!("{name}: {kind}"))).collect()
}

/// The fields of the value that a text ends with.
fn receiver(known: &Known, code: &str) -> Vec<(String, String)> {
    let mut end = code;
    // An index or the arguments of a call do not change which record it is.
    while let Some((open, close)) =
        [('[', ']'), ('(', ')')].into_iter().find(|(_, c)| end.ends_with(*c))
    {
        let mut depth = 0_i32;
        let begin = end.char_indices().rev().find(|(_, c)| {
            depth += i32::from(*c == close) - i32::from(*c == open);
            depth == 0
        });
        let Some((begin, _)) = begin else { return Vec::new() };
        end = end.get(..begin).unwrap_or("");
    }
    let word = |c: char| c.is_alphanumeric() || c == '_';
    let start = end.trim_end_matches(word).len();
    let name = end.get(start..).unwrap_or("");
    if let Some(before) = end.get(..start).and_then(|before| before.strip_suffix('.')) {
        let of = receiver(known, before);
        let kind = of.iter().find(|(field, _)| field == name).map(|(_, kind)| kind.as_str());
        return kind.map(of_kind).unwrap_or_default();
    }
    if let Some(value) = known.values.get(name) {
        return value.fields.clone();
    }
    if let Some(routine) = known.routines.get(name) {
        return of_kind(routine.gives.trim_start_matches(" -> "));
    }
    let builtin = builtins::table().iter().find(|builtin| builtin.name == name);
    builtin.map(|builtin| fields(&builtin.returns.to_type())).unwrap_or_default()
}

/// The fields of a record of the language by its name, or of a list of such.
fn of_kind(kind: &str) -> Vec<(String, String)> {
    let name = kind.trim_start_matches("list of ");
    let record = builtins::records().iter().find(|record| record.name == name);
    record
        .map(|record| fields(&Type::Record(std::rc::Rc::new(record.to_type()))))
        .unwrap_or_default()
}

/// The kind of quantity that an argument wants, where that is known.
pub fn wanted_kind(known: &Known, code: &str, cursor: &Cursor) -> Option<String> {
    let call = cursor.call.as_ref()?;
    let called = callable(known, code.get(call.name.clone())?)?;
    let parameter = match &call.now {
        Some(name) => {
            let name = code.get(name.clone())?;
            called.parameters.iter().find(|p| p.name == name)?
        }
        None => called.parameters.get(call.commas)?,
    };
    let kind = parameter.label.split_once(':')?.1;
    let kind = kind.split('=').next().unwrap_or(kind);
    Some(kind.trim().trim_end_matches(']').to_string())
}

/// Units: those of the kind that is wanted, else all.
fn units(known: &Known, code: &str, cursor: &Cursor) -> Vec<(String, String)> {
    let wanted = wanted_kind(known, code, cursor);
    let kind = wanted.and_then(|name| KINDS.iter().find(|kind| kind.name == name));
    let mut found = Vec::new();
    // Those that values are shown in come first.
    for (unit, _) in kind.map(|kind| kind.shown_in).unwrap_or_default() {
        found.push(((*unit).to_string(), (*unit).to_string()));
    }
    for unit in TABLE.iter().filter(|unit| kind.is_none_or(|kind| kind.dimension == unit.dimension))
    {
        found.push((unit.name.to_string(), format!("{}  {}", unit.name, unit.meaning)));
        for prefix in unit.prefixes.chars() {
            let name = format!("{prefix}{}", unit.name);
            found.push((name.clone(), name));
        }
    }
    let mut seen = std::collections::HashSet::new();
    found.retain(|(unit, _)| seen.insert(unit.clone()));
    found
}

fn kinds() -> Vec<(String, String)> {
    let simple = ["text", "flag", "temperature", "list of "].into_iter();
    let physical = KINDS.iter().map(|kind| kind.name);
    let records = builtins::records().iter().map(|record| record.name);
    plain(simple.chain(physical).chain(records))
}

/// Scripts and folders whose path goes on as typed.
fn paths(folder: &Path, typed: &str, start: usize) -> (usize, Vec<(String, String)>) {
    let (inside, last) = match typed.rsplit_once('/') {
        Some((inside, last)) => (format!("{inside}/"), last),
        None => (String::new(), typed),
    };
    let whole = folder.join(&inside);
    let whole = if whole.as_os_str().is_empty() { PathBuf::from(".") } else { whole };
    let start = start + inside.len();
    let Ok(entries) = std::fs::read_dir(whole) else { return (start, Vec::new()) };
    let mut found = Vec::new();
    for entry in entries.take(10_000).flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let is_folder = entry.path().is_dir();
        let fits = name.starts_with(last) && (is_folder || name.ends_with(".spt"));
        if fits && (!name.starts_with('.') || last.starts_with('.')) {
            found.push(if is_folder { format!("{name}/") } else { name });
        }
    }
    found.sort();
    found.truncate(OFFERED_MOST);
    (start, found.into_iter().map(|name| (name.clone(), name)).collect())
}

#[cfg(test)]
mod tests {
    use super::complete;
    use crate::shell::known::{Known, Name};

    fn offered(line: &str) -> Vec<String> {
        let mut known = Known::default();
        let fields = vec![("speed".to_string(), "rotation".to_string())];
        let name = Name { kind: "plan".to_string(), text: String::new(), fields };
        known.values.insert("plan_a".to_string(), name);
        known.signals = ["clamp", "clamped", "door"].map(str::to_string).to_vec();
        known.channels = vec!["vacuum".to_string()];
        complete(&known, line, line.len()).1.into_iter().map(|(text, _)| text).collect()
    }

    #[test]
    fn offers_what_belongs_at_the_place() {
        assert!(
            offered("let x = pla").starts_with(&["plan_a".to_string(), "plan_line(".to_string()])
        );
        assert_eq!(offered("plan_a.sp"), ["speed"]);
        assert!(offered("status().inter").contains(&"interlock_closed".to_string()));
        assert_eq!(offered("spin(4800 rp"), ["rpm"]);
        assert!(offered("plan_line(speed: 1 rpm, le").contains(&"length: ".to_string()));
        assert!(offered("wait until locked() wi").contains(&"within".to_string()));
        assert!(offered("he").contains(&"help ".to_string()));
        assert!(!offered("1 + he").contains(&"help ".to_string()));
        assert!(offered("help test_l").contains(&"test_line(".to_string()));
        assert!(offered("note \"sp").is_empty());
        assert_eq!(offered("switch_on(\"cl"), ["clamp", "clamped"]);
        assert_eq!(offered("wait until signal(\"d"), ["door"]);
        assert_eq!(offered("let v = 2 * channel(\""), ["vacuum"]);
        assert!(offered("provoke(\"c").is_empty());
    }
}
