//! A checked expression: its type, the unit it is shown in, its code, and what it was made of.

use crate::program::tree as program;
use crate::program::tree::{Flag, Number, Part, Ref, Slot};
use crate::program::types::Type;
use crate::source::Span;
use spintrue_head::{Base, UnitText};
use std::ops::BitOr;
use std::rc::Rc;
use std::sync::Arc;

/// The units that the fields of a record were written in.
pub(super) type Fields = Option<Rc<Vec<(Arc<str>, Rc<UnitText>)>>>;

/// A checked expression.
#[derive(Clone, Debug)]
pub(super) struct Typed {
    pub kind: Type,
    /// The unit that it was written in, for showing it.
    pub unit: Option<Rc<UnitText>>,
    /// Those of its fields, or of the fields of its elements.
    pub fields: Fields,
    /// What it was made of.
    pub makeup: Makeup,
    pub code: program::Expression,
    pub span: Span,
}

impl Typed {
    pub(super) fn new(kind: Type, code: impl Into<program::Expression>, span: Span) -> Self {
        let code = code.into();
        Typed { kind, unit: None, fields: None, makeup: Makeup::GIVEN, code, span }
    }

    /// What stands for something refused.
    pub(super) fn unknown(span: Span) -> Self {
        Typed::new(Type::Unknown, Number::Constant(f64::NAN), span)
    }

    pub(super) fn with_unit(mut self, unit: Option<Rc<UnitText>>) -> Self {
        self.unit = unit;
        self
    }

    pub(super) fn with_fields(mut self, fields: Fields) -> Self {
        self.fields = fields;
        self
    }

    pub(super) fn with_makeup(mut self, makeup: Makeup) -> Self {
        self.makeup = makeup;
        self
    }

    pub(super) fn number(self) -> Number {
        match self.code {
            program::Expression::Number(number) => number,
            _ => Number::Constant(f64::NAN),
        }
    }

    pub(super) fn flag(self) -> Flag {
        match self.code {
            program::Expression::Flag(flag) => flag,
            _ => Flag::Constant(false),
        }
    }

    pub(super) fn reference(self) -> Ref {
        match self.code {
            program::Expression::Ref(reference) => reference,
            _ => Ref::Text(Rc::from("")),
        }
    }

    pub(super) fn part(self) -> Part {
        let record = matches!(self.kind, Type::Record(_));
        Part { value: self.code, record }
    }

    /// Its value, where that is known before the run.
    pub(super) fn constant(&self) -> Option<f64> {
        match self.code {
            program::Expression::Number(Number::Constant(value)) if !value.is_nan() => Some(value),
            _ => None,
        }
    }
}

/// Reading a variable.
pub(super) fn read(slot: Slot) -> program::Expression {
    match slot {
        Slot::Number(slot) => Number::Local(slot).into(),
        Slot::Flag(slot) => Flag::Local(slot).into(),
        Slot::Ref(slot) => Ref::Local(slot).into(),
    }
}

/// What went into a value; nothing of the kind where it is made of bare numbers alone.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Makeup(u8);

impl Makeup {
    /// Bare numbers of the script, without a unit.
    pub(super) const BARE: Makeup = Makeup(0);
    /// Something of a kind of its own: a literal with a unit, an argument, an answer of the head.
    pub(super) const GIVEN: Makeup = Makeup(1);
    /// A length, or what is made of lengths and times alone.
    pub(super) const LENGTH: Makeup = Makeup(2);
    /// A length per angle, or an angle per length.
    pub(super) const LENS: Makeup = Makeup(4);
    /// A literal of whole turns.
    pub(super) const TURN: Makeup = Makeup(8);
    /// A routine or a field, behind which the script may hold anything.
    pub(super) const HIDDEN: Makeup = Makeup(16);

    /// The kind of a caught failure.
    pub(super) const KIND: Makeup = Makeup(32);

    /// Measured by the head, so that it equals a number by chance only.
    pub(super) const MEASURED: Makeup = Makeup(64);

    /// How far a line or mark lies to one side or the other.
    pub(super) const SIGNED: Makeup = Makeup(128);

    /// What a value that is worked out from another has no more.
    pub(super) const OF_ITSELF: Makeup = Makeup(32 | 128);

    /// Holds any of these.
    pub(super) fn has(self, any: Makeup) -> bool {
        self.0 & any.0 != 0
    }

    pub(super) fn only(self, these: Makeup) -> Makeup {
        Makeup(self.0 & these.0)
    }

    pub(super) fn without(self, other: Makeup) -> Makeup {
        Makeup(self.0 & !other.0)
    }

    /// What a value of a kind holds by itself.
    pub(super) fn of(kind: &Type) -> Makeup {
        match kind {
            Type::List(item) => Makeup::of(item),
            Type::Quantity(dimension) => {
                let [length, mass, current, angle] =
                    [Base::Length, Base::Mass, Base::Current, Base::Angle]
                        .map(|base| dimension.base(base));
                // Volts and newtons hold metres as well, and no lens.
                if length == 0 || mass != 0 || current != 0 {
                    Makeup::BARE
                } else if length.signum() * angle.signum() < 0 {
                    Makeup::LENGTH | Makeup::LENS
                } else {
                    Makeup::LENGTH
                }
            }
            _ => Makeup::BARE,
        }
    }
}

impl BitOr for Makeup {
    type Output = Makeup;

    fn bitor(self, other: Makeup) -> Makeup {
        Makeup(self.0 | other.0)
    }
}
