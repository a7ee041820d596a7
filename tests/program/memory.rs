//! What a simulated head keeps over power loss, from outside: an accepted head is requalified, and a
//! memory that cannot be used is refused before anything moves.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("memory-{name}"));
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).unwrap();
    folder
}

fn run(folder: &Path, script: &str, head: &str, more: &[&str]) -> (Output, String) {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts").join(script);
    let mut command = Command::new(env!("CARGO_BIN_EXE_spintrue"));
    command.current_dir(folder).arg("run").arg(script).args(["--head", head]).args(more);
    let output = command.output().unwrap();
    let said = [&output.stdout, &output.stderr].map(|bytes| String::from_utf8_lossy(bytes));
    let said = said.concat();
    (output, said)
}

#[test]
fn an_accepted_head_comes_back_from_service_as_it_was() {
    let folder = folder("service");
    let kept = "sim?memory=head.json";
    let (accepted, said) = run(&folder, "accept.spt", kept, &["--record", "accepted"]);
    assert!(accepted.status.success(), "{said}");
    let memory = fs::read_to_string(folder.join("head.json")).unwrap();
    assert!(memory.contains("SIM-0001") && memory.contains("in_scan"), "{memory}");
    let (back, said) = run(&folder, "requalify.spt", kept, &["--last", "accepted"]);
    assert!(back.status.success(), "{said}");
    // The same head with its memory lost does not conform.
    let (lost, said) = run(&folder, "requalify.spt", "sim", &["--last", "accepted"]);
    assert_eq!(lost.status.code(), Some(1), "{said}");
}

#[test]
fn a_memory_that_cannot_be_used_is_refused_before_anything_moves() {
    let folder = folder("bad");
    let cases = [
        ("{", "EOF"),
        (r#"{"serial": "SIM-0002", "trims": []}"#, "SIM-0002"),
        (r#"{"serial": "SIM-0001", "trims": []}"#, "10 facets"),
        (r#"{"serial": "SIM-0001", "trims": [], "more": 1}"#, "more"),
    ];
    for (text, wanted) in cases {
        fs::write(folder.join("head.json"), text).unwrap();
        let (refused, said) = run(&folder, "spin_only.spt", "sim?memory=head.json", &[]);
        assert_eq!(refused.status.code(), Some(2), "{said}");
        assert!(said.contains("head.json") && said.contains(wanted), "{said}");
        assert!(!said.contains("Summary"), "{said}");
        assert_eq!(fs::read_to_string(folder.join("head.json")).unwrap(), text);
    }
}

#[test]
fn trims_that_cannot_be_kept_are_a_failure_of_the_head() {
    let folder = folder("lost");
    let (failed, said) = run(&folder, "bring_up.spt", "sim?memory=no/such/folder/head.json", &[]);
    assert_eq!(failed.status.code(), Some(3), "{said}");
    assert!(said.contains("are not kept") && said.contains("laser off"), "{said}");
}
