//! The step from one kind to another, where a report can offer one. A step may change what a number
//! is called, and never what it means.

use crate::check::Checker;
use crate::check::advice::with_article;
use crate::check::annotation::defaults;
use crate::check::scope::Role;
use crate::check::typed::{Makeup, Typed};
use crate::diagnostics::{Diagnostic, Edit, Help};
use crate::program::types::{RecordType, Type};
use crate::source::{Span, one_line};
use crate::syntax::tree::{Binary, Expression, ExpressionKind};
use spintrue_head::{Base, Dimension, suited_unit};

/// Longest expression of the script that is written out in an offer.
const MAX_WORDS: usize = 200;

/// What binds no closer than a product.
const LOOSE: &[char] = &['+', '-', '<', '>', '=', '±'];

/// Where angles belong, said where no offer is sure to be right.
const BELONGS: &str = "a lens is a length per angle, in mm/rad; a turn belongs between a rotation and a \
                       frequency only";

/// What a report offers.
#[derive(Default)]
pub(super) struct Way {
    help: Vec<Help>,
    label: Option<(Span, String)>,
}

impl Way {
    fn of(help: impl Into<String>) -> Way {
        Way { help: vec![Help::new(help)], label: None }
    }

    /// A way that writes something else at a place.
    fn edit(help: impl Into<String>, is_safe: bool, span: Span, text: impl Into<String>) -> Way {
        let edits = vec![Edit { span, text: text.into() }];
        Way { help: vec![Help { text: help.into(), edits, is_safe }], label: None }
    }

    /// The same, where something else may be meant.
    pub(super) fn guessed(mut self) -> Way {
        self.help.iter_mut().for_each(|help| help.is_safe = false);
        self
    }

    /// Puts it into a report.
    fn on(self, report: Diagnostic) -> Diagnostic {
        let report = match self.label {
            Some((place, text)) => report.label(place, text),
            None => report,
        };
        self.help.into_iter().fold(report, Diagnostic::way_out)
    }
}

impl Checker<'_> {
    /// Reports something with the way out of it, where there is one.
    pub(super) fn report_with(&mut self, report: Diagnostic, way: Option<Way>) {
        self.report(match way {
            Some(way) => way.on(report),
            None => report,
        });
    }

    /// How a list is worked on with what its elements go with; none where it is something else.
    pub(super) fn each_of(
        &self,
        written: &Expression,
        list: &Typed,
        operator: Span,
        other: &Typed,
    ) -> Option<String> {
        let (Type::List(item), ExpressionKind::Name(_)) = (&list.kind, &written.kind) else {
            return None;
        };
        let (list, sign) = (self.words(list.span), self.sources.slice(operator));
        let with = self.offered(other.span, &[]);
        let one = if with == "x" { "y" } else { "x" };
        let each = match ["<", ">", "<=", ">=", "==", "!="].contains(&sign) {
            true => format!("[{one} for {one} in {list} if {one} {sign} {with}]"),
            false => format!("[{one} {sign} {with} for {one} in {list}]"),
        };
        let grows = match sign {
            "+" => format!("a list grows by a list of one, `{list} + [{with}]`, and "),
            _ => "a list ".to_string(),
        };
        let help = format!("{grows}is worked on one element at a time: `{each}`");
        (**item == other.kind).then_some(help)
    }

    /// How to get from the type that is there to the one that is needed, where one step does it.
    /// `written` is the expression, where it is at hand, and `unit` that of what it stands beside.
    pub(super) fn way(
        &self,
        written: Option<&Expression>,
        typed: &Typed,
        to: &Type,
        unit: Option<&str>,
    ) -> Option<Way> {
        let is = self.offered(typed.span, &[]);
        let wrapped = self.offered(typed.span, LOOSE);
        match (&typed.kind, to) {
            (Type::Quantity(from), Type::Quantity(to)) => {
                self.quantity_way(written, typed, (*from, *to), unit)
            }
            (Type::Temperature, Type::Quantity(to)) if *to == Dimension::TEMPERATURE => {
                Some(Way::of(format!(
                    "a temperature minus another is a difference: take from `{wrapped}` the one \
                     that it is counted from"
                )))
            }
            (Type::Quantity(from), Type::Temperature) if *from == Dimension::TEMPERATURE => {
                Some(Way::of("a temperature is written in degC; K is for differences"))
            }
            (Type::Quantity(_) | Type::Flag | Type::Temperature, Type::Text) => {
                let whole = self.sources.slice(typed.span).starts_with('(') && !is.contains(") ");
                let bare = is.strip_prefix('(').and_then(|is| is.strip_suffix(')'));
                let text = format!("\"{{{}}}\"", bare.filter(|_| whole).unwrap_or(&is));
                let help = format!("write it into a text: `{text}`");
                // What stood in brackets may touch the word before it.
                let text = if whole { format!(" {text}") } else { text };
                Some(Way::edit(help, true, typed.span, text))
            }
            (item, Type::List(list)) if **list == *item => {
                let list = format!("[{is}]");
                let help = format!("a list of one is written `{list}`");
                Some(Way::edit(help, false, typed.span, list))
            }
            (Type::Text, Type::Quantity(_))
                if written.is_some_and(|e| matches!(e.kind, ExpressionKind::Text(_))) =>
            {
                let inside = is.trim_matches('"').trim();
                let begins = inside.starts_with(|c: char| c.is_ascii_digit() || c == '-');
                let help = format!("a value stands without quotes: `{inside}`");
                begins.then(|| Way::edit(help, false, typed.span, inside.to_string()))
            }
            (Type::Record(from), Type::Record(to)) => Some(record_way(written, (from, to))),
            (Type::List(from), Type::List(to)) if matches!(**from, Type::Record(_)) => {
                let element = match written.map(|e| &e.kind) {
                    Some(ExpressionKind::List(items)) => items.first(),
                    Some(ExpressionKind::Comprehension { element, .. }) => Some(&**element),
                    _ => None,
                };
                self.way(element, &Typed { kind: (**from).clone(), ..typed.clone() }, to, unit)
            }
            (Type::List(item), wanted)
                if **item == *wanted
                    && written.is_some_and(|e| matches!(e.kind, ExpressionKind::Name(_))) =>
            {
                Some(Way::of(format!("one element of a list is taken as in `{wrapped}[0]`")))
            }
            (Type::Quantity(_), Type::Flag) if !is.starts_with(|c: char| c.is_ascii_digit()) => {
                Some(Way::of(format!("compare it with something: `{wrapped} > ...`")))
            }
            _ => None,
        }
    }

    fn quantity_way(
        &self,
        written: Option<&Expression>,
        typed: &Typed,
        (from, to): (Dimension, Dimension),
        unit: Option<&str>,
    ) -> Option<Way> {
        if from.is_number() && typed.makeup == Makeup::BARE {
            return self.missing_unit(written, typed, to, unit);
        }
        if let Some(power) = to.over(from)?.angle_power() {
            return Some(self.angle_way(written, typed, (from, to), power));
        }
        let is = self.offered(typed.span, &['+', '-', '<', '>', '=', '±', '*', '/']);
        if Some(to) == from.power(-1) && !is.starts_with(|c: char| c.is_ascii_digit()) {
            // What divides a number by a quantity may have been meant as a fraction of its unit.
            let (over, text) = match written.and_then(|e| self.fraction(e)) {
                Some(fraction) => ("the unit belongs to the number before it", fraction),
                None => ("turn it over", format!("1 / {is}")),
            };
            return Some(Way::edit(format!("{over}: `{text}`"), false, typed.span, text));
        }
        None
    }

    /// `1/300 inch`, as the fraction of an inch that it looks like.
    fn fraction(&self, written: &Expression) -> Option<String> {
        let ExpressionKind::Binary { operator: Binary::Divide, left, right, .. } = &written.kind
        else {
            return None;
        };
        let (over, under) = (self.offered(left.span, &[]), self.offered(right.span, &[]));
        let (number, unit) = under.split_once(' ')?;
        over.parse::<f64>().ok().and(number.parse::<f64>().ok())?;
        Some(format!("{over} {unit} / {number}"))
    }

    /// A plain number without a unit where a quantity is wanted.
    fn missing_unit(
        &self,
        written: Option<&Expression>,
        typed: &Typed,
        to: Dimension,
        unit: Option<&str>,
    ) -> Option<Way> {
        let kind = with_article(to.kind()?.name);
        // Lengths of this trade are seldom in metres.
        let usual = if to == Dimension::LENGTH { 1e-3 } else { 1.0 };
        let suited = suited_unit(usual, to).map(|unit| unit.text);
        let (unit, beside) = (unit.or(suited.as_deref())?, unit.is_some());
        if let Some(ExpressionKind::Name(symbol)) = written.map(|e| &e.kind) {
            let variable = self.variable_of(*symbol)?;
            let declared =
                matches!(variable.role, Role::Param | Role::Constant | Role::Let | Role::Var);
            let text = self.names.text(*symbol);
            return declared.then(|| Way {
                help: vec![Help::new(format!(
                    "give `{text}` its unit where it is declared: {kind} may be in `{unit}`"
                ))],
                label: Some((variable.name.span, "declared here, without a unit".to_string())),
            });
        }
        let is = self.offered(typed.span, &[]);
        let number = is.strip_prefix('-').unwrap_or(&is).replace('_', "");
        number.parse::<f64>().ok()?;
        let help = if beside {
            format!("{kind} needs a unit, such as `{is} {unit}`")
        } else {
            format!("{kind} needs a unit: if it is in {unit}, write `{is} {unit}`")
        };
        Some(Way::edit(help, false, typed.span, format!("{is} {unit}")))
    }

    /// Only angles are too many or too few.
    fn angle_way(
        &self,
        written: Option<&Expression>,
        typed: &Typed,
        (from, to): (Dimension, Dimension),
        power: i8,
    ) -> Way {
        let is = self.offered(typed.span, LOOSE);
        let made = typed.makeup;
        let unclear = Makeup::TURN | Makeup::HIDDEN | Makeup::LENS;
        if made.has(Makeup::LENGTH) && !made.has(unclear) {
            let sign = if power < 0 { '/' } else { '*' };
            let exponent = power.unsigned_abs();
            let radians = if exponent == 1 { "1 rad".into() } else { format!("1 rad^{exponent}") };
            let mut way = Way::of(format!(
                "through an f-theta lens, x = f * theta, it counts in radians: `{is} {sign} {radians}`"
            ));
            if power < 0 && from.base(Base::Time) != 0 {
                let counted = "what counts turns does so at the rotation, before a length comes in";
                way.help.push(Help::new(counted));
            }
            let Some(lens) = written.and_then(|e| self.lens_in(e, power)) else { return way };
            let name = &lens.name;
            way.help.extend(if lens.field {
                let other = name.replace("focal_length", "f_theta");
                let help =
                    format!("or take the length per angle of that lens: `{other}` for `{name}`");
                Some(Help::new(help))
            } else {
                let unit = lens.unit.map(|unit| unit.text);
                way.label = Some((lens.place, "a plain length".to_string()));
                unit.map(|unit| {
                    Help::new(format!(
                        "or, if `{name}` is that lens, declare it per angle: in `{unit}/rad`"
                    ))
                })
            });
            return way;
        }
        if made.has(Makeup::TURN) && (made | self.near).has(Makeup::LENGTH) {
            return Way::of("a lens counts in radians, so no turn stands beside a plain length");
        }
        if (from, to) == (Dimension::LENS, Dimension::LENGTH)
            && made == Makeup::GIVEN | Makeup::LENGTH | Makeup::LENS
            && written.is_some_and(|e| {
                matches!(e.kind, ExpressionKind::Name(_) | ExpressionKind::Field { .. })
            })
        {
            return Way::of(format!(
                "a lens times an angle is a length; its focal length is `{is} * 1 rad`"
            ));
        }
        if (made | self.near).has(Makeup::HIDDEN | Makeup::LENS | Makeup::LENGTH) {
            return Way::of(BELONGS);
        }
        let has_length = from.base(Base::Length) != 0;
        match power {
            _ if from.is_number() => {
                Way::of("a number is no angle: multiply it by the unit that it counts")
            }
            _ if to.is_number() => {
                Way::of("an angle is no number: divide it by the unit to count in")
            }
            1 if !has_length => {
                Way::of(format!("a turn is an angle: if it counts turns, it is `{is} * 1 rev`"))
            }
            -1 if !has_length => {
                Way::of(format!("a turn is an angle: counted in turns it is `{is} / 1 rev`"))
            }
            _ => Way::of(BELONGS),
        }
    }

    /// The words of an expression as they can be written elsewhere: in brackets where any of `loose`
    /// is in them, or a word that binds no closer.
    pub(super) fn offered(&self, span: Span, loose: &[char]) -> String {
        let text = one_line(self.sources.slice(span));
        if text.chars().count() > MAX_WORDS {
            return "(...)".to_string();
        }
        if loose.is_empty() { text } else { wrapped(&text, loose) }
    }
}

/// What is missing in a record, what is not wanted there, and what is of another kind.
fn record_way(written: Option<&Expression>, (from, to): (&RecordType, &RecordType)) -> Way {
    let known = |record: &RecordType, name: &str| record.fields.iter().any(|(f, _)| **f == *name);
    let optional = |field: &str| defaults(to).any(|(name, _)| name == field);
    let lacks = to.fields.iter().filter(|(name, _)| !known(from, name) && !optional(name));
    let lacks: Vec<String> =
        lacks.map(|(name, kind)| format!("`{name}: {}`", kind.name(&[]))).collect();
    let extra = from.fields.iter().filter(|(name, _)| !known(to, name)).map(|(name, _)| name);
    let extra: Vec<&str> = extra.map(|name| &**name).collect();
    let unlike = to.fields.iter().find_map(|(name, kind)| {
        let (_, other) = from.fields.iter().find(|(field, _)| field == name)?;
        (other != kind).then(|| (&**name, kind.name(&[]), other.name(&[])))
    });
    let mut help = Vec::new();
    if !lacks.is_empty() {
        help.push(Help::new(format!("{} is missing in it", lacks.join(", "))));
    }
    if !extra.is_empty() {
        help.push(Help::new(format!("`{}` has no place in it", extra.join("`, `"))));
    }
    if let Some((name, should, is)) = &unlike {
        help.push(Help::new(format!("its field `{name}` must be {should}, not {is}")));
    }
    if help.is_empty() {
        help.push(Help::new("its fields stand in another order"));
    }
    // The field that is wrong, where the record is written out.
    let wrong = unlike.map(|(name, ..)| name.to_string()).or(extra.first().map(|e| e.to_string()));
    let mut label = None;
    if let (Some(ExpressionKind::Record(fields)), Some(_)) = (written.map(|e| &e.kind), wrong) {
        let at = from.fields.iter().position(|(field, kind)| {
            !to.fields.iter().any(|(name, wanted)| name == field && wanted == kind)
        });
        label =
            at.and_then(|at| fields.get(at)).map(|(name, _)| (name.span, "this field".to_string()));
    }
    Way { help, label }
}

/// In brackets, where what is put behind it would bind to its last part only.
fn wrapped(text: &str, loose: &[char]) -> String {
    let words = [" and ", " or ", " in ", " within ", " mod ", ".."];
    let mut depth = 0_i32;
    let closes_early = text.char_indices().any(|(at, c)| {
        depth += match c {
            '(' => 1,
            ')' => -1,
            _ => 0,
        };
        depth == 0 && at + c.len_utf8() < text.len()
    });
    let binds = text.starts_with('(') && !closes_early;
    if !binds && (text.contains(loose) || words.iter().any(|word| text.contains(word))) {
        format!("({text})")
    } else {
        text.to_string()
    }
}
