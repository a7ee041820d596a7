//! The session that docs/wire.md shows to people who write a server is what is said.

use crate::support::root;
use crate::wire::bench::Server;

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
    let page = std::fs::read_to_string(root().join("docs/wire.md")).unwrap();
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
