//! Trims: working them out from measured lines, loading, reading back and storing them.

use crate::builtins::bound;
use crate::builtins::bound::TimeBound;
use crate::builtins::records::{datum, field, listed, made, reference, set, set_reference, width};
use crate::builtins::signature::{Arguments, Builtin, Context, Trouble, done, pure, timed, wrong};
use crate::program::value::{Datum, Value};
use crate::station::StationError;
use crate::statistics::distributions::student_two_sided;
use spintrue_head::{
    Calls, DOTS_PER_WORD, FacetMean, Fault, LineScale, LineTiming, SHAPE, Shape, Trim, TrimError,
    Trimmed, corrected, pooled, queue_needed, show_number, wanted_dose,
};

/// Share of a normal distribution within two standard deviations.
const TWO_SIGMA: f64 = 0.954_499_736_103_642;

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
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
        timed("store_trims", TimeBound::Answer, |context, _| done(context.station.store_trims())),
        pure("corrected", |context, arguments| {
            let gains = (arguments.optional(2), arguments.optional(3));
            let trimmed = work_out(context, arguments, gains)?;
            Ok(trims_list(&trimmed.iter().map(|t| t.trim).collect::<Vec<Trim>>()))
        })
        .with_result(bound::per_facet),
        pure("corrected_plan", corrected_plan),
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
        .with_result(bound::per_facet),
    ]
}

fn trims_list(trims: &[Trim]) -> Datum {
    listed(trims.iter().map(|trim| {
        let number = Datum::Number;
        made(
            "trim",
            &[
                ("cross_scan", number(trim.cross_scan)),
                ("in_scan", number(trim.in_scan)),
                ("length", number(trim.length)),
                ("power", number(trim.power)),
            ],
        )
    }))
}

/// One trim per facet out of a list; fails where the number is wrong.
fn read_trims(context: &Context<'_>, trims: Option<&Datum>) -> Result<Vec<Trim>, Trouble> {
    let facets = context.station.description().facets as usize;
    let words = trims.map_or(&[][..], Datum::words);
    let get = |trim: &[f64], name| field("trim", trim, name);
    let trims: Vec<Trim> = words
        .chunks(width("trim"))
        .map(|trim| Trim {
            in_scan: get(trim, "in_scan"),
            cross_scan: get(trim, "cross_scan"),
            power: get(trim, "power"),
            length: get(trim, "length"),
        })
        .collect();
    if trims.len() == facets {
        return Ok(trims);
    }
    let count = trims.len();
    wrong(format!("there are {count} trims for {facets} facets: it takes one each"))
}

/// The lines of one facet put together, as if all were drawn with the trims of the last.
struct OwnLines {
    mean: FacetMean,
    trim: Trim,
}

fn scale_of(plan: &[f64]) -> LineScale {
    LineScale {
        spot_velocity: field("plan", plan, "spot_velocity"),
        focal_length: field("plan", plan, "focal_length"),
        length: field("plan", plan, "length"),
    }
}

/// Lines by facet, at least one each.
fn by_facet(
    context: &Context<'_>,
    lines: &[f64],
    scale: LineScale,
) -> Result<Vec<OwnLines>, Trouble> {
    let facets = context.station.description().facets;
    let lines: Vec<&[f64]> = lines.chunks(width("line")).collect();
    let stray = lines.iter().map(|line| field("line", line, "facet"));
    if let Some(stray) = stray.into_iter().find(|f| !(0.0..f64::from(facets)).contains(f)) {
        let stray = show_number(stray, None);
        return wrong(format!("there is a line of facet {stray}, which the head has not"));
    }
    let mut all = Vec::new();
    let mut scatter = Scatter::default();
    for facet in 0..facets {
        let own = lines.iter().filter(|line| field("line", line, "facet") == f64::from(facet));
        let own: Vec<(FacetMean, Trim)> = own.map(|line| read_line(line)).collect();
        let Some((_, trim)) = own.last() else {
            return wrong(format!("there is no line of facet {facet} to correct it by"));
        };
        let known = |(_, trim): &(FacetMean, Trim)| {
            [trim.in_scan, trim.cross_scan, trim.power, trim.length].iter().all(|t| t.is_finite())
        };
        if !own.iter().all(known) {
            return wrong(format!(
                "a line of facet {facet} does not tell the trims that it was drawn with, because the \
                 head did not: measure it again"
            ));
        }
        let own: Vec<FacetMean> =
            own.iter().map(|(mean, drawn)| scale.referred(mean, *drawn, *trim)).collect();
        let mean = together(&own);
        scatter.add(&own, &mean);
        all.push(OwnLines { mean, trim: *trim });
    }
    let mut means: Vec<FacetMean> = all.iter().map(|own| own.mean).collect();
    pooled(&mut means);
    scatter.widen(&mut means);
    for (own, mean) in all.iter_mut().zip(means) {
        own.mean = mean;
    }
    Ok(all)
}

/// The trims that cancel what was measured; `gains` are those of the in-scan and the cross-scan trim.
fn work_out(
    context: &mut Context<'_>,
    arguments: Arguments<'_>,
    gains: (Option<f64>, Option<f64>),
) -> Result<Vec<Trimmed>, Trouble> {
    let (along, across) = (gains.0.unwrap_or(1.0), gains.1.unwrap_or(1.0));
    if !(along.is_finite() && across.is_finite() && along > 0.0 && across > 0.0) {
        return wrong("a gain must be greater than zero");
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
                    StationError::Fault(Fault::Broken(format!("facet {facet}: {error}"))).into()
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
    let (get, scale) = (|name| field("plan", &plan.words, name), scale_of(&plan.words));
    let lines = by_facet(context, arguments.words(0), scale)?;
    let count = lines.len() as f64;
    let shared =
        |k: usize| lines.iter().filter_map(|own| own.mean.along.of.get(k)).sum::<f64>() / count;
    let shape: [f64; SHAPE] = std::array::from_fn(shared);
    let before = LineTiming {
        dots: get("dots") as u32,
        dot_period: get("dot_period"),
        made_dot_period: get("made_dot_period"),
        delay: get("pre_scan_delay"),
        linearity: reference("plan", arguments.get(1), "linearity")
            .map_or(&[][..], Value::as_words)
            .to_vec(),
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

/// What corrections need of a measured line, and the trims that it was drawn with.
fn read_line(line: &[f64]) -> (FacetMean, Trim) {
    let get = |name: &str| field("line", line, name);
    let random = |u: &str, fixed: f64| (get(u).powi(2) - fixed.powi(2)).max(0.0).sqrt();
    let nothing = [f64::NAN; SHAPE];
    let (along_u, across_u) = (get("in_scan_fixed_u"), get("cross_scan_fixed_u"));
    let mut along = Shape { of: nothing, random: nothing, fixed: nothing, digit: f64::NAN };
    let (mut across, mut dose) = (along, along);
    along.of = [get("in_scan"), get("length_error") / 2.0, get("even"), get("odd")];
    // What of a length averages out is not told: it counts as if all did.
    let length_u = get("length_error_u") / 2.0;
    along.random = [random("in_scan_u", along_u), length_u, get("even_u"), get("odd_u")];
    along.fixed = [along_u, 0.0, 0.0, 0.0];
    across.of = [get("cross_scan"), f64::NAN, f64::NAN, f64::NAN];
    across.random = [random("cross_scan_u", across_u), f64::NAN, f64::NAN, f64::NAN];
    across.fixed = [across_u, f64::NAN, f64::NAN, f64::NAN];
    dose.of = [get("dose"), f64::NAN, f64::NAN, f64::NAN];
    dose.random = [get("dose_u"), f64::NAN, f64::NAN, f64::NAN];
    dose.fixed = [0.0, f64::NAN, f64::NAN, f64::NAN];
    let trim = Trim {
        in_scan: get("in_scan_trim"),
        cross_scan: get("cross_scan_trim"),
        power: get("power_trim"),
        length: get("length_trim"),
    };
    let count = get("readings").max(1.0) as usize;
    (FacetMean { count, marks: get("marks") as usize, along, across, dose }, trim)
}

/// The mean of lines of one facet; each counts with its number of readings.
fn together(lines: &[FacetMean]) -> FacetMean {
    let count: usize = lines.iter().map(|line| line.count).sum();
    let shape = |of: fn(&FacetMean) -> &Shape| {
        let sum = |part: &dyn Fn(f64, &Shape) -> f64| {
            lines.iter().map(|line| part(line.count as f64, of(line))).sum::<f64>()
        };
        let at = |all: &[f64; SHAPE], k: usize| all.get(k).copied().unwrap_or(f64::NAN);
        let all = count as f64;
        Shape {
            of: std::array::from_fn(|k| sum(&|n, s| n * at(&s.of, k)) / all),
            random: std::array::from_fn(|k| {
                sum(&|n, s| (n * at(&s.random, k)).powi(2)).sqrt() / all
            }),
            fixed: std::array::from_fn(|k| {
                lines.iter().map(|line| at(&of(line).fixed, k)).fold(f64::NAN, f64::max)
            }),
            digit: f64::NAN,
        }
    };
    FacetMean {
        count,
        marks: lines.first().map_or(0, |line| line.marks),
        along: shape(|line| &line.along),
        across: shape(|line| &line.across),
        dose: shape(|line| &line.dose),
    }
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
    fn add(&mut self, lines: &[FacetMean], mean: &FacetMean) {
        self.degrees += (lines.len() as f64 - 1.0).max(0.0);
        let shifts = |of: &FacetMean| {
            let ([along, ..], [across, ..]) = (of.along.of, of.across.of);
            [along, across]
        };
        for line in lines {
            let off = shifts(line).into_iter().zip(shifts(mean)).map(|(at, mean)| at - mean);
            for (squares, off) in self.squares.iter_mut().zip(off) {
                *squares += line.count as f64 * off.powi(2);
            }
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
