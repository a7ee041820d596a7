//! What a message does: looks each unit up, sees whether this client may say it, has the head do it,
//! and puts the reply together. Knows no sockets. Uses the tree, the codec and the registers.

use crate::call::{Access, Call, Reply};
use crate::link::take_reply;
use crate::wire::codec::Parameters;
use crate::wire::control::{Control, ControlledHead};
use crate::wire::errors::{Queue, WireError, keep, oldest};
use crate::wire::frame::Frame;
use crate::wire::message::{Argument, message_units};
use crate::wire::outcome::{Failure, told};
use crate::wire::reply::{block, flag, number};
use crate::wire::status::{Register, Registers, rails_good};
use crate::wire::tree::{Entry, HEADERS, Meaning, Verb, find_unit, read_call};
use crate::{Fault, Status};

/// The edition of this protocol: a newer second number only adds.
pub(crate) const PROTOCOL: &str = "1.2";

/// Wrong secrets after which a client is disconnected.
const MAX_TRIES: u32 = 3;

/// A client's side of things.
#[derive(Debug)]
pub struct WireSession {
    /// Which client; 0 is none.
    pub id: u64,
    errors: Queue,
    registers: Registers,
    outcome: Option<Failure>,
    /// No secret is asked for.
    open: bool,
    /// That, or it was said.
    pub(super) admitted: bool,
    /// Wrong secrets so far.
    pub(super) tries: u32,
    /// Why what it said before moves nothing any more: it hung up, or fell silent.
    pub barred: Option<&'static str>,
    /// The number of the message that is carried out; later ones have higher numbers.
    pub(super) number: u64,
    /// The number of the last message of any client when it may have been sent.
    pub(super) since: u64,
}

type Said = Result<Vec<u8>, Failure>;

impl WireSession {
    /// A client that just came; `open` where no secret is asked for.
    pub fn new(id: u64, open: bool) -> WireSession {
        WireSession {
            id,
            errors: Queue::default(),
            registers: Registers::default(),
            outcome: None,
            open,
            admitted: open,
            tries: 0,
            barred: None,
            number: 0,
            since: 0,
        }
    }

    /// As a client that just came, but for its wrong secrets.
    pub fn begin_anew(&mut self) {
        let new = WireSession::new(self.id, self.open);
        let WireSession { tries, barred, number, since, .. } = *self;
        *self = WireSession { tries, barred, number, since, ..new };
    }

    /// Too many wrong secrets.
    pub fn is_unwelcome(&self) -> bool {
        self.tries >= MAX_TRIES
    }

    /// Puts an error into the queue, such as one that another client caused.
    pub fn tell(&mut self, error: WireError) {
        self.registers.standard.event |= error.event();
        keep(&mut self.errors, error);
    }

    /// Carries out a message and gives the reply without its newline; none where nothing was asked.
    pub fn hear(&mut self, frame: Frame, controlled: &mut ControlledHead) -> Option<Vec<u8>> {
        let units = match frame.and_then(|message| message_units(&message)) {
            Ok(units) => units,
            Err(error) => {
                self.outcome = Some(Failure::Wire(error.clone()));
                self.tell(error);
                return None;
            }
        };
        let mut reply: Option<Vec<u8>> = None;
        let mut path: Vec<String> = Vec::new();
        let (mut failed, mut identified) = (false, false);
        for unit in &units {
            controlled.carry_out_stops();
            let said = match find_unit(unit, &mut path) {
                Ok(entry) if identified && unit.query => {
                    Err(WireError::new(-440, format!("{} behind *IDN?", entry.header)).into())
                }
                Ok(entry) => {
                    identified |= entry.is(Verb::Identity);
                    self.admitted(entry, failed, controlled)
                        .and_then(|()| self.unit(entry, &unit.arguments, controlled))
                }
                Err(error) => Err(error.into()),
            };
            match said {
                Ok(part) if unit.query => match &mut reply {
                    Some(all) => {
                        all.push(b';');
                        all.extend(part);
                    }
                    None => reply = Some(part),
                },
                Ok(_) => {}
                Err(failure) => {
                    failed = true;
                    self.tell(match &failure {
                        Failure::Head(fault) => fault.into(),
                        Failure::Wire(error) => error.clone(),
                    });
                    self.outcome = Some(failure);
                }
            }
        }
        controlled.told(self.number);
        reply
    }

    /// Whether this client may say it now.
    fn admitted(
        &self,
        entry: &Entry,
        failed: bool,
        controlled: &ControlledHead,
    ) -> Result<(), Failure> {
        let protected = |why: &str| Err(WireError::new(-203, why).into());
        match entry.access {
            Access::Anyone if failed && entry.is(Verb::Secret) => Err(left_out()),
            Access::Anyone => Ok(()),
            _ if !self.admitted => protected("say SYSTem:SECRet first"),
            Access::Observer => Ok(()),
            Access::Controller if failed => Err(left_out()),
            Access::Controller => match controlled.control_of(self.id) {
                Control::Own if controlled.is_stopped(self.id, self.number, self.since) => {
                    Err(stopped())
                }
                Control::Own => self.barred.map_or(Ok(()), protected),
                Control::Others => protected("another client controls the head"),
                Control::None => protected("say CONTrol:TAKE first"),
            },
        }
    }

    /// What a unit answers; empty for a command.
    fn unit(
        &mut self,
        entry: &Entry,
        arguments: &[Argument],
        controlled: &mut ControlledHead,
    ) -> Said {
        let given = Parameters::new(arguments, entry.takes);
        if entry.takes.is_empty() {
            given.end()?;
        }
        let said = match &entry.meaning {
            Meaning::Own(verb) if entry.is_query() => self.query(*verb, controlled)?,
            Meaning::Own(verb) => {
                self.command(*verb, given, controlled)?;
                Vec::new()
            }
            Meaning::Status(value) => value(&self.status(controlled)?).into_bytes(),
            Meaning::Call(code) => match read_call(entry, arguments)? {
                Some(call) => (code.write_reply)(&self.call(&call, controlled)?),
                None => Vec::new(),
            },
        };
        let tells = [Verb::Fault, Verb::NextError, Verb::ErrorCount];
        if !tells.iter().any(|verb| entry.is(*verb)) {
            self.outcome = None;
        }
        Ok(said)
    }

    fn call(&mut self, call: &Call, controlled: &mut ControlledHead) -> Result<Reply, Failure> {
        let lets_light_out = matches!(call, Call::Arm { .. });
        if lets_light_out && controlled.is_disarmed(self.id, self.number, self.since) {
            return Err(stopped());
        }
        let stop = if call.row().access == Access::Anyone {
            controlled.take_stopped(self.number)
        } else {
            None
        };
        let result = stop.unwrap_or_else(|| controlled.call(self.id, call));
        match &result {
            Ok(Reply::Status(status)) => {
                if let Ok(head) = controlled.description() {
                    self.registers.update(status, &head);
                }
            }
            Err(Fault::Broken(_)) => self.registers.silent(),
            _ => {}
        }
        Ok(result?)
    }

    fn status(&mut self, controlled: &mut ControlledHead) -> Result<Status, Failure> {
        Ok(take_reply(Call::Status.row(), self.call(&Call::Status, controlled)?)?)
    }

    /// Refreshes the conditions; a head that does not answer is a condition as well.
    fn look(&mut self, controlled: &mut ControlledHead) {
        let looked = self.status(controlled);
        // What went wrong stands in the questionable register now.
        drop(looked);
    }

    /// Carries out a command that is no call of the head.
    fn command(
        &mut self,
        verb: Verb,
        mut given: Parameters<'_>,
        controlled: &mut ControlledHead,
    ) -> Result<(), Failure> {
        match verb {
            Verb::SetMask(register) => {
                self.registers.group(register).enable = match register {
                    Register::Standard => mask(given, u16::from(u8::MAX))?,
                    _ => mask(given, u16::MAX)? & 0x7fff,
                };
            }
            // Bit 6 is the summary itself.
            Verb::SetServiceMask => {
                self.registers.service_enable = mask(given, u16::from(u8::MAX))? & !64;
            }
            Verb::Secret => {
                let secret: String = given.only()?;
                if !controlled.is_secret(&secret) {
                    self.tries += 1;
                    return Err(WireError::new(-203, "that is not the secret").into());
                }
                self.admitted = true;
            }
            Verb::Release => {
                let keep = given.keep()?;
                given.end()?;
                controlled.release(self.id, keep);
            }
            Verb::ClearStatus => {
                self.errors.clear();
                self.registers.clear();
            }
            Verb::Complete => self.registers.standard.event |= 1,
            Verb::Preset => {
                self.registers.operation.enable = 0;
                self.registers.questionable.enable = 0;
            }
            Verb::Reset => {
                self.call(&Call::MakeSafe { keep_spinning: false }, controlled)?;
            }
            Verb::Take => {
                if let Some(why) = self.barred {
                    return Err(WireError::new(-203, why).into());
                }
                if controlled.is_stopped(self.id, u64::MAX, self.since) {
                    return Err(stopped());
                }
                controlled.take(self.id)?;
            }
            Verb::Begin => {
                controlled.release(self.id, false);
                self.begin_anew();
            }
            // *WAI waits for nothing, and queries are answered below.
            _ => {}
        }
        Ok(())
    }

    /// The answer to a query that is no call of the head.
    fn query(&mut self, verb: Verb, controlled: &mut ControlledHead) -> Said {
        let text = match verb {
            Verb::Mask(register) => self.registers.group(register).enable.to_string(),
            Verb::ServiceMask => self.registers.service_enable.to_string(),
            Verb::Event(register) => {
                if register != Register::Standard {
                    self.look(controlled);
                }
                self.registers.group(register).read().to_string()
            }
            Verb::Condition(register) => {
                self.look(controlled);
                self.registers.group(register).condition.to_string()
            }
            Verb::Identity => controlled.identity(),
            Verb::IsComplete => "1".to_string(),
            Verb::StatusByte => {
                self.look(controlled);
                self.registers.byte(!self.errors.is_empty()).to_string()
            }
            Verb::SelfTest => flag(!self.test(controlled)),
            Verb::NextError => oldest(&mut self.errors),
            Verb::ErrorCount => self.errors.len().to_string(),
            Verb::Version => "1999.0".to_string(),
            Verb::Protocol => PROTOCOL.to_string(),
            Verb::Headers => return Ok(block(headers().as_bytes())),
            Verb::Fault => return Ok(told(self.outcome.as_ref())),
            Verb::Owner => match controlled.control_of(self.id) {
                Control::Own => "SELF".to_string(),
                Control::Others => "OTH".to_string(),
                Control::None => "NONE".to_string(),
            },
            Verb::Limit => number(controlled.served.limit.as_secs_f64()),
            Verb::Pace => if controlled.served.real_time { "REAL" } else { "VIRT" }.to_string(),
            Verb::Seed => match controlled.served.seed {
                Some(seed) => seed.to_string(),
                None => number(f64::NAN),
            },
            Verb::Time => number(controlled.time()?),
            Verb::Facets => controlled.description()?.facets.to_string(),
            Verb::Simulated => flag(controlled.description()?.simulated),
            // Commands are carried out above.
            _ => String::new(),
        };
        Ok(text.into_bytes())
    }

    /// Whether the head is good, without moving it.
    fn test(&mut self, controlled: &mut ControlledHead) -> bool {
        let good = match (self.status(controlled), controlled.description()) {
            (Ok(status), Ok(head)) => rails_good(&status, &head),
            _ => false,
        };
        if !good {
            let why = "the head does not answer, or a rail is out of its tolerance";
            self.tell(WireError::new(-330, why));
        }
        good
    }
}

/// A unit behind one that failed may need what that one would have done.
fn left_out() -> Failure {
    WireError::new(-221, "left out behind an error in the same message").into()
}

/// The head was stopped after a message was said.
fn stopped() -> Failure {
    let why = "left out: the head was stopped after this was said";
    WireError::new(-221, why).into()
}

/// A mask of at most these bits.
fn mask(mut given: Parameters<'_>, most: u16) -> Result<u16, WireError> {
    let value = given.number()?.round();
    given.end()?;
    if (0.0..=f64::from(most)).contains(&value) {
        Ok(value as u16)
    } else {
        Err(WireError::new(-222, format!("{value} is no mask of this size")))
    }
}

/// The table as text: header, parameters, answer, meaning.
fn headers() -> String {
    let row = |entry: &Entry| {
        let Entry { header, takes, gives, summary, .. } = entry;
        format!("{header}\t{}\t{gives}\t{summary}\n", takes.join(","))
    };
    HEADERS.iter().map(row).collect()
}

#[cfg(test)]
mod tests;
