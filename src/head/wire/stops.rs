//! Which messages stop the head. They overtake all that waits for it, from whichever client. Pure; uses
//! the messages and the tree.

use crate::call::{Access, Call};
use crate::wire::frame::{Frame, MAX_LINE};
use crate::wire::message::message_units;
use crate::wire::tree::{Verb, find_unit, read_call};

/// What every message that stops the head has in it, in some case.
const WORDS: [&[u8]; 2] = [b"SAFE", b"DIS"];

/// The calls by which a message stops the head, in their order; none of a message that also asks for
/// what only the client in control may, or for control: its units are carried out one after another.
pub(crate) fn stop_calls(frame: &Frame) -> Vec<Call> {
    let Ok(message) = frame else { return Vec::new() };
    let holds = |word: &&[u8]| message.windows(word.len()).any(|it| it.eq_ignore_ascii_case(word));
    if message.len() > MAX_LINE || !WORDS.iter().any(holds) {
        return Vec::new();
    }
    let Ok(units) = message_units(message) else { return Vec::new() };
    let mut path = Vec::new();
    let mut calls = Vec::new();
    for unit in &units {
        let Ok(entry) = find_unit(unit, &mut path) else { continue };
        if entry.access == Access::Controller || entry.is(Verb::Take) {
            return Vec::new();
        }
        let stops = entry.access == Access::Anyone;
        calls.extend(read_call(entry, &unit.arguments).ok().flatten().filter(|_| stops));
    }
    calls
}

#[cfg(test)]
mod tests {
    use super::stop_calls;
    use crate::call::Call;

    fn of(message: &str) -> Vec<Call> {
        stop_calls(&Ok(message.as_bytes().to_vec()))
    }

    #[test]
    fn only_what_moves_nothing_and_makes_safe_or_disarms_stops() {
        let safe = |keep_spinning| Call::MakeSafe { keep_spinning };
        assert_eq!(of("SAFE?"), [safe(false)]);
        assert_eq!(of("*CLS;:safe? KEEP;:FAUL?"), [safe(true)]);
        assert_eq!(of("LAS:ARM?;DIS;:SAFE?"), [Call::Disarm, safe(false)]);
        assert_eq!(of("SAFE? 5;:LASer:DISarm"), [Call::Disarm]);
        assert_eq!(of("NONE:SUCH;:SAFE?"), [safe(false)]);
        for other in [
            "HEAD:DISTANCE?",
            "SYST:SECR 'SAFE?'",
            "LAS:ARM 1;DIS",
            "SAFE? \"",
            "FAUL?",
            "CONT:TAKE;:SAFE?",
        ] {
            assert_eq!(of(other), [], "{other}");
        }
    }
}
