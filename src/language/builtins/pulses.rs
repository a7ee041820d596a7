//! Index and start-of-scan pulses: how many facets there are, and how evenly they turn.

use crate::builtins::bound;
use crate::builtins::bound::{ResultBound, TimeBound};
use crate::builtins::records::{TURN, listed, made};
use crate::builtins::signature::{
    Arguments, Builtin, Context, Effect, NUMBER, Spec, Trait, Trouble, general, optional, required,
};
use crate::program::value::{Datum, Value};
use crate::station::StationError;
use spintrue_head::{Calls, Fault, Turn, show_number};

/// Most turns watched in one call.
const TURNS_MOST: f64 = 10_000.0;

/// The built-ins of this topic.
pub(super) const BUILTINS: &[Builtin] = &[
    Builtin {
        name: "turns",
        traits: &[Trait::NeedsLock],
        parameters: &[required("count", NUMBER, "how many turns, a whole number from 1 to 10000")],
        returns: Spec::List(&Spec::Record(&TURN)),
        effects: &[Effect::Reads],
        meaning: "Watches whole turns from index to index. Without index pulses it is a fault.",
        example: "spin(3000 rpm)\nwait until locked() within 30 s\nlet seen = turns(5)\nexpect \"period\": mean([t.period for t in seen]) within 19.9 ms .. 20.1 ms",
        time: TimeBound::Work(
            "up to speed and then the turns, or a silence between pulses, whichever is less; then it is given up",
            bound::turns,
        ),
        result: ResultBound::Computed(bound::per_turn),
        ..general(turns)
    },
    Builtin {
        name: "counted_facets",
        traits: &[Trait::NeedsLock, Trait::NotNegative],
        parameters: &[optional(
            "over",
            NUMBER,
            "3 turns are watched",
            "how many turns are watched, a whole number from 1 to 10000",
        )],
        returns: NUMBER,
        effects: &[Effect::Reads],
        meaning: "How many facets the polygon shows: start-of-scan pulses from one index pulse to the next. Turns that disagree, and missing pulses, are a fault.",
        example: "spin(3000 rpm)\nwait until locked() within 30 s\nexpect \"facets\": counted_facets() == facet_count()",
        time: TimeBound::Work(
            "up to speed and then the turns, or a silence between pulses, whichever is less; then it is given up",
            bound::counted,
        ),
        ..general(counted_facets)
    },
    Builtin {
        name: "facet_count",
        traits: &[Trait::NotNegative],
        returns: NUMBER,
        effects: &[Effect::Reads],
        meaning: "How many facets the head's description states.",
        example: "expect \"described\": facet_count() >= 1",
        result: ResultBound::Computed(bound::facet_count),
        ..general(|context, _| Ok(Datum::Number(f64::from(context.station.description().facets))))
    },
    Builtin {
        name: "facets",
        returns: Spec::List(&NUMBER),
        effects: &[Effect::Reads],
        meaning: "The numbers of the facets, from 0 at the index, as the description states them.",
        example: "for k in facets() {\n    note \"facet {k}\"\n}",
        result: ResultBound::Computed(bound::facets),
        ..general(|context, _| {
            let facets = context.station.description().facets;
            Ok(Datum::Value(Value::words((0..facets).map(f64::from).collect())))
        })
    },
];

/// A whole number of turns that can be watched.
fn watched(context: &mut Context<'_>, count: f64) -> Result<Vec<Turn>, Trouble> {
    if !(count.fract() == 0.0 && (1.0..=TURNS_MOST).contains(&count)) {
        let count = show_number(count, None);
        return Err(Trouble::Value(format!(
            "{count} turns cannot be watched: it takes a whole number from 1 to 10000"
        )));
    }
    Ok(context.station.turns(count as u32)?)
}

fn turns(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let turns = watched(context, arguments.number(0))?;
    Ok(listed(turns.iter().map(|turn| {
        let pulses = Datum::Number(f64::from(turn.start_of_scan));
        made(&TURN, &[("period", Datum::Number(turn.period)), ("start_of_scan", pulses)])
    })))
}

fn counted_facets(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let over = arguments.get(0).and_then(Datum::given).unwrap_or(3.0);
    let turns = watched(context, over)?;
    let counts: Vec<u32> = turns.iter().map(|turn| turn.start_of_scan).collect();
    let first = counts.first().copied().unwrap_or(0);
    if counts.iter().any(|count| *count != first) {
        let seen: Vec<String> = counts.iter().take(10).map(u32::to_string).collect();
        let message = format!("start-of-scan pulses differ from turn to turn: {}", seen.join(", "));
        return Err(StationError::Fault(Fault::Broken(message)).into());
    }
    Ok(Datum::Number(f64::from(first)))
}
