//! Blocks that end with their indentation or with a word, and the edits that put them into braces.

use crate::diagnostics::Edit;
use crate::source::{SourceId, Span};
use crate::syntax::foreign::line::Line;
use crate::syntax::foreign::{Foreign, Habit};

/// A word that ends a block in another language.
pub(crate) fn ends_block(word: &str) -> bool {
    let word = word.to_ascii_lowercase();
    word.starts_with("end")
        || ["fi", "done", "next", "wend", "loop", "od", "esac"].contains(&word.as_str())
}

/// A line of a text: where it begins, how far it is indented, and what it says.
fn line_at(text: &str, start: usize) -> (usize, &str) {
    let line = text.get(start..).and_then(|rest| rest.split('\n').next()).unwrap_or("");
    let said = line.trim_start();
    (line.len() - said.len(), said.trim_end())
}

/// A head of a block that is ended by its indentation or by a word, with the edits that put the block into
/// braces, or leave its words out; none where nothing is indented below it, and it has no such end.
pub(super) fn block(source: SourceId, text: &str, start: usize, mut habit: Habit) -> Option<Habit> {
    let braces = |text: &str| text.contains('{');
    let edits = || habit.help.iter().flat_map(|help| &help.edits);
    if edits().any(|edit| braces(&edit.text)) {
        let loops = edits().any(|edit| edit.text.contains("repeat at most"));
        let more = in_braces(source, text, start, loops)?;
        for help in habit.help.iter_mut().filter(|help| !help.edits.is_empty()) {
            help.edits.extend(more.iter().cloned());
        }
        return Some(habit);
    }
    let frame = framed(source, text, start);
    if habit.help.is_empty() {
        // All that stands there is explained.
        match frame {
            Some((end, _)) => habit.span = habit.span.to(end),
            None => drop(in_braces(source, text, start, false)?),
        }
        return Some(habit);
    }
    let (Some((end, inside)), Some(help)) = (frame, habit.help.first_mut()) else { return None };
    help.edits = [habit.span, end].map(|span| left_out(text, span)).to_vec();
    help.text = format!("leave out `{}` and `{}`", words(text, habit.whole), words(text, end));
    let declares = words(text, habit.whole).to_ascii_lowercase().starts_with("var");
    for line in inside.into_iter().filter(|_| declares) {
        let line = Line::from(source, text, line);
        let end = line.statements().first().map_or(0, |range| range.end);
        let declared = line.find(Foreign::Declaration, 0, end);
        help.edits.extend(declared.into_iter().flat_map(|habit| habit.help).flat_map(|h| h.edits));
    }
    help.edits.sort_by_key(|edit| edit.span.start);
    Some(habit)
}

fn words(text: &str, span: Span) -> &str {
    text.get(span.range()).unwrap_or("").trim_end_matches(';')
}

/// Leaves a text out, and with it the line that nothing else stands on.
pub(super) fn left_out(text: &str, span: Span) -> Edit {
    let (before, behind) = (text.get(..span.start as usize), text.get(span.end as usize..));
    let before = before.unwrap_or("");
    let start = before.rfind('\n').map_or(0, |at| at + 1);
    let rest = behind.and_then(|behind| behind.split_inclusive('\n').next()).unwrap_or("");
    let alone = before.get(start..).unwrap_or("").trim().is_empty()
        && rest.trim_start_matches(';').trim().is_empty();
    let span = match alone {
        true => Span::new(span.source, start, span.end as usize + rest.len()),
        false => span,
    };
    Edit { span, text: String::new() }
}

/// The lines behind a place: where each begins, and how far it is indented.
fn lines(text: &str, start: usize) -> impl Iterator<Item = (usize, usize, &str)> {
    let breaks = text.get(start..).unwrap_or("").match_indices('\n');
    breaks.map(move |(at, _)| {
        let at = start + at + 1;
        let (depth, said) = line_at(text, at);
        (at, depth, said)
    })
}

fn first_word(said: &str) -> &str {
    said.split(|c: char| !c.is_alphanumeric() && c != '_').next().unwrap_or("")
}

/// Where a block ends whose end says what ends, as in `VAR … END_VAR`, or else one that is indented; and where the
/// lines in it begin.
fn framed(source: SourceId, text: &str, start: usize) -> Option<(Span, Vec<usize>)> {
    let (indent, head) = line_at(text, start);
    let whole = first_word(head).to_ascii_lowercase();
    let (mut inside, mut deep) = (Vec::new(), 0_usize);
    for (at, depth, said) in lines(text, start) {
        let span = Span::new(source, at + depth, at + depth + said.trim_end_matches(';').len());
        let said = said.trim_end_matches(';').to_ascii_lowercase();
        let ended = said.strip_prefix("end_").or_else(|| said.strip_prefix("end ")).map(str::trim);
        let plain = depth == indent && said == "end";
        if ended.is_some_and(|ended| whole == ended || whole.starts_with(&format!("{ended}_"))) {
            if deep == 0 {
                return Some((span, inside));
            }
            deep -= 1;
        } else if plain && deep == 0 {
            return Some((span, inside));
        }
        deep += usize::from(first_word(&said) == whole);
        inside.push(at + depth);
    }
    None
}

/// What puts the lines that are indented below a head into braces; `loops` asks for a condition at its end.
fn in_braces(source: SourceId, text: &str, start: usize, loops: bool) -> Option<Vec<Edit>> {
    let (indent, _) = line_at(text, start);
    let margin = text.get(start..start + indent).unwrap_or("");
    let (mut edits, mut last, mut is_closed) = (Vec::new(), None, false);
    for (at, depth, said) in lines(text, start) {
        let place = Span::new(source, at + depth, at + depth + said.len());
        if said.is_empty() || said.starts_with("//") || said.starts_with('#') {
            continue;
        }
        if depth > indent {
            last = Some(place.after());
            continue;
        }
        let line = Line::from(source, text, at + depth);
        if depth == indent
            && let Some(next) = line.find(Foreign::Continuation, 0, line.lexemes.len())
            && last.is_some()
        {
            edits.extend(next.help.into_iter().flat_map(|help| help.edits));
            if next.why.contains("until") {
                last = None;
                is_closed = true;
            }
            continue;
        }
        let word = first_word(said);
        if depth == indent && ends_block(word) && (last.is_some() || is_closed) {
            edits.push(Edit { span: place, text: if is_closed { "" } else { "}" }.to_string() });
            last = None;
        }
        break;
    }
    if let Some(behind) = last {
        edits.push(Edit { span: behind, text: format!("\n{margin}}}") });
    }
    (!edits.is_empty() && (is_closed || !loops)).then_some(edits)
}
