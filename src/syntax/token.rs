//! Tokens as the parser sees them, and the one table of keywords. Uses names and tree only.

use crate::syntax::names::Symbol;
use crate::syntax::tree::Binary;

macro_rules! keywords {
    ($($variant:ident $text:literal)*) => {
        /// A reserved word.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum Keyword {
            $(#[doc = concat!("`", $text, "`")] $variant,)*
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
        }
    };
}

keywords! {
    Use "use"
    Param "param"
    Routine "routine"
    Let "let"
    Var "var"
    If "if"
    Else "else"
    For "for"
    In "in"
    Repeat "repeat"
    At "at"
    Most "most"
    Times "times"
    Until "until"
    While "while"
    Break "break"
    Continue "continue"
    Return "return"
    Wait "wait"
    Within "within"
    Every "every"
    Arm "arm"
    Try "try"
    Catch "catch"
    Finally "finally"
    Fail "fail"
    Expect "expect"
    Record "record"
    Note "note"
    Ask "ask"
    And "and"
    Or "or"
    Not "not"
    Mod "mod"
    True "true"
    False "false"
    List "list"
    Of "of"
    Any "any"
    May "may"
    Allow "allow"
}

impl Keyword {
    /// Begins a statement, and stands in no expression or type but a comprehension.
    pub fn begins_statement(self) -> bool {
        matches!(
            self,
            Keyword::Use
                | Keyword::Param
                | Keyword::Routine
                | Keyword::Let
                | Keyword::Var
                | Keyword::If
                | Keyword::For
                | Keyword::Repeat
                | Keyword::While
                | Keyword::Break
                | Keyword::Continue
                | Keyword::Return
                | Keyword::Wait
                | Keyword::Arm
                | Keyword::Try
                | Keyword::Fail
                | Keyword::Expect
                | Keyword::Record
                | Keyword::Note
                | Keyword::Ask
                | Keyword::Allow
        )
    }

    /// Goes on with the statement of the line before when it begins a line.
    pub fn continues_statement(self) -> bool {
        matches!(
            self,
            Keyword::Else
                | Keyword::Until
                | Keyword::Catch
                | Keyword::Finally
                | Keyword::Within
                | Keyword::Every
                | Keyword::And
                | Keyword::Or
                | Keyword::Mod
                | Keyword::In
                | Keyword::At
                | Keyword::Times
                | Keyword::May
        )
    }
}

/// A token of the balanced, bounded stream that the layout gives the parser.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Token {
    /// A reserved word other than `and`, `or`, `mod` and the `in` before a unit.
    Keyword(Keyword),
    /// Any other word.
    Name(Symbol),
    /// A number.
    Number(f64),
    /// The unit of a number, or after [`Token::ShownIn`].
    Unit(Symbol),
    /// `in` before a unit.
    ShownIn,
    /// `^2`, `^-1`
    Power(i32),
    /// An operator between two operands, `-` before one included.
    Operator(Binary),
    /// The `"` a text begins with.
    Quote,
    /// A run of characters and escapes inside a text.
    Plain,
    /// `{` inside a text.
    ValueOpen,
    /// The digits asked for after `:` inside a text's braces.
    Decimals(u8),
    /// The `}` of [`Token::ValueOpen`].
    ValueClose,
    /// The `"` a text ends with.
    Unquote,
    /// `(`
    ParenOpen,
    /// `)`
    ParenClose,
    /// `[`
    ListOpen,
    /// `]`
    ListClose,
    /// `{` of a record or a record type.
    RecordOpen,
    /// `}` of a record or a record type.
    RecordClose,
    /// `{` of a block.
    BlockOpen,
    /// `}` of a block.
    BlockClose,
    /// `,`
    Comma,
    /// `:`
    Colon,
    /// `.`
    Dot,
    /// `=`
    Assign,
    /// `->`
    Arrow,
    /// A line end or `;` that ends a statement.
    End,
    /// Stands for an operand that was cut away; reported already.
    Hole,
}
