//! Makes scripts and heads from a seed: loops, waits, spins, light, failures and what catches
//! them, on heads with faults at any time.

use rand_pcg::Pcg64Mcg;
use rand_pcg::rand_core::{Rng, SeedableRng};
use spintrue_head::Bitmap;
use spintrue_language::{Answer, Images, NoAnswer, Operator, Question, Wanted};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// The image that generated scripts expose, as many dots wide as their plans have.
pub fn stripes() -> Vec<u8> {
    [&b"P4 157 30\n"[..], &[0b1100_1100; 20 * 30]].concat()
}

/// Gives it under any name.
pub struct Stripes;

impl Images for Stripes {
    fn image(&mut self, _: &str) -> Result<Arc<Bitmap>, String> {
        Bitmap::read(&stripes()).map(Arc::new).map_err(|error| error.to_string())
    }
}

/// Answers what generated scripts ask, with what makes them take longest, and at times not at all.
#[derive(Default)]
pub struct Moody(u64);

impl Operator for Moody {
    fn who(&self) -> String {
        "in a mood".to_string()
    }

    fn ask(&mut self, question: &Question<'_>, _: &AtomicBool) -> Result<Answer, NoAnswer> {
        self.0 += 1;
        match (self.0 % 7, question.wanted) {
            (3, _) => Err(NoAnswer::TimedOut),
            (5, _) => Err(NoAnswer::NoOperator("gone".to_string())),
            (_, Wanted::Flag) => Ok(Answer::Flag(self.0.is_multiple_of(2))),
            (_, Wanted::Text) => Ok(Answer::Text("so it is".to_string())),
            (_, Wanted::Quantity(quantity)) => {
                let most = quantity.range.map_or(1.0, |(_, high)| high);
                Ok(Answer::Quantity(most))
            }
        }
    }
}

pub struct Generator {
    rng: Pcg64Mcg,
    names: u32,
    routines: Vec<String>,
    /// Time variables that may be written.
    vars: Vec<String>,
    kind: Kind,
}

/// What is tried.
#[derive(Clone, Copy, PartialEq)]
enum Kind {
    /// Anything.
    Wild,
    /// Nothing fails but where it is caught, so that a script comes near its bound.
    Calm,
    /// Light, turns and silence again and again, on a head that takes its time.
    Slow,
}

/// Where a statement stands.
#[derive(Clone, Copy, Default)]
struct Place {
    depth: u32,
    held: bool,
    armed: bool,
    in_loop: bool,
    routine: bool,
    finally: bool,
}

impl Generator {
    pub fn new(seed: u64) -> Generator {
        let rng = Pcg64Mcg::seed_from_u64(seed);
        let kind = match seed % 4 {
            0 | 2 => Kind::Wild,
            1 => Kind::Calm,
            _ => Kind::Slow,
        };
        Generator { rng, names: 0, routines: Vec::new(), vars: Vec::new(), kind }
    }

    fn below(&mut self, count: u64) -> u64 {
        self.rng.next_u64() % count
    }

    fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.below(of.len() as u64) as usize]
    }

    fn chance(&mut self, percent: u64) -> bool {
        self.below(100) < percent
    }

    fn name(&mut self) -> String {
        self.names += 1;
        format!("_v{}", self.names)
    }

    /// A head that makes one thing slow.
    fn slow_head(&mut self) -> String {
        let [reading, lost, arming] = self.pick(&[
            ["6 s", "100 %", "0 s"],
            ["6 s", "0 %", "0 s"],
            ["0 s", "0 %", "30 s"],
            ["0 s", "0 %", "0 s"],
        ]);
        let fault = self.pick(&[
            "",
            "",
            "",
            "[[fault]]\nkind = \"link_silent\"\nat = \"20 s\"\n",
            "[[fault]]\nkind = \"gauge_dead\"\n",
            "[[fault]]\nkind = \"start_of_scan_dropouts\"\nshare = \"100 %\"\n",
        ]);
        format!(
            "[rotor]\nspeed_least = \"300 rpm\"\n[lock]\nwindow = \"1 %\"\nturns = 4\n\
             [start_of_scan]\nrest_after = \"0.5 s\"\n[laser]\narming_delay = \"{arming}\"\n\
             [gauge]\ntime = \"{reading}\"\nlost = \"{lost}\"\n{fault}"
        )
    }

    /// A script that does one slow thing again and again. The spin-up takes a time that is known.
    fn slow_script(&mut self, mut text: String) -> String {
        text.push_str("spin(300 rpm)\nwait 19 s\nif not locked() { return }\n");
        let times = 4 + self.below(8);
        let what = self.pick(&[
            "let _seen = turns(300)",
            "let _seen = counted_facets(over: 200)",
            "note \"{measured_speed()} {status().armed}\"",
            "load(no_trims())",
            "arm at 35 % { let _seen = test_line(0, slow) }",
            "arm at 35 % { let _seen = [test_line(k, slow, readings: 2) for k in 0..2] }",
            "arm at 35 % { wait 300 ms }",
        ]);
        text.push_str(&format!(
            "let slow = plan_line(300 rpm, length: 40 mm, resolution: 300 dpi)\n\
             repeat {times} times {{\ntry {{ {what} }} catch _p {{ wait 10 ms }}\n}}\n"
        ));
        text
    }

    /// A head as TOML.
    pub fn head(&mut self) -> String {
        if self.kind == Kind::Slow {
            return self.slow_head();
        }
        let inertia = self.pick(&["0.3e-4", "1.2e-4", "4e-4"]);
        let bearing = self.pick(&["0.5", "2", "6"]);
        let (least, most) = self.pick(&[("600", "6000"), ("300", "2000"), ("1200", "9000")]);
        let window = self.pick(&["0.05 %", "1 %", "20 %", "50 %"]);
        let misses = self.pick(&["1", "3", "200"]);
        let facets = self.pick(&["2", "3", "6", "10"]);
        let pulse = self.pick(&["every_facet", "index_only"]);
        let rest = self.pick(&["0.3 s", "1 s", "4 s"]);
        let arming = self.pick(&["0 s", "0.5 s", "3 s"]);
        let service = self.pick(&["1 us", "10 us", "500 us"]);
        let lost = self.pick(&["0 %", "0.1 %", "30 %", "100 %"]);
        let reading = self.pick(&["0 s", "20 ms", "1.5 s"]);
        let hunting = self.pick(&["", "", "{ frequency = \"2 Hz\", amplitude = \"120 ppm\" }"]);
        let torque = self.pick(&["16", "16", "7"]);
        let drift = self.pick(&["-20 ns/K", "0 ns/K", "100 ns/K"]);
        let mut text = format!(
            "[rotor]\ninertia = \"{inertia} kg*m^2\"\nbearing = \"{bearing} mN*m\"\n\
             speed_least = \"{least} rpm\"\nspeed_most = \"{most} rpm\"\nhunting = [{hunting}]\n\
             torque_most = \"{torque} mN*m\"\n\
             [thermal]\ndelay_drift = \"{drift}\"\n\
             [lock]\nwindow = \"{window}\"\nturns = 16\nmisses = {misses}\n\
             [start_of_scan]\npulse = \"{pulse}\"\nrest_after = \"{rest}\"\n\
             [facets]\ncount = {facets}\n[laser]\narming_delay = \"{arming}\"\n\
             [words]\nservice = \"{service}\"\n\
             [gauge]\nlost = \"{lost}\"\ntime = \"{reading}\"\n"
        );
        let faults = if self.kind == Kind::Calm { 0 } else { self.pick(&[0, 0, 1, 1, 2, 4]) };
        for _ in 0..faults {
            let kind = self.pick(&[
                "kind = \"no_lock\"",
                "kind = \"lock_lost\"",
                "kind = \"slow_lock\"\nshare = \"5 %\"",
                "kind = \"laser_stays_armed\"",
                "kind = \"galvanometer_stuck\"",
                "kind = \"store_interrupted\"",
                "kind = \"interlock_opened\"",
                "kind = \"gauge_dead\"",
                "kind = \"index_missing\"",
                "kind = \"index_slipping\"",
                "kind = \"start_of_scan_dropouts\"\nshare = \"60 %\"",
                "kind = \"start_of_scan_dropouts\"\nshare = \"100 %\"",
                "kind = \"queue_underrun\"",
                "kind = \"link_silent\"",
                "kind = \"link_silent\"",
            ]);
            let when = match self.below(3) {
                0 => format!("line = {}", 1 + self.below(12)),
                _ => format!("at = \"{} ms\"", 1 + self.below(30_000)),
            };
            text.push_str(&format!("[[fault]]\n{kind}\n{when}\n"));
        }
        text
    }

    /// A script that the checker accepts.
    pub fn script(&mut self) -> String {
        let mut text = String::from(
            "param rounds = 2\nparam watch = 300 ms\n\
             let plan = plan_line(1300 rpm, length: 40 mm, resolution: 100 dpi)\n",
        );
        let routines = if self.kind == Kind::Slow { 0 } else { self.below(4) };
        for index in 0..routines {
            let place = Place { depth: 3, routine: true, ..Place::default() };
            let body = self.block(place);
            let name = format!("r{index}");
            text.push_str(&format!(
                "routine {name}(t: time, n: number) -> time {{\n\
                 let plan = plan_line(1300 rpm, length: 40 mm, resolution: 100 dpi)\n\
                 {body}return t * n\n}}\n"
            ));
            self.routines.push(name);
        }
        if self.kind == Kind::Slow {
            return self.slow_script(text);
        }
        if self.kind == Kind::Calm {
            return self.calm_script(text);
        }
        text.push_str("spin(1300 rpm)\n");
        if self.chance(80) {
            text.push_str("wait until locked() within 30 s every 50 ms else { note \"late\" }\n");
        }
        for _ in 0..2 + self.below(6) {
            text.push_str(&self.statement(Place::default()));
        }
        text
    }

    /// A script whose conditions come out the long way.
    fn calm_script(&mut self, mut text: String) -> String {
        for _ in 0..1 + self.below(3) {
            text.push_str(&self.statement(Place::default()));
        }
        if self.chance(30) {
            let readings = 1 + self.below(3);
            text.push_str(&format!(
                "spin(1300 rpm)\nwait until locked() within 30 s else {{ return }}\n\
                 try {{\narm at 35 % {{\nlet _seen = test_line(0, plan, readings: {readings})\n\
                 wait 700 ms\n}}\n}} catch _p {{\nwait 2 s\n}}\n"
            ));
        }
        text
    }

    /// What a calm script does.
    fn calm_statement(&mut self, place: Place) -> String {
        let choice = self.below(if place.depth < 4 { 16 } else { 6 });
        match choice {
            0 => format!("wait {}\n", self.time(place)),
            1 => {
                let rest = self.time(place);
                let (limit, every) = (self.time(place), self.pick(&["1 ms", "70 ms", "3 s"]));
                format!(
                    "wait until not interlock_closed() within {limit} every {every} else {{ wait {rest} }}\n"
                )
            }
            2 => {
                let (name, start) = (self.name(), self.time(place));
                self.vars.push(name.clone());
                format!("var {name} = {start}\nwait {name}\n")
            }
            3 if !self.vars.is_empty() => {
                let at = self.below(self.vars.len() as u64) as usize;
                let factor = self.pick(&["2", "0.5", "1.5"]);
                format!("{0} = smaller({0} * {factor}, 3 s)\nwait {0}\n", self.vars[at])
            }
            4 if !self.routines.is_empty() && !place.routine => self.called(place),
            5 if place.in_loop && !place.finally => {
                let jump = self.pick(&["break", "continue"]);
                format!("wait 50 ms\nif not interlock_closed() {{ {jump} }}\n")
            }
            6 | 7 => {
                let (yes, no) = (self.block(place), self.block(place));
                format!("if interlock_closed() {{\n{yes}}} else {{\n{no}}}\n")
            }
            8 | 9 => {
                let inner = Place { in_loop: true, ..place };
                let (name, end, body) = (self.name(), self.count(place), self.block(inner));
                format!("for {name} in 0..{end} {{\nwait {name} * 100 ms\n{body}}}\n")
            }
            10 => {
                let inner = Place { in_loop: true, ..place };
                let name = self.name();
                let list: Vec<String> = (0..1 + self.below(3)).map(|_| self.time(place)).collect();
                let body = self.block(inner);
                format!("for {name} in [{}] {{\nwait {name}\n{body}}}\n", list.join(", "))
            }
            11 | 12 => {
                let inner = Place { in_loop: true, ..place };
                let (count, body, rest) = (self.count(place), self.block(inner), self.block(place));
                let no = "not interlock_closed()";
                format!("repeat at most {count} times {{\n{body}}} until {no} else {{\n{rest}}}\n")
            }
            13 => {
                let body = self.block(Place { in_loop: true, ..place });
                let count = self.count(place);
                format!("while interlock_closed() at most {count} times {{\n{body}}}\n")
            }
            _ if place.depth >= 4 => "wait 20 ms\n".to_string(),
            _ => {
                let (body, catch) = (self.block(place), self.block(place));
                let last = Place { in_loop: false, finally: true, ..place };
                let (finally, name) = (self.block(last), self.name());
                format!(
                    "try {{\n{body}if interlock_closed() {{ fail \"on purpose\" }}\n}} \
                     catch {name} {{\n{catch}}} finally {{\n{finally}}}\n"
                )
            }
        }
    }

    fn block(&mut self, place: Place) -> String {
        let vars = self.vars.len();
        let count = 1 + self.below(3);
        let place = Place { depth: place.depth + 1, ..place };
        let block = (0..count).map(|_| self.statement(place)).collect();
        self.vars.truncate(vars);
        block
    }

    fn time(&mut self, place: Place) -> String {
        match self.below(if place.routine { 7 } else { 6 }) {
            0 => "watch".to_string(),
            1 if !self.vars.is_empty() => {
                let at = self.below(self.vars.len() as u64) as usize;
                self.vars[at].clone()
            }
            2 => format!("smaller({} ms, watch * 2)", self.below(900)),
            3 => format!("larger({} ms, turn_time({}))", self.below(900), self.below(4))
                .replace("turn_time(", "1 ms * (1 + "),
            4 if self.kind == Kind::Wild && self.chance(2) => {
                "larger(0 s, now() - now())".to_string()
            }
            6 => "smaller(t, 400 ms)".to_string(),
            _ => format!("{} ms", self.below(1500)),
        }
    }

    fn count(&mut self, place: Place) -> String {
        match self.below(6) {
            0 => "rounds".to_string(),
            1 => "rounds + 1".to_string(),
            2 => "count(facets())".to_string(),
            3 if place.routine => "floor(smaller(larger(n, 0), 3))".to_string(),
            _ => self.below(4).to_string(),
        }
    }

    fn flag(&mut self) -> String {
        self.pick(&[
            "locked()",
            "not locked()",
            "at_rest()",
            "interlock_closed()",
            "measured_speed() > 900 rpm",
            "rounds > 1",
            "rounds > 1 and locked()",
            "watch < 100 ms or not interlock_closed()",
        ])
        .to_string()
    }

    fn speed(&mut self) -> &'static str {
        self.pick(&["1300 rpm", "1300 rpm", "1900 rpm", "1250 rpm", "100 rpm", "measured_speed()"])
    }

    fn statement(&mut self, place: Place) -> String {
        if self.kind == Kind::Calm {
            return self.calm_statement(place);
        }
        let choice = self.below(if place.depth < 4 { 34 } else { 18 });
        match choice {
            0 | 1 => format!("wait {}\n", self.time(place)),
            2 | 3 => {
                let (flag, limit, every) = (self.flag(), self.time(place), self.time(place));
                let every =
                    if self.chance(50) { format!(" every {every} + 1 ms") } else { String::new() };
                format!("wait until {flag} within {limit}{every}\n")
            }
            4 => {
                let (flag, limit) = (self.flag(), self.time(place));
                let otherwise = self.block(Place { depth: place.depth + 2, ..place });
                format!("wait until {flag} within {limit} else {{\n{otherwise}}}\n")
            }
            5 if !place.armed => format!("spin({})\n", self.speed()),
            6 if !place.armed => {
                self.pick(&["brake()\n", "coast()\n", "spin(1300 rpm)\n"]).to_string()
            }
            7 => self.pick(&["park()\n", "steer(1 mrad)\n", "keep_spinning()\n"]).to_string(),
            8 => format!("let {} = turns({})\n", self.name(), 1 + self.below(40)),
            9 => format!("let {} = counted_facets()\n", self.name()),
            10 => "load(no_trims())\n".to_string(),
            11 if !place.armed && !place.held && self.chance(40) => {
                let (name, limit, inner) = (self.name(), self.time(place), self.name());
                match self.below(4) {
                    0 => format!("ask \"all well?\" within {limit}: text\n"),
                    1 => {
                        format!("let {name} = ask \"go on?\": flag\nif {name} {{ wait {limit} }}\n")
                    }
                    2 => format!(
                        "let {name} = ask \"how long\": time within 0 s .. 2 s\nwait {name}\n"
                    ),
                    _ => format!(
                        "let {name} = ask \"how often\": number within 0 .. rounds + 1\n\
                         for {inner} in 0..{name} {{ wait {inner} * 10 ms }}\n"
                    ),
                }
            }
            11 => "note \"{measured_speed() in rpm} {status().armed} {count(loaded_trims())}\"\n"
                .to_string(),
            12 if place.armed && self.chance(30) => {
                let lines = self.pick(&["30", "30", "40", "3"]);
                format!("let {} = expose(\"stripes.pbm\", plan, lines: {lines})\n", self.name())
            }
            12 | 13 if place.armed => {
                format!(
                    "let {} = test_line(0, plan, readings: {})\n",
                    self.name(),
                    1 + self.below(3)
                )
            }
            12 => {
                let (name, start) = (self.name(), self.time(place));
                let text = format!("var {name} = {start}\n");
                self.vars.push(name);
                text
            }
            13 if !self.vars.is_empty() => {
                let at = self.below(self.vars.len() as u64) as usize;
                let factor = self.pick(&["2", "0.5", "1.5"]);
                format!("{0} = smaller({0} * {factor}, 3 s)\n", self.vars[at])
            }
            14 if place.in_loop && !place.finally => {
                let jump = self.pick(&["break", "continue"]);
                format!("if {} {{ {jump} }}\n", self.flag())
            }
            15 => format!("if {} {{ fail \"given up\" }}\n", self.flag()),
            16 if place.routine && !place.finally => {
                format!("if {} {{ return {} }}\n", self.flag(), self.time(place))
            }
            17 if !self.routines.is_empty() && !place.armed && !place.routine => self.called(place),
            18 | 19 => {
                let (flag, yes, no) = (self.flag(), self.block(place), self.block(place));
                format!("if {flag} {{\n{yes}}} else {{\n{no}}}\n")
            }
            20 | 21 => {
                let inner = Place { in_loop: true, ..place };
                let (name, end, body) = (self.name(), self.count(place), self.block(inner));
                let wait = self.pick(&["", "wait", "turn"]);
                let own = match wait {
                    "wait" => format!("wait {name} * 100 ms\n"),
                    "turn" => format!("let {} = turns({name} + 1)\n", self.name()),
                    _ => String::new(),
                };
                format!("for {name} in 0..{end} {{\n{own}{body}}}\n")
            }
            22 => {
                let inner = Place { in_loop: true, ..place };
                let name = self.name();
                let list: Vec<String> = (0..1 + self.below(3)).map(|_| self.time(place)).collect();
                let body = self.block(inner);
                format!("for {name} in [{}] {{\nwait {name}\n{body}}}\n", list.join(", "))
            }
            23 => {
                let body = self.block(Place { in_loop: true, ..place });
                format!("repeat {} times {{\n{body}}}\n", self.count(place))
            }
            24 => {
                let body = self.block(Place { in_loop: true, ..place });
                let (count, flag, rest) = (self.count(place), self.flag(), self.block(place));
                format!(
                    "repeat at most {count} times {{\n{body}}} until {flag} else {{\n{rest}}}\n"
                )
            }
            25 => {
                let body = self.block(Place { in_loop: true, ..place });
                let (flag, count) = (self.flag(), self.count(place));
                format!("while {flag} at most {count} times {{\n{body}}}\n")
            }
            26..=28 => self.attempt(place),
            30 => {
                let (flag, more, every) = (self.flag(), self.flag(), self.time(place));
                let body = self.block(Place { depth: place.depth + 2, held: true, ..place });
                format!("hold {flag}, {more} every {every} + 10 ms {{\n{body}}}\n")
            }
            29 if !place.armed => {
                let (name, slow) = (self.name(), self.name());
                format!(
                    "let {name} = [count(turns({slow} + 1)) for {slow} in 0..{} if {}]\n",
                    self.count(place),
                    self.flag()
                )
            }
            _ if !place.armed && !place.finally => {
                let inner = Place { armed: true, ..place };
                let body = self.block(inner);
                let seen = self.name();
                let lines = match self.below(3) {
                    0 => format!("let {seen} = [test_line(k, plan) for k in facets()]\n"),
                    1 => format!("let {seen} = test_line(1, plan, readings: rounds)\n"),
                    _ => String::new(),
                };
                format!("arm at 35 % {{\n{lines}{body}}}\n")
            }
            _ => "note \"here\"\n".to_string(),
        }
    }

    fn called(&mut self, place: Place) -> String {
        let at = self.below(self.routines.len() as u64) as usize;
        let (name, time, count) = (self.name(), self.time(place), self.count(place));
        let call = format!("{}({time}, {count})", self.routines[at]);
        match self.below(2) {
            0 => format!("let {name} = {call}\n"),
            _ => format!("wait smaller({call}, 2 s)\n"),
        }
    }

    fn attempt(&mut self, place: Place) -> String {
        let body = self.block(place);
        let catch = self.block(place);
        let last = Place { in_loop: false, finally: true, ..place };
        let finally = self.block(last);
        let name = self.name();
        match self.below(3) {
            0 => format!("try {{\n{body}}} catch {name} {{\n{catch}}}\n"),
            1 => format!("try {{\n{body}}} finally {{\n{finally}}}\n"),
            _ => {
                format!("try {{\n{body}}} catch {name} {{\n{catch}}} finally {{\n{finally}}}\n")
            }
        }
    }
}
