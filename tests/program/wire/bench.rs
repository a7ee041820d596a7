//! A server of its own for each test, lines to it, and runs of the program over it.

pub use crate::line::{Line, PATIENCE};
use crate::program::command;
pub use crate::program::{Ended, at_root as run, ended, signal, started};
use crate::support::root;
use std::io::{BufRead, BufReader, Read};
use std::process::{Child, ChildStdout, Command, Stdio};

/// The program as a server.
pub struct Server {
    pub child: Child,
    out: Option<BufReader<ChildStdout>>,
    /// `HOST:PORT`.
    pub place: String,
    /// What it said before it was asked anything.
    pub said: String,
}

impl Server {
    pub fn with(options: &[&str]) -> Server {
        Server::at("127.0.0.1:0", options)
    }

    /// Asks for no secret unless the options say something of it.
    pub fn at(listen: &str, options: &[&str]) -> Server {
        let tells = options.iter().any(|option| option.contains("secret"));
        let none: &[&str] = if tells { &[] } else { &["--no-secret", "a test"] };
        Server::plain(program(&["serve", "--listen", listen]).args(options).args(none))
    }

    /// By a command as it is.
    pub fn plain(command: &mut Command) -> Server {
        let mut child = command.stdout(Stdio::piped()).spawn().unwrap();
        let mut out = BufReader::new(child.stdout.take().unwrap());
        let mut said = String::new();
        while !said.contains("officer decide") {
            assert!(out.read_line(&mut said).unwrap() > 0, "the server ended: {said}");
        }
        let place = said.split("tcp://").nth(1).unwrap();
        let place = place.split([';', '\n', ' ']).next().unwrap().to_string();
        Server { child, out: Some(out), place, said }
    }

    pub fn new() -> Server {
        Server::with(&[])
    }

    pub fn line(&self) -> Line {
        Line::new(&self.place)
    }

    /// A line that controls the head.
    pub fn controller(&self) -> Line {
        Line::controlling(&self.place)
    }

    pub fn address(&self) -> String {
        format!("tcp://{}", self.place)
    }

    pub fn signal(&self, name: &str) {
        signal(&self.child, name);
    }

    /// Ends it by a signal; gives all that it said since it began.
    pub fn end(mut self, name: &str) -> (Option<i32>, String) {
        self.signal(name);
        let mut rest = String::new();
        self.out.take().unwrap().read_to_string(&mut rest).unwrap();
        (self.child.wait().unwrap().code(), rest)
    }

    /// Memory that the process has in use, in kB.
    pub fn memory(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap();
        let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap();
        line.split_whitespace().nth(1).unwrap().parse().unwrap()
    }

    /// Entries of a folder of the process under /proc.
    pub fn counted(&self, what: &str) -> usize {
        std::fs::read_dir(format!("/proc/{}/{what}", self.child.id())).unwrap().count()
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

pub fn program(arguments: &[&str]) -> Command {
    command(root(), arguments)
}

/// The same without the line that names the head's address, which must be there before anything else
/// is told.
pub fn without_address(ended: &Ended, address: &str) -> String {
    let (said, line) = (ended.all(), format!("\nat {address}\n"));
    let (before, after) = said.split_once(&line).unwrap_or_else(|| panic!("{said}"));
    assert!(before.lines().count() <= 3, "{said}");
    format!("{before}\n{after}")
}

/// Whole numbers that look random and are the same each time.
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Dice {
        Dice(seed)
    }

    /// A number below `most` (an xorshift generator).
    pub fn below(&mut self, most: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % most
    }
}
