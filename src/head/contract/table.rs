//! The one table of contracts, from harmless to light. What each says is in `contracts.md`.

use crate::contract::Risk::{Light, Moves, Reads, Switches, Trims};
use crate::contract::trial::{Trial, TrialResult};
use crate::contract::{Contract, Risk, light, moves, outputs, reads, trims};

const fn contract(
    name: &'static str,
    risk: Risk,
    check: fn(&mut Trial) -> TrialResult<()>,
) -> Contract {
    Contract { name, risk, check }
}

/// Every contract, in the order in which they are tried.
pub const CONTRACTS: &[Contract] = &[
    contract("description", Reads, reads::description),
    contract("status", Reads, reads::status),
    contract("clock", Reads, reads::clock),
    contract("sleep", Reads, reads::sleep),
    contract("disarmed_first", Reads, reads::disarmed),
    contract("disarm_always", Reads, reads::disarm),
    contract("trims_read", Reads, reads::trims),
    contract("signals_read", Reads, outputs::read),
    contract("signals_known", Reads, outputs::unknown),
    contract("no_turns_at_rest", Reads, reads::no_turns),
    contract("gauge_answers", Reads, reads::gauge),
    contract("safe_any_time", Reads, reads::safe),
    contract("trims_counted", Trims, trims::wrong_count),
    contract("trims_rounded", Trims, trims::rounding),
    contract("trims_in_range", Trims, trims::range),
    contract("trims_stored", Trims, trims::store),
    contract("proof_kept", Trims, trims::proof),
    contract("inputs_stay", Switches, outputs::inputs),
    contract("outputs_switch", Switches, outputs::switch),
    contract("channels_set", Switches, outputs::set),
    contract("outputs_safe", Switches, outputs::safe),
    contract("speed_in_range", Moves, moves::speed_range),
    contract("angle_in_range", Moves, moves::steer_range),
    contract("mirror_arrives", Moves, moves::steer),
    contract("lock_in_time", Moves, moves::lock),
    contract("turns_counted", Moves, moves::turns),
    contract("facet_known", Moves, moves::facet),
    contract("refusal_harmless", Moves, moves::after_refusal),
    contract("brake_in_time", Moves, moves::brake),
    contract("safe_spinning", Moves, moves::safe),
    contract("arm_needs_interlock", Light, light::needs_interlock),
    contract("arm_needs_lock", Light, light::needs_lock),
    contract("line_needs_arming", Light, light::needs_arming),
    contract("power_in_range", Light, light::power_range),
    contract("armed_guards", Light, light::guards),
    contract("outputs_guarded", Light, outputs::under_light),
    contract("facets_lit", Light, light::lit_pulses),
    contract("line_drawn", Light, light::expose),
    contract("line_measured", Light, light::measure),
    contract("trims_shift", Light, light::trims_shift),
    contract("steady_needs_arming", Light, light::steady_needs_arming),
    contract("steady_ends", Light, light::steady_ends),
    contract("safe_armed", Light, light::safe),
    contract("answers_in_time", Reads, reads::times),
];

#[cfg(test)]
mod tests {
    use super::CONTRACTS;
    use crate::contract::PAGE;
    use crate::page::headings;

    #[test]
    fn every_contract_has_its_sentence() {
        let names: Vec<&str> = CONTRACTS.iter().map(|contract| contract.name).collect();
        assert_eq!(headings(PAGE).collect::<Vec<_>>(), names);
        assert!(CONTRACTS.iter().all(|contract| contract.holds().ends_with('.')));
    }
}
