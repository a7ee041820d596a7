//! Trims: working them out from measured lines, loading, reading back and storing them.

use crate::builtins::bound;
use crate::builtins::bound::TimeBound;
use crate::builtins::pattern::{angles, pattern_records};
use crate::builtins::records::{field, listed, made, width};
use crate::builtins::response;
use crate::builtins::signature::{Arguments, Builtin, Context, Trouble, done, pure, timed, wrong};
use crate::program::value::{Datum, Object, Value};
use crate::station::StationError;
use crate::statistics::distributions::student_two_sided;
use spintrue_head::{
    Calls, FacetMean, Fault, LineScale, Matrix, Proof, SHAPE, Shape, Trim, TrimError, Trimmed,
    combined, corrected, show_number,
};

/// Share of a normal distribution within two standard deviations.
const TWO_SIGMA: f64 = 0.954_499_736_103_642;

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    let mut builtins = vec![
        pure("no_trims", |context, _| {
            let facets = context.station.description().facets as usize;
            Ok(trims_list(&vec![Trim::default(); facets]))
        })
        .with_result(bound::per_facet),
        timed("loaded_trims", TimeBound::Answer, |context, _| {
            Ok(trims_list(&context.station.trims()?))
        })
        .with_result(bound::per_facet),
        timed("load", TimeBound::Answer, |context, arguments| {
            let trims = read_trims(context, arguments.get(0))?;
            done(context.station.load_trims(&trims))
        }),
        timed("store_trims", TimeBound::Answer, |context, arguments| {
            let proof = read_proof(arguments.get(0));
            done(context.station.store_trims(proof.as_ref()))
        }),
        timed("stored_proof", TimeBound::Answer, stored_proof),
        pure("corrected", |context, arguments| {
            let trimmed = work_out(context, arguments.get(0), arguments.get(1), arguments.get(2))?;
            let trims: Vec<Trim> = trimmed.iter().map(|t| t.trim).collect();
            Ok(trims_list(&trims))
        })
        .with_result(bound::per_facet),
        pure("trim_uncertainties", |context, arguments| {
            let trimmed = work_out(context, None, arguments.get(0), arguments.get(1))?;
            Ok(listed(trimmed.iter().map(|t| trim_record(t.in_scan_u, t.cross_scan_u))))
        })
        .with_result(bound::per_facet),
    ];
    builtins.extend(response::builtins());
    builtins
}

fn read_proof(proof: Option<&Datum>) -> Option<Proof> {
    let Some(Datum::Value(proof)) = proof else { return None };
    let number = |name| field("proof", proof.as_words(), name);
    Some(Proof {
        speed: number("speed"),
        power: number("power"),
        temperature: number("temperature"),
        pattern: angles(proof.as_refs().first().map_or(&[], Value::as_words)),
    })
}

/// None where the head cannot tell.
fn stored_proof(context: &mut Context<'_>, _: Arguments<'_>) -> Result<Datum, Trouble> {
    let proof = match context.station.stored_proof() {
        Err(StationError::Fault(Fault::Refused(_))) => None,
        told => told?,
    };
    Ok(listed(proof.iter().map(|proof| {
        made(
            "proof",
            &[
                ("pattern", pattern_records(&proof.pattern)),
                ("power", Datum::Number(proof.power)),
                ("speed", Datum::Number(proof.speed)),
                ("temperature", Datum::Number(proof.temperature)),
            ],
        )
    })))
}

pub(super) fn trim_record(in_scan: f64, cross_scan: f64) -> Object {
    let fields = [("in_scan", Datum::Number(in_scan)), ("cross_scan", Datum::Number(cross_scan))];
    made("trim", &fields)
}

fn trims_list(trims: &[Trim]) -> Datum {
    listed(trims.iter().map(|trim| trim_record(trim.in_scan, trim.cross_scan)))
}

/// One trim per facet out of a list; fails where the number is wrong.
fn read_trims(context: &Context<'_>, trims: Option<&Datum>) -> Result<Vec<Trim>, Trouble> {
    let facets = context.station.description().facets as usize;
    let Some(words) = trims.map(Datum::words) else {
        return Ok(vec![Trim::default(); facets]);
    };
    let trims: Vec<Trim> = words
        .chunks(width("trim"))
        .map(|trim| Trim {
            in_scan: field("trim", trim, "in_scan"),
            cross_scan: field("trim", trim, "cross_scan"),
        })
        .collect();
    if trims.len() == facets {
        return Ok(trims);
    }
    let count = trims.len();
    wrong(format!("there are {count} trims for {facets} facets: it takes one each"))
}

fn work_out(
    context: &mut Context<'_>,
    trims: Option<&Datum>,
    lines: Option<&Datum>,
    plan: Option<&Datum>,
) -> Result<Vec<Trimmed>, Trouble> {
    let trims = read_trims(context, trims)?;
    let head = context.station.description();
    let plan = plan.map_or(&[][..], Datum::words);
    let scale = LineScale {
        spot_velocity: field("plan", plan, "spot_velocity"),
        focal_length: field("plan", plan, "focal_length"),
    };
    let lines: Vec<&[f64]> = lines.map_or(&[][..], Datum::words).chunks(width("line")).collect();
    let stray = lines.iter().map(|line| field("line", line, "facet"));
    if let Some(stray) = stray.into_iter().find(|f| !(0.0..trims.len() as f64).contains(f)) {
        let stray = show_number(stray, None);
        return wrong(format!("there is a line of facet {stray}, which the head has not"));
    }
    let mut of_facets = vec![Vec::new(); trims.len()];
    for line in &lines {
        let facet = of_facets.get_mut(field("line", line, "facet") as usize);
        facet.into_iter().for_each(|lines| lines.push(mean_of(line)));
    }
    if let Some(facet) = of_facets.iter().position(Vec::is_empty) {
        return wrong(format!("there is no line of facet {facet} to correct it by"));
    }
    let mut means = combined(&of_facets).map_err(|error| Trouble::Value(error.to_string()))?;
    means.iter_mut().for_each(widen);
    let mut trimmed = Vec::new();
    for (facet, (trim, mean)) in trims.iter().zip(&means).enumerate() {
        let made = corrected(*trim, mean, scale, head.in_scan_trim, head.cross_scan_trim).map_err(
            |error| match error {
                // The head cannot be trimmed; nothing is wrong with the script.
                TrimError::OutOfRegister { .. } => {
                    StationError::Fault(Fault::Broken(format!("facet {facet}: {error}"))).into()
                }
                other => Trouble::Value(format!("facet {facet}: {other}")),
            },
        )?;
        trimmed.push(made);
    }
    Ok(trimmed)
}

/// The mean of a facet's readings as a line states it. Nothing is known of how a part that does not average
/// out divides but for the shifts, so the others are taken to be of one.
fn mean_of(line: &[f64]) -> FacetMean {
    let get = |name: &str| field("line", line, name);
    let shape = |names: [&str; SHAPE], units: [f64; SHAPE], fixed: f64, digit: f64| {
        let diagonal = |of: &dyn Fn(usize) -> f64| -> Matrix {
            std::array::from_fn(|i| std::array::from_fn(|k| if i == k { of(i) } else { 0.0 }))
        };
        let unit = |k: usize| units.get(k).copied().unwrap_or(1.0);
        let name = |k: usize| names.get(k).copied().unwrap_or_default();
        let fixed = fixed * fixed;
        let all = |k: usize| (get(&format!("{}_u", name(k))) / unit(k)).powi(2);
        let random = |k: usize| if k == 0 { (all(0) - fixed).max(0.0) } else { all(k) };
        Shape {
            of: std::array::from_fn(|k| get(name(k)) / unit(k)),
            random: diagonal(&random),
            fixed: diagonal(&|k| if k == 0 { fixed } else { 0.0 }),
            degrees: get("degrees"),
            digit,
            scatter: f64::NAN,
            scatter_u: f64::NAN,
        }
    };
    // P1 in 2s runs from -1 at the start to 1 at the end.
    let units = [1.0, 2.0, 1.0, 1.0];
    let along = ["in_scan", "length_error", "even", "odd"];
    FacetMean {
        count: get("readings").max(1.0) as usize,
        marks: get("marks") as usize,
        rejected: get("rejected") as usize,
        fast: get("speed_error"),
        along: shape(along, units, get("in_scan_fixed_u"), get("in_scan_digit")),
        across: shape(
            ["cross_scan", "skew", "bow", ""],
            units,
            get("cross_scan_fixed_u"),
            get("cross_scan_digit"),
        ),
        dose: shape(["dose", "", "", ""], units, 0.0, f64::NAN),
    }
}

/// Widens what averages out so that twice the uncertainty covers what two standard deviations do
/// (Student's distribution, JCGM 100:2008, G.3).
fn widen(mean: &mut FacetMean) {
    for shape in [&mut mean.along, &mut mean.across, &mut mean.dose] {
        let wider = (student_two_sided(TWO_SIGMA, shape.degrees.max(1.0)) / 2.0).powi(2);
        shape.random.iter_mut().flatten().for_each(|variance| *variance *= wider);
    }
}
