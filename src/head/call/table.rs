//! The table of calls: one row each, by which layers decide instead of listing calls themselves.

use crate::call::{Call, Reply};
use crate::safe::SAFE_CALLS;
use crate::signals::{settable, switchable};
use crate::{Description, Fault, Laser};

/// Who may ask, where several can reach a head.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Access {
    /// Any client, even before the secret was given; never refused and never left waiting.
    Anyone,
    /// A client that gave the secret.
    Observer,
    /// The client that controls the head.
    Controller,
}

/// Whether a call goes with an armed laser.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WhileArmed {
    /// Armed or not.
    Allowed,
    /// Only while not armed; holds the command in words, as its refusal names it.
    Refused(&'static str),
    /// As the description says of the output.
    AsDescribed,
    /// Only while armed.
    Required,
}

/// All that layers decide by.
#[derive(Debug)]
pub struct Row {
    /// As recordings name the call.
    pub name: &'static str,
    /// Who may ask.
    pub access: Access,
    /// Moves the head or changes something in it: starts the dead-man limit.
    pub moves: bool,
    /// May wait long for the polygon or the gauge. A request to stop ends the wait.
    pub waits: bool,
    /// Is asked once more over a new link where the link was lost: doing it twice does no harm.
    pub repeatable: bool,
    /// Whether it goes with an armed laser.
    pub while_armed: WhileArmed,
    /// Longest time in s until the answer of a head that was asked for a speed in rad/s last.
    pub bound: fn(&Description, &Call, f64) -> f64,
    /// Its parameters, each as the wire writes it.
    pub params: &'static [&'static str],
    /// What it does.
    pub summary: &'static str,
}

/// What most calls that only look have in common.
const LOOK: Row = Row {
    name: "",
    access: Access::Observer,
    moves: false,
    waits: false,
    repeatable: false,
    while_armed: WhileArmed::Allowed,
    bound: |head, _, _| head.times.reply_most,
    params: &[],
    summary: "",
};

/// What most commands have in common.
const COMMAND: Row = Row { access: Access::Controller, moves: true, ..LOOK };

/// What both ways to an unarmed laser have in common.
const SAVE: Row = Row { access: Access::Anyone, repeatable: true, ..LOOK };

/// What the calls of a station's signals and channels have in common.
const OUTPUT: Row =
    Row { while_armed: WhileArmed::AsDescribed, bound: |head, _, _| station(head), ..COMMAND };

fn station(head: &Description) -> f64 {
    head.times.station_reply_most()
}

pub(crate) static DESCRIBE: Row =
    Row { name: "describe", summary: "all about the head, as JSON in SI", ..LOOK };

pub(crate) static STATUS: Row = Row {
    name: "status",
    summary: "how the head stands; no target is NAN, an unknown facet -1",
    ..LOOK
};

pub(crate) static SPIN: Row = Row {
    name: "spin",
    while_armed: WhileArmed::Refused("changing the polygon speed"),
    params: &["rad/s"],
    summary: "runs the polygon and holds it there",
    ..COMMAND
};

pub(crate) static HALT: Row = Row {
    name: "halt",
    while_armed: WhileArmed::Refused("stopping the polygon"),
    params: &["BRAKe or COASt"],
    summary: "brings the polygon down",
    ..COMMAND
};

pub(crate) static STEER: Row = Row {
    name: "steer",
    params: &["rad"],
    summary: "sends the galvanometer (mechanical)",
    ..COMMAND
};

pub(crate) static TURNS: Row = Row {
    name: "turns",
    waits: true,
    bound: |head, call, speed| match call {
        Call::Turns { count } => head.turns_most(f64::from(*count), speed),
        _ => head.times.reply_most,
    },
    params: &["count"],
    summary: "watches whole turns: time and number of start-of-scan pulses of each; then, where they \
              are told, the times of these pulses after the index, and those of the end-of-scan \
              pulses, behind how many there are",
    ..COMMAND
};

pub(crate) static TRIMS: Row = Row { name: "trims", summary: "the trims in force", ..LOOK };

pub(crate) static LOAD_TRIMS: Row = Row {
    name: "load_trims",
    params: &["s", "rad[,s,rad...]"],
    summary: "in-scan and cross-scan trim of each facet, from facet 0; then, where the head has them, \
              POWer and the share of each facet, LENGth and the factor of each facet",
    ..COMMAND
};

pub(crate) static STORE_TRIMS: Row = Row {
    name: "store_trims",
    while_armed: WhileArmed::Refused("storing trims"),
    params: &["[block]"],
    summary: "keeps them over power loss, with what proved them as JSON in SI: `speed`, `power`, \
              `temperature`, and `pattern`, a list of `angle` and `u` from facet 0",
    ..COMMAND
};

pub(crate) static STORED_PROOF: Row = Row {
    name: "stored_proof",
    summary: "what proved the stored trims, as `TRIM:STORe` takes it; `null` where it is not kept",
    ..LOOK
};

pub(crate) static ARM: Row = Row {
    name: "arm",
    while_armed: WhileArmed::Refused("arming"),
    params: &["share"],
    summary: "arms at a share of full power, 0 to 1",
    ..COMMAND
};

pub(crate) static DISARM: Row = Row { name: "disarm", summary: "disarms; anybody may", ..SAVE };

pub(crate) static EXPOSE: Row = Row {
    name: "expose",
    waits: true,
    while_armed: WhileArmed::Required,
    bound: |head, _, speed| head.times.arming_most + head.expose_most(speed),
    params: &[
        "facet",
        "dots",
        "s",
        "s",
        "TESTmarks or MAP,count,place... or block",
        "[m",
        "number...]",
    ],
    summary: "draws a line: dot period, delay, then test marks, marks at places (shares of the length from its \
              middle, without a suffix), or dot words of 4 bytes, highest first; of a corrected plan then \
              its length and the ratios of the dot clock along it",
    ..COMMAND
};

pub(crate) static EXPOSE_PAGE: Row = Row {
    name: "expose_page",
    waits: true,
    while_armed: WhileArmed::Required,
    bound: |head, call, speed| match call {
        Call::ExposePage { image, .. } => {
            head.times.arming_most + head.page_most(f64::from(image.size().1), speed)
        }
        _ => head.times.reply_most,
    },
    params: &["s", "s", "m", "block", "[m", "number...]"],
    summary: "draws a page: dot period, delay, pitch, and the image as a Netpbm P4 file; of a corrected \
              plan then its length and the ratios of the dot clock along a line",
    ..COMMAND
};

pub(crate) static DRAW_STEADILY: Row = Row {
    name: "draw_steadily",
    while_armed: WhileArmed::Required,
    params: &["facet", "dots", "s", "s", "s"],
    summary: "draws full lines for a power meter: facet or -1 for all, dots, dot period, delay, and how \
              long; ends with that, with the arming, and with the next command that moves something",
    ..COMMAND
};

pub(crate) static DRAWING_STEADILY: Row =
    Row { name: "drawing_steadily", summary: "full lines are being drawn", ..LOOK };

pub(crate) static SIGNAL: Row = Row {
    name: "signal",
    bound: |head, _, _| station(head),
    params: &["string"],
    summary: "a signal of that name is active",
    ..LOOK
};

pub(crate) static SWITCH: Row = Row {
    name: "switch",
    params: &["string", "0 or 1"],
    summary: "makes an output of that name active or not",
    ..OUTPUT
};

pub(crate) static CHANNEL: Row = Row {
    name: "channel",
    bound: |head, _, _| station(head),
    params: &["string"],
    summary: "a channel of that name, in SI",
    ..LOOK
};

pub(crate) static SET_CHANNEL: Row = Row {
    name: "set_channel",
    params: &["string", "number"],
    summary: "sets an output channel of that name, in SI",
    ..OUTPUT
};

pub(crate) static SLEEP: Row = Row {
    name: "sleep",
    moves: false,
    bound: |head, call, _| match call {
        Call::Sleep { seconds } => head.times.reply_most + seconds,
        _ => head.times.reply_most,
    },
    params: &["s"],
    summary: "lets time pass",
    ..COMMAND
};

pub(crate) static MAKE_SAFE: Row = Row {
    name: "make_safe",
    bound: |head, _, _| head.galvanometer_settling + SAFE_CALLS * head.times.silence_most,
    params: &["[STOP or KEEP]"],
    summary: "laser off, mirror parked, polygon down (or kept); then what was measured; anybody may, \
              and ends the control of others",
    ..SAVE
};

pub(crate) static MEASURE: Row = Row {
    name: "measure",
    waits: true,
    bound: |head, _, _| head.times.reading_most,
    summary: "measures the last line: the standard uncertainties in-scan (noise, offset, in proportion \
              to the place, of a place), the same cross-scan, that of the dose; then of each mark its \
              place as a share of the line from its middle, in-scan, cross-scan, and dose",
    ..COMMAND
};

pub(crate) static CHECK_CAN_INJECT: Row = Row {
    name: "check_can_inject",
    params: &["fault"],
    summary: "whether a fault such as \"lock_lost\" can strike this head; why not. Simulated heads only",
    ..LOOK
};

pub(crate) static INJECT: Row = Row {
    name: "inject",
    moves: false,
    params: &["fault", "s"],
    summary: "the fault strikes after so much head time, until it is mended or control ends",
    ..COMMAND
};

pub(crate) static CLEAR_FAULTS: Row = Row {
    name: "clear_faults",
    moves: false,
    summary: "takes all faults away, those to come as well; what they did stays done",
    ..COMMAND
};

impl Row {
    /// The refusal of a head that does not have this call.
    pub(crate) fn unsupported(&self) -> Fault {
        Fault::Refused(format!("this head does not support `{}`", self.name))
    }
}

impl Call {
    /// What layers decide by. A new call does not compile without its row.
    pub fn row(&self) -> &'static Row {
        match self {
            Call::Describe => &DESCRIBE,
            Call::Status => &STATUS,
            Call::Spin { .. } => &SPIN,
            Call::Halt { .. } => &HALT,
            Call::Steer { .. } => &STEER,
            Call::Turns { .. } => &TURNS,
            Call::Trims => &TRIMS,
            Call::LoadTrims { .. } => &LOAD_TRIMS,
            Call::StoreTrims { .. } => &STORE_TRIMS,
            Call::StoredProof => &STORED_PROOF,
            Call::Arm { .. } => &ARM,
            Call::Disarm => &DISARM,
            Call::Expose { .. } => &EXPOSE,
            Call::ExposePage { .. } => &EXPOSE_PAGE,
            Call::DrawSteadily { .. } => &DRAW_STEADILY,
            Call::DrawingSteadily => &DRAWING_STEADILY,
            Call::Signal { .. } => &SIGNAL,
            Call::Switch { .. } => &SWITCH,
            Call::Channel { .. } => &CHANNEL,
            Call::SetChannel { .. } => &SET_CHANNEL,
            Call::Sleep { .. } => &SLEEP,
            Call::MakeSafe { .. } => &MAKE_SAFE,
            Call::Measure => &MEASURE,
            Call::CheckCanInject { .. } => &CHECK_CAN_INJECT,
            Call::Inject { .. } => &INJECT,
            Call::ClearFaults => &CLEAR_FAULTS,
        }
    }

    /// Whether the laser may be armed after this call, where it `may` have been before.
    pub(crate) fn may_be_armed_after(&self, may: bool, result: &Result<Reply, Fault>) -> bool {
        match (self, result) {
            // A head that broke on the way may have armed all the same.
            (Call::Arm { .. }, Ok(_) | Err(Fault::Broken(_))) => true,
            (Call::Disarm, Ok(_)) => false,
            (Call::Status, Ok(Reply::Status(status))) => status.laser == Laser::Armed,
            (Call::MakeSafe { .. }, Ok(Reply::Safe(state))) => !state.laser_off,
            _ => may,
        }
    }

    /// Refuses what does not go with the laser `armed` or not, and outputs that `head` does not have.
    pub fn check_armed(&self, head: &Description, armed: bool) -> Result<(), Fault> {
        match (self.row().while_armed, self) {
            (WhileArmed::Refused(what), _) if armed => Err(Fault::armed(what)),
            (WhileArmed::Required, _) if !armed => Err(Fault::NotArmed),
            (WhileArmed::AsDescribed, Call::Switch { signal, .. }) => {
                switchable(&head.signals, signal, armed).map(drop)
            }
            (WhileArmed::AsDescribed, Call::SetChannel { channel, value }) => {
                settable(&head.channels, channel, *value, armed).map(drop)
            }
            _ => Ok(()),
        }
    }
}
