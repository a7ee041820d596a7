//! Load: thousands of connections that leave nothing behind, and storms of everything that clients can
//! do wrong, while an observer watches that the head is safe whenever it should be.
//!
//! A storm takes 5 s. A longer one: `SPINTRUE_STORM=600 cargo test --release --test program -- --nocapture
//! storm`; `SPINTRUE_STORM_SEED=7` has it go another way.

use crate::wire::bench::{Dice, Line, PATIENCE, Server};
use std::io::{Read, Write};
use std::net::{Shutdown, TcpStream};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread;
use std::time::{Duration, Instant};

const CONNECTIONS: u64 = 10_000;

/// How a connection ends.
fn abandon(stream: &mut TcpStream, dice: &mut Dice) {
    let begun: &[u8] = match dice.below(5) {
        0 => b"",
        1 => b"HEAD:STA",
        2 => b"LINE:EXP? 0,64,1,1,#3500abc\n;",
        // A reply that is not read resets the connection.
        3 => b"HEAD:DESC?\nHEAD:DESC?\n",
        _ => b"CONT:TAKE;:ROT:SPE 4800 RPM\nROT:SPE \"",
    };
    let _ = stream.write_all(begun);
}

fn median(line: &mut Line) -> Duration {
    let mut times: Vec<Duration> = (0..1000)
        .map(|_| {
            let from = Instant::now();
            line.ask("CLOC:TIME?");
            from.elapsed()
        })
        .collect();
    times.sort();
    times[500]
}

/// Opens so many connections, each admitted, and drops them.
fn churn(place: &str, count: u64) {
    let left = AtomicU64::new(count);
    let opened = |seed: u64| {
        let mut dice = Dice::new(seed);
        while left
            .fetch_update(Ordering::SeqCst, Ordering::SeqCst, |left| left.checked_sub(1))
            .is_ok()
        {
            loop {
                let mut stream = TcpStream::connect(place).unwrap();
                stream.set_read_timeout(Some(PATIENCE)).unwrap();
                stream.write_all(b"*IDN?\n").unwrap();
                let mut reply = [0; 200];
                // One too many is told so, or reset for what it said unheard.
                if stream.read(&mut reply).is_ok_and(|_| reply.starts_with(b"spintrue,")) {
                    abandon(&mut stream, &mut dice);
                    break;
                }
            }
        }
    };
    thread::scope(|scope| {
        for seed in 1..=6 {
            scope.spawn(move || opened(seed));
        }
    });
}

#[test]
fn ten_thousand_connections_leave_nothing_behind() {
    let server = Server::new();
    let mut looking = server.line();
    let counted = |server: &Server| (server.counted("task"), server.counted("fd"));
    looking.ask("*IDN?");
    let before = counted(&server);
    // What is kept for good is kept by then.
    churn(&server.place, 500);
    let (memory, quick) = (server.memory(), median(&mut looking));
    let from = Instant::now();
    churn(&server.place, CONNECTIONS);
    let took = from.elapsed();
    while counted(&server) != before {
        assert!(from.elapsed() < 4 * PATIENCE, "{:?}, and {before:?} before", counted(&server));
        thread::sleep(Duration::from_millis(10));
    }
    let (after, later) = (server.memory(), median(&mut looking));
    println!(
        "{CONNECTIONS} connections in {took:?}: {memory} kB before, {after} kB after; an answer took \
         {quick:?} before, {later:?} after"
    );
    assert!(after < memory + 2_000, "{memory} kB before, {after} kB after");
    // Far more than a machine that does other work takes, and less than what a list of all of them would.
    assert!(later < quick * 3 + Duration::from_millis(5), "{quick:?} before, {later:?} after");
    assert!(looking.is_safe());
}

/// The output of the server may not be read: a full pipe, a terminal that was stopped.
#[test]
fn a_log_that_is_not_read_holds_nothing_up() {
    let server = Server::with(&["--dead-man", "1s"]);
    let mut looking = server.line();
    for _ in 0..1500 {
        let mut line = server.line();
        line.say("CONT:TAKE;:ROT:SPE 4800 RPM");
        if line.ask("CONT:OWN?") == "SELF" {
            drop(line);
            assert!(looking.until_safe() < Duration::from_secs(1));
        }
    }
    let (code, told) = server.end("INT");
    assert_eq!(code, Some(0));
    assert!(
        told.contains("made safe") && told.contains("lines were not printed"),
        "{}",
        told.len()
    );
}

/// What goes on in a storm.
struct Storm {
    place: String,
    limit: Duration,
    from: Instant,
    over: AtomicBool,
    /// When the controlling client was last heard, in us since the beginning; with what may come a moment
    /// later.
    heard: AtomicU64,
    taken: AtomicU64,
    said: AtomicU64,
    looked: AtomicU64,
    /// Longest time in us from the last word of a controller to a safe head.
    longest: AtomicU64,
}

const COMMANDS: [&str; 24] = [
    "*IDN?",
    "*STB?",
    "*CLS",
    "*TST?",
    "SYST:ERR?",
    "SYST:HELP:HEAD?",
    "HEAD:DESC?",
    "HEAD:STAT?",
    "ROT:SPE 4800 RPM",
    "ROT:SPE?;LOCK?;TARG?",
    "ROT:HALT BRAK",
    "ROT:TURN? 20",
    "MIRR:ANGL 1 MRAD",
    "MIRR:PARK",
    "TRIM:LOAD?",
    "TRIM:STOR",
    "LAS:ARM 35 PCT;:FAUL?",
    "LAS:DIS",
    "GAUG:MEAS?",
    "LINE:EXP? 3,3600,208.333333 NS,60 US,TEST",
    "LINE:EXP? 0,64,208E-9,6E-5,#18????!!!!",
    "CLOC:SLE 0.05",
    "REH:PROV 'lock_lost',0.1",
    "SYST:BEG",
];

impl Storm {
    fn now(&self) -> u64 {
        self.from.elapsed().as_micros() as u64
    }

    fn is_over(&self) -> bool {
        self.over.load(Ordering::SeqCst)
    }

    fn connected(&self) -> Option<TcpStream> {
        let stream = TcpStream::connect(&self.place).ok()?;
        stream.set_nodelay(true).ok()?;
        stream.set_read_timeout(Some(Duration::from_millis(300))).ok()?;
        stream.set_write_timeout(Some(Duration::from_millis(300))).ok()?;
        Some(stream)
    }

    fn say(&self, stream: &mut TcpStream, bytes: &[u8]) -> Option<()> {
        self.said.fetch_add(1, Ordering::SeqCst);
        stream.write_all(bytes).ok()
    }

    /// The same from the controlling client.
    fn order(&self, stream: &mut TcpStream, bytes: &[u8]) -> Option<()> {
        self.heard.store(self.now(), Ordering::SeqCst);
        let said = self.say(stream, bytes);
        self.heard.store(self.now(), Ordering::SeqCst);
        said
    }

    /// One client that does anything but control the head.
    fn nuisance(&self, dice: &mut Dice) -> Option<()> {
        let mut stream = self.connected()?;
        for _ in 0..1 + dice.below(20) {
            let mut bytes =
                COMMANDS[dice.below(COMMANDS.len() as u64) as usize].as_bytes().to_vec();
            match dice.below(8) {
                0 => bytes = (0..dice.below(300)).map(|_| dice.below(256) as u8).collect(),
                1 => bytes = vec![b'x'; dice.below(200_000) as usize],
                2 => bytes = COMMANDS.join("\n").repeat(1 + dice.below(20) as usize).into_bytes(),
                3 => bytes.extend(b";:LINE:EXP? 0,64,1,1,#3500ab\n"),
                4 => {
                    self.say(&mut stream, &bytes)?;
                    return Some(());
                }
                5 => {
                    let mut chunk = [0; 4096];
                    let _ = stream.read(&mut chunk);
                }
                _ => {
                    for _ in 0..dice.below(4) {
                        let at = dice.below(bytes.len() as u64 + 1) as usize;
                        match dice.below(3) {
                            0 => bytes.insert(at, dice.below(256) as u8),
                            1 if at < bytes.len() => drop(bytes.remove(at)),
                            _ if at < bytes.len() => bytes[at] = dice.below(256) as u8,
                            _ => {}
                        }
                    }
                }
            }
            bytes.push(b'\n');
            self.say(&mut stream, &bytes)?;
        }
        if dice.below(4) == 0 {
            self.say(&mut stream, b"SAFE?\n")?;
        }
        thread::sleep(Duration::from_millis(dice.below(30)));
        Some(())
    }

    /// One that takes control, moves the head, and vanishes in some way.
    fn controller(&self, dice: &mut Dice) -> Option<()> {
        let mut stream = self.connected()?;
        self.say(&mut stream, b"CONT:TAKE;:CONT:OWN?\n")?;
        let mut reply = [0; 4];
        stream.read_exact(&mut reply).ok()?;
        if reply != *b"SELF" {
            return Some(());
        }
        self.taken.fetch_add(1, Ordering::SeqCst);
        self.order(&mut stream, b"ROT:SPE 4800 RPM\n")?;
        for _ in 0..dice.below(12) {
            let command = COMMANDS[dice.below(COMMANDS.len() as u64) as usize];
            self.order(&mut stream, format!("{command}\n").as_bytes())?;
            if dice.below(3) == 0 {
                let mut chunk = [0; 8192];
                let _ = stream.read(&mut chunk);
            }
            thread::sleep(Duration::from_millis(dice.below(40)));
        }
        match dice.below(6) {
            0 => self.order(&mut stream, b"CONT:REL\n")?,
            1 => stream.shutdown(Shutdown::Both).ok()?,
            // Silent, with everything open, perhaps inside a block, a line or a long call.
            2 => thread::sleep(self.limit * 3 / 2),
            3 => {
                self.order(&mut stream, b"PAGE:EXP? 1,1,1,#550000P4 1")?;
                thread::sleep(self.limit * 3 / 2);
            }
            4 => {
                self.order(&mut stream, b"ROT:SPE 4800 RPM;:ROT:TURN? 5000\nROT:SPE 30")?;
                thread::sleep(self.limit * 3 / 2);
            }
            _ => {}
        }
        Some(())
    }

    /// Asks all the time; what it sees must be safe once the controller was not heard for the limit,
    /// and whenever there is none.
    fn watch(&self) {
        let mut line = Line::new(&self.place);
        let mut moving: Option<u64> = None;
        while !self.is_over() {
            let asked = self.now();
            let reply = line.try_ask("CONT:OWN?;:ROT:TARG?;:LAS:ARM?");
            // Where all places are taken it is refused, or loses its place before it is heard: it connects again.
            let Some(reply) = reply.filter(|reply| !reply.starts_with("-310")) else {
                line = Line::new(&self.place);
                continue;
            };
            self.looked.fetch_add(1, Ordering::SeqCst);
            let heard = self.heard.load(Ordering::SeqCst);
            let parts: Vec<&str> = reply.split(';').collect();
            // A link that a provoked fault silences, or a head that is asked while it is busy.
            let [owner, target, armed] = parts[..] else { panic!("{reply}") };
            if target == "9.91E+37" && armed == "0" {
                if let Some(since) = moving.take() {
                    self.longest.fetch_max(asked.saturating_sub(since), Ordering::SeqCst);
                }
                continue;
            }
            moving = Some(heard);
            assert_eq!(owner, "OTH", "a head moves without a controlling client: {reply}");
            let silent = asked.saturating_sub(heard);
            let most = self.limit.as_micros() as u64;
            assert!(silent <= most, "silent for {silent} us, and the head moves: {reply}");
            thread::sleep(Duration::from_millis(1));
        }
    }
}

fn from_outside(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).map_or(otherwise, |text| text.parse().unwrap())
}

#[test]
fn a_storm_leaves_the_head_safe() {
    let length = Duration::from_secs(from_outside("SPINTRUE_STORM", 5));
    let seed = from_outside("SPINTRUE_STORM_SEED", 1);
    for pace in [&["--dead-man", "1s", "--realtime"][..], &["--dead-man", "1s"][..]] {
        let server = Server::with(pace);
        let mut before = None;
        let storm = Storm {
            place: server.place.clone(),
            limit: Duration::from_secs(1),
            from: Instant::now(),
            over: AtomicBool::new(false),
            heard: AtomicU64::new(0),
            taken: AtomicU64::new(0),
            said: AtomicU64::new(0),
            looked: AtomicU64::new(0),
            longest: AtomicU64::new(0),
        };
        thread::scope(|scope| {
            let storm = &storm;
            let watcher = scope.spawn(|| storm.watch());
            for number in 0..5 {
                scope.spawn(move || {
                    let mut dice = Dice::new(seed * 1000 + number + 1);
                    while !storm.is_over() {
                        let controls = number < 2 || dice.below(3) == 0;
                        let _ = match controls {
                            true => storm.controller(&mut dice),
                            false => storm.nuisance(&mut dice),
                        };
                    }
                });
            }
            while storm.from.elapsed() < length / 2 && !watcher.is_finished() {
                thread::sleep(Duration::from_millis(50));
                if before.is_none() && storm.from.elapsed() > length / 8 {
                    before = Some(server.memory());
                }
            }
            storm.over.store(true, Ordering::SeqCst);
        });
        let mut looking = server.line();
        while looking.ask("*IDN?").starts_with('-') {
            looking = server.line();
        }
        looking.until_safe();
        let from = Instant::now();
        // The threads of the program itself, of its printer, and of the one who looks.
        while server.counted("task") > 6 {
            assert!(from.elapsed() < PATIENCE, "{} threads", server.counted("task"));
            thread::sleep(Duration::from_millis(10));
        }
        let (before, after) = (before.unwrap_or_default(), server.memory());
        let [taken, said, looked, longest] =
            [&storm.taken, &storm.said, &storm.looked, &storm.longest]
                .map(|count| count.load(Ordering::SeqCst));
        println!(
            "{pace:?}: {said} words, control taken {taken} times, looked {looked} times; safe at the \
             latest {} ms after the last word; {before} kB early, {after} kB at the end",
            longest / 1000
        );
        assert!(taken > 3 && looked > 100, "{taken} taken, {looked} looked");
        assert!(after < before + 30_000, "{before} kB early, {after} kB at the end");
        let (code, told) = server.end("INT");
        assert_eq!(code, Some(0));
        assert!(!told.contains("internal error"), "{told}");
    }
}
