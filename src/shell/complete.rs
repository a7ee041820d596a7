//! Completion at the prompt: what the language offers, and the shell's commands, signals, channels
//! and files.

use crate::shell::commands;
use crate::shell::commands::COMMANDS;
use crate::shell::context::PromptContext;
use crate::shell::topics::TOPICS;
use spintrue_head::{FAULTS, is_hidden};
use spintrue_language::{
    ActiveCall, Builtin, Completion, CompletionWanted, ItemKind, NameScope, Type, active_call,
    builtin_named, builtin_records, completion_candidates, cursor_at, record_fields,
};
use std::path::{Path, PathBuf};
use std::rc::Rc;

/// Most candidates that are offered at once.
const MAX_OFFERED: usize = 200;

/// A text that can be typed, and what is shown for it.
type Offer = (String, String);

/// Where the completed word begins, and what can be typed there.
pub(super) fn complete(known: &PromptContext, line: &str, place: usize) -> (usize, Vec<Offer>) {
    let before = line.get(..place).unwrap_or(line);
    let command = commands::of(before).filter(|(command, _)| before.trim_end() != command.name);
    if let Some((command, rest)) = command
        && let Some((before_file, _)) = command.takes.split_once("FILE")
        && before.ends_with(rest)
    {
        // `VALUE to FILE` takes a value first.
        let start = match before_file.contains(" to ") {
            true => rest.rsplit_once(" to ").map(|(_, path)| path),
            false => Some(rest),
        };
        if let Some(start) = start.map(|path| path.trim_start_matches('"')) {
            let ending = if before_file.is_empty() || before_file == "[" { ".spt" } else { ".csv" };
            return paths(Path::new(""), start, before.len() - start.len(), ending);
        }
    }
    if let Some((call, typed)) = before.rsplit_once('"')
        && called(call).and_then(builtin_named).is_some_and(Builtin::reads_table)
    {
        let start = before.len() - typed.len();
        return paths(Path::new(&known.folder), typed, start, ".csv");
    }
    if let Some(offers) = station_names(known, before) {
        return offers;
    }
    // `help` takes any name; what follows another command is the language's.
    let skipped = command.map_or(0, |(_, rest)| before.len() - rest.len());
    let help = command.is_some_and(|(command, _)| command.name == "help");
    let code = before.get(skipped..).unwrap_or("");
    let cursor = cursor_at(code, code.len());
    let start = skipped + cursor.word.start;
    let typed = before.get(start..).unwrap_or("");
    let mut offers: Vec<Offer> = match cursor.wanted {
        CompletionWanted::Path(begin) => {
            let typed = code.get(begin..).unwrap_or("");
            return paths(Path::new(&known.folder), typed, skipped + begin, ".spt");
        }
        CompletionWanted::Field => {
            fields_at(&known.scope, code.get(..cursor.word.start).unwrap_or(""))
        }
        _ => {
            let mut items = completion_candidates(&known.scope, code, &cursor);
            let call = active_call(&known.scope, code, &cursor);
            if let Some(kind) = call.as_ref().and_then(ActiveCall::wanted_kind) {
                let is_open = typed.is_empty() && items.iter().any(|item| is_a(item, kind));
                // What fits the argument stands first; before a letter is typed, alone.
                items
                    .retain(|item| !is_open || is_a(item, kind) || item.kind == ItemKind::Argument);
                items.sort_by_key(|item| match item.kind {
                    ItemKind::Argument => 0,
                    _ if is_a(item, kind) => 1,
                    _ => 2,
                });
            }
            items.into_iter().map(offer).collect()
        }
    };
    if help || (skipped == 0 && cursor.wanted == CompletionWanted::Statement) {
        offers.extend(COMMANDS.iter().map(|command| {
            let end = if command.takes.is_empty() { "" } else { " " };
            (format!("{}{end}", command.name), command.usage.to_string())
        }));
    }
    if help {
        let topics = TOPICS.iter().map(|topic| topic.name);
        let names = topics.chain(FAULTS.iter().map(|fault| fault.name));
        offers.extend(names.map(|name| (name.to_string(), name.to_string())));
    }
    offers.retain(|(text, _)| text.starts_with(typed));
    offers.dedup_by(|a, b| a.0 == b.0);
    offers.truncate(MAX_OFFERED);
    (start, offers)
}

/// Whether an item is a value of a kind, or gives one.
fn is_a(item: &Completion, kind: &str) -> bool {
    match item.kind {
        ItemKind::Constant | ItemKind::Variable => item.detail == kind,
        ItemKind::Routine | ItemKind::Builtin => item.detail.ends_with(&format!(" -> {kind}")),
        _ => false,
    }
}

fn offer(item: Completion) -> Offer {
    let Completion { label, kind, detail, insert, .. } = item;
    let shown = match kind {
        ItemKind::Routine | ItemKind::Builtin | ItemKind::Argument => detail,
        ItemKind::Constant | ItemKind::Variable => format!("{label}: {detail}"),
        _ if detail.is_empty() => label.clone(),
        _ => format!("{label}  {detail}"),
    };
    let text = match (insert, kind) {
        (Some(insert), _) => insert,
        (None, ItemKind::Routine | ItemKind::Builtin) => format!("{label}("),
        (None, _) => label,
    };
    (text, shown)
}

/// Signals or channels, where a text begins that names one.
fn station_names(known: &PromptContext, before: &str) -> Option<(usize, Vec<Offer>)> {
    let (call, typed) = before.rsplit_once('"')?;
    let names = match builtin_named(called(call)?)?.page().parameters.first()?.kind {
        "signal" => &known.signals,
        "channel" => &known.channels,
        _ => return None,
    };
    let fits = |name: &&String| name.starts_with(typed) && !name.contains(is_hidden);
    let fitting = names.iter().filter(fits).take(MAX_OFFERED);
    Some((before.len() - typed.len(), fitting.map(|name| (name.clone(), name.clone())).collect()))
}

/// The routine whose bracket a text ends with.
fn called(text: &str) -> Option<&str> {
    let call = text.trim_end().strip_suffix('(')?;
    call.rsplit(|c: char| !is_word(c)).next()
}

fn is_word(c: char) -> bool {
    c.is_alphanumeric() || c == '_'
}

/// Fields of what stands before the point: of a value, of the result of a call, and of fields in
/// them.
fn fields_at(scope: &NameScope, code: &str) -> Vec<Offer> {
    let Some(of) = code.trim_end().strip_suffix('.') else { return Vec::new() };
    let found = fields_of(scope, of.trim_end());
    found.into_iter().map(|(name, kind)| (name.clone(), format!("{name}: {kind}"))).collect()
}

/// Names and types of the fields of the value that a text ends with.
fn fields_of(scope: &NameScope, code: &str) -> Vec<(String, String)> {
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
    let start = end.trim_end_matches(is_word).len();
    let name = end.get(start..).unwrap_or("");
    if let Some(before) = end.get(..start).and_then(|before| before.strip_suffix('.')) {
        let of = fields_of(scope, before);
        let kind = of.iter().find(|(field, _)| field == name).map(|(_, kind)| kind.as_str());
        return kind.map(fields_of_kind).unwrap_or_default();
    }
    if let Some(value) = scope.values.get(name) {
        return value.fields.clone();
    }
    let callable = scope.callable(name);
    callable.map(|c| fields_of_kind(c.returns.trim_start_matches(" -> "))).unwrap_or_default()
}

/// The fields of a record of the language by its name, or of a list of such.
fn fields_of_kind(kind: &str) -> Vec<(String, String)> {
    let name = kind.trim_start_matches("list of ");
    let record = builtin_records().iter().find(|record| record.name == name);
    let fields = record.map(|record| record_fields(&Type::Record(Rc::new(record.to_type()))));
    fields.unwrap_or_default()
}

/// Files with an ending, and folders, whose path goes on as typed.
fn paths(folder: &Path, typed: &str, start: usize, ending: &str) -> (usize, Vec<Offer>) {
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
        let fits = name.starts_with(last) && (is_folder || name.ends_with(ending));
        if fits && (!name.starts_with('.') || last.starts_with('.')) {
            found.push(if is_folder { format!("{name}/") } else { name });
        }
    }
    found.sort();
    found.truncate(MAX_OFFERED);
    (start, found.into_iter().map(|name| (name.clone(), name)).collect())
}

#[cfg(test)]
mod tests {
    use super::complete;
    use crate::shell::context::PromptContext;
    use spintrue_language::NamedValue;

    fn offered(line: &str) -> Vec<String> {
        let mut known = PromptContext::default();
        let fields = vec![("speed".to_string(), "rotation".to_string())];
        let value = NamedValue { kind: "plan".to_string(), fields, ..NamedValue::default() };
        known.scope.values.insert("plan_a".to_string(), value);
        let rotation = NamedValue { kind: "rotation".to_string(), ..NamedValue::default() };
        known.scope.values.insert("target".to_string(), rotation);
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
        // Without a letter only what fits is offered, and with one it stands first.
        let open = offered("spin(");
        assert_eq!(open.get(..2).unwrap(), ["speed: ", "target"], "{open:?}");
        assert!(!open.contains(&"plan_a".to_string()), "{open:?}");
        assert!(open.contains(&"measured_speed()".to_string()), "{open:?}");
        assert_eq!(offered("spin(t").first().map(String::as_str), Some("target"));
        assert!(offered("provoke(\"inter").contains(&"interlock_opened".to_string()));
        assert_eq!(offered("help ligh"), ["light"]);
        assert_eq!(offered("export pl"), ["plan_a", "plan_line("]);
        assert_eq!(
            offered("export plan_a to scripts/tables/ma"),
            ["marks.csv", "master_lines.csv"]
        );
        assert!(offered("wait until locked() wi").contains(&"within".to_string()));
        assert!(offered("he").contains(&"help ".to_string()));
        assert!(!offered("1 + he").contains(&"help ".to_string()));
        assert!(offered("help test_l").contains(&"test_line(".to_string()));
        assert!(offered("note \"sp").is_empty());
        assert_eq!(offered("switch_on(\"cl"), ["clamp", "clamped"]);
        assert_eq!(offered("wait until signal(\"d"), ["door"]);
        assert_eq!(offered("let v = 2 * channel(\""), ["vacuum"]);
        assert!(offered("provoke(\"c").is_empty());
        assert_eq!(
            offered("let marks = table(\"scripts/tables/ma"),
            ["marks.csv", "master_lines.csv"]
        );
        assert_eq!(offered("use \"scripts/acc"), ["accept.spt"]);
    }
}
