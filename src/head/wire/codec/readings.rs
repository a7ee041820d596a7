//! What a gauge reads, as replies have it. Uses the values of the codec.

use crate::call::Reply;
use crate::wire::codec::{Parameters, Value, write_reply};
use crate::wire::errors::WireError;
use crate::wire::reply::Values;
use crate::{Mark, Reading, Stated};

impl Value for Stated {
    fn put(&self, to: &mut Values) {
        [self.random, self.offset, self.slope, self.place].iter().for_each(|value| value.put(to));
    }

    fn take(from: &mut Parameters<'_>) -> Result<Stated, WireError> {
        let (random, offset, slope) = (from.take()?, from.take()?, from.take()?);
        Ok(Stated { random, offset, slope, place: from.take()? })
    }
}

/// Without its width, which few gauges read.
impl Value for Mark {
    fn put(&self, to: &mut Values) {
        [self.at, self.in_scan, self.cross_scan, self.dose].iter().for_each(|value| value.put(to));
    }

    fn take(from: &mut Parameters<'_>) -> Result<Mark, WireError> {
        let (at, in_scan, cross_scan) = (from.take()?, from.take()?, from.take()?);
        Ok(Mark { at, in_scan, cross_scan, dose: from.take()?, width: None })
    }
}

/// Widths stand behind the marks, where the gauge reads them.
impl Value for Reading {
    fn put(&self, to: &mut Values) {
        self.in_scan_u.put(to);
        self.cross_scan_u.put(to);
        self.dose_u.put(to);
        self.marks.put(to);
        if self.width_u.is_some() {
            to.push("WIDT");
            self.width_u.put(to);
            self.marks.iter().for_each(|mark| mark.width.put(to));
        }
    }

    fn take(from: &mut Parameters<'_>) -> Result<Reading, WireError> {
        let (in_scan_u, cross_scan_u) = (from.take()?, from.take()?);
        let (dose_u, mut marks) = (from.take()?, Vec::<Mark>::take(from)?);
        let mut width_u = None;
        if from.more() {
            from.word(&[("WIDTh", ())])?;
            width_u = from.take()?;
            for mark in &mut marks {
                mark.width = from.take()?;
            }
        }
        Ok(Reading { marks, in_scan_u, cross_scan_u, dose_u, width_u })
    }
}

/// A reading of a line as a whole: its shifts, and the standard uncertainty of each.
pub(in crate::wire) struct Whole(Reading);

impl Value for Whole {
    fn put(&self, to: &mut Values) {
        let ((along, across), (along_u, across_u)) = (self.0.shift(), self.0.shift_u());
        [along, across, along_u, across_u].iter().for_each(|value| value.put(to));
    }

    fn take(from: &mut Parameters<'_>) -> Result<Whole, WireError> {
        let (along, across): (f64, f64) = (from.take()?, from.take()?);
        Ok(Whole(Reading::whole((along, from.take()?), (across, from.take()?))))
    }
}

impl From<Whole> for Reply {
    fn from(whole: Whole) -> Reply {
        Reply::Reading(whole.0)
    }
}

/// The reply to a query of a line as a whole.
pub(in crate::wire) fn write_whole(reply: &Reply) -> Vec<u8> {
    let Reply::Reading(reading) = reply else { return write_reply(reply) };
    let mut to = Values::default();
    Whole(reading.clone()).put(&mut to);
    to.0
}
