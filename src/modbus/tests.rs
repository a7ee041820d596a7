//! A device on a socket of its own that answers, and one that misbehaves in every way: each fault in
//! clear words, each call within its time, and never a wrong value.

#![allow(clippy::disallowed_types, clippy::disallowed_methods, reason = "the device is a socket")]

use crate::modbus::{Device, MARGIN, Modbus};
use spintrue_head::{Fault, Fixture};
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::mpsc::{Receiver, channel};
use std::thread;
use std::time::{Duration, Instant};

const SILENCE: f64 = 0.3;

fn fixture(address: SocketAddr) -> Modbus {
    let text = format!(
        "[modbus]\naddress = \"{address}\"\nunit = 1\nsilence_most = \"{SILENCE} s\"\n\
         [[signal]]\nname = \"door\"\ndirection = \"input\"\nactive = \"low\"\ndiscrete_input = 3\n\
         [[signal]]\nname = \"clamp\"\ndirection = \"output\"\nat_safe = \"off\"\ncoil = 7\n\
         [[channel]]\nname = \"vacuum\"\ndirection = \"input\"\nunit = \"kPa\"\n\
         least = \"-101 kPa\"\nmost = \"0 kPa\"\ninput_register = 10\nas = \"i16\"\nstep = \"0.01 kPa\"\n\
         [[channel]]\nname = \"flow\"\ndirection = \"output\"\nunit = \"mm/s\"\nleast = \"0 mm/s\"\n\
         most = \"5 mm/s\"\nat_safe = \"keep\"\nholding_register = 20\nas = \"f32\"\n"
    );
    Modbus::new(Device::read(&text).unwrap())
}

/// What a device does with a request: the bytes that it sends, in parts with pauses before them, and
/// whether it hangs up then.
type Answers = fn(usize, &[u8]) -> (Vec<(u64, Vec<u8>)>, bool);

/// A device for a few requests; each that came is handed on.
fn device(answers: Answers) -> (SocketAddr, Receiver<Vec<u8>>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    let (heard, hear) = channel();
    thread::spawn(move || {
        let mut number = 0;
        while let Ok((mut stream, _)) = listener.accept() {
            while let Some(request) = request(&mut stream) {
                let (parts, ends) = answers(number, &request);
                number += 1;
                if heard.send(request).is_err() {
                    return;
                }
                for (pause, part) in parts {
                    thread::sleep(Duration::from_millis(pause));
                    if stream.write_all(&part).is_err() {
                        break;
                    }
                }
                if ends {
                    break;
                }
            }
        }
    });
    (address, hear)
}

fn request(stream: &mut TcpStream) -> Option<Vec<u8>> {
    let mut header = [0; 6];
    stream.read_exact(&mut header).ok()?;
    let mut rest = vec![0; usize::from(header[5])];
    stream.read_exact(&mut rest).ok()?;
    Some([&header[..], &rest].concat())
}

/// The right reply of a device in which every bit is on and every register holds 0xfc18, -1000.
fn right(request: &[u8]) -> Vec<u8> {
    let count = request[11];
    let message = match request[7] {
        1 | 2 => vec![request[7], 1, 1],
        3 | 4 => [&[request[7], 2 * count][..], &[0xfc, 0x18].repeat(usize::from(count))].concat(),
        _ => request[7..12].to_vec(),
    };
    let length = u8::try_from(message.len() + 1).unwrap();
    [&request[..4], &[0, length, request[6]], &message].concat()
}

fn exception(request: &[u8], code: u8) -> Vec<u8> {
    [&request[..4], &[0, 3, request[6], request[7] | 0x80, code]].concat()
}

/// Whatever a call comes to, it does so in time.
#[track_caller]
fn timed<T>(call: impl FnOnce() -> Result<T, Fault>) -> Result<T, Fault> {
    let start = Instant::now();
    let came = call();
    let took = start.elapsed().as_secs_f64();
    assert!(took <= SILENCE + 10.0 * MARGIN, "{took} s");
    came
}

#[track_caller]
fn broken<T: core::fmt::Debug>(came: Result<T, Fault>, words: &[&str]) {
    match came {
        Err(Fault::Broken(why)) => {
            for word in words {
                assert!(why.contains(word), "`{word}` is not in: {why}");
            }
        }
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_device_that_answers_is_read_and_written() {
    let (address, requests) = device(|_, request| (vec![(0, right(request))], false));
    let mut fixture = fixture(address);
    assert_eq!(timed(|| fixture.signal("door")), Ok(false), "its bit is on, and low is active");
    assert_eq!(timed(|| fixture.signal("clamp")), Ok(true));
    let vacuum = timed(|| fixture.channel("vacuum")).unwrap();
    assert!((vacuum - -10e3).abs() < 1e-9, "{vacuum}");
    timed(|| fixture.switch("clamp", false)).unwrap();
    timed(|| fixture.set_channel("flow", 0.0015)).unwrap();
    let sent: Vec<Vec<u8>> = requests.try_iter().map(|request| request[7..].to_vec()).collect();
    assert_eq!(sent[0], [2, 0, 3, 0, 1]);
    assert_eq!(sent[1], [1, 0, 7, 0, 1]);
    assert_eq!(sent[2], [4, 0, 10, 0, 1]);
    assert_eq!(sent[3], [5, 0, 7, 0, 0]);
    // 1.5 is 0x3fc00000 in binary32.
    assert_eq!(sent[4], [16, 0, 20, 0, 2, 4, 0x3f, 0xc0, 0, 0]);
    assert!(matches!(fixture.signal("lid"), Err(Fault::Refused(_))));
}

#[test]
fn nobody_there() {
    let free = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let mut fixture = fixture(free);
    let words = ["failed at reading `door` (discrete input 3)", "refuses the connection"];
    broken(
        timed(|| fixture.signal("door")),
        &[&words[..], &[&free.to_string(), "unit 1"]].concat(),
    );
    let Err(Fault::Broken(why)) = fixture.switch("clamp", true) else { panic!() };
    assert!(!why.contains("not known"), "nothing was sent: {why}");
}

#[test]
fn replies_that_are_none() {
    let wrong: &[(Answers, &str)] = &[
        (|_, _| (Vec::new(), false), "no reply came within 0.3 s"),
        (|_, r| (vec![(0, right(r)[..9].to_vec())], false), "its reply did not end within 0.3 s"),
        (|_, r| (vec![(0, right(r)[..3].to_vec())], true), "hung up inside its reply"),
        (|_, _| (Vec::new(), true), "hung up"),
        (|_, r| (vec![(0, [&[9, 9], &right(r)[2..]].concat())], false), "transaction number 2313"),
        (|_, r| (vec![(0, [&right(r)[..6], &[2], &right(r)[7..]].concat())], false), "unit 2"),
        (|_, _| (vec![(0, b"HTTP/1.1 400 Bad Request\r\n\r\n".to_vec())], false), "not Modbus/TCP"),
        (|_, _| (vec![(0, vec![0xff; 100_000])], false), "not Modbus/TCP"),
        (
            |_, r| (vec![(0, [&r[..4], &[0xff, 0xff, 1], &[0; 5000]].concat())], false),
            "claims to have 65535 bytes",
        ),
        (|_, r| (vec![(0, [&r[..4], &[0, 3, 1, 6, 0]].concat())], false), "to function 06"),
        (
            |_, r| (vec![(0, [&r[..4], &[0, 7, 1, r[7], 4, 0, 0, 0, 0]].concat())], false),
            "should hold",
        ),
        // A byte now and then makes no wait longer.
        (
            |_, r| (right(r).into_iter().map(|byte| (100, vec![byte])).collect(), false),
            "did not end within",
        ),
    ];
    for (answers, words) in wrong {
        let (address, _requests) = device(*answers);
        let mut fixture = fixture(address);
        broken(timed(|| fixture.channel("vacuum")), &[words, "(input register 10)"]);
        broken(timed(|| fixture.signal("door")), &["(discrete input 3)"]);
    }
}

#[test]
fn exceptions_are_told_by_name() {
    let (address, _requests) = device(|number, request| {
        let codes = [1, 2, 3, 4, 5, 6, 8, 10, 11, 99];
        (vec![(0, exception(request, codes[number % 10]))], false)
    });
    let mut fixture = fixture(address);
    let wanted = [
        (true, "exception 01, illegal function"),
        (true, "exception 02, illegal data address"),
        (true, "exception 03, illegal data value"),
        (false, "exception 04, server device failure"),
        (false, "exception 05, acknowledge"),
        (true, "exception 06, server device busy"),
        (false, "exception 08, memory parity error"),
        (true, "exception 0a, gateway path unavailable"),
        (false, "exception 0b, gateway target device failed to respond"),
        (false, "exception 63, of an unknown kind"),
    ];
    for (refusal, words) in wanted {
        let fault = timed(|| fixture.switch("clamp", true)).unwrap_err();
        assert_eq!(fault.is_refusal(), refusal, "{fault}");
        let told = fault.to_string();
        assert!(told.contains(words) && told.contains("switching `clamp` on (coil 7)"), "{told}");
    }
}

/// Reading again does no harm; writing again might.
#[test]
fn a_broken_link_is_made_anew() {
    // Every second request meets a device that hangs up instead.
    let answers: Answers = |number, request| match number % 2 {
        0 => (Vec::new(), true),
        _ => (vec![(0, right(request))], false),
    };
    let (address, requests) = device(answers);
    let mut fixture = fixture(address);
    assert!(timed(|| fixture.signal("door")).is_ok(), "asked for again");
    assert_eq!(requests.try_iter().count(), 2);
    let lost = timed(|| fixture.switch("clamp", true));
    broken(lost, &["hung up", "whether it was carried out is not known"]);
    assert_eq!(requests.try_iter().count(), 1, "not sent twice");
    timed(|| fixture.switch("clamp", true)).unwrap();
}

/// A link that the device closed while nothing was asked is found out before anything is sent.
#[test]
fn an_idle_link_that_was_closed_costs_nothing() {
    let (address, requests) = device(|_, request| (vec![(0, right(request))], true));
    let mut fixture = fixture(address);
    for _ in 0..3 {
        timed(|| fixture.switch("clamp", true)).unwrap();
        thread::sleep(Duration::from_millis(50));
    }
    assert_eq!(requests.try_iter().count(), 3);
}

/// What comes after its time, or without being asked for, is no answer to the next request.
#[test]
fn late_replies_are_for_nobody() {
    let (address, _requests) = device(|number, request| match number {
        0 => (vec![(400, right(request))], false),
        1 => (vec![(0, [right(request), vec![0; 9000]].concat())], false),
        _ => (vec![(0, right(request))], false),
    });
    let mut fixture = fixture(address);
    broken(timed(|| fixture.signal("door")), &["no reply came"]);
    thread::sleep(Duration::from_millis(300));
    assert_eq!(timed(|| fixture.signal("clamp")), Ok(true));
    thread::sleep(Duration::from_millis(50));
    assert!(timed(|| fixture.channel("vacuum")).is_ok());
}

#[test]
fn values_that_cannot_be_are_faults() {
    // 0x8000 as i16 is -327.68 kPa; two registers of 0x7fc0 and 0 are no number.
    let (address, _requests) = device(|_, request| {
        let words: &[u8] = if request[11] == 2 { &[0x7f, 0xc0, 0, 0] } else { &[0x80, 0] };
        let count = u8::try_from(words.len()).unwrap();
        let head = [0, count + 3, 1, request[7], count];
        (vec![(0, [&request[..4], &head, words].concat())], false)
    });
    let mut fixture = fixture(address);
    let words = ["8000", "input register 10", "-327.68 kPa", "should be -101 kPa to 0 kPa"];
    broken(timed(|| fixture.channel("vacuum")), &words);
    broken(timed(|| fixture.channel("flow")), &["7fc0 0000", "is no number", "0 mm/s to 5 mm/s"]);
}
