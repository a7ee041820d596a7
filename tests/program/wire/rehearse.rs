//! Faults provoked over the wire: the rehearsal runs as it does here, no other client can provoke, and
//! what was provoked ends with the control of who did.

use crate::support::Folder;
use crate::wire::bench::{Server, run, without_address};
use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::thread;

#[test]
fn the_rehearsal_runs_over_the_wire() {
    let here = run(&["run", "scripts/rehearse.spt"]);
    let server = Server::new();
    let there = run(&["run", "scripts/rehearse.spt", "--head", &server.address()]);
    assert_eq!(without_address(&there, &server.address()), here.all());
    assert_eq!(there.code, Some(0));
    // A server in between passes it on.
    let behind = Server::new();
    let between = Server::with(&["--head", &behind.address()]);
    let there = run(&["run", "scripts/rehearse.spt", "--head", &between.address()]);
    assert_eq!(without_address(&there, &between.address()), here.all());
}

#[test]
fn what_cannot_strike_is_told_and_only_the_controller_provokes() {
    let server = Server::new();
    let mut line = server.line();
    assert_eq!(line.ask("REH:STR? 'lock_lost'"), "1");
    let why = line.ask("REH:STR? 'stuck_trim(facet=99)'");
    assert!(why.starts_with("0,\"") && why.contains("facet"), "{why}");
    for message in ["REH:PROV 'no_lock',0", "REH:MEND"] {
        line.say(message);
        assert_eq!(line.errors(), ["-203,\"Command protected;say CONTrol:TAKE first\""]);
    }
    line.say("CONT:TAKE");
    let refused = line.ask("REH:PROV 'no_such_fault',0;:FAUL?");
    assert!(refused.starts_with("\"refused\",") && refused.contains("no_such_fault"), "{refused}");
    assert_eq!(line.errors().len(), 1);
    for (wrong, code) in [("REH:PROV 'no_lock',-1", -222), ("REH:PROV 'no_lock'", -109)] {
        line.say(wrong);
        assert!(line.errors()[0].starts_with(&format!("{code},")));
    }
    // It strikes at its time, and is mended.
    line.say("REH:PROV 'interlock_opened',2;:CLOC:SLE 1");
    assert_eq!(line.ask("INT:CLOS?;:CLOC:SLE 1.5;:INT:CLOS?"), "1;0");
    assert_eq!(line.ask("REH:MEND;:INT:CLOS?"), "1");
    // However many are asked for, memory has its bound.
    for _ in 0..1000 {
        line.say("REH:PROV 'gauge_dead',1000");
    }
    assert!(line.errors().is_empty());
    assert!(line.ask("REH:PROV 'gauge_dead',0;:FAUL?").contains("1000 faults"));
    assert_eq!(line.ask("REH:MEND;:REH:PROV 'gauge_dead',0;:FAUL?"), "\"none\"");
    let folder = Folder::new("wire");
    let script = folder.named("script.spt", "provoke(\"stuck_trim(facet=99)\")\n");
    let refused = run(&["run", &script, "--head", &server.address()]);
    assert_eq!(refused.code, Some(2));
    assert!(refused.words().contains("cannot provoke this fault"), "{}", refused.all());
}

#[test]
fn what_was_provoked_ends_with_control() {
    let server = Server::with(&["--dead-man", "1s"]);
    let mut looking = server.line();
    let provoke = "CONT:TAKE;:REH:PROV 'interlock_opened',0;:INT:CLOS?";
    for how in ["release", "hang up", "silence", "safe by others"] {
        let mut line = server.line();
        assert_eq!(line.ask(provoke), "0", "{how}");
        match how {
            "release" => line.say("CONT:REL"),
            "hang up" => drop(line),
            "silence" => {
                line.say("ROT:SPE 4800 RPM");
                looking.until_safe();
            }
            _ => {
                looking.ask("SAFE?");
            }
        }
        let from = std::time::Instant::now();
        while looking.ask("INT:CLOS?") != "1" {
            assert!(from.elapsed() < crate::wire::bench::PATIENCE, "{how}");
        }
    }
}

/// A server of edition 1.0, as far as a client can tell: it does not know the headers that came
/// later.
fn older(place: String) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let here = listener.local_addr().unwrap().to_string();
    thread::spawn(move || {
        for client in listener.incoming() {
            let (client, server) = (client.unwrap(), TcpStream::connect(&place).unwrap());
            client.set_nodelay(true).unwrap();
            let (mut up, mut down) = (server.try_clone().unwrap(), client.try_clone().unwrap());
            thread::spawn(move || {
                for line in BufReader::new(client).split(b'\n') {
                    let Ok(mut line) = line else { break };
                    if line.starts_with(b"REH") {
                        line[..3].copy_from_slice(b"XYZ");
                    }
                    line.push(b'\n');
                    if up.write_all(&line).is_err() {
                        break;
                    }
                }
                let _ = up.shutdown(std::net::Shutdown::Both);
            });
            thread::spawn(move || {
                for line in BufReader::new(server).split(b'\n') {
                    let Ok(mut line) = line else { break };
                    if line == b"1.1" {
                        line = b"1.0".to_vec();
                    }
                    line.push(b'\n');
                    if down.write_all(&line).is_err() {
                        break;
                    }
                }
                let _ = down.shutdown(std::net::Shutdown::Both);
            });
        }
    });
    here
}

#[test]
fn an_older_server_is_told_of_and_otherwise_good() {
    let server = Server::new();
    let address = format!("tcp://{}", older(server.place.clone()));
    let good = run(&["run", "scripts/bring_up.spt", "--head", &address]);
    let here = run(&["run", "scripts/bring_up.spt"]);
    assert_eq!(without_address(&good, &address), here.all());
    let refused = run(&["run", "scripts/rehearse.spt", "--head", &address]);
    assert_eq!(refused.code, Some(2));
    let told = refused.words();
    assert!(told.contains("the server of the head does not know how to do this"), "{told}");
}
