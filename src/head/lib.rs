//! The head trait: all that spintrue asks of a polygon scan head, its plain commands,
//! replies and faults. Uses units, images, and the plain clock, register and trim types of optics.
//!
//! Every quantity is a plain `f64` in SI units: m, s, rad, rad/s, Hz, V, K. A head owns its
//! clock, so that a simulated head can let time pass without waiting.
//!
//! People implement [`Head`] and [`Gauge`]; all else asks a [`Link`], whose calls are values.

mod call;
mod contract;
mod description;
mod fault;
mod faults;
mod fixture;
mod gauge;
mod image;
mod injector;
mod link;
mod optics;
mod page;
mod plausible;
mod range;
#[cfg(feature = "wire")]
mod realtime;
mod record;
mod replay;
mod safe;
#[cfg(feature = "wire")]
mod serve;
mod signals;
#[cfg(feature = "wire")]
mod stop_request;
mod system;
#[cfg(test)]
mod tests;
mod toml_form;
mod trace;
mod units;
mod visible;
#[cfg(feature = "wire")]
mod wire;
mod words;

pub use call::{Call, CallImage, FromReply, ImageDigest, Reply};
pub use contract::{
    CONTRACTS, Contract, ContractOutcome, ContractReport, Permissions, run_contracts,
    run_contracts_with,
};
pub use description::{
    Clock, ClockKind, Description, Detector, LightSource, MAX_STEADY, Rail, Register, StartOfScan,
    Times,
};
pub use fault::Fault;
pub use faults::{FAULTS, FaultKind, FaultParameter, InjectableFault};
pub use fixture::{Fitted, Fittings, Fixture};
pub use gauge::{Gauge, Reading};
pub use image::{Bitmap, ImageError};
pub use injector::FaultInjector;
pub use link::{Calls, Link, Rig, not_simulated, perform_call, take_reply};
pub use optics::geometry::{facet_to_axis_shift, galvanometer_shift, spot_velocity};
pub use optics::line::{DOTS_PER_WORD, MAX_DOTS, queue_needed};
pub use optics::trim::{corrected, spread, wanted_dose};
pub use optics::{
    Decides, DotTiming, FacetMean, Fit, Gain, Hardware, LineCorrection, LinePlan, LineRequest,
    LineScale, LineTiming, Linearity, MAX_DEGREES, MAX_DEVIATION, MAX_MARKS, MapMark, Mark,
    MarkMean, Matrix, NORMAL_PER_MEDIAN_ABSOLUTE, Response, SHAPE, Shape, Stated, Steps,
    TimedReading, Trim, TrimError, TrimRegisters, Trimmed, Wiring, WorstFacet, combined,
    largest_step, plan_line, step_patterns,
};
pub use range::{check_range, out_of_range};
#[cfg(feature = "wire")]
pub use realtime::Paced;
pub use record::{CallListener, CallRecorder, Heard};
pub use replay::{Course, Replay};
pub use safe::{SAFE_CALLS, catch_panic, left_text, make_safe_by_steps, panic_fault, step_by_step};
#[cfg(feature = "wire")]
pub use serve::{CAUTION, Listen, ServeError, ServeOptions, serve, serve_link};
pub use signals::{
    Active, AtSafe, Channel, Direction, Pull, Signal, find_channel, find_signal, put_at_safe,
    settable, switchable, unknown_name,
};
#[cfg(feature = "wire")]
pub use stop_request::{SignalsError, each_request, end_on_request, stop_on_request};
pub use system::io_reason;
pub use toml_form::{FormMistake, toml_mistakes};
pub use trace::{
    TRACE_FORMAT, TRACE_VERSION, TraceEntry, TraceError, TraceHeader, TraceReader, TraceScript,
    TraceSurvey, TraceWriter, survey_trace,
};
pub use units::table::find_unit;
pub use units::{
    Base, Dimension, KINDS, OPEN_DIMENSION, QuantityError, UNITS, Unit, UnitError, UnitText,
    cell_number, cell_text, exact_text, faithful_text, letter_distance, nearest_name, noise_of,
    parse_quantity, parse_unit, show_number, show_quantity, suited_unit,
};
pub use visible::{STEERING, is_hidden, visible_line, visible_lines, visible_output};
#[cfg(feature = "serial")]
pub use wire::line::serial_lines;
#[cfg(feature = "wire")]
pub use wire::{
    acceptor::Listener,
    codec::write_reply,
    control::{Control, ControlledHead, Secret, SecretError, Served},
    driver::{WireControl, connect, is_controlled_by_other},
    frame::{BLOCK_LOOKING, Framer, MAX_LINE},
    greeting::WireTarget,
    line::{DEFAULT_BAUD, SerialLine},
    link::WirePlace,
    message::{message_units, reply_parts},
    outcome::read_outcome,
    server::serve_listeners,
    session::WireSession,
    tree::{HEADERS, find_header, read_call, read_reply, write_call},
    watch::ControlWatch,
};
pub use words::{call_words, reply_words};

use crate::units::number;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// What the laser is doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Laser {
    /// No light can come out.
    Off,
    /// Armed: light comes out where a line is exposed.
    Armed,
}

/// A snapshot of the head, measured and not assumed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Status {
    /// Head time in s.
    #[serde(with = "number")]
    pub time: f64,
    /// Measured polygon speed in rad/s.
    #[serde(with = "number")]
    pub speed: f64,
    /// The speed asked for in rad/s, or none while stopped or coasting.
    #[serde(with = "number::option", default)]
    pub target: Option<f64>,
    /// The lock detector's word: the speed has stayed in its window.
    pub locked: bool,
    /// The facet that will draw the next line, where the index has been seen.
    pub facet: Option<u32>,
    /// Voltage of each rail in V, in the order of the description.
    #[serde(with = "number::list")]
    pub rails: Vec<f64>,
    /// Whether the interlock chain is closed.
    pub interlock_closed: bool,
    /// What the laser is doing.
    pub laser: Laser,
    /// Measured at rest: no pulse came for longer than the slowest turn that can be told.
    pub at_rest: bool,
    /// Galvanometer angle (mechanical) in rad.
    #[serde(with = "number")]
    pub galvanometer: f64,
    /// Whether the galvanometer stands at its parked angle.
    pub parked: bool,
    /// Temperature of the head in K.
    #[serde(with = "number")]
    pub temperature: f64,
}

/// Most pulses whose times one call of [`Head::turns`] tells: those of its first turns.
pub const MAX_PULSES: usize = 10_000;

/// What the pulse counters saw between two index pulses.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Turn {
    /// Time of the turn in s.
    #[serde(with = "number")]
    pub period: f64,
    /// Start-of-scan pulses inside it.
    pub start_of_scan: u32,
    /// When each of them came, in s after the index pulse that begins the turn; that of facet 0 may
    /// come a little before it. Empty where the head only counts.
    #[serde(with = "number::list", default, skip_serializing_if = "Vec::is_empty")]
    pub pulses: Vec<f64>,
    /// The same of the end-of-scan pulses.
    #[serde(with = "number::list", default, skip_serializing_if = "Vec::is_empty")]
    pub ends: Vec<f64>,
}

/// Where the pulse of a facet comes against even division.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PulseAngle {
    /// Late is positive, in rad; not a number where the facet gave no pulse.
    #[serde(with = "number")]
    pub angle: f64,
    /// Standard uncertainty in rad.
    #[serde(with = "number")]
    pub u: f64,
}

/// Under what stored trims were proved.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Proof {
    /// Polygon speed in rad/s.
    pub speed: f64,
    /// Share of full power.
    pub power: f64,
    /// Temperature of the head in K.
    pub temperature: f64,
    /// One per facet; empty where the pulses had no times.
    pub pattern: Vec<PulseAngle>,
}

/// How the polygon is brought down.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Halt {
    /// Braked by the drive, then without power.
    Brake,
    /// Power removed; the rotor runs out on its own drag.
    Coast,
}

/// What is written along one line.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Pattern {
    /// The test marks that a gauge can read.
    TestMarks,
    /// Marks at these places, as shares of the planned length from the middle of the line: see
    /// [`Description::check_map`].
    Map(#[serde(with = "number::list")] Vec<f64>),
    /// 32-dot words, most significant bit first, the last one padded with zero bits.
    Words(Vec<u32>),
}

impl Pattern {
    /// Where the marks of a map lie.
    pub fn places(&self) -> Option<&[f64]> {
        match self {
            Pattern::Map(places) => Some(places),
            Pattern::TestMarks | Pattern::Words(_) => None,
        }
    }
}

/// One line to be exposed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LineOrder {
    /// The facet that shall draw it.
    pub facet: u32,
    /// Dots in the line.
    pub dots: u32,
    /// Time per dot in s; the head's clock must be able to make it.
    pub dot_period: f64,
    /// From start of scan to the first dot in s, before trims.
    pub delay: f64,
    /// What is written.
    pub pattern: Pattern,
    /// How a corrected plan has it drawn.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub correction: Option<LineCorrection>,
}

impl LineOrder {
    /// Test marks with `facet`, as a plan has it. The plan's exact dot period is ordered; the
    /// head makes the nearest that its clock can.
    pub fn test_marks(facet: u32, plan: &LinePlan) -> LineOrder {
        LineOrder {
            facet,
            dots: plan.dots,
            dot_period: plan.dot_period,
            delay: plan.pre_scan_delay,
            pattern: Pattern::TestMarks,
            correction: None,
        }
    }
}

/// What came of an exposed line.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Exposed {
    /// Head time of its first dot in s.
    #[serde(with = "number")]
    pub time: f64,
    /// The facet that drew it.
    pub facet: u32,
    /// 32-dot words sent.
    pub words: u32,
    /// The word queue ran empty inside the line.
    pub underrun: bool,
    /// Measured time in s of the turn in which the line was drawn, from index to index; not a number
    /// where the head does not tell. The head may answer after that turn has ended.
    #[serde(default = "not_told", with = "number")]
    pub period: f64,
}

fn not_told() -> f64 {
    f64::NAN
}

/// A page to be exposed: line `k` is drawn by facet `k` mod N, each line one facet behind the last,
/// while the medium moves steadily by one pitch per line and the galvanometer stands still but
/// for the trims.
#[derive(Clone, Debug, PartialEq)]
pub struct PageOrder {
    /// Time per dot in s; the head makes the nearest that its clock can.
    pub dot_period: f64,
    /// From start of scan to the first dot in s, before trims.
    pub delay: f64,
    /// From line to line in m.
    pub pitch: f64,
    /// What is written; its width is the dots in a line.
    pub image: Arc<Bitmap>,
    /// How a corrected plan has its lines drawn.
    pub correction: Option<LineCorrection>,
}

/// What came of a page.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ExposedPage {
    /// Head time of its first dot in s.
    #[serde(with = "number")]
    pub time: f64,
    /// Lines that were drawn.
    pub lines: u32,
    /// Lines left out because their start-of-scan pulse did not come.
    pub missed: u32,
    /// From the first dot to the last in s.
    #[serde(with = "number")]
    pub took: f64,
}

/// Full lines that are drawn one behind the other, for a power meter.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SteadyOrder {
    /// The facet that shall draw, once a turn; none for all of them.
    pub facet: Option<u32>,
    /// Dots in a line, all of them on.
    pub dots: u32,
    /// Time per dot in s; the head makes the nearest that its clock can.
    pub dot_period: f64,
    /// From start of scan to the first dot in s, before trims.
    pub delay: f64,
    /// How long in s, from when the command is taken; at most [`MAX_STEADY`].
    pub seconds: f64,
}

/// How the head stands after it was made safe: measured, not assumed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SafeState {
    /// The head says that no light can come out.
    pub laser_off: bool,
    /// The galvanometer is parked.
    pub parked: bool,
    /// Measured polygon speed in rad/s when this was read.
    #[serde(with = "number")]
    pub speed: f64,
    /// Measured at rest.
    pub at_rest: bool,
    /// Was asked to keep spinning, and does.
    pub kept_spinning: bool,
    /// What could not be done or not be read, one sentence each.
    pub troubles: Vec<String>,
}

/// A polygon scan head.
///
/// Calls return when the head has taken the command, not when the motion is over, except
/// [`Head::expose`], which returns after its line, and [`Head::turns`], after the last turn.
/// A head must answer every call within a bounded time, with a [`Fault`] when it cannot.
pub trait Head {
    /// What kind of head this is: facets, geometry, limits, clock and registers.
    fn describe(&mut self) -> Result<Description, Fault>;

    /// Speed, lock, facet, rails, interlock, laser and galvanometer as they stand now.
    fn status(&mut self) -> Result<Status, Fault>;

    /// Runs the polygon at `speed` rad/s and holds it there.
    fn spin(&mut self, speed: f64) -> Result<(), Fault>;

    /// Brings the polygon down. Refused while armed.
    fn halt(&mut self, how: Halt) -> Result<(), Fault>;

    /// Sends the galvanometer to a mechanical angle in rad; `None` parks it.
    fn steer(&mut self, angle: Option<f64>) -> Result<(), Fault>;

    /// Watches `count` whole turns from index to index, of an armed head whose writing beam lights the
    /// detector once light can come out; gives up with a fault after [`Description::turns_most`].
    fn turns(&mut self, count: u32) -> Result<Vec<Turn>, Fault>;

    /// The trims in force, one per facet, as the registers hold them.
    fn trims(&mut self) -> Result<Vec<Trim>, Fault>;

    /// Loads one trim per facet; registers round to their step. Lost without [`Head::store_trims`].
    fn load_trims(&mut self, trims: &[Trim]) -> Result<(), Fault>;

    /// Keeps the trims in force over power loss, and forgets the proof of those stored before.
    fn store_trims(&mut self) -> Result<(), Fault>;

    /// The same with what proved them; a head without room for that keeps the trims only.
    fn store_proved_trims(&mut self, proof: &Proof) -> Result<(), Fault> {
        let _ = proof;
        self.store_trims()
    }

    /// What proved the stored trims, where the head keeps it.
    fn stored_proof(&mut self) -> Result<Option<Proof>, Fault> {
        Ok(None)
    }

    /// Arms the laser at a share of full power, 0 to 1. Refused without lock or interlock.
    fn arm(&mut self, power: f64) -> Result<(), Fault>;

    /// Disarms the laser. Always allowed.
    fn disarm(&mut self) -> Result<(), Fault>;

    /// Draws one line with the facet asked for. Refused unless armed and locked; gives up with a
    /// fault after [`Description::expose_most`], or once no pulse came for as long as
    /// [`Times::pulse_silence_most`].
    fn expose(&mut self, line: &LineOrder) -> Result<Exposed, Fault>;

    /// Draws a page. Refused unless armed and locked; gives up with a fault after
    /// [`Description::page_most`], and as soon as a line cannot be drawn whole. A head that draws
    /// single lines only need not have it: then it is refused.
    fn expose_page(&mut self, page: &PageOrder) -> Result<ExposedPage, Fault> {
        let _ = page;
        Err(call::table::EXPOSE_PAGE.unsupported())
    }

    /// Begins to draw full lines, and returns at once. Refused unless armed and locked, and for longer than
    /// [`MAX_STEADY`]. Light goes out when the time is over, when the laser is disarmed for any reason, and by
    /// the next command that moves or changes something. Status, signals and channels are read meanwhile. A
    /// head need not have it: then it is refused.
    fn draw_steadily(&mut self, order: &SteadyOrder) -> Result<(), Fault> {
        let _ = order;
        Err(call::table::DRAW_STEADILY.unsupported())
    }

    /// Whether lines are still drawn as [`Head::draw_steadily`] ordered.
    fn drawing_steadily(&mut self) -> Result<bool, Fault> {
        Err(call::table::DRAWING_STEADILY.unsupported())
    }

    /// Whether a signal of [`Description::signals`] is active, whichever level that is.
    fn signal(&mut self, name: &str) -> Result<bool, Fault> {
        Err(signals::unknown_name("signal", name))
    }

    /// Makes an output of [`Description::signals`] active or not. Refused for inputs, and while armed
    /// unless the output may be switched under light.
    fn switch(&mut self, name: &str, on: bool) -> Result<(), Fault> {
        let _ = on;
        Err(signals::unknown_name("signal", name))
    }

    /// What a channel of [`Description::channels`] reads, in SI.
    fn channel(&mut self, name: &str) -> Result<f64, Fault> {
        Err(signals::unknown_name("channel", name))
    }

    /// Sets an output of [`Description::channels`], in SI. Refused for inputs, beyond its range, and
    /// while armed unless it may be set under light.
    fn set_channel(&mut self, name: &str, value: f64) -> Result<(), Fault> {
        let _ = value;
        Err(signals::unknown_name("channel", name))
    }

    /// Head time in s; never goes back. Where time passes by itself it is read at each call, and all the
    /// time while a script computes: it must be quick.
    fn now(&mut self) -> f64;

    /// Lets `seconds` pass; a real head waits, a simulated one moves its clock.
    fn sleep(&mut self, seconds: f64);

    /// Laser off first, then the mirror parked, then the polygon down (or kept), then outputs as
    /// their [`signals::AtSafe`] says, whatever fails on the way; returns what was measured then.
    fn make_safe(&mut self, keep_spinning: bool) -> SafeState;
}

/// The Rust of the guide is compiled as well.
#[cfg(doctest)]
#[doc = include_str!("../../docs/heads.md")]
struct Guide;
