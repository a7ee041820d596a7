//! Runs a Lua file: the whole process that a start of spintrue is compared with.

// A bench needs files.
#![allow(clippy::disallowed_methods)]

fn main() {
    let path = std::env::args().nth(1).expect("a Lua file is named");
    let text = std::fs::read_to_string(path).expect("the file can be read");
    mlua::Lua::new().load(text).exec().expect("the file runs");
}
