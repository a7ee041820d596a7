//! What a built-in is made of.

use crate::builtins::bound::{CallFacts, Extent, Judge, ResultBound, TimeBound};
use crate::builtins::page::Page;
use crate::program::types::{Layout, Type};
use crate::program::value::{Datum, Value};
use crate::station::{Station, StationError};
use std::sync::OnceLock;

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

    fn words(self) -> (&'static str, &'static str) {
        match self {
            Effect::Reads => ("reads", "reads the state of the head"),
            Effect::Spins => ("spins", "turns the polygon or stops it"),
            Effect::Steers => ("steers", "moves the galvanometer"),
            Effect::Switches => ("switches", "switches outputs of the station"),
            Effect::Emits => ("emits", "lets light out"),
            Effect::Trims => ("trims", "changes the trims in force"),
            Effect::Stores => ("stores", "writes what survives power loss"),
            Effect::Asks => ("asks", "asks the operator"),
            Effect::Provokes => ("provokes", "makes a simulated head fail"),
        }
    }

    /// As scripts say it.
    pub fn text(self) -> &'static str {
        self.words().0
    }

    /// What a script with it does.
    pub fn meaning(self) -> &'static str {
        self.words().1
    }
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
    /// The head or the gauge answered, and what it told is of no use.
    Unusable(String),
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
    /// From a list, of which an item lies as told.
    List(fn(&Value, Layout) -> f64),
    /// Everything else.
    General(Work),
}

/// What the checker knows of a built-in beyond its types and effects.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trait {
    /// Tells whether the polygon is locked.
    SeeksLock,
    /// Tells whether it is at rest.
    SeeksRest,
    /// Lines are drawn steadily behind it.
    DrawsSteadily,
    /// Means little before the polygon is locked.
    NeedsLock,
    /// Its result is never negative.
    NotNegative,
    /// Its result changes in the course of a run, or is known only there, though it asks nothing of the head.
    Changes,
    /// Its result is measured, so it never equals a number but by chance.
    Measured,
    /// Takes long without a look at lock and interlock, so it is refused while the laser is armed.
    NotWhileArmed,
    /// Of its second and third argument, only the one that its first tells is worked out.
    Chooses,
}

/// A built-in.
pub struct Builtin {
    /// Its name.
    pub name: &'static str,
    /// What the checker knows of it besides its page.
    pub traits: &'static [Trait],
    /// How long a call may take on a head.
    pub time: TimeBound,
    /// What is known of its result before the script runs.
    pub result: ResultBound,
    /// What is surely wrong with a call, where its arguments are known.
    pub(crate) refuses: Option<Judge>,
    /// What it refuses of one argument it refuses with all usual values of the others, so it may be tried with
    /// made-up ones before the run.
    pub(crate) is_tried: bool,
    /// How it is worked out.
    pub function: Function,
    /// The pages of its topic.
    pub(super) topic: &'static str,
    pub(super) page: OnceLock<Page>,
}

impl Builtin {
    /// A built-in of which nothing is known but its page, and that takes no head time.
    pub(super) fn pure(name: &'static str, function: Function) -> Builtin {
        let (traits, topic, page) = (&[], "", OnceLock::new());
        let (time, result) = (TimeBound::None, ResultBound::Unknown);
        Builtin {
            name,
            traits,
            time,
            result,
            refuses: None,
            is_tried: false,
            function,
            topic,
            page,
        }
    }

    pub(super) fn with_traits(self, traits: &'static [Trait]) -> Builtin {
        Builtin { traits, ..self }
    }

    pub(super) fn with_result(self, result: fn(&CallFacts<'_>) -> Extent) -> Builtin {
        Builtin { result: ResultBound::Computed(result), ..self }
    }

    pub(super) fn tried(self) -> Builtin {
        Builtin { is_tried: true, ..self }
    }

    pub(super) fn refusing(self, judge: Judge) -> Builtin {
        Builtin { refuses: Some(judge), ..self }
    }

    /// Its page, read where it is first asked for.
    pub fn page(&self) -> &Page {
        self.page.get_or_init(|| Page::of(self.name, self.topic))
    }

    /// Whether it has a trait.
    pub fn is(&self, what: Trait) -> bool {
        self.traits.contains(&what)
    }

    /// Whether it may have an effect.
    pub fn has(&self, effect: Effect) -> bool {
        self.page().effects.contains(&effect)
    }

    /// Whether it measures lines or maps that the head draws.
    pub fn measures_a_line(&self) -> bool {
        matches!(self.page().returns, "line" | "list of line" | "list of mark")
    }

    /// Whether it gives the rows of a file, which is read before the check.
    pub fn reads_table(&self) -> bool {
        self.page().parameters.iter().any(|parameter| parameter.kind == "table")
    }

    /// Whether a call makes the polygon faster or slower.
    pub fn changes_speed(&self) -> bool {
        matches!(self.time, TimeBound::Spin | TimeBound::Halt)
    }
}

/// A built-in that takes no head time.
pub(super) fn pure(name: &'static str, work: Work) -> Builtin {
    Builtin::pure(name, Function::General(work))
}

/// A built-in that may take head time.
pub(super) fn timed(name: &'static str, time: TimeBound, work: Work) -> Builtin {
    Builtin { time, ..pure(name, work) }
}

/// A failure because of what the arguments are.
pub(super) fn wrong<T>(message: impl Into<String>) -> Result<T, Trouble> {
    Err(Trouble::Value(message.into()))
}

/// What an order to the station gives: nothing.
pub(super) fn done(order: Result<(), StationError>) -> Result<Datum, Trouble> {
    order?;
    Ok(Datum::Nothing)
}
