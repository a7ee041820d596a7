//! The polygon's speed and the head's temperature over head time, thinned out by time where there are too many points.

/// Most points of a curve.
const MAX_POINTS: usize = 250;

/// Smallest time in s between two points once they are thinned out.
const MIN_GAP: f64 = 0.001;

/// What a status told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct StatusPoint {
    /// Head time in s.
    pub time: f64,
    /// In rad/s.
    pub speed: f64,
    /// The lock detector's output.
    pub locked: bool,
    /// In K.
    pub temperature: f64,
}

/// What was measured, in order.
#[derive(Clone, Debug, Default)]
pub(crate) struct Curve {
    /// The points, at most 250.
    pub points: Vec<StatusPoint>,
    /// Smallest time in s between two points that are not at a change of lock; 0 where all are
    /// here.
    pub gap: f64,
}

impl Curve {
    /// Adds a point.
    pub(crate) fn push(&mut self, point: StatusPoint) {
        if !point.time.is_finite() || !point.speed.is_finite() {
            return;
        }
        if self.points.last().is_none_or(|last| self.keeps(last, &point)) {
            self.points.push(point);
        }
        while self.points.len() > MAX_POINTS {
            self.gap = (self.gap * 2.0).max(MIN_GAP);
            let all = std::mem::take(&mut self.points);
            let before = all.len();
            for point in all {
                if self.points.last().is_none_or(|last| self.keeps(last, &point)) {
                    self.points.push(point);
                }
            }
            // A lock that comes and goes all the time leaves nothing to thin out.
            if self.gap > 1e9 && self.points.len() == before {
                self.points.truncate(MAX_POINTS);
            }
        }
    }

    fn keeps(&self, last: &StatusPoint, point: &StatusPoint) -> bool {
        point.time - last.time >= self.gap || point.locked != last.locked
    }

    /// When lock came first, if it did.
    pub(crate) fn lock(&self) -> Option<StatusPoint> {
        self.points.iter().find(|point| point.locked).copied()
    }
}

#[cfg(test)]
mod tests {
    use super::{Curve, MAX_POINTS, StatusPoint};

    #[test]
    fn thinning_keeps_both_ends_of_time_and_the_lock() {
        let mut curve = Curve::default();
        for i in 0..100_000 {
            let time = f64::from(i) * 0.01;
            curve.push(StatusPoint { time, speed: time, locked: i >= 77_777, temperature: 300.0 });
        }
        assert!(curve.points.len() <= MAX_POINTS && curve.points.len() > MAX_POINTS / 4);
        assert!(curve.gap > 0.0);
        assert_eq!(curve.lock().map(|p| p.time), Some(777.77));
        assert!(curve.points.last().unwrap().time > 999.0 - curve.gap);
    }

    #[test]
    fn a_lock_that_flutters_is_bounded_too() {
        let mut curve = Curve::default();
        for i in 0..10_000 {
            curve.push(StatusPoint {
                time: f64::from(i),
                speed: 1.0,
                locked: i % 2 == 0,
                temperature: 300.0,
            });
        }
        assert!(curve.points.len() <= MAX_POINTS);
    }
}
