//! The one table of contracts, from harmless to light.

use crate::head::contract::{Contract, Does, light, moves, reads, trims};

/// Every contract, in the order in which they are tried.
pub const TABLE: &[Contract] = &[
    Contract {
        name: "description",
        holds: "The head says what it is, twice alike, in values that a head can have.",
        does: Does::Reads,
        check: reads::description,
    },
    Contract {
        name: "status",
        holds: "The status has a voltage for each rail, a facet that is there, and no odd numbers.",
        does: Does::Reads,
        check: reads::status,
    },
    Contract {
        name: "clock",
        holds: "Head time never goes back, and the status tells the same time.",
        does: Does::Reads,
        check: reads::clock,
    },
    Contract {
        name: "sleep",
        holds: "At least the time of a sleep passes.",
        does: Does::Reads,
        check: reads::sleep,
    },
    Contract {
        name: "disarmed_first",
        holds: "The laser is not armed before anybody arms it.",
        does: Does::Reads,
        check: reads::disarmed,
    },
    Contract {
        name: "disarm_always",
        holds: "Disarming is never refused, and harmless where nothing is armed.",
        does: Does::Reads,
        check: reads::disarm,
    },
    Contract {
        name: "trims_read",
        holds: "There is a trim for each facet, in whole steps of its register.",
        does: Does::Reads,
        check: reads::trims,
    },
    Contract {
        name: "no_turns_at_rest",
        holds: "A polygon at rest has no turns; watching them gives up in time.",
        does: Does::Reads,
        check: reads::no_turns,
    },
    Contract {
        name: "gauge_answers",
        holds: "The gauge answers in time, if only that there is nothing to measure.",
        does: Does::Reads,
        check: reads::gauge,
    },
    Contract {
        name: "safe_any_time",
        holds: "Making safe works at any time and again: laser off, mirror parked, no speed asked for.",
        does: Does::Reads,
        check: reads::safe,
    },
    Contract {
        name: "trims_counted",
        holds: "Trims that are not one per facet are refused, and change nothing.",
        does: Does::Trims,
        check: trims::wrong_count,
    },
    Contract {
        name: "trims_rounded",
        holds: "Trims read back as the nearest step of their registers.",
        does: Does::Trims,
        check: trims::rounding,
    },
    Contract {
        name: "trims_in_range",
        holds: "Trims beyond their registers are refused, and change nothing.",
        does: Does::Trims,
        check: trims::range,
    },
    Contract {
        name: "trims_stored",
        holds: "Storing trims works, and leaves those in force as they are.",
        does: Does::Trims,
        check: trims::store,
    },
    Contract {
        name: "speed_in_range",
        holds: "Speeds beyond the range are refused, and change nothing.",
        does: Does::Moves,
        check: moves::speed_range,
    },
    Contract {
        name: "angle_in_range",
        holds: "Mirror angles beyond the range are refused.",
        does: Does::Moves,
        check: moves::steer_range,
    },
    Contract {
        name: "mirror_arrives",
        holds: "The mirror stands where it was sent once it has settled, and parks.",
        does: Does::Moves,
        check: moves::steer,
    },
    Contract {
        name: "lock_in_time",
        holds: "From rest the polygon locks within the longest spin-up, at the speed asked for.",
        does: Does::Moves,
        check: moves::lock,
    },
    Contract {
        name: "turns_counted",
        holds: "As many turns are watched as asked for, each with its start-of-scan pulses.",
        does: Does::Moves,
        check: moves::turns,
    },
    Contract {
        name: "facet_known",
        holds: "A locked head knows which facet comes next.",
        does: Does::Moves,
        check: moves::facet,
    },
    Contract {
        name: "refusal_harmless",
        holds: "A command that is refused costs neither lock nor answers.",
        does: Does::Moves,
        check: moves::after_refusal,
    },
    Contract {
        name: "brake_in_time",
        holds: "A braked polygon is at rest within the longest braking.",
        does: Does::Moves,
        check: moves::brake,
    },
    Contract {
        name: "safe_spinning",
        holds: "Made safe while it spins, the polygon goes on or comes to rest, as asked.",
        does: Does::Moves,
        check: moves::safe,
    },
    Contract {
        name: "arm_needs_interlock",
        holds: "Arming is refused with the interlock open.",
        does: Does::Light,
        check: light::needs_interlock,
    },
    Contract {
        name: "arm_needs_lock",
        holds: "Arming is refused without lock.",
        does: Does::Light,
        check: light::needs_lock,
    },
    Contract {
        name: "line_needs_arming",
        holds: "Lines are refused while the laser is not armed.",
        does: Does::Light,
        check: light::needs_arming,
    },
    Contract {
        name: "power_in_range",
        holds: "Arming is refused below nothing and beyond full power.",
        does: Does::Light,
        check: light::power_range,
    },
    Contract {
        name: "armed_guards",
        holds: "An armed head says so, does not stop the polygon, and disarms.",
        does: Does::Light,
        check: light::guards,
    },
    Contract {
        name: "line_drawn",
        holds: "A line is drawn whole by the facet asked for, in time; a facet too many is refused.",
        does: Does::Light,
        check: light::expose,
    },
    Contract {
        name: "line_measured",
        holds: "The gauge measures a line and states how uncertain it is.",
        does: Does::Light,
        check: light::measure,
    },
    Contract {
        name: "safe_armed",
        holds: "Made safe while armed, the laser is off.",
        does: Does::Light,
        check: light::safe,
    },
    Contract {
        name: "answers_in_time",
        holds: "No call of all these took longer than the head states.",
        does: Does::Reads,
        check: reads::times,
    },
];
