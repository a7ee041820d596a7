//! The modules of the program find no scripts and pages here.

fn main() {
    println!("cargo:rerun-if-changed=build.rs");
    let out = std::env::var("OUT_DIR").unwrap_or_default();
    let none = |name: &str| format!("pub(crate) const {name}: &[(&str, &[u8])] = &[];\n");
    let lists = [none("SCRIPTS"), none("PAGES")].concat();
    std::fs::write(format!("{out}/shipped.rs"), lists).expect("shipped.rs cannot be written");
}
