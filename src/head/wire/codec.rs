//! The calls of a head and its gauge as messages, and what comes of them as replies, both ways: the
//! driver writes what the server reads. Pure; uses the messages, the tree and the head trait.

use crate::head::wire::errors::WireError;
use crate::head::wire::message::Argument;
use crate::head::wire::reply::{NAN, block, flag, joined, number, text};
use crate::head::wire::suffix::{Kind, si};
use crate::head::wire::tree::{Verb, is};
use crate::head::wire::words::unusable;
use crate::head::{
    Description, Exposed, ExposedPage, Fault, Gauge, Halt, Head, Laser, LineOrder, PageOrder,
    Pattern, Provoker, Reading, SafeState, Status, Trim, Turn,
};
use crate::image::Bitmap;
use std::sync::Arc;

/// A call of the head or of its gauge.
#[derive(Clone, Debug, PartialEq)]
#[allow(missing_docs, reason = "each is the call of that name")]
pub enum Order {
    Describe,
    Status,
    Spin(f64),
    Halt(Halt),
    Steer(Option<f64>),
    Turns(u32),
    Trims,
    LoadTrims(Vec<Trim>),
    StoreTrims,
    Arm(f64),
    Disarm,
    Expose(LineOrder),
    Page(PageOrder),
    Now,
    Sleep(f64),
    /// To a safe state; the polygon goes on where asked.
    Safe(bool),
    Measure,
    /// Whether a fault can strike.
    Strikes(String),
    /// A fault strikes so many s later.
    Provoke(String, f64),
    Mend,
    Signal(String),
    Switch(String, bool),
    Channel(String),
    SetChannel(String, f64),
}

/// What comes of a call.
#[derive(Clone, Debug, PartialEq)]
#[allow(missing_docs, reason = "each is the result of the call of that name")]
pub enum Answer {
    Done,
    Description(Box<Description>),
    Status(Box<Status>),
    Turns(Vec<Turn>),
    Trims(Vec<Trim>),
    Exposed(Exposed),
    Page(ExposedPage),
    Time(f64),
    Safe(SafeState),
    Reading(Reading),
    /// Why a fault cannot strike; none if it can.
    Strikes(Option<String>),
    Flag(bool),
    Value(f64),
}

/// Why nothing is provoked.
const NOT_SIMULATED: &str = "faults are provoked on a simulated head only, and this is none";

/// Makes the call.
pub fn perform(
    head: &mut dyn Head,
    gauge: Option<&mut Box<dyn Gauge>>,
    provoker: Option<&mut Box<dyn Provoker>>,
    order: &Order,
) -> Result<Answer, Fault> {
    let provoker = provoker.ok_or_else(|| Fault::Refused(NOT_SIMULATED.to_string()));
    let done = |()| Answer::Done;
    Ok(match order {
        Order::Describe => Answer::Description(Box::new(head.describe()?)),
        Order::Status => Answer::Status(Box::new(head.status()?)),
        Order::Spin(speed) => done(head.spin(*speed)?),
        Order::Halt(how) => done(head.halt(*how)?),
        Order::Steer(angle) => done(head.steer(*angle)?),
        Order::Turns(count) => Answer::Turns(head.turns(*count)?),
        Order::Trims => Answer::Trims(head.trims()?),
        Order::LoadTrims(trims) => done(head.load_trims(trims)?),
        Order::StoreTrims => done(head.store_trims()?),
        Order::Arm(power) => done(head.arm(*power)?),
        Order::Disarm => done(head.disarm()?),
        Order::Expose(line) => Answer::Exposed(head.expose(line)?),
        Order::Page(page) => Answer::Page(head.expose_page(page)?),
        Order::Now => Answer::Time(head.now()),
        Order::Sleep(seconds) => {
            head.sleep(*seconds);
            Answer::Done
        }
        Order::Safe(keep) => Answer::Safe(head.make_safe(*keep)),
        Order::Signal(name) => Answer::Flag(head.signal(name)?),
        Order::Switch(name, on) => done(head.switch(name, *on)?),
        Order::Channel(name) => Answer::Value(head.channel(name)?),
        Order::SetChannel(name, value) => done(head.set_channel(name, *value)?),
        Order::Measure => Answer::Reading(gauge.ok_or(Fault::NoGauge)?.measure()?),
        Order::Strikes(fault) => Answer::Strikes(provoker?.refused(fault)),
        Order::Provoke(fault, after) => {
            // A head on the clock lives up to now first.
            head.now();
            done(provoker?.provoke(fault, *after).map_err(Fault::Refused)?)
        }
        Order::Mend => {
            provoker?.mend();
            Answer::Done
        }
    })
}

/// The message that asks for a call, without its newline.
pub fn message(order: &Order) -> Vec<u8> {
    let plain = |header: &str| header.as_bytes().to_vec();
    let with = |header: &str, parts: Vec<Vec<u8>>| {
        let mut message = format!("{header} ").into_bytes();
        message.extend(joined(parts));
        message
    };
    let n = |value: f64| number(value).into_bytes();
    match order {
        Order::Describe => plain("HEAD:DESC?"),
        Order::Status => plain("HEAD:STAT?"),
        Order::Spin(speed) => with("ROT:SPE", vec![n(*speed)]),
        Order::Halt(Halt::Brake) => plain("ROT:HALT BRAK"),
        Order::Halt(Halt::Coast) => plain("ROT:HALT COAS"),
        Order::Steer(Some(angle)) => with("MIRR:ANGL", vec![n(*angle)]),
        Order::Steer(None) => plain("MIRR:PARK"),
        Order::Turns(count) => with("ROT:TURN?", vec![count.to_string().into_bytes()]),
        Order::Trims => plain("TRIM:LOAD?"),
        Order::LoadTrims(trims) if trims.is_empty() => plain("TRIM:LOAD"),
        Order::LoadTrims(trims) => {
            with("TRIM:LOAD", trims.iter().flat_map(|t| [n(t.in_scan), n(t.cross_scan)]).collect())
        }
        Order::StoreTrims => plain("TRIM:STOR"),
        Order::Arm(power) => with("LAS:ARM", vec![n(*power)]),
        Order::Disarm => plain("LAS:DIS"),
        Order::Expose(line) => {
            let pattern = match &line.pattern {
                Pattern::TestMarks => plain("MARK"),
                Pattern::Words(words) => {
                    block(&words.iter().flat_map(|word| word.to_be_bytes()).collect::<Vec<u8>>())
                }
            };
            let whole = |value: u32| value.to_string().into_bytes();
            let (facet, dots) = (whole(line.facet), whole(line.dots));
            with("LINE:EXP?", vec![facet, dots, n(line.dot_period), n(line.delay), pattern])
        }
        Order::Page(page) => {
            let image = block(&p4(&page.image));
            with("PAGE:EXP?", vec![n(page.dot_period), n(page.delay), n(page.pitch), image])
        }
        Order::Now => plain("CLOC:TIME?"),
        Order::Sleep(seconds) => with("CLOC:SLE", vec![n(*seconds)]),
        Order::Safe(false) => plain("SAFE?"),
        Order::Safe(true) => plain("SAFE? KEEP"),
        Order::Measure => plain("GAUG:MEAS?"),
        Order::Strikes(fault) => with("REH:STR?", vec![text(fault)]),
        Order::Provoke(fault, after) => with("REH:PROV", vec![text(fault), n(*after)]),
        Order::Mend => plain("REH:MEND"),
        Order::Signal(name) => with("SIGN:STAT?", vec![text(name)]),
        Order::Switch(name, on) => with("SIGN:SWIT", vec![text(name), flag(*on).into_bytes()]),
        Order::Channel(name) => with("CHAN:VAL?", vec![text(name)]),
        Order::SetChannel(name, value) => with("CHAN:VAL", vec![text(name), n(*value)]),
    }
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

/// The call that a verb with its arguments asks for; none where it asks for no call.
pub fn order(verb: Verb, arguments: &[Argument]) -> Result<Option<Order>, WireError> {
    let mut given = Given { arguments, at: 0 };
    let order = match verb {
        Verb::Describe => Order::Describe,
        Verb::Status => Order::Status,
        Verb::Spin => Order::Spin(given.number(Kind::Speed)?),
        Verb::Halt => Order::Halt(given.word(&[("BRAKe", Halt::Brake), ("COASt", Halt::Coast)])?),
        Verb::Steer => Order::Steer(Some(given.number(Kind::Angle)?)),
        Verb::Park => Order::Steer(None),
        Verb::Turns => Order::Turns(given.whole()?),
        Verb::Trims => Order::Trims,
        Verb::LoadTrims => Order::LoadTrims(given.trims()?),
        Verb::StoreTrims => Order::StoreTrims,
        Verb::Arm => Order::Arm(given.number(Kind::Share)?),
        Verb::Disarm => Order::Disarm,
        Verb::Expose => Order::Expose(LineOrder {
            facet: given.whole()?,
            dots: given.whole()?,
            dot_period: given.number(Kind::Time)?,
            delay: given.number(Kind::Time)?,
            pattern: given.pattern()?,
        }),
        Verb::Page => Order::Page(PageOrder {
            dot_period: given.number(Kind::Time)?,
            delay: given.number(Kind::Time)?,
            pitch: given.number(Kind::Length)?,
            image: given.image()?,
        }),
        Verb::Time => Order::Now,
        Verb::Sleep => Order::Sleep(given.seconds()?),
        Verb::Safe => Order::Safe(given.keep()?),
        Verb::Measure => Order::Measure,
        Verb::Strikes => Order::Strikes(given.text()?),
        Verb::Provoke => Order::Provoke(given.text()?, given.seconds()?),
        Verb::Mend => Order::Mend,
        Verb::Signal => Order::Signal(given.text()?),
        Verb::Switch => Order::Switch(given.text()?, given.flag()?),
        Verb::Channel => Order::Channel(given.text()?),
        Verb::SetChannel => Order::SetChannel(given.text()?, given.number(Kind::Plain)?),
        _ => return Ok(None),
    };
    given.end()?;
    Ok(Some(order))
}

/// Arguments that are taken one by one.
pub struct Given<'a> {
    /// All of them.
    pub arguments: &'a [Argument],
    /// The next.
    pub at: usize,
}

impl Given<'_> {
    fn next(&mut self) -> Result<&Argument, WireError> {
        let next = self.arguments.get(self.at);
        self.at += 1;
        next.ok_or_else(|| WireError::new(-109, format!("parameter {} is not there", self.at)))
    }

    fn wrong(&self, wanted: &str) -> WireError {
        WireError::new(-104, format!("parameter {} must be {wanted}", self.at))
    }

    /// A number of a kind.
    pub fn number(&mut self, kind: Kind) -> Result<f64, WireError> {
        match self.next()? {
            Argument::Number { value, suffix } => si(*value, suffix, kind),
            _ => Err(self.wrong("a number")),
        }
    }

    /// A whole number from 0.
    pub fn whole(&mut self) -> Result<u32, WireError> {
        let value = self.number(Kind::Plain)?;
        if value.fract() == 0.0 && (0.0..=f64::from(u32::MAX)).contains(&value) {
            Ok(value as u32)
        } else {
            let why = format!("parameter {}: {value} is no whole number from 0", self.at);
            Err(WireError::new(-222, why))
        }
    }

    fn flag(&mut self) -> Result<bool, WireError> {
        match self.whole()? {
            0 => Ok(false),
            1 => Ok(true),
            other => Err(WireError::new(-224, format!("{other} is neither 0 nor 1"))),
        }
    }

    fn seconds(&mut self) -> Result<f64, WireError> {
        let value = self.number(Kind::Time)?;
        if (0.0..=SLEEP_MOST).contains(&value) {
            Ok(value)
        } else {
            Err(WireError::new(-222, format!("{value} s is outside 0 to {SLEEP_MOST} s")))
        }
    }

    fn word<T: Copy>(&mut self, words: &[(&str, T)]) -> Result<T, WireError> {
        let known: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let known = known.join(" or ");
        let Argument::Word(given) = self.next()? else { return Err(self.wrong(&known)) };
        let found = words.iter().find(|(word, _)| is(word, given)).map(|(_, value)| *value);
        found.ok_or_else(|| WireError::new(-224, format!("`{given}`: write {known}")))
    }

    /// Whether the polygon goes on, which it does not where nothing is said.
    pub fn keep(&mut self) -> Result<bool, WireError> {
        match self.arguments.is_empty() {
            true => Ok(false),
            false => self.word(&[("STOP", false), ("KEEP", true)]),
        }
    }

    /// A text, as a string or as a block.
    pub fn text(&mut self) -> Result<String, WireError> {
        match self.next()? {
            Argument::Text(text) => Ok(text.clone()),
            Argument::Block(bytes) => String::from_utf8(bytes.clone())
                .map_err(|_| WireError::new(-151, "a text is not UTF-8")),
            _ => Err(self.wrong("a string")),
        }
    }

    fn trims(&mut self) -> Result<Vec<Trim>, WireError> {
        let mut trims = Vec::new();
        while self.at < self.arguments.len() {
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
    pub fn end(&self) -> Result<(), WireError> {
        if self.at >= self.arguments.len() {
            Ok(())
        } else {
            Err(WireError::new(-108, format!("no more than {} here", self.at)))
        }
    }
}

/// Longest sleep of one message in s.
pub const SLEEP_MOST: f64 = 1e6;

/// The reply that an answer makes; empty where there is nothing to say.
pub fn response(answer: &Answer) -> Vec<u8> {
    let n = |value: f64| number(value).into_bytes();
    let f = |value: bool| flag(value).into_bytes();
    let w = |value: u32| value.to_string().into_bytes();
    match answer {
        Answer::Done => Vec::new(),
        // Plain data always can be written.
        Answer::Description(head) => block(&serde_json::to_vec(head).unwrap_or_default()),
        Answer::Status(status) => {
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
        Answer::Turns(turns) => {
            joined(turns.iter().flat_map(|turn| [n(turn.period), w(turn.start_of_scan)]))
        }
        Answer::Trims(trims) => {
            joined(trims.iter().flat_map(|trim| [n(trim.in_scan), n(trim.cross_scan)]))
        }
        Answer::Exposed(line) => {
            joined([n(line.time), w(line.facet), w(line.words), f(line.underrun)])
        }
        Answer::Page(page) => joined([n(page.time), w(page.lines), w(page.missed), n(page.took)]),
        Answer::Time(time) => n(*time),
        Answer::Flag(on) => f(*on),
        Answer::Value(value) => n(*value),
        Answer::Safe(state) => {
            let parts = [
                f(state.laser_off),
                f(state.parked),
                n(state.speed),
                f(state.at_rest),
                f(state.kept_spinning),
            ];
            joined(parts.into_iter().chain(state.troubles.iter().map(|trouble| text(trouble))))
        }
        Answer::Reading(reading) => joined([
            n(reading.in_scan),
            n(reading.cross_scan),
            n(reading.in_scan_u),
            n(reading.cross_scan_u),
        ]),
        Answer::Strikes(refused) => {
            joined(std::iter::once(f(refused.is_none())).chain(refused.as_deref().map(text)))
        }
    }
}

/// What the values of a reply are the answer to; or what is wrong with them.
pub fn answer(order: &Order, values: &[Argument]) -> Result<Answer, WireError> {
    let mut values = Values(Given { arguments: values, at: 0 });
    let answer = match order {
        Order::Describe => {
            let text = values.0.text()?;
            let read = serde_json::from_str(&text);
            let read = read.map_err(|why| WireError::new(-161, unusable(&text, &why)))?;
            Answer::Description(Box::new(read))
        }
        Order::Status => Answer::Status(Box::new(values.status()?)),
        Order::Turns(_) => {
            let mut turns = Vec::new();
            while values.more() {
                let period = values.number()?;
                turns.push(Turn { period, start_of_scan: values.0.whole()? });
            }
            Answer::Turns(turns)
        }
        Order::Trims => {
            let mut trims = Vec::new();
            while values.more() {
                let in_scan = values.number()?;
                trims.push(Trim { in_scan, cross_scan: values.number()? });
            }
            Answer::Trims(trims)
        }
        Order::Expose(_) => Answer::Exposed(Exposed {
            time: values.number()?,
            facet: values.0.whole()?,
            words: values.0.whole()?,
            underrun: values.flag()?,
        }),
        Order::Page(_) => Answer::Page(ExposedPage {
            time: values.number()?,
            lines: values.0.whole()?,
            missed: values.0.whole()?,
            took: values.number()?,
        }),
        Order::Now => Answer::Time(values.number()?),
        Order::Signal(_) => Answer::Flag(values.flag()?),
        Order::Channel(_) => Answer::Value(values.number()?),
        Order::Safe(_) => Answer::Safe(values.safe()?),
        Order::Measure => Answer::Reading(Reading {
            in_scan: values.number()?,
            cross_scan: values.number()?,
            in_scan_u: values.number()?,
            cross_scan_u: values.number()?,
        }),
        Order::Strikes(_) => {
            let can = values.flag()?;
            Answer::Strikes(if can { None } else { Some(values.0.text()?) })
        }
        _ => Answer::Done,
    };
    values.0.end()?;
    Ok(answer)
}

/// Values of a reply that are taken one by one.
struct Values<'a>(Given<'a>);

impl Values<'_> {
    fn more(&self) -> bool {
        self.0.at < self.0.arguments.len()
    }

    fn number(&mut self) -> Result<f64, WireError> {
        let value = self.0.number(Kind::Plain)?;
        Ok(if value == NAN {
            f64::NAN
        } else if value.abs() == 9.9e37 {
            f64::INFINITY.copysign(value)
        } else {
            value
        })
    }

    fn flag(&mut self) -> Result<bool, WireError> {
        self.0.flag()
    }

    fn status(&mut self) -> Result<Status, WireError> {
        let time = self.number()?;
        let speed = self.number()?;
        let target = Some(self.number()?).filter(|target| !target.is_nan());
        let locked = self.flag()?;
        let facet = match self.number()? {
            none if none < 0.0 => None,
            _ => {
                self.0.at -= 1;
                Some(self.0.whole()?)
            }
        };
        let interlock_closed = self.flag()?;
        let laser = if self.flag()? { Laser::Armed } else { Laser::Off };
        let at_rest = self.flag()?;
        let galvanometer = self.number()?;
        let parked = self.flag()?;
        let temperature = self.number()?;
        let mut rails = Vec::new();
        while self.more() {
            rails.push(self.number()?);
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

    fn safe(&mut self) -> Result<SafeState, WireError> {
        let laser_off = self.flag()?;
        let parked = self.flag()?;
        let speed = self.number()?;
        let at_rest = self.flag()?;
        let kept_spinning = self.flag()?;
        let mut troubles = Vec::new();
        while self.more() {
            troubles.push(self.0.text()?);
        }
        Ok(SafeState { laser_off, parked, speed, at_rest, kept_spinning, troubles })
    }
}

#[cfg(test)]
mod tests;
