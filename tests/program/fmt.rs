//! `fmt`: which files it rewrites, what stays as it was, and what it refuses.

use crate::program::{at_root, command, piped, spintrue};
use crate::support::{Folder, root};
use std::fs;

#[test]
fn the_command_rewrites_only_what_changes() {
    let folder = Folder::new("rewrites");
    folder.file("ugly.spt", "let a=1;let b=2 // two\n");
    let good = folder.file("good.spt", "let a = 1\n");
    folder.file("wrong.spt", "let = 1\n");
    let written = fs::metadata(&good).unwrap().modified().unwrap();

    let check = spintrue(&folder, &["fmt", "--check", "ugly.spt", "good.spt"]);
    assert_eq!((check.code, check.out.as_str()), (Some(1), "ugly.spt\n"));
    assert_eq!(folder.read("ugly.spt"), "let a=1;let b=2 // two\n");

    let all = spintrue(&folder, &["fmt", "ugly.spt", "good.spt", "wrong.spt"]);
    assert_eq!((all.code, all.out.as_str()), (Some(2), "formatted ugly.spt\n"));
    assert!(all.error.contains("[E0318]"));
    assert_eq!(folder.read("ugly.spt"), "let a = 1\nlet b = 2 // two\n");
    assert_eq!(folder.read("wrong.spt"), "let = 1\n");
    assert_eq!(fs::metadata(&good).unwrap().modified().unwrap(), written);
    assert_eq!(folder.names().len(), 3, "something was left behind");

    let check = spintrue(&folder, &["fmt", "--check", "ugly.spt", "good.spt"]);
    assert_eq!((check.code, check.out.as_str()), (Some(0), ""));
}

#[cfg(unix)]
#[test]
fn links_and_permissions_stay() {
    use std::os::unix::fs::PermissionsExt;
    let folder = Folder::new("links");
    let real = folder.file("real.spt", "let a=1");
    let link = folder.0.join("link.spt");
    fs::set_permissions(&real, fs::Permissions::from_mode(0o640)).unwrap();
    std::os::unix::fs::symlink(&real, &link).unwrap();
    assert_eq!(spintrue(&folder, &["fmt", "link.spt"]).code, Some(0));
    assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
    assert_eq!(folder.read("real.spt"), "let a = 1\n");
    assert_eq!(fs::metadata(&real).unwrap().permissions().mode() & 0o777, 0o640);
}

#[test]
fn standard_input_goes_to_standard_output() {
    let fmt = |options: &[&str], text: &[u8]| {
        let ended = piped(command(root(), &[&["fmt"], options].concat()), text);
        (ended.code, ended.out, ended.error)
    };
    let (code, out, _) = fmt(&["-"], "let a=5µs".as_bytes());
    assert_eq!((code, out.as_str()), (Some(0), "let a = 5 µs\n"));
    let (code, out, _) = fmt(&["--check", "-"], b"let a=1");
    assert_eq!((code, out.as_str()), (Some(1), "standard input\n"));
    for (text, words) in [(&b"let ="[..], "standard input:1:"), (b"let a = \"\xff\"", "not UTF-8")]
    {
        let (code, out, error) = fmt(&["-"], text);
        assert_eq!((code, out.as_str()), (Some(2), ""));
        assert!(error.contains(words), "{error}");
    }
}

#[test]
fn files_that_cannot_be_read() {
    let missing = at_root(&["fmt", "no/such/file.spt"]);
    assert_eq!(missing.code, Some(2));
    assert!(missing.error.contains("no/such/file.spt"));
    assert_eq!(at_root(&["fmt", "scripts"]).code, Some(2));
}
