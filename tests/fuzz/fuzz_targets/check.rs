//! The whole way from text to a checked program; a second text may be used by the first.
#![no_main]

use libfuzzer_sys::fuzz_target;
use spintrue_language::{FileError, Files, SourceText, prepare, render_diagnostics};

struct Two(String, String);

impl Files for Two {
    fn read(&mut self, _from: Option<&str>, path: &str) -> Result<SourceText, FileError> {
        let text = match path {
            "script" => self.0.clone(),
            "lib" => self.1.clone(),
            _ => return Err("there is no such file".to_string().into()),
        };
        Ok(SourceText { name: path.to_string(), text })
    }
}

fuzz_target!(|data: &[u8]| {
    let text = String::from_utf8_lossy(data);
    let mut parts = text.splitn(3, '\0');
    let mut part = || parts.next().unwrap_or("").to_string();
    let (script, setting, lib) = (part(), part(), part());
    if let Ok(prepared) = prepare(&mut Two(script, lib), "script", &[setting]) {
        let _ = render_diagnostics(&prepared.diagnostics, &prepared.sources, false, 80);
    }
});
