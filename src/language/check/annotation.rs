//! Types as written: `list of line`, `{a: length}`, `D/time`.

use crate::builtins;
use crate::check::Checker;
use crate::check::typed::Typed;
use crate::diagnostics::{Diagnostic, codes};
use crate::program::types::{RecordType, Type};
use crate::source::Span;
use crate::syntax::foreign::Foreign;
use crate::syntax::tree;
use crate::syntax::tree::{Name, TypeKind};
use spintrue_head::{Dimension, KINDS};
use std::rc::Rc;

impl Checker<'_> {
    /// The type behind an annotation.
    pub(super) fn annotation(&mut self, written: &tree::Type) -> Type {
        match &written.kind {
            TypeKind::List(item) => match self.annotation(item) {
                Type::Unknown => Type::Unknown,
                item => item.list(),
            },
            TypeKind::Record(fields) => {
                let mut known = Vec::new();
                for (name, kind) in fields {
                    known.push((*name, self.annotation(kind)));
                }
                self.record_type(known)
            }
            TypeKind::Product(parts) => match parts.as_slice() {
                [(name, 1)] => self.named_type(*name),
                parts => self.product_kind(parts, written.span),
            },
        }
    }

    /// A value of the kind that is declared for it; where it is of another, that may be the one meant.
    pub(super) fn as_declared(
        &mut self,
        e: &tree::Expression,
        wanted: &mut Type,
        declared: Span,
        what: &str,
    ) -> Typed {
        let (typed, before) = (self.whole(e, Some(wanted), wanted), self.diagnostics.len());
        let kind = self.kind_name(&typed.kind);
        let is_named = matches!(&typed.kind, Type::Quantity(of) if of.kind().is_some());
        let typed = self.of_kind(e, typed, wanted, codes::WRONG_TYPE, what);
        if let Some(told) = self.diagnostics.get_mut(before) {
            *wanted = Type::Unknown;
            if is_named && told.help.is_empty() {
                *told = told.clone().suggest(format!("say its kind: `{kind}`"), declared, kind);
            }
        }
        typed
    }

    /// A record type from its fields, sorted; a field twice is reported.
    pub(super) fn record_type(&mut self, mut fields: Vec<(Name, Type)>) -> Type {
        let names: Vec<String> = fields.iter().map(|(n, _)| self.text(n.symbol)).collect();
        for (index, (name, _)) in fields.iter().enumerate() {
            let first = fields.iter().take(index).find(|(other, _)| other.symbol == name.symbol);
            if let (Some((first, _)), Some(text)) = (first, names.get(index)) {
                let headline = format!("field `{text}` stands twice");
                self.error(codes::DUPLICATE_NAME, headline, name.span)
                    .label(first.span, "first here");
                return Type::Unknown;
            }
        }
        if fields.iter().any(|(_, kind)| *kind == Type::Unknown) {
            return Type::Unknown;
        }
        let written = fields.iter().map(|(n, _)| self.names.shared(n.symbol)).collect();
        fields.sort_by(|a, b| self.names.text(a.0.symbol).cmp(self.names.text(b.0.symbol)));
        let fields = fields.into_iter().map(|(n, t)| (self.names.shared(n.symbol), t)).collect();
        Type::Record(Rc::new(RecordType { name: None, fields, written }))
    }

    /// The type that a page means by its word for it; that of a record is made once.
    pub(super) fn kind(&mut self, word: &'static str) -> Type {
        if let Some(item) = word.strip_prefix("list of ") {
            return self.kind(item).list();
        }
        if let Some(known) = self.records.get(word) {
            return known.clone();
        }
        let kind = builtins::kind(word);
        if let Type::Record(_) = kind {
            self.records.insert(word, kind.clone());
        }
        kind
    }

    fn named_type(&mut self, name: Name) -> Type {
        self.saw_kind(name);
        let text = self.text(name.symbol);
        match text.as_str() {
            "text" => return Type::Text,
            "flag" => return Type::Flag,
            "temperature" => return Type::Temperature,
            _ => {}
        }
        if let Some(record) = builtins::record(&text) {
            let kind = self.kind(record.name);
            let open = |kind: &Type| matches!(kind, Type::Quantity(d) if d.is_open());
            if let Type::Record(record) = &kind
                && record.fields.iter().any(|(_, kind)| open(kind))
            {
                self.open_record(&text, (**record).clone(), name.span);
                return Type::Unknown;
            }
            return kind;
        }
        match self.dimension(name) {
            Some(dimension) => Type::Quantity(dimension),
            None => Type::Unknown,
        }
    }

    /// Refuses the name of a record whose fields are of kinds that only a call decides.
    fn open_record(&mut self, text: &str, record: RecordType, span: Span) {
        let fields = Type::Record(Rc::new(RecordType { name: None, ..record }));
        let fields = fields.name(&builtins::OPEN_NAMES);
        self.error(
            codes::UNKNOWN_TYPE,
            format!("`{text}` alone does not say of which kinds its fields are"),
            span,
        )
        .help(format!("write its fields out, with their kinds for the open ones: `{fields}`"));
    }

    fn product_kind(&mut self, parts: &[(Name, i32)], span: Span) -> Type {
        let mut product = Some(Dimension::NUMBER);
        for (name, exponent) in parts {
            self.saw_kind(*name);
            let Some(part) = self.dimension(*name) else { return Type::Unknown };
            product = part.power(*exponent).and_then(|p| product.and_then(|d| d.times(p)));
        }
        match product {
            Some(dimension) => Type::Quantity(dimension),
            None => {
                self.error(codes::UNKNOWN_TYPE, "the exponents are too large", span);
                Type::Unknown
            }
        }
    }

    fn dimension(&mut self, name: Name) -> Option<Dimension> {
        let text = self.text(name.symbol);
        if let Some(index) = self.inside.open.iter().position(|open| **open == *text) {
            return Some(Dimension::open(index));
        }
        if let Some(kind) = KINDS.iter().find(|k| k.name == text) {
            return Some(kind.dimension);
        }
        let records = builtins::records();
        if text == "text"
            || text == "flag"
            || text == "temperature"
            || records.iter().any(|r| r.name == text)
        {
            let headline =
                format!("`{text}` is not a physical kind: it has no powers and no products");
            self.error(codes::UNKNOWN_TYPE, headline, name.span);
            return None;
        }
        let mut report =
            Diagnostic::error(codes::UNKNOWN_TYPE, format!("there is no type `{text}`"), name.span);
        let known = KINDS.iter().map(|k| k.name).chain(records.iter().map(|r| r.name));
        let known = known.chain(["text", "flag", "temperature"]);
        report = match self.with_habit(Foreign::Kind, report) {
            Ok(report) => {
                self.report(report);
                return None;
            }
            Err(report) => report,
        };
        if let Some(near) = self.near_name(&text, known) {
            report = self.with_near(report, &text, near);
        } else if let Ok(unit) = spintrue_head::parse_unit(&text)
            && let Some(kind) = unit.dimension.kind()
        {
            report = report.help(format!("`{text}` is a unit; its type is `{}`", kind.name));
        } else if text.len() == 1 {
            let line =
                |span: Span| (span.source, self.sources.line_column(span.source, span.start).0);
            let told = |d: &Diagnostic| {
                d.code == codes::UNKNOWN_TYPE && self.sources.slice(d.span()) == text
            };
            let here = line(name.span);
            if self.diagnostics.iter().rev().take_while(|d| line(d.span()) == here).any(told) {
                return None;
            }
            report = report.help(format!("an open dimension is declared: `for any {text}`"));
        } else {
            report = report
                .help("`spintrue units` lists the physical kinds, `spintrue builtins` the records");
        }
        self.report(report);
        None
    }
}

/// Fields of a record of the head that may be left out where it is written out, with their values.
pub(super) fn defaults(record: &RecordType) -> impl Iterator<Item = (&'static str, f64)> {
    let spec = record.name.and_then(builtins::record);
    let fields = spec.map_or(&[][..], |spec| &spec.page().fields);
    fields.iter().filter_map(|field| Some((field.name, field.default?)))
}
