//! What a head can be asked for, as its description states it, and what the file of its gauge says.

use crate::builtins::records::{datum, made};
use crate::builtins::signature::{Arguments, Builtin, Context, Trait, Trouble, pure};
use crate::program::value::{Datum, Value};

/// The built-ins of this topic.
pub(super) fn builtins() -> Vec<Builtin> {
    vec![
        pure("head_limits", head_limits),
        pure("gauge_file", gauge_file).with_traits(&[Trait::Changes]),
    ]
}

/// Without a file there are no texts and no numbers.
fn gauge_file(context: &mut Context<'_>, _: Arguments<'_>) -> Result<Datum, Trouble> {
    let file = context.station.gauge_file.as_ref();
    let study = file.and_then(|file| file.study.as_ref());
    let text = |text: Option<&String>| Datum::Value(Value::text(text.map_or("", String::as_str)));
    let number = |number: Option<f64>| Datum::Number(number.unwrap_or(f64::NAN));
    Ok(datum(made(
        "gauge_file",
        &[
            ("certificate", text(file.map(|file| &file.certificate))),
            ("coldest", number(file.map(|file| file.temperature[0]))),
            ("id", text(file.map(|file| &file.id))),
            ("station", text(study.map(|study| &study.station))),
            ("study_cross_scan", number(study.map(|study| study.shares[1]))),
            ("study_in_scan", number(study.map(|study| study.shares[0]))),
            ("study_valid", Datum::Flag(study.is_some_and(|study| study.is_valid))),
            ("warmest", number(file.map(|file| file.temperature[1]))),
        ],
    )))
}

/// What a head does not have is no number.
fn head_limits(context: &mut Context<'_>, _: Arguments<'_>) -> Result<Datum, Trouble> {
    let head = context.station.description();
    let range = |register: Option<spintrue_head::Register>| register.map_or(f64::NAN, |r| r.range);
    let step = |register: Option<spintrue_head::Register>| register.map_or(f64::NAN, |r| r.step);
    let fields = [
        ("active_fraction", head.active_most),
        ("coasting_time", head.coast_most),
        ("cross_scan_trim", head.cross_scan_trim.range),
        ("cross_scan_trim_step", head.cross_scan_trim.step),
        ("dot_period", head.dot_least),
        ("f_theta", head.focal_length),
        ("facets", f64::from(head.facets)),
        ("galvanometer_angle", head.galvanometer_range),
        ("galvanometer_settling", head.galvanometer_settling),
        ("highest_speed", head.speed_most),
        ("in_scan_trim", head.in_scan_trim.range),
        ("in_scan_trim_step", head.in_scan_trim.step),
        ("laser_power", head.laser_power),
        ("length_trim", range(head.length_trim)),
        ("length_trim_step", step(head.length_trim)),
        ("linearity_range", head.linearity.map_or(f64::NAN, |linearity| linearity.range)),
        ("linearity_step", head.linearity.map_or(f64::NAN, |linearity| linearity.step)),
        ("lock_turns", f64::from(head.lock_turns)),
        ("lock_window", head.lock_window),
        ("longest_line", head.line_most),
        ("lowest_speed", head.speed_least),
        ("power_trim", range(head.power_trim)),
        ("power_trim_step", step(head.power_trim)),
        ("queue_words", f64::from(head.queue_words)),
        ("simulated", f64::from(u8::from(head.simulated))),
        ("spin_up_time", head.spin_up_most),
    ];
    Ok(datum(made("head_limits", &fields.map(|(name, of)| (name, Datum::Number(of))))))
}
