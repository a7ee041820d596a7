//! A folder for one test and a shell with plain lines, shared by those that try the program from
//! outside.

#![allow(dead_code, reason = "no test uses all of it")]

use std::fs;
use std::io::{Read, Write};
use std::path::PathBuf;
use std::process::{Command, Stdio};

/// A folder that is gone when the test is over.
pub struct Folder(pub PathBuf);

impl Folder {
    pub fn new(name: &str) -> Folder {
        let path = std::env::temp_dir().join(format!("spintrue-{name}-{}", std::process::id()));
        let _ = fs::remove_dir_all(&path);
        fs::create_dir_all(&path).unwrap();
        Folder(path)
    }

    /// Writes a file, which may lie in a folder below.
    pub fn file(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.0.join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(&path, bytes).unwrap();
        path
    }

    /// A path in it, as an argument.
    pub fn path(&self, name: &str) -> String {
        self.0.join(name).display().to_string()
    }

    pub fn names(&self) -> Vec<String> {
        let entries = fs::read_dir(&self.0).unwrap();
        let mut names: Vec<String> =
            entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// A shell on the simulated head.
pub fn shell() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_spintrue"));
    command.arg("shell").env("COLUMNS", "80");
    command
}

/// Everything that is printed, in its order, and the exit code.
pub fn typed(mut command: Command, input: &[u8]) -> (String, Option<i32>) {
    let (mut output, both) = std::io::pipe().unwrap();
    command.stdin(Stdio::piped()).stdout(both.try_clone().unwrap()).stderr(both);
    let mut child = command.spawn().unwrap();
    drop(command);
    let mut stdin = child.stdin.take().unwrap();
    let input = input.to_vec();
    // A shell that ended at an error reads no further.
    let writer = std::thread::spawn(move || {
        let _ = stdin.write_all(&input);
    });
    let mut said = Vec::new();
    output.read_to_end(&mut said).unwrap();
    let code = child.wait().unwrap().code();
    writer.join().unwrap();
    (String::from_utf8_lossy(&said).into_owned(), code)
}

/// Reads what is printed until a text stands there.
pub fn until(output: &mut impl Read, said: &mut Vec<u8>, text: &str) {
    let mut byte = [0];
    while !String::from_utf8_lossy(said).contains(text) {
        assert_eq!(output.read(&mut byte).unwrap(), 1, "{}", String::from_utf8_lossy(said));
        said.push(byte[0]);
    }
}
