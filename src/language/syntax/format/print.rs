//! The printer of the formatter: a stream of words, possible breaks and groups becomes lines.
//! A group stands on one line where it fits; else each of its breaks is taken. Uses nothing else.

/// Columns that a line may have.
pub(super) const WIDEST: i64 = 100;
/// Blanks of one step of indentation.
const STEP: usize = 4;

/// One step of printing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Op {
    /// Bytes of the source, and how many columns they take.
    Text { start: u32, end: u32, width: u32 },
    /// A fixed word or mark.
    Mark(&'static str),
    /// A comment of the source; a line end always follows.
    Comment { start: u32, end: u32 },
    /// A blank that is never a break.
    Space,
    /// A blank, or a line end where the group is broken; `blank` leaves an empty line there.
    Line { blank: bool },
    /// Nothing, or a line end where the group is broken.
    Soft,
    /// A blank, or a line end where the group is broken and what follows does not fit.
    Fill,
    /// A line end; `blank` leaves an empty line.
    Hard { blank: bool },
    /// A comma where the group is broken.
    LastComma,
    /// Indents by `steps`.
    In(u8),
    /// Goes back by `steps`; a comment before what follows stands further left already.
    Out(u8),
    /// Goes back by one step at a closing bracket; a comment before it stands inside.
    Leave,
    /// Begins a group; one that is `broken` is never tried on one line.
    Open { broken: bool },
    /// Ends a group.
    Close,
}

struct Printer<'s> {
    text: &'s str,
    ops: &'s [Op],
    out: String,
    /// Nothing stands on this line yet.
    fresh: bool,
    column: i64,
    indent: usize,
    /// Whether each open group is broken.
    groups: Vec<bool>,
}

/// Prints a stream over its source text.
pub(super) fn print(text: &str, ops: &[Op]) -> String {
    let mut printer = Printer {
        text,
        ops,
        out: String::with_capacity(text.len() + text.len() / 8),
        fresh: true,
        column: 0,
        indent: 0,
        groups: Vec::new(),
    };
    for (at, op) in ops.iter().enumerate() {
        printer.step(at, *op);
    }
    let mut out = printer.out;
    if !out.is_empty() && !out.ends_with('\n') {
        out.push('\n');
    }
    out
}

impl Printer<'_> {
    fn step(&mut self, at: usize, op: Op) {
        match op {
            Op::Text { start, end, width } => {
                let slice = self.text.get(start as usize..end as usize).unwrap_or("");
                self.word(slice, i64::from(width));
            }
            Op::Mark(mark) => self.word(mark, columns(mark)),
            Op::Comment { start, end } => {
                let slice = self.text.get(start as usize..end as usize).unwrap_or("");
                self.word(slice.trim_end(), 0);
            }
            Op::Space => self.word(" ", 1),
            Op::Line { blank } if self.broken() => self.line(blank),
            Op::Line { .. } => self.word(" ", 1),
            Op::Soft if self.broken() => self.line(false),
            Op::Fill if self.broken() && !self.fits(at + 1, 0, 1) => self.line(false),
            Op::Fill => self.word(" ", 1),
            Op::Hard { blank } => self.line(blank),
            Op::LastComma if self.broken() => self.word(",", 1),
            Op::Soft | Op::LastComma => {}
            Op::In(steps) => self.indent += usize::from(steps),
            Op::Out(steps) => self.indent = self.indent.saturating_sub(usize::from(steps)),
            Op::Leave => self.indent = self.indent.saturating_sub(1),
            Op::Open { broken } => {
                let broken = self.broken() && (broken || !self.fits(at + 1, 1, 0));
                self.groups.push(broken);
            }
            Op::Close => {
                self.groups.pop();
            }
        }
    }

    fn broken(&self) -> bool {
        self.groups.last().copied().unwrap_or(true)
    }

    fn word(&mut self, word: &str, width: i64) {
        if self.fresh {
            self.fresh = false;
            self.out.extend(std::iter::repeat_n(' ', self.indent * STEP));
            self.column = self.margin();
        }
        self.out.push_str(word);
        self.column += width;
    }

    fn margin(&self) -> i64 {
        i64::try_from(self.indent * STEP).unwrap_or(i64::MAX)
    }

    fn line(&mut self, blank: bool) {
        if self.out.is_empty() {
            return;
        }
        if !self.fresh {
            self.out.push('\n');
        }
        if blank && !self.out.ends_with("\n\n") {
            self.out.push('\n');
        }
        self.fresh = true;
    }

    /// Whether what follows fits on the line up to the next possible break, with the `nest`
    /// groups around it on one line.
    fn fits(&self, from: usize, mut nest: u32, extra: i64) -> bool {
        let column = if self.fresh { self.margin() } else { self.column };
        let mut left = WIDEST - column - extra;
        for op in self.ops.get(from..).unwrap_or(&[]) {
            match op {
                Op::Text { width, .. } => left -= i64::from(*width),
                Op::Mark(mark) => left -= columns(mark),
                Op::Space => left -= 1,
                Op::Line { .. } | Op::Fill | Op::Soft if nest == 0 => return left >= 0,
                Op::Line { .. } | Op::Fill => left -= 1,
                Op::Hard { .. } | Op::Comment { .. } => return left >= 0,
                Op::LastComma if nest == 0 => left -= 1,
                // A group that is broken in any case counts as if it were not: else the lines that
                // this run breaks would lead the next one to another choice.
                Op::Open { .. } => nest += 1,
                Op::Close => nest = nest.saturating_sub(1),
                _ => {}
            }
            if left < 0 {
                return false;
            }
        }
        true
    }
}

/// How many columns a text takes.
pub(super) fn columns(text: &str) -> i64 {
    let count = if text.is_ascii() { text.len() } else { text.chars().count() };
    i64::try_from(count).unwrap_or(i64::MAX)
}
