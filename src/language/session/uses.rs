//! Files that are taken in wrongly: by a habit of another language, or by a path that names none.

use crate::diagnostics::Diagnostic;
use crate::session::Files;
use crate::syntax::foreign::takes_in_wrongly;

/// Whether a line with a mistake tries to take in a file.
pub(super) fn wrongly_used(text: &str, reports: &[Diagnostic]) -> bool {
    reports.iter().filter(|report| report.is_error()).any(|report| {
        let start = report.span().start as usize;
        let before = text.get(..start).and_then(|before| before.rsplit('\n').next()).unwrap_or("");
        let line = text.get(start - before.len()..).and_then(|rest| rest.lines().next());
        line.is_some_and(takes_in_wrongly)
    })
}

/// A path that names no file: with one that does, where it is spelled a little differently.
pub(super) fn with_other_path(
    files: &mut dyn Files,
    report: Diagnostic,
    from: &str,
    path: &str,
) -> Diagnostic {
    let bare = path.strip_suffix(".spt").unwrap_or(path).replace('\\', "/");
    let parted = bare.replace('.', "/");
    let others = [format!("{bare}.spt"), format!("{parted}.spt"), format!("lib/{parted}.spt")];
    let near = others.iter().find(|other| *other != path && files.read(Some(from), other).is_ok());
    let span = report.span();
    match near {
        Some(near) if *near == format!("{path}.spt") => {
            let text = format!("\"{near}\"");
            report.fix(format!("the whole name is written: `use {text}`"), span, text)
        }
        Some(near) => {
            report.suggest(format!("did you mean `{near}`?"), span, format!("\"{near}\""))
        }
        None if path.ends_with(".spt") => {
            report.help("the path is taken from the folder of the file that says `use`")
        }
        None => report.help(format!("the whole name is written: `use \"{path}.spt\"`")),
    }
}
