//! How fast secrets may be guessed. Where a wrong one came from a while ago, or one that nobody has
//! looked at yet, all from there take turns, one a second, however many connections they make; a
//! right one waits for its turn and is never refused for what others guessed. Uses nothing.

#![allow(clippy::disallowed_methods, reason = "turns are taken on the clock of the wall")]

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// From one turn to the next.
const TURN: Duration = Duration::from_secs(1);

/// Longest wait for a turn: as many as can wait at a time.
const WAIT_MOST: Duration = Duration::from_secs(8);

/// How long a wrong secret is kept in mind.
const KEPT: Duration = Duration::from_secs(600);

/// Places that are kept in mind; beyond them the one that is forgotten is that of the oldest mistake.
const PLACES_MOST: usize = 1024;

/// Where a client comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Origin {
    /// Another machine, or this one.
    Address(IpAddr),
    /// The serial line of this number.
    Line(usize),
}

impl Origin {
    /// Of an address; whoever has one address of IPv6 has as many as there are in 64 bits.
    pub fn of(address: IpAddr) -> Origin {
        Origin::Address(match address.to_canonical() {
            IpAddr::V6(address) => {
                let [a, b, c, d, ..] = address.segments();
                IpAddr::V6(Ipv6Addr::new(a, b, c, d, 0, 0, 0, 0))
            }
            address => address,
        })
    }
}

#[derive(Clone, Copy, Debug)]
struct Place {
    /// A wrong one came from there.
    wrong: bool,
    /// When one came last.
    last: Instant,
    /// When the next may come.
    next: Instant,
}

/// Lets one after the other through.
#[derive(Debug, Default)]
pub struct Gate(Mutex<BTreeMap<Origin, Place>>);

impl Gate {
    /// How long whoever is about to say a secret has to wait for its turn, which is taken by this.
    pub fn turn(&self, origin: Origin) -> Duration {
        let mut places = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let now = Instant::now();
        places.retain(|_, place| now.duration_since(place.last) < KEPT);
        if places.len() >= PLACES_MOST && !places.contains_key(&origin) {
            let oldest = places.iter().min_by_key(|(_, place)| place.last);
            if let Some(oldest) = oldest.map(|(origin, _)| *origin) {
                places.remove(&oldest);
            }
        }
        let new = Place { wrong: false, last: now, next: now };
        let place = places.entry(origin).or_insert(new);
        // Whoever was sent away while it waited had no turn, so that turns pile up no higher.
        let turn = place.next.clamp(now, now + WAIT_MOST);
        (place.last, place.next) = (now, turn + TURN);
        turn - now
    }

    /// What came from there was the secret, or was not.
    pub fn known(&self, origin: Origin, right: bool) {
        let mut places = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(place) = places.get_mut(&origin) {
            place.wrong |= !right;
            if !place.wrong {
                places.remove(&origin);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Gate, Origin, PLACES_MOST, TURN, WAIT_MOST};
    use std::time::Duration;

    #[test]
    fn guesses_from_one_place_take_turns_and_others_do_not_wait() {
        let gate = Gate::default();
        let guesser = Origin::of("10.0.0.7".parse().unwrap());
        let other = Origin::of("10.0.0.8".parse().unwrap());
        assert_eq!(gate.turn(guesser), Duration::ZERO);
        let waits: Vec<Duration> = (0..3).map(|_| gate.turn(guesser)).collect();
        assert!(waits[0] > TURN / 2 && waits[1] - waits[0] > TURN / 2, "{waits:?}");
        gate.known(guesser, false);
        gate.known(guesser, true);
        assert!(gate.turn(guesser) > TURN * 2, "one that was right excuses none that were not");
        for _ in 0..100 {
            assert!(gate.turn(guesser) <= WAIT_MOST);
        }
        for right in [other, Origin::Line(0)] {
            for _ in 0..3 {
                assert_eq!(gate.turn(right), Duration::ZERO);
                gate.known(right, true);
            }
        }
    }

    #[test]
    fn whoever_has_many_addresses_is_one_and_few_are_kept() {
        let of = |address: &str| Origin::of(address.parse().unwrap());
        assert_eq!(of("2001:db8::1"), of("2001:db8::ffff:1"));
        assert_ne!(of("2001:db8::1"), of("2001:db8:0:1::1"));
        assert_eq!(of("::ffff:10.0.0.7"), of("10.0.0.7"));
        let gate = Gate::default();
        for number in 0..2 * PLACES_MOST {
            gate.turn(Origin::Line(number));
        }
        assert_eq!(gate.0.lock().unwrap().len(), PLACES_MOST);
        assert_eq!(gate.turn(Origin::Line(0)), Duration::ZERO);
        assert!(gate.turn(Origin::Line(2 * PLACES_MOST - 1)) > Duration::ZERO);
    }
}
