//! `check --fix`: what it changes, what it tells, and what it leaves alone.

use crate::program::{command, piped, spintrue};
use crate::support::{Folder, root};
use std::fs;

#[test]
fn safe_edits_are_made_until_there_are_no_more() {
    let folder = Folder::new("mended");
    folder.file("lib/idle.spt", "routine idle() { print(\"idle\") }\n");
    let text = "use \"lib/idle.spt\"\nlocal n = 3;\nif n ~= 4 then\n    print(n)\nend\nidle()\n";
    folder.file("a.spt", text);
    let ended = spintrue(&folder, &["check", "--fix", "a.spt"]);
    // The used file was not named, so it keeps its mistake, which is reported.
    assert_eq!(ended.code, Some(2));
    let mended = "use \"lib/idle.spt\"\nlet n = 3;\nif n != 4 {\n    note \"{n}\"\n}\nidle()\n";
    assert_eq!(folder.read("a.spt"), mended);
    assert_eq!(folder.read("lib/idle.spt"), "routine idle() { print(\"idle\") }\n");
    assert!(ended.error.starts_with("3 edits made in a.spt:\n"), "{}", ended.error);
    assert!(ended.error.contains("a.spt:2:1: E0306: write `let n = 3`"), "{}", ended.error);
    assert!(ended.error.contains("lib/idle.spt:1:18"), "{}", ended.error);
    // Nothing is left to do: the same again writes nothing.
    let written = fs::metadata(folder.0.join("a.spt")).unwrap().modified().unwrap();
    let again = spintrue(&folder, &["check", "--fix", "a.spt"]);
    assert!(!again.error.contains("made in"), "{}", again.error);
    assert_eq!(fs::metadata(folder.0.join("a.spt")).unwrap().modified().unwrap(), written);
    assert_eq!(folder.names().len(), 2, "something was left behind: {:?}", folder.names());
}

#[test]
fn what_has_to_be_chosen_is_left_to_the_author() {
    let folder = Folder::new("chosen");
    let text = "spin(4,800 rpm)\nwait 3\nwhile locked() { wait 1 s }\n";
    folder.file("a.spt", text);
    let ended = spintrue(&folder, &["check", "--fix", "a.spt"]);
    assert_eq!((ended.code, folder.read("a.spt").as_str()), (Some(2), text));
}

/// A file that cannot be written keeps its text, and no copy is left beside it.
#[cfg(unix)]
#[test]
fn links_stay_and_a_protected_file_is_refused() {
    use std::os::unix::fs::PermissionsExt;
    let folder = Folder::new("protected");
    let real = folder.file("real.spt", "print(\"a\")\n");
    std::os::unix::fs::symlink(&real, folder.0.join("link.spt")).unwrap();
    assert_eq!(spintrue(&folder, &["check", "--fix", "link.spt"]).code, Some(0));
    assert_eq!(folder.read("real.spt"), "note \"a\"\n");
    assert!(fs::symlink_metadata(folder.0.join("link.spt")).unwrap().is_symlink());
    fs::write(&real, "print(\"b\")\n").unwrap();
    fs::set_permissions(&real, fs::Permissions::from_mode(0o440)).unwrap();
    let refused = spintrue(&folder, &["check", "--fix", "real.spt"]);
    assert_ne!(refused.code, Some(0));
    assert_eq!(folder.read("real.spt"), "print(\"b\")\n");
}

#[test]
fn the_standard_input_is_never_changed() {
    let ended = piped(command(root(), &["check", "--fix", "-"]), b"print(\"a\")\n");
    assert_eq!((ended.code, ended.out.as_str()), (Some(2), ""));
    assert!(ended.error.contains("`--fix` changes files"), "{}", ended.error);
}
