//! The one table of commands and queries, and how a header is looked up in it. Parser, help and
//! docs/wire.md read it. Pure; headers of calls refer to the table of calls and to the codec.
//!
//! A mnemonic's capitals are its short form; nothing between short and long form is taken, and case
//! does not matter (SCPI-1999 volume 1 section 6.2, from memory).

use crate::call::table::{
    ARM, CHANNEL, CHECK_CAN_INJECT, CLEAR_FAULTS, DESCRIBE, DISARM, EXPOSE, EXPOSE_PAGE, HALT,
    INJECT, LOAD_TRIMS, MAKE_SAFE, MEASURE, SET_CHANNEL, SIGNAL, SLEEP, SPIN, STATUS, STEER,
    STORE_TRIMS, SWITCH, TRIMS, TURNS,
};
use crate::call::{Access, Call, Reply, Row};
use crate::wire::codec::Parameters;
use crate::wire::errors::WireError;
use crate::wire::reply::{flag, number};
use crate::wire::suffix::Kind;
use crate::{Laser, Status};

/// What a header means that is no call.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "the table below says what each means")]
pub(crate) enum Verb {
    ClearStatus,
    EventEnable,
    EventEnableIs,
    Events,
    Identity,
    Complete,
    CompleteIs,
    Reset,
    ServiceEnable,
    ServiceEnableIs,
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
    OperationEvent,
    OperationCondition,
    OperationEnable,
    OperationEnableIs,
    QuestionableEvent,
    QuestionableCondition,
    QuestionableEnable,
    QuestionableEnableIs,
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

/// How a call is read and written.
#[derive(Debug)]
pub(super) struct CallCode {
    /// Its row in the table of calls.
    pub(super) row: &'static Row,
    /// Reads the call from its parameters.
    pub(super) read: fn(&mut Parameters<'_>) -> Result<Call, WireError>,
    /// Reads the reply from its values.
    pub(super) answer: fn(&mut Parameters<'_>) -> Result<Reply, WireError>,
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

const fn row(
    header: &'static str,
    verb: Verb,
    access: Access,
    takes: &'static [&'static str],
    gives: &'static str,
    summary: &'static str,
) -> Entry {
    Entry { header, meaning: Meaning::Own(verb), access, takes, gives, summary }
}

const fn status(
    header: &'static str,
    gives: &'static str,
    summary: &'static str,
    value: fn(&Status) -> String,
) -> Entry {
    let meaning = Meaning::Status(value);
    Entry { header, meaning, access: Access::Observer, takes: &[], gives, summary }
}

/// A header of a call: what it gives, and how call and reply are read.
const fn call(
    header: &'static str,
    row: &'static Row,
    gives: &'static str,
    read: fn(&mut Parameters<'_>) -> Result<Call, WireError>,
    answer: fn(&mut Parameters<'_>) -> Result<Reply, WireError>,
) -> Entry {
    let meaning = Meaning::Call(CallCode { row, read, answer });
    Entry { header, meaning, access: row.access, takes: row.params, gives, summary: row.summary }
}

use Access::{Anyone, Controller, Observer};

/// Every command and query.
pub static TABLE: &[Entry] = &[
    row("*CLS", Verb::ClearStatus, Anyone, &[], "", "empties error queue and event registers"),
    row("*ESE", Verb::EventEnable, Observer, &["mask"], "", "events that reach the status byte"),
    row("*ESE?", Verb::EventEnableIs, Observer, &[], "mask", "events that reach the status byte"),
    row(
        "*ESR?",
        Verb::Events,
        Observer,
        &[],
        "bits",
        "the event status register, which is cleared",
    ),
    row(
        "*IDN?",
        Verb::Identity,
        Anyone,
        &[],
        "maker,model,serial,version",
        "what this is; must be the last query of a message",
    ),
    row("*OPC", Verb::Complete, Observer, &[], "", "sets event bit 0 once all before it is done"),
    row("*OPC?", Verb::CompleteIs, Observer, &[], "1", "answers once all before it is done"),
    row("*RST", Verb::Reset, Controller, &[], "", "makes the head safe"),
    row("*SRE", Verb::ServiceEnable, Observer, &["mask"], "", "bits that make the summary bit 6"),
    row("*SRE?", Verb::ServiceEnableIs, Observer, &[], "mask", "bits that make the summary bit 6"),
    row("*STB?", Verb::StatusByte, Observer, &[], "bits", "the status byte"),
    row(
        "*TST?",
        Verb::SelfTest,
        Observer,
        &[],
        "0 or 1",
        "0 where the head answers and its rails are within tolerance; moves nothing",
    ),
    row(
        "*WAI",
        Verb::Wait,
        Observer,
        &[],
        "",
        "nothing: each command is done before the next begins",
    ),
    row("SYSTem:ERRor[:NEXT]?", Verb::NextError, Anyone, &[], "number,words", "the oldest error"),
    row("SYSTem:ERRor:COUNt?", Verb::ErrorCount, Anyone, &[], "count", "errors in the queue"),
    row("SYSTem:VERSion?", Verb::Version, Anyone, &[], "1999.0", "the edition of SCPI"),
    row("SYSTem:PROTocol?", Verb::Protocol, Anyone, &[], "1.1", "the edition of this protocol"),
    row("SYSTem:HELP:HEADers?", Verb::Headers, Observer, &[], "block", "all headers, one a line"),
    row(
        "SYSTem:SECRet",
        Verb::Secret,
        Anyone,
        &["secret"],
        "",
        "admits clients that know the secret",
    ),
    row(
        "SYSTem:BEGin",
        Verb::Begin,
        Anyone,
        &[],
        "",
        "begins anew, as at the start of a serial line: control is given up as by \
         CONTrol:RELease, and errors, registers, masks and the secret are forgotten",
    ),
    row(
        "STATus:OPERation[:EVENt]?",
        Verb::OperationEvent,
        Observer,
        &[],
        "bits",
        "what began since",
    ),
    row(
        "STATus:OPERation:CONDition?",
        Verb::OperationCondition,
        Observer,
        &[],
        "bits",
        "what is so",
    ),
    row(
        "STATus:OPERation:ENABle",
        Verb::OperationEnable,
        Observer,
        &["mask"],
        "",
        "what is summed up",
    ),
    row("STATus:OPERation:ENABle?", Verb::OperationEnableIs, Observer, &[], "mask", "the mask"),
    row(
        "STATus:QUEStionable[:EVENt]?",
        Verb::QuestionableEvent,
        Observer,
        &[],
        "bits",
        "what went bad",
    ),
    row(
        "STATus:QUEStionable:CONDition?",
        Verb::QuestionableCondition,
        Observer,
        &[],
        "bits",
        "what is bad",
    ),
    row(
        "STATus:QUEStionable:ENABle",
        Verb::QuestionableEnable,
        Observer,
        &["mask"],
        "",
        "what is summed up",
    ),
    row(
        "STATus:QUEStionable:ENABle?",
        Verb::QuestionableEnableIs,
        Observer,
        &[],
        "mask",
        "the mask",
    ),
    row("STATus:PRESet", Verb::Preset, Observer, &[], "", "both masks back to 0"),
    row(
        "CONTrol:TAKE",
        Verb::Take,
        Observer,
        &[],
        "",
        "takes control; refused while another client has it",
    ),
    row(
        "CONTrol:RELease",
        Verb::Release,
        Observer,
        &["[STOP or KEEP]"],
        "",
        "makes the head safe, the polygon down (or kept), and gives control up",
    ),
    row(
        "CONTrol:OWNer?",
        Verb::Owner,
        Observer,
        &[],
        "SELF, OTHer or NONE",
        "who controls the head",
    ),
    row(
        "CONTrol:LIMit?",
        Verb::Limit,
        Observer,
        &[],
        "s",
        "silence after which the head is made safe and control is lost",
    ),
    row(
        "FAULt?",
        Verb::Fault,
        Anyone,
        &[],
        "kind[,text...]",
        "what came of the unit before it: \"none\", a fault of the head, or \"error\",number,words",
    ),
    row("CLOCk:PACE?", Verb::Pace, Observer, &[], "VIRTual or REAL", "how the head's time passes"),
    row("CLOCk:TIME?", Verb::Time, Observer, &[], "s", "head time"),
    call("CLOCk:SLEep", &SLEEP, "", |given| Ok(Call::Sleep { seconds: given.seconds()? }), done),
    call(
        "HEAD:DESCription?",
        &DESCRIBE,
        "block",
        |_| Ok(Call::Describe),
        |values| values.description(),
    ),
    call(
        "HEAD:STATus?",
        &STATUS,
        "time,speed,target,locked,facet,interlock,laser,rest,angle,parked,temperature[,rail...]",
        |_| Ok(Call::Status),
        |values| values.status().map(Reply::Status),
    ),
    row("HEAD:FACets?", Verb::Facets, Observer, &[], "count", "facets of the polygon"),
    row("HEAD:SIMulated?", Verb::Simulated, Observer, &[], "0 or 1", "nothing real moves"),
    row(
        "HEAD:SEED?",
        Verb::Seed,
        Observer,
        &[],
        "number",
        "seed of a simulated head, otherwise NAN",
    ),
    status("HEAD:TEMPerature?", "K", "temperature of the head", |s| number(s.temperature)),
    status("SUPPly:RAIL?", "V[,V...]", "the rails as the description has them", |s| {
        s.rails.iter().map(|volts| number(*volts)).collect::<Vec<_>>().join(",")
    }),
    status("INTerlock:CLOSed?", "0 or 1", "the interlock chain is closed", |s| {
        flag(s.interlock_closed)
    }),
    call(
        "ROTor:SPEed",
        &SPIN,
        "",
        |given| Ok(Call::Spin { speed: given.number(Kind::Speed)? }),
        done,
    ),
    status("ROTor:SPEed?", "rad/s", "measured speed", |s| number(s.speed)),
    status("ROTor:TARGet?", "rad/s", "speed asked for, NAN for none", |s| {
        number(s.target.unwrap_or(f64::NAN))
    }),
    status("ROTor:LOCK?", "0 or 1", "the speed has stayed in its window", |s| flag(s.locked)),
    status("ROTor:REST?", "0 or 1", "measured at rest", |s| flag(s.at_rest)),
    status("ROTor:FACet?", "facet", "what draws the next line, -1 if unknown", |s| {
        s.facet.map_or_else(|| "-1".to_string(), |facet| facet.to_string())
    }),
    call("ROTor:HALT", &HALT, "", |given| Ok(Call::Halt { how: given.halt()? }), done),
    call(
        "ROTor:TURNs?",
        &TURNS,
        "s,pulses[,s,pulses...]",
        |given| Ok(Call::Turns { count: given.whole()? }),
        |values| values.turns().map(Reply::Turns),
    ),
    call(
        "MIRRor:ANGLe",
        &STEER,
        "",
        |given| Ok(Call::Steer { angle: Some(given.number(Kind::Angle)?) }),
        done,
    ),
    status("MIRRor:ANGLe?", "rad", "where it stands", |s| number(s.galvanometer)),
    Entry {
        takes: &[],
        summary: "parks the galvanometer",
        ..call(PARK, &STEER, "", |_| Ok(Call::Steer { angle: None }), done)
    },
    status("MIRRor:PARK?", "0 or 1", "it stands at its parked angle", |s| flag(s.parked)),
    call("TRIM:LOAD", &LOAD_TRIMS, "", |given| Ok(Call::LoadTrims { trims: given.trims()? }), done),
    call(
        "TRIM:LOAD?",
        &TRIMS,
        "s,rad[,s,rad...]",
        |_| Ok(Call::Trims),
        |values| values.trims_read().map(Reply::Trims),
    ),
    call("TRIM:STORe", &STORE_TRIMS, "", |_| Ok(Call::StoreTrims), done),
    call("LASer:ARM", &ARM, "", |given| Ok(Call::Arm { power: given.number(Kind::Share)? }), done),
    call("LASer:DISarm", &DISARM, "", |_| Ok(Call::Disarm), done),
    status("LASer:ARM?", "0 or 1", "the laser is armed", |s| flag(s.laser == Laser::Armed)),
    call(
        "LINE:EXPose?",
        &EXPOSE,
        "time,facet,words,underrun",
        |given| Ok(Call::Expose { line: given.line()? }),
        |values| values.exposed().map(Reply::Exposed),
    ),
    call(
        "PAGE:EXPose?",
        &EXPOSE_PAGE,
        "time,lines,missed,s",
        |given| given.page(),
        |values| values.exposed_page().map(Reply::ExposedPage),
    ),
    call(
        "GAUGe:MEASure?",
        &MEASURE,
        "m,m,m,m",
        |_| Ok(Call::Measure),
        |values| values.reading().map(Reply::Reading),
    ),
    call(
        "SIGNal:STATe?",
        &SIGNAL,
        "0 or 1",
        |given| Ok(Call::Signal { signal: given.text()? }),
        |values| values.flag().map(Reply::Flag),
    ),
    call(
        "SIGNal:SWITch",
        &SWITCH,
        "",
        |given| Ok(Call::Switch { signal: given.text()?, on: given.flag()? }),
        done,
    ),
    call(
        "CHANnel:VALue?",
        &CHANNEL,
        "number",
        |given| Ok(Call::Channel { channel: given.text()? }),
        |values| values.value().map(Reply::Value),
    ),
    call(
        "CHANnel:VALue",
        &SET_CHANNEL,
        "",
        |given| Ok(Call::SetChannel { channel: given.text()?, value: given.number(Kind::Plain)? }),
        done,
    ),
    call(
        "REHearse:STRike?",
        &CHECK_CAN_INJECT,
        "0 or 1[,text]",
        |given| Ok(Call::CheckCanInject { fault: given.text()? }),
        |values| values.refusal().map(Reply::Refusal),
    ),
    call(
        "REHearse:PROVoke",
        &INJECT,
        "",
        |given| Ok(Call::Inject { fault: given.text()?, after: given.seconds()? }),
        done,
    ),
    call("REHearse:MEND", &CLEAR_FAULTS, "", |_| Ok(Call::ClearFaults), done),
    call(
        "SAFE?",
        &MAKE_SAFE,
        "dark,parked,speed,rest,kept[,text...]",
        |given| Ok(Call::MakeSafe { keep_spinning: given.keep()? }),
        |values| values.safe().map(Reply::Safe),
    ),
];

/// The header for a call that steers to the parked angle.
const PARK: &str = "MIRRor:PARK";

fn done(_: &mut Parameters<'_>) -> Result<Reply, WireError> {
    Ok(Reply::Done)
}

/// The row of a call, and how it is read; none for a call without a header.
pub(super) fn of_call(call: &Call) -> Option<(&'static Entry, &'static CallCode)> {
    let parks = matches!(call, Call::Steer { angle: None });
    TABLE.iter().find_map(|entry| match &entry.meaning {
        Meaning::Call(code)
            if code.row.name == call.row().name && (entry.header == PARK) == parks =>
        {
            Some((entry, code))
        }
        _ => None,
    })
}

/// The entry of a header whose parts are given, such as `["SYST", "err"]`.
pub fn find(parts: &[&str], query: bool) -> Option<&'static Entry> {
    TABLE.iter().find(|entry| {
        let bare = entry.header.trim_end_matches('?');
        entry.is_query() == query && matches(bare, parts)
    })
}

impl Entry {
    pub(super) fn is_query(&self) -> bool {
        self.header.ends_with('?')
    }

    /// The header in its short form, as a message begins.
    pub(super) fn short_header(&self) -> String {
        let nodes: Vec<&str> = self.header.trim_end_matches('?').split(':').map(short).collect();
        nodes.join(":") + if self.is_query() { "?" } else { "" }
    }
}

fn matches(pattern: &str, parts: &[&str]) -> bool {
    let mut given = parts.iter().peekable();
    for node in pattern.split(':') {
        let optional = node.ends_with(']');
        let name = node.trim_matches(['[', ']']);
        match given.peek() {
            Some(part) if is(name, part) => {
                given.next();
            }
            _ if optional => {}
            _ => return false,
        }
    }
    given.next().is_none()
}

/// Whether a word is the long or the short form of a mnemonic.
pub(crate) fn is(mnemonic: &str, word: &str) -> bool {
    word.eq_ignore_ascii_case(mnemonic) || word.eq_ignore_ascii_case(short(mnemonic))
}

/// The short form: the capitals before the first small letter.
pub(crate) fn short(mnemonic: &str) -> &str {
    let end = mnemonic.find(|c: char| c.is_ascii_lowercase()).unwrap_or(mnemonic.len());
    mnemonic.get(..end).unwrap_or(mnemonic)
}

#[cfg(test)]
mod tests {
    use super::{TABLE, find, short};

    /// SCPI-1999 volume 1 section 6.2.1: four letters or fewer stay, otherwise the first four, or
    /// three where the fourth is a vowel.
    #[test]
    fn short_forms_follow_the_rule() {
        let nodes = TABLE.iter().flat_map(|entry| {
            entry.header.trim_end_matches('?').split(':').map(|n| n.trim_matches(['[', ']']))
        });
        let words = ["BRAKe", "COASt", "MARKs", "STOP", "KEEP", "OTHer", "VIRTual", "REAL"];
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
        let header = |parts: &[&str], query| find(parts, query).map(|entry| entry.header);
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
            assert!(find(&parts, bare.len() < header.len()).is_some(), "{header}");
        }
    }

    /// No two rows answer to the same words.
    #[test]
    fn every_row_is_found_by_its_own_words() {
        for entry in TABLE {
            let bare = entry.header.trim_end_matches('?');
            let long: Vec<&str> = bare.split(':').map(|n| n.trim_matches(['[', ']'])).collect();
            let short: Vec<&str> = long.iter().map(|node| short(node)).collect();
            for parts in [long, short] {
                let found = find(&parts, bare.len() < entry.header.len());
                assert_eq!(found.map(|e| e.header), Some(entry.header));
            }
        }
    }
}
