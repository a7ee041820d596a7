//! Tokens as the parser sees them.

use crate::syntax::keyword::Keyword;
use crate::syntax::names::Symbol;
use crate::syntax::tree::Binary;

/// A token of the balanced, bounded stream that the layout gives the parser.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Token {
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

impl Token {
    /// An operand may begin with it.
    pub(super) fn starts_operand(self) -> bool {
        matches!(
            self,
            Token::Name(_)
                | Token::Number(_)
                | Token::Quote
                | Token::ParenOpen
                | Token::ListOpen
                | Token::RecordOpen
                | Token::Keyword(Keyword::Not | Keyword::True | Keyword::False)
        )
    }

    /// An operand must follow, or something in its place.
    pub(super) fn wants_more(self) -> bool {
        matches!(
            self,
            Token::Operator(_)
                | Token::Comma
                | Token::Colon
                | Token::Assign
                | Token::Arrow
                | Token::Keyword(
                    Keyword::Not
                        | Keyword::Within
                        | Keyword::Every
                        | Keyword::Until
                        | Keyword::At
                        | Keyword::Most
                        | Keyword::In
                        | Keyword::Of
                )
        )
    }

    /// A bracket, block or text begins with it.
    pub(super) fn opens(self) -> bool {
        matches!(self, Token::BlockOpen | Token::Quote) || self.opens_bracket()
    }

    /// Something stands in a bracket of a statement behind it.
    pub(super) fn opens_bracket(self) -> bool {
        matches!(self, Token::ParenOpen | Token::ListOpen | Token::RecordOpen | Token::ValueOpen)
    }

    /// A bracket, block or text ends with it.
    pub(super) fn closes(self) -> bool {
        matches!(self, Token::BlockClose | Token::Unquote) || self.closes_bracket()
    }

    /// The other end of [`Token::opens_bracket`].
    pub(super) fn closes_bracket(self) -> bool {
        matches!(
            self,
            Token::ParenClose | Token::ListClose | Token::RecordClose | Token::ValueClose
        )
    }

    /// An operand may end with it.
    pub(super) fn ends_operand(self) -> bool {
        matches!(
            self,
            Token::Name(_)
                | Token::Number(_)
                | Token::Unit(_)
                | Token::Power(_)
                | Token::Unquote
                | Token::ParenClose
                | Token::ListClose
                | Token::RecordClose
                | Token::Keyword(Keyword::True | Keyword::False)
        )
    }
}
