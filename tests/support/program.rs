//! Runs the program as users do, and reads what it prints.

use crate::support::root;
use std::fs;
use std::io::{PipeReader, Read, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Output, Stdio};

/// How the program ended, and all that it printed.
#[derive(Debug)]
pub struct Ended {
    /// None where a signal ended it.
    pub code: Option<i32>,
    pub out: String,
    pub error: String,
}

impl Ended {
    /// Standard error, then standard output.
    pub fn all(&self) -> String {
        format!("{}{}", self.error, self.out)
    }

    /// The same in one line, without the breaks of lines that are wrapped.
    pub fn words(&self) -> String {
        self.all().split_whitespace().collect::<Vec<_>>().join(" ")
    }
}

/// A file of a record, which may be compressed.
pub fn recorded(path: impl AsRef<Path>) -> String {
    let path = path.as_ref();
    let mut packed = path.as_os_str().to_owned();
    packed.push(".gz");
    let Ok(file) = fs::File::open(packed) else { return fs::read_to_string(path).unwrap() };
    let mut text = String::new();
    flate2::read::GzDecoder::new(file).read_to_string(&mut text).unwrap();
    text
}

impl From<Output> for Ended {
    fn from(output: Output) -> Ended {
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
        let (out, error) = (text(output.stdout), text(output.stderr));
        assert!(!error.contains("panicked"), "{error}");
        Ended { code: output.status.code(), out, error }
    }
}

/// The program with arguments in a working folder.
pub fn command(folder: impl AsRef<Path>, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_spintrue"));
    command.current_dir(folder).args(arguments);
    command
}

pub fn spintrue(folder: impl AsRef<Path>, arguments: &[&str]) -> Ended {
    command(folder, arguments).output().unwrap().into()
}

/// In the folder of the repository.
pub fn at_root(arguments: &[&str]) -> Ended {
    spintrue(root(), arguments)
}

/// Starts a program whose output is kept for `ended`.
pub fn started(mut command: Command) -> Child {
    command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
}

/// Waits for the end.
pub fn ended(child: Child) -> Ended {
    child.wait_with_output().unwrap().into()
}

/// Runs a program that reads `input`.
pub fn piped(mut command: Command, input: impl AsRef<[u8]>) -> Ended {
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    let (mut stdin, input) = (child.stdin.take().unwrap(), input.as_ref().to_vec());
    // One that ends at an error reads no further.
    std::thread::spawn(move || drop(stdin.write_all(&input)));
    ended(child)
}

/// A shell on the simulated head.
pub fn shell(folder: impl AsRef<Path>, arguments: &[&str]) -> Command {
    let mut command = command(folder, &[&["shell"], arguments].concat());
    command.env("COLUMNS", "80");
    command
}

/// A program whose output and errors are read as they come.
pub struct Typing {
    pub child: Child,
    pub stdin: Option<ChildStdin>,
    output: PipeReader,
    pub seen: Vec<u8>,
}

impl Typing {
    pub fn new(mut command: Command) -> Typing {
        let (output, both) = std::io::pipe().unwrap();
        command.stdin(Stdio::piped()).stdout(both.try_clone().unwrap()).stderr(both);
        let mut child = command.spawn().unwrap();
        let stdin = child.stdin.take();
        Typing { child, stdin, output, seen: Vec::new() }
    }

    pub fn types(&mut self, text: &str) {
        self.stdin.as_mut().unwrap().write_all(text.as_bytes()).unwrap();
    }

    /// Reads what is printed until a text stands there.
    pub fn until(&mut self, text: &str) {
        let mut byte = [0];
        while !String::from_utf8_lossy(&self.seen).contains(text) {
            let seen = String::from_utf8_lossy(&self.seen);
            assert_eq!(self.output.read(&mut byte).unwrap(), 1, "{seen}");
            self.seen.push(byte[0]);
        }
    }

    /// Sends a signal.
    pub fn signal(&self, name: &str) {
        signal(&self.child, name);
    }

    /// Waits for the end; gives everything that was printed, in its order, and the exit code.
    pub fn end(mut self) -> (String, Option<i32>) {
        self.output.read_to_end(&mut self.seen).unwrap();
        let code = self.child.wait().unwrap().code();
        (String::from_utf8_lossy(&self.seen).into_owned(), code)
    }
}

/// Types `input`; gives everything that is printed, in its order, and the exit code.
pub fn typed(command: Command, input: impl AsRef<[u8]>) -> (String, Option<i32>) {
    let mut typing = Typing::new(command);
    let (mut stdin, input) = (typing.stdin.take().unwrap(), input.as_ref().to_vec());
    // A shell that ended at an error reads no further.
    let writer = std::thread::spawn(move || drop(stdin.write_all(&input)));
    let ended = typing.end();
    writer.join().unwrap();
    ended
}

/// Sends a signal such as `INT`.
pub fn signal(child: &Child, name: &str) {
    let arguments = ["-s", name, &child.id().to_string()].map(str::to_string);
    assert!(Command::new("kill").args(arguments).status().unwrap().success());
}

/// Each line as JSON.
pub fn json_lines(text: &str) -> Vec<serde_json::Value> {
    text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

/// A kind of fault that the simulated head knows, as its page lists it.
pub struct Fault {
    pub name: String,
    /// `(KEY=VALUE)` where it has a key of its own.
    pub key: String,
}

impl Fault {
    /// As `--fault` takes it.
    pub fn at(&self, when: &str) -> String {
        format!("{}{}@{when}", self.name, self.key)
    }

    /// Whether it needs a station around the head.
    pub fn is_of_station(&self) -> bool {
        self.key.starts_with("(signal")
    }
}

/// The table of faults of `docs/simulated-head.md`.
pub fn faults() -> Vec<Fault> {
    let page = fs::read_to_string(root().join("docs/simulated-head.md")).unwrap();
    let table = page.split("<!-- faults -->").nth(1).unwrap();
    let table = table.split("<!-- end of faults -->").next().unwrap();
    let rows = table.lines().filter(|line| line.starts_with("| `"));
    let faults: Vec<Fault> = rows
        .map(|row| {
            let mut cells = row.split('|').skip(1).map(|cell| cell.trim().trim_matches('`'));
            let name = cells.next().unwrap().to_string();
            let key = cells.next().unwrap().replace(['"', ' '], "");
            let key = if key == "–" { String::new() } else { format!("({key})") };
            Fault { name, key }
        })
        .collect();
    assert!(faults.len() >= 15, "the page lists only {} faults", faults.len());
    faults
}
