//! The one table of keywords: how each is written and where it stands; `keywords.md` has what it means
//! and an example.
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

/// What each means, and a piece of a script that shows it.
const PAGE: &str = include_str!("keywords.md");

macro_rules! keywords {
    ($($variant:ident $text:literal $place:ident)*) => {
        /// A reserved word.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum Keyword {
            $(#[doc = concat!("`", $text, "`.")] $variant,)*
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

            /// As written.
            pub fn text(self) -> &'static str {
                match self {
                    $(Keyword::$variant => $text,)*
                }
            }

            /// As reports name it.
            pub(crate) fn quoted(self) -> &'static str {
                match self {
                    $(Keyword::$variant => concat!("`", $text, "`"),)*
                }
            }

            fn place(self) -> Place {
                match self {
                    $(Keyword::$variant => Place::$place,)*
                }
            }
        }
    };
}

keywords! {
    Use "use" Begins
    Param "param" Begins
    Routine "routine" Begins
    Let "let" Begins
    Var "var" Begins
    If "if" Begins
    Else "else" Continues
    For "for" Begins
    In "in" Continues
    Repeat "repeat" Begins
    At "at" Continues
    Most "most" Inside
    Times "times" Continues
    Until "until" Continues
    While "while" Begins
    Break "break" Begins
    Continue "continue" Begins
    Return "return" Begins
    Wait "wait" Begins
    Within "within" Continues
    Every "every" Continues
    Hold "hold" Begins
    Arm "arm" Begins
    Try "try" Begins
    Catch "catch" Continues
    Finally "finally" Continues
    Fail "fail" Begins
    Expect "expect" Begins
    Record "record" Begins
    Note "note" Begins
    Ask "ask" Begins
    And "and" Continues
    Or "or" Continues
    Not "not" Inside
    Mod "mod" Continues
    True "true" Inside
    False "false" Inside
    List "list" Inside
    Of "of" Inside
    Any "any" Inside
    May "may" Continues
    Allow "allow" Begins
}

impl Keyword {
    /// What it means, in a sentence.
    pub fn meaning(self) -> &'static str {
        self.page().0
    }

    /// A piece of a script that shows it.
    pub fn example(self) -> &'static str {
        self.page().1.trim_matches(['`', '\n'])
    }

    fn page(self) -> (&'static str, &'static str) {
        let its = |page: &'static str| {
            page.strip_prefix(self.text())?.strip_prefix("\n\n")?.split_once("\n\n")
        };
        PAGE.split("\n## ").find_map(its).unwrap_or_default()
    }

    /// Begins a statement, and stands in no expression or type but a comprehension.
    pub fn begins_statement(self) -> bool {
        self.place() == Place::Begins
    }

    /// Goes on with the statement of the line before when it begins a line.
    pub fn continues_statement(self) -> bool {
        self.place() == Place::Continues
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
