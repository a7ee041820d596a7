//! Running a script at the prompt and stepping through it, through the binary with plain lines:
//! entries beside what they yield and the exit code. A line `// shell: ARGUMENTS` adds arguments.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    missing_docs,
    reason = "a test fails by panicking, and tries the product from outside"
)]

mod common;

use common::{Folder, shell, typed, until};
use insta::{Settings, assert_snapshot, glob};
use spintrue::head::station::Station;
use spintrue::head::{Calls, Laser, Rig, sim};
use spintrue::interpret::{Event, Observer};
use spintrue::session::live::Session;
use spintrue::session::step::{Pause, Pauses};
use spintrue::session::{FileError, Files, Text};
use std::fs;
use std::io::{Read, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

#[test]
fn steps_yield_what_they_should() {
    let mut settings = Settings::clone_current();
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    settings.bind(|| {
        glob!("corpus/step", "*.txt", |path| {
            let text = fs::read_to_string(path).unwrap();
            let mut command = shell();
            command.current_dir(path.parent().unwrap());
            for line in text.lines() {
                if let Some(arguments) = line.strip_prefix("// shell: ") {
                    command.args(arguments.split_whitespace());
                }
            }
            let (said, code) = typed(command, text.as_bytes());
            assert!(!said.contains("panicked") && !said.contains("internal error"), "{said}");
            let mut settings = Settings::clone_current();
            settings.set_snapshot_path(path.parent().unwrap());
            settings.set_input_file(path);
            settings.bind(|| {
                let seen =
                    format!("{}\n────\n{}\n──── exit code {code:?}", text.trim(), said.trim_end());
                assert_snapshot!(path.file_stem().unwrap().to_string_lossy().into_owned(), seen);
            });
        });
    });
}

/// The time that an entry is said to take is its own: making the head safe is no part of it.
#[test]
fn what_is_over_at_once_has_a_short_bound() {
    let (head, gauge) = sim::open(None, 1).unwrap();
    let station =
        Station::open(Box::new(Rig::new(Box::new(head), Some(Box::new(gauge)))), Arc::default())
            .unwrap();
    let mut session = Session::default();
    for (text, least, most) in [
        ("locked()", 0.0, 5.0),
        ("rails()", 0.0, 5.0),
        ("measured_speed()", 0.0, 5.0),
        ("spin(3000 rpm)", 0.0, 5.0),
        ("wait 12 s", 12.0, 17.0),
        ("wait until locked() within 20 s", 20.0, 25.0),
    ] {
        let entry = session.enter(&mut Disk, text);
        let bound = entry.bound(station.description()).and_then(|bound| bound.most).unwrap();
        assert!((least..most).contains(&bound), "{text}: {bound} s");
    }
}

/// What was run goes into a saved script like what was typed.
#[test]
fn a_script_that_was_run_is_saved() {
    let folder = Folder::new("shell-step");
    for name in ["script.spt", "motion.spt"] {
        let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/corpus/step").join(name);
        folder.file(name, fs::read(from).unwrap());
    }
    let mut command = shell();
    command.current_dir(&folder.0).arg("script.spt");
    let (said, code) = typed(command, b"run\nstep note \"own\"\ngo\nsave saved.spt\n");
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("`spintrue check saved.spt` passes"), "{said}");
    assert_snapshot!("saved_after_run", fs::read_to_string(folder.0.join("saved.spt")).unwrap());
}

/// Files as they lie below the repository.
struct Disk;

impl Files for Disk {
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<Text, FileError> {
        let folder = from.and_then(|from| Path::new(from).parent()).unwrap_or(Path::new(""));
        let name = folder.join(path).display().to_string();
        let text = fs::read_to_string(&name).map_err(|error| error.to_string())?;
        Ok(Text { name, text })
    }
}

/// Keeps what a run says, with the head time.
#[derive(Default)]
struct Kept(Vec<String>);

impl Observer for Kept {
    fn event(&mut self, time: f64, event: Event) {
        if !matches!(event, Event::Progress { .. }) {
            self.0.push(format!("{time:?} {event:?}"));
        }
    }
}

/// Pauses at which values are looked at.
const LOOKS: usize = 50;

/// Pauses at every statement there is and looks at everything.
#[derive(Default)]
struct Everywhere {
    pauses: usize,
    deepest: usize,
    armed: usize,
}

impl Pauses for Everywhere {
    fn before(&mut self, mut pause: Pause<'_, '_>) -> bool {
        self.pauses += 1;
        self.deepest = self.deepest.max(pause.moment.depth);
        let status = pause.moment.station.status();
        let lit = status.is_ok_and(|status| status.laser != Laser::Off);
        self.armed += usize::from(lit || pause.moment.station.is_armed());
        if self.pauses > LOOKS {
            return true;
        }
        let names: Vec<String> = {
            let names = pause.session().names();
            pause
                .seen()
                .iter()
                .filter(|kept| kept.can_be_shown())
                .map(|kept| kept.name(names).to_string())
                .collect()
        };
        for name in names.iter().rev().take(3) {
            let shown = pause.value(&mut Disk, name, true).map(|answers| answers.len());
            assert!(matches!(shown, Ok(1)), "{name} cannot be seen");
        }
        true
    }
}

fn station() -> Station {
    let (head, gauge) = sim::open(None, 1).unwrap();
    let stop = Arc::new(AtomicBool::new(false));
    Station::open(Box::new(Rig::new(Box::new(head), Some(Box::new(gauge)))), stop).unwrap()
}

/// What a script says, how it ends, how long it may take, and what was seen at its pauses; none
/// where it cannot run here.
fn ran(path: &str, steps: bool) -> Option<(Vec<String>, Option<String>, String, Everywhere)> {
    let (mut session, mut station) = (Session::default(), station());
    let read = session.load(&mut Disk, path, &[]).unwrap();
    let head = station.description().clone();
    let read = read.admit(&head, &|fault| station.check_can_inject(fault), Vec::new()).ok()?;
    session.run(read, &mut station, &mut Kept::default()).ok()?;
    let body = session.body(&mut Disk, steps).unwrap();
    let bound = format!("{:?}", body.bound(&head)?.most);
    let body = body.admit(&head, &|fault| station.check_can_inject(fault), Vec::new()).ok()?;
    let (mut kept, mut everywhere) = (Kept::default(), Everywhere::default());
    let ended = match steps {
        true => session.step(body, &mut station, &mut kept, &mut everywhere),
        false => session.run(body, &mut station, &mut kept),
    };
    Some((kept.0, ended.err().map(|failure| format!("{failure:?}")), bound, everywhere))
}

/// Somebody who pauses everywhere changes nothing, never sees the laser armed, and costs no time.
#[test]
fn whoever_steps_changes_nothing_and_never_waits_under_light() {
    let (mut scripts, mut deep, mut arming) = (0, 0, 0);
    for folder in ["scripts", "tests/corpus/run/passes", "tests/corpus/run/fails"] {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path().display().to_string();
            let Some(plain) = path.ends_with(".spt").then(|| ran(&path, false)).flatten() else {
                continue;
            };
            let stepped = ran(&path, true).unwrap();
            assert_eq!(plain.1, stepped.1, "{path}");
            assert!(plain.0 == stepped.0, "{path} says other things");
            assert_eq!(plain.2, stepped.2, "{path}");
            assert_eq!((plain.3.pauses, stepped.3.armed), (0, 0), "{path}");
            assert!(stepped.3.pauses > 0, "{path}");
            scripts += 1;
            deep += usize::from(stepped.3.deepest > 0);
            arming += usize::from(fs::read_to_string(&path).unwrap().contains("arm at"));
        }
    }
    assert!(scripts >= 20 && deep >= 5 && arming >= 5, "{scripts}, {deep}, {arming}");
}

/// Ctrl-C and a request to end at a pause: `finally` runs, and the head is safe.
#[cfg(unix)]
#[test]
fn a_stop_at_a_pause_makes_the_head_safe() {
    for signal in ["INT", "TERM", "HUP"] {
        let mut command = shell();
        let (mut output, both) = std::io::pipe().unwrap();
        command.arg("--realtime").stdin(Stdio::piped());
        command.stdout(both.try_clone().unwrap()).stderr(both);
        let mut child = command.spawn().unwrap();
        drop(command);
        let mut stdin = child.stdin.take().unwrap();
        stdin
            .write_all(
                b"spin(600 rpm)\nstep try {\n  note \"turning\"\n  wait 60 s\n} finally { note \"left\" }\n\
                  into\nnext\n",
            )
            .unwrap();
        let mut said = Vec::new();
        until(&mut output, &mut said, "turning");
        until(&mut output, &mut said, "  wait 60 s\n");
        let kill = ["-s", signal, &child.id().to_string()].map(str::to_string);
        assert!(Command::new("kill").args(kill).status().unwrap().success());
        output.read_to_end(&mut said).unwrap();
        let said = String::from_utf8_lossy(&said);
        assert!(said.contains("stopped on request"), "{signal}: {said}");
        assert!(said.contains("s  left\n"), "{signal}: {said}");
        assert!(said.contains("laser off, mirror parked, polygon at rest (measured)"), "{said}");
        assert_eq!(child.wait().unwrap().code(), Some(130), "{signal}: {said}");
    }
}
