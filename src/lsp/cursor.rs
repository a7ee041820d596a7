//! What is being typed at a place, told from the text alone: while somebody types, no tree holds
//! it yet. One pass from the start of the text to the place.

use std::ops::Range;

/// What belongs at a place.
#[derive(Clone, Debug, PartialEq)]
pub enum Wanted {
    /// Nothing can be offered: in a comment, in a plain text, where a name is made up.
    Nothing,
    /// The path of a `use`, from this byte on.
    Path(usize),
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
    /// The code of a warning, behind `allow`.
    Code,
    /// The beginning of a statement.
    Statement,
    /// An operand or what may follow one.
    Expression,
}

/// A call whose arguments are being typed.
#[derive(Clone, Debug, PartialEq)]
pub struct Typed {
    /// The name that is called.
    pub name: Range<usize>,
    /// Commas before the place.
    pub commas: usize,
    /// Arguments given by name so far.
    pub given: Vec<Range<usize>>,
    /// The argument at the place is given by this name.
    pub now: Option<Range<usize>>,
}

/// A place as it is being typed at.
#[derive(Clone, Debug, PartialEq)]
pub struct Cursor {
    /// The word before the place, as far as it is typed.
    pub word: Range<usize>,
    /// What belongs there.
    pub wanted: Wanted,
    /// The innermost call around.
    pub call: Option<Typed>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Word,
    Number,
    Mark,
    Quote,
    Line,
}

#[derive(Clone, Debug)]
struct Token {
    kind: Kind,
    range: Range<usize>,
}

#[derive(Debug)]
enum Frame {
    Call(Typed),
    /// The parameters of a routine.
    Parameters,
    Paren,
    List,
    Brace,
    /// A text; whether `use` stands before it.
    Text(usize, bool),
    /// A value inside a text.
    Value,
}

/// Words that begin a statement and so end what was left open before them.
const BEGINNINGS: &[&str] = &[
    "use", "param", "routine", "let", "var", "repeat", "while", "break", "continue", "return",
    "wait", "arm", "try", "fail", "expect", "record", "note", "ask", "allow",
];

/// Looks at a place.
pub fn at(text: &str, offset: usize) -> Cursor {
    let text = text.get(..offset).unwrap_or(text);
    let mut scan = Scan { text, at: 0, frames: Vec::new(), tokens: Vec::new(), comment: false };
    scan.run();
    let mut tokens = scan.tokens;
    let last = tokens.last().filter(|t| t.kind == Kind::Word && t.range.end == text.len());
    let word = match last {
        Some(last) => last.range.clone(),
        None => text.len()..text.len(),
    };
    if !word.is_empty() {
        tokens.pop();
    }
    let wanted = if scan.comment {
        Wanted::Nothing
    } else {
        match scan.frames.last() {
            Some(Frame::Text(start, true)) => Wanted::Path(*start),
            Some(Frame::Text(_, false)) => Wanted::Nothing,
            frame => Reader { text, tokens: &tokens }.wanted(frame, word.start),
        }
    };
    let call = scan.frames.iter().rev().find_map(|frame| match frame {
        Frame::Call(typed) => Some(Some(typed.clone())),
        Frame::Paren | Frame::List => None,
        _ => Some(None),
    });
    Cursor { word, wanted, call: call.flatten() }
}

struct Reader<'t> {
    text: &'t str,
    tokens: &'t [Token],
}

impl Reader<'_> {
    /// The token `back` places before the word.
    fn token(&self, back: usize) -> Option<&Token> {
        self.tokens.iter().rev().nth(back)
    }

    fn is(&self, back: usize, words: &[&str]) -> bool {
        let text = self.token(back).and_then(|token| self.text.get(token.range.clone()));
        text.is_some_and(|text| words.contains(&text))
    }

    fn wanted(&self, frame: Option<&Frame>, start: usize) -> Wanted {
        let Some(last) = self.token(0) else { return Wanted::Statement };
        let kind = |back: usize| self.token(back).map(|token| token.kind);
        if self.is(0, &["."]) {
            return if kind(1) == Some(Kind::Number) { Wanted::Nothing } else { Wanted::Field };
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
            .take_while(|token| token.kind != Kind::Line)
            .filter_map(|token| self.text.get(token.range.clone()))
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
        let begins = last.kind == Kind::Line || self.is(0, &["{", "}", ";", "else"]);
        if begins && matches!(frame, None | Some(Frame::Brace)) {
            return Wanted::Statement;
        }
        Wanted::Expression
    }

    /// Behind a number, or behind an `in` that shows; inside a compound unit too.
    fn unit(&self, start: usize) -> bool {
        let mut back = 0;
        let mut start = start;
        while self.is(back, &["/", "*"])
            && self.token(back).is_some_and(|mark| mark.range.end == start)
            && self.token(back + 1).is_some_and(|word| {
                word.kind == Kind::Word
                    && self.token(back).is_some_and(|mark| mark.range.start == word.range.end)
            })
        {
            start = self.token(back + 1).map_or(0, |word| word.range.start);
            back += 2;
        }
        let number = self.token(back).is_some_and(|token| token.kind == Kind::Number);
        number || (self.is(back, &["in"]) && !self.is(back + 2, &["for"]))
    }
}

struct Scan<'t> {
    text: &'t str,
    at: usize,
    frames: Vec<Frame>,
    /// What stands before the place, from the start of its statement at least.
    tokens: Vec<Token>,
    /// The place is inside a comment.
    comment: bool,
}

impl Scan<'_> {
    fn run(&mut self) {
        while let Some(rest) = self.text.get(self.at..).filter(|rest| !rest.is_empty()) {
            if matches!(self.frames.last(), Some(Frame::Text(..))) {
                self.text_part(rest);
            } else {
                self.code_part(rest);
            }
        }
    }

    fn push(&mut self, kind: Kind, length: usize) {
        self.tokens.push(Token { kind, range: self.at..self.at + length });
        self.at += length;
    }

    fn text_part(&mut self, rest: &str) {
        let plain = rest.find(['"', '\\', '{', '}', '\n']).unwrap_or(rest.len());
        self.at += plain;
        match rest.get(plain..).and_then(|rest| rest.chars().next()) {
            Some('"') => {
                self.frames.pop();
                self.push(Kind::Quote, 1);
            }
            Some('\\') => {
                let escaped = rest.get(plain + 1..).and_then(|rest| rest.chars().next());
                self.at += 1 + escaped.filter(|c| *c != '\n').map_or(0, char::len_utf8);
            }
            Some('{') => {
                self.frames.push(Frame::Value);
                self.push(Kind::Mark, 1);
            }
            Some('\n') => self.line(),
            Some(_) => self.at += 1,
            None => {}
        }
    }

    /// A text ends with its line at the latest.
    fn line(&mut self) {
        let text = self.frames.iter().position(|frame| matches!(frame, Frame::Text(..)));
        self.frames.truncate(text.unwrap_or(self.frames.len()));
        if self.frames.last().is_none_or(|frame| matches!(frame, Frame::Brace)) {
            // What stands in earlier statements tells nothing.
            self.tokens.clear();
        }
        self.push(Kind::Line, 1);
    }

    fn code_part(&mut self, rest: &str) {
        if rest.starts_with("//") {
            let length = rest.find('\n').unwrap_or(rest.len());
            self.at += length;
            self.comment = length == rest.len();
            return;
        }
        let Some(first) = rest.chars().next() else { return };
        match first {
            '\n' => self.line(),
            c if c.is_whitespace() => self.at += c.len_utf8(),
            c if c.is_ascii_digit() => {
                let digits = |c: char| !(c.is_ascii_digit() || c == '_');
                let mut length = rest.find(digits).unwrap_or(rest.len());
                let tail = rest.get(length..).unwrap_or("");
                if let Some(tail) = tail.strip_prefix('.')
                    && tail.starts_with(|c: char| c.is_ascii_digit())
                {
                    length += 1 + tail.find(digits).unwrap_or(tail.len());
                }
                length += exponent(rest.get(length..).unwrap_or(""));
                self.push(Kind::Number, length);
            }
            c if word(c) => {
                let length = rest.find(|c: char| !word(c)).unwrap_or(rest.len());
                let line = self.tokens.last().is_none_or(|token| token.kind == Kind::Line);
                let begins = rest.get(..length).is_some_and(|word| BEGINNINGS.contains(&word));
                if line && begins {
                    let open = |frame: &Frame| {
                        matches!(
                            frame,
                            Frame::Call(_) | Frame::Parameters | Frame::Paren | Frame::List
                        )
                    };
                    while self.frames.last().is_some_and(open) {
                        self.frames.pop();
                    }
                }
                self.push(Kind::Word, length);
            }
            '"' => {
                let after_use = self
                    .tokens
                    .last()
                    .and_then(|token| self.text.get(token.range.clone()))
                    .is_some_and(|word| word == "use");
                self.push(Kind::Quote, 1);
                self.frames.push(Frame::Text(self.at, after_use));
            }
            c => {
                self.bracket(c);
                let double = ["->", "..", "==", "!=", "<=", ">=", "+-"];
                let length =
                    if double.iter().any(|mark| rest.starts_with(mark)) { 2 } else { c.len_utf8() };
                self.push(Kind::Mark, length);
            }
        }
    }

    fn bracket(&mut self, mark: char) {
        match mark {
            '(' => {
                let called = self.tokens.last().filter(|t| t.kind == Kind::Word).cloned();
                let before = self.tokens.iter().rev().nth(1);
                let before = before.and_then(|token| self.text.get(token.range.clone()));
                self.frames.push(match called {
                    Some(_) if before == Some("routine") => Frame::Parameters,
                    Some(name) => Frame::Call(Typed {
                        name: name.range,
                        commas: 0,
                        given: Vec::new(),
                        now: None,
                    }),
                    None => Frame::Paren,
                });
            }
            '[' => self.frames.push(Frame::List),
            '{' => self.frames.push(Frame::Brace),
            ')' => self.close(|f| matches!(f, Frame::Call(_) | Frame::Parameters | Frame::Paren)),
            ']' => self.close(|f| matches!(f, Frame::List)),
            '}' => self.close(|f| matches!(f, Frame::Brace | Frame::Value)),
            ',' => {
                if let Some(Frame::Call(typed)) = self.frames.last_mut() {
                    typed.commas += 1;
                    typed.now = None;
                }
            }
            ':' => {
                if let (Some(Frame::Call(typed)), Some(token)) =
                    (self.frames.last_mut(), self.tokens.last())
                {
                    typed.given.push(token.range.clone());
                    typed.now = Some(token.range.clone());
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

fn word(c: char) -> bool {
    c == '_' || c.is_alphanumeric()
}

/// The length of `e-6`.
fn exponent(rest: &str) -> usize {
    let Some(tail) = rest.strip_prefix(['e', 'E']) else { return 0 };
    let signed = tail.strip_prefix(['+', '-']).unwrap_or(tail);
    let digits = signed.find(|c: char| !c.is_ascii_digit()).unwrap_or(signed.len());
    if digits == 0 { 0 } else { rest.len() - signed.len() + digits }
}

#[cfg(test)]
mod tests {
    use super::{Wanted, at};

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
            ("note \"abc", Wanted::Nothing),
            ("note \"abc {sp", Wanted::Expression),
            ("// spin", Wanted::Nothing),
            ("let x = \"µ🙂\" // a\nle", Wanted::Statement),
            ("note \"open\nsp", Wanted::Statement),
            ("spin(\nlet x = 1 r", Wanted::Unit),
        ];
        for (text, wanted) in cases {
            assert_eq!(at(text, text.len()).wanted, wanted, "{text}");
        }
    }

    #[test]
    fn calls_around_a_place() {
        let called = |text: &str| {
            at(text, text.len()).call.map(|call| {
                let word = |range: std::ops::Range<usize>| text[range].to_string();
                (word(call.name), call.commas, call.now.map(word))
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
            at(text, offset);
        }
    }
}
