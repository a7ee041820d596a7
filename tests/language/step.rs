//! Sessions that run a script statement by statement, with pauses between.

use crate::inside::{Events, Sources, station};
use crate::support::{root, scripts};
use spintrue_head::{Calls, Laser};
use spintrue_language::{LiveSession, Pause, Pauses};
use std::fs;
use std::path::PathBuf;

/// The time that an entry is said to take is its own: making the head safe is no part of it.
#[test]
fn what_is_over_at_once_has_a_short_bound() {
    let (station, mut session) = (station(None, 1), LiveSession::default());
    for (text, least, most) in [
        ("locked()", 0.0, 5.0),
        ("rails()", 0.0, 5.0),
        ("measured_speed()", 0.0, 5.0),
        ("spin(3000 rpm)", 0.0, 5.0),
        ("wait 12 s", 12.0, 17.0),
        ("wait until locked() within 20 s", 20.0, 25.0),
    ] {
        let entry = session.enter(&mut files(), text);
        let bound = entry.bound(station.description()).and_then(|bound| bound.most).unwrap();
        assert!((least..most).contains(&bound), "{text}: {bound} s");
    }
}

/// Files of the repository.
fn files() -> Sources<'static> {
    Sources::below("")
}

/// Pauses at which values are looked at.
const LOOKS: usize = 12;

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
            let shown = pause.value(&mut files(), name, true).map(|answers| answers.len());
            assert!(matches!(shown, Ok(1)), "{name} cannot be seen");
        }
        true
    }
}

/// What a script says, how it ends, how long it may take, and what was seen at its pauses; none
/// where it cannot run here.
fn ran(path: &str, steps: bool) -> Option<(Vec<String>, Option<String>, String, Everywhere)> {
    let (mut session, mut station) = (LiveSession::default(), station(None, 1));
    let read = session.load(&mut files(), path, &[]).unwrap();
    let head = station.description().clone();
    let read = read.admit(&head, &|fault| station.check_can_inject(fault), Vec::new()).ok()?;
    session.run(read, &mut station, &mut Events::default()).ok()?;
    let body = session.body(&mut files(), steps).unwrap();
    let bound = format!("{:?}", body.bound(&head)?.most);
    let body = body.admit(&head, &|fault| station.check_can_inject(fault), Vec::new()).ok()?;
    let (mut kept, mut everywhere) = (Events::default(), Everywhere::default());
    let ended = match steps {
        true => session.step(body, &mut station, &mut kept, &mut everywhere),
        false => session.run(body, &mut station, &mut kept),
    };
    let kept = kept.0.iter().map(|event| format!("{event:?}")).collect();
    Some((kept, ended.err().map(|failure| format!("{failure:?}")), bound, everywhere))
}

/// Pausing everywhere changes nothing, never happens under light, and costs no head time.
#[test]
fn steps_change_nothing_and_never_wait_under_light() {
    let (mut count, mut deep, mut arming) = (0, 0, 0);
    for folder in ["scripts", "tests/corpus/run/passes", "tests/corpus/run/fails"] {
        let beside = |path: &PathBuf| path.parent() == Some(&root().join(folder));
        for path in scripts(folder).into_iter().filter(beside) {
            let path = path.display().to_string();
            let Some(plain) = ran(&path, false) else { continue };
            let stepped = ran(&path, true).unwrap();
            assert_eq!(plain.1, stepped.1, "{path}");
            assert!(plain.0 == stepped.0, "{path} says other things");
            assert_eq!(plain.2, stepped.2, "{path}");
            assert_eq!((plain.3.pauses, stepped.3.armed), (0, 0), "{path}");
            assert!(stepped.3.pauses > 0, "{path}");
            count += 1;
            deep += usize::from(stepped.3.deepest > 0);
            arming += usize::from(fs::read_to_string(&path).unwrap().contains("arm at"));
        }
    }
    assert!(count >= 20 && deep >= 5 && arming >= 5, "{count}, {deep}, {arming}");
}
