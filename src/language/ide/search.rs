//! Declarations in all scripts of the workspace by their names. Read from the lexemes: nothing is checked,
//! so that many files are looked through at once.

use crate::builtins;
use crate::ide::project::{MAX_CHECKED, Project};
use crate::ide::symbols::SymbolKind;
use crate::ide::workspace::Workspace;
use crate::syntax::{Keyword, Lexeme, Raw, lexemes};
use std::collections::BTreeSet;
use std::ops::Range;

/// Scripts that are looked through.
const MAX_FILES: usize = 2000;
/// Bytes of scripts that are looked through.
const MAX_BYTES: usize = 32 * 1024 * 1024;
/// Declarations that are found.
const MAX_FOUND: usize = 1000;

/// A declaration in a file.
pub struct Declaration {
    /// Its name.
    pub name: String,
    /// What it is.
    pub kind: SymbolKind,
    /// The name of the file.
    pub file: String,
    /// The text of the file.
    pub text: std::rc::Rc<str>,
    /// The name in the text.
    pub range: Range<usize>,
}

/// Routines, params and constants whose names hold the letters of `query` in their order; open documents
/// count as they are typed.
pub fn search(project: &Project, query: &str, workspace: &mut dyn Workspace) -> Vec<Declaration> {
    let mut files: BTreeSet<String> = project.documents().keys().cloned().collect();
    for folder in &project.folders {
        files.extend(workspace.scripts(folder, MAX_FILES));
    }
    let wanted: Vec<char> = query.to_lowercase().chars().collect();
    let (mut found, mut bytes) = (Vec::new(), 0);
    for name in files.into_iter().take(MAX_FILES) {
        let text = match project.documents().get(&name) {
            Some(text) => text.clone(),
            None => match workspace.read(None, &name) {
                Ok(read) => read.text,
                Err(_) => continue,
            },
        };
        bytes += text.len();
        if text.len() > MAX_CHECKED || bytes > MAX_BYTES {
            continue;
        }
        let text: std::rc::Rc<str> = text.into();
        for (kind, range) in declarations(&text) {
            let Some(declared) = text.get(range.clone()).filter(|d| fits(d, &wanted)) else {
                continue;
            };
            let (declared, file) = (declared.to_string(), name.clone());
            found.push(Declaration { name: declared, kind, file, text: text.clone(), range });
            if found.len() >= MAX_FOUND {
                return found;
            }
        }
    }
    found
}

/// A name holds all letters in their order.
fn fits(name: &str, letters: &[char]) -> bool {
    let mut name = name.chars().flat_map(char::to_lowercase);
    letters.iter().all(|letter| name.any(|c| c == *letter))
}

/// Routines, params and constants of a text.
fn declarations(text: &str) -> Vec<(SymbolKind, Range<usize>)> {
    let mut found = Vec::new();
    let mut depth = 0_usize;
    let mut statement: Vec<Lexeme> = Vec::new();
    let all = lexemes(text);
    for lexeme in all.iter().filter(|lexeme| lexeme.start < lexeme.end) {
        let is_open = depth > 0;
        match lexeme.raw {
            Raw::ParenOpen | Raw::ListOpen | Raw::BraceOpen => depth += 1,
            Raw::ParenClose | Raw::ListClose | Raw::BraceClose => depth = depth.saturating_sub(1),
            Raw::Newline | Raw::Semicolon if !is_open => {
                found.extend(declared(text, &statement));
                statement.clear();
                continue;
            }
            // One that begins a line at the left edge ends what was left open above.
            Raw::Word
                if is_open
                    && text.get(..lexeme.start as usize).is_some_and(|t| t.ends_with('\n'))
                    && word(text, lexeme).and_then(Keyword::of).is_some_and(is_item) =>
            {
                found.extend(declared(text, &statement));
                statement.clear();
                depth = 0;
            }
            Raw::Comment | Raw::Newline => continue,
            _ => {}
        }
        statement.push(*lexeme);
    }
    found.extend(declared(text, &statement));
    found
}

fn is_item(keyword: Keyword) -> bool {
    matches!(keyword, Keyword::Routine | Keyword::Param | Keyword::Let | Keyword::Use)
}

fn word<'t>(text: &'t str, lexeme: &Lexeme) -> Option<&'t str> {
    text.get(lexeme.range()).filter(|_| lexeme.raw == Raw::Word)
}

/// What a statement declares. A `let` is a constant where it calls nothing that needs the head.
fn declared(text: &str, statement: &[Lexeme]) -> Option<(SymbolKind, Range<usize>)> {
    let [first, name, rest @ ..] = statement else { return None };
    word(text, name)?;
    let kind = match word(text, first).and_then(Keyword::of)? {
        Keyword::Routine => SymbolKind::Routine,
        Keyword::Param => SymbolKind::Constant,
        Keyword::Let => {
            let is_pure =
                |called: &str| builtins::named(called).is_some_and(|b| b.page().effects.is_empty());
            let needs_head = rest.windows(2).any(|pair| match pair {
                [called, open] => {
                    let called = word(text, called).filter(|w| Keyword::of(w).is_none());
                    open.raw == Raw::ParenOpen && called.is_some_and(|called| !is_pure(called))
                }
                _ => false,
            });
            let asks = rest.iter().any(|lexeme| word(text, lexeme) == Some("ask"));
            if needs_head || asks {
                return None;
            }
            SymbolKind::Constant
        }
        _ => return None,
    };
    Some((kind, name.range()))
}

#[cfg(test)]
mod tests {
    use super::declarations;
    use crate::ide::symbols::SymbolKind::{Constant, Routine};

    #[test]
    fn items_are_found_in_whole_and_in_broken_texts() {
        let text = "/// x\nparam a = 3 mm; let b = 2 * a\nlet c = status()\nlet d = [\n    sqrt(4),\n]\nroutine e(let_: length) {\n    let f = 1\n}\nlet g = (1\nroutine h(\nlet i = ask \"x\": flag\n";
        let found: Vec<_> = declarations(text).into_iter().map(|(k, r)| (k, &text[r])).collect();
        let wanted = [
            (Constant, "a"),
            (Constant, "b"),
            (Constant, "d"),
            (Routine, "e"),
            (Constant, "g"),
            (Routine, "h"),
        ];
        assert_eq!(found, wanted);
    }
}
