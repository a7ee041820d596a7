//! Refuses numbers that are not finite, in calls and in replies.

use spintrue_head::{Call, Fault, LineCorrection, Reply, Stated};

fn finite(what: &str, values: &[f64]) -> Result<(), Fault> {
    if values.iter().all(|value| value.is_finite()) {
        Ok(())
    } else {
        Err(Fault::Refused(format!("the {what} must be a finite number")))
    }
}

fn correction(correction: &LineCorrection) -> Result<(), Fault> {
    finite("length of the line", &[correction.length])?;
    finite("clock ratio", &correction.linearity)
}

/// Refuses numbers that are not finite.
pub(super) fn check_finite(call: &Call) -> Result<(), Fault> {
    match call {
        Call::Spin { speed } => finite("polygon speed", &[*speed]),
        Call::Steer { angle: Some(angle) } => finite("galvanometer angle", &[*angle]),
        Call::LoadTrims { trims } => trims.iter().try_for_each(|trim| {
            finite("in-scan trim", &[trim.in_scan])?;
            finite("cross-scan trim", &[trim.cross_scan])?;
            finite("power trim", &[trim.power])?;
            finite("length trim", &[trim.length])
        }),
        Call::StoreTrims { proof: Some(proof) } => {
            finite("speed of the proof", &[proof.speed])?;
            finite("power of the proof", &[proof.power])?;
            finite("temperature of the proof", &[proof.temperature])
        }
        Call::Arm { power } => finite("laser power", &[*power]),
        Call::Expose { line } => {
            finite("time per dot", &[line.dot_period])?;
            finite("pre-scan delay", &[line.delay])?;
            line.correction.as_ref().map_or(Ok(()), correction)
        }
        Call::ExposePage { dot_period, delay, pitch, correction: how, .. } => {
            finite("time per dot", &[*dot_period])?;
            finite("pre-scan delay", &[*delay])?;
            finite("pitch", &[*pitch])?;
            how.as_ref().map_or(Ok(()), correction)
        }
        Call::DrawSteadily { order } => {
            finite("time per dot", &[order.dot_period])?;
            finite("pre-scan delay", &[order.delay])
        }
        Call::SetChannel { value, .. } => finite("value of the channel", &[*value]),
        _ => Ok(()),
    }
}

/// Takes no number from a gauge or a channel that is not finite.
pub(super) fn check_finite_reply(reply: &Reply) -> Result<(), Fault> {
    match reply {
        Reply::Reading(reading) => {
            for mark in &reading.marks {
                finite("reading of the gauge", &[mark.at, mark.in_scan, mark.cross_scan])?;
            }
            for Stated { random, offset, slope, place } in [reading.in_scan_u, reading.cross_scan_u]
            {
                finite("uncertainty of the gauge", &[random, offset, slope, place])?;
            }
            Ok(())
        }
        Reply::Value(value) => finite("reading of the channel", &[*value]),
        _ => Ok(()),
    }
}
