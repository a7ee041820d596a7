//! Tells the program which commit it is built from, and gives it the scripts and pages that come with it.

#![allow(clippy::disallowed_methods, reason = "a build script reads the environment")]

use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

fn main() {
    // What the program is made of: with nothing of it changed, the commit of the last build is as true.
    for path in ["src", "Cargo.toml", "Cargo.lock"] {
        println!("cargo:rerun-if-changed={path}");
    }
    println!("cargo:rerun-if-env-changed=SPINTRUE_COMMIT");
    let mut version = std::env::var("CARGO_PKG_VERSION").unwrap_or_default();
    if let Some(commit) = std::env::var("SPINTRUE_COMMIT").ok().or_else(commit) {
        println!("cargo:rustc-env=SPINTRUE_COMMIT={commit}");
        version = format!("{version} ({commit})");
    }
    println!("cargo:rustc-env=SPINTRUE_VERSION={version}");
    let out = PathBuf::from(std::env::var_os("OUT_DIR").unwrap_or_default());
    let lists = [listed("SCRIPTS", "scripts"), listed("PAGES", "docs")];
    if let Err(error) = std::fs::write(out.join("shipped.rs"), lists.concat()) {
        println!("cargo:error=shipped.rs cannot be written: {error}");
    }
}

/// A list of the files in a folder and, of scripts, below it: name and content.
fn listed(name: &str, folder: &str) -> String {
    println!("cargo:rerun-if-changed={folder}");
    let here = std::env::var("CARGO_MANIFEST_DIR").unwrap_or_default();
    let (mut files, mut folders) = (Vec::new(), vec![PathBuf::from(folder)]);
    while let Some(below) = folders.pop() {
        for path in
            std::fs::read_dir(below).into_iter().flatten().flatten().map(|entry| entry.path())
        {
            if path.is_dir() && name == "SCRIPTS" {
                folders.push(path);
            } else if name == "SCRIPTS" || path.extension().is_some_and(|ending| ending == "md") {
                files.push(path.to_string_lossy().replace('\\', "/"));
            }
        }
    }
    files.sort();
    let mut list =
        format!("/// Files of `{folder}`.\npub(crate) const {name}: &[(&str, &[u8])] = &[\n");
    for path in files {
        let file = path.strip_prefix(&format!("{folder}/")).unwrap_or(&path);
        let _ = writeln!(list, "    ({file:?}, include_bytes!({:?})),", format!("{here}/{path}"));
    }
    list + "];\n"
}

/// The commit, and whether files differ from it. A package from a registry names the commit that it was made
/// from; a folder above it may be a repository of something else.
fn commit() -> Option<String> {
    if let Ok(package) = std::fs::read_to_string(".cargo_vcs_info.json") {
        return Some(package.split_once(r#""sha1": ""#)?.1.split('"').next()?.to_string());
    }
    if !Path::new(".git").exists() {
        return None;
    }
    let git = |arguments: &[&str]| Command::new("git").args(arguments).output().ok();
    let head = git(&["rev-parse", "HEAD"]).filter(|head| head.status.success())?;
    let commit = String::from_utf8(head.stdout).ok()?.trim().to_string();
    let same = git(&["diff", "--quiet", "HEAD", "--", "src", "Cargo.toml", "Cargo.lock"])?;
    Some(if same.status.success() { commit } else { format!("{commit} and changes") })
}
