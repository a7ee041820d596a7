//! Trims: working them out from measured lines, loading, reading back and storing them.

use crate::builtins::bound;
use crate::builtins::bound::{CallFacts, Extent, Refused, TimeBound};
use crate::builtins::pattern::{angles, pattern_records};
use crate::builtins::records::{
    column, datum, field, listed, named, reference, set, set_reference, width,
};
use crate::builtins::refusal::known;
use crate::builtins::response;
use crate::builtins::signature::{Arguments, Builtin, Context, Trouble, done, pure, timed, wrong};
use crate::program::value::{Datum, Value};
use crate::station::StationError;
use crate::statistics::distributions::student_two_sided;
use spintrue_head::{
    Calls, DOTS_PER_WORD, Description, DotTiming, FacetMean, Fault, LineScale, Matrix, Proof,
    SHAPE, Shape, Trim, TrimError, Trimmed, combined, corrected, queue_needed, show_number,
    wanted_dose,
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
            let held = context.station.description().round_trims(&trims);
            held.map_err(|why| Trouble::Value(why.to_string()))?;
            done(context.station.load_trims(&trims))
        })
        .refusing(load_refused),
        timed("store_trims", TimeBound::Answer, |context, arguments| {
            let proof = read_proof(arguments.get(0));
            done(context.station.store_trims(proof.as_ref()))
        }),
        timed("stored_proof", TimeBound::Answer, stored_proof),
        pure("corrected", |context, arguments| {
            let gains = (arguments.optional(2), arguments.optional(3));
            let trimmed = work_out(context, arguments, gains)?;
            Ok(trims_list(&trimmed.iter().map(|t| t.trim).collect::<Vec<Trim>>()))
        })
        .with_result(bound::per_facet)
        .refusing(|asked| few_lines(asked).or_else(|| no_gain(asked))),
        pure("corrected_plan", corrected_plan).refusing(few_lines),
        pure("trim_uncertainties", |context, arguments| {
            let trimmed = work_out(context, arguments, (None, None))?;
            let u = |t: &Trimmed| Trim {
                in_scan: t.in_scan_u,
                cross_scan: t.cross_scan_u,
                power: t.power_u,
                length: t.length_u,
            };
            Ok(trims_list(&trimmed.iter().map(u).collect::<Vec<Trim>>()))
        })
        .with_result(bound::per_facet)
        .refusing(few_lines),
    ];
    builtins.extend(response::builtins());
    builtins
}

fn read_proof(proof: Option<&Datum>) -> Option<Proof> {
    let Some(Datum::Value(proof)) = proof else { return None };
    let number = |name| named("proof", proof.as_words(), name);
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
    let proof = proof.iter().map(|proof| {
        [
            ("pattern", pattern_records(&proof.pattern)),
            ("power", Datum::Number(proof.power)),
            ("speed", Datum::Number(proof.speed)),
            ("temperature", Datum::Number(proof.temperature)),
        ]
    });
    Ok(listed("proof", proof))
}

pub(super) fn trims_list(trims: &[Trim]) -> Datum {
    let trims = trims.iter().map(|trim| {
        [
            ("cross_scan", trim.cross_scan),
            ("in_scan", trim.in_scan),
            ("length", trim.length),
            ("power", trim.power),
        ]
        .map(|(name, value)| (name, Datum::Number(value)))
    });
    listed("trim", trims)
}

/// The trims of a list of records.
fn as_trims(trims: &Datum) -> Vec<Trim> {
    let get = |trim: &[f64], name| named("trim", trim, name);
    let trims = trims.words().chunks(width("trim")).map(|trim| Trim {
        in_scan: get(trim, "in_scan"),
        cross_scan: get(trim, "cross_scan"),
        power: get(trim, "power"),
        length: get(trim, "length"),
    });
    trims.collect()
}

pub(super) fn wrong_count(count: usize, facets: u32) -> String {
    format!("there are {count} trims for {facets} facets: it takes one each")
}

/// Why trims cannot be loaded into a head.
pub(super) fn trims_refused(head: &Description, trims: &Datum) -> Option<String> {
    let trims = as_trims(trims);
    if trims.len() != head.facets as usize {
        return Some(wrong_count(trims.len(), head.facets));
    }
    head.round_trims(&trims).err().map(|why| why.to_string())
}

/// One trim per facet out of a list; fails where the number is wrong.
pub(super) fn read_trims(
    context: &Context<'_>,
    trims: Option<&Datum>,
) -> Result<Vec<Trim>, Trouble> {
    let facets = context.station.description().facets;
    let trims = trims.map(as_trims).unwrap_or_default();
    if trims.len() == facets as usize {
        return Ok(trims);
    }
    wrong(wrong_count(trims.len(), facets))
}

/// The lines of one facet put together, as if all were drawn with the trims of the last.
struct OwnLines {
    mean: FacetMean,
    trim: Trim,
}

fn scale_of(plan: &[f64]) -> LineScale {
    LineScale {
        spot_velocity: field!("plan", plan, "spot_velocity"),
        focal_length: field!("plan", plan, "focal_length"),
        length: field!("plan", plan, "length"),
    }
}

/// Lines by facet, at least one each.
fn by_facet(
    context: &Context<'_>,
    lines: &[f64],
    scale: LineScale,
) -> Result<Vec<OwnLines>, Trouble> {
    let facets = context.station.description().facets;
    if let Some(why) = too_few(lines.len() / width("line"), facets) {
        return wrong(why);
    }
    let of = || column("line", lines, "facet");
    if let Some(stray) = of().find(|f| !(0.0..f64::from(facets)).contains(f)) {
        let stray = show_number(stray, None);
        return wrong(format!("there is a line of facet {stray}, which the head has not"));
    }
    let mut trims = Vec::new();
    let mut of_facets = Vec::new();
    for facet in 0..facets {
        let own = lines.chunks(width("line")).zip(of()).filter(|(_, of)| *of == f64::from(facet));
        let own = own.map(|(line, _)| (mean_of(line), trim_of(line)));
        let own: Vec<(FacetMean, Trim)> = own.collect();
        let Some((_, trim)) = own.last() else {
            return wrong(format!("there is no line of facet {facet} to correct it by"));
        };
        let known = |(_, trim): &(FacetMean, Trim)| {
            [trim.in_scan, trim.cross_scan, trim.power, trim.length].iter().all(|t| t.is_finite())
        };
        if !own.iter().all(known) {
            return wrong(format!(
                "a line of facet {facet} does not tell the trims that it was drawn with: the head did not \
                 tell them, or another run exposed its chart. Measure it again, or give `trims` to `read_chart`"
            ));
        }
        let alike = own.iter().map(|(mean, drawn)| scale.referred(mean, *drawn, *trim));
        of_facets.push(alike.collect());
        trims.push(*trim);
    }
    let mut means = combined(&of_facets).map_err(|error| Trouble::Value(error.to_string()))?;
    means.iter_mut().for_each(widen);
    Ok(means.into_iter().zip(trims).map(|(mean, trim)| OwnLines { mean, trim }).collect())
}

/// The trims that cancel what was measured; `gains` are those of the in-scan and the cross-scan trim.
fn work_out(
    context: &mut Context<'_>,
    arguments: Arguments<'_>,
    gains: (Option<f64>, Option<f64>),
) -> Result<Vec<Trimmed>, Trouble> {
    let (along, across) = (gains.0.unwrap_or(1.0), gains.1.unwrap_or(1.0));
    if !(along.is_finite() && across.is_finite() && along > 0.0 && across > 0.0) {
        return wrong(NO_GAIN);
    }
    let plain = scale_of(arguments.words(1));
    let scale = LineScale {
        spot_velocity: along * plain.spot_velocity,
        focal_length: across * plain.focal_length,
        ..plain
    };
    let lines = by_facet(context, arguments.words(0), scale)?;
    let registers = context.station.description().trim_registers();
    let doses = lines.iter().map(|own| {
        let [dose, ..] = own.mean.dose.of;
        (own.trim, dose)
    });
    let wanted = registers.power.map_or(f64::NAN, |power| wanted_dose(doses, power));
    let mut trimmed = Vec::new();
    for (facet, OwnLines { mean, trim }) in lines.iter().enumerate() {
        let made =
            corrected(*trim, mean, scale, &registers, wanted).map_err(|error| match error {
                // The head cannot be trimmed; nothing is wrong with the script.
                TrimError::OutOfRegister { .. } => {
                    Trouble::Unusable(format!("facet {facet}: {error}"))
                }
                other => Trouble::Value(format!("facet {facet}: {other}")),
            })?;
        trimmed.push(made);
    }
    Ok(trimmed)
}

fn corrected_plan(context: &mut Context<'_>, arguments: Arguments<'_>) -> Result<Datum, Trouble> {
    let Some(Datum::Value(Value::Object(plan))) = arguments.get(1) else {
        return wrong("there is no plan to correct");
    };
    let (get, scale) = (|name| named("plan", &plan.words, name), scale_of(&plan.words));
    let lines = by_facet(context, arguments.words(0), scale)?;
    let count = lines.len() as f64;
    let shared =
        |k: usize| lines.iter().filter_map(|own| own.mean.along.of.get(k)).sum::<f64>() / count;
    let shape: [f64; SHAPE] = std::array::from_fn(shared);
    let before = DotTiming {
        dots: get("dots") as u32,
        dot_period: get("dot_period"),
        made_dot_period: get("made_dot_period"),
        delay: get("pre_scan_delay"),
        linearity: reference("plan", arguments.get(1), "linearity")
            .map_or(&[][..], Value::as_words)
            .to_vec(),
        linearity_error: get("linearity_error"),
    };
    let head = context.station.description();
    let timing = before
        .corrected(shape, scale, &head.clock, head.linearity)
        .map_err(|error| Trouble::Value(error.to_string()))?;
    if timing.delay < 0.0 {
        return wrong("the first dot would have to be drawn before start of scan");
    }
    let fastest = timing.linearity.iter().fold(1.0_f64, |fastest, ratio| fastest.max(*ratio));
    let word_period = f64::from(DOTS_PER_WORD) * timing.made_dot_period;
    let needed = queue_needed(get("words") as u32, word_period / fastest, head.word_service);
    if needed > head.queue_words {
        let depth = head.queue_words;
        return wrong(format!(
            "{needed} words would have to be queued, but the queue holds {depth}"
        ));
    }
    let mut to = (**plan).clone();
    for (name, value) in [
        ("corrected", 1.0),
        ("dot_clock", 1.0 / timing.dot_period),
        ("dot_period", timing.dot_period),
        ("linearity_error", timing.linearity_error),
        ("made_dot_clock", 1.0 / timing.made_dot_period),
        ("made_dot_period", timing.made_dot_period),
        ("pre_scan_delay", timing.delay),
        ("queue_needed", f64::from(needed)),
        ("word_period", f64::from(DOTS_PER_WORD) * timing.dot_period),
    ] {
        set("plan", &mut to.words, name, value);
    }
    let error = (timing.made_dot_period - timing.dot_period) * get("dots") * scale.spot_velocity;
    set("plan", &mut to.words, "length_error", error);
    set_reference("plan", &mut to, "linearity", Value::words(timing.linearity));
    Ok(datum(to))
}

/// The trims that a line was drawn with; not numbers where the head did not tell.
fn trim_of(line: &[f64]) -> Trim {
    let get = |name: &str| named("line", line, name);
    Trim {
        in_scan: get("in_scan_trim"),
        cross_scan: get("cross_scan_trim"),
        power: get("power_trim"),
        length: get("length_trim"),
    }
}

/// The mean of a facet's readings as a line states it. Nothing is known of how a part that does not average
/// out divides but for the shifts, so the others are taken to be of one.
fn mean_of(line: &[f64]) -> FacetMean {
    let get = |name: &str| named("line", line, name);
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
            misfit: f64::NAN,
            misfit_u: f64::NAN,
            ends_off: [(0.0, 0.0); 2],
        }
    };
    // P1 in 2s runs from -1 at the start to 1 at the end.
    let units = [1.0, 2.0, 1.0, 1.0];
    let along = ["in_scan", "length_error", "even", "odd"];
    FacetMean {
        count: get("readings").max(1.0) as usize,
        marks: get("marks") as usize,
        rejected: get("rejected") as usize,
        left_out: get("left_out") as usize,
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

/// Why lines are too few to correct every facet by.
fn too_few(count: usize, facets: u32) -> Option<String> {
    (count < facets as usize).then(|| {
        format!("there are {count} lines for {facets} facets: it takes one of each at least")
    })
}

/// One line of each facet, by their number.
fn few_lines(asked: &CallFacts<'_>) -> Option<Refused> {
    let Some(Extent::List { count, .. }) = asked.arguments.first() else { return None };
    let few = count.high.is_finite().then(|| too_few(count.high as usize, asked.head.facets))?;
    Some(Refused::new(0, few?))
}

const NO_GAIN: &str = "a gain must be greater than zero";

/// The gains of `corrected`.
fn no_gain(asked: &CallFacts<'_>) -> Option<Refused> {
    let is_none = |index: &usize| {
        let gain = asked.arguments.get(*index).map_or(f64::INFINITY, |gain| gain.number().high);
        gain <= 0.0
    };
    [2, 3].into_iter().find(is_none).map(|index| Refused::new(index, NO_GAIN.to_string()))
}

/// One trim for each facet, each inside its register; what is not known of them is taken to be.
fn load_refused(asked: &CallFacts<'_>) -> Option<Refused> {
    let neutral = trims_list(&[Trim::default()]);
    let partly = || {
        let why = trims_refused(asked.head, &(asked.filled)(0, neutral.words())?)?;
        Some(Refused::new(0, why))
    };
    known(asked, 0, |trims| trims_refused(asked.head, trims)).or_else(partly).or_else(|| {
        let Some(Extent::List { count, .. }) = asked.arguments.first() else { return None };
        let facets = f64::from(asked.head.facets);
        let other = count.is_exact() && count.low != facets;
        let why = other.then(|| wrong_count(count.low as usize, asked.head.facets))?;
        Some(Refused::new(0, why))
    })
}
