//! The one table of commands and queries, and how a header is looked up in it. Parser, help and
//! docs/wire.md read it. Pure; headers of calls refer to the table of calls and to the codec.

use crate::call::table::{
    ARM, CHANNEL, CHECK_CAN_INJECT, CLEAR_FAULTS, DESCRIBE, DISARM, DRAW_STEADILY,
    DRAWING_STEADILY, EXPOSE, EXPOSE_PAGE, HALT, INJECT, LOAD_TRIMS, MAKE_SAFE, MEASURE,
    SET_CHANNEL, SIGNAL, SLEEP, SPIN, STATUS, STEER, STORE_TRIMS, STORED_PROOF, SWITCH, TRIMS,
    TURNS,
};
use crate::call::{Access, Call, CallImage, Reply, Row};
use crate::wire::codec::{
    Counted, Parameters, Value, Whole, write_counted, write_reply, write_whole,
};
use crate::wire::errors::WireError;
use crate::wire::message::{Argument, Unit};
use crate::wire::mnemonic::{matches, short};
use crate::wire::reply::{Values, flag, number};
use crate::wire::status::Register;
use crate::{
    Description, Exposed, ExposedPage, Fault, Laser, Proof, Reading, SafeState, Status, Trim, Turn,
};

/// What a header means that is no call.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "the table below says what each means")]
pub(crate) enum Verb {
    ClearStatus,
    SetMask(Register),
    Mask(Register),
    Event(Register),
    Condition(Register),
    Identity,
    Complete,
    IsComplete,
    Reset,
    SetServiceMask,
    ServiceMask,
    StatusByte,
    SelfTest,
    Wait,
    NextError,
    ErrorCount,
    Version,
    Protocol,
    Headers,
    Secret,
    Begin,
    Preset,
    Take,
    Release,
    Owner,
    Limit,
    Fault,
    Pace,
    Seed,
    Facets,
    Simulated,
    Time,
}

/// What a header means.
#[derive(Debug)]
pub(super) enum Meaning {
    /// Something of the server's own.
    Own(Verb),
    /// A call.
    Call(CallCode),
    /// A value of the status.
    Status(fn(&Status) -> String),
}

/// How a call and its reply are read.
#[derive(Debug)]
pub(super) struct CallCode {
    row: &'static Row,
    read: fn(&mut Parameters<'_>) -> Result<Call, WireError>,
    read_reply: fn(&[Argument]) -> Result<Reply, WireError>,
    pub(super) write_reply: fn(&Reply) -> Vec<u8>,
}

/// A row of the table.
#[derive(Debug)]
pub struct Entry {
    /// Long form with the short form in capitals; optional parts in brackets; `?` ends a query.
    pub header: &'static str,
    pub(super) meaning: Meaning,
    /// Who may say it.
    pub(super) access: Access,
    /// Its parameters.
    pub takes: &'static [&'static str],
    /// What a query answers.
    pub gives: &'static str,
    /// What it does.
    pub summary: &'static str,
}

/// A query of the server's own for all who gave the secret.
const fn query(
    header: &'static str,
    verb: Verb,
    gives: &'static str,
    summary: &'static str,
) -> Entry {
    let (meaning, access) = (Meaning::Own(verb), Access::Observer);
    Entry { header, meaning, access, takes: &[], gives, summary }
}

/// The same of a command.
const fn command(
    header: &'static str,
    verb: Verb,
    takes: &'static [&'static str],
    summary: &'static str,
) -> Entry {
    let (meaning, access) = (Meaning::Own(verb), Access::Observer);
    Entry { header, meaning, access, takes, gives: "", summary }
}

/// A query of one value of the status.
const fn status(
    header: &'static str,
    gives: &'static str,
    summary: &'static str,
    value: fn(&Status) -> String,
) -> Entry {
    let (meaning, access) = (Meaning::Status(value), Access::Observer);
    Entry { header, meaning, access, takes: &[], gives, summary }
}

/// A header of a call whose reply holds a `T`: what it gives, and how the call is read.
const fn call<T: Value + Into<Reply>>(
    header: &'static str,
    row: &'static Row,
    gives: &'static str,
    read: fn(&mut Parameters<'_>) -> Result<Call, WireError>,
) -> Entry {
    let read_reply = |values: &[Argument]| Parameters::of_reply(values).only::<T>().map(Into::into);
    let meaning = Meaning::Call(CallCode { row, read, read_reply, write_reply });
    Entry { header, meaning, access: row.access, takes: row.params, gives, summary: row.summary }
}

/// An older header of a call, which tells less.
const fn older<T: Value + Into<Reply>>(
    header: &'static str,
    row: &'static Row,
    (gives, summary): (&'static str, &'static str),
    read: fn(&mut Parameters<'_>) -> Result<Call, WireError>,
    write_reply: fn(&Reply) -> Vec<u8>,
) -> Entry {
    let read_reply = |values: &[Argument]| Parameters::of_reply(values).only::<T>().map(Into::into);
    let meaning = Meaning::Call(CallCode { row, read, read_reply, write_reply });
    Entry { header, meaning, access: row.access, takes: row.params, gives, summary }
}

impl Entry {
    /// The same for any client, even before the secret was given.
    const fn anyone(self) -> Entry {
        Entry { access: Access::Anyone, ..self }
    }
}

use Register::{Operation, Questionable, Standard};

/// Every command and query.
pub static HEADERS: &[Entry] = &[
    command("*CLS", Verb::ClearStatus, &[], "empties error queue and event registers").anyone(),
    command("*ESE", Verb::SetMask(Standard), &["mask"], "events that reach the status byte"),
    query("*ESE?", Verb::Mask(Standard), "mask", "events that reach the status byte"),
    query("*ESR?", Verb::Event(Standard), "bits", "the event status register, which is cleared"),
    query(
        "*IDN?",
        Verb::Identity,
        "maker,model,serial,version",
        "what this is; must be the last query of a message",
    )
    .anyone(),
    command("*OPC", Verb::Complete, &[], "sets event bit 0 once all before it is done"),
    query("*OPC?", Verb::IsComplete, "1", "answers once all before it is done"),
    Entry {
        access: Access::Controller,
        ..command("*RST", Verb::Reset, &[], "makes the head safe")
    },
    command("*SRE", Verb::SetServiceMask, &["mask"], "bits that make the summary bit 6"),
    query("*SRE?", Verb::ServiceMask, "mask", "bits that make the summary bit 6"),
    query("*STB?", Verb::StatusByte, "bits", "the status byte"),
    query(
        "*TST?",
        Verb::SelfTest,
        "0 or 1",
        "0 where the head answers and its rails are within tolerance; moves nothing",
    ),
    command("*WAI", Verb::Wait, &[], "nothing: each command is done before the next begins"),
    query("SYSTem:ERRor[:NEXT]?", Verb::NextError, "number,words", "the oldest error").anyone(),
    query("SYSTem:ERRor:COUNt?", Verb::ErrorCount, "count", "errors in the queue").anyone(),
    query("SYSTem:VERSion?", Verb::Version, "1999.0", "the edition of SCPI").anyone(),
    query("SYSTem:PROTocol?", Verb::Protocol, "1.2", "the edition of this protocol").anyone(),
    query("SYSTem:HELP:HEADers?", Verb::Headers, "block", "all headers, one a line"),
    command("SYSTem:SECRet", Verb::Secret, &["secret"], "admits clients that know the secret")
        .anyone(),
    command(
        "SYSTem:BEGin",
        Verb::Begin,
        &[],
        "begins anew, as at the start of a serial line: control is given up as by \
         CONTrol:RELease, and errors, registers, masks and the secret are forgotten",
    )
    .anyone(),
    query("STATus:OPERation[:EVENt]?", Verb::Event(Operation), "bits", "what began since"),
    query("STATus:OPERation:CONDition?", Verb::Condition(Operation), "bits", "what is so"),
    command("STATus:OPERation:ENABle", Verb::SetMask(Operation), &["mask"], "what is summed up"),
    query("STATus:OPERation:ENABle?", Verb::Mask(Operation), "mask", "the mask"),
    query("STATus:QUEStionable[:EVENt]?", Verb::Event(Questionable), "bits", "what went bad"),
    query("STATus:QUEStionable:CONDition?", Verb::Condition(Questionable), "bits", "what is bad"),
    command(
        "STATus:QUEStionable:ENABle",
        Verb::SetMask(Questionable),
        &["mask"],
        "what is summed up",
    ),
    query("STATus:QUEStionable:ENABle?", Verb::Mask(Questionable), "mask", "the mask"),
    command("STATus:PRESet", Verb::Preset, &[], "both masks back to 0"),
    command("CONTrol:TAKE", Verb::Take, &[], "takes control; refused while another client has it"),
    command(
        "CONTrol:RELease",
        Verb::Release,
        &["[STOP or KEEP]"],
        "makes the head safe, the polygon down (or kept), and gives control up",
    ),
    query("CONTrol:OWNer?", Verb::Owner, "SELF, OTHer or NONE", "who controls the head"),
    query(
        "CONTrol:LIMit?",
        Verb::Limit,
        "s",
        "silence after which the head is made safe and control is lost",
    ),
    query(
        "FAULt?",
        Verb::Fault,
        "kind[,text...]",
        "what came of the unit before it: \"none\", a fault of the head, or \"error\",number,words",
    )
    .anyone(),
    query("CLOCk:PACE?", Verb::Pace, "VIRTual or REAL", "how the head's time passes"),
    query("CLOCk:TIME?", Verb::Time, "s", "head time"),
    call::<()>("CLOCk:SLEep", &SLEEP, "", |p| Ok(Call::Sleep { seconds: p.seconds()? })),
    call::<Box<Description>>("HEAD:DESCription?", &DESCRIBE, "block", |_| Ok(Call::Describe)),
    call::<Status>(
        "HEAD:STATus?",
        &STATUS,
        "time,speed,target,locked,facet,interlock,laser,rest,angle,parked,temperature[,rail...]",
        |_| Ok(Call::Status),
    ),
    query("HEAD:FACets?", Verb::Facets, "count", "facets of the polygon"),
    query("HEAD:SIMulated?", Verb::Simulated, "0 or 1", "nothing real moves"),
    query("HEAD:SEED?", Verb::Seed, "number", "seed of a simulated head, otherwise NAN"),
    status("HEAD:TEMPerature?", "K", "temperature of the head", |s| number(s.temperature)),
    status("SUPPly:RAIL?", "V[,V...]", "the rails as the description has them", |s| {
        s.rails.iter().map(|volts| number(*volts)).collect::<Vec<_>>().join(",")
    }),
    status("INTerlock:CLOSed?", "0 or 1", "the interlock chain is closed", |s| {
        flag(s.interlock_closed)
    }),
    call::<()>("ROTor:SPEed", &SPIN, "", |p| Ok(Call::Spin { speed: p.take()? })),
    status("ROTor:SPEed?", "rad/s", "measured speed", |s| number(s.speed)),
    status("ROTor:TARGet?", "rad/s", "speed asked for, NAN for none", |s| {
        number(s.target.unwrap_or(f64::NAN))
    }),
    status("ROTor:LOCK?", "0 or 1", "the speed has stayed in its window", |s| flag(s.locked)),
    status("ROTor:REST?", "0 or 1", "measured at rest", |s| flag(s.at_rest)),
    status("ROTor:FACet?", "facet", "what draws the next line, -1 if unknown", |s| {
        s.facet.map_or_else(|| "-1".to_string(), |facet| facet.to_string())
    }),
    call::<()>("ROTor:HALT", &HALT, "", |p| Ok(Call::Halt { how: p.take()? })),
    call::<Vec<Turn>>(
        "ROTor:PULSes?",
        &TURNS,
        "s,pulses,count[,s...],count[,s...][,s,pulses,...]",
        |p| Ok(Call::Turns { count: p.take()? }),
    ),
    older::<Counted>(
        "ROTor:TURNs?",
        &TURNS,
        (
            "s,pulses[,s,pulses...]",
            "watches whole turns: time and number of start-of-scan pulses of each",
        ),
        |p| Ok(Call::Turns { count: p.take()? }),
        write_counted,
    ),
    call::<()>("MIRRor:ANGLe", &STEER, "", |p| Ok(Call::Steer { angle: Some(p.take()?) })),
    status("MIRRor:ANGLe?", "rad", "where it stands", |s| number(s.galvanometer)),
    Entry {
        takes: &[],
        summary: "parks the galvanometer",
        ..call::<()>(PARK, &STEER, "", |_| Ok(Call::Steer { angle: None }))
    },
    status("MIRRor:PARK?", "0 or 1", "it stands at its parked angle", |s| flag(s.parked)),
    call::<()>("TRIM:LOAD", &LOAD_TRIMS, "", |p| Ok(Call::LoadTrims { trims: p.take()? })),
    call::<Vec<Trim>>("TRIM:LOAD?", &TRIMS, "s,rad[,s,rad...]", |_| Ok(Call::Trims)),
    call::<()>("TRIM:STORe", &STORE_TRIMS, "", |p| {
        Ok(Call::StoreTrims { proof: if p.more() { p.take()? } else { None } })
    }),
    call::<Option<Proof>>("TRIM:PROof?", &STORED_PROOF, "block", |_| Ok(Call::StoredProof)),
    call::<()>("LASer:ARM", &ARM, "", |p| Ok(Call::Arm { power: p.take()? })),
    call::<()>("LASer:DISarm", &DISARM, "", |_| Ok(Call::Disarm)),
    status("LASer:ARM?", "0 or 1", "the laser is armed", |s| flag(s.laser == Laser::Armed)),
    call::<Exposed>("LINE:EXPose?", &EXPOSE, "time,facet,words,underrun[,s]", |p| {
        Ok(Call::Expose { line: p.take()? })
    }),
    call::<ExposedPage>("PAGE:EXPose?", &EXPOSE_PAGE, "time,lines,missed,s", |p| {
        let (dot_period, delay, pitch) = (p.take()?, p.take()?, p.take()?);
        let (image, correction) = (CallImage::Here(p.take()?), p.take()?);
        Ok(Call::ExposePage { dot_period, delay, pitch, image, correction })
    }),
    call::<()>("LINE:STEady", &DRAW_STEADILY, "", |p| Ok(Call::DrawSteadily { order: p.take()? })),
    call::<bool>("LINE:STEady?", &DRAWING_STEADILY, "0 or 1", |_| Ok(Call::DrawingSteadily)),
    call::<Reading>(
        "GAUGe:MARKs?",
        &MEASURE,
        "m,m,slope,m,m,m,slope,m,share,place,m,m,share[,place,m,m,share...][,WIDTh,m,m...]",
        |_| Ok(Call::Measure),
    ),
    older::<Whole>(
        "GAUGe:MEASure?",
        &MEASURE,
        (
            "m,m,m,m",
            "measures the last line as a whole: in-scan, cross-scan, and the standard uncertainty of \
             each",
        ),
        |_| Ok(Call::Measure),
        write_whole,
    ),
    call::<bool>("SIGNal:STATe?", &SIGNAL, "0 or 1", |p| Ok(Call::Signal { signal: p.take()? })),
    call::<()>("SIGNal:SWITch", &SWITCH, "", |p| {
        Ok(Call::Switch { signal: p.take()?, on: p.take()? })
    }),
    call::<f64>("CHANnel:VALue?", &CHANNEL, "number", |p| Ok(Call::Channel { channel: p.take()? })),
    call::<()>("CHANnel:VALue", &SET_CHANNEL, "", |p| {
        Ok(Call::SetChannel { channel: p.take()?, value: p.take()? })
    }),
    call::<Option<String>>("REHearse:STRike?", &CHECK_CAN_INJECT, "0 or 1[,text]", |p| {
        Ok(Call::CheckCanInject { fault: p.take()? })
    }),
    call::<()>("REHearse:PROVoke", &INJECT, "", |p| {
        Ok(Call::Inject { fault: p.take()?, after: p.seconds()? })
    }),
    call::<()>("REHearse:MEND", &CLEAR_FAULTS, "", |_| Ok(Call::ClearFaults)),
    call::<SafeState>("SAFE?", &MAKE_SAFE, "dark,parked,speed,rest,kept[,text...]", |p| {
        Ok(Call::MakeSafe { keep_spinning: p.keep()? })
    }),
];

/// The header for a call that steers to the parked angle.
const PARK: &str = "MIRRor:PARK";

/// The parameters of a call, for an `older` server those that it knows; a fault for an image without its dots.
fn parameters(call: &Call, older: bool) -> Result<Values, Fault> {
    let mut to = Values::default();
    match call {
        Call::Spin { speed: value }
        | Call::Steer { angle: Some(value) }
        | Call::Arm { power: value }
        | Call::Sleep { seconds: value } => value.put(&mut to),
        Call::Halt { how } => how.put(&mut to),
        Call::Turns { count } => count.put(&mut to),
        Call::LoadTrims { trims } => trims.put(&mut to),
        Call::StoreTrims { proof: Some(_) } if older => {}
        Call::StoreTrims { proof: proof @ Some(_) } => proof.put(&mut to),
        Call::Expose { line } => line.put(&mut to),
        Call::DrawSteadily { order } => order.put(&mut to),
        Call::ExposePage { dot_period, delay, pitch, image, correction } => {
            [dot_period, delay, pitch].into_iter().for_each(|value| value.put(&mut to));
            image.dots()?.put(&mut to);
            correction.put(&mut to);
        }
        Call::MakeSafe { keep_spinning: true } => to.push("KEEP"),
        Call::Signal { signal: name }
        | Call::Channel { channel: name }
        | Call::CheckCanInject { fault: name } => name.put(&mut to),
        Call::Switch { signal, on } => {
            signal.put(&mut to);
            on.put(&mut to);
        }
        Call::SetChannel { channel: name, value } | Call::Inject { fault: name, after: value } => {
            name.put(&mut to);
            value.put(&mut to);
        }
        _ => {}
    }
    Ok(to)
}

/// The message that asks for a call, without its newline; a fault for an image without its dots.
pub fn write_call(call: &Call) -> Result<Vec<u8>, Fault> {
    write_call_for(call, false)
}

/// The same by the header that an `older` server knows.
pub(super) fn write_call_for(call: &Call, older: bool) -> Result<Vec<u8>, Fault> {
    let (entry, _) = of_call(call, older).ok_or_else(|| call.row().unsupported())?;
    let nodes: Vec<&str> = entry.header.trim_end_matches('?').split(':').map(short).collect();
    let mark = if entry.is_query() { "?" } else { "" };
    let mut message = format!("{}{mark}", nodes.join(":")).into_bytes();
    let Values(parameters) = parameters(call, older)?;
    if !parameters.is_empty() {
        message.push(b' ');
        message.extend(parameters);
    }
    if older && message.ends_with(b",TEST") {
        message.truncate(message.len() - 4);
        message.extend(b"MARK");
    }
    Ok(message)
}

/// The call that a header with its parameters asks for; none where it asks for no call.
pub fn read_call(entry: &Entry, arguments: &[Argument]) -> Result<Option<Call>, WireError> {
    let Meaning::Call(code) = &entry.meaning else { return Ok(None) };
    let mut parameters = Parameters::new(arguments, entry.takes);
    let call = (code.read)(&mut parameters)?;
    parameters.end()?;
    Ok(Some(call))
}

/// What the values of a reply answer to a call.
pub fn read_reply(call: &Call, values: &[Argument]) -> Result<Reply, WireError> {
    read_reply_for(call, values, false)
}

/// The same of an `older` server.
pub(super) fn read_reply_for(
    call: &Call,
    values: &[Argument],
    older: bool,
) -> Result<Reply, WireError> {
    let (_, code) = of_call(call, older).ok_or_else(|| WireError::new(-113, ""))?;
    (code.read_reply)(values)
}

/// The row of a call, and how it is read; none for a call without a header. An `older` server may know
/// an older header only.
pub(super) fn of_call(call: &Call, older: bool) -> Option<(&'static Entry, &'static CallCode)> {
    let parks = matches!(call, Call::Steer { angle: None });
    let mut all = HEADERS.iter().filter_map(|entry| match &entry.meaning {
        Meaning::Call(code)
            if code.row.name == call.row().name && (entry.header == PARK) == parks =>
        {
            Some((entry, code))
        }
        _ => None,
    });
    let newest = all.next();
    if older { all.next_back().or(newest) } else { newest }
}

/// The entry of a header whose parts are given, such as `["SYST", "err"]`.
pub fn find_header(parts: &[&str], query: bool) -> Option<&'static Entry> {
    HEADERS.iter().find(|entry| {
        let bare = entry.header.trim_end_matches('?');
        entry.is_query() == query && matches(bare, parts)
    })
}

/// The entry that a unit names; `path` is what the unit before it stood under.
pub(super) fn find_unit(unit: &Unit, path: &mut Vec<String>) -> Result<&'static Entry, WireError> {
    let undefined = || {
        let mark = if unit.query { "?" } else { "" };
        let shown: String = unit.header.chars().take(60).collect();
        WireError::new(-113, format!("{shown}{mark}"))
    };
    if unit.header.starts_with('*') {
        return find_header(&[&unit.header], unit.query).ok_or_else(undefined);
    }
    let (rooted, header) = match unit.header.strip_prefix(':') {
        Some(rest) => (true, rest),
        None => (false, unit.header.as_str()),
    };
    let mut parts = if rooted { Vec::new() } else { path.clone() };
    parts.extend(header.split(':').map(str::to_string));
    let names: Vec<&str> = parts.iter().map(String::as_str).collect();
    let entry = find_header(&names, unit.query).ok_or_else(undefined)?;
    parts.pop();
    *path = parts;
    Ok(entry)
}

impl Entry {
    pub(super) fn is_query(&self) -> bool {
        self.header.ends_with('?')
    }

    /// Whether it means that verb.
    pub(super) fn is(&self, verb: Verb) -> bool {
        matches!(self.meaning, Meaning::Own(own) if own == verb)
    }
}

#[cfg(test)]
mod tests {
    use super::{HEADERS, find_header};
    use crate::wire::mnemonic::short;

    /// SCPI-1999 volume 1 section 6.2.1: four letters or fewer stay, otherwise the first four, or
    /// three where the fourth is a vowel.
    #[test]
    fn short_forms_follow_the_rule() {
        let nodes = HEADERS.iter().flat_map(|entry| {
            entry.header.trim_end_matches('?').split(':').map(|n| n.trim_matches(['[', ']']))
        });
        let words =
            ["BRAKe", "COASt", "TESTmarks", "MAP", "STOP", "KEEP", "OTHer", "VIRTual", "REAL"];
        for node in nodes.chain(words).filter(|node| !node.starts_with('*')) {
            let long = node.to_ascii_uppercase();
            let vowel = |c: char| "AEIOU".contains(c);
            let length = match long.len() {
                0..=4 => long.len(),
                _ if long.chars().nth(3).is_some_and(vowel) => 3,
                _ => 4,
            };
            assert_eq!(short(node), &long[..length], "{node}");
        }
    }

    #[test]
    fn short_and_long_forms_are_found_and_nothing_between() {
        let header = |parts: &[&str], query| find_header(parts, query).map(|entry| entry.header);
        assert_eq!(header(&["syst", "ERROR"], true), Some("SYSTem:ERRor[:NEXT]?"));
        assert_eq!(header(&["SYSTEM", "err", "next"], true), Some("SYSTem:ERRor[:NEXT]?"));
        assert_eq!(header(&["SYST", "ERR", "COUN"], true), Some("SYSTem:ERRor:COUNt?"));
        assert_eq!(header(&["ROT", "SPE"], false), Some("ROTor:SPEed"));
        assert_eq!(header(&["ROT", "SPE"], true), Some("ROTor:SPEed?"));
        assert_eq!(header(&["ROTO", "SPE"], true), None);
        assert_eq!(header(&["SYST", "ERR"], false), None);
        assert_eq!(header(&["SYST", "ERR", "NEXT", "NEXT"], true), None);
    }

    /// The 13 mandatory common commands (IEEE 488.2 table 10-2) and what SCPI-1999 demands.
    #[test]
    fn what_the_standards_demand_is_there() {
        let demanded = "*CLS *ESE *ESE? *ESR? *IDN? *OPC *OPC? *RST *SRE *SRE? *STB? *TST? *WAI \
            SYST:ERR? SYST:ERR:NEXT? SYST:VERS? STAT:OPER? STAT:OPER:EVEN? STAT:OPER:COND? \
            STAT:OPER:ENAB STAT:OPER:ENAB? STAT:QUES? STAT:QUES:EVEN? STAT:QUES:COND? \
            STAT:QUES:ENAB STAT:QUES:ENAB? STAT:PRES";
        for header in demanded.split_whitespace() {
            let bare = header.trim_end_matches('?');
            let parts: Vec<&str> = bare.split(':').collect();
            assert!(find_header(&parts, bare.len() < header.len()).is_some(), "{header}");
        }
    }

    /// No two rows answer to the same words.
    #[test]
    fn every_row_is_found_by_its_own_words() {
        for entry in HEADERS {
            let bare = entry.header.trim_end_matches('?');
            let long: Vec<&str> = bare.split(':').map(|n| n.trim_matches(['[', ']'])).collect();
            let short: Vec<&str> = long.iter().map(|node| short(node)).collect();
            for parts in [long, short] {
                let found = find_header(&parts, bare.len() < entry.header.len());
                assert_eq!(found.map(|e| e.header), Some(entry.header));
            }
        }
    }
}
