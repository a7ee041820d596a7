//! Finds the tables that texts name, and reads them before anything is checked.

use crate::builtins;
use crate::builtins::Builtin;
use crate::diagnostics::{Diagnostic, codes};
use crate::session::Files;
use crate::session::load::Texts;
use crate::session::table;
use crate::source::Span;
use crate::syntax::names::Names;
use crate::syntax::tree::{Expression, ExpressionKind, Statement};
use crate::syntax::walk::{each_expression, each_inside, expressions};
use std::rc::Rc;

impl Texts {
    /// Reads the tables that statements of the file `from` name by plain text.
    pub(super) fn tables_of(
        &mut self,
        files: &mut dyn Files,
        from: Option<&str>,
        statements: &[Statement],
    ) {
        let mut named = Vec::new();
        for statement in statements {
            each_inside(statement, &mut |statement| {
                expressions(statement)
                    .into_iter()
                    .for_each(|e| named.extend(named_in(e, &self.names)));
            });
        }
        self.read_tables(files, from, named);
    }

    /// The same of one expression.
    pub(super) fn tables_in(&mut self, files: &mut dyn Files, from: Option<&str>, e: &Expression) {
        let named = named_in(e, &self.names);
        self.read_tables(files, from, named);
    }

    fn read_tables(
        &mut self,
        files: &mut dyn Files,
        from: Option<&str>,
        named: Vec<(String, Span)>,
    ) {
        for (path, span) in named {
            let table = match files.read(from, &path) {
                Ok(text) => match self.tables_read.get(&text.name) {
                    Some(known) => known.clone(),
                    None => {
                        // Some spreadsheets begin a file with a byte order mark.
                        let plain = text.text.trim_start_matches('\u{feff}');
                        let source = self.sources.add(text.name.as_str(), plain);
                        let (table, problems) = table::read(source, plain, span);
                        self.diagnostics.extend(problems);
                        let table = table.map(Rc::new);
                        self.tables_read.insert(text.name, table.clone());
                        table
                    }
                },
                Err(why) => {
                    let headline = format!("this table cannot be read: {why}");
                    let report = Diagnostic::error(codes::BAD_TABLE, headline, span);
                    self.diagnostics.push(report.help(
                        "a table is CSV in UTF-8; its path is taken from the folder of the file that names it",
                    ));
                    None
                }
            };
            self.tables.insert(span, table);
        }
    }
}

/// The paths of tables that an expression names by plain text, with their places.
fn named_in(e: &Expression, names: &Names) -> Vec<(String, Span)> {
    let mut named = Vec::new();
    each_expression(e, &mut |e| {
        let ExpressionKind::Call { name, arguments } = &e.kind else { return };
        if !builtins::named(names.text(name.symbol)).is_some_and(Builtin::reads_table) {
            return;
        }
        // Anything more is refused by the check.
        let Some(path) = arguments.first() else { return };
        let plain = path.value.plain_text();
        named.extend(plain.map(|plain| (plain.to_string(), path.value.span)));
    });
    named
}
