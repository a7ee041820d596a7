//! Programs of the whole grammar in an ugly layout, drawn by the rules of `generate.txt` from a list of choices:
//! the shorter the list, the simpler the program, so that a failing one is made small.

use std::collections::HashMap;
use std::sync::LazyLock;

/// So many brackets and blocks around, only the simplest of each follows.
const DEEPEST: usize = 5;

/// A rule's alternatives, as often as their weights say, each with its words and marks.
type Ways = Vec<Vec<&'static str>>;

static RULES: LazyLock<HashMap<&str, Ways>> = LazyLock::new(|| {
    let rules = include_str!("generate.txt").lines().filter(|line| !line.starts_with("//"));
    rules
        .filter_map(|line| line.split_once(" = "))
        .map(|(name, ways)| (name, weighed(ways)))
        .collect()
});

fn weighed(ways: &'static str) -> Ways {
    let weighed = ways.split(" | ").flat_map(|way| {
        let weight = way.split_once(": ").and_then(|(n, way)| Some((n.parse().ok()?, way)));
        let (weight, way) = weight.unwrap_or((1, way));
        std::iter::repeat_n(way.split_whitespace().collect(), weight)
    });
    weighed.collect()
}

/// Writes a program: words, and between them blanks, line ends and comments wherever the grammar
/// lets them stand.
struct Program {
    choices: std::vec::IntoIter<u8>,
    out: String,
    brackets: usize,
    /// Values of texts around, in which no line ends.
    in_text: usize,
    depth: usize,
    comments: usize,
}

/// A whole program.
pub(super) fn program(bytes: Vec<u8>) -> String {
    let (choices, out) = (bytes.into_iter(), String::new());
    let mut program = Program { choices, out, brackets: 0, in_text: 0, depth: 0, comments: 0 };
    program.rule("File");
    program.out
}

impl Program {
    /// Draws one of several; the first when nothing is left to draw from.
    fn below(&mut self, count: usize) -> usize {
        usize::from(self.choices.next().unwrap_or(0)) % count
    }

    /// The same, and the first where brackets and blocks are deep.
    fn shallow(&mut self, count: usize) -> usize {
        if self.depth > DEEPEST { 0 } else { self.below(count) }
    }

    fn write(&mut self, one_of: &[&str]) {
        let at = self.below(one_of.len());
        self.out.push_str(one_of[at]);
    }

    fn rule(&mut self, name: &str) {
        let ways = &RULES[name];
        let way = self.shallow(ways.len());
        ways[way].iter().for_each(|word| self.word(word));
    }

    fn word(&mut self, word: &str) {
        let known = |rule: &&str| RULES.contains_key(rule);
        let rule = |end: &str| word.strip_suffix(end).filter(known);
        if known(&word) {
            self.rule(word);
        } else if let Some(rule) = rule("?") {
            (0..self.shallow(3) % 2).for_each(|_| self.rule(rule));
        } else if let Some(rule) = rule(",*") {
            self.elements(0, rule);
        } else if let Some(rule) = rule(",+") {
            self.elements(1, rule);
        } else if let Some(rule) = rule("*") {
            (0..self.shallow(4)).for_each(|_| self.rule(rule));
        } else {
            self.literal(word);
        }
    }

    fn elements(&mut self, least: usize, rule: &str) {
        let most = if self.shallow(12) == 11 { 30 } else { 4 };
        let count = least + self.shallow(most);
        for at in 0..count {
            if at > 0 {
                self.literal(",");
                self.wrap(false);
            }
            self.rule(rule);
            self.gap(false);
        }
        if count > 0 && self.below(3) == 1 {
            self.literal(",");
        }
    }

    fn literal(&mut self, word: &str) {
        match word {
            "~" | "~~" => self.blanks(word == "~~"),
            "@" | "@@" => self.gap(word == "@@"),
            "&" | "&&" => self.wrap(word == "&&"),
            "#" => self.edge(),
            "$" => {
                self.write(&["\n", ";", "\n\n\n", " ;; ", "\r\n", "; \n", "\n \t\n"]);
                self.edge();
            }
            "(" | "[" | "{" | "{#" | "{\"" => {
                self.out.push_str(&word[..1]);
                self.depth += 1;
                match &word[1..] {
                    "#" => return self.edge(),
                    "\"" => self.in_text += 1,
                    _ => self.brackets += 1,
                }
                self.gap(false);
            }
            ")" | "]" | "}" | "#}" | "\"}" => {
                match word.strip_suffix('}').unwrap_or_default() {
                    "#" => self.edge(),
                    kind => {
                        self.gap(false);
                        *(if kind == "\"" { &mut self.in_text } else { &mut self.brackets }) -= 1;
                    }
                }
                self.depth -= 1;
                self.out.push_str(&word[word.len() - 1..]);
            }
            _ => self.out.push_str(word),
        }
    }

    /// Blanks on this line.
    fn blanks(&mut self, needs_one: bool) {
        self.write(if needs_one { &[" ", "   ", "\t "] } else { &["", " ", "  ", "\t"] });
    }

    fn comment(&mut self) {
        self.comments += 1;
        self.write(&["// ", "/// ", "//// ", "//"]);
        self.out.push_str(&format!("c{}", self.comments));
        self.write(&["\n", " µ \" { // [\n", "  \n", "\r\n"]);
    }

    /// A line end may stand here inside brackets only.
    fn gap(&mut self, needs_blank: bool) {
        if self.brackets > 0 { self.wrap(needs_blank) } else { self.blanks(needs_blank) }
    }

    /// A line end may stand here.
    fn wrap(&mut self, needs_blank: bool) {
        if self.in_text > 0 {
            return self.blanks(needs_blank);
        }
        match self.below(12) {
            7 => self.out.push('\n'),
            8 => self.out.push_str(" \r\n\t"),
            9 => self.out.push_str("\n\n\n  "),
            10 => {
                self.out.push(' ');
                self.comment();
            }
            11 => {
                self.out.push_str("\n  ");
                self.comment();
                if self.below(3) == 1 {
                    self.out.push('\n');
                    self.comment();
                }
            }
            _ => self.blanks(needs_blank),
        }
    }

    /// At the edges of a block or file.
    fn edge(&mut self) {
        match self.below(8) {
            3 => self.out.push('\n'),
            4 => self.out.push_str(" \n\n\n\t"),
            5 => {
                self.out.push(' ');
                self.comment();
            }
            6 => {
                self.out.push('\n');
                self.comment();
                self.out.push_str("\n\n");
                self.comment();
            }
            7 => self.out.push_str(";\n"),
            _ => self.out.push(' '),
        }
    }
}
