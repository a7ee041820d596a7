//! What a built-in is made of.

use crate::builtins::bound::{ResultBound, TimeBound};
use crate::program::types::{Layout, RecordType, Type};
use crate::program::value::Datum;
use crate::station::{Station, StationError};
use spintrue_head::Dimension;
use std::rc::Rc;
use std::sync::Arc;

/// What a call may do to the head.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Effect {
    /// Reads its state.
    Reads,
    /// Turns the polygon or stops it.
    Spins,
    /// Moves the galvanometer.
    Steers,
    /// Switches outputs of the station and sets its channels.
    Switches,
    /// Lets light out.
    Emits,
    /// Changes the trims in force.
    Trims,
    /// Writes what survives power loss.
    Stores,
    /// Asks the operator.
    Asks,
    /// Makes a simulated head fail.
    Provokes,
}

impl Effect {
    /// Every effect.
    pub const ALL: [Effect; 9] = [
        Effect::Reads,
        Effect::Spins,
        Effect::Steers,
        Effect::Switches,
        Effect::Emits,
        Effect::Trims,
        Effect::Stores,
        Effect::Asks,
        Effect::Provokes,
    ];

    /// The effect behind a word: `spins`, or `spin` as options say it, or `switch`.
    pub fn named(word: &str) -> Option<Effect> {
        Effect::ALL.into_iter().find(|e| {
            let text = e.text();
            let short = [text.strip_suffix('s'), text.strip_suffix("es")];
            text == word || short.contains(&Some(word))
        })
    }

    /// As scripts say it.
    pub fn text(self) -> &'static str {
        match self {
            Effect::Reads => "reads",
            Effect::Spins => "spins",
            Effect::Steers => "steers",
            Effect::Switches => "switches",
            Effect::Emits => "emits",
            Effect::Trims => "trims",
            Effect::Stores => "stores",
            Effect::Asks => "asks",
            Effect::Provokes => "provokes",
        }
    }
}

/// A type in a signature, as constant data.
#[derive(Debug)]
pub enum Spec {
    /// A quantity; open dimension 0 is shown as `D`, 1 as `E`.
    Quantity(Dimension),
    /// A temperature.
    Temperature,
    /// A flag.
    Flag,
    /// Text that names an image; where it stands as plain text, the image is looked at beforehand.
    Image,
    /// Text that names a fault; where it stands as plain text, it is looked at beforehand.
    Fault,
    /// Text that names a signal; where it stands as plain text, it is looked up beforehand.
    Signal,
    /// Text that names a channel, likewise.
    Channel,
    /// A quantity or a temperature whose kind is what a channel must have.
    Like,
    /// Text.
    Text,
    /// No result.
    Nothing,
    /// Any one type, the same wherever it stands in one signature.
    Any,
    /// A list.
    List(&'static Spec),
    /// A record.
    Record(&'static RecordSpec),
}

/// A record that built-ins take and give.
#[derive(Debug)]
pub struct RecordSpec {
    /// Its name in annotations.
    pub name: &'static str,
    /// What it is.
    pub meaning: &'static str,
    /// Name, type and meaning of each field, sorted by name.
    pub fields: &'static [(&'static str, Spec, &'static str)],
}

/// Whether an argument must be given.
#[derive(Debug)]
pub enum Default {
    /// It must.
    Required,
    /// It need not; the text says what holds then.
    Optional(&'static str),
}

/// A parameter of a built-in.
#[derive(Debug)]
pub struct Parameter {
    /// Its name, for named arguments.
    pub name: &'static str,
    /// Its type.
    pub spec: Spec,
    /// Whether it must be given.
    pub default: Default,
    /// What it is, with its range.
    pub meaning: &'static str,
}

/// What a built-in works with besides its arguments.
pub struct Context<'a> {
    /// The head and its gauge.
    pub station: &'a mut Station,
    /// For built-ins over lists of anything: how one item of the first list lies.
    pub item: Layout,
    /// For built-ins that must know of which kind a number is.
    pub like: &'a Type,
    /// Every check made so far conforms.
    pub all_conform: bool,
}

/// Why a built-in failed; the interpreter adds the place.
#[derive(Clone, Debug, PartialEq)]
pub enum Trouble {
    /// The head or the gauge, or a stop was requested.
    Station(StationError),
    /// The arguments have no result: `sqrt(-1)`.
    Value(String),
    /// Past what is allowed.
    Limit(String),
}

impl From<StationError> for Trouble {
    fn from(error: StationError) -> Self {
        Trouble::Station(error)
    }
}

/// The arguments of a call in the order of the signature, absent ones as `Nothing`.
#[derive(Clone, Copy)]
pub struct Arguments<'a>(pub &'a [Datum]);

impl<'a> Arguments<'a> {
    /// One argument, where it is given.
    pub fn get(self, index: usize) -> Option<&'a Datum> {
        self.0.get(index)
    }

    /// A number; NaN where there is none.
    pub fn number(self, index: usize) -> f64 {
        self.optional(index).unwrap_or(f64::NAN)
    }

    /// A number that may be left out.
    pub fn optional(self, index: usize) -> Option<f64> {
        self.get(index).and_then(Datum::given)
    }

    /// A text; empty where there is none.
    pub fn text(self, index: usize) -> &'a str {
        self.get(index).map_or("", Datum::text)
    }

    /// The doubles of a list or record.
    pub fn words(self, index: usize) -> &'a [f64] {
        self.get(index).map_or(&[], Datum::words)
    }
}

/// How most built-ins work.
pub(crate) type Work = fn(&mut Context<'_>, Arguments<'_>) -> Result<Datum, Trouble>;

/// How a built-in is worked out.
pub enum Function {
    /// From one number; NaN means that there is no result.
    Number1(fn(f64) -> f64),
    /// From two numbers; NaN means that there is no result.
    Number2(fn(f64, f64) -> f64),
    /// Everything else.
    General(Work),
}

/// What the checker knows of a built-in beyond its types and effects.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trait {
    /// Tells whether the polygon is locked.
    SeeksLock,
    /// Means little before the polygon is locked.
    NeedsLock,
    /// Its result is never negative.
    NotNegative,
}

/// A built-in. A row of a table states what differs from [`general`].
pub struct Builtin {
    /// Its name.
    pub name: &'static str,
    /// What it takes.
    pub parameters: &'static [Parameter],
    /// What it gives.
    pub returns: Spec,
    /// What it may do to the head.
    pub effects: &'static [Effect],
    /// What the checker knows of it besides.
    pub traits: &'static [Trait],
    /// Meaning, units, ranges, errors; for a formula its source.
    pub meaning: &'static str,
    /// A script that shows it and passes.
    pub example: &'static str,
    /// How long a call may take on a head.
    pub time: TimeBound,
    /// What is known of its result before the script runs.
    pub result: ResultBound,
    /// How it is worked out.
    pub function: Function,
}

pub(super) const NUMBER: Spec = Spec::Quantity(Dimension::NUMBER);
pub(super) const LENGTH: Spec = Spec::Quantity(Dimension::LENGTH);
pub(super) const TIME: Spec = Spec::Quantity(Dimension::TIME);
pub(super) const ANGLE: Spec = Spec::Quantity(Dimension::ANGLE);
pub(super) const FREQUENCY: Spec = Spec::Quantity(Dimension::FREQUENCY);
pub(super) const ROTATION: Spec = Spec::Quantity(Dimension::ROTATION);
pub(super) const LENS: Spec = Spec::Quantity(Dimension::LENS);
pub(super) const VOLTAGE: Spec = Spec::Quantity(Dimension::VOLTAGE);
pub(super) const OPEN: Spec = Spec::Quantity(Dimension::open_power(1));
pub(super) const RISE: Spec = Spec::Quantity(Dimension::open_powers(1, -1));

impl Builtin {
    /// Whether it has a trait.
    pub fn is(&self, what: Trait) -> bool {
        self.traits.contains(&what)
    }

    /// Whether a call makes the polygon faster or slower.
    pub fn changes_speed(&self) -> bool {
        matches!(self.time, TimeBound::Spin | TimeBound::Halt)
    }
}

/// A parameter that must be given.
pub(super) const fn required(name: &'static str, spec: Spec, meaning: &'static str) -> Parameter {
    Parameter { name, spec, default: Default::Required, meaning }
}

/// A parameter that may be left out; `default` says what holds then.
pub(super) const fn optional(
    name: &'static str,
    spec: Spec,
    default: &'static str,
    meaning: &'static str,
) -> Parameter {
    Parameter { name, spec, default: Default::Optional(default), meaning }
}

/// A built-in that takes and returns nothing, has no effect and takes no head time.
pub(super) const fn general(work: Work) -> Builtin {
    Builtin {
        name: "",
        parameters: &[],
        returns: Spec::Nothing,
        effects: &[],
        traits: &[],
        meaning: "",
        example: "",
        time: TimeBound::None,
        result: ResultBound::Unknown,
        function: Function::General(work),
    }
}

impl Spec {
    /// The type it stands for.
    pub fn to_type(&self) -> Type {
        match self {
            Spec::Quantity(dimension) => Type::Quantity(*dimension),
            Spec::Temperature => Type::Temperature,
            Spec::Flag => Type::Flag,
            Spec::Text | Spec::Image | Spec::Fault | Spec::Signal | Spec::Channel => Type::Text,
            Spec::Nothing => Type::Nothing,
            Spec::Any | Spec::Like => Type::Any,
            Spec::List(item) => item.to_type().list(),
            Spec::Record(record) => Type::Record(Rc::new(record.to_type())),
        }
    }
}

impl RecordSpec {
    /// The type it stands for.
    pub fn to_type(&self) -> RecordType {
        let fields = self.fields.iter().map(|(n, spec, _)| (Arc::from(*n), spec.to_type()));
        RecordType { name: Some(self.name), fields: fields.collect() }
    }
}
