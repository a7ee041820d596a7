//! What a simulated head keeps over power loss, from outside: an accepted head is requalified, and a
//! memory that cannot be used is refused before anything moves.

use crate::program::{Ended, spintrue};
use crate::support::{Folder, repository};

fn run(folder: &Folder, script: &str, head: &str, more: &[&str]) -> (Ended, String) {
    let script = repository(&format!("scripts/{script}"));
    let ended = spintrue(folder, &[&["run", &script, "--head", head], more].concat());
    let said = ended.all();
    (ended, said)
}

#[test]
fn an_accepted_head_comes_back_from_service_as_it_was() {
    let folder = Folder::new("service");
    let kept = "sim?memory=head.json";
    let (accepted, said) = run(&folder, "accept.spt", kept, &["--record", "accepted"]);
    assert!(accepted.code == Some(0), "{said}");
    let memory = folder.read("head.json");
    assert!(memory.contains("SIM-0001") && memory.contains("in_scan"), "{memory}");
    let (back, said) = run(&folder, "requalify.spt", kept, &["--last", "accepted"]);
    assert!(back.code == Some(0), "{said}");
    // The same head with its memory lost does not conform.
    let (lost, said) = run(&folder, "requalify.spt", "sim", &["--last", "accepted"]);
    assert_eq!(lost.code, Some(1), "{said}");
}

#[test]
fn a_memory_that_cannot_be_used_is_refused_before_anything_moves() {
    let folder = Folder::new("bad");
    let cases = [
        ("{", "EOF"),
        (r#"{"serial": "SIM-0002", "trims": []}"#, "SIM-0002"),
        (r#"{"serial": "SIM-0001", "trims": []}"#, "10 facets"),
        (r#"{"serial": "SIM-0001", "trims": [], "more": 1}"#, "more"),
    ];
    for (text, wanted) in cases {
        folder.file("head.json", text);
        let (refused, said) = run(&folder, "spin_only.spt", "sim?memory=head.json", &[]);
        assert_eq!(refused.code, Some(2), "{said}");
        assert!(said.contains("head.json") && said.contains(wanted), "{said}");
        assert!(!said.contains("Summary"), "{said}");
        assert_eq!(folder.read("head.json"), text);
    }
}

#[test]
fn trims_that_cannot_be_kept_are_a_failure_of_the_head() {
    let folder = Folder::new("lost");
    let (failed, said) = run(&folder, "bring_up.spt", "sim?memory=no/such/folder/head.json", &[]);
    assert_eq!(failed.code, Some(3), "{said}");
    assert!(said.contains("are not kept") && said.contains("laser off"), "{said}");
}
