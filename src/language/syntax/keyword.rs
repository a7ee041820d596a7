//! The one table of keywords: how each is written, where it stands, what it means and an example.
//! Lexer, layout, help, hover, completion and `spintrue builtins KEYWORD` read it.

/// Where a keyword stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Place {
    /// Begins a statement, and stands in no expression or type but a comprehension.
    Begins,
    /// Goes on with the statement of the line before when it begins a line.
    Continues,
    /// Inside a statement, an expression or a type.
    Inside,
}

/// A row of the table.
struct Row {
    text: &'static str,
    place: Place,
    meaning: &'static str,
    example: &'static str,
}

macro_rules! keywords {
    ($($variant:ident $text:literal $place:ident $meaning:literal $example:literal)*) => {
        /// A reserved word.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum Keyword {
            $(#[doc = $meaning] $variant,)*
        }

        /// Every reserved word.
        pub const KEYWORDS: &[&str] = &[$($text),*];

        impl Keyword {
            /// The keyword a word is, if it is one.
            pub fn of(word: &str) -> Option<Keyword> {
                match word {
                    $($text => Some(Keyword::$variant),)*
                    _ => None,
                }
            }

            fn row(self) -> &'static Row {
                match self {
                    $(Keyword::$variant => &Row {
                        text: $text,
                        place: Place::$place,
                        meaning: $meaning,
                        example: $example,
                    },)*
                }
            }
        }
    };
}

keywords! {
    Use "use" Begins "Brings the routines and constants of another file into this one."
        "use \"lib/motion.spt\""
    Param "param" Begins "Declares a value that can be set from outside, with `--set`."
        "param speed = 4800 rpm within 1000 rpm .. 9000 rpm"
    Routine "routine" Begins "Declares a routine: parameters, result, what it may do, body."
        "routine settle(patience: time = 20 s) may reads {\n    wait until locked() within patience\n}"
    Let "let" Begins "Names a value that does not change."
        "let speed = 4800 rpm"
    Var "var" Begins "Names a value that can be changed with `name = value`."
        "var rounds = 0\nrounds = rounds + 1"
    If "if" Begins "Runs a block where a condition holds; in a comprehension, keeps the elements for which it holds."
        "if locked() { note \"locked\" } else { note \"not locked\" }"
    Else "else" Continues "Says what is done where the condition before it does not hold."
        "wait until locked() within 20 s else fail \"no lock\""
    For "for" Begins "Runs a block once for each element of a list or range."
        "for k in facets() { note \"facet {k}\" }"
    In "in" Continues "Stands before what a loop runs over, or before the unit in which a value is shown."
        "note \"{measured_speed() in rpm}\""
    Repeat "repeat" Begins "Runs a block a number of times."
        "repeat at most 4 times { wait 1 s } until locked()"
    At "at" Continues "Stands before the power of `arm`, and in `at most` before the bound of a loop."
        "arm at 35 % { record \"line\": test_line(0, plan) }"
    Most "most" Inside "Stands in `at most` before the bound of a loop."
        "while not locked() at most 20 times { wait 1 s }"
    Times "times" Continues "Stands behind the bound of a loop."
        "repeat 3 times { wait 1 s }"
    Until "until" Continues "Stands before the condition that ends a wait or a `repeat`."
        "wait until locked() within 20 s"
    While "while" Begins "Runs a block as long as a condition holds, at most a number of times."
        "while not locked() at most 20 times { wait 1 s }"
    Break "break" Begins "Leaves the innermost loop."
        "for k in facets() { if k == 3 { break } }"
    Continue "continue" Begins "Goes on with the next turn of the innermost loop."
        "for k in facets() { if k == 3 { continue } }"
    Return "return" Begins "Leaves a routine, with its result where it has one."
        "routine rate() -> frequency { return measured_speed() / 1 rev }"
    Wait "wait" Begins "Lets head time pass, or waits until a condition holds."
        "wait 200 ms"
    Within "within" Continues "Stands before a time limit, before a range `low .. high`, and in `within arm`."
        "expect \"length\": plan.length within 304 mm .. 305 mm"
    Every "every" Continues "Stands before the time between two looks of a `wait until`."
        "wait until locked() within 20 s every 100 ms"
    Arm "arm" Begins "Arms the laser for a block; every way out of the block disarms."
        "arm at 35 % { record \"line\": test_line(0, plan) }"
    Try "try" Begins "Runs a block whose failure is caught, or followed by `finally`."
        "try { park() } catch problem { note problem.message }"
    Catch "catch" Continues "Names the failure of a `try` and says what is done about it."
        "try { park() } catch problem { note problem.message }"
    Finally "finally" Continues "Says what is done on every way out of a `try`."
        "try { spin(4800 rpm) } finally { brake() }"
    Fail "fail" Begins "Ends the script, or the `try` around, with a failure."
        "fail \"no lock\""
    Expect "expect" Begins "Makes a check: the value conforms or it does not."
        "expect \"residual\": worst(seen).in_scan ± 0.4 um <= 6 um"
    Record "record" Begins "Keeps a value in the record of the run."
        "record \"speed\": measured_speed() in rpm"
    Note "note" Begins "Prints a line and keeps it in the record."
        "note \"running at {measured_speed() in rpm}\""
    Ask "ask" Begins "Asks the operator, who answers with a value of the type stated."
        "let gap = ask \"gap at the shim\": length within 0 mm .. 5 mm"
    And "and" Continues "Holds where both sides hold."
        "if locked() and interlock_closed() { note \"ready\" }"
    Or "or" Continues "Holds where one side holds, or both."
        "if not locked() or not interlock_closed() { note \"not ready\" }"
    Not "not" Inside "Turns a flag over."
        "if not locked() { note \"not locked\" }"
    Mod "mod" Continues "What is left of a division; it has the sign of the divisor."
        "note \"{7 mod 2}\""
    True "true" Inside "The flag that holds."
        "let ready = true"
    False "false" Inside "The flag that does not hold."
        "let ready = false"
    List "list" Inside "Stands in the type of a list, `list of TYPE`."
        "let seen: list of length = []"
    Of "of" Inside "Stands in the type of a list, `list of TYPE`."
        "let seen: list of length = []"
    Any "any" Inside "Stands in `for any D` before the open dimensions of a routine."
        "routine doubled(x: D) -> D for any D { return x * 2 }"
    May "may" Continues "Stands before the effects that a routine promises not to exceed."
        "routine idle() may spins { brake() }"
    Allow "allow" Begins "Says that one warning about the next statement is meant, and why."
        "allow W0803 \"the first reading after power-on is stale\"\nmeasured_speed()"
}

impl Keyword {
    /// As written.
    pub fn text(self) -> &'static str {
        self.row().text
    }

    /// What it means, in a sentence.
    pub fn meaning(self) -> &'static str {
        self.row().meaning
    }

    /// A piece of a script that shows it.
    pub fn example(self) -> &'static str {
        self.row().example
    }

    /// Begins a statement, and stands in no expression or type but a comprehension.
    pub fn begins_statement(self) -> bool {
        self.row().place == Place::Begins
    }

    /// Goes on with the statement of the line before when it begins a line.
    pub fn continues_statement(self) -> bool {
        self.row().place == Place::Continues
    }
}

#[cfg(test)]
mod tests {
    use super::{KEYWORDS, Keyword};
    use crate::source::SourceId;
    use crate::syntax::names::Names;
    use crate::syntax::parse;

    #[test]
    fn every_example_parses_and_holds_its_keyword() {
        for word in KEYWORDS {
            let keyword = Keyword::of(word).unwrap();
            let example = keyword.example();
            let parsed = parse(SourceId(0), example, &mut Names::default());
            assert!(parsed.diagnostics.is_empty(), "{word}: {:?}", parsed.diagnostics);
            let mut words = example.split(|c: char| !c.is_alphanumeric() && c != '_');
            assert!(words.any(|found| found == *word), "{word} is not in `{example}`");
            assert!(keyword.meaning().ends_with('.'), "{word}");
        }
    }
}
