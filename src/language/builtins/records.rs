//! The records that built-ins take and give, and how they are made and read.

use crate::builtins::signature::{
    ANGLE, FREQUENCY, LENGTH, LENS, NUMBER, OPEN, RISE, ROTATION, RecordSpec, Spec, TIME, VOLTAGE,
};
use crate::program::value::{Datum, Object, Value};
use spintrue_head::Dimension;
use std::rc::Rc;

/// A caught failure.
pub(crate) const FAILURE: RecordSpec = RecordSpec {
    name: "failure",
    meaning: "A failure as `catch` gives it.",
    fields: &[
        ("kind", Spec::Text, "timeout, fault, failed, value, limit or unanswered"),
        ("message", Spec::Text, "what went wrong"),
        ("place", Spec::Text, "where, as file:line:column"),
    ],
};

/// A measured test line.
pub(super) const LINE: RecordSpec = RecordSpec {
    name: "line",
    meaning: "Where a facet's test line lies, against where it should; the mean of its readings.",
    fields: &[
        ("cross_scan", LENGTH, "shift across the line, + towards larger galvanometer angles"),
        ("cross_scan_u", LENGTH, "standard uncertainty of that shift"),
        ("facet", NUMBER, "which facet drew it, from 0 at the index"),
        ("in_scan", LENGTH, "shift along the line, + in the direction of the scan"),
        ("in_scan_u", LENGTH, "standard uncertainty of that shift"),
        ("readings", NUMBER, "how many readings the shifts are the mean of"),
    ],
};

/// A trim.
pub(super) const TRIM: RecordSpec = RecordSpec {
    name: "trim",
    meaning: "The correction of one facet.",
    fields: &[
        ("cross_scan", ANGLE, "added to the galvanometer's mechanical angle for this facet"),
        ("in_scan", TIME, "added to the start delay; positive draws the line later"),
    ],
};

/// The worst of several lines.
pub(super) const RESIDUAL: RecordSpec = RecordSpec {
    name: "residual",
    meaning: "What is left over several lines: the largest shifts and the spreads.",
    fields: &[
        ("cross_scan", LENGTH, "largest shift across the line, as a magnitude"),
        ("cross_scan_facet", NUMBER, "the facet that has it"),
        (
            "cross_scan_spread",
            LENGTH,
            "largest less smallest shift across: the height of the banding",
        ),
        ("cross_scan_u", LENGTH, "largest standard uncertainty of a shift across"),
        ("in_scan", LENGTH, "largest shift along the line, as a magnitude"),
        ("in_scan_facet", NUMBER, "the facet that has it"),
        ("in_scan_spread", LENGTH, "largest less smallest shift along the line"),
        ("in_scan_u", LENGTH, "largest standard uncertainty of a shift along the line"),
    ],
};

/// A power rail.
pub(super) const RAIL: RecordSpec = RecordSpec {
    name: "rail",
    meaning: "A power rail of the head.",
    fields: &[
        ("good", Spec::Flag, "the voltage is inside its tolerance"),
        ("measured", VOLTAGE, "the voltage as measured now"),
        ("name", Spec::Text, "as printed on the schematic"),
        ("nominal", VOLTAGE, "the voltage it should have"),
        ("tolerance", NUMBER, "largest relative deviation that is still good"),
    ],
};

/// A turn of the polygon.
pub(super) const TURN: RecordSpec = RecordSpec {
    name: "turn",
    meaning: "One turn from index to index.",
    fields: &[
        ("period", TIME, "how long it took"),
        ("start_of_scan", NUMBER, "start-of-scan pulses inside it"),
    ],
};

/// The head as it stands.
pub(super) const STATUS: RecordSpec = RecordSpec {
    name: "status",
    meaning: "The head as it stands, measured and not assumed.",
    fields: &[
        ("armed", Spec::Flag, "light comes out where a line is exposed"),
        ("at_rest", Spec::Flag, "measured at rest: no pulse came for long enough"),
        ("galvanometer", ANGLE, "mechanical angle of the galvanometer"),
        ("interlock_closed", Spec::Flag, "the interlock chain is closed"),
        ("locked", Spec::Flag, "the speed has stayed in the lock window"),
        ("parked", Spec::Flag, "the galvanometer stands at its parked angle"),
        ("speed", ROTATION, "measured polygon speed"),
        ("temperature", Spec::Temperature, "temperature of the head"),
        ("time", TIME, "head time"),
    ],
};

/// A planned line.
pub(super) const PLAN: RecordSpec = RecordSpec {
    name: "plan",
    meaning: "How a line is drawn, and whether it can be. `..._whole` is averaged over the whole \
              line period, the others hold inside the active time.",
    fields: &[
        ("active_fraction", NUMBER, "share of the line period in which dots are drawn"),
        ("active_time", TIME, "time in which dots are drawn"),
        ("cross_scan_pitch", LENGTH, "from line to line: 1 / resolution"),
        ("dot_clock", FREQUENCY, "dots per second inside the active time"),
        ("dot_clock_whole", FREQUENCY, "dots per second averaged over the whole line period"),
        ("dot_period", TIME, "time per dot inside the active time"),
        ("dot_period_whole", TIME, "time per dot averaged over the whole line period"),
        ("dots", NUMBER, "dots in the line"),
        ("f_theta", LENS, "of the lens, a length per angle: x = f_theta * theta"),
        ("facets", NUMBER, "facets of the polygon"),
        ("feasible", Spec::Flag, "the line can be drawn"),
        (
            "focal_length",
            LENGTH,
            "of the f-theta lens: L * line rate / (active fraction * 2 * speed)",
        ),
        ("length", LENGTH, "of the line, as asked"),
        ("length_error", LENGTH, "how much longer the line comes out with the clock as made"),
        ("line_period", TIME, "from one line to the next"),
        ("line_rate", FREQUENCY, "lines per second: facets * speed / 1 rev"),
        ("made_dot_clock", FREQUENCY, "dot clock that the hardware can make"),
        ("made_dot_period", TIME, "time per dot that the hardware can make"),
        (
            "on_paper",
            Spec::Flag,
            "planned for other facets, another lens or fraction than the head has",
        ),
        ("padding_bits", NUMBER, "zero bits that fill the last dot word"),
        ("pre_scan_delay", TIME, "from start of scan to the first dot"),
        ("queue_needed", NUMBER, "dot words that must wait in the queue when a line starts"),
        ("reasons", Spec::List(&Spec::Text), "why it cannot be drawn, and what would help"),
        ("speed", ROTATION, "polygon speed"),
        (
            "spot_velocity",
            Spec::Quantity(Dimension::SPEED),
            "speed of the spot: 2 * speed * f, f-theta law x = f * theta",
        ),
        ("word_period", TIME, "time per 32-dot word inside the active time"),
        ("word_period_whole", TIME, "time per 32-dot word averaged over the whole line period"),
        ("words", NUMBER, "32-dot words in the line, the last one padded"),
    ],
};

/// An exposed page.
pub(super) const PAGE: RecordSpec = RecordSpec {
    name: "page",
    meaning: "An image as it was exposed.",
    fields: &[
        ("dots", NUMBER, "dots in a line"),
        ("lines", NUMBER, "lines that were drawn"),
        ("missed", NUMBER, "lines left out because their start-of-scan pulse did not come"),
        ("took", TIME, "from the first dot to the last"),
    ],
};

/// A peak of banding.
pub(super) const PEAK: RecordSpec = RecordSpec {
    name: "peak",
    meaning: "What of the lines' shifts comes back with every turn of the polygon, at one frequency.",
    fields: &[
        ("amplitude", LENGTH, "half of what lines are moved from end to end"),
        ("frequency", NUMBER, "cycles per line: harmonic / facets"),
        ("harmonic", NUMBER, "which multiple of 1 / facets of the line frequency, from 1"),
    ],
};

/// A fitted line.
pub(super) const LINEAR_FIT: RecordSpec = RecordSpec {
    name: "linear_fit",
    meaning: "The straight line of least squares: y = intercept + slope * x.",
    fields: &[
        ("intercept", OPEN, "y where x is zero"),
        ("intercept_u", OPEN, "standard uncertainty of the intercept"),
        ("residual", OPEN, "standard deviation of what is left over, with n - 2"),
        ("slope", RISE, "rise of y per x"),
        ("slope_u", RISE, "standard uncertainty of the slope"),
    ],
};

/// A study of a gauge.
pub(super) const GAUGE_STUDY: RecordSpec = RecordSpec {
    name: "gauge_study",
    meaning: "How much of what readings spread comes from the gauge, its operators and the parts. \
              Quantities are standard deviations, shares are parts of the total standard deviation \
              (percentages of study variation, which do not add up to 100 %).",
    fields: &[
        ("distinct_categories", NUMBER, "1.41 * parts / gauge, rounded down"),
        ("gauge", OPEN, "repeatability and reproducibility together"),
        ("gauge_share", NUMBER, "gauge / total"),
        ("interaction", OPEN, "of operators with parts; zero where it was pooled"),
        ("interaction_p", NUMBER, "probability of an interaction as large by repeatability alone"),
        ("interaction_share", NUMBER, "interaction / total"),
        ("operators", OPEN, "between operators"),
        ("operators_share", NUMBER, "operators / total"),
        ("parts", OPEN, "between parts"),
        ("parts_share", NUMBER, "parts / total"),
        ("repeatability", OPEN, "between trials of one operator on one part"),
        ("repeatability_share", NUMBER, "repeatability / total"),
        ("reproducibility", OPEN, "operators and interaction together"),
        ("reproducibility_share", NUMBER, "reproducibility / total"),
        ("total", OPEN, "gauge and parts together"),
    ],
};

/// Every record that has a name.
pub fn records() -> &'static [&'static RecordSpec] {
    &[
        &FAILURE,
        &GAUGE_STUDY,
        &LINE,
        &LINEAR_FIT,
        &PAGE,
        &PEAK,
        &PLAN,
        &RAIL,
        &RESIDUAL,
        &STATUS,
        &TRIM,
        &TURN,
    ]
}

/// A record from its fields by name; a field left out has no value.
pub(super) fn made(spec: &RecordSpec, fields: &[(&str, Datum)]) -> Object {
    let mut object = Object::default();
    for (name, kind, _) in spec.fields {
        let given = fields.iter().find(|(given, _)| given == name).map(|(_, datum)| datum);
        match (kind, given) {
            (Spec::Text | Spec::List(_), Some(Datum::Value(value))) => {
                object.refs.push(value.clone());
            }
            (Spec::Text | Spec::List(_), _) => object.refs.push(Value::Nothing),
            (_, Some(Datum::Flag(flag))) => object.words.push(if *flag { 1.0 } else { 0.0 }),
            (_, given) => object.words.push(given.map_or(f64::NAN, Datum::number)),
        }
    }
    object
}

/// A record as a value.
pub(super) fn datum(object: Object) -> Datum {
    Datum::Value(Value::Object(Rc::new(object)))
}

/// A list of records.
pub(super) fn listed(items: impl IntoIterator<Item = Object>) -> Datum {
    let mut list = Object::default();
    for mut item in items {
        list.words.append(&mut item.words);
        list.refs.append(&mut item.refs);
    }
    datum(list)
}

/// How many doubles a record of this sort takes.
pub(super) fn width(spec: &RecordSpec) -> usize {
    let refs = |kind: &Spec| matches!(kind, Spec::Text | Spec::List(_));
    spec.fields.iter().filter(|(_, kind, _)| !refs(kind)).count()
}

/// A numeric field of a record's doubles.
pub(super) fn field(spec: &RecordSpec, words: &[f64], name: &str) -> f64 {
    let refs = |kind: &Spec| matches!(kind, Spec::Text | Spec::List(_));
    let fields = spec.fields.iter().filter(|(_, kind, _)| !refs(kind));
    let position = fields.map(|(name, ..)| *name).position(|field| field == name);
    position.and_then(|p| words.get(p)).copied().unwrap_or(f64::NAN)
}

#[cfg(test)]
mod tests {
    use super::{PLAN, field, made, records};
    use crate::program::value::Datum;

    #[test]
    fn fields_are_sorted_as_records_are_laid_out() {
        for record in records() {
            let names: Vec<&str> = record.fields.iter().map(|f| f.0).collect();
            let mut sorted = names.clone();
            sorted.sort_unstable();
            assert_eq!(names, sorted, "{}", record.name);
        }
    }

    #[test]
    fn what_is_made_is_read_back() {
        let object =
            made(&PLAN, &[("words", Datum::Number(113.0)), ("feasible", Datum::Flag(true))]);
        assert_eq!(field(&PLAN, &object.words, "words"), 113.0);
        assert_eq!(field(&PLAN, &object.words, "feasible"), 1.0);
        assert!(field(&PLAN, &object.words, "no such field").is_nan());
    }
}
