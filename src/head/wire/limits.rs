//! How long the driver waits for a call: what the head itself may take, by its description, and never
//! longer than makes sense, whatever a description claims. Pure; uses the codec and descriptions.

use crate::Description;
use crate::call::Call;
use crate::wire::greeting::MIN_REPLY;
use crate::wire::link::WirePlace;

/// Longest wait for an answer of a head whose time passes by calls only: it computes as long as it
/// takes.
const MAX_VIRTUAL: f64 = 60.0;

/// Time in s that a new link takes at most, to a socket and over a serial line.
const MAX_LINK: f64 = 4.0;
const MAX_LINE: f64 = 8.0;

/// Longest silence in s that is tolerated, whatever a description claims.
const MAX_SILENCE: f64 = 30.0;

/// Longest time in s that anything of a head takes that waits for no turn of the polygon.
const MAX_REPLY: f64 = 60.0;

/// Longest time in s that watching turns and drawing takes.
const MAX_TURNING: f64 = 3600.0;

/// Longest time in s in which a head says that it made itself safe.
const MAX_SAFE: f64 = 30.0;

/// Longest time in s until a new link to a place stands.
pub(crate) fn link_most(place: &WirePlace) -> f64 {
    match place {
        WirePlace::Socket(_) => MAX_LINK,
        WirePlace::Serial(_) => MAX_LINE,
    }
}

/// Longest time in s in which a serial line carries the longest reply to a call.
pub(crate) fn carrying(place: &WirePlace, call: &Call) -> f64 {
    let WirePlace::Serial(line) = place else { return 0.0 };
    let bytes = match call {
        Call::Describe => 16e3,
        Call::Turns { count } => 40.0 * f64::from(*count) + 1e3,
        _ => 4e3,
    };
    line.carries(bytes)
}

/// Longest time in s that a call may take at a head on the clock, whose polygon was asked for
/// `speed` last. The wire comes on top.
fn most(call: &Call, head: &Description, speed: Option<f64>) -> f64 {
    let times = &head.times;
    let speed = speed.unwrap_or(head.speed_least).max(head.speed_least);
    let short = |time: f64| within(time, 0.0, MAX_REPLY);
    let silence = |time: f64| within(time, MIN_REPLY, MAX_SILENCE);
    let row = call.row();
    let bound = (row.bound)(head, call, speed);
    let own = match call {
        Call::Measure => short(bound) + silence(times.gauge_silence_most),
        Call::MakeSafe { .. } => {
            return (short(head.galvanometer_settling) + 5.0 * silence(times.silence_most))
                .min(MAX_SAFE);
        }
        Call::ExposePage { image, .. } => {
            let (width, height) = image.size();
            // As many bytes as a page has take their time as well.
            let sending = f64::from(height) * f64::from(width) / 8.0 / 1e6;
            within(bound, 0.0, MAX_TURNING) + sending
        }
        _ if row.waits => within(bound, 0.0, MAX_TURNING),
        _ => short(bound),
    };
    own + silence(times.silence_most)
}

/// Between two bounds; at the lower one where it is no number.
fn within(time: f64, least: f64, most: f64) -> f64 {
    if time >= least { time.min(most) } else { least }
}

/// Longest time in s that a call may take, with the wire.
pub(crate) fn in_all(
    call: &Call,
    head: Option<&Description>,
    is_virtual: bool,
    speed: Option<f64>,
    place: &WirePlace,
) -> f64 {
    let own = match head {
        Some(_) if is_virtual => MAX_VIRTUAL,
        Some(head) => most(call, head, speed),
        None => MIN_REPLY + link_most(place),
    };
    own + carrying(place, call)
}

#[cfg(test)]
mod tests {
    use super::{MAX_REPLY, MAX_SAFE, MAX_SILENCE, MAX_TURNING, most};
    use crate::call::Call;
    use crate::tests::description;

    /// Whatever a description claims, a wait ends.
    #[test]
    fn no_claim_makes_a_wait_endless() {
        let mut told = description();
        let honest = most(&Call::Status, &told, None);
        assert!(honest < 10.0, "{honest}");
        for wild in [1e6, 1e300, f64::INFINITY, f64::NAN, -5.0] {
            let times = &mut told.times;
            (times.silence_most, times.gauge_silence_most, times.reply_most) = (wild, wild, wild);
            (times.arming_most, times.reading_most, times.fill_most) = (wild, wild, wild);
            told.galvanometer_settling = wild;
            told.spin_up_most = wild;
            for call in [
                Call::Status,
                Call::Measure,
                Call::Turns { count: 7 },
                Call::MakeSafe { keep_spinning: false },
            ] {
                let wait = most(&call, &told, Some(500.0));
                let cap = match call {
                    Call::Turns { .. } => MAX_TURNING + MAX_SILENCE,
                    Call::MakeSafe { .. } => MAX_SAFE,
                    // The gauge may be silent as well.
                    Call::Measure => MAX_REPLY + 2.0 * MAX_SILENCE,
                    _ => MAX_REPLY + MAX_SILENCE,
                };
                assert!((0.0..=cap).contains(&wait), "{call:?} {wild}: {wait}");
            }
        }
    }
}
