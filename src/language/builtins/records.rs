//! The records that built-ins take and give, and how they are made and read.

use crate::builtins::page::{items, kind, one_line, parts};
use crate::builtins::signature::{Trouble, wrong};
use crate::program::types::{Layout, RecordType, Type};
use crate::program::value::{Datum, Object, Value};
use std::rc::Rc;
use std::sync::{Arc, LazyLock, OnceLock};

/// A record that built-ins take and give.
pub struct RecordSpec {
    /// Its name in annotations.
    pub name: &'static str,
    text: &'static str,
    page: OnceLock<RecordPage>,
}

/// What a page says of a record.
pub struct RecordPage {
    meaning: &'static str,
    /// Sorted by name.
    pub fields: Vec<Field>,
    /// How many of them are kept as doubles.
    width: usize,
}

impl RecordPage {
    /// What it is.
    pub fn meaning(&self) -> String {
        one_line(self.meaning)
    }
}

/// A field of a record.
pub struct Field {
    /// Its name.
    pub name: &'static str,
    /// The word for its kind.
    pub kind: &'static str,
    /// What it is where a record that is written out leaves it out.
    pub default: Option<f64>,
    meaning: &'static str,
    /// Whether it is kept as a reference and not as a double.
    is_reference: bool,
    /// Its place among the fields that are kept like it.
    place: usize,
}

/// Every record that has a name.
pub fn records() -> &'static [RecordSpec] {
    static RECORDS: LazyLock<Vec<RecordSpec>> = LazyLock::new(|| {
        let pages = parts(include_str!("pages/records.md"), "## ").skip(1);
        let records = pages.filter_map(|page| page.split_once("\n\n"));
        let page = OnceLock::new;
        records.map(|(name, text)| RecordSpec { name, text, page: page() }).collect()
    });
    &RECORDS
}

/// The record of a name.
pub(crate) fn record(name: &str) -> Option<&'static RecordSpec> {
    records().iter().find(|record| record.name == name)
}

impl RecordSpec {
    /// Its page, read where it is first asked for.
    pub fn page(&self) -> &RecordPage {
        self.page.get_or_init(|| {
            let (meaning, items) = items(self.text);
            let mut places = [0, 0];
            let fields = items.filter_map(|(declared, meaning)| {
                let (name, kind) = declared.split_once(": ")?;
                let (kind, default) = match kind.split_once(" = ") {
                    Some((kind, default)) => (kind, default.parse().ok()),
                    None => (kind, None),
                };
                let is_reference = kind == "text" || kind.starts_with("list of ");
                let [numbers, references] = &mut places;
                let next = if is_reference { references } else { numbers };
                let place = *next;
                *next += 1;
                Some(Field { name, kind, default, meaning, is_reference, place })
            });
            let fields = fields.collect();
            let [width, _] = places;
            RecordPage { meaning, fields, width }
        })
    }

    /// The type it stands for.
    pub fn to_type(&self) -> RecordType {
        let fields = self.page().fields.iter().map(|f| (Arc::from(f.name), kind(f.kind)));
        RecordType { name: Some(self.name), fields: fields.collect(), written: Vec::new() }
    }
}

impl Field {
    /// What it is.
    pub fn meaning(&self) -> String {
        one_line(self.meaning)
    }
}

fn fields(name: &str) -> &'static [Field] {
    record(name).map_or(&[], |record| &record.page().fields)
}

impl RecordPage {
    fn field(&self, name: &str) -> Option<&Field> {
        self.fields.get(self.fields.binary_search_by(|field| field.name.cmp(name)).ok()?)
    }

    /// Where a numeric field lies in the doubles; beyond them where there is none.
    fn place(&self, name: &str) -> usize {
        let field = self.field(name).filter(|field| !field.is_reference);
        field.map_or(usize::MAX, |field| field.place)
    }
}

/// A record of a name from its fields by theirs; a field left out has no value. Fields in the order of
/// their names are found at once.
pub(super) fn made(record: &str, given: &[(&str, Datum)]) -> Object {
    let mut object = Object::default();
    put(fields(record), given, &mut object);
    object
}

/// A list of such records.
pub(super) fn listed<'n, R: AsRef<[(&'n str, Datum)]>>(
    record: &str,
    items: impl IntoIterator<Item = R>,
) -> Datum {
    let mut list = Object::default();
    let fields = fields(record);
    for item in items {
        put(fields, item.as_ref(), &mut list);
    }
    datum(list)
}

/// A list of records of numbers alone, each with all its fields in the order of their names.
pub(super) fn rows<'n, R: AsRef<[(&'n str, f64)]>>(
    record: &str,
    items: impl IntoIterator<Item = R>,
) -> Datum {
    let mut words = Vec::new();
    for item in items {
        let names = || item.as_ref().iter().map(|(name, _)| *name);
        debug_assert!(names().eq(fields(record).iter().map(|field| field.name)), "{record}");
        words.extend(item.as_ref().iter().map(|(_, number)| number));
    }
    Datum::Value(Value::words(words))
}

/// Puts such a record behind what there is.
fn put(fields: &[Field], given: &[(&str, Datum)], object: &mut Object) {
    object.words.reserve(fields.len());
    let mut place = 0;
    for field in fields {
        let is_it = |(name, _): &(&str, Datum)| *name == field.name;
        let given = match given.get(place) {
            Some(next) if is_it(next) => {
                place += 1;
                Some(&next.1)
            }
            _ => given.iter().find(|given| is_it(given)).map(|(_, datum)| datum),
        };
        match given {
            Some(Datum::Value(value)) if field.is_reference => object.refs.push(value.clone()),
            _ if field.is_reference => object.refs.push(Value::Nothing),
            Some(Datum::Flag(flag)) => object.words.push(if *flag { 1.0 } else { 0.0 }),
            given => object.words.push(given.map_or(f64::NAN, Datum::number)),
        }
    }
}

/// The same of numbers alone, as a value; an error where one of them has no value.
pub(super) fn made_of_numbers(
    what: &str,
    record: &str,
    given: &[(&str, f64)],
) -> Result<Datum, Trouble> {
    if let Some((name, _)) = given.iter().find(|(_, value)| !value.is_finite()) {
        return wrong(format!("the {what} has no {name}"));
    }
    let given: Vec<_> = given.iter().map(|(name, value)| (*name, Datum::Number(*value))).collect();
    Ok(datum(made(record, &given)))
}

/// A record as a value.
pub(super) fn datum(object: Object) -> Datum {
    Datum::Value(Value::Object(Rc::new(object)))
}

/// How many doubles a record takes.
pub(super) fn width(record: &str) -> usize {
    self::record(record).map_or(0, |record| record.page().width)
}

/// The type of a component of an uncertainty of a kind.
pub(crate) fn component(of: &Type) -> Type {
    let Some(record) = record("component") else { return Type::Unknown };
    let mut made = record.to_type();
    for (name, kind) in &mut made.fields {
        if &**name == "u" {
            *kind = of.clone();
        }
    }
    Type::Record(Rc::new(made))
}

/// How a record lies; none where there is none of that name.
pub(crate) fn record_layout(name: &str) -> Option<Layout> {
    let RecordPage { fields, width, .. } = record(name)?.page();
    Some(Layout { words: *width, refs: fields.len() - width })
}

/// A numeric field of a record's doubles.
pub(super) fn named(record: &str, words: &[f64], name: &str) -> f64 {
    words.get(place(record, name)).copied().unwrap_or(f64::NAN)
}

/// The same, of a record and a name that never change: its place is looked up once.
macro_rules! field {
    ($record:expr, $words:expr, $name:literal) => {{
        static PLACE: std::sync::OnceLock<usize> = std::sync::OnceLock::new();
        let place = PLACE.get_or_init(|| $crate::builtins::records::place($record, $name));
        $words.get(*place).copied().unwrap_or(f64::NAN)
    }};
}
pub(super) use field;

/// Where a numeric field lies in a record's doubles; beyond them where there is none.
pub(crate) fn place(record: &str, name: &str) -> usize {
    self::record(record).map_or(usize::MAX, |record| record.page().place(name))
}

/// Where the list, record or text of a field stands among those of its record; nowhere for another one.
pub(crate) fn reference_place(record: &str, name: &str) -> usize {
    let field = self::record(record).and_then(|record| record.page().field(name));
    field.filter(|field| field.is_reference).map_or(usize::MAX, |field| field.place)
}

/// A numeric field of each of the records whose doubles lie one behind the other.
pub(super) fn column<'w>(
    record: &str,
    words: &'w [f64],
    name: &str,
) -> impl Iterator<Item = f64> + use<'w> {
    let page = self::record(record).map(RecordSpec::page);
    let place = page.map_or(usize::MAX, |page| page.place(name));
    let each = words.chunks(page.map_or(1, |page| page.width));
    each.map(move |record| record.get(place).copied().unwrap_or(f64::NAN))
}

/// Gives a numeric field of a record's doubles another value.
pub(super) fn set(record: &str, words: &mut [f64], name: &str, value: f64) {
    if let Some(word) = words.get_mut(place(record, name)) {
        *word = value;
    }
}

/// A field of a record that is a text or a list.
pub(super) fn reference<'v>(
    record: &str,
    value: Option<&'v Datum>,
    name: &str,
) -> Option<&'v Value> {
    let Some(Datum::Value(value)) = value else { return None };
    value.as_refs().get(reference_place(record, name))
}

/// Gives such a field another value.
pub(super) fn set_reference(record: &str, object: &mut Object, name: &str, value: Value) {
    if let Some(place) = object.refs.get_mut(reference_place(record, name)) {
        *place = value;
    }
}

#[cfg(test)]
mod tests {
    use super::{column, listed, made, named, records};
    use crate::program::value::Datum;

    #[test]
    fn fields_are_sorted_as_records_are_laid_out() {
        for record in records() {
            let names: Vec<&str> = record.page().fields.iter().map(|f| f.name).collect();
            let mut sorted = names.clone();
            sorted.sort_unstable();
            assert_eq!(names, sorted, "{}", record.name);
        }
    }

    #[test]
    fn what_is_made_is_read_back_in_any_order() {
        let object =
            made("plan", &[("words", Datum::Number(113.0)), ("feasible", Datum::Flag(true))]);
        assert_eq!(named("plan", &object.words, "words"), 113.0);
        assert_eq!(named("plan", &object.words, "feasible"), 1.0);
        assert!(named("plan", &object.words, "no such field").is_nan());
    }

    #[test]
    fn a_column_of_a_list_has_a_number_for_each_of_its_records() {
        let trim = |power| [("power", Datum::Number(power)), ("in_scan", Datum::Number(1e-9))];
        let trims = listed("trim", [trim(0.5), trim(0.25)]);
        let column = |name| column("trim", trims.words(), name).collect::<Vec<f64>>();
        assert_eq!((column("power"), column("in_scan")), (vec![0.5, 0.25], vec![1e-9; 2]));
        assert!(column("length").iter().all(|unknown| unknown.is_nan()));
    }
}
