//! How fast the wire is: `cargo test --release --test program -- --ignored --nocapture how_fast`.

use crate::wire::bench::{Line, Server, run};
use std::io::{Read, Write};
use std::net::TcpListener;
use std::time::{Duration, Instant};

const ROUNDS: usize = 20_000;

fn median(line: &mut Line, message: &str) -> Duration {
    let mut times: Vec<Duration> = (0..ROUNDS)
        .map(|_| {
            let from = Instant::now();
            line.ask(message);
            from.elapsed()
        })
        .collect();
    times.sort();
    times[ROUNDS / 2]
}

#[test]
#[ignore = "measures time, for a quiet machine"]
fn how_fast() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let place = listener.local_addr().unwrap().to_string();
    std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        stream.set_nodelay(true).unwrap();
        let mut bytes = [0; 4096];
        while let Ok(count @ 1..) = stream.read(&mut bytes) {
            stream.write_all(&bytes[..count]).unwrap();
        }
    });
    let echo = median(&mut Line::new(&place), "CLOC:TIME?");
    let server = Server::new();
    let mut line = server.line();
    let time = median(&mut line, "CLOC:TIME?");
    let status = median(&mut line, "HEAD:STAT?");
    let from = Instant::now();
    let ended = run(&["run", "scripts/bring_up.spt", "--head", &server.address()]);
    let bring_up = from.elapsed();
    assert_eq!(ended.code, Some(0));
    println!("echo {echo:?}, time {time:?}, status {status:?}, bring-up {bring_up:?}");
    assert!(time < Duration::from_micros(100) && bring_up < Duration::from_secs(1));
    assert!(time < echo * 2, "{time:?} against {echo:?}");
}
