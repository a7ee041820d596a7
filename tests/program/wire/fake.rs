//! A server with a head of its own words, for answers that no good server gives.

use crate::wire::bench::Server;
use serde_json::Value;
use std::io::{BufRead, BufReader, Write};
use std::net::TcpListener;
use std::sync::{Arc, OnceLock};
use std::thread;

/// What is answered instead of what is usual; `Some("")` for nothing at all.
type Instead = dyn Fn(&str) -> Option<String> + Send + Sync;

/// Serves a real-time head that turns and is locked for good; gives its address.
pub fn fake(instead: impl Fn(&str) -> Option<String> + Send + Sync + 'static) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = format!("tcp://{}", listener.local_addr().unwrap());
    let instead: Arc<Instead> = Arc::new(instead);
    thread::spawn(move || {
        for stream in listener.incoming() {
            let (mut stream, instead) = (stream.unwrap(), Arc::clone(&instead));
            thread::spawn(move || {
                let lines = BufReader::new(stream.try_clone().unwrap()).lines();
                for line in lines.map_while(Result::ok).filter(|line| !line.trim().is_empty()) {
                    let reply = instead(&line).unwrap_or_else(|| usual(&line));
                    if !reply.is_empty()
                        && stream.write_all(format!("{reply}\n").as_bytes()).is_err()
                    {
                        return;
                    }
                }
            });
        }
    });
    address
}

/// The same, but that the whole server is gone once that is asked.
pub fn dying(last: &'static str) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = format!("tcp://{}", listener.local_addr().unwrap());
    thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        let lines = BufReader::new(stream.try_clone().unwrap()).lines();
        for line in lines.map_while(Result::ok).filter(|line| !line.trim().is_empty()) {
            if line.starts_with(last) {
                return;
            }
            stream.write_all(format!("{}\n", usual(&line)).as_bytes()).unwrap();
        }
    });
    address
}

/// The description of the fake head.
pub fn description() -> Value {
    static TOLD: OnceLock<String> = OnceLock::new();
    let told = TOLD.get_or_init(|| Server::new().line().ask("HEAD:DESC?"));
    let mut told: Value = serde_json::from_str(&told[told.find('{').unwrap()..]).unwrap();
    told["simulated"] = Value::Bool(false);
    told
}

/// The reply that tells it.
pub fn described(description: &Value) -> String {
    let text = description.to_string();
    let length = text.len().to_string();
    format!("#{}{length}{text};\"none\"", length.len())
}

fn usual(line: &str) -> String {
    let header = line.split([';', ' ']).next().unwrap();
    match header {
        "*IDN?" => "invented,head,1,1".to_string(),
        "SYST:PROT?" => "1.1".to_string(),
        "CLOC:PACE?" => "REAL;\"none\"".to_string(),
        "CONT:LIM?" => "3".to_string(),
        "HEAD:SEED?" => "9.91E+37".to_string(),
        "CLOC:TIME?" => "1.0".to_string(),
        "HEAD:DESC?" => described(&description()),
        "HEAD:STAT?" => "1,502.6548,502.6548,1,0,1,0,0,0,1,295,5,24,12;\"none\"".to_string(),
        "CONT:OWN?" => "SELF;\"none\"".to_string(),
        "SAFE?" => "1,1,0,1,0;\"none\"".to_string(),
        header if header.ends_with('?') => "\"error\",-113,\"Undefined header\"".to_string(),
        _ => "\"none\"".to_string(),
    }
}
