//! Capability of a process and of a gauge: indices against limits, and gauge studies.

use crate::builtins::records::made_of_numbers;
use crate::builtins::signature::{Arguments, Builtin, Context, Trouble, pure, wrong};
use crate::program::show::number_text;
use crate::program::value::Datum;
use crate::statistics::gauge::{Readings, study, study_limits};
use crate::statistics::{capability, describe};

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        pure("cp", cp).tried(),
        pure("cpk", cpk).tried(),
        pure("gauge_study", gauge_study).tried(),
        pure("gauge_limits", gauge_limits).tried(),
    ]
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

/// What a study is asked for.
struct Asked {
    values: Vec<f64>,
    parts: usize,
    trials: usize,
    pool_above: f64,
}

/// The readings of a study, how many parts and trials, and above what an interaction is pooled.
fn asked(arguments: Arguments<'_>) -> Result<Asked, Trouble> {
    let pool_above = arguments.optional(1).unwrap_or(0.25);
    if !(0.0..=1.0).contains(&pool_above) {
        return wrong(format!(
            "`pool_above` is {} %; it lies from 0 % to 100 %",
            number_text(pool_above * 100.0)
        ));
    }
    let (values, parts, trials) = crossed(arguments.get(0))?;
    if values.chunks(trials).all(|cell| cell.iter().all(|x| Some(x) == cell.first())) {
        return wrong(
            "the trials of each part are all alike: the resolution hides the repeatability",
        );
    }
    Ok(Asked { values, parts, trials, pool_above })
}

const FEW: &str = "a study needs two operators, two parts and two trials, or more";

fn gauge_limits(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let Asked { values, parts, trials, pool_above } = asked(arguments)?;
    let Some(found) = study_limits(Readings { values: &values, parts, trials }, pool_above) else {
        return wrong(FEW);
    };
    let fields = [
        ("distinct_categories_high", found.categories[1]),
        ("distinct_categories_low", found.categories[0]),
        ("gauge_high", found.gauge[1]),
        ("gauge_low", found.gauge[0]),
        ("repeatability_high", found.repeatability[1]),
        ("repeatability_low", found.repeatability[0]),
        ("reproducibility_high", found.reproducibility[1]),
        ("reproducibility_low", found.reproducibility[0]),
    ];
    made_of_numbers("study", "gauge_limits", &fields)
}

fn gauge_study(_: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let Asked { values, parts, trials, pool_above } = asked(arguments)?;
    let Some(found) = study(Readings { values: &values, parts, trials }, pool_above) else {
        return wrong(FEW);
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
    made_of_numbers("study", "gauge_study", &fields)
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
