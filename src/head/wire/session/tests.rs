//! Whatever bytes a client sends: what is malformed has its entry in the error queue, nothing panics,
//! the connection lives, and two controllers are told apart.

use super::WireSession;
use crate::tests::StandIn;
use crate::wire::control::{Control, ControlledHead, Served};
use crate::wire::errors::MAX_QUEUE;
use crate::wire::frame::{BLOCK_LOOKING, Frame, Framer, MAX_LINE};
use crate::wire::message::message_units;
use crate::wire::mnemonic::short;
use crate::wire::tree::{HEADERS, find_unit};
use crate::wire::watch::ControlWatch;
use crate::{Laser, Rig};
use proptest::collection::vec;
use proptest::prelude::{Just, Strategy, any, prop_oneof, proptest};
use proptest::sample::select;
use std::sync::Arc;
use std::time::Duration;

fn floor() -> ControlledHead {
    let limit = Duration::from_secs(60);
    let watch = Arc::new(ControlWatch::new(limit, Arc::default()));
    let rig = Rig::new(Box::new(StandIn::new()), Some(Box::new(StandIn::new())))
        .with_injector(Box::new(StandIn::new()));
    let served = Served {
        link: Box::new(rig),
        real_time: false,
        seed: Some(1),
        secret: None,
        secret_at_lines: true,
        limit,
        cut: Arc::default(),
    };
    ControlledHead::new(served, watch)
}

/// Pieces of messages, more and less like what they should be.
fn piece() -> impl Strategy<Value = Vec<u8>> {
    let header = (0..HEADERS.len()).prop_map(|row| {
        let entry = &HEADERS[row];
        let nodes = entry.header.trim_end_matches('?').split(':');
        let nodes: Vec<&str> = nodes.map(|node| short(node.trim_matches(['[', ']']))).collect();
        let mark = if entry.header.ends_with('?') { "?" } else { "" };
        format!(":{}{mark} ", nodes.join(":")).into_bytes()
    });
    let fixed = select(vec![
        "\n",
        "\n",
        "\r\n",
        ";",
        ",",
        " ",
        "?",
        ":",
        "*",
        "\"",
        "'",
        "#",
        "#0",
        "#14ABCD",
        "#9",
        "#H1F",
        "KEEP",
        "MARK",
        "BRAK",
        "4800 RPM",
        "1",
        "-1",
        "9.9E+37",
        "1E400",
        "0.5",
        "\"lock_lost\"",
        "'no_lock'",
        "10 S",
        "35 PCT",
        "P4 1 1\n0",
    ]);
    prop_oneof![
        4 => header,
        6 => fixed.prop_map(|text| text.as_bytes().to_vec()),
        1 => any::<Vec<u8>>(),
        1 => Just(b"CONT:TAKE\n".to_vec()),
    ]
}

struct Line {
    framer: Framer,
    session: WireSession,
}

impl Line {
    fn new(id: u64) -> Line {
        Line { framer: Framer::new(MAX_LINE), session: WireSession::new(id, true) }
    }

    fn frames(&mut self, bytes: &[u8]) -> Vec<Frame> {
        let mut frames = Vec::new();
        self.framer.feed(bytes, BLOCK_LOOKING, &mut frames);
        frames.retain(|frame| !frame.as_ref().is_ok_and(|m| m.iter().all(|byte| *byte <= b' ')));
        frames
    }

    fn count(&mut self, controlled: &mut ControlledHead) -> usize {
        let count = self.session.hear(Ok(b"SYST:ERR:COUN?".to_vec()), controlled).unwrap();
        String::from_utf8(count).unwrap().parse().unwrap()
    }

    /// Each frame, with what must come of it.
    fn heard(&mut self, bytes: &[u8], controlled: &mut ControlledHead) {
        for frame in self.frames(bytes) {
            let before = self.count(controlled);
            let read = frame.as_ref().ok().and_then(|message| message_units(message).ok());
            let is_malformed = read.as_ref().is_none_or(|units| {
                let mut path = Vec::new();
                units.iter().any(|unit| find_unit(unit, &mut path).is_err())
            });
            let clears = read.is_some_and(|units| {
                let words = ["*CLS", "BEG", "BEGIN", "ERR", "ERROR", "NEXT"];
                let last = |header: &str| header.rsplit(':').next().map(str::to_ascii_uppercase);
                units.iter().any(|u| last(&u.header).is_some_and(|w| words.contains(&w.as_str())))
            });
            self.session.hear(frame.clone(), controlled);
            let after = self.count(controlled);
            let is_told = after > before || after == MAX_QUEUE || clears;
            assert!(!is_malformed || is_told, "{before} to {after}: {frame:?}");
        }
    }

    /// It lives: whatever was begun ends, and the next question is answered.
    fn lives(&mut self, controlled: &mut ControlledHead) {
        let mut given_up = Vec::new();
        self.framer.pause(&mut given_up);
        for frame in given_up {
            self.session.hear(frame, controlled);
        }
        let mut last = None;
        self.heard(b"\n", controlled);
        for frame in self.frames(b"*IDN?\n") {
            last = self.session.hear(frame, controlled);
        }
        assert!(last.is_some_and(|reply| reply.starts_with(b"spintrue,")));
    }
}

proptest! {
    #[test]
    fn whatever_is_malformed_is_told_and_the_next_question_is_answered(
        first in vec(piece(), 0..40),
        at in any::<usize>(),
    ) {
        let (mut controlled, mut line) = (floor(), Line::new(1));
        let bytes = first.concat();
        let (front, back) = bytes.split_at(at % (bytes.len() + 1));
        line.heard(front, &mut controlled);
        line.heard(back, &mut controlled);
        line.lives(&mut controlled);
    }

    /// Bytes without any likeness.
    #[test]
    fn noise_does_nothing(bytes in vec(any::<u8>(), 0..2000)) {
        let (mut controlled, mut line) = (floor(), Line::new(1));
        line.heard(&bytes, &mut controlled);
        line.lives(&mut controlled);
        assert_eq!(controlled.control_of(1), Control::None);
        assert!(controlled.make_safe().is_none(), "nothing moved");
    }

    /// What one client says never moves the head while another one controls it, and neither stops
    /// the other from being served.
    #[test]
    fn two_controllers_are_told_apart(said in vec((any::<bool>(), piece()), 0..40)) {
        let mut controlled = floor();
        let mut lines = [Line::new(1), Line::new(2)];
        for (which, bytes) in said {
            let (own, other) = if which { (0, 1) } else { (1, 0) };
            let owned = controlled.control_of(other as u64 + 1) == Control::Own;
            let target = |controlled: &mut ControlledHead, line: &mut Line| {
                line.session.status(controlled).map(|status| (status.target, status.laser)).ok()
            };
            let before = target(&mut controlled, &mut lines[other]);
            for frame in lines[own].frames(&bytes) {
                lines[own].session.hear(frame, &mut controlled);
            }
            let after = target(&mut controlled, &mut lines[other]);
            let still = controlled.control_of(other as u64 + 1) == Control::Own;
            let rests = after.is_none_or(|(target, laser)| target.is_none() && laser == Laser::Off);
            // It may look, disarm, and make safe, which ends the control of the other.
            let disarms = after.map(|(target, _)| target) == before.map(|(target, _)| target);
            assert!(!owned || (if still { disarms } else { rests }));
        }
        lines.iter_mut().for_each(|line| line.lives(&mut controlled));
    }
}
