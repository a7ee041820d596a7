//! How long the driver waits for a call: what the head itself may take, by its description, and never
//! longer than makes sense, whatever a description claims. Pure; uses the codec and descriptions.

use crate::head::Description;
use crate::head::wire::codec::Order;
use crate::head::wire::greeting::REPLY_LEAST;
use crate::head::wire::link::Place;

/// Longest wait for an answer of a head whose time passes by calls only: it computes as long as it
/// takes.
const VIRTUAL_MOST: f64 = 60.0;

/// Time in s that a new link takes at most, to a socket and over a serial line.
const LINK_MOST: f64 = 4.0;
const LINE_MOST: f64 = 8.0;

/// Longest silence in s that is borne, whatever a description claims.
const SILENCE_MOST: f64 = 30.0;

/// Longest time in s that anything of a head takes that waits for no turn of the polygon.
const REPLY_MOST: f64 = 60.0;

/// Longest time in s that watching turns and drawing takes.
const TURNING_MOST: f64 = 3600.0;

/// Longest time in s in which a head says that it made itself safe.
const SAFE_MOST: f64 = 30.0;

/// Longest time in s until a new link to a place stands.
pub fn link_most(place: &Place) -> f64 {
    match place {
        Place::Socket(_) => LINK_MOST,
        Place::Serial(_) => LINE_MOST,
    }
}

/// Longest time in s in which a serial line carries the longest reply to a call.
pub fn carrying(place: &Place, order: &Order) -> f64 {
    let Place::Serial(line) = place else { return 0.0 };
    let bytes = match order {
        Order::Describe => 16e3,
        Order::Turns(count) => 40.0 * f64::from(*count) + 1e3,
        _ => 4e3,
    };
    line.carries(bytes)
}

/// Longest time in s that a call may take at a head on the clock, whose polygon was asked for
/// `speed` last; without a description it is not known yet. The wire comes on top.
pub fn most(order: &Order, head: Option<&Description>, speed: Option<f64>) -> f64 {
    let Some(head) = head else { return REPLY_LEAST };
    let times = &head.times;
    let speed = speed.unwrap_or(head.speed_least).max(head.speed_least);
    let short = |time: f64| within(time, 0.0, REPLY_MOST);
    let silence = |time: f64| within(time, REPLY_LEAST, SILENCE_MOST);
    let drawing = |time: f64| within(times.arming_most + time, 0.0, TURNING_MOST);
    let own = match order {
        Order::Turns(count) => within(head.turns_most(f64::from(*count), speed), 0.0, TURNING_MOST),
        Order::Expose(_) => drawing(head.expose_most(speed)),
        Order::Page(page) => {
            let lines = f64::from(page.image.height());
            // As many bytes as a page has take their time as well.
            let sending = lines * f64::from(page.image.width()) / 8.0 / 1e6;
            drawing(head.page_most(lines, speed)) + sending
        }
        Order::Measure => short(times.reading_most) + silence(times.gauge_silence_most),
        Order::Safe(_) => {
            return (short(head.galvanometer_settling) + 5.0 * silence(times.silence_most))
                .min(SAFE_MOST);
        }
        Order::Signal(_) | Order::Switch(..) | Order::Channel(_) | Order::SetChannel(..) => {
            short(times.station_reply_most())
        }
        _ => short(times.reply_most),
    };
    own + silence(times.silence_most)
}

/// Between two bounds; at the lower one where it is no number.
fn within(time: f64, least: f64, most: f64) -> f64 {
    if time >= least { time.min(most) } else { least }
}

/// Longest time in s that a call may take, with the wire.
pub fn in_all(
    order: &Order,
    head: Option<&Description>,
    is_virtual: bool,
    speed: Option<f64>,
    place: &Place,
) -> f64 {
    let own = match head {
        Some(_) if is_virtual => VIRTUAL_MOST,
        Some(_) => most(order, head, speed),
        None => REPLY_LEAST + link_most(place),
    };
    own + carrying(place, order)
}

#[cfg(test)]
mod tests {
    use super::{REPLY_MOST, SAFE_MOST, SILENCE_MOST, TURNING_MOST, most};
    use crate::head::wire::codec::Order;
    use crate::head::{Head, sim};

    /// Whatever a description claims, a wait ends.
    #[test]
    fn no_claim_makes_a_wait_endless() {
        let (mut head, _) = sim::open(None, 1).unwrap();
        let mut told = head.describe().unwrap();
        let honest = most(&Order::Status, Some(&told), None);
        assert!(honest < 10.0, "{honest}");
        for wild in [1e6, 1e300, f64::INFINITY, f64::NAN, -5.0] {
            let times = &mut told.times;
            (times.silence_most, times.gauge_silence_most, times.reply_most) = (wild, wild, wild);
            (times.arming_most, times.reading_most, times.fill_most) = (wild, wild, wild);
            told.galvanometer_settling = wild;
            told.spin_up_most = wild;
            for order in [Order::Status, Order::Measure, Order::Turns(7), Order::Safe(false)] {
                let wait = most(&order, Some(&told), Some(500.0));
                let cap = match order {
                    Order::Turns(_) => TURNING_MOST + SILENCE_MOST,
                    Order::Safe(_) => SAFE_MOST,
                    // The gauge may be silent as well.
                    Order::Measure => REPLY_MOST + 2.0 * SILENCE_MOST,
                    _ => REPLY_MOST + SILENCE_MOST,
                };
                assert!((0.0..=cap).contains(&wait), "{order:?} {wild}: {wait}");
            }
        }
    }
}
