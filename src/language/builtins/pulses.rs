//! Index and start-of-scan pulses: how many facets there are, and how evenly they turn.

use crate::builtins::bound;
use crate::builtins::bound::{CallFacts, Refused, ResultBound, TimeBound};
use crate::builtins::records::{datum, listed, made};
use crate::builtins::refusal::TURNS;
use crate::builtins::signature::{Arguments, Builtin, Context, Trait, Trouble, pure, timed};
use crate::program::value::{Datum, Value};
use crate::station::StationError;
use spintrue_head::{Calls, Description, Fault, LightSource, StartOfScan, Turn};

/// Why no facet is counted.
const UNSEEN: &str = "no facet is seen: the writing beam lights the start-of-scan detector, so \
                      count inside `arm`";

/// Why none can be counted on a head that has no pulses of facets.
const INDEX_ALONE: &str = "only the index gives pulses on this head: its facets cannot be counted";

/// What watching turns takes.
const WATCHING: &str = "up to speed and then the turns, or a silence between pulses, whichever is \
                        less; then it is given up";

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        Builtin {
            result: ResultBound::Records(bound::per_turn),
            ..timed("turns", TimeBound::Work(WATCHING, bound::turns), turns)
        }
        .with_traits(&[Trait::NeedsLock])
        .refusing(turns_refused),
        timed("counted_facets", TimeBound::Work(WATCHING, bound::counted), counted_facets)
            .with_traits(&[Trait::NeedsLock, Trait::NotNegative])
            .refusing(count_refused),
        pure("facet_count", |context, _| {
            Ok(Datum::Number(f64::from(context.station.description().facets)))
        })
        .with_traits(&[Trait::NotNegative])
        .with_result(bound::facet_count),
        pure("facets", |context, _| {
            let facets = context.station.description().facets;
            Ok(Datum::Value(Value::words((0..facets).map(f64::from).collect())))
        })
        .with_result(bound::facets),
        pure("start_of_scan_detector", |context, _| {
            let head = context.station.description();
            let every_facet = head.start_of_scan == StartOfScan::EveryFacet;
            let fields = [
                ("counts_in_the_dark", head.counts_in_the_dark()),
                ("end_of_scan", head.detector.end_of_scan),
                ("every_facet", every_facet),
                ("gated", head.detector.gated),
            ];
            Ok(datum(made("detector", &fields.map(|(name, flag)| (name, Datum::Flag(flag))))))
        }),
    ]
}

/// A whole number of turns that can be watched.
fn watched(context: &mut Context<'_>, count: f64) -> Result<Vec<Turn>, Trouble> {
    TURNS.check(context.station.description(), count)?;
    Ok(context.station.turns(count as u32)?)
}

fn turns(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let turns = watched(context, arguments.number(0))?;
    let turns = turns.into_iter().map(|turn| {
        [
            ("ends", Datum::Value(Value::words(turn.ends))),
            ("period", Datum::Number(turn.period)),
            ("pulses", Datum::Value(Value::words(turn.pulses))),
            ("start_of_scan", Datum::Number(f64::from(turn.start_of_scan))),
        ]
    });
    Ok(listed("turn", turns))
}

fn counted_facets(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let over = arguments.get(0).and_then(Datum::given).unwrap_or(3.0);
    let turns = watched(context, over)?;
    let counts: Vec<u32> = turns.iter().map(|turn| turn.start_of_scan).collect();
    let first = counts.first().copied().unwrap_or(0);
    if counts.iter().any(|count| *count != first) {
        let seen: Vec<String> = counts.iter().take(10).map(u32::to_string).collect();
        let message = format!("start-of-scan pulses differ from turn to turn: {}", seen.join(", "));
        return Err(Trouble::Unusable(message));
    }
    let unseen = uncounted(context.station.description(), first > 0);
    if let Some(why) = unseen {
        return Err(StationError::Fault(Fault::Refused(why.to_string())).into());
    }
    Ok(Datum::Number(f64::from(first)))
}

fn turns_refused(asked: &CallFacts<'_>) -> Option<Refused> {
    TURNS.judge(asked, 0)
}

/// Why the facets of a head cannot be counted, in the light or without: in the dark none is seen where the writing beam
/// lights the detector.
fn uncounted(head: &Description, is_lit: bool) -> Option<&'static str> {
    let in_the_dark = !is_lit && head.detector.source == LightSource::Beam;
    let by_index = head.start_of_scan == StartOfScan::IndexOnly;
    by_index.then_some(INDEX_ALONE).or(in_the_dark.then_some(UNSEEN))
}

fn count_refused(asked: &CallFacts<'_>) -> Option<Refused> {
    let unseen = || uncounted(asked.head, asked.lit);
    let refused = || unseen().map(|why| Refused::new(usize::MAX, why.to_string()));
    turns_refused(asked).or_else(refused)
}
