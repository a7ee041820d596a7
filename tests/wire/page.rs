//! docs/wire.md keeps its word to whoever writes a server: the session that it shows is what is
//! said, and all that the driver says stands in its list.

use crate::bench::Server;
use spintrue::head::call::{Call, Image};
use spintrue::head::wire::codec::message;
use spintrue::head::{Halt, LineOrder, Pattern, Trim};
use spintrue::image::Bitmap;
use std::sync::Arc;

fn page() -> String {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/wire.md");
    std::fs::read_to_string(path).unwrap()
}

/// `said` is `shown`, whose `…` stand for anything.
fn alike(said: &str, shown: &str) -> bool {
    let mut parts = shown.split('…');
    let mut rest = match said.strip_prefix(parts.next().unwrap()) {
        Some(rest) => rest,
        None => return false,
    };
    let parts: Vec<&str> = parts.collect();
    let Some((last, between)) = parts.split_last() else { return rest.is_empty() };
    for part in between {
        match rest.split_once(part) {
            Some((_, behind)) => rest = behind,
            None => return false,
        }
    }
    rest.ends_with(last)
}

#[test]
fn the_session_on_the_page_is_what_is_said() {
    assert!(alike("a1b2", "a…b…") && !alike("a1b2", "a…c") && !alike("ab", "a"));
    let page = page();
    let session = page.split("```wire\n").nth(1).unwrap().split("```").next().unwrap();
    let server = Server::new();
    let mut line = server.line();
    let mut lines = session.lines();
    let mut count = 0;
    while let Some(said) = lines.next() {
        let said = said.strip_prefix("> ").unwrap();
        let shown = lines.next().unwrap().strip_prefix("< ").unwrap();
        let reply = line.ask(said);
        assert!(alike(&reply, shown), "{said}\nsaid  {reply}\nshown {shown}");
        count += 1;
    }
    assert!(count > 20);
}

/// Every call as the driver says it has its header in the list.
#[test]
fn the_list_of_what_the_driver_says_is_whole() {
    let page = page();
    let list = page.split("<!-- driver -->").nth(1).unwrap();
    let list = list.split("<!-- end of driver -->").next().unwrap();
    let pattern = Pattern::TestMarks;
    let line = LineOrder { facet: 0, dots: 1, dot_period: 1.0, delay: 1.0, pattern };
    let image = Image::Here(Arc::new(Bitmap::read(b"P4\n8 1\nx").unwrap()));
    let calls = [
        Call::Describe,
        Call::Status,
        Call::Spin { speed: 1.0 },
        Call::Halt { how: Halt::Brake },
        Call::Steer { angle: Some(1.0) },
        Call::Steer { angle: None },
        Call::Turns { count: 1 },
        Call::Trims,
        Call::LoadTrims { trims: vec![Trim::default()] },
        Call::StoreTrims,
        Call::Arm { power: 1.0 },
        Call::Disarm,
        Call::Expose { line },
        Call::ExposePage { dot_period: 1.0, delay: 1.0, pitch: 1.0, image },
        Call::Sleep { seconds: 1.0 },
        Call::MakeSafe { keep_spinning: true },
        Call::Measure,
        Call::Signal { signal: String::new() },
        Call::Switch { signal: String::new(), on: true },
        Call::Channel { channel: String::new() },
        Call::SetChannel { channel: String::new(), value: 1.0 },
        Call::CheckCanInject { fault: String::new() },
        Call::Inject { fault: String::new(), after: 1.0 },
        Call::ClearFaults,
    ];
    for call in calls {
        let said = message(&call).unwrap();
        let header = said.split(|byte| *byte == b' ').next().unwrap();
        let header = String::from_utf8(header.to_vec()).unwrap();
        assert!(list.contains(&format!("`{header}`")), "{header} is not in the list");
    }
}
