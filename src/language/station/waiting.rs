//! Letting time pass, and looks at conditions that must hold, in a sleep and after each call of the head.

use crate::station::{
    ARMED_SLICE, MAX_SLEEP, MIN_SLICE, Outcome, STOP_SLICE, Station, StationError,
};
use spintrue_head::Calls;

/// Looks at what must hold; gives the head time in s of the next look, or nothing where it does not.
pub(crate) type Looker = Box<dyn FnMut(&mut Station) -> Option<f64>>;

impl Station {
    /// Has `looker` look after each call and in each sleep, from the head time `due` on.
    pub(crate) fn set_held(&mut self, due: f64, looker: Looker) {
        self.held = Some((due, looker));
    }

    /// Looks no more.
    pub(crate) fn clear_held(&mut self) {
        self.held = None;
    }

    /// Lets `seconds` pass; while armed with a look at lock and interlock every
    /// [`ARMED_SLICE`], on a real head with a look at the stop flag every [`STOP_SLICE`].
    pub(super) fn sleep_watched(&mut self, seconds: f64) -> Outcome<()> {
        let end = self.link().now() + seconds;
        let mut left = seconds;
        while left > 0.0 {
            let slice = if self.armed {
                ARMED_SLICE
            } else if self.description.simulated {
                MAX_SLEEP
            } else {
                STOP_SLICE
            };
            let until = self.deadline.as_ref().map_or(f64::INFINITY, |deadline| deadline.until);
            let slice = slice.min(self.sampled.unwrap_or(MAX_SLEEP));
            let slice = slice.min(self.until_look().max(MIN_SLICE));
            let slice = slice.min((until - self.last_now).max(MIN_SLICE)).min(left);
            let slept = self.link().sleep(slice);
            self.watch()?;
            slept?;
            self.look_at_held()?;
            if self.sampled.is_some() {
                // For listeners; a fault shows in the next call that needs an answer.
                let outer = self.begin_look();
                let _ = self.link().status();
                self.end_look(outer, false);
            }
            self.go_on()?;
            // Looking takes time on a real head; a clock that stands still must not keep us for ever.
            left -= slice;
            if left >= 1e-9 {
                left = left.min(end - self.link().now());
            }
            if left < 1e-9 {
                break;
            }
        }
        Ok(())
    }

    /// How long the next slice of a sleep may be, in s.
    fn until_look(&mut self) -> f64 {
        let due = self.held.as_ref().map(|(due, _)| *due);
        due.map_or(f64::INFINITY, |due| due - self.now())
    }

    /// Looks where that is due; disarms at once where something does not hold.
    pub(super) fn look_at_held(&mut self) -> Outcome<()> {
        if self.until_look() > 0.0 {
            return Ok(());
        }
        let Some((_, mut look)) = self.held.take() else { return Ok(()) };
        let Some(due) = look(self) else {
            if self.armed {
                self.try_disarm();
            }
            return Err(StationError::NotHeld);
        };
        self.held = Some((due, look));
        Ok(())
    }
}
