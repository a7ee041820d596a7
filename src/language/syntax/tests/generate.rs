//! Programs of the whole grammar in an ugly layout, drawn from a list of choices: the shorter the
//! list, the simpler the program, so that a failing one is made small.

mod statements;

/// Draws one of several; the first when nothing is left to draw from.
pub(super) struct Choices {
    bytes: Vec<u8>,
    at: usize,
}

impl Choices {
    fn below(&mut self, count: usize) -> usize {
        let byte = self.bytes.get(self.at).copied().unwrap_or(0);
        self.at += 1;
        usize::from(byte) % count
    }

    fn one<'a>(&mut self, of: &[&'a str]) -> &'a str {
        of[self.below(of.len())]
    }

    fn sometimes(&mut self) -> bool {
        self.below(3) == 1
    }
}

const NAMES: &[&str] = &["a", "b1", "speed", "µ_größe", "h", "_x", "in_scan", "文字"];
const UNITS: &[&str] = &["mm", "rpm", "%", "m/s^2", "kg*m^2/s^-2", "µs", "μs", "1"];
const NUMBERS: &[&str] = &["3", "0", "1_000", "2.50", "1e3", "4.2E-7"];
const TYPES: &[&str] = &["time", "length", "D", "plan"];

/// Writes a program: words, and between them blanks, line ends and comments wherever the grammar
/// lets them stand.
pub(super) struct Program {
    choices: Choices,
    out: String,
    /// Brackets around; a text's values count as `in_text` instead.
    brackets: usize,
    in_text: usize,
    depth: usize,
    comments: usize,
}

/// A whole program.
pub(super) fn program(bytes: Vec<u8>) -> String {
    let mut program = Program {
        choices: Choices { bytes, at: 0 },
        out: String::new(),
        brackets: 0,
        in_text: 0,
        depth: 0,
        comments: 0,
    };
    program.edge();
    let statements = program.choices.below(6);
    for at in 0..=statements {
        if at > 0 {
            program.end();
        }
        program.statement(true);
    }
    program.edge();
    program.out
}

impl Program {
    fn word(&mut self, word: &str) {
        self.out.push_str(word);
    }

    /// Blanks of any number, on this line.
    fn glue(&mut self) {
        let blanks = self.choices.one(&["", " ", "  ", "\t"]);
        self.word(blanks);
    }

    fn blank(&mut self) {
        let blanks = self.choices.one(&[" ", "   ", "\t "]);
        self.word(blanks);
    }

    fn comment(&mut self) {
        self.comments += 1;
        let begin = self.choices.one(&["// ", "/// ", "//// ", "//"]);
        let end = self.choices.one(&["", " µ \" { // [", "  ", "\r"]);
        let comment = format!("{begin}c{}{end}\n", self.comments);
        self.word(&comment);
    }

    /// A line end may stand here.
    fn wrap(&mut self, needs_blank: bool) {
        if self.in_text > 0 {
            return if needs_blank { self.blank() } else { self.glue() };
        }
        match self.choices.below(12) {
            7 => self.word("\n"),
            8 => self.word(" \r\n\t"),
            9 => self.word("\n\n\n  "),
            10 => {
                self.word(" ");
                self.comment();
            }
            11 => {
                self.word("\n  ");
                self.comment();
                if self.choices.sometimes() {
                    self.word("\n");
                    self.comment();
                }
            }
            _ if needs_blank => self.blank(),
            _ => self.glue(),
        }
    }

    /// A line end may stand here inside brackets only.
    fn gap(&mut self, needs_blank: bool) {
        if self.brackets > 0 {
            self.wrap(needs_blank);
        } else if needs_blank {
            self.blank();
        } else {
            self.glue();
        }
    }

    /// Between two statements.
    fn end(&mut self) {
        let end = self.choices.one(&["\n", ";", "\n\n\n", " ;; ", "\r\n", "; \n", "\n \t\n"]);
        self.word(end);
        self.edge();
    }

    /// At the edges of a block or file.
    fn edge(&mut self) {
        match self.choices.below(8) {
            3 => self.word("\n"),
            4 => self.word(" \n\n\n\t"),
            5 => {
                self.word(" ");
                self.comment();
            }
            6 => {
                self.word("\n");
                self.comment();
                self.word("\n\n");
                self.comment();
            }
            7 => self.word(";\n"),
            _ => self.word(" "),
        }
    }

    fn name(&mut self) {
        let name = self.choices.one(NAMES);
        self.word(name);
    }

    fn deep(&self) -> bool {
        self.depth > 5
    }

    fn inside(&mut self, open: &str, close: &str, what: impl FnOnce(&mut Self)) {
        self.word(open);
        self.brackets += 1;
        self.depth += 1;
        self.gap(false);
        what(self);
        self.gap(false);
        self.depth -= 1;
        self.brackets -= 1;
        self.word(close);
    }

    fn elements(&mut self, least: usize, element: impl Fn(&mut Self)) {
        let most = if self.choices.below(12) == 11 { 30 } else { 4 };
        let count = least + self.choices.below(most);
        for at in 0..count {
            if at > 0 {
                self.word(",");
                self.wrap(false);
            }
            element(self);
            self.gap(false);
        }
        if count > 0 && self.choices.sometimes() {
            self.word(",");
        }
    }

    fn colon(&mut self) {
        self.gap(false);
        self.word(":");
        self.wrap(false);
    }

    // Expressions.

    fn expression(&mut self) {
        match self.choices.below(6) {
            1 if !self.deep() => {
                self.depth += 1;
                self.negation();
                let count = 1 + self.choices.below(3);
                for _ in 0..count {
                    self.wrap(true);
                    let word = self.choices.one(&["and", "or"]);
                    self.word(word);
                    self.wrap(true);
                    self.negation();
                }
                self.depth -= 1;
            }
            _ => self.negation(),
        }
    }

    fn negation(&mut self) {
        while self.choices.below(8) == 7 {
            self.word("not");
            self.wrap(true);
        }
        self.comparison();
    }

    fn infix(&mut self, operator: &str) {
        self.wrap(true);
        self.word(operator);
        self.wrap(true);
    }

    fn comparison(&mut self) {
        self.uncertain();
        match self.choices.below(8) {
            4 => {
                let operator = self.choices.one(&["==", "!=", "<", "<=", ">", ">="]);
                self.infix(operator);
                self.uncertain();
            }
            5 => {
                self.infix("within");
                self.sum();
                self.infix("..");
                self.sum();
            }
            _ => {}
        }
    }

    fn uncertain(&mut self) {
        self.shown();
        match self.choices.below(10) {
            7 => {
                let operator = self.choices.one(&["±", "+-"]);
                self.infix(operator);
                self.shown();
            }
            8 => {
                self.infix("..");
                self.shown();
            }
            _ => {}
        }
    }

    fn shown(&mut self) {
        self.sum();
        if self.choices.below(7) == 6 {
            self.wrap(true);
            self.word("in");
            self.blank();
            self.unit();
        }
    }

    fn unit(&mut self) {
        let unit = self.choices.one(UNITS.split_last().unwrap().1);
        self.word(unit);
        self.blank();
    }

    fn sum(&mut self) {
        self.signed();
        let more = self.choices.below(9).saturating_sub(5);
        for _ in 0..more {
            let operator = self.choices.one(&["+", "*", "/", "mod", "-"]);
            if operator == "-" {
                self.gap(true);
                self.word("-");
                self.wrap(true);
            } else {
                self.infix(operator);
            }
            self.signed();
        }
    }

    fn signed(&mut self) {
        while self.choices.below(8) == 7 {
            self.word("-");
            self.gap(false);
        }
        self.postfix();
    }

    fn postfix(&mut self) {
        let number = self.primary();
        let more = if number { 0 } else { self.choices.below(6).saturating_sub(3) };
        for _ in 0..more {
            if self.choices.sometimes() {
                if self.in_text == 0 && self.brackets == 0 {
                    self.wrap(false);
                } else {
                    self.gap(false);
                }
                self.word(".");
                self.wrap(false);
                self.name();
            } else if !self.deep() {
                self.inside("[", "]", Self::expression);
            }
        }
        if self.choices.below(10) == 9 {
            self.gap(true);
            self.word("^");
            self.glue();
            let power = self.choices.one(&["2", "-1", "- 2", "03"]);
            self.word(power);
        }
    }

    /// Gives whether it was a number.
    fn primary(&mut self) -> bool {
        let kind = if self.deep() { self.choices.below(3) } else { self.choices.below(10) };
        match kind {
            1 => {
                let number = self.choices.one(NUMBERS);
                self.word(number);
                self.glue();
                if self.choices.sometimes() {
                    self.unit();
                }
                return true;
            }
            2 => {
                let flag = self.choices.one(&["true", "false"]);
                self.word(flag);
                return true;
            }
            3 | 4 => self.call(),
            5 => self.inside("(", ")", Self::expression),
            6 => self.inside("[", "]", |p| p.elements(0, Self::expression)),
            7 => self.inside("[", "]", |p| {
                p.expression();
                p.wrap(true);
                p.word("for");
                p.wrap(true);
                p.name();
                p.wrap(true);
                p.word("in");
                p.wrap(true);
                p.expression();
                if p.choices.sometimes() {
                    p.wrap(true);
                    p.word("if");
                    p.wrap(true);
                    p.expression();
                }
            }),
            8 => self.inside("{", "}", |p| {
                p.elements(1, |p| {
                    p.name();
                    p.colon();
                    p.expression();
                });
            }),
            9 => self.text(),
            _ => self.name(),
        }
        false
    }

    fn call(&mut self) {
        self.name();
        self.gap(false);
        let named = self.choices.sometimes();
        self.inside("(", ")", |p| {
            p.elements(0, |p| {
                if named {
                    p.name();
                    p.colon();
                }
                p.expression();
            });
        });
    }

    fn plain_text(&mut self) {
        let text = self.choices.one(&["\"x\"", "\"\"", "\"a // \\\" \\{ µ \t \\\\ \"", "\"a;b\""]);
        self.word(text);
    }

    fn text(&mut self) {
        self.word("\"");
        let pieces = self.choices.below(4);
        for _ in 0..pieces {
            if self.choices.sometimes() {
                self.word("{");
                self.in_text += 1;
                self.depth += 2;
                let outer = std::mem::take(&mut self.brackets);
                self.glue();
                self.expression();
                if self.choices.sometimes() {
                    self.glue();
                    let decimals = self.choices.one(&[":2", ": 17", ":  0 "]);
                    self.word(decimals);
                }
                self.glue();
                self.brackets = outer;
                self.depth -= 2;
                self.in_text -= 1;
                self.word("}");
            } else {
                let plain = self.choices.one(&["plain ", "  µ // ", "\\n\\{\\}", "a\tb;"]);
                self.word(plain);
            }
        }
        self.word("\"");
    }

    // Types.

    fn type_(&mut self) {
        while self.choices.below(8) == 7 {
            self.word("list");
            self.gap(true);
            self.word("of");
            self.wrap(true);
        }
        if self.choices.below(8) == 7 && !self.deep() {
            return self.inside("{", "}", |p| {
                p.elements(1, |p| {
                    p.name();
                    p.colon();
                    p.type_();
                });
            });
        }
        if self.choices.below(8) == 7 {
            self.word("1");
            self.glue();
            self.word("/");
            self.wrap(false);
        }
        let factors = 1 + self.choices.below(8).saturating_sub(5);
        for at in 0..factors {
            if at > 0 {
                self.gap(false);
                let operator = self.choices.one(&["/", "*"]);
                self.word(operator);
                self.wrap(true);
            }
            let name = self.choices.one(TYPES);
            self.word(name);
            if self.choices.below(6) == 5 {
                self.glue();
                self.word("^ -2");
            }
        }
    }

    // Statements.
}
