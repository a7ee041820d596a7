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
    Calls, FacetMean, Fault, LineScale, Proof, SHAPE, Shape, Trim, TrimError, Trimmed, corrected,
    pooled, show_number,
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
    let mut means = Vec::with_capacity(trims.len());
    let mut scatter = Scatter::default();
    for facet in 0..trims.len() {
        let own = lines.iter().filter(|line| field("line", line, "facet") == facet as f64);
        let own: Vec<&[f64]> = own.copied().collect();
        let mean = together(&own).ok_or_else(|| {
            Trouble::Value(format!("there is no line of facet {facet} to correct it by"))
        })?;
        scatter.add(&own, &mean);
        means.push(mean);
    }
    pooled(&mut means);
    scatter.widen(&mut means);
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

/// The mean of the lines of one facet; each counts with its number of readings.
fn together(lines: &[&[f64]]) -> Option<FacetMean> {
    let count: f64 = lines.iter().map(|line| readings(line)).sum();
    let shape = |shift: &str, u: &str, fixed: &str| {
        let (mut sum, mut squares, mut fixed_u) = (0.0, 0.0, 0.0_f64);
        for line in lines {
            let (n, get) = (readings(line), |name| field("line", line, name));
            let random = (get(u).powi(2) - get(fixed).powi(2)).max(0.0);
            sum += n * get(shift);
            squares += n * n * random;
            fixed_u = fixed_u.max(get(fixed));
        }
        let first = |value| [value, f64::NAN, f64::NAN, f64::NAN];
        let of = first(sum / count);
        Shape { of, random: first(squares.sqrt() / count), fixed: first(fixed_u), digit: f64::NAN }
    };
    let nothing = [f64::NAN; SHAPE];
    (count > 0.0).then(|| FacetMean {
        count: count as usize,
        marks: 1,
        along: shape("in_scan", "in_scan_u", "in_scan_fixed_u"),
        across: shape("cross_scan", "cross_scan_u", "cross_scan_fixed_u"),
        dose: Shape { of: nothing, random: nothing, fixed: nothing, digit: f64::NAN },
    })
}

/// Readings behind a line.
fn readings(line: &[f64]) -> f64 {
    field("line", line, "readings").max(1.0)
}

/// How several lines of one facet scatter around their mean, over all facets: what moves a line as
/// a whole does not show in the readings of one, so it is lines that must tell.
#[derive(Default)]
struct Scatter {
    /// Sums of squares along and across, each line counting with its readings, in m².
    squares: [f64; 2],
    /// Lines beyond the first of each facet.
    degrees: f64,
}

impl Scatter {
    fn add(&mut self, lines: &[&[f64]], mean: &FacetMean) {
        self.degrees += (lines.len() as f64 - 1.0).max(0.0);
        let ([along, ..], [across, ..]) = (mean.along.of, mean.across.of);
        for line in lines {
            let off = |name, mean: f64| readings(line) * (field("line", line, name) - mean).powi(2);
            self.squares[0] += off("in_scan", along);
            self.squares[1] += off("cross_scan", across);
        }
    }

    /// Where lines scatter more than their readings state, the scatter counts. It is an estimate
    /// with few degrees of freedom where there are few lines, so it is widened until twice it
    /// covers what two standard deviations do (Student's distribution, as JCGM 100:2008, G.3, from memory).
    fn widen(&self, means: &mut [FacetMean]) {
        if self.degrees == 0.0 {
            return;
        }
        let wider = (student_two_sided(TWO_SIGMA, self.degrees) / 2.0).powi(2) / self.degrees;
        for mean in means {
            let n = mean.count as f64;
            for (shape, squares) in
                [&mut mean.along, &mut mean.across].into_iter().zip(self.squares)
            {
                let [u, ..] = &mut shape.random;
                if squares / self.degrees > n * *u * *u {
                    *u = (wider * squares / n).sqrt();
                }
            }
        }
    }
}
