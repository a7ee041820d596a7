//! Capability of a process and of a gauge: indices against limits, and gauge studies.

use crate::builtins::records::{GAUGE_STUDY, datum, made};
use crate::builtins::signature::{
    Arguments, Builtin, Context, NUMBER, OPEN, Parameter, Spec, Trouble, general, optional,
    required,
};
use crate::builtins::statistics::finite;
use crate::program::show::number_text;
use crate::program::value::Datum;
use crate::statistics::gauge::{Readings, study};
use crate::statistics::{capability, describe};

const TRIALS: Spec = Spec::List(&OPEN);
const PARTS: Spec = Spec::List(&TRIALS);

const VALUES: Parameter = required(
    "xs",
    Spec::List(&OPEN),
    "values of one kind, two or more, of a process that is in control",
);

const NONE: &str = "no limit on this side";

/// The built-ins of this topic.
pub(super) const BUILTINS: &[Builtin] = &[
    Builtin {
        name: "cp",
        parameters: &[
            VALUES,
            required("low", OPEN, "the lower limit"),
            required("high", OPEN, "the upper limit, above the lower"),
        ],
        returns: NUMBER,
        meaning: "The capability index Cp: the width between the limits over six standard deviations s of the values, wherever their mean lies (NIST/SEMATECH e-Handbook 6.1.6, from memory). Fewer than two values, values that are all alike, and limits that are swapped or equal fail.",
        example: "expect \"room\": cp([14 um, 16 um, 18 um], low: 8 um, high: 20 um) within 0.999 .. 1.001",
        ..general(cp)
    },
    Builtin {
        name: "cpk",
        parameters: &[
            VALUES,
            optional("low", OPEN, NONE, "the lower limit"),
            optional("high", OPEN, NONE, "the upper limit, above the lower"),
        ],
        returns: NUMBER,
        meaning: "The capability index Cpk: the distance from the mean to the nearer limit over three standard deviations s of the values; negative where the mean lies outside (NIST/SEMATECH e-Handbook 6.1.6, from memory). With one limit it is Cpl or Cpu. Fewer than two values, values that are all alike, no limit at all, and limits that are swapped or equal fail.",
        example: "let values = [14 um, 16 um, 18 um]
expect \"nearer\": cpk(values, low: 8 um, high: 20 um) within 0.666 .. 0.667
expect \"one side\": cpk(values, low: 8 um) within 1.333 .. 1.334",
        ..general(cpk)
    },
    Builtin {
        name: "gauge_study",
        parameters: &[
            required(
                "readings",
                Spec::List(&PARTS),
                "one list per operator, in it one per part, in it one reading per trial: two or \
                 more of each, the same number everywhere, the parts in the same order",
            ),
            optional(
                "pool_above",
                NUMBER,
                "25 %",
                "an interaction of operators with parts that repeatability alone explains with a \
                 probability above this is pooled into the repeatability; 0 % to 100 %, 25 % is \
                 common practice (no source)",
            ),
        ],
        returns: Spec::Record(&GAUGE_STUDY),
        meaning: "Repeatability and reproducibility of a gauge (gauge R&R) by analysis of variance, operators and parts crossed and random: r trials of k operators on p parts give the variances MSe, (MSi - MSe) / r, (MSo - MSi) / (p r) and (MSp - MSi) / (k r), with the pooled MS in place of MSi and MSe where the interaction is pooled, and zero in place of a negative one (Measurement Systems Analysis, third and fourth edition, appendix A, and NIST/SEMATECH e-Handbook 2.4, from memory). Fewer than two operators, parts or trials, lists of different lengths, and trials that are all alike (the resolution hides the repeatability) fail.",
        example: "let first = [[1.1 um, 1.2 um], [5.0 um, 5.2 um], [9.1 um, 8.9 um]]
let second = [[1.0 um, 1.2 um], [5.1 um, 5.1 um], [9.0 um, 9.2 um]]
let study = gauge_study([first, second])
expect \"gauge\": study.gauge_share <= 10 %
expect \"told apart\": study.distinct_categories >= 5",
        ..general(gauge_study)
    },
];

fn wrong<T>(message: impl Into<String>) -> Result<T, Trouble> {
    Err(Trouble::Value(message.into()))
}

/// The mean and the standard deviation of values, and the limits.
type Process = (f64, f64, Option<f64>, Option<f64>);

fn process(arguments: Arguments<'_>) -> Result<Process, Trouble> {
    let values = arguments.words(0);
    if values.len() < 2 {
        return wrong("fewer than two values have no capability");
    }
    let limit = |index: usize| arguments.optional(index);
    let (low, high) = (limit(1), limit(2));
    if let (Some(low), Some(high)) = (low, high)
        && low >= high
    {
        let how = if low == high { "equal" } else { "swapped" };
        return wrong(format!("the limits are {how}: `low` must lie below `high`"));
    }
    if low.is_none() && high.is_none() {
        return wrong("without a limit there is no capability: give `low`, `high` or both");
    }
    let deviation = describe::deviation(values);
    if deviation == 0.0 {
        return wrong("values that are all alike have no capability: they do not spread");
    }
    Ok((describe::mean(values), deviation, low, high))
}

fn cp(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let (_, deviation, low, high) = process(arguments)?;
    let limit = |limit: Option<f64>| limit.unwrap_or(f64::NAN);
    Ok(Datum::Number(capability::cp(deviation, limit(low), limit(high))))
}

fn cpk(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let (mean, deviation, low, high) = process(arguments)?;
    Ok(Datum::Number(capability::cpk(mean, deviation, low, high)))
}

fn gauge_study(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let pool_above = arguments.optional(1).unwrap_or(0.25);
    if !(0.0..=1.0).contains(&pool_above) {
        return wrong(format!(
            "`pool_above` is {} %; it lies from 0 % to 100 %",
            number_text(pool_above * 100.0)
        ));
    }
    let (values, parts, trials) = crossed(arguments.get(0))?;
    let readings = Readings { values: &values, parts, trials };
    if values.chunks(trials).all(|cell| cell.iter().all(|x| Some(x) == cell.first())) {
        return wrong(
            "the trials of each part are all alike: the resolution hides the repeatability",
        );
    }
    let Some(found) = study(readings, pool_above) else {
        return wrong("a study needs two operators, two parts and two trials, or more");
    };
    let share = |part: f64| part / found.total;
    let fields = [
        ("distinct_categories", found.distinct_categories),
        ("gauge", found.gauge),
        ("gauge_share", share(found.gauge)),
        ("interaction", found.interaction),
        ("interaction_p", found.interaction_p),
        ("interaction_share", share(found.interaction)),
        ("operators", found.operators),
        ("operators_share", share(found.operators)),
        ("parts", found.parts),
        ("parts_share", share(found.parts)),
        ("repeatability", found.repeatability),
        ("repeatability_share", share(found.repeatability)),
        ("reproducibility", found.reproducibility),
        ("reproducibility_share", share(found.reproducibility)),
        ("total", found.total),
    ];
    finite("study", &fields)?;
    Ok(datum(made(&GAUGE_STUDY, &fields.map(|(name, value)| (name, Datum::Number(value))))))
}

/// The readings one behind the other, how many parts and how many trials.
fn crossed(readings: Option<&Datum>) -> Result<(Vec<f64>, usize, usize), Trouble> {
    let Some(Datum::Value(operators)) = readings else { return wrong("there are no readings") };
    let operators = operators.as_refs();
    let parts = operators.first().map_or(0, |parts| parts.as_refs().len());
    let cells = || operators.iter().map(|parts| parts.as_refs());
    let trials = cells().flatten().next().map_or(0, |trials| trials.as_words().len());
    for (operator, cells) in cells().enumerate() {
        if cells.len() != parts {
            let count = cells.len();
            return wrong(format!(
                "operator {operator} needs {parts} parts as operator 0, not {count}"
            ));
        }
        for (part, cell) in cells.iter().enumerate() {
            let count = cell.as_words().len();
            if count != trials {
                return wrong(format!(
                    "operator {operator} needs {trials} trials of part {part} as of the first, not {count}"
                ));
            }
        }
    }
    if operators.len() < 2 || parts < 2 || trials < 2 {
        return wrong(format!(
            "a study needs two operators, two parts and two trials, or more; these are {}, {parts} \
             and {trials}",
            operators.len()
        ));
    }
    let values = cells().flatten().flat_map(|cell| cell.as_words().iter().copied());
    Ok((values.collect(), parts, trials))
}
