//! How fast secrets may be guessed. After a wrong secret, or one that is not checked yet, all clients of
//! that origin take turns, one a second, however many connections they make. A right secret waits for
//! its turn and is never refused for what others guessed. Uses nothing.

#![allow(clippy::disallowed_methods, reason = "turns are taken on the clock of the wall")]

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// From one turn to the next.
const TURN: Duration = Duration::from_secs(1);

/// Longest wait for a turn: as many as can wait at a time.
const MAX_WAIT: Duration = Duration::from_secs(8);

/// How long a wrong secret is kept in mind.
const KEPT: Duration = Duration::from_secs(600);

/// Places that are kept in mind; beyond them the one that is forgotten is that of the oldest mistake.
const MAX_ORIGINS: usize = 1024;

/// Where a client comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Origin {
    /// Another machine, or this one.
    Address(IpAddr),
    /// The serial line of this number.
    Line(usize),
}

impl Origin {
    /// Of an address. A client with one IPv6 address has as many as there are in 64 bits.
    pub(crate) fn of(address: IpAddr) -> Origin {
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

/// Gives clients their turns to give a secret.
#[derive(Debug, Default)]
pub(crate) struct SecretTurns(Mutex<BTreeMap<Origin, Place>>);

impl SecretTurns {
    /// How long a client has to wait for its turn to give a secret; takes the turn.
    pub(crate) fn turn(&self, origin: Origin) -> Duration {
        let mut places = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let now = Instant::now();
        places.retain(|_, place| now.duration_since(place.last) < KEPT);
        if places.len() >= MAX_ORIGINS && !places.contains_key(&origin) {
            let oldest = places.iter().min_by_key(|(_, place)| place.last);
            if let Some(oldest) = oldest.map(|(origin, _)| *origin) {
                places.remove(&oldest);
            }
        }
        let new = Place { wrong: false, last: now, next: now };
        let place = places.entry(origin).or_insert(new);
        // A client that was disconnected while it waited had no turn, so that turns pile up no higher.
        let turn = place.next.clamp(now, now + MAX_WAIT);
        (place.last, place.next) = (now, turn + TURN);
        turn - now
    }

    /// What came from there was the secret, or was not.
    pub(crate) fn known(&self, origin: Origin, right: bool) {
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
    use super::{MAX_ORIGINS, MAX_WAIT, Origin, SecretTurns, TURN};
    use std::time::Duration;

    #[test]
    fn guesses_from_one_place_take_turns_and_others_do_not_wait() {
        let turns = SecretTurns::default();
        let guesser = Origin::of("10.0.0.7".parse().unwrap());
        let other = Origin::of("10.0.0.8".parse().unwrap());
        assert_eq!(turns.turn(guesser), Duration::ZERO);
        let waits: Vec<Duration> = (0..3).map(|_| turns.turn(guesser)).collect();
        assert!(waits[0] > TURN / 2 && waits[1] - waits[0] > TURN / 2, "{waits:?}");
        turns.known(guesser, false);
        turns.known(guesser, true);
        assert!(turns.turn(guesser) > TURN * 2, "one that was right excuses none that were not");
        for _ in 0..100 {
            assert!(turns.turn(guesser) <= MAX_WAIT);
        }
        for right in [other, Origin::Line(0)] {
            for _ in 0..3 {
                assert_eq!(turns.turn(right), Duration::ZERO);
                turns.known(right, true);
            }
        }
    }

    #[test]
    fn a_client_with_many_addresses_is_one_and_few_are_kept() {
        let of = |address: &str| Origin::of(address.parse().unwrap());
        assert_eq!(of("2001:db8::1"), of("2001:db8::ffff:1"));
        assert_ne!(of("2001:db8::1"), of("2001:db8:0:1::1"));
        assert_eq!(of("::ffff:10.0.0.7"), of("10.0.0.7"));
        let turns = SecretTurns::default();
        for number in 0..2 * MAX_ORIGINS {
            turns.turn(Origin::Line(number));
        }
        assert_eq!(turns.0.lock().unwrap().len(), MAX_ORIGINS);
        assert_eq!(turns.turn(Origin::Line(0)), Duration::ZERO);
        assert!(turns.turn(Origin::Line(2 * MAX_ORIGINS - 1)) > Duration::ZERO);
    }
}
