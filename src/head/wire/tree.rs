//! The one table of commands and queries, and how a header is looked up in it. Parser, help and
//! docs/wire.md read it. Pure; uses nothing.
//!
//! A mnemonic's capitals are its short form; nothing between short and long form is taken, and case
//! does not matter (SCPI-1999 volume 1 section 6.2, from memory).

/// Who may say it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Needs {
    /// Anybody, even before the secret was given.
    Nothing,
    /// Whoever was admitted.
    Admission,
    /// The client that controls the head.
    Control,
}

/// What a header means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs, reason = "the table below says what each means")]
pub enum Verb {
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
    Describe,
    Status,
    Facets,
    Simulated,
    Temperature,
    Rails,
    Interlock,
    Spin,
    Speed,
    Target,
    Lock,
    Rest,
    Facet,
    Halt,
    Turns,
    Steer,
    Angle,
    Park,
    Parked,
    LoadTrims,
    Trims,
    StoreTrims,
    Arm,
    Disarm,
    Laser,
    Expose,
    Page,
    Measure,
    Strikes,
    Provoke,
    Mend,
    Signal,
    Switch,
    Channel,
    SetChannel,
    Time,
    Sleep,
    Safe,
}

/// A row of the table.
#[derive(Debug)]
pub struct Entry {
    /// Long form with the short form in capitals; optional parts in brackets; `?` ends a query.
    pub header: &'static str,
    /// What it means.
    pub verb: Verb,
    /// Who may say it.
    pub needs: Needs,
    /// Its parameters.
    pub takes: &'static str,
    /// What a query answers.
    pub gives: &'static str,
    /// What it does.
    pub meaning: &'static str,
}

const fn row(
    header: &'static str,
    verb: Verb,
    needs: Needs,
    takes: &'static str,
    gives: &'static str,
    meaning: &'static str,
) -> Entry {
    Entry { header, verb, needs, takes, gives, meaning }
}

use Needs::{Admission as Look, Control, Nothing};

/// Every command and query.
pub const TABLE: &[Entry] = &[
    row("*CLS", Verb::ClearStatus, Nothing, "", "", "empties error queue and event registers"),
    row("*ESE", Verb::EventEnable, Look, "mask", "", "events that reach the status byte"),
    row("*ESE?", Verb::EventEnableIs, Look, "", "mask", "events that reach the status byte"),
    row("*ESR?", Verb::Events, Look, "", "bits", "the event status register, which is cleared"),
    row(
        "*IDN?",
        Verb::Identity,
        Nothing,
        "",
        "maker,model,serial,version",
        "what this is; must be the last query of a message",
    ),
    row("*OPC", Verb::Complete, Look, "", "", "sets event bit 0 once all before it is done"),
    row("*OPC?", Verb::CompleteIs, Look, "", "1", "answers once all before it is done"),
    row("*RST", Verb::Reset, Control, "", "", "makes the head safe"),
    row("*SRE", Verb::ServiceEnable, Look, "mask", "", "bits that make the summary bit 6"),
    row("*SRE?", Verb::ServiceEnableIs, Look, "", "mask", "bits that make the summary bit 6"),
    row("*STB?", Verb::StatusByte, Look, "", "bits", "the status byte"),
    row(
        "*TST?",
        Verb::SelfTest,
        Look,
        "",
        "0 or 1",
        "0 where the head answers and its rails are within tolerance; moves nothing",
    ),
    row("*WAI", Verb::Wait, Look, "", "", "nothing: each command is done before the next begins"),
    row("SYSTem:ERRor[:NEXT]?", Verb::NextError, Nothing, "", "number,words", "the oldest error"),
    row("SYSTem:ERRor:COUNt?", Verb::ErrorCount, Nothing, "", "count", "errors in the queue"),
    row("SYSTem:VERSion?", Verb::Version, Nothing, "", "1999.0", "the edition of SCPI"),
    row("SYSTem:PROTocol?", Verb::Protocol, Nothing, "", "1.1", "the edition of this protocol"),
    row("SYSTem:HELP:HEADers?", Verb::Headers, Look, "", "block", "all headers, one a line"),
    row("SYSTem:SECRet", Verb::Secret, Nothing, "secret", "", "admits whoever knows the secret"),
    row(
        "SYSTem:BEGin",
        Verb::Begin,
        Nothing,
        "",
        "",
        "begins anew, as whoever comes to a serial line does: control is given up as by \
         CONTrol:RELease, and errors, registers, masks and the secret are forgotten",
    ),
    row("STATus:OPERation[:EVENt]?", Verb::OperationEvent, Look, "", "bits", "what began since"),
    row("STATus:OPERation:CONDition?", Verb::OperationCondition, Look, "", "bits", "what is so"),
    row("STATus:OPERation:ENABle", Verb::OperationEnable, Look, "mask", "", "what is summed up"),
    row("STATus:OPERation:ENABle?", Verb::OperationEnableIs, Look, "", "mask", "the mask"),
    row("STATus:QUEStionable[:EVENt]?", Verb::QuestionableEvent, Look, "", "bits", "what went bad"),
    row(
        "STATus:QUEStionable:CONDition?",
        Verb::QuestionableCondition,
        Look,
        "",
        "bits",
        "what is bad",
    ),
    row(
        "STATus:QUEStionable:ENABle",
        Verb::QuestionableEnable,
        Look,
        "mask",
        "",
        "what is summed up",
    ),
    row("STATus:QUEStionable:ENABle?", Verb::QuestionableEnableIs, Look, "", "mask", "the mask"),
    row("STATus:PRESet", Verb::Preset, Look, "", "", "both masks back to 0"),
    row(
        "CONTrol:TAKE",
        Verb::Take,
        Look,
        "",
        "",
        "takes control; refused while another client has it",
    ),
    row(
        "CONTrol:RELease",
        Verb::Release,
        Look,
        "[STOP or KEEP]",
        "",
        "makes the head safe, the polygon down (or kept), and gives control up",
    ),
    row("CONTrol:OWNer?", Verb::Owner, Look, "", "SELF, OTHer or NONE", "who controls the head"),
    row(
        "CONTrol:LIMit?",
        Verb::Limit,
        Look,
        "",
        "s",
        "silence after which the head is made safe and control is lost",
    ),
    row(
        "FAULt?",
        Verb::Fault,
        Nothing,
        "",
        "kind[,text...]",
        "what came of the unit before it: \"none\", a fault of the head, or \"error\",number,words",
    ),
    row("CLOCk:PACE?", Verb::Pace, Look, "", "VIRTual or REAL", "how the head's time passes"),
    row("CLOCk:TIME?", Verb::Time, Look, "", "s", "head time"),
    row("CLOCk:SLEep", Verb::Sleep, Control, "s", "", "lets time pass"),
    row(
        "HEAD:DESCription?",
        Verb::Describe,
        Look,
        "",
        "block",
        "all about the head, as JSON in SI",
    ),
    row(
        "HEAD:STATus?",
        Verb::Status,
        Look,
        "",
        "time,speed,target,locked,facet,interlock,laser,rest,angle,parked,temperature[,rail...]",
        "how the head stands; no target is NAN, an unknown facet -1",
    ),
    row("HEAD:FACets?", Verb::Facets, Look, "", "count", "facets of the polygon"),
    row("HEAD:SIMulated?", Verb::Simulated, Look, "", "0 or 1", "nothing real moves"),
    row("HEAD:SEED?", Verb::Seed, Look, "", "number", "seed of a simulated head, otherwise NAN"),
    row("HEAD:TEMPerature?", Verb::Temperature, Look, "", "K", "temperature of the head"),
    row("SUPPly:RAIL?", Verb::Rails, Look, "", "V[,V...]", "the rails as the description has them"),
    row("INTerlock:CLOSed?", Verb::Interlock, Look, "", "0 or 1", "the interlock chain is closed"),
    row("ROTor:SPEed", Verb::Spin, Control, "rad/s", "", "runs the polygon and holds it there"),
    row("ROTor:SPEed?", Verb::Speed, Look, "", "rad/s", "measured speed"),
    row("ROTor:TARGet?", Verb::Target, Look, "", "rad/s", "speed asked for, NAN for none"),
    row("ROTor:LOCK?", Verb::Lock, Look, "", "0 or 1", "the speed has stayed in its window"),
    row("ROTor:REST?", Verb::Rest, Look, "", "0 or 1", "measured at rest"),
    row("ROTor:FACet?", Verb::Facet, Look, "", "facet", "what draws the next line, -1 if unknown"),
    row("ROTor:HALT", Verb::Halt, Control, "BRAKe or COASt", "", "brings the polygon down"),
    row(
        "ROTor:TURNs?",
        Verb::Turns,
        Control,
        "count",
        "s,pulses[,s,pulses...]",
        "watches whole turns: time and start-of-scan pulses of each",
    ),
    row("MIRRor:ANGLe", Verb::Steer, Control, "rad", "", "sends the galvanometer (mechanical)"),
    row("MIRRor:ANGLe?", Verb::Angle, Look, "", "rad", "where it stands"),
    row("MIRRor:PARK", Verb::Park, Control, "", "", "parks the galvanometer"),
    row("MIRRor:PARK?", Verb::Parked, Look, "", "0 or 1", "it stands at its parked angle"),
    row(
        "TRIM:LOAD",
        Verb::LoadTrims,
        Control,
        "s,rad[,s,rad...]",
        "",
        "in-scan and cross-scan trim of each facet, from facet 0",
    ),
    row("TRIM:LOAD?", Verb::Trims, Look, "", "s,rad[,s,rad...]", "the trims in force"),
    row("TRIM:STORe", Verb::StoreTrims, Control, "", "", "keeps them over power loss"),
    row("LASer:ARM", Verb::Arm, Control, "share", "", "arms at a share of full power, 0 to 1"),
    row("LASer:DISarm", Verb::Disarm, Nothing, "", "", "disarms; anybody may"),
    row("LASer:ARM?", Verb::Laser, Look, "", "0 or 1", "the laser is armed"),
    row(
        "LINE:EXPose?",
        Verb::Expose,
        Control,
        "facet,dots,s,s,MARKs or block",
        "time,facet,words,underrun",
        "draws a line: dot period, delay, then test marks or dot words of 4 bytes, highest first",
    ),
    row(
        "PAGE:EXPose?",
        Verb::Page,
        Control,
        "s,s,m,block",
        "time,lines,missed,s",
        "draws a page: dot period, delay, pitch, and the image as a Netpbm P4 file",
    ),
    row(
        "GAUGe:MEASure?",
        Verb::Measure,
        Control,
        "",
        "m,m,m,m",
        "measures the last line: in-scan, cross-scan, and the standard uncertainty of each",
    ),
    row("SIGNal:STATe?", Verb::Signal, Look, "string", "0 or 1", "a signal of that name is active"),
    row(
        "SIGNal:SWITch",
        Verb::Switch,
        Control,
        "string,0 or 1",
        "",
        "makes an output of that name active or not",
    ),
    row("CHANnel:VALue?", Verb::Channel, Look, "string", "number", "a channel of that name, in SI"),
    row(
        "CHANnel:VALue",
        Verb::SetChannel,
        Control,
        "string,number",
        "",
        "sets an output channel of that name, in SI",
    ),
    row(
        "REHearse:STRike?",
        Verb::Strikes,
        Look,
        "fault",
        "0 or 1[,text]",
        "whether a fault such as \"lock_lost\" can strike this head; why not. Simulated heads only",
    ),
    row(
        "REHearse:PROVoke",
        Verb::Provoke,
        Control,
        "fault,s",
        "",
        "the fault strikes after so much head time, until it is mended or control ends",
    ),
    row(
        "REHearse:MEND",
        Verb::Mend,
        Control,
        "",
        "",
        "takes all faults away, those to come as well; what they did stays done",
    ),
    row(
        "SAFE?",
        Verb::Safe,
        Nothing,
        "[STOP or KEEP]",
        "dark,parked,speed,rest,kept[,text...]",
        "laser off, mirror parked, polygon down (or kept); then what was measured; anybody may, and \
         ends the control of others",
    ),
];

/// The entry of a header whose parts are given, such as `["SYST", "err"]`.
pub fn find(parts: &[&str], query: bool) -> Option<&'static Entry> {
    TABLE.iter().find(|entry| {
        let bare = entry.header.trim_end_matches('?');
        (bare.len() < entry.header.len()) == query && matches(bare, parts)
    })
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
pub fn is(mnemonic: &str, word: &str) -> bool {
    word.eq_ignore_ascii_case(mnemonic) || word.eq_ignore_ascii_case(short(mnemonic))
}

/// The short form: the capitals before the first small letter.
pub fn short(mnemonic: &str) -> &str {
    let end = mnemonic.find(|c: char| c.is_ascii_lowercase()).unwrap_or(mnemonic.len());
    mnemonic.get(..end).unwrap_or(mnemonic)
}

#[cfg(test)]
mod tests {
    use super::{TABLE, Verb, find, short};

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
        let verb = |parts: &[&str], query| find(parts, query).map(|entry| entry.verb);
        assert_eq!(verb(&["syst", "ERROR"], true), Some(Verb::NextError));
        assert_eq!(verb(&["SYSTEM", "err", "next"], true), Some(Verb::NextError));
        assert_eq!(verb(&["SYST", "ERR", "COUN"], true), Some(Verb::ErrorCount));
        assert_eq!(verb(&["ROT", "SPE"], false), Some(Verb::Spin));
        assert_eq!(verb(&["ROT", "SPE"], true), Some(Verb::Speed));
        assert_eq!(verb(&["ROTO", "SPE"], true), None);
        assert_eq!(verb(&["SYST", "ERR"], false), None);
        assert_eq!(verb(&["SYST", "ERR", "NEXT", "NEXT"], true), None);
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
                assert_eq!(found.map(|e| e.verb), Some(entry.verb), "{}", entry.header);
            }
        }
    }
}
