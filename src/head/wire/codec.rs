//! Values of calls and replies as messages have them: each type is written and read in one place, for the
//! driver writes what the server reads. Pure; uses the messages.

use crate::call::Reply;
use crate::image::Bitmap;
use crate::wire::errors::WireError;
use crate::wire::message::Argument;
use crate::wire::mnemonic::is;
use crate::wire::reply::{NAN, Values, block, flag, number, text};
use crate::wire::suffix::si;
use crate::wire::words::read_json;
use crate::{
    Description, Exposed, ExposedPage, Halt, Laser, LineCorrection, LineOrder, Pattern, Proof,
    SafeState, Status, SteadyOrder, Trim, Turn,
};
pub(super) use readings::{Whole, write_whole};
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::sync::Arc;

/// What stands in a message or a reply as one value, as several, or as none.
pub(super) trait Value: Sized {
    /// Puts it behind the values before.
    fn put(&self, to: &mut Values);

    /// Takes it from the values that are left.
    fn take(from: &mut Parameters<'_>) -> Result<Self, WireError>;

    /// Puts what stands behind all of a list.
    fn put_behind(_all: &[Self], _to: &mut Values) {}

    /// Takes it.
    fn take_behind(_all: &mut [Self], _from: &mut Parameters<'_>) -> Result<(), WireError> {
        Ok(())
    }
}

/// Longest time of one message in s.
pub(crate) const MAX_SLEEP: f64 = 1e6;

/// Parameters of a message or values of a reply, which are taken one by one.
pub(crate) struct Parameters<'a> {
    arguments: &'a [Argument],
    /// The unit of each parameter, those of a list in turn; none for a reply, which is in SI.
    units: Option<&'static [&'static str]>,
    /// The next.
    at: usize,
    /// How many before it have no unit of their own in `units`.
    without_unit: usize,
}

impl<'a> Parameters<'a> {
    /// Parameters behind a header that takes them in these units.
    pub(crate) fn new(arguments: &'a [Argument], units: &'static [&'static str]) -> Parameters<'a> {
        Parameters { arguments, units: Some(units), at: 0, without_unit: 0 }
    }

    /// Values of a reply.
    pub(crate) fn of_reply(values: &'a [Argument]) -> Parameters<'a> {
        Parameters { arguments: values, units: None, at: 0, without_unit: 0 }
    }

    /// Takes what a type needs.
    pub(super) fn take<T: Value>(&mut self) -> Result<T, WireError> {
        T::take(self)
    }

    /// The same; nothing may follow.
    pub(super) fn only<T: Value>(mut self) -> Result<T, WireError> {
        let value = self.take()?;
        self.end()?;
        Ok(value)
    }

    /// Nothing may follow.
    pub(crate) fn end(&self) -> Result<(), WireError> {
        if !self.more() {
            Ok(())
        } else {
            Err(WireError::new(-108, format!("no more than {} here", self.at)))
        }
    }

    pub(super) fn more(&self) -> bool {
        self.at < self.arguments.len()
    }

    fn next(&mut self) -> Result<&'a Argument, WireError> {
        let next = self.arguments.get(self.at);
        self.at += 1;
        next.ok_or_else(|| WireError::new(-109, format!("parameter {} is not there", self.at)))
    }

    fn wrong(&self, wanted: &str) -> WireError {
        WireError::new(-104, format!("parameter {} must be {wanted}", self.at))
    }

    /// A number as it stands there, in SI.
    pub(super) fn number(&mut self) -> Result<f64, WireError> {
        let at = self.at - self.without_unit;
        let unit = self.units.and_then(|units| units.get(at % units.len().max(1)));
        // What may be left out begins in brackets, and a list goes on in them.
        let unit = unit.and_then(|unit| unit.trim_start_matches('[').split('[').next());
        let unit = unit.unwrap_or_default();
        match self.next()? {
            Argument::Number { value, suffix } => si(*value, suffix, unit),
            _ => Err(self.wrong("a number")),
        }
    }

    /// The places of a map behind their number.
    fn places(&mut self) -> Result<Vec<f64>, WireError> {
        let count: u32 = self.take()?;
        self.without_unit += 1;
        let place = |_| {
            self.without_unit += 1;
            match self.next()? {
                Argument::Number { value, suffix } => si(*value, suffix, ""),
                _ => Err(self.wrong("a place")),
            }
        };
        (0..count).map(place).collect()
    }

    /// A time of one message.
    pub(super) fn seconds(&mut self) -> Result<f64, WireError> {
        let value = self.number()?;
        if (0.0..=MAX_SLEEP).contains(&value) {
            Ok(value)
        } else {
            Err(WireError::new(-222, format!("{value} s is outside 0 to {MAX_SLEEP} s")))
        }
    }

    fn json<T: DeserializeOwned>(&mut self) -> Result<T, WireError> {
        let text: String = self.take()?;
        read_json(&text)
    }

    fn word<T: Copy>(&mut self, words: &[(&str, T)]) -> Result<T, WireError> {
        let known: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let known = known.join(" or ");
        let Argument::Word(given) = self.next()? else { return Err(self.wrong(&known)) };
        let found = words.iter().find(|(word, _)| is(word, given)).map(|(_, value)| *value);
        found.ok_or_else(|| WireError::new(-224, format!("`{given}`: write {known}")))
    }

    /// Whether the polygon goes on; it does not where nothing is said.
    pub(super) fn keep(&mut self) -> Result<bool, WireError> {
        match self.more() {
            false => Ok(false),
            true => self.word(&[("STOP", false), ("KEEP", true)]),
        }
    }
}

impl Value for () {
    fn put(&self, _: &mut Values) {}

    fn take(_: &mut Parameters<'_>) -> Result<(), WireError> {
        Ok(())
    }
}

impl Value for f64 {
    fn put(&self, to: &mut Values) {
        to.push(number(*self));
    }

    /// A reply has a number for one that is not finite.
    fn take(from: &mut Parameters<'_>) -> Result<f64, WireError> {
        let value = from.number()?;
        Ok(match from.units {
            None if value == NAN => f64::NAN,
            None if value.abs() == 9.9e37 => f64::INFINITY.copysign(value),
            _ => value,
        })
    }
}

/// A number that is not there is NAN.
impl Value for Option<f64> {
    fn put(&self, to: &mut Values) {
        self.unwrap_or(f64::NAN).put(to);
    }

    fn take(from: &mut Parameters<'_>) -> Result<Option<f64>, WireError> {
        Ok(Some(f64::take(from)?).filter(|value| !value.is_nan()))
    }
}

/// A whole number from 0.
impl Value for u32 {
    fn put(&self, to: &mut Values) {
        to.push(self.to_string());
    }

    fn take(from: &mut Parameters<'_>) -> Result<u32, WireError> {
        let value = from.number()?;
        if value.fract() == 0.0 && (0.0..=f64::from(u32::MAX)).contains(&value) {
            Ok(value as u32)
        } else {
            let why = format!("parameter {}: {value} is no whole number from 0", from.at);
            Err(WireError::new(-222, why))
        }
    }
}

/// A whole number that is not there is -1.
impl Value for Option<u32> {
    fn put(&self, to: &mut Values) {
        match self {
            Some(value) => value.put(to),
            None => to.push("-1"),
        }
    }

    fn take(from: &mut Parameters<'_>) -> Result<Option<u32>, WireError> {
        if from.number()? < 0.0 {
            return Ok(None);
        }
        from.at -= 1;
        from.take().map(Some)
    }
}

impl Value for bool {
    fn put(&self, to: &mut Values) {
        to.push(flag(*self));
    }

    fn take(from: &mut Parameters<'_>) -> Result<bool, WireError> {
        match from.take::<u32>()? {
            0 => Ok(false),
            1 => Ok(true),
            other => Err(WireError::new(-224, format!("{other} is neither 0 nor 1"))),
        }
    }
}

/// A string, or a block where that would not do.
impl Value for String {
    fn put(&self, to: &mut Values) {
        to.push(text(self));
    }

    fn take(from: &mut Parameters<'_>) -> Result<String, WireError> {
        match from.next()? {
            Argument::Text(text) => Ok(text.clone()),
            Argument::Block(bytes) => String::from_utf8(bytes.clone())
                .map_err(|_| WireError::new(-151, "a text is not UTF-8")),
            _ => Err(from.wrong("a string")),
        }
    }
}

/// Why a fault cannot be injected, behind whether it can.
impl Value for Option<String> {
    fn put(&self, to: &mut Values) {
        self.is_none().put(to);
        self.iter().for_each(|why| why.put(to));
    }

    fn take(from: &mut Parameters<'_>) -> Result<Option<String>, WireError> {
        if from.take()? { Ok(None) } else { from.take().map(Some) }
    }
}

/// All that are left.
impl<T: Value> Value for Vec<T> {
    fn put(&self, to: &mut Values) {
        self.iter().for_each(|value| value.put(to));
        T::put_behind(self, to);
    }

    fn take(from: &mut Parameters<'_>) -> Result<Vec<T>, WireError> {
        let mut all = Vec::new();
        while from.more() && !matches!(from.arguments.get(from.at), Some(Argument::Word(_))) {
            all.push(from.take()?);
        }
        T::take_behind(&mut all, from)?;
        Ok(all)
    }
}

/// Whether the laser is armed.
impl Value for Laser {
    fn put(&self, to: &mut Values) {
        (*self == Laser::Armed).put(to);
    }

    fn take(from: &mut Parameters<'_>) -> Result<Laser, WireError> {
        Ok(if from.take()? { Laser::Armed } else { Laser::Off })
    }
}

impl Value for Halt {
    fn put(&self, to: &mut Values) {
        to.push(match self {
            Halt::Brake => "BRAK",
            Halt::Coast => "COAS",
        });
    }

    fn take(from: &mut Parameters<'_>) -> Result<Halt, WireError> {
        from.word(&[("BRAKe", Halt::Brake), ("COASt", Halt::Coast)])
    }
}

impl Value for Pattern {
    fn put(&self, to: &mut Values) {
        match self {
            Pattern::TestMarks => to.push("TEST"),
            Pattern::Map(places) => {
                to.push("MAP");
                to.push(places.len().to_string());
                places.put(to);
            }
            Pattern::Words(words) => {
                let bytes: Vec<u8> = words.iter().flat_map(|word| word.to_be_bytes()).collect();
                to.push(block(&bytes));
            }
        }
    }

    fn take(from: &mut Parameters<'_>) -> Result<Pattern, WireError> {
        match from.next()? {
            // As it was called before edition 1.2.
            Argument::Word(word) if is("TESTmarks", word) || is("MARKs", word) => {
                Ok(Pattern::TestMarks)
            }
            Argument::Word(word) if is("MAP", word) => from.places().map(Pattern::Map),
            Argument::Block(bytes) if bytes.len() % 4 == 0 => {
                let word = |four: &[u8]| four.iter().fold(0, |word, b| word << 8 | u32::from(*b));
                Ok(Pattern::Words(bytes.chunks_exact(4).map(word).collect()))
            }
            Argument::Block(_) => Err(WireError::new(-161, "dot words have 4 bytes each")),
            _ => Err(from.wrong("TESTmarks, MAP or a block of dot words")),
        }
    }
}

/// A Netpbm P4 file.
impl Value for Arc<Bitmap> {
    fn put(&self, to: &mut Values) {
        let row = self.width().div_ceil(8) as usize;
        let mut file = format!("P4\n{} {}\n", self.width(), self.height()).into_bytes();
        for line in self.lines() {
            file.extend(line.iter().flat_map(|word| word.to_be_bytes()).take(row));
        }
        to.push(block(&file));
    }

    fn take(from: &mut Parameters<'_>) -> Result<Arc<Bitmap>, WireError> {
        let Argument::Block(bytes) = from.next()? else {
            return Err(from.wrong("a block that holds a Netpbm P4 file"));
        };
        let image = Bitmap::read(bytes).map_err(|why| WireError::new(-161, why.to_string()))?;
        Ok(Arc::new(image))
    }
}

/// Puts a block of JSON. Plain data always can be written.
fn put_json(value: &impl Serialize, to: &mut Values) {
    to.push(block(&serde_json::to_vec(value).unwrap_or_default()));
}

/// A block of JSON.
impl Value for Box<Description> {
    fn put(&self, to: &mut Values) {
        put_json(self, to);
    }

    fn take(from: &mut Parameters<'_>) -> Result<Box<Description>, WireError> {
        from.json()
    }
}

/// Records, whose fields stand in this order.
macro_rules! records {
    ($($record:ident { $($field:ident),* })*) => {$(
        impl Value for $record {
            fn put(&self, to: &mut Values) {
                $(self.$field.put(to);)*
            }

            fn take(from: &mut Parameters<'_>) -> Result<$record, WireError> {
                Ok($record { $($field: from.take()?),* })
            }
        }
    )*};
}

records! {
    ExposedPage { time, lines, missed, took }
    LineOrder { facet, dots, dot_period, delay, pattern, correction }
    SafeState { laser_off, parked, speed, at_rest, kept_spinning, troubles }
    Status {
        time, speed, target, locked, facet, interlock_closed, laser, at_rest, galvanometer, parked,
        temperature, rails
    }
    SteadyOrder { facet, dots, dot_period, delay, seconds }
}

/// Times behind their number.
impl Value for Turn {
    fn put(&self, to: &mut Values) {
        self.period.put(to);
        self.start_of_scan.put(to);
        for times in [&self.pulses, &self.ends] {
            to.push(times.len().to_string());
            times.put(to);
        }
    }

    fn take(from: &mut Parameters<'_>) -> Result<Turn, WireError> {
        let (period, start_of_scan) = (from.take()?, from.take()?);
        let mut times = || {
            let count: u32 = from.take()?;
            (0..count).map(|_| from.take()).collect::<Result<Vec<f64>, _>>()
        };
        Ok(Turn { period, start_of_scan, pulses: times()?, ends: times()? })
    }
}

/// Turns without the times of their pulses.
pub(super) struct Counted(Vec<Turn>);

impl Value for Counted {
    fn put(&self, to: &mut Values) {
        for turn in &self.0 {
            turn.period.put(to);
            turn.start_of_scan.put(to);
        }
    }

    fn take(from: &mut Parameters<'_>) -> Result<Counted, WireError> {
        let mut turns = Vec::new();
        while from.more() {
            let (period, start_of_scan) = (from.take()?, from.take()?);
            turns.push(Turn { period, start_of_scan, ..Turn::default() });
        }
        Ok(Counted(turns))
    }
}

impl From<Counted> for Reply {
    fn from(counted: Counted) -> Reply {
        Reply::Turns(counted.0)
    }
}

/// The reply to a query of turns without the times of their pulses.
pub(super) fn write_counted(reply: &Reply) -> Vec<u8> {
    let Reply::Turns(turns) = reply else { return write_reply(reply) };
    let mut to = Values::default();
    Counted(turns.clone()).put(&mut to);
    to.0
}

/// A block of JSON, `null` where there is none.
impl Value for Option<Proof> {
    fn put(&self, to: &mut Values) {
        put_json(self, to);
    }

    fn take(from: &mut Parameters<'_>) -> Result<Option<Proof>, WireError> {
        from.json()
    }
}

/// Older servers do not tell the period.
impl Value for Exposed {
    fn put(&self, to: &mut Values) {
        let Exposed { time, facet, words, underrun, period } = self;
        time.put(to);
        facet.put(to);
        words.put(to);
        underrun.put(to);
        if period.is_finite() {
            period.put(to);
        }
    }

    fn take(from: &mut Parameters<'_>) -> Result<Exposed, WireError> {
        let (time, facet, words) = (from.take()?, from.take()?, from.take()?);
        let underrun = from.take()?;
        let period = if from.more() { from.take()? } else { f64::NAN };
        Ok(Exposed { time, facet, words, underrun, period })
    }
}

/// Power and length, which few heads trim, stand behind the trims of all facets, where one of them is not 1.
impl Value for Trim {
    fn put(&self, to: &mut Values) {
        self.in_scan.put(to);
        self.cross_scan.put(to);
    }

    fn take(from: &mut Parameters<'_>) -> Result<Trim, WireError> {
        Ok(Trim { in_scan: from.take()?, cross_scan: from.take()?, ..Trim::default() })
    }

    fn put_behind(all: &[Trim], to: &mut Values) {
        type Of = fn(&Trim) -> f64;
        let of: [(&str, Of); 2] = [("POW", |t| t.power), ("LENG", |t| t.length)];
        for (word, of) in of {
            if all.iter().any(|trim| of(trim) != 1.0) {
                to.push(word);
                all.iter().for_each(|trim| of(trim).put(to));
            }
        }
    }

    fn take_behind(all: &mut [Trim], from: &mut Parameters<'_>) -> Result<(), WireError> {
        type Of = fn(&mut Trim) -> &mut f64;
        while from.more() {
            let words: [(&str, Of); 2] =
                [("POWer", |t| &mut t.power), ("LENGth", |t| &mut t.length)];
            let of = from.word(&words)?;
            for trim in all.iter_mut() {
                *of(trim) = from.take()?;
            }
        }
        Ok(())
    }
}

/// Stands last, where there is one.
impl Value for Option<LineCorrection> {
    fn put(&self, to: &mut Values) {
        if let Some(LineCorrection { length, linearity }) = self {
            length.put(to);
            linearity.put(to);
        }
    }

    fn take(from: &mut Parameters<'_>) -> Result<Option<LineCorrection>, WireError> {
        if !from.more() {
            return Ok(None);
        }
        Ok(Some(LineCorrection { length: from.take()?, linearity: from.take()? }))
    }
}

/// The reply as it is written; empty for a command that was taken.
pub fn write_reply(reply: &Reply) -> Vec<u8> {
    let mut to = Values::default();
    match reply {
        Reply::Done | Reply::Fault(_) => {}
        Reply::Description(head) => head.put(&mut to),
        Reply::Status(status) => status.put(&mut to),
        Reply::Turns(turns) => turns.put(&mut to),
        Reply::Trims(trims) => trims.put(&mut to),
        Reply::Proof(proof) => proof.put(&mut to),
        Reply::Exposed(line) => line.put(&mut to),
        Reply::ExposedPage(page) => page.put(&mut to),
        Reply::Safe(state) => state.put(&mut to),
        Reply::Reading(reading) => reading.put(&mut to),
        Reply::Flag(on) => on.put(&mut to),
        Reply::Value(value) => value.put(&mut to),
        Reply::Refusal(refused) => refused.put(&mut to),
    }
    to.0
}

mod readings;
#[cfg(test)]
mod tests;
