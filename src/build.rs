//! Tells the program which commit it is built from.

#![allow(clippy::disallowed_methods, reason = "a build script reads the environment")]

use std::path::Path;
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
