//! Lexer, layout and parser on any text; their reports are rendered, too.
#![no_main]

use libfuzzer_sys::fuzz_target;
use spintrue_language::{SourceMap, SymbolNames, parse, parse_expression, render_diagnostics};

fuzz_target!(|data: &[u8]| {
    let text = String::from_utf8_lossy(data);
    let mut sources = SourceMap::new();
    let source = sources.add("fuzz.spt", &*text);
    let mut names = SymbolNames::default();
    let parsed = parse(source, &text, &mut names);
    let _ = render_diagnostics(&parsed.diagnostics, &sources, true, 80);
    let _ = parse_expression(source, &text, &mut names);
});
