//! The server's side of the wire: bytes of two clients, in pieces, through framers and sessions to a
//! simulated head. Whatever they are, the next question is answered and the head can be made safe.
#![no_main]

use libfuzzer_sys::fuzz_target;
use spintrue_head::{
    BLOCK_LOOKING, ControlWatch, ControlledHead, Framer, MAX_LINE, Rig, Served, WireSession,
};
use spintrue_sim::open;
use std::sync::Arc;
use std::time::Duration;

fuzz_target!(|data: &[u8]| {
    let Ok((head, gauge)) = open(None, 1) else { return };
    let limit = Duration::from_secs(60);
    let watch = Arc::new(ControlWatch::new(limit, Arc::default()));
    let injector = head.injector();
    let rig = Rig::new(Box::new(head), Some(Box::new(gauge)));
    let served = Served {
        link: Box::new(rig.with_injector(Box::new(injector))),
        real_time: false,
        seed: Some(1),
        secret: None,
        secret_at_lines: true,
        limit,
        cut: Arc::default(),
    };
    let mut controlled = ControlledHead::new(served, watch);
    let mut clients = [1, 2].map(|id| (Framer::new(MAX_LINE), WireSession::new(id, true)));
    let mut frames = Vec::new();
    // A zero byte ends a piece; pieces come from both in turn, and two zeros are a pause.
    for (number, piece) in data.split(|byte| *byte == 0).enumerate() {
        let (framer, session) = &mut clients[number % 2];
        if piece.is_empty() {
            framer.pause(&mut frames);
        }
        framer.feed(piece, BLOCK_LOOKING, &mut frames);
        for frame in frames.drain(..) {
            session.hear(frame, &mut controlled);
        }
    }
    for (framer, session) in &mut clients {
        framer.pause(&mut frames);
        framer.feed(b"\n*IDN?\n", BLOCK_LOOKING, &mut frames);
        let replies = frames.drain(..).map(|frame| session.hear(frame, &mut controlled));
        let last = replies.last().flatten();
        assert!(last.is_some_and(|reply| reply.starts_with(b"spintrue,")));
    }
    controlled.make_safe();
    assert!(
        controlled.make_safe().is_none_or(|state| state.laser_off || !state.troubles.is_empty())
    );
});
