//! A serial line, which a pseudo-terminal stands for: what goes in at one end comes out at a server.

use crate::bench::{PATIENCE, Server, program, run, said, signal};
use serialport::{SerialPort, TTYPort};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::Stdio;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, Instant};

/// A line to a server, which can be cut.
struct Cable {
    address: String,
    cut: Arc<AtomicBool>,
}

fn laid(server: &Server) -> Cable {
    let (mut inside, end) = TTYPort::pair().unwrap();
    let address = format!("serial://{}?baud=921600", end.name().unwrap());
    // Whoever opens a line locks it.
    drop(end);
    let mut socket = TcpStream::connect(&server.place).unwrap();
    socket.set_nodelay(true).unwrap();
    let (mut from, mut into) = (socket.try_clone().unwrap(), inside.try_clone_native().unwrap());
    let cut = Arc::new(AtomicBool::new(false));
    let is_cut = Arc::clone(&cut);
    thread::spawn(move || {
        let mut chunk = [0; 4096];
        while let Ok(count @ 1..) = from.read(&mut chunk) {
            if !is_cut.load(Ordering::SeqCst) {
                let _ = into.write_all(&chunk[..count]);
            }
        }
    });
    let is_cut = Arc::clone(&cut);
    inside.set_timeout(Duration::from_millis(50)).unwrap();
    thread::spawn(move || {
        let mut chunk = [0; 4096];
        loop {
            match inside.read(&mut chunk) {
                Ok(count) if !is_cut.load(Ordering::SeqCst) => {
                    if socket.write_all(&chunk[..count]).is_err() {
                        return;
                    }
                }
                Ok(_) => {}
                // Nothing came, or nobody has opened the other end.
                Err(_) => thread::sleep(Duration::from_millis(1)),
            }
        }
    });
    Cable { address, cut }
}

#[test]
fn a_head_at_a_serial_line_is_the_head() {
    let server = Server::new();
    let cable = laid(&server);
    let there = run(&["run", "scripts/bring_up.spt", "--head", &cable.address]);
    assert_eq!(said(&there), said(&run(&["run", "scripts/bring_up.spt"])));
    let nobody = run(&["head", "describe", "serial:///dev/no-such-line"]);
    assert_eq!(nobody.status.code(), Some(2));
    assert!(said(&nobody).contains("cannot connect to /dev/no-such-line"), "{}", said(&nobody));
    for wrong in ["serial://", "serial:///dev/null?baud=fast", "serial:///dev/null?parity=even"] {
        assert!(said(&run(&["head", "describe", wrong])).contains("error: `serial://"));
    }
}

/// Nobody hangs up on a serial line, so silence must do.
#[test]
fn a_cut_line_and_a_killed_client_leave_the_head_safe_within_the_limit() {
    for kill in [true, false] {
        let server = Server::with(&["--realtime", "--dead-man", "1s"]);
        let cable = laid(&server);
        let child = program(&["run", "scripts/spin_only.spt", "--head", &cable.address])
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut looking = server.line();
        let from = Instant::now();
        while looking.is_safe() {
            assert!(from.elapsed() < PATIENCE);
        }
        thread::sleep(Duration::from_millis(1500));
        assert!(!looking.is_safe(), "the keep-alive keeps it");
        if kill {
            signal(&child, "-KILL");
        } else {
            cable.cut.store(true, Ordering::SeqCst);
        }
        let from = Instant::now();
        looking.until_safe();
        assert!(from.elapsed() <= Duration::from_secs(1), "{:?}", from.elapsed());
        let ended = child.wait_with_output().unwrap();
        if !kill {
            assert_eq!(ended.status.code(), Some(3), "{}", said(&ended));
            let told = said(&ended).split_whitespace().collect::<Vec<_>>().join(" ");
            assert!(told.contains("no reply came within"), "{told}");
            assert!(told.contains("could not be told to make itself safe"), "{told}");
            assert!(from.elapsed() < PATIENCE);
        }
    }
}
