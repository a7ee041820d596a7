//! The one table of contracts, from harmless to light.

use crate::contract::Risk::{Light, Moves, Reads, Switches, Trims};
use crate::contract::trial::{Trial, TrialResult};
use crate::contract::{Contract, Risk, light, moves, outputs, reads, trims};

const fn contract(
    name: &'static str,
    holds: &'static str,
    risk: Risk,
    check: fn(&mut Trial) -> TrialResult<()>,
) -> Contract {
    Contract { name, holds, risk, check }
}

/// Every contract, in the order in which they are tried.
pub const TABLE: &[Contract] = &[
    contract(
        "description",
        "The head says what it is, twice alike, in values that a head can have in SI units.",
        Reads,
        reads::description,
    ),
    contract(
        "status",
        "The status has a voltage for each rail, a facet that is there, a temperature in K, and no odd numbers.",
        Reads,
        reads::status,
    ),
    contract(
        "clock",
        "Head time never goes back, and the status tells the same time.",
        Reads,
        reads::clock,
    ),
    contract("sleep", "At least the time of a sleep passes.", Reads, reads::sleep),
    contract(
        "disarmed_first",
        "The laser is not armed before anybody arms it.",
        Reads,
        reads::disarmed,
    ),
    contract(
        "disarm_always",
        "Disarming is never refused, and harmless where nothing is armed.",
        Reads,
        reads::disarm,
    ),
    contract(
        "trims_read",
        "There is a trim for each facet, in whole steps of its register.",
        Reads,
        reads::trims,
    ),
    contract(
        "signals_read",
        "Each signal and channel answers, channels with a value inside their range.",
        Reads,
        outputs::read,
    ),
    contract(
        "signals_known",
        "Reading a signal or a channel that the head does not have is refused.",
        Reads,
        outputs::unknown,
    ),
    contract(
        "no_turns_at_rest",
        "A polygon at rest has no turns; watching them gives up in time.",
        Reads,
        reads::no_turns,
    ),
    contract(
        "gauge_answers",
        "The gauge answers in time, if only that there is nothing to measure.",
        Reads,
        reads::gauge,
    ),
    contract(
        "safe_any_time",
        "Making safe works at any time and again: laser off, mirror parked, no speed asked for.",
        Reads,
        reads::safe,
    ),
    contract(
        "trims_counted",
        "Trims that are not one per facet are refused, and change nothing.",
        Trims,
        trims::wrong_count,
    ),
    contract(
        "trims_rounded",
        "Trims read back as the nearest step of their registers.",
        Trims,
        trims::rounding,
    ),
    contract(
        "trims_in_range",
        "Trims beyond their registers are refused, and change nothing.",
        Trims,
        trims::range,
    ),
    contract(
        "trims_stored",
        "Storing trims works, and leaves those in force as they are.",
        Trims,
        trims::store,
    ),
    contract(
        "inputs_stay",
        "Inputs are not switched or set, nor are outputs that the head does not have.",
        Switches,
        outputs::inputs,
    ),
    contract(
        "outputs_switch",
        "An output reads back as it was switched, both ways.",
        Switches,
        outputs::switch,
    ),
    contract(
        "channels_set",
        "A channel reads back as it was set, and is not set beyond its range.",
        Switches,
        outputs::set,
    ),
    contract(
        "outputs_safe",
        "Made safe, each output is as its `at_safe` has it, or as it was.",
        Switches,
        outputs::safe,
    ),
    contract(
        "speed_in_range",
        "Speeds beyond the range are refused, and change nothing.",
        Moves,
        moves::speed_range,
    ),
    contract(
        "angle_in_range",
        "Mirror angles beyond the range are refused.",
        Moves,
        moves::steer_range,
    ),
    contract(
        "mirror_arrives",
        "The mirror stands where it was sent once it has settled, and parks.",
        Moves,
        moves::steer,
    ),
    contract(
        "lock_in_time",
        "From rest the polygon locks within the longest spin-up, at the speed asked for.",
        Moves,
        moves::lock,
    ),
    contract(
        "turns_counted",
        "As many turns are watched as asked for, each with its start-of-scan pulses.",
        Moves,
        moves::turns,
    ),
    contract("facet_known", "A locked head knows which facet comes next.", Moves, moves::facet),
    contract(
        "refusal_harmless",
        "A command that is refused costs neither lock nor answers.",
        Moves,
        moves::after_refusal,
    ),
    contract(
        "brake_in_time",
        "A braked polygon is at rest within the longest braking.",
        Moves,
        moves::brake,
    ),
    contract(
        "safe_spinning",
        "Made safe while it spins, the polygon goes on or comes to rest, as asked.",
        Moves,
        moves::safe,
    ),
    contract(
        "arm_needs_interlock",
        "Arming is refused with the interlock open.",
        Light,
        light::needs_interlock,
    ),
    contract("arm_needs_lock", "Arming is refused without lock.", Light, light::needs_lock),
    contract(
        "line_needs_arming",
        "Lines are refused while the laser is not armed.",
        Light,
        light::needs_arming,
    ),
    contract(
        "power_in_range",
        "Arming is refused below nothing and beyond full power.",
        Light,
        light::power_range,
    ),
    contract(
        "armed_guards",
        "An armed head says so, does not stop the polygon, and disarms.",
        Light,
        light::guards,
    ),
    contract(
        "outputs_guarded",
        "While armed, outputs are refused that may not be switched under light.",
        Light,
        outputs::under_light,
    ),
    contract(
        "line_drawn",
        "A line is drawn whole by the facet asked for, in time, and at a time on the clock of the head; a facet too many is refused.",
        Light,
        light::expose,
    ),
    contract(
        "line_measured",
        "The gauge measures a line and states how uncertain it is.",
        Light,
        light::measure,
    ),
    contract(
        "trims_shift",
        "A larger in-scan trim draws the line later along itself, a larger cross-scan trim at a larger angle of the mirror; needs trims as well.",
        Light,
        light::trims_shift,
    ),
    contract("safe_armed", "Made safe while armed, the laser is off.", Light, light::safe),
    contract(
        "answers_in_time",
        "No call of all these took longer than the head states.",
        Reads,
        reads::times,
    ),
];
