//! Calls as messages, and their results as replies, both ways: the driver writes what the server
//! reads. Pure; uses the messages and the table of headers.

use crate::call::{Call, Image, Reply};
use crate::image::Bitmap;
use crate::wire::errors::WireError;
use crate::wire::message::Argument;
use crate::wire::reply::{NAN, block, flag, joined, number, text};
use crate::wire::suffix::{Kind, si};
use crate::wire::tree::{Entry, Meaning, is, of_call};
use crate::wire::words::unusable;
use crate::{
    Exposed, ExposedPage, Fault, Halt, Laser, LineOrder, Pattern, Reading, SafeState, Status, Trim,
    Turn,
};
use std::sync::Arc;

/// The message that asks for a call, without its newline; a fault for an image without its dots.
pub fn message(call: &Call) -> Result<Vec<u8>, Fault> {
    let mut message = match of_call(call) {
        Some((entry, _)) => entry.short_header().into_bytes(),
        None => return Err(call.row().unsupported()),
    };
    let parameters = parameters(call)?;
    if !parameters.is_empty() {
        message.push(b' ');
        message.extend(joined(parameters));
    }
    Ok(message)
}

/// The parameters of a call.
fn parameters(call: &Call) -> Result<Vec<Vec<u8>>, Fault> {
    let n = |value: f64| number(value).into_bytes();
    let w = |value: u32| value.to_string().into_bytes();
    Ok(match call {
        Call::Spin { speed } => vec![n(*speed)],
        Call::Halt { how: Halt::Brake } => vec![b"BRAK".to_vec()],
        Call::Halt { how: Halt::Coast } => vec![b"COAS".to_vec()],
        Call::Steer { angle } => angle.iter().map(|angle| n(*angle)).collect(),
        Call::Turns { count } => vec![w(*count)],
        Call::LoadTrims { trims } => {
            trims.iter().flat_map(|trim| [n(trim.in_scan), n(trim.cross_scan)]).collect()
        }
        Call::Arm { power } => vec![n(*power)],
        Call::Expose { line } => {
            let pattern = match &line.pattern {
                Pattern::TestMarks => b"MARK".to_vec(),
                Pattern::Words(words) => {
                    block(&words.iter().flat_map(|word| word.to_be_bytes()).collect::<Vec<u8>>())
                }
            };
            vec![w(line.facet), w(line.dots), n(line.dot_period), n(line.delay), pattern]
        }
        Call::ExposePage { dot_period, delay, pitch, image } => {
            vec![n(*dot_period), n(*delay), n(*pitch), block(&p4(image.dots()?))]
        }
        Call::Sleep { seconds } => vec![n(*seconds)],
        Call::MakeSafe { keep_spinning: true } => vec![b"KEEP".to_vec()],
        Call::CheckCanInject { fault } => vec![text(fault)],
        Call::Inject { fault, after } => vec![text(fault), n(*after)],
        Call::Signal { signal: name } | Call::Channel { channel: name } => vec![text(name)],
        Call::Switch { signal, on } => vec![text(signal), flag(*on).into_bytes()],
        Call::SetChannel { channel, value } => vec![text(channel), n(*value)],
        _ => Vec::new(),
    })
}

/// An image as a Netpbm P4 file.
fn p4(image: &Bitmap) -> Vec<u8> {
    let row = image.width().div_ceil(8) as usize;
    let mut file = format!("P4\n{} {}\n", image.width(), image.height()).into_bytes();
    for line in image.lines() {
        file.extend(line.iter().flat_map(|word| word.to_be_bytes()).take(row));
    }
    file
}

/// The call that a header with its parameters asks for; none where it asks for no call.
pub fn said(entry: &Entry, arguments: &[Argument]) -> Result<Option<Call>, WireError> {
    let Meaning::Call(code) = &entry.meaning else { return Ok(None) };
    let mut parameters = Parameters::new(arguments);
    let call = (code.read)(&mut parameters)?;
    parameters.end()?;
    Ok(Some(call))
}

/// What the values of a reply answer to a call.
pub fn answer(call: &Call, values: &[Argument]) -> Result<Reply, WireError> {
    let (_, code) = of_call(call).ok_or_else(|| WireError::new(-113, ""))?;
    let mut values = Parameters::new(values);
    let reply = (code.answer)(&mut values)?;
    values.end()?;
    Ok(reply)
}

/// Parameters of a message or values of a reply, which are taken one by one.
pub(crate) struct Parameters<'a> {
    arguments: &'a [Argument],
    /// The next.
    at: usize,
}

impl Parameters<'_> {
    /// Begins with the first.
    pub(crate) fn new(arguments: &[Argument]) -> Parameters<'_> {
        Parameters { arguments, at: 0 }
    }

    /// Some are left.
    pub(crate) fn more(&self) -> bool {
        self.at < self.arguments.len()
    }

    fn next(&mut self) -> Result<&Argument, WireError> {
        let next = self.arguments.get(self.at);
        self.at += 1;
        next.ok_or_else(|| WireError::new(-109, format!("parameter {} is not there", self.at)))
    }

    fn wrong(&self, wanted: &str) -> WireError {
        WireError::new(-104, format!("parameter {} must be {wanted}", self.at))
    }

    /// A number of a kind.
    pub(crate) fn number(&mut self, kind: Kind) -> Result<f64, WireError> {
        match self.next()? {
            Argument::Number { value, suffix } => si(*value, suffix, kind),
            _ => Err(self.wrong("a number")),
        }
    }

    /// A whole number from 0.
    pub(crate) fn whole(&mut self) -> Result<u32, WireError> {
        let value = self.number(Kind::Plain)?;
        if value.fract() == 0.0 && (0.0..=f64::from(u32::MAX)).contains(&value) {
            Ok(value as u32)
        } else {
            let why = format!("parameter {}: {value} is no whole number from 0", self.at);
            Err(WireError::new(-222, why))
        }
    }

    /// 0 or 1.
    pub(super) fn flag(&mut self) -> Result<bool, WireError> {
        match self.whole()? {
            0 => Ok(false),
            1 => Ok(true),
            other => Err(WireError::new(-224, format!("{other} is neither 0 nor 1"))),
        }
    }

    /// A time of one message.
    pub(super) fn seconds(&mut self) -> Result<f64, WireError> {
        let value = self.number(Kind::Time)?;
        if (0.0..=MAX_SLEEP).contains(&value) {
            Ok(value)
        } else {
            Err(WireError::new(-222, format!("{value} s is outside 0 to {MAX_SLEEP} s")))
        }
    }

    fn word<T: Copy>(&mut self, words: &[(&str, T)]) -> Result<T, WireError> {
        let known: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let known = known.join(" or ");
        let Argument::Word(given) = self.next()? else { return Err(self.wrong(&known)) };
        let found = words.iter().find(|(word, _)| is(word, given)).map(|(_, value)| *value);
        found.ok_or_else(|| WireError::new(-224, format!("`{given}`: write {known}")))
    }

    pub(super) fn halt(&mut self) -> Result<Halt, WireError> {
        self.word(&[("BRAKe", Halt::Brake), ("COASt", Halt::Coast)])
    }

    /// Whether the polygon goes on; it does not where nothing is said.
    pub(crate) fn keep(&mut self) -> Result<bool, WireError> {
        match self.arguments.is_empty() {
            true => Ok(false),
            false => self.word(&[("STOP", false), ("KEEP", true)]),
        }
    }

    /// A text, as a string or as a block.
    pub(crate) fn text(&mut self) -> Result<String, WireError> {
        match self.next()? {
            Argument::Text(text) => Ok(text.clone()),
            Argument::Block(bytes) => String::from_utf8(bytes.clone())
                .map_err(|_| WireError::new(-151, "a text is not UTF-8")),
            _ => Err(self.wrong("a string")),
        }
    }

    pub(super) fn line(&mut self) -> Result<LineOrder, WireError> {
        Ok(LineOrder {
            facet: self.whole()?,
            dots: self.whole()?,
            dot_period: self.number(Kind::Time)?,
            delay: self.number(Kind::Time)?,
            pattern: self.pattern()?,
        })
    }

    pub(super) fn page(&mut self) -> Result<Call, WireError> {
        Ok(Call::ExposePage {
            dot_period: self.number(Kind::Time)?,
            delay: self.number(Kind::Time)?,
            pitch: self.number(Kind::Length)?,
            image: Image::Here(self.image()?),
        })
    }

    pub(super) fn trims(&mut self) -> Result<Vec<Trim>, WireError> {
        let mut trims = Vec::new();
        while self.more() {
            let in_scan = self.number(Kind::Time)?;
            trims.push(Trim { in_scan, cross_scan: self.number(Kind::Angle)? });
        }
        Ok(trims)
    }

    fn pattern(&mut self) -> Result<Pattern, WireError> {
        match self.next()? {
            Argument::Word(word) if is("MARKs", word) => Ok(Pattern::TestMarks),
            Argument::Block(bytes) if bytes.len() % 4 == 0 => {
                let word = |four: &[u8]| four.iter().fold(0, |word, b| word << 8 | u32::from(*b));
                Ok(Pattern::Words(bytes.chunks_exact(4).map(word).collect()))
            }
            Argument::Block(_) => Err(WireError::new(-161, "dot words have 4 bytes each")),
            _ => Err(self.wrong("MARKs or a block of dot words")),
        }
    }

    fn image(&mut self) -> Result<Arc<Bitmap>, WireError> {
        let Argument::Block(bytes) = self.next()? else {
            return Err(self.wrong("a block that holds a Netpbm P4 file"));
        };
        let image = Bitmap::read(bytes).map_err(|why| WireError::new(-161, why.to_string()))?;
        Ok(Arc::new(image))
    }

    /// Nothing may follow.
    pub(crate) fn end(&self) -> Result<(), WireError> {
        if !self.more() {
            Ok(())
        } else {
            Err(WireError::new(-108, format!("no more than {} here", self.at)))
        }
    }
}

/// Longest time of one message in s.
pub(crate) const MAX_SLEEP: f64 = 1e6;

/// The reply as it is written; empty for a command that was taken.
pub fn response(reply: &Reply) -> Vec<u8> {
    let n = |value: f64| number(value).into_bytes();
    let f = |value: bool| flag(value).into_bytes();
    let w = |value: u32| value.to_string().into_bytes();
    match reply {
        Reply::Done | Reply::Fault(_) => Vec::new(),
        // Plain data always can be written.
        Reply::Description(head) => block(&serde_json::to_vec(head).unwrap_or_default()),
        Reply::Status(status) => {
            let facet = status.facet.map_or_else(|| b"-1".to_vec(), w);
            let parts = [
                n(status.time),
                n(status.speed),
                n(status.target.unwrap_or(f64::NAN)),
                f(status.locked),
                facet,
                f(status.interlock_closed),
                f(status.laser == Laser::Armed),
                f(status.at_rest),
                n(status.galvanometer),
                f(status.parked),
                n(status.temperature),
            ];
            joined(parts.into_iter().chain(status.rails.iter().map(|volts| n(*volts))))
        }
        Reply::Turns(turns) => {
            joined(turns.iter().flat_map(|turn| [n(turn.period), w(turn.start_of_scan)]))
        }
        Reply::Trims(trims) => {
            joined(trims.iter().flat_map(|trim| [n(trim.in_scan), n(trim.cross_scan)]))
        }
        Reply::Exposed(line) => {
            joined([n(line.time), w(line.facet), w(line.words), f(line.underrun)])
        }
        Reply::ExposedPage(page) => {
            joined([n(page.time), w(page.lines), w(page.missed), n(page.took)])
        }
        Reply::Flag(on) => f(*on),
        Reply::Value(value) => n(*value),
        Reply::Safe(state) => {
            let parts = [
                f(state.laser_off),
                f(state.parked),
                n(state.speed),
                f(state.at_rest),
                f(state.kept_spinning),
            ];
            joined(parts.into_iter().chain(state.troubles.iter().map(|trouble| text(trouble))))
        }
        Reply::Reading(reading) => joined([
            n(reading.in_scan),
            n(reading.cross_scan),
            n(reading.in_scan_u),
            n(reading.cross_scan_u),
        ]),
        Reply::Refusal(refused) => {
            joined(std::iter::once(f(refused.is_none())).chain(refused.as_deref().map(text)))
        }
    }
}

/// Values of a reply.
impl Parameters<'_> {
    /// A number in SI, or what stands for one that is not finite.
    pub(super) fn value(&mut self) -> Result<f64, WireError> {
        let value = self.number(Kind::Plain)?;
        Ok(if value == NAN {
            f64::NAN
        } else if value.abs() == 9.9e37 {
            f64::INFINITY.copysign(value)
        } else {
            value
        })
    }

    pub(super) fn description(&mut self) -> Result<Reply, WireError> {
        let text = self.text()?;
        let read = serde_json::from_str(&text);
        let read = read.map_err(|why| WireError::new(-161, unusable(&text, &why)))?;
        Ok(Reply::Description(Box::new(read)))
    }

    pub(super) fn status(&mut self) -> Result<Status, WireError> {
        let time = self.value()?;
        let speed = self.value()?;
        let target = Some(self.value()?).filter(|target| !target.is_nan());
        let locked = self.flag()?;
        let facet = match self.value()? {
            none if none < 0.0 => None,
            _ => {
                self.at -= 1;
                Some(self.whole()?)
            }
        };
        let interlock_closed = self.flag()?;
        let laser = if self.flag()? { Laser::Armed } else { Laser::Off };
        let at_rest = self.flag()?;
        let galvanometer = self.value()?;
        let parked = self.flag()?;
        let temperature = self.value()?;
        let mut rails = Vec::new();
        while self.more() {
            rails.push(self.value()?);
        }
        Ok(Status {
            time,
            speed,
            target,
            locked,
            facet,
            rails,
            interlock_closed,
            laser,
            at_rest,
            galvanometer,
            parked,
            temperature,
        })
    }

    pub(super) fn safe(&mut self) -> Result<SafeState, WireError> {
        let laser_off = self.flag()?;
        let parked = self.flag()?;
        let speed = self.value()?;
        let at_rest = self.flag()?;
        let kept_spinning = self.flag()?;
        let mut troubles = Vec::new();
        while self.more() {
            troubles.push(self.text()?);
        }
        Ok(SafeState { laser_off, parked, speed, at_rest, kept_spinning, troubles })
    }

    pub(super) fn turns(&mut self) -> Result<Vec<Turn>, WireError> {
        let mut turns = Vec::new();
        while self.more() {
            turns.push(Turn { period: self.value()?, start_of_scan: self.whole()? });
        }
        Ok(turns)
    }

    pub(super) fn trims_read(&mut self) -> Result<Vec<Trim>, WireError> {
        let mut trims = Vec::new();
        while self.more() {
            trims.push(Trim { in_scan: self.value()?, cross_scan: self.value()? });
        }
        Ok(trims)
    }

    pub(super) fn exposed(&mut self) -> Result<Exposed, WireError> {
        Ok(Exposed {
            time: self.value()?,
            facet: self.whole()?,
            words: self.whole()?,
            underrun: self.flag()?,
        })
    }

    pub(super) fn exposed_page(&mut self) -> Result<ExposedPage, WireError> {
        Ok(ExposedPage {
            time: self.value()?,
            lines: self.whole()?,
            missed: self.whole()?,
            took: self.value()?,
        })
    }

    pub(super) fn reading(&mut self) -> Result<Reading, WireError> {
        Ok(Reading {
            in_scan: self.value()?,
            cross_scan: self.value()?,
            in_scan_u: self.value()?,
            cross_scan_u: self.value()?,
        })
    }

    /// Why a fault cannot be injected; none where it can.
    pub(super) fn refusal(&mut self) -> Result<Option<String>, WireError> {
        let can = self.flag()?;
        if can { Ok(None) } else { self.text().map(Some) }
    }
}

#[cfg(test)]
mod tests;
