//! What is being typed at a byte of a text, judged from the lexemes before it: unfinished text has
//! no tree yet.

use crate::syntax::{Keyword, Lexeme, Raw, lexemes};
use std::ops::Range;

/// What belongs at a cursor.
#[derive(Clone, Debug, PartialEq)]
pub enum Wanted {
    /// Nothing can be offered: in a comment, where a name is made up.
    Nothing,
    /// The path of a `use`, from this byte on.
    Path(usize),
    /// A plain text.
    Text,
    /// The text that `problem.kind` is compared with.
    FailureKind,
    /// A field of what stands before the point.
    Field,
    /// A unit: behind a number or behind `in`.
    Unit,
    /// A type.
    Kind,
    /// An effect, behind `may`.
    Effect,
    /// How a check is decided, behind its label or `expect:`.
    Choice,
    /// How a recorded value is drawn.
    Drawing,
    /// The code of a warning, behind `allow`.
    Code,
    /// The beginning of a statement.
    Statement,
    /// An operand or what may follow one.
    Expression,
}

/// A call whose arguments are being typed.
#[derive(Clone, Debug, PartialEq)]
pub struct OpenCall {
    /// The name that is called.
    pub name: Range<usize>,
    /// Commas before the cursor.
    pub commas: usize,
    /// The names of arguments given by name so far.
    pub named: Vec<Range<usize>>,
    /// The name of the argument at the cursor, where it is given by name.
    pub current: Option<Range<usize>>,
}

/// What is being typed.
#[derive(Clone, Debug, PartialEq)]
pub struct Cursor {
    /// The word before the cursor, or the text without its quote, as far as it is typed.
    pub word: Range<usize>,
    /// The words and marks of the statement that stand before that.
    pub before: Vec<Range<usize>>,
    /// What belongs there.
    pub wanted: Wanted,
    /// The innermost call around.
    pub call: Option<OpenCall>,
}

#[derive(Debug)]
enum Frame {
    Call(OpenCall),
    /// The parameters of a routine.
    Parameters,
    /// A record that is written out.
    Record,
    Paren,
    List,
    Brace,
    /// A text; whether `use` stands before it.
    Text(usize, bool),
    /// A value inside a text.
    Value,
}

/// What is being typed at a byte of a text.
pub fn cursor(text: &str, offset: usize) -> Cursor {
    let text = text.get(..offset).unwrap_or(text);
    let lexemes = lexemes(text);
    let in_comment =
        lexemes.last().is_some_and(|l| l.raw == Raw::Comment && l.end as usize == text.len());
    let mut scan = Scan { text, frames: Vec::new(), tokens: Vec::new() };
    // Those without bytes stand for what is missing.
    lexemes.iter().filter(|l| l.start < l.end).for_each(|lexeme| scan.lexeme(lexeme));
    let mut tokens = scan.tokens;
    let last = tokens.last().filter(|t| t.raw == Raw::Word && t.end as usize == text.len());
    let mut word = last.map_or(text.len()..text.len(), Lexeme::range);
    if !word.is_empty() {
        tokens.pop();
    }
    let reader = Reader { text, tokens: &tokens };
    let mut around = scan.frames.as_slice();
    let wanted = match scan.frames.last() {
        _ if in_comment => Wanted::Nothing,
        Some(Frame::Text(start, true)) => Wanted::Path(*start),
        Some(Frame::Text(start, false)) => {
            word = *start..text.len();
            around = scan.frames.get(..scan.frames.len() - 1).unwrap_or_default();
            if reader.compares_kind() { Wanted::FailureKind } else { Wanted::Text }
        }
        frame => reader.wanted(frame, word.start),
    };
    let call = around.iter().rev().find_map(|frame| match frame {
        Frame::Call(call) => Some(Some(call.clone())),
        Frame::Paren | Frame::List => None,
        _ => Some(None),
    });
    let before = tokens.iter().filter(|token| token.raw != Raw::Newline).map(Lexeme::range);
    let before = before.collect();
    Cursor { word, before, wanted, call: call.flatten() }
}

struct Reader<'t> {
    text: &'t str,
    tokens: &'t [Lexeme],
}

impl Reader<'_> {
    /// The token `back` places before the word.
    fn token(&self, back: usize) -> Option<Lexeme> {
        self.tokens.iter().rev().nth(back).copied()
    }

    fn is(&self, back: usize, words: &[&str]) -> bool {
        let text = self.token(back).and_then(|token| self.text.get(token.range()));
        text.is_some_and(|text| words.contains(&text))
    }

    /// A text behind `problem.kind ==`.
    fn compares_kind(&self) -> bool {
        let begun = self.token(0).is_some_and(|token| token.raw == Raw::Quote);
        begun && self.is(1, &["==", "!="]) && self.is(2, &["kind"]) && self.is(3, &["."])
    }

    fn wanted(&self, frame: Option<&Frame>, start: usize) -> Wanted {
        let Some(last) = self.token(0) else { return Wanted::Statement };
        if self.is(0, &["."]) {
            let number = self.token(1).is_some_and(|token| token.raw == Raw::Number);
            return if number { Wanted::Nothing } else { Wanted::Field };
        }
        if self.unit(start) {
            return Wanted::Unit;
        }
        if self.is(0, &["let", "var", "param", "routine", "for", "any", "catch", "use"]) {
            return Wanted::Nothing;
        }
        if self.is(0, &["allow"]) {
            return Wanted::Code;
        }
        let line: Vec<&str> = self
            .tokens
            .iter()
            .rev()
            .take_while(|token| token.raw != Raw::Newline)
            .filter_map(|token| self.text.get(token.range()))
            .collect();
        if line.contains(&"routine") && line.contains(&"may") && !line.contains(&"{") {
            return Wanted::Effect;
        }
        if line.last() == Some(&"expect") && matches!(frame, None | Some(Frame::Brace)) {
            let all = line.iter().rev().nth(1) == Some(&":");
            let begun = self.is(0, &[","]) || (all && line.len() == 2);
            if begun && (all || !line.contains(&":")) {
                return Wanted::Choice;
            }
        }
        let is_record = line.last() == Some(&"record") && !line.contains(&":");
        if is_record && matches!(frame, None | Some(Frame::Brace)) && self.is(0, &[","]) {
            return Wanted::Drawing;
        }
        let declares = |back: usize| self.is(back, &["let", "var", "param"]);
        let asks = line.contains(&"ask") && matches!(frame, None | Some(Frame::Brace));
        if self.is(0, &["->", "of"])
            || (self.is(0, &[":"]) && asks)
            || (self.is(0, &[":"]) && (matches!(frame, Some(Frame::Parameters)) || declares(2)))
        {
            return Wanted::Kind;
        }
        if matches!(frame, Some(Frame::Parameters)) && self.is(0, &["(", ","]) {
            return Wanted::Nothing;
        }
        let begins = last.raw == Raw::Newline || self.is(0, &["{", "}", ";", "else"]);
        if begins && matches!(frame, None | Some(Frame::Brace)) {
            return Wanted::Statement;
        }
        Wanted::Expression
    }

    /// Behind a number, or behind an `in` that shows; inside a compound unit too.
    fn unit(&self, start: usize) -> bool {
        let (mut back, mut start) = (0, start);
        while self.is(back, &["/", "*"])
            && let (Some(mark), Some(word)) = (self.token(back), self.token(back + 1))
            && mark.end as usize == start
            && word.raw == Raw::Word
            && word.end == mark.start
        {
            start = word.start as usize;
            back += 2;
        }
        let number = self.token(back).is_some_and(|token| token.raw == Raw::Number);
        number || (self.is(back, &["in"]) && !self.is(back + 2, &["for"]))
    }
}

struct Scan<'t> {
    text: &'t str,
    frames: Vec<Frame>,
    /// What stands before the cursor, from the start of its statement at least.
    tokens: Vec<Lexeme>,
}

impl Scan<'_> {
    /// The word or mark `back` places before the end.
    fn text(&self, back: usize) -> Option<&str> {
        self.tokens.iter().rev().nth(back).and_then(|token| self.text.get(token.range()))
    }

    fn lexeme(&mut self, lexeme: &Lexeme) {
        match lexeme.raw {
            Raw::Comment | Raw::Plain => return,
            Raw::Newline => self.line(),
            Raw::Word => self.word(self.text.get(lexeme.range()).unwrap_or("")),
            Raw::Quote => {
                let after_use = self.text(0) == Some("use");
                self.frames.push(Frame::Text(lexeme.end as usize, after_use));
            }
            Raw::Unquote => {
                self.frames.pop();
            }
            raw => self.mark(raw),
        }
        self.tokens.push(*lexeme);
    }

    /// A text ends with its line at the latest.
    fn line(&mut self) {
        let text = self.frames.iter().position(|frame| matches!(frame, Frame::Text(..)));
        self.frames.truncate(text.unwrap_or(self.frames.len()));
        if self.frames.last().is_none_or(|frame| matches!(frame, Frame::Brace)) {
            // Earlier statements tell nothing.
            self.tokens.clear();
        }
    }

    /// A word that begins a statement closes what was left open on the lines before.
    fn word(&mut self, word: &str) {
        let begins_line = self.tokens.last().is_none_or(|token| token.raw == Raw::Newline);
        // Those two stand in comprehensions as well.
        let begins = Keyword::of(word).is_some_and(Keyword::begins_statement);
        if begins_line && begins && word != "if" && word != "for" {
            let is_open =
                |frame: &Frame| !matches!(frame, Frame::Brace | Frame::Text(..) | Frame::Value);
            while self.frames.last().is_some_and(is_open) {
                self.frames.pop();
                self.tokens.clear();
            }
        }
    }

    fn mark(&mut self, raw: Raw) {
        match raw {
            Raw::ParenOpen => {
                let called = self.tokens.last().filter(|token| token.raw == Raw::Word);
                self.frames.push(match called {
                    Some(_) if self.text(1) == Some("routine") => Frame::Parameters,
                    Some(name) => Frame::Call(OpenCall {
                        name: name.range(),
                        commas: 0,
                        named: Vec::new(),
                        current: None,
                    }),
                    None => Frame::Paren,
                });
            }
            Raw::ListOpen => self.frames.push(Frame::List),
            Raw::BraceOpen => {
                let before = self.text(0).unwrap_or_default();
                let is_record = matches!(before, "=" | "(" | "[" | "," | ":" | "return" | "+");
                self.frames.push(if is_record { Frame::Record } else { Frame::Brace });
            }
            Raw::ValueOpen => self.frames.push(Frame::Value),
            Raw::ParenClose => {
                self.close(|f| matches!(f, Frame::Call(_) | Frame::Parameters | Frame::Paren));
            }
            Raw::ListClose => self.close(|f| matches!(f, Frame::List)),
            Raw::BraceClose => self.close(|f| matches!(f, Frame::Brace | Frame::Record)),
            Raw::ValueClose => self.close(|f| matches!(f, Frame::Value)),
            Raw::Comma => {
                if let Some(Frame::Call(call)) = self.frames.last_mut() {
                    call.commas += 1;
                    call.current = None;
                }
            }
            Raw::Colon => {
                if let (Some(Frame::Call(call)), Some(token)) =
                    (self.frames.last_mut(), self.tokens.last())
                {
                    call.named.push(token.range());
                    call.current = Some(token.range());
                }
            }
            _ => {}
        }
    }

    fn close(&mut self, fits: fn(&Frame) -> bool) {
        let text = self.frames.iter().rposition(|frame| matches!(frame, Frame::Text(..)));
        let found = self.frames.iter().rposition(fits);
        if let Some(found) = found.filter(|found| text.is_none_or(|text| *found > text)) {
            self.frames.truncate(found);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Wanted, cursor};

    #[test]
    fn what_belongs_at_a_place() {
        let cases = [
            ("", Wanted::Statement),
            ("le", Wanted::Statement),
            ("let x = 1\n  wa", Wanted::Statement),
            ("let x = sp", Wanted::Expression),
            ("let sp", Wanted::Nothing),
            ("let x: le", Wanted::Kind),
            ("routine f(x: le", Wanted::Kind),
            ("routine f(x", Wanted::Nothing),
            ("routine f(x: length) -> l", Wanted::Kind),
            ("routine f(x: list of l", Wanted::Kind),
            ("routine f() may re", Wanted::Effect),
            ("routine f() may reads, s", Wanted::Effect),
            ("expect \"speed\", gu", Wanted::Choice),
            ("expect \"speed\", guard, ", Wanted::Choice),
            ("record \"bow\", ba", Wanted::Drawing),
            ("expect: ", Wanted::Choice),
            ("expect: guard, co", Wanted::Choice),
            ("expect \"speed\": me", Wanted::Expression),
            ("expect \"speed\", risk ", Wanted::Expression),
            ("expect f(a, ", Wanted::Expression),
            ("allow W", Wanted::Code),
            ("let x = 4800 r", Wanted::Unit),
            ("let x = 1.5e-3 ", Wanted::Unit),
            ("let x = 9.8 m/", Wanted::Unit),
            ("let x = 9.8 m / ", Wanted::Expression),
            ("note \"{speed in r", Wanted::Unit),
            ("for k in fa", Wanted::Expression),
            ("let x = [f(k) for k in fa", Wanted::Expression),
            ("let x = seen.", Wanted::Field),
            ("let x = worst(seen).in", Wanted::Field),
            ("for k in 0..", Wanted::Expression),
            ("use \"lib/", Wanted::Path(5)),
            ("note \"abc", Wanted::Text),
            ("provoke(\"", Wanted::Text),
            ("if problem.kind == \"ti", Wanted::FailureKind),
            ("note \"abc {sp", Wanted::Expression),
            ("// spin", Wanted::Nothing),
            ("let x = \"µ🙂\" // a\nle", Wanted::Statement),
            ("note \"open\nsp", Wanted::Statement),
            ("spin(\nlet x = 1 r", Wanted::Unit),
        ];
        for (text, wanted) in cases {
            assert_eq!(cursor(text, text.len()).wanted, wanted, "{text}");
        }
    }

    #[test]
    fn calls_around_a_place() {
        let called = |text: &str| {
            cursor(text, text.len()).call.map(|call| {
                let word = |range: std::ops::Range<usize>| text[range].to_string();
                (word(call.name), call.commas, call.current.map(word))
            })
        };
        let is = |name: &str, commas, now: Option<&str>| {
            Some((name.to_string(), commas, now.map(str::to_string)))
        };
        assert_eq!(called("plan_line(speed, le"), is("plan_line", 1, None));
        assert_eq!(called("plan_line(speed, length: 3 mm"), is("plan_line", 1, Some("length")));
        assert_eq!(called("f(g(1, 2), "), is("f", 1, None));
        assert_eq!(called("f([1, 2, (3"), is("f", 0, None));
        assert_eq!(called("note \"{f(1, "), is("f", 1, None));
        assert_eq!(called("provoke(\"no"), is("provoke", 0, None));
        assert_eq!(called("f(\"{x"), None);
        assert_eq!(called("f(1)"), None);
        assert_eq!(called("routine f(x"), None);
        assert_eq!(called("f(1,\nlet x = g("), is("g", 0, None));
        assert_eq!(called("f(1, \"(\", "), is("f", 2, None));
        assert_eq!(called("if f(1 {\n"), None);
    }

    #[test]
    fn every_place_of_any_text_has_an_answer() {
        let text = "let µ = \"{f(\"a{b}\") in m/s : 2}\" // 🙂\n}])\\\"\n1e 1.e5 '";
        for offset in 0..=text.len() {
            cursor(text, offset);
        }
    }
}
