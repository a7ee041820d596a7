//! The secret that a server makes up for itself: its user's clients on this machine find it, all others
//! are told what to do, and a client that stops the head needs none.

#![cfg(unix)]

use crate::support::Folder;
use crate::wire::bench::{Ended, Line, Server, ended, program, started};
use crate::wire::fake::fake;
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

/// A user of this machine.
struct User(Folder);

impl User {
    fn new() -> User {
        User(Folder::new("user"))
    }

    fn home(&self) -> String {
        self.0.path("")
    }

    fn file(&self, place: &str) -> PathBuf {
        let port = place.rsplit(':').next().unwrap();
        PathBuf::from(self.0.path(&format!(".local/state/spintrue/secret-{port}")))
    }

    fn serves(&self) -> Server {
        let mut command = program(&["serve", "--listen", "127.0.0.1:0"]);
        Server::plain(command.env("HOME", self.home()).env_remove("XDG_STATE_HOME"))
    }

    fn runs(&self, address: &str) -> Ended {
        let mut command = program(&["run", "scripts/bring_up.spt", "--head", address]);
        command.env("HOME", self.home()).env_remove("XDG_STATE_HOME");
        ended(started(command))
    }
}

#[test]
fn a_server_makes_up_a_secret_that_its_own_user_finds() {
    let user = User::new();
    let server = user.serves();
    let file = user.file(&server.place);
    let mode = |path: &std::path::Path| path.metadata().unwrap().permissions().mode() & 0o777;
    assert_eq!((mode(&file), mode(file.parent().unwrap())), (0o600, 0o700));
    let secret = std::fs::read_to_string(&file).unwrap().trim().to_string();
    assert!(secret.len() >= 32, "{}", secret.len());
    assert!(server.said.replace('\n', " ").contains("find the secret by themselves"));
    let ran = user.runs(&server.address());
    assert_eq!(ran.code, Some(0), "{}", ran.all());
    // Who has no secret is told who is there and may stop the head, and that is all.
    let mut line = server.line();
    assert!(line.ask("*IDN?").starts_with("spintrue,"));
    assert_eq!(line.ask("HEAD:STAT?;:FAUL?"), protected());
    assert_eq!(line.ask("CONT:TAKE;:FAUL?"), protected());
    assert_eq!(line.ask("LAS:DIS;:FAUL?"), "\"none\"");
    assert!(line.ask("SAFE?").starts_with("1,1,"));
    line.say(format!("SYST:SECR '{secret}'"));
    assert_eq!(line.ask("CONT:TAKE;:CONT:OWN?"), "SELF");
    drop(line);
    let (code, told) = server.end("INT");
    assert_eq!(code, Some(0));
    assert!(!format!("{told}{}", ran.all()).contains(&secret));
    assert!(!file.exists(), "it lasts no longer than its server");
}

fn protected() -> String {
    "\"error\",-203,\"Command protected;say SYSTem:SECRet first\"".to_string()
}

#[test]
fn another_user_is_told_what_to_do() {
    let (user, other) = (User::new(), User::new());
    let server = user.serves();
    let ran = other.runs(&server.address());
    assert_eq!(ran.code, Some(2), "{}", ran.all());
    let told = ran.words();
    assert!(told.contains("wants a secret: write ?secret-file=FILE behind the address"), "{told}");
    assert!(told.contains("where it is not"), "{told}");
    // A copy of the file is all that is needed.
    let copy = other.0.named("copy", std::fs::read(user.file(&server.place)).unwrap());
    let ran = other.runs(&format!("{}?secret-file={copy}", server.address()));
    assert_eq!(ran.code, Some(0), "{}", ran.all());
    // One that was left by a server before.
    let stale = other.file(&server.place);
    std::fs::create_dir_all(stale.parent().unwrap()).unwrap();
    std::fs::write(&stale, "of another server\n").unwrap();
    let ran = other.runs(&server.address());
    let told = ran.words();
    assert!(ran.code == Some(2) && told.contains("It does not take the one in"), "{told}");
    assert!(!told.contains("of another server"), "{told}");
}

#[test]
fn each_start_makes_a_new_one_and_without_a_folder_there_is_none() {
    let user = User::new();
    let secrets = [(); 2].map(|()| {
        let server = user.serves();
        std::fs::read_to_string(user.file(&server.place)).unwrap()
    });
    assert_ne!(secrets[0], secrets[1]);
    let mut command = program(&["serve", "--listen", "127.0.0.1:0"]);
    command.env_remove("HOME").env_remove("XDG_STATE_HOME");
    let refused = ended(started(command));
    assert_eq!(refused.code, Some(2));
    assert!(refused.words().contains("no secret can be made up"), "{}", refused.all());
}

/// A server that asks for no secret is told none, whatever lies in the file of its port.
#[test]
fn only_a_server_that_refused_is_told_it() {
    let user = User::new();
    let heard: Arc<Mutex<Vec<String>>> = Arc::default();
    let keeps = Arc::clone(&heard);
    let address = fake(move |line| {
        keeps.lock().unwrap().push(line.to_string());
        None
    });
    let file = user.file(&address);
    std::fs::create_dir_all(file.parent().unwrap()).unwrap();
    std::fs::write(file, "a secret of its own\n").unwrap();
    user.runs(&address);
    let heard = heard.lock().unwrap().join("\n");
    assert!(heard.contains("CLOC:PACE?") && !heard.contains("SECR"), "{heard}");
}

/// General instrument clients give it by the header of the table.
#[test]
fn a_general_client_tells_it_by_its_header() {
    let user = User::new();
    let server = user.serves();
    let secret = std::fs::read_to_string(user.file(&server.place)).unwrap();
    let mut line = Line::new(&server.place);
    assert_eq!(line.ask(&format!("SYST:SECR '{}';:FAUL?", secret.trim())), "\"none\"");
    assert!(line.is_safe());
}
