//! What is said and answered: a whole session beside its snapshot, status bits, errors, control, and
//! secrets.

use crate::support::{Folder, root};
use crate::wire::bench::{Line, Server, run, without_address};
use std::fmt::Write;

/// What a client says; replies are compared with the snapshot. Lines without a reply stand alone.
const TYPED: &str = r#"
*IDN?
SYST:VERS?;PROT?
SYSTEM:ERROR:NEXT?
rotor:speed 4800 rpm
SYST:ERR?;ERR?
FAUL?
CONT:OWN?
CONT:TAKE;OWN?;LIM?
CLOC:PACE?;TIME?
ROT:SPE 4800 RPM;:FAUL?
CLOC:SLE 12
ROT:LOCK?;SPE?;TARG?;FAC?
STAT:OPER:COND?;EVEN?;EVEN?
STAT:OPER:ENAB #H600;ENAB?
*STB?
ROT:TURN? 2
LAS:ARM 150 PCT;:FAUL?
*ESR?;*ESR?
LAS:ARM 35 PCT;:FAUL?;:LAS:ARM?
ROT:HALT BRAK;:FAUL?
LINE:EXP? 3,3600,208.333333 NS,60 US,TEST
GAUG:MEAS?
LINE:EXP? 0,64,208.333333E-9,6E-5,#18????!!!!
LAS:DIS;:LINE:EXP? 3,3600,208.333333 NS,60 US,TESTmarks;:FAUL?
TRIM:LOAD 1NS,0,2NS,0,3NS,0,4NS,0,5NS,0,6NS,0,7NS,0,8NS,0,9NS,0,10NS,-5 URAD
TRIM:LOAD?
TRIM:STOR
MIRR:ANGL 1 MRAD
CLOC:SLE 0.1
MIRR:ANGL?;PARK?
MIRR:PARK
HEAD:STAT?
SUPP:RAIL?;:INT:CLOS?;:HEAD:TEMP?;FAC?;SIM?;SEED?
ROT:SPE 1;:FAUL?
ROT:SPE FAST;:LAS:ARM 1;:FAUL?
FOO:BAR 1
ROT:SPE
ROT:SPE 1,2
ROT:SPE 1 V
ROT:SPEE 1
*IDN?;*STB?
#
SYST:ERR:COUN?
*TST?;*OPC?;*WAI;*OPC
*ESE 32;*ESE?;*SRE 255;*SRE?;*STB?
*CLS;*STB?;:SYST:ERR?
SAFE?
CONT:REL;OWN?
"#;

#[test]
fn a_session_reads_like_its_snapshot() {
    let server = Server::new();
    let mut line = server.line();
    let mut transcript = String::new();
    for typed in TYPED.trim().lines() {
        writeln!(transcript, "> {typed}").unwrap();
        if typed.contains('?') {
            writeln!(transcript, "< {}", line.ask(typed)).unwrap();
            continue;
        }
        line.say(typed);
        // A client that asks for errors after each line.
        for error in if typed.starts_with("CONT") { Vec::new() } else { line.errors() } {
            writeln!(transcript, "! {error}").unwrap();
        }
    }
    insta::assert_snapshot!(transcript);
}

#[test]
fn the_description_and_the_headers_are_blocks() {
    let server = Server::new();
    let mut line = server.line();
    let reply = line.ask("HEAD:DESC?");
    let digits = usize::from(reply.as_bytes()[1] - b'0');
    let length: usize = reply[2..2 + digits].parse().unwrap();
    let body = &reply[2 + digits..];
    assert_eq!(body.len(), length);
    let described: serde_json::Value = serde_json::from_str(body).unwrap();
    assert_eq!(described["facets"], 10);
    line.say("SYST:HELP:HEAD?");
    let page = std::fs::read_to_string(root().join("docs/wire.md")).unwrap();
    let (_, rows) = page.split_once("| header | takes | answers | meaning |\n").unwrap();
    let rows = rows.lines().skip(1).map_while(|row| row.strip_prefix("| `"));
    for (number, row) in rows.enumerate() {
        // The first line stands behind the length of the block.
        let told = line.hear()[if number == 0 { 6 } else { 0 }..].to_string();
        let header = row.split('`').next().unwrap();
        assert!(told.starts_with(&format!("{header}\t")), "{told}");
    }
    assert_eq!(line.hear(), "", "the newline behind the block");
}

#[test]
fn a_second_controller_is_refused_and_may_look() {
    let server = Server::new();
    let mut first = server.controller();
    let mut second = server.line();
    second.say("CONT:TAKE");
    assert!(second.ask("FAUL?").contains("another client controls the head"));
    assert_eq!(second.ask("CONT:OWN?"), "OTH");
    second.say("ROT:SPE 4800 RPM");
    assert_eq!(second.errors().len(), 2);
    assert_eq!(second.ask("ROT:TARG?"), "9.91E+37");
    first.say("ROT:SPE 4800 RPM");
    assert_eq!(first.ask("*OPC?"), "1");
    assert!(second.ask("ROT:TARG?").starts_with("5.02654"));
    // Any client may make the head safe, and the other is told.
    assert!(second.ask("SAFE?").starts_with("1,1,"));
    let told = first.ask("SYST:ERR?");
    assert_eq!(told, "-221,\"Settings conflict;another client made the head safe\"");
    assert_eq!(
        first.ask("ROT:SPE 4800 RPM;:FAUL?;:CONT:OWN?").split(';').next_back(),
        Some("NONE")
    );
    first.say("CONT:TAKE");
    assert_eq!(first.ask("CONT:OWN?"), "SELF");
}

#[test]
fn behind_an_error_nothing_of_the_message_moves() {
    let server = Server::new();
    let mut line = server.controller();
    line.say("ROT:SPE 4800 FURLONG;:ROT:SPE 4800 RPM");
    assert!(line.is_safe());
    assert_eq!(line.errors().len(), 2);
    line.say("ROT:SPE 4800 RPM;:MIRR:PARK 'oops");
    assert!(line.is_safe(), "a message that cannot be read does nothing");
    assert_eq!(line.errors(), ["-151,\"Invalid string data;a string has no closing quote\""]);
}

#[test]
fn secrets_admit_and_are_never_shown() {
    let folder = Folder::new("wire");
    let file = folder.named("bench.secret", "opensesame7\n");
    let server = Server::with(&["--secret-file", &file]);
    let mut line = server.line();
    assert!(line.ask("*IDN?").starts_with("spintrue,"));
    line.say("CONT:TAKE;:HEAD:STAT?");
    let protected = "-203,\"Command protected;say SYSTem:SECRet first\"";
    assert_eq!(line.errors(), [protected, protected]);
    // To make it safe is open to everybody.
    assert!(line.ask("SAFE?;:FAUL?").ends_with(",1,0;\"none\""));
    assert_eq!(line.ask("LAS:DIS;:FAUL?"), "\"none\"");
    line.say("SYST:SECR \"opensesame\"");
    assert_eq!(line.errors(), ["-203,\"Command protected;that is not the secret\""]);
    line.say("SYST:SECR \"opensesame7\"");
    assert_eq!(line.ask("CONT:TAKE;:CONT:OWN?"), "SELF");
    drop(line);
    let mut guesser = server.line();
    for _ in 0..3 {
        guesser.say("SYST:SECR 'guess'");
    }
    let mut rest = Vec::new();
    std::io::Read::read_to_end(&mut guesser.stream, &mut rest).unwrap();
    assert!(rest.is_empty(), "it is sent away");
    let without = run(&["head", "describe", &server.address()]);
    assert_eq!(without.code, Some(2));
    assert!(without.all().contains("wants a secret"), "{}", without.all());
    let address = format!("{}?secret-file={file}", server.address());
    let with = run(&["run", "scripts/bring_up.spt", "--head", &address]);
    assert_eq!(with.code, Some(0), "{}", with.all());
    let before = server.said.clone();
    let all = format!("{}{}{before}{}", with.all(), without.all(), server.end("INT").1);
    assert!(!all.contains("opensesame"), "{all}");
}

/// Also of a client that controls it, who is told.
#[test]
fn a_client_without_the_secret_may_make_the_head_safe() {
    let folder = Folder::new("wire");
    let file = folder.named("file", "opensesame7\n");
    let server = Server::with(&["--secret-file", &file]);
    let (mut first, mut stranger) = (server.line(), server.line());
    first.say("SYST:SECR 'opensesame7';:CONT:TAKE;:ROT:SPE 500;:CLOC:SLE 12;:LAS:ARM 0.1");
    assert_eq!(first.ask("LAS:ARM?"), "1");
    stranger.say("LAS:DIS");
    assert_eq!(stranger.ask("SYST:ERR?"), "0,\"No error\"");
    assert_eq!(first.ask("LAS:ARM?;:CONT:OWN?"), "0;SELF");
    assert!(stranger.ask("SAFE?").starts_with("1,1,"));
    assert!(first.ask("SYST:ERR?").contains("another client made the head safe"));
    assert_eq!(first.ask("ROT:TARG?;:CONT:OWN?"), "9.91E+37;NONE");
}

#[test]
fn secrets_that_are_guessed_at_once_are_refused() {
    let folder = Folder::new("wire");
    for secret in ["", "\n", "x", "1234567\n", "  12345  \r\n", "\nopensesame7\n", "äöüäöüß"]
    {
        let name = &folder.named("secret", secret);
        for options in [
            vec!["serve", "--listen", "127.0.0.1:0", "--secret-file", name],
            vec!["head", "describe", &format!("tcp://127.0.0.1:1?secret-file={name}")],
        ] {
            let refused = run(&options);
            assert_eq!(refused.code, Some(2), "{secret:?}");
            let told = refused.words();
            assert!(told.contains("a secret has at least 8 characters, since a shorter"), "{told}");
        }
    }
}

#[test]
fn other_machines_need_an_explicit_word() {
    for (options, wanted) in [
        (vec!["--listen", "0.0.0.0:0"], "say so by --open"),
        (vec!["--listen", "0.0.0.0:0", "--open"], "give --secret-file FILE"),
        (vec!["--listen", "0.0.0.0:0", "--open", "--no-secret", " "], "give --secret-file FILE"),
        (vec!["--listen", "127.0.0.1:0", "--no-secret", " "], "is blank: say why"),
        (vec!["--listen", "nonsense"], "write HOST:PORT"),
        (vec!["--dead-man", "1h"], "0.2 s to 60 s"),
    ] {
        let refused = run(&[vec!["serve"], options].concat());
        assert_eq!(refused.code, Some(2));
        assert!(refused.all().replace('\n', " ").contains(wanted), "{}", refused.all());
    }
}

#[test]
fn a_head_over_the_wire_is_the_head() {
    let server = Server::new();
    for script in ["scripts/bring_up.spt", "scripts/spin_only.spt", "scripts/measure_only.spt"] {
        let server = if script.contains("bring") { &server } else { &Server::new() };
        let there = run(&["run", script, "--head", &server.address()]);
        let here = run(&["run", script]);
        assert_eq!(without_address(&there, &server.address()), here.all());
        assert_eq!(there.code, here.code);
    }
    // The server goes on; its head keeps its time, and the next client finds it safe.
    assert!(Line::new(&server.place).is_safe());
}

#[test]
fn a_page_goes_over_the_wire() {
    let server = Server::new();
    let there = run(&["run", "scripts/expose_page.spt", "--head", &server.address()]);
    let here = run(&["run", "scripts/expose_page.spt"]);
    assert_eq!(without_address(&there, &server.address()), here.all());
}

#[test]
fn a_polygon_that_is_to_go_on_goes_on() {
    let server = Server::new();
    let folder = Folder::new("wire");
    let script = folder
        .named("script.spt", "spin(4800 rpm)\nwait until locked() within 20 s\nkeep_spinning()\n");
    let kept = run(&["run", &script, "--head", &server.address()]);
    assert_eq!(kept.code, Some(0), "{}", kept.all());
    let mut line = server.line();
    assert_eq!(line.ask("CONT:OWN?;:ROT:LOCK?"), "NONE;1");
}
