//! Runs checked trees put together by hand on a head that keeps a log.

use spintrue::acceptance::decision::Outcome;
use spintrue::builtins::{Builtin, Context, Function, Spec, Trouble};
use spintrue::head::description::{Clock, ClockKind, Register, StartOfScan};
use spintrue::head::station::{Station, StationError};
use spintrue::head::{
    Description, Exposed, Fault, Halt, Head, Laser, LineOrder, SafeState, Status, Trim, Turn,
};
use spintrue::interpret::{Event, Observer, run_with};
use spintrue::program::failure::{Failure, FailureKind};
use spintrue::program::show::Shower;
use spintrue::program::tree::{
    Access, Arithmetic, BuiltinCall, Call, Comparison, Comprehension, Expect, Expectation,
    Expression, Flag, Hop, Number, Over, Part, Piece, Program, Ref, RefSlot, Routine, Slot,
    Statement, WordSlot,
};
use spintrue::program::types::Layout;
use spintrue::program::value::{Datum, Value};
use spintrue::source::{SourceId, Span};
use spintrue::units::Dimension;
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

// The head.

#[derive(Default)]
struct Bench {
    log: Vec<String>,
    time: f64,
    armed: bool,
    lock_at: f64,
    stop_at: Option<f64>,
    clock_stands: bool,
    refuses_arm: bool,
    refuses_disarm: bool,
}

struct Logged {
    bench: Rc<RefCell<Bench>>,
    stop: Arc<AtomicBool>,
}

fn refused<T>() -> Result<T, Fault> {
    Err(Fault::Refused("not on this head".to_string()))
}

impl Head for Logged {
    fn describe(&mut self) -> Result<Description, Fault> {
        let register = Register {
            step: 1e-9,
            range: 1e-6,
        };
        Ok(Description {
            model: "logged".to_string(),
            serial: "0".to_string(),
            simulated: true,
            facets: 8,
            speed_least: 1.0,
            speed_most: 1000.0,
            lock_window: 1e-4,
            lock_turns: 8,
            spin_up_most: 10.0,
            coast_most: 60.0,
            focal_length: 0.3,
            line_most: 0.3,
            active_most: 0.6,
            clock: Clock {
                master: 1e8,
                kind: ClockKind::Accumulator { bits: 32 },
            },
            word_service: 1e-6,
            queue_words: 64,
            in_scan_trim: register,
            cross_scan_trim: register,
            galvanometer_range: 0.1,
            galvanometer_settling: 1e-3,
            rails: Vec::new(),
            start_of_scan: StartOfScan::EveryFacet,
            laser_power: 1e-3,
        })
    }
    fn status(&mut self) -> Result<Status, Fault> {
        let mut bench = self.bench.borrow_mut();
        let time = bench.time;
        if !bench.armed {
            bench.log.push(format!("look {time:.3}"));
        }
        Ok(Status {
            time,
            speed: 0.0,
            target: None,
            locked: time >= bench.lock_at,
            facet: None,
            rails: Vec::new(),
            interlock_closed: true,
            laser: if bench.armed {
                Laser::Armed
            } else {
                Laser::Off
            },
            at_rest: true,
            galvanometer: 0.0,
            parked: true,
            temperature: 293.15,
        })
    }
    fn spin(&mut self, _: f64) -> Result<(), Fault> {
        refused()
    }
    fn halt(&mut self, _: Halt) -> Result<(), Fault> {
        refused()
    }
    fn steer(&mut self, _: Option<f64>) -> Result<(), Fault> {
        refused()
    }
    fn turns(&mut self, _: u32) -> Result<Vec<Turn>, Fault> {
        refused()
    }
    fn trims(&mut self) -> Result<Vec<Trim>, Fault> {
        self.bench.borrow_mut().log.push("trims".to_string());
        Ok(Vec::new())
    }
    fn load_trims(&mut self, _: &[Trim]) -> Result<(), Fault> {
        refused()
    }
    fn store_trims(&mut self) -> Result<(), Fault> {
        refused()
    }
    fn arm(&mut self, power: f64) -> Result<(), Fault> {
        let mut bench = self.bench.borrow_mut();
        bench.log.push(format!("arm {power}"));
        bench.armed = true;
        if bench.refuses_arm {
            return Err(Fault::InterlockOpen);
        }
        Ok(())
    }
    fn disarm(&mut self) -> Result<(), Fault> {
        let mut bench = self.bench.borrow_mut();
        bench.log.push("disarm".to_string());
        if bench.refuses_disarm {
            return Err(Fault::Broken("no answer".to_string()));
        }
        bench.armed = false;
        Ok(())
    }
    fn expose(&mut self, _: &LineOrder) -> Result<Exposed, Fault> {
        refused()
    }
    fn now(&mut self) -> f64 {
        self.bench.borrow().time
    }
    fn sleep(&mut self, seconds: f64) {
        let mut bench = self.bench.borrow_mut();
        if !bench.clock_stands {
            bench.time += seconds;
        }
        if bench.stop_at.is_some_and(|at| bench.time >= at) {
            self.stop.store(true, Ordering::Relaxed);
        }
    }
    fn make_safe(&mut self, kept_spinning: bool) -> SafeState {
        SafeState {
            laser_off: true,
            parked: true,
            speed: 0.0,
            at_rest: true,
            kept_spinning,
            troubles: Vec::new(),
        }
    }
}

// The built-ins.

fn locked(context: &mut Context<'_>, _: &[Datum]) -> Result<Datum, Trouble> {
    Ok(Datum::Flag(context.station.status()?.locked))
}

fn press_stop(context: &mut Context<'_>, _: &[Datum]) -> Result<Datum, Trouble> {
    context.station.stop_flag().store(true, Ordering::Relaxed);
    Ok(Datum::Nothing)
}

fn break_down(_: &mut Context<'_>, _: &[Datum]) -> Result<Datum, Trouble> {
    Err(StationError::Fault(Fault::NotLocked).into())
}

fn trims(context: &mut Context<'_>, _: &[Datum]) -> Result<Datum, Trouble> {
    context.station.trims()?;
    Ok(Datum::Nothing)
}

fn panics(_: &mut Context<'_>, _: &[Datum]) -> Result<Datum, Trouble> {
    panic!("boom")
}

fn size(context: &mut Context<'_>, arguments: &[Datum]) -> Result<Datum, Trouble> {
    match arguments {
        [list, Datum::Nothing] => Ok(Datum::Number(
            (list.words().len() / context.item.words) as f64,
        )),
        [_, other] => Ok(Datum::Number(other.number() * f64::NAN)),
        _ => Err(Trouble::Value("size takes two".to_string())),
    }
}

fn too_long(_: &mut Context<'_>, _: &[Datum]) -> Result<Datum, Trouble> {
    Ok(Datum::Value(Value::words(vec![0.0; 4_000_001])))
}

const fn builtin(name: &'static str, function: Function) -> Builtin {
    Builtin {
        name,
        parameters: &[],
        returns: Spec::Nothing,
        effects: &[],
        meaning: "",
        example: "",
        function,
    }
}

static BUILTINS: &[&Builtin] = &[
    &builtin("sqrt", Function::Number1(f64::sqrt)),
    &builtin("power", Function::Number2(f64::powf)),
    &builtin("locked", Function::General(locked)),
    &builtin("press_stop", Function::General(press_stop)),
    &builtin("break_down", Function::General(break_down)),
    &builtin("trims", Function::General(trims)),
    &builtin("panics", Function::General(panics)),
    &builtin("size", Function::General(size)),
    &builtin("too_long", Function::General(too_long)),
];

fn builtin_call(name: &str, arguments: Vec<Option<Expression>>, place: usize) -> BuiltinCall {
    BuiltinCall {
        builtin: BUILTINS.iter().position(|b| b.name == name).unwrap(),
        arguments,
        item: Layout::WORD,
        span: at(place),
    }
}

fn does(name: &str, place: usize) -> Statement {
    Statement::Builtin(builtin_call(name, Vec::new(), place))
}

fn is_locked() -> Flag {
    Flag::Builtin(Box::new(builtin_call("locked", Vec::new(), 0)))
}

// The tree.

fn at(place: usize) -> Span {
    Span::new(SourceId(0), place, place + 1)
}
fn c(value: f64) -> Number {
    Number::Constant(value)
}
fn w(slot: usize) -> Number {
    Number::Local(WordSlot(slot))
}
fn r(slot: usize) -> Ref {
    Ref::Local(RefSlot(slot))
}
fn add(a: Number, b: Number) -> Number {
    Number::Arithmetic(Arithmetic::Add, Box::new(a), Box::new(b))
}
fn times(a: Number, b: Number) -> Number {
    Number::Arithmetic(Arithmetic::Multiply, Box::new(a), Box::new(b))
}
fn divide(a: Number, b: Number) -> Number {
    Number::Divide(Box::new(a), Box::new(b), at(7))
}
fn less(a: Number, b: Number) -> Flag {
    Flag::Compare(Comparison::Less, Box::new(a), Box::new(b))
}
fn set(slot: usize, value: Number) -> Statement {
    Statement::Set(Slot::Number(WordSlot(slot)), Expression::Number(value))
}
fn set_ref(slot: usize, value: Ref) -> Statement {
    Statement::Set(Slot::Ref(RefSlot(slot)), Expression::Ref(value))
}
fn text(text: &str) -> Ref {
    Ref::Text(Rc::from(text))
}
fn one(number: Number) -> Part {
    Part {
        value: Expression::Number(number),
        record: false,
    }
}
fn part(value: Ref, record: bool) -> Part {
    Part {
        value: Expression::Ref(value),
        record,
    }
}
fn list(numbers: &[f64]) -> Ref {
    Ref::Made(numbers.iter().map(|n| one(c(*n))).collect(), at(8))
}
fn item(of: Ref, index: Number) -> Access {
    Access {
        of: Box::new(of),
        index: Some(Box::new(index)),
        stride: Layout::WORD,
        offset: Layout::default(),
        span: at(9),
    }
}
fn hop(index: Number, stride: Layout) -> Hop {
    Hop {
        index: Some(index),
        stride,
        offset: Layout::default(),
        span: at(9),
    }
}
fn store(root: usize, hops: Vec<Hop>, value: Part) -> Statement {
    Statement::Store {
        root: RefSlot(root),
        hops,
        value,
    }
}
fn for_range(target: usize, first: Number, last: Number, body: Vec<Statement>) -> Statement {
    Statement::For {
        target: Slot::Number(WordSlot(target)),
        over: Over::Range(Box::new(first), Box::new(last)),
        body,
        span: at(10),
    }
}
fn repeat(times: Number, before: Option<Flag>, body: Vec<Statement>) -> Statement {
    Statement::Repeat {
        times,
        before,
        body,
        until: None,
        otherwise: vec![note("bound reached")],
        span: at(11),
    }
}
fn note(line: &str) -> Statement {
    Statement::Note(text(line))
}
fn plain() -> Shower {
    Shower::Quantity {
        dimension: Dimension::NUMBER,
        unit: None,
        decimals: None,
    }
}
fn note_number(number: Number) -> Statement {
    let piece = Piece::Value(Expression::Number(number), plain());
    Statement::Note(Ref::Interpolated(vec![piece], at(0)))
}
fn note_list(list: Ref) -> Statement {
    let piece = Piece::Value(Expression::Ref(list), Shower::List(Box::new(plain())));
    Statement::Note(Ref::Interpolated(vec![piece], at(0)))
}
fn note_flag(flag: Flag) -> Statement {
    let piece = Piece::Value(Expression::Flag(flag), Shower::Flag);
    Statement::Note(Ref::Interpolated(vec![piece], at(0)))
}
fn note_field(record: usize, field: usize) -> Statement {
    Statement::Note(Ref::Access(Access {
        of: Box::new(r(record)),
        index: None,
        stride: Layout::default(),
        offset: Layout::REF.times(field),
        span: at(0),
    }))
}
fn fail(message: &str, place: usize) -> Statement {
    Statement::Fail(text(message), at(place))
}
fn attempt(body: Vec<Statement>, catch: Vec<Statement>, finally: Vec<Statement>) -> Statement {
    Statement::Try {
        body,
        catch: (!catch.is_empty()).then_some((RefSlot(9), catch)),
        finally,
    }
}
fn arm(power: f64, body: Vec<Statement>) -> Statement {
    Statement::Arm {
        power: c(power),
        body,
        span: at(12),
    }
}
fn wait_until(within: f64, every: f64, otherwise: Option<Vec<Statement>>) -> Statement {
    Statement::WaitUntil {
        condition: is_locked(),
        within: c(within),
        every: c(every),
        otherwise,
        text: Rc::from("locked()"),
        span: at(13),
    }
}
fn call(routine: usize, arguments: Vec<Number>, place: usize) -> Call {
    Call {
        routine,
        arguments: arguments.into_iter().map(Expression::Number).collect(),
        span: at(place),
    }
}
fn number_call(routine: usize, arguments: Vec<Number>, place: usize) -> Number {
    Number::Call(Box::new(call(routine, arguments, place)))
}
fn routine(parameters: &[usize], result: Option<usize>, body: Vec<Statement>) -> Routine {
    let number = |slot| Slot::Number(WordSlot(slot));
    Routine {
        name: Arc::from("routine"),
        parameters: parameters.iter().map(|slot| number(*slot)).collect(),
        result: result.map(number),
        refs: 0..0,
        body,
    }
}
fn give(slot: usize, value: Number) -> Statement {
    let slot = Slot::Number(WordSlot(slot));
    Statement::Return(Some((slot, Expression::Number(value))))
}

// Running.

struct Ran {
    result: Result<(), Failure>,
    events: Vec<Event>,
    bench: Bench,
}

struct Events(Vec<Event>);

impl Observer for Events {
    fn event(&mut self, _: f64, event: Event) {
        self.0.push(event);
    }
}

fn run_on(bench: Bench, program: &Program) -> Ran {
    let stop = Arc::new(AtomicBool::new(false));
    let bench = Rc::new(RefCell::new(bench));
    let head = Logged {
        bench: bench.clone(),
        stop: stop.clone(),
    };
    let mut station = Station::open(Box::new(head), None, stop).unwrap();
    bench.borrow_mut().log.clear();
    let mut events = Events(Vec::new());
    let place = |span: Span| format!("place {}", span.start);
    let result = run_with(BUILTINS, program, &mut station, &mut events, &place);
    let bench = bench.take();
    Ran {
        result,
        events: events.0,
        bench,
    }
}

fn program(body: Vec<Statement>) -> Program {
    Program {
        words: 30,
        refs: 30,
        body,
        ..Program::default()
    }
}

fn run(body: Vec<Statement>) -> Ran {
    run_on(Bench::default(), &program(body))
}

impl Ran {
    fn notes(&self) -> Vec<&str> {
        let notes = self.events.iter().filter_map(|event| match event {
            Event::Note(text) => Some(text.as_str()),
            _ => None,
        });
        notes.collect()
    }
    /// What the head was asked to do, without the looks at its state.
    fn calls(&self) -> Vec<&str> {
        let calls = self.bench.log.iter().map(String::as_str);
        calls.filter(|line| !line.starts_with("look")).collect()
    }
    fn also(&self) -> Vec<&str> {
        let also = self.events.iter().filter_map(|event| match event {
            Event::AlsoFailed(failure) => Some(failure.message.as_str()),
            _ => None,
        });
        also.collect()
    }
    fn failure(&self) -> (FailureKind, &str, u32) {
        let failure = self.result.as_ref().unwrap_err();
        (failure.kind, &failure.message, failure.place.start)
    }
    #[track_caller]
    fn fails(&self, kind: FailureKind, message: &str) {
        let failure = self.failure();
        assert_eq!((failure.0, failure.1), (kind, message));
    }
    #[track_caller]
    fn says(&self, notes: &[&str]) {
        assert_eq!(self.result, Ok(()));
        assert_eq!(self.notes(), notes);
    }
}

#[test]
fn numbers_without_a_result_fail() {
    let modulo = |a, b| Number::Modulo(Box::new(c(a)), Box::new(c(b)), at(7));
    let power = |a, n| Number::Power(Box::new(c(a)), n, at(7));
    let of = |name, arguments: &[f64]| {
        let arguments = arguments.iter().map(|a| Some(Expression::Number(c(*a))));
        Number::Builtin(Box::new(builtin_call(name, arguments.collect(), 7)))
    };
    let read = |index| Number::Access(item(list(&[1.0, 2.0]), c(index)));
    let cases = [
        (divide(c(1.0), c(0.0)), "division by zero"),
        (divide(w(1), w(2)), "division by zero"),
        (modulo(1.0, 0.0), "division by zero"),
        (modulo(f64::INFINITY, 2.0), "infinite mod 2 has no result"),
        (power(0.0, -1), "division by zero"),
        (of("sqrt", &[-4.0]), "sqrt(-4) has no result"),
        (of("power", &[-1.0, 0.5]), "power(-1, 0.5) has no result"),
        (of("size", &[1.0, 2.0]), "size(1, 2) has no result"),
        (read(2.0), "index 2 is past the end of a list of 2"),
        (read(12.0), "index 12 is past the end of a list of 2"),
        (
            read(4294967296.0),
            "index 4.29497e9 is past the end of a list of 2",
        ),
        (read(0.5), "index 0.5 is not a whole number"),
        (read(-1.0), "index -1 is negative"),
        (read(f64::NAN), "index no number is not a whole number"),
    ];
    for (number, message) in cases {
        let ran = run(vec![set(0, number)]);
        ran.fails(FailureKind::Value, message);
        assert!([7, 9].contains(&ran.failure().2), "{message}");
    }
}

#[test]
fn numbers_come_out_right() {
    let modulo = |a, b| Number::Modulo(Box::new(c(a)), Box::new(c(b)), at(7));
    let power = |a, n| Number::Power(Box::new(c(a)), n, at(7));
    let cases = [
        (modulo(7.0, 3.0), "1"),
        (modulo(-7.0, 3.0), "2"),
        (modulo(7.0, -3.0), "-2"),
        (modulo(-7.0, -3.0), "-1"),
        (modulo(6.0, -3.0), "0"),
        (power(2.0, 10), "1024"),
        (power(2.0, -2), "0.25"),
        (power(-3.0, 3), "-27"),
        (power(0.0, 0), "1"),
        (Number::Negate(Box::new(c(3.0))), "-3"),
        (Number::Access(item(list(&[5.0, 6.0]), c(1.0))), "6"),
    ];
    for (number, shown) in cases {
        run(vec![note_number(number)]).says(&[shown]);
    }
}

#[test]
fn flags_come_out_right() {
    let compare = |comparison, a, b| Flag::Compare(comparison, Box::new(c(a)), Box::new(c(b)));
    let within = |x| Flag::Within(Box::new(c(x)), Box::new(c(1.0)), Box::new(c(2.0)));
    let constant = |flag| Box::new(Flag::Constant(flag));
    let fails = || Box::new(less(divide(c(1.0), c(0.0)), c(1.0)));
    let same =
        |a: &[f64], b: &[f64], same| Flag::SameRef(Box::new(list(a)), Box::new(list(b)), same);
    let cases = [
        (compare(Comparison::Equal, 1.0, 1.0), true),
        (compare(Comparison::Unequal, 1.0, 1.0), false),
        (compare(Comparison::LessEqual, 1.0, 1.0), true),
        (compare(Comparison::Greater, 1.0, 1.0), false),
        (compare(Comparison::GreaterEqual, f64::NAN, 1.0), false),
        (within(1.0), true),
        (within(2.0), true),
        (within(2.1), false),
        (Flag::Not(constant(true)), false),
        // What comes after the decision is not looked at.
        (Flag::And(constant(false), fails()), false),
        (Flag::Or(constant(true), fails()), true),
        (Flag::SameFlag(constant(true), constant(false), false), true),
        (same(&[1.0, 2.0], &[1.0, 2.0], true), true),
        (same(&[1.0, 2.0], &[1.0], true), false),
        (
            Flag::SameRef(Box::new(text("a")), Box::new(text("a")), false),
            false,
        ),
    ];
    for (flag, expected) in cases {
        let shown = expected.to_string();
        run(vec![note_flag(flag.clone())]).says(&[shown.as_str()]);
        let branch = Statement::If(vec![(flag, vec![note("true")])], vec![note("false")]);
        run(vec![branch]).says(&[shown.as_str()]);
    }
}

#[test]
fn copies_do_not_see_later_changes() {
    let nested = || Ref::Made(vec![part(r(0), false), part(r(0), false)], at(8));
    let inner = |outer, index| {
        let mut access = item(r(outer), c(index));
        access.stride = Layout::REF;
        Ref::Access(access)
    };
    run(vec![
        set_ref(0, list(&[1.0, 2.0])),
        set_ref(1, r(0)),
        store(0, vec![hop(c(0.0), Layout::WORD)], one(c(9.0))),
        note_list(r(0)),
        note_list(r(1)),
        // The same list twice in a list: writing into one leaves the other.
        set_ref(2, nested()),
        set_ref(3, r(2)),
        store(
            2,
            vec![hop(c(0.0), Layout::REF), hop(c(1.0), Layout::WORD)],
            one(c(7.0)),
        ),
        note_list(inner(2, 0.0)),
        note_list(inner(2, 1.0)),
        note_list(inner(3, 0.0)),
        // Growing, also by itself.
        Statement::Append(RefSlot(1), r(1), at(8)),
        set_ref(4, r(1)),
        Statement::Append(RefSlot(1), list(&[5.0]), at(8)),
        note_list(r(1)),
        note_list(r(4)),
    ])
    .says(&[
        "[9, 2]",
        "[1, 2]",
        "[9, 7]",
        "[9, 2]",
        "[9, 2]",
        "[1, 2, 1, 2, 5]",
        "[1, 2, 1, 2]",
    ]);
}

#[test]
fn a_loop_sees_its_list_as_it_was() {
    run(vec![
        set_ref(0, list(&[1.0, 2.0, 3.0])),
        Statement::For {
            target: Slot::Number(WordSlot(0)),
            over: Over::List {
                list: Box::new(r(0)),
                item: Layout::WORD,
                record: false,
            },
            body: vec![
                store(0, vec![hop(c(1.0), Layout::WORD)], one(c(50.0))),
                Statement::Append(RefSlot(0), list(&[4.0]), at(0)),
                note_number(w(0)),
            ],
            span: at(10),
        },
        note_list(r(0)),
    ])
    .says(&["1", "2", "3", "[1, 50, 3, 4, 4, 4]"]);
}

#[test]
fn records_lie_spread_out_in_lists() {
    let record = |x, name: &str| {
        let parts = vec![part(text(name), false), one(c(x)), one(c(x * 10.0))];
        part(Ref::Made(parts, at(8)), true)
    };
    let size = Layout { words: 2, refs: 1 };
    let field = |slot: usize, index: Option<f64>, word| {
        Number::Access(Access {
            of: Box::new(r(slot)),
            index: index.map(|index| Box::new(c(index))),
            stride: size,
            offset: Layout::WORD.times(word),
            span: at(9),
        })
    };
    let mut whole = item(r(0), c(1.0));
    whole.stride = size;
    run(vec![
        set_ref(
            0,
            Ref::Made(vec![record(1.0, "a"), record(2.0, "b")], at(8)),
        ),
        note_number(field(0, Some(1.0), 1)),
        set_ref(1, Ref::Record(whole, size)),
        store(0, vec![hop(c(0.0), size)], part(r(1), true)),
        note_number(field(0, Some(0.0), 0)),
        store(0, vec![hop(c(1.0), size)], one(c(77.0))),
        note_number(field(1, None, 0)),
        Statement::For {
            target: Slot::Ref(RefSlot(2)),
            over: Over::List {
                list: Box::new(r(0)),
                item: size,
                record: true,
            },
            body: vec![
                note_number(field(2, None, 0)),
                note_field(2, 0),
                set_ref(3, r(2)),
            ],
            span: at(10),
        },
        note_number(field(3, None, 0)),
    ])
    .says(&["20", "2", "2", "2", "b", "77", "b", "77"]);
    run(vec![
        set_ref(0, Ref::Made(vec![record(1.0, "a")], at(8))),
        store(0, vec![hop(c(1.0), size)], one(c(77.0))),
    ])
    .fails(FailureKind::Value, "index 1 is past the end of a list of 1");
}

#[test]
fn a_store_past_the_end_fails() {
    for index in [w(0), add(w(0), c(0.0))] {
        let ran = run(vec![
            set_ref(0, list(&[1.0])),
            set(0, c(1.0)),
            store(0, vec![hop(index, Layout::WORD)], one(c(2.0))),
        ]);
        ran.fails(FailureKind::Value, "index 1 is past the end of a list of 1");
        assert_eq!(ran.failure().2, 9);
    }
}

#[test]
fn lists_and_texts_are_made() {
    let even = Ref::Comprehension(Box::new(Comprehension {
        target: Slot::Number(WordSlot(0)),
        over: Over::Range(Box::new(c(0.0)), Box::new(c(6.0))),
        only_if: Some(Flag::Compare(
            Comparison::Equal,
            Box::new(Number::Modulo(Box::new(w(0)), Box::new(c(2.0)), at(0))),
            Box::new(c(0.0)),
        )),
        element: one(times(w(0), w(0))),
        span: at(0),
    }));
    let range = |a, b| Ref::Range(Box::new(c(a)), Box::new(c(b)), at(8));
    let joined = |a, b| Ref::Joined(Box::new(a), Box::new(b), at(8));
    let size = builtin_call(
        "size",
        vec![Some(Expression::Ref(range(0.0, 5.0))), None],
        0,
    );
    run(vec![
        note_list(even),
        note_list(range(0.5, 3.0)),
        note_list(range(3.0, 0.0)),
        note_list(joined(list(&[1.0]), list(&[2.0, 3.0]))),
        Statement::Note(joined(text("ab"), text("c"))),
        note_number(Number::Builtin(Box::new(size))),
    ])
    .says(&[
        "[0, 4, 16]",
        "[0.5, 1.5, 2.5]",
        "[]",
        "[1, 2, 3]",
        "abc",
        "5",
    ]);
}

#[test]
fn loops_keep_their_bounds() {
    let up = || set(0, add(w(0), c(1.0)));
    let until = |n: f64| Statement::Repeat {
        times: c(5.0),
        before: None,
        body: vec![up()],
        until: Some(Flag::Not(Box::new(less(w(0), c(n))))),
        otherwise: vec![note("bound reached")],
        span: at(11),
    };
    let shown = || note_number(w(0));
    run(vec![
        repeat(c(3.0), Some(less(w(0), c(2.0))), vec![up()]),
        shown(),
    ])
    .says(&["2"]);
    run(vec![
        repeat(c(3.0), Some(less(w(0), c(3.0))), vec![up()]),
        shown(),
    ])
    .says(&["3"]);
    run(vec![
        repeat(c(3.0), Some(less(w(0), c(9.0))), vec![up()]),
        shown(),
    ])
    .says(&["bound reached", "3"]);
    run(vec![until(5.0), shown()]).says(&["5"]);
    run(vec![until(6.0), shown()]).says(&["bound reached", "5"]);
    for (times, shown) in [
        (2.5, "2.5"),
        (-1.0, "-1"),
        (f64::NAN, "no number"),
        (1e10, "1e10"),
    ] {
        let ran = run(vec![repeat(c(times), None, vec![])]);
        let message =
            format!("a loop cannot run {shown} times: the bound is a whole number from 0 to 1e9");
        ran.fails(FailureKind::Value, &message);
    }
}

#[test]
fn loops_are_left_early() {
    let when = |n, then| Statement::If(vec![(less(w(0), c(n)), vec![])], vec![then]);
    run(vec![
        for_range(
            0,
            c(0.0),
            c(9.0),
            vec![
                when(5.0, Statement::Break),
                when(2.0, Statement::Continue),
                note_number(w(0)),
            ],
        ),
        Statement::Return(None),
        note("not reached"),
    ])
    .says(&["0", "1"]);
}

#[test]
fn ranges_end() {
    run(vec![for_range(0, c(0.5), c(2.0), vec![note_number(w(0))])]).says(&["0.5", "1.5"]);
    run(vec![for_range(0, c(1e17), c(1e17 + 16.0), vec![])]).says(&[]);
    run(vec![for_range(0, c(0.0), c(f64::INFINITY), vec![])])
        .fails(FailureKind::Value, "a range cannot go from 0 to infinite");
    run(vec![for_range(0, c(0.0), c(1e12), vec![])]).fails(
        FailureKind::Limit,
        "a loop over 1e12 numbers is too long; 1e9 are allowed",
    );
}

#[test]
fn arguments_are_ready_before_the_call() {
    // sum(a, b) with slots 1, 2 and result 3.
    let sum = routine(
        &[1, 2],
        Some(3),
        vec![give(3, add(w(1), times(w(2), c(10.0))))],
    );
    let two = routine(
        &[],
        Some(4),
        vec![set(5, c(1.0)), give(4, add(w(5), c(1.0)))],
    );
    let inner = |a, b| number_call(0, vec![c(a), c(b)], 20);
    let main = vec![
        note_number(number_call(0, vec![inner(1.0, 2.0), inner(3.0, 4.0)], 21)),
        note_number(number_call(0, vec![c(5.0), inner(3.0, 4.0)], 21)),
        note_number(add(inner(1.0, 1.0), number_call(1, vec![], 20))),
        // A variable beside a call that changes it has its old value.
        set(5, c(100.0)),
        note_number(add(w(5), number_call(1, vec![], 20))),
    ];
    let program = Program {
        routines: vec![sum, two],
        ..program(main)
    };
    run_on(Bench::default(), &program).says(&["451", "435", "13", "102"]);
}

#[test]
fn routines_take_and_give_lists() {
    // changed(xs): xs[0] = 8, gives xs. Slots 5 (parameter) and 6 (result).
    let changed = Routine {
        name: Arc::from("changed"),
        parameters: vec![Slot::Ref(RefSlot(5))],
        result: Some(Slot::Ref(RefSlot(6))),
        refs: 5..7,
        body: vec![
            store(5, vec![hop(c(0.0), Layout::WORD)], one(c(8.0))),
            Statement::Return(Some((Slot::Ref(RefSlot(6)), Expression::Ref(r(5))))),
        ],
    };
    let change = |xs| {
        Ref::Call(Box::new(Call {
            routine: 0,
            arguments: vec![Expression::Ref(xs)],
            span: at(20),
        }))
    };
    let main = vec![
        set_ref(0, list(&[1.0, 2.0])),
        set_ref(1, change(r(0))),
        note_list(r(0)),
        note_list(change(change(list(&[3.0])))),
        note_list(r(1)),
        // The routine let go of its references.
        note_list(r(5)),
        note_list(r(6)),
    ];
    let program = Program {
        routines: vec![changed],
        ..program(main)
    };
    run_on(Bench::default(), &program).says(&["[1, 2]", "[8]", "[8, 2]", "[]", "[]"]);
}

#[test]
fn failures_name_the_calls_that_led_there() {
    let inner = routine(&[1], None, vec![fail("no", 30)]);
    let outer = routine(&[], None, vec![Statement::Call(call(0, vec![c(1.0)], 31))]);
    let program = Program {
        routines: vec![inner, outer],
        ..program(vec![Statement::Call(call(1, vec![], 32))])
    };
    let ran = run_on(Bench::default(), &program);
    assert_eq!(ran.failure(), (FailureKind::Failed, "no", 30));
    let calls = &ran.result.as_ref().unwrap_err().calls;
    assert_eq!(calls, &[at(31), at(32)]);
}

#[test]
fn calls_that_nest_without_end_are_refused_before_the_start() {
    let circle = Program {
        routines: vec![
            routine(&[], None, vec![Statement::Call(call(1, vec![], 0))]),
            routine(&[], None, vec![Statement::Call(call(0, vec![], 0))]),
        ],
        ..program(vec![note("started"), Statement::Call(call(0, vec![], 0))])
    };
    let ran = run_on(Bench::default(), &circle);
    assert_eq!(ran.failure().0, FailureKind::Fault);
    assert!(ran.notes().is_empty());
    // Each calls the next one from inside a sum.
    let chain = |length: usize| {
        let link = |next: usize| {
            let number = if next < length {
                add(c(1.0), number_call(next, vec![], 5))
            } else {
                c(1.0)
            };
            routine(&[], Some(3), vec![set(4, c(0.0)), give(3, number)])
        };
        Program {
            routines: (1..=length).map(link).collect(),
            ..program(vec![note_number(number_call(0, vec![], 5))])
        }
    };
    run_on(Bench::default(), &chain(370)).says(&["370"]);
    let ran = run_on(Bench::default(), &chain(2000));
    let message = "calls, blocks and expressions nest too deep from here";
    ran.fails(FailureKind::Limit, message);
}

#[test]
fn caught_failures_say_what_happened() {
    let ran = run(vec![
        attempt(
            vec![set(0, divide(c(1.0), c(0.0))), note("not reached")],
            vec![note_field(9, 0), note_field(9, 1), note_field(9, 2)],
            vec![note("finally")],
        ),
        attempt(
            vec![does("break_down", 40)],
            vec![note_field(9, 0), note_field(9, 1), note_field(9, 2)],
            vec![],
        ),
        attempt(
            vec![note("fine")],
            vec![note("not reached")],
            vec![note("finally")],
        ),
    ]);
    ran.says(&[
        "value",
        "division by zero",
        "place 7",
        "finally",
        "fault",
        "the polygon is not locked",
        "place 40",
        "fine",
        "finally",
    ]);
}

#[test]
fn a_failure_passed_on_is_the_same_failure() {
    let again = || Statement::FailAgain(r(9), at(50));
    let ran = run(vec![attempt(
        vec![does("break_down", 40)],
        vec![again()],
        vec![],
    )]);
    assert_eq!(
        ran.failure(),
        (FailureKind::Fault, "the polygon is not locked", 40)
    );
    // Put together by the script, it has the script's words and place.
    let made = |kind: &str| {
        let texts = [kind, "words", "nowhere"];
        Ref::Made(texts.map(|t| part(text(t), false)).to_vec(), at(0))
    };
    for (kind, expected) in [
        ("timeout", FailureKind::Timeout),
        ("anything", FailureKind::Failed),
        ("interrupted", FailureKind::Failed),
    ] {
        let ran = run(vec![Statement::FailAgain(made(kind), at(50))]);
        assert_eq!(ran.failure(), (expected, "words", 50));
    }
}

#[test]
fn finally_runs_on_every_way_out_and_the_first_failure_wins() {
    let ran = run(vec![
        for_range(
            0,
            c(0.0),
            c(2.0),
            vec![attempt(vec![Statement::Continue], vec![], vec![note("a")])],
        ),
        for_range(
            0,
            c(0.0),
            c(2.0),
            vec![attempt(vec![Statement::Break], vec![], vec![note("b")])],
        ),
        attempt(vec![Statement::Return(None)], vec![], vec![note("c")]),
        note("not reached"),
    ]);
    ran.says(&["a", "a", "b", "c"]);
    let ran = run(vec![attempt(
        vec![fail("first", 1)],
        vec![fail("second", 2)],
        vec![note("finally"), fail("third", 3), note("not reached")],
    )]);
    assert_eq!(ran.failure(), (FailureKind::Failed, "second", 2));
    assert_eq!((ran.notes(), ran.also()), (vec!["finally"], vec!["third"]));
    let ran = run(vec![attempt(vec![], vec![], vec![fail("only", 3)])]);
    ran.fails(FailureKind::Failed, "only");
}

#[test]
fn a_stop_is_not_caught_but_finally_runs() {
    let ran = run(vec![
        attempt(
            vec![does("press_stop", 0), for_range(0, c(0.0), c(1e9), vec![])],
            vec![note("caught")],
            vec![for_range(0, c(0.0), c(3.0), vec![note("finally")])],
        ),
        note("not reached"),
    ]);
    ran.fails(FailureKind::Interrupted, "interrupted");
    assert_eq!(ran.notes(), ["finally"; 3]);
    // A second one ends finally as well.
    let ran = run(vec![attempt(
        vec![does("press_stop", 0), Statement::Wait(c(1.0), at(60))],
        vec![],
        vec![
            note("finally"),
            does("press_stop", 0),
            for_range(0, c(0.0), c(1e9), vec![]),
            note("not reached"),
        ],
    )]);
    assert_eq!(ran.failure(), (FailureKind::Interrupted, "interrupted", 60));
    assert_eq!(
        (ran.notes(), ran.also()),
        (vec!["finally"], vec!["interrupted"])
    );
}

#[test]
fn a_stop_ends_loops_waits_and_calls() {
    let empty = routine(&[1], None, vec![]);
    let list = Ref::Range(Box::new(c(0.0)), Box::new(c(1e6)), at(0));
    let over = Over::List {
        list: Box::new(list),
        item: Layout::WORD,
        record: false,
    };
    let each = Ref::Comprehension(Box::new(Comprehension {
        target: Slot::Number(WordSlot(0)),
        over: over.clone(),
        only_if: None,
        element: one(w(0)),
        span: at(0),
    }));
    for long in [
        repeat(c(1e9), None, vec![]),
        repeat(c(1e9), Some(less(w(0), c(1.0))), vec![]),
        for_range(0, c(0.0), c(1e9), vec![]),
        Statement::For {
            target: Slot::Number(WordSlot(0)),
            over,
            body: vec![],
            span: at(0),
        },
        set_ref(0, each),
        Statement::Call(call(0, vec![c(1.0)], 0)),
        Statement::Wait(c(1.0), at(0)),
        wait_until(9.0, 0.1, None),
        arm(0.5, vec![]),
    ] {
        let program = Program {
            routines: vec![empty.clone()],
            ..program(vec![does("press_stop", 0), long, note("not reached")])
        };
        let bench = Bench {
            lock_at: 1e9,
            ..Bench::default()
        };
        let ran = run_on(bench, &program);
        ran.fails(FailureKind::Interrupted, "interrupted");
        assert!(ran.notes().is_empty());
        assert!(!ran.bench.log.iter().any(|line| line.starts_with("arm")));
    }
}

#[test]
fn every_way_out_of_arm_disarms() {
    let mut way = routine(&[], None, vec![arm(0.5, vec![Statement::Return(None)])]);
    way.body.push(fail("not reached", 0));
    let ways = [
        (vec![arm(0.5, vec![])], true),
        (
            vec![for_range(
                0,
                c(0.0),
                c(5.0),
                vec![arm(0.5, vec![Statement::Break])],
            )],
            true,
        ),
        (
            vec![for_range(
                0,
                c(0.0),
                c(1.0),
                vec![arm(0.5, vec![Statement::Continue]), fail("not reached", 0)],
            )],
            true,
        ),
        (vec![Statement::Call(call(0, vec![], 0))], true),
        (vec![arm(0.5, vec![fail("no", 0)])], false),
        (vec![arm(0.5, vec![set(0, divide(c(1.0), c(0.0)))])], false),
        (
            vec![arm(
                0.5,
                vec![does("press_stop", 0), for_range(0, c(0.0), c(9.0), vec![])],
            )],
            false,
        ),
    ];
    for (body, passes) in ways {
        let program = Program {
            routines: vec![way.clone()],
            ..program(body)
        };
        let ran = run_on(Bench::default(), &program);
        assert_eq!(ran.result.is_ok(), passes, "{:?}", ran.result);
        assert_eq!(ran.calls(), ["arm 0.5", "disarm"]);
    }
}

#[test]
fn a_panic_disarms_and_becomes_a_failure() {
    let ran = run(vec![attempt(
        vec![arm(0.5, vec![does("panics", 70)])],
        vec![note("caught")],
        vec![note("finally")],
    )]);
    ran.fails(FailureKind::Fault, "internal error: boom");
    assert!(ran.notes().is_empty());
    assert_eq!(ran.calls(), ["arm 0.5", "disarm", "disarm"]);
}

#[test]
fn disarming_comes_before_anything_else() {
    let ran = run(vec![
        attempt(
            vec![arm(
                0.25,
                vec![attempt(vec![fail("no", 0)], vec![], vec![does("trims", 0)])],
            )],
            vec![does("trims", 0)],
            vec![],
        ),
        arm(0.5, vec![]),
    ]);
    assert_eq!(
        ran.calls(),
        ["arm 0.25", "trims", "disarm", "trims", "arm 0.5", "disarm"]
    );
}

#[test]
fn arming_is_refused_with_a_reason() {
    for (power, shown) in [(1.5, "1.5"), (-0.1, "-0.1"), (f64::NAN, "no number")] {
        let ran = run(vec![arm(power, vec![])]);
        let message = format!("cannot arm at {shown}: power is a share from 0 to 1 (100 %)");
        ran.fails(FailureKind::Value, &message);
        assert!(ran.calls().is_empty());
    }
    let ran = run(vec![arm(0.5, vec![arm(0.5, vec![])])]);
    ran.fails(FailureKind::Fault, "the laser is armed already");
    assert_eq!(ran.calls(), ["arm 0.5", "disarm"]);
    let bench = Bench {
        refuses_arm: true,
        ..Bench::default()
    };
    let ran = run_on(bench, &program(vec![arm(0.5, vec![note("not reached")])]));
    ran.fails(FailureKind::Fault, "the interlock is open");
    assert!(ran.notes().is_empty());
    assert_eq!(ran.calls(), ["arm 0.5", "disarm"]);
}

#[test]
fn a_failed_disarm_is_told() {
    let stuck = || Bench {
        refuses_disarm: true,
        ..Bench::default()
    };
    let message = "the laser could not be disarmed: no answer";
    for body in [vec![], vec![Statement::Return(None)]] {
        let ran = run_on(stuck(), &program(vec![arm(0.5, body)]));
        ran.fails(FailureKind::Fault, message);
        assert!(ran.also().is_empty());
    }
    let ran = run_on(stuck(), &program(vec![arm(0.5, vec![fail("first", 1)])]));
    ran.fails(FailureKind::Failed, "first");
    assert_eq!(ran.also(), [message]);
}

#[test]
fn waiting_takes_head_time() {
    let ran = run(vec![
        Statement::Wait(c(1.5), at(0)),
        Statement::Wait(c(0.0), at(0)),
    ]);
    ran.says(&[]);
    assert_eq!(ran.bench.time, 1.5);
    let rule = "a time is finite and not negative";
    for (time, shown) in [
        (-1.0, "-1 s"),
        (f64::NAN, "no number"),
        (f64::INFINITY, "infinite s"),
    ] {
        let message = format!("cannot wait {shown}: {rule}");
        run(vec![Statement::Wait(c(time), at(0))]).fails(FailureKind::Value, &message);
        run(vec![wait_until(time, 1.0, None)]).fails(FailureKind::Value, &message);
        run(vec![wait_until(1.0, time, None)]).fails(FailureKind::Value, &message);
    }
}

#[test]
fn waiting_for_a_condition_looks_until_the_limit_and_once_more_there() {
    let later = |lock_at| Bench {
        lock_at,
        ..Bench::default()
    };
    let ran = run_on(later(0.5), &program(vec![wait_until(1.0, 0.25, None)]));
    ran.says(&[]);
    assert_eq!(ran.bench.log, ["look 0.000", "look 0.250", "look 0.500"]);
    // The limit is no multiple of the interval: the last look is right at the limit.
    let ran = run_on(later(1.0), &program(vec![wait_until(1.0, 0.4, None)]));
    ran.says(&[]);
    assert_eq!(
        ran.bench.log,
        ["look 0.000", "look 0.400", "look 0.800", "look 1.000"]
    );
    let ran = run_on(later(99.0), &program(vec![wait_until(20.0, 0.5, None)]));
    ran.fails(
        FailureKind::Timeout,
        "gave up after 20 s: `locked()` did not come true",
    );
    assert_eq!(ran.failure().2, 13);
    assert_eq!(ran.bench.time, 20.0);
    let otherwise = Some(vec![note("otherwise")]);
    let ran = run_on(later(99.0), &program(vec![wait_until(0.0, 0.5, otherwise)]));
    ran.says(&["otherwise"]);
    assert_eq!(ran.bench.log, ["look 0.000"]);
}

#[test]
fn waiting_ends_even_when_the_clock_stands() {
    let bench = Bench {
        lock_at: 1.0,
        clock_stands: true,
        ..Bench::default()
    };
    let ran = run_on(bench, &program(vec![wait_until(1e-3, 0.0, None)]));
    assert_eq!(ran.failure().0, FailureKind::Timeout);
}

#[test]
fn waiting_tells_of_its_progress_now_and_then() {
    let bench = Bench {
        lock_at: 99.0,
        ..Bench::default()
    };
    let ran = run_on(bench, &program(vec![wait_until(1.0, 0.01, Some(vec![]))]));
    let elapsed: Vec<f64> = ran
        .events
        .iter()
        .map(|event| match event {
            Event::Progress {
                text,
                elapsed,
                limit,
            } if &**text == "locked()" && *limit == 1.0 => *elapsed,
            other => panic!("{other:?}"),
        })
        .collect();
    assert!((9..=10).contains(&elapsed.len()), "{elapsed:?}");
    assert!(
        elapsed
            .windows(2)
            .all(|pair| pair[1] - pair[0] >= 0.1 - 1e-9)
    );
}

#[test]
fn a_stop_while_sleeping_ends_the_wait() {
    let bench = Bench {
        lock_at: 1e9,
        stop_at: Some(3.0),
        ..Bench::default()
    };
    let ran = run_on(bench, &program(vec![wait_until(1e6, 1.0, None)]));
    ran.fails(FailureKind::Interrupted, "interrupted");
    assert_eq!(ran.bench.time, 3.0);
}

#[test]
fn memory_is_bounded() {
    let range = |n: f64| Ref::Range(Box::new(c(0.0)), Box::new(c(n)), at(8));
    let list_message = "a list may not hold more than 4000000 numbers";
    let held_message = "the lists and texts of the script take more than 256 MiB";
    run(vec![set_ref(0, range(4e6 + 1.0))]).fails(
        FailureKind::Limit,
        "a range of 4000001 numbers is too long for a list, which holds 4000000 at most",
    );
    run(vec![
        set_ref(0, range(3e6)),
        Statement::Append(RefSlot(0), r(0), at(8)),
    ])
    .fails(FailureKind::Limit, list_message);
    let element = |element| {
        Ref::Comprehension(Box::new(Comprehension {
            target: Slot::Number(WordSlot(0)),
            over: Over::Range(Box::new(c(0.0)), Box::new(c(5e6))),
            only_if: None,
            element,
            span: at(8),
        }))
    };
    run(vec![set_ref(0, element(one(w(0))))]).fails(FailureKind::Limit, list_message);
    run(vec![set_ref(0, element(part(text("x"), false)))]).fails(FailureKind::Limit, list_message);
    let too_long = Ref::Builtin(Box::new(builtin_call("too_long", vec![], 0)));
    run(vec![set_ref(0, too_long)]).fails(FailureKind::Limit, list_message);
    // Lists of lists, in a comprehension, by growing, and nested while under construction.
    run(vec![set_ref(0, element(part(range(1e5), false)))]).fails(FailureKind::Limit, held_message);
    let nested = element(part(element(part(range(1e5), false)), false));
    run(vec![set_ref(0, nested)]).fails(FailureKind::Limit, held_message);
    let row = Ref::Made(vec![part(range(1e5), false)], at(8));
    run(vec![
        set_ref(0, Ref::Made(vec![], at(8))),
        for_range(
            1,
            c(0.0),
            c(1e6),
            vec![Statement::Append(RefSlot(0), row, at(8))],
        ),
    ])
    .fails(FailureKind::Limit, held_message);
    // Letting go makes room again: a hundred times a million, one after the other.
    run(vec![for_range(
        1,
        c(0.0),
        c(100.0),
        vec![set_ref(0, range(1e6))],
    )])
    .says(&[]);
    // One list, seen from many places, counts once.
    let same = Ref::Made(vec![part(r(1), false)], at(8));
    run(vec![
        set_ref(1, range(1e6)),
        set_ref(0, Ref::Made(vec![], at(8))),
        for_range(
            1,
            c(0.0),
            c(1e5),
            vec![Statement::Append(RefSlot(0), same, at(8))],
        ),
        for_range(1, c(0.0), c(40.0), vec![set_ref(2, range(1e6))]),
    ])
    .says(&[]);
}

#[test]
fn texts_are_bounded() {
    let double = |slot: usize| {
        let piece = || {
            let value = Expression::Ref(r(slot));
            Piece::Value(value, Shower::Text)
        };
        set_ref(slot, Ref::Interpolated(vec![piece(), piece()], at(8)))
    };
    let message = "a text may not be longer than 1048576 bytes";
    for grow in [double(0), Statement::Append(RefSlot(0), r(0), at(8))] {
        let ran = run(vec![
            set_ref(0, text("x")),
            for_range(0, c(0.0), c(30.0), vec![grow.clone()]),
        ]);
        ran.fails(FailureKind::Limit, message);
    }
    let range = Ref::Range(Box::new(c(0.0)), Box::new(c(1e6)), at(8));
    run(vec![note_list(range)]).fails(
        FailureKind::Limit,
        "a value of more than 350000 parts cannot be shown",
    );
}

#[test]
fn checks_are_decided_and_the_script_goes_on() {
    let temperature = Shower::Temperature {
        unit: None,
        decimals: None,
    };
    let check = |value: f64, shower: Shower| {
        Statement::Expect(Box::new(Expect {
            label: text("check"),
            condition: Expectation::Limits {
                value: c(value),
                uncertainty: Some(c(0.5)),
                low: None,
                high: Some((c(300.15), true)),
                shower,
            },
            text: Rc::from("t <= 27 degC"),
            span: at(80),
        }))
    };
    let holds = |flag| {
        Statement::Expect(Box::new(Expect {
            label: text("holds"),
            condition: Expectation::Holds(Flag::Constant(flag)),
            text: Rc::from("locked()"),
            span: at(81),
        }))
    };
    let ran = run(vec![
        check(299.15, temperature.clone()),
        check(300.0, temperature.clone()),
        check(301.15, temperature),
        holds(true),
        holds(false),
        Statement::Record {
            label: text("x"),
            value: Expression::Number(c(2.5)),
            shower: plain(),
            span: at(82),
        },
    ]);
    ran.says(&[]);
    let mut outcomes = Vec::new();
    for event in &ran.events {
        match event {
            Event::Check(check) => {
                outcomes.push(check.outcome);
                if let Some(measured) = &check.measured {
                    let uncertainty = measured.uncertainty.as_ref().unwrap();
                    assert!(
                        uncertainty.to_string().ends_with(" mK")
                            || uncertainty.to_string() == "0.5 K",
                        "{uncertainty}"
                    );
                    assert_eq!(measured.high.as_ref().unwrap().at.to_string(), "27 degC");
                }
            }
            Event::Recorded { label, shown, span } => {
                assert_eq!(
                    (label.as_str(), shown.to_string(), *span),
                    ("x", "2.5".into(), at(82))
                );
            }
            other => panic!("{other:?}"),
        }
    }
    let expected = [
        Outcome::Conforms,
        Outcome::Undecided,
        Outcome::Fails,
        Outcome::Conforms,
        Outcome::Fails,
    ];
    assert_eq!(outcomes, expected);
}
