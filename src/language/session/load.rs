//! From script text to a checked program: reads a script and all it uses, parses and checks it.

use crate::bounds::Bound;
use crate::check::flow::EffectsOf;
use crate::check::index::Index;
use crate::check::{Checked, Module, Named, NamedImage, Origin, Setting, Unset};
use crate::diagnostics::{Diagnostic, Severity, codes};
use crate::images::{ChartFacts, ImageFact, no_charts};
use crate::interpret::Links;
use crate::program::table::{Table, Tables};
use crate::program::tree::Program;
use crate::session::gate::forbids;
use crate::session::proved::Fits;
use crate::session::uses::{with_other_path, wrongly_used};
use crate::session::{SCRIPT, sheet};
use crate::source::{SourceId, SourceMap, Span};
use crate::syntax::foreign::ends_block;
use crate::syntax::names::Names;
use crate::syntax::tree::{File, StatementKind};
use crate::syntax::{parse, parse_expression};
use crate::{bounds, check};
use spintrue_head::{Bitmap, Description, ImageError};
use std::collections::{HashMap, HashSet};
use std::rc::Rc;
use thiserror::Error;

/// Longest chain of files that use each other.
const MAX_DEPTH: usize = 64;

/// Why a file cannot be read.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum FileError {
    /// It cannot be opened, or is no text.
    #[error("{0}")]
    Unreadable(String),
    /// It is no image that can be exposed.
    #[error("{path}: {error}")]
    Image {
        /// As it is named.
        path: String,
        /// What is wrong with it.
        error: ImageError,
    },
}

impl From<String> for FileError {
    fn from(why: String) -> Self {
        FileError::Unreadable(why)
    }
}

impl From<FileError> for String {
    fn from(error: FileError) -> Self {
        error.to_string()
    }
}

/// Reads the texts of scripts.
pub trait Files {
    /// Reads `path`, which stands in the file `from` (none for the script itself).
    /// Gives a name that is the same for the same file, and the text; or why not.
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<Text, FileError>;

    /// Reads the bytes of `path`, an image that the file `from` names; or why not.
    fn bytes(&mut self, from: &str, path: &str) -> Result<Vec<u8>, FileError> {
        let _ = from;
        Err(format!("{path} cannot be read: there are no images here").into())
    }

    /// What the chart `path` is made for, which the file `from` names; or why it is none.
    fn chart(&mut self, from: &str, path: &str) -> Result<ChartFacts, FileError> {
        let _ = from;
        Err(no_charts(path).into())
    }
}

/// Reads an image that a script names; the path is taken from the folder of the script that is
/// run. Says why not with the image's name.
pub fn read_image(files: &mut dyn Files, script: &str, path: &str) -> Result<Bitmap, FileError> {
    let bytes = files.bytes(script, path)?;
    Bitmap::read(&bytes).map_err(|error| FileError::Image { path: path.to_string(), error })
}

/// A text with its name.
pub struct Text {
    /// Shown in reports, and the same whenever the same file is meant.
    pub name: String,
    /// What stands in it.
    pub text: String,
}

/// A checked script.
pub struct Prepared {
    /// All texts, for reports.
    pub sources: SourceMap,
    /// How many of them are the script and the files that it uses; they come first.
    pub scripts: usize,
    /// Errors and warnings.
    pub diagnostics: Vec<Diagnostic>,
    /// The program, where no error forbids it to run.
    pub program: Option<Program>,
    /// What each routine and last the script may do to the head.
    pub effects: Vec<EffectsOf>,
    /// Params that must be set before it may run.
    pub unset: Vec<Unset>,
    /// What the script names by plain text.
    pub(super) named: Named,
    /// What is known of the images that it names.
    pub(super) images: ImageFacts,
    /// The last head on which nothing of the program is refused.
    pub(super) fits: Fits,
    /// The program as it was linked for its first run.
    pub(super) links: Links,
}

/// What is known of images, by the names that a script gives them.
pub(crate) type ImageFacts = HashMap<String, ImageFact>;

/// A checked script with all that was learned of it.
pub struct Examined {
    /// What a check comes to.
    pub prepared: Prepared,
    /// The tree of each file, each behind those it uses.
    pub files: Vec<(SourceId, File)>,
    /// The texts of the names in the trees.
    pub names: Names,
    /// What each name means.
    pub index: Index,
}

impl Prepared {
    /// Takes params without a value for errors.
    pub(super) fn or_unset(mut self) -> Prepared {
        if !self.unset.is_empty() {
            self.diagnostics.extend(self.unset.iter().map(Unset::report));
            sort(&mut self.diagnostics);
            self.program = None;
        }
        self
    }

    /// Images that the script names by plain text.
    pub fn images(&self) -> impl Iterator<Item = &str> {
        self.named.images.iter().map(|image| image.name.as_str())
    }

    /// Scans of charts are read.
    pub fn reads_charts(&self) -> bool {
        self.named.reads_charts
    }

    /// How long the script takes at most on a head; none where it may not run at all.
    pub fn bound(&self, head: &Description) -> Option<Bound> {
        self.program.as_ref().map(|program| bounds::bound(program, head))
    }

    /// How many errors there are.
    pub fn errors(&self) -> usize {
        self.diagnostics.iter().filter(|d| d.is_error()).count()
    }
}

/// Reads, parses and checks a script with all it uses. `settings` are `NAME=VALUE` texts.
/// Fails only where the script itself cannot be read.
pub fn prove(
    files: &mut dyn Files,
    path: &str,
    settings: &[String],
) -> Result<Prepared, FileError> {
    Ok(examined(files, path, settings, false)?.prepared)
}

/// The same for a script that is to run: params without a value are errors.
pub fn prepare(
    files: &mut dyn Files,
    path: &str,
    settings: &[String],
) -> Result<Prepared, FileError> {
    Ok(prove(files, path, settings)?.or_unset())
}

/// The same for editors: keeps the trees, and tells what each name means.
pub(crate) fn examine(files: &mut dyn Files, path: &str) -> Result<Examined, FileError> {
    examined(files, path, &[], true)
}

fn examined(
    files: &mut dyn Files,
    path: &str,
    settings: &[String],
    index: bool,
) -> Result<Examined, FileError> {
    let (mut texts, settings) = Texts::read(files, path, settings)?;
    let (prepared, index) = texts.judged(files, &settings, index);
    let files = texts.modules.into_iter().map(|m| (m.source, m.file)).collect();
    Ok(Examined { prepared, files, names: texts.names, index })
}

/// What reading and checking came to together: every report that is sound, in order, and the
/// program where nothing forbids it to run.
pub(super) fn settled(
    files: &mut dyn Files,
    sources: &SourceMap,
    mut diagnostics: Vec<Diagnostic>,
    checked: &mut Checked,
    images: Option<&mut ImageFacts>,
) -> (Vec<Diagnostic>, Option<Program>) {
    // What could not be read makes what stands beside it look wrong.
    let line = |span: Span| (span.source, sources.line_column(span.source, span.start).0);
    let lines = |d: &Diagnostic| {
        let edits = d.help.iter().flat_map(|help| &help.edits);
        let last = edits.map(|edit| line(edit.span).1).max().unwrap_or(0);
        let (source, first) = line(d.span());
        let end = sources.line_column(source, d.span().end).0;
        (first..=last.max(end)).map(move |line| (source, line))
    };
    let broken: HashSet<_> = diagnostics.iter().flat_map(lines).collect();
    // Words of another language stand at several places and want one advice.
    let also = diagnostics.iter().filter(|d| d.code == codes::FOREIGN_WORD);
    let also = also.flat_map(|d| &d.labels).map(|label| line(label.span));
    let broken: HashSet<_> = broken.into_iter().chain(also).collect();
    let advice: HashSet<String> =
        diagnostics.iter().flat_map(|d| &d.help).map(|help| help.text.clone()).collect();
    // What a broken line would have declared, every word of it, is missed below; so is a routine
    // that stands where none may.
    let misplaced = checked.diagnostics.iter().filter(|d| d.code == codes::MISPLACED_ITEM);
    let places = |d: &Diagnostic| {
        let edits = d.help.iter().flat_map(|help| &help.edits).map(|edit| edit.span);
        edits.chain([d.span()]).map(|at| Span { end: at.start, ..at }).collect::<Vec<_>>()
    };
    let lost: HashSet<String> = diagnostics
        .iter()
        .chain(misplaced)
        .flat_map(places)
        .flat_map(|place| words(sources, place))
        .map(str::to_ascii_lowercase)
        .collect();
    let sound = |d: &Diagnostic| {
        let of_broken = broken.contains(&line(d.span())) && d.code != codes::MISPLACED_ITEM;
        // Doubts may vanish with what could not be read.
        let of_heads =
            !broken.is_empty() && (OF_HEADS.contains(&d.code) || d.severity == Severity::Warning);
        let is_said = d.help.iter().any(|help| advice.contains(&help.text));
        let of_heads = of_heads || is_said;
        let name = sources.slice(d.span());
        let ends = !broken.is_empty() && ends_block(name);
        let of_names =
            OF_NAMES.contains(&d.code) && (lost.contains(&name.to_ascii_lowercase()) || ends);
        !(of_broken || of_heads || of_names)
    };
    let checked_soundly: Vec<Diagnostic> =
        checked.diagnostics.iter().filter(|d| sound(d)).cloned().collect();
    diagnostics.extend(checked_soundly);
    if let Some(facts) = images {
        diagnostics.extend(unusable(files, sources, &checked.named.images, facts));
    }
    sort(&mut diagnostics);
    let program = checked.program.take().filter(|_| !forbids(&diagnostics));
    (diagnostics, program)
}

fn sort(diagnostics: &mut [Diagnostic]) {
    diagnostics.sort_by_key(|d| (d.span().source, d.span().start));
}

/// Images that cannot be exposed, and charts that are none, each reported where it is named.
fn unusable(
    files: &mut dyn Files,
    sources: &SourceMap,
    images: &[NamedImage],
    facts: &mut ImageFacts,
) -> Vec<Diagnostic> {
    let script = sources.get(SCRIPT).map_or("", |source| source.name.as_ref());
    let mut known: HashMap<(&str, bool), Option<FileError>> = HashMap::new();
    let mut reports = Vec::new();
    for NamedImage { name, span, is_chart } in images {
        let why = known.entry((name, *is_chart)).or_insert_with(|| {
            let read = read_image(files, script, name).and_then(|image| {
                let fact = facts.entry(name.clone()).or_default();
                fact.size = (image.width(), image.height());
                if *is_chart {
                    fact.chart = Some(Rc::new(files.chart(script, name)?));
                }
                Ok(())
            });
            read.err()
        });
        if let Some(why) = why {
            let what = if *is_chart { "use this chart" } else { "expose this image" };
            reports.push(
                Diagnostic::error(codes::BAD_IMAGE, format!("cannot {what}: {why}"), *span)
                    .help("the path is taken from the folder of the script that is run"),
            );
        }
    }
    reports
}

/// A routine or `try` whose head or `catch` could not be read has no parameters that calls could
/// fit, gives nothing, or seems to lack its end.
const OF_HEADS: [&str; 6] = [
    codes::TOO_MANY_ARGUMENTS,
    codes::MISSING_ARGUMENT,
    codes::UNKNOWN_ARGUMENT,
    codes::NO_VALUE,
    codes::BAD_RETURN,
    codes::BARE_TRY,
];
/// Names that seem to be unknown, or to mean another thing of that name.
const OF_NAMES: [&str; 3] = [codes::UNKNOWN_NAME, codes::UNKNOWN_ROUTINE, codes::RECURSION];

/// The words on the lines of a place.
fn words(sources: &SourceMap, span: Span) -> impl Iterator<Item = &str> {
    let text = sources.text(span.source);
    let start = text.get(..span.start as usize).and_then(|t| t.rfind('\n')).map_or(0, |at| at + 1);
    let end = text.get(span.end as usize..).and_then(|t| t.find('\n'));
    let end = end.map_or(text.len(), |at| span.end as usize + at);
    let inside = |c: char| c.is_alphanumeric() || c == '_';
    text.get(start..end).unwrap_or("").split(move |c| !inside(c)).filter(|word| !word.is_empty())
}

/// A parsed file.
pub(super) struct Loaded {
    source: SourceId,
    file: File,
    uses: Vec<(Span, usize)>,
    /// A used file could not be read, so names may be unknown for that reason.
    missing: bool,
}

impl Loaded {
    pub(super) fn borrowed(&self) -> Module<'_> {
        Module { file: &self.file, uses: self.uses.clone(), missing: self.missing }
    }
}

/// Texts that were read and parsed.
#[derive(Default)]
pub(super) struct Texts {
    pub sources: SourceMap,
    pub names: Names,
    /// What was wrong with them.
    pub diagnostics: Vec<Diagnostic>,
    /// Each behind those it uses.
    pub modules: Vec<Loaded>,
    /// Modules by the names of their files.
    pub known: HashMap<String, usize>,
    /// Files being read now, outermost first.
    pub open: Vec<String>,
    /// Tables by the places where they are named.
    pub tables: Tables,
    /// Those read for this check, by the names of their files.
    pub tables_read: HashMap<String, Option<Rc<Table>>>,
}

impl Texts {
    /// A script with all it uses, and the settings that hold for it. Fails only where the script
    /// itself cannot be read.
    pub(super) fn read(
        files: &mut dyn Files,
        path: &str,
        settings: &[String],
    ) -> Result<(Texts, Vec<Setting>), FileError> {
        let script = files.read(None, path)?;
        let mut texts = Texts::default();
        texts.module(files, script);
        for at in 0..texts.modules.len() {
            let Some(module) = texts.modules.get_mut(at) else { continue };
            let file = std::mem::take(&mut module.file);
            let from = texts.sources.get(module.source).map(|source| source.name.clone());
            texts.tables_of(files, from.as_deref(), &file.statements);
            if let Some(module) = texts.modules.get_mut(at) {
                module.file = file;
            }
        }
        let settings = texts.settings(files, settings);
        Ok((texts, settings))
    }

    /// Checks what was read, and hands on the sources and what was wrong with them.
    pub(super) fn judged(
        &mut self,
        files: &mut dyn Files,
        settings: &[Setting],
        index: bool,
    ) -> (Prepared, Index) {
        let sources = std::mem::take(&mut self.sources);
        let diagnostics = std::mem::take(&mut self.diagnostics);
        let modules: Vec<Module<'_>> = self.modules.iter().map(Loaded::borrowed).collect();
        let mut checked =
            check::check(&modules, settings, &mut self.names, &sources, &self.tables, index, None);
        // An editor asks at every key; images are looked at before a run.
        let mut images = ImageFacts::new();
        let read = (!index).then_some(&mut images);
        let (diagnostics, program) = settled(files, &sources, diagnostics, &mut checked, read);
        let prepared = Prepared {
            sources,
            scripts: modules.len(),
            diagnostics,
            program,
            unset: checked.unset,
            effects: checked.effects,
            named: checked.named,
            images,
            fits: Fits::default(),
            links: Links::new(),
        };
        (prepared, checked.index.unwrap_or_default())
    }

    /// Parses a file and all it uses; gives its index among the modules.
    fn module(&mut self, files: &mut dyn Files, text: Text) -> usize {
        let source = self.sources.add(text.name.clone(), text.text.as_str());
        let parsed = parse(source, &text.text, &mut self.names);
        let mut missing = wrongly_used(&text.text, &parsed.diagnostics);
        self.diagnostics.extend(parsed.diagnostics);
        self.open.push(text.name.clone());
        let mut uses = Vec::new();
        for statement in &parsed.file.statements {
            if let StatementKind::Use { path, path_span } = &statement.kind {
                match self.used(files, &text.name, path, *path_span) {
                    Some(module) => uses.push((*path_span, module)),
                    None => missing = true,
                }
            }
        }
        self.open.pop();
        self.modules.push(Loaded { source, file: parsed.file, uses, missing });
        self.known.insert(text.name, self.modules.len() - 1);
        self.modules.len() - 1
    }

    /// The module of a file that a `use` in the file `from` names; none where that is reported.
    pub(super) fn used(
        &mut self,
        files: &mut dyn Files,
        from: &str,
        path: &str,
        span: Span,
    ) -> Option<usize> {
        let within = |place: Span| span.source == place.source && span.to(place) == span;
        if self.diagnostics.iter().any(|d| within(d.span())) {
            // A path that was not understood is reported already.
            return None;
        }
        let text = match files.read(Some(from), path) {
            Ok(text) => text,
            Err(why) => {
                let report = Diagnostic::error(
                    codes::UNREADABLE_FILE,
                    format!("cannot use \"{path}\": {why}"),
                    span,
                );
                self.diagnostics.push(with_other_path(files, report, from, path));
                return None;
            }
        };
        if let Some(known) = self.known.get(&text.name) {
            return Some(*known);
        }
        if let Some(start) = self.open.iter().position(|open| *open == text.name) {
            let chain = self.open.iter().skip(start).chain([&text.name]);
            let chain: Vec<&str> = chain.map(String::as_str).collect();
            let headline = format!("files use each other in a circle: {}", chain.join(" → "));
            self.diagnostics.push(
                Diagnostic::error(codes::CIRCULAR_USE, headline, span)
                    .help("put what both need into a third file"),
            );
            return None;
        }
        if self.open.len() >= MAX_DEPTH {
            let headline = format!("more than {MAX_DEPTH} files use each other in a chain");
            self.diagnostics.push(Diagnostic::error(codes::CIRCULAR_USE, headline, span));
            return None;
        }
        Some(self.module(files, text))
    }

    /// Takes `NAME=VALUE` texts apart.
    pub(super) fn settings(&mut self, files: &mut dyn Files, texts: &[String]) -> Vec<Setting> {
        let mut all = Vec::new();
        for text in texts {
            match text.strip_prefix('@') {
                Some(path) => all.extend(self.sheet(files, path)),
                None => {
                    let setting = self.setting(text);
                    if let Some(value) = setting.as_ref().and_then(|setting| setting.value.as_ref())
                    {
                        self.tables_in(files, None, value);
                    }
                    all.extend(setting);
                }
            }
        }
        all
    }

    /// Reads a data sheet, or what an earlier record holds: `last:` and its path.
    fn sheet(&mut self, files: &mut dyn Files, path: &str) -> Vec<Setting> {
        let (path, origin) = match path.strip_prefix("last:") {
            Some(path) => (path, Origin::Last),
            None => (path, Origin::Sheet),
        };
        match files.read(None, path) {
            Ok(Text { name, text }) => {
                let source = self.sources.add(name.as_str(), text.as_str());
                let (settings, problems) = sheet::read(source, &text, origin, &mut self.names);
                self.diagnostics.extend(problems);
                for value in settings.iter().filter_map(|setting| setting.value.as_ref()) {
                    self.tables_in(files, Some(&name), value);
                }
                settings
            }
            Err(why) => {
                let asked = format!("@{path}");
                let source = self.sources.add("--set", asked.as_str());
                let whole = Span::new(source, 0, asked.len());
                let headline = format!("this data sheet cannot be read: {why}");
                self.diagnostics.push(Diagnostic::error(codes::BAD_DATA_SHEET, headline, whole));
                Vec::new()
            }
        }
    }

    fn setting(&mut self, text: &str) -> Option<Setting> {
        let source = self.sources.add("--set", text);
        let whole = Span::new(source, 0, text.len());
        let parts = text.split_once('=');
        let parts = parts.filter(|(name, value)| {
            let (name, value) = (name.trim(), value.trim());
            !(name.is_empty() || value.is_empty() || value.starts_with('='))
        });
        let Some((name, raw)) = parts else {
            let (name, value) = text.split_once(['=', ':', ' ']).unwrap_or((text, ""));
            let value = value.trim_matches(['=', ':', ' ']);
            let (name, value) = [(name, "NAME"), (value, "VALUE")]
                .map(|(part, otherwise)| if part.is_empty() { otherwise } else { part })
                .into();
            let report = Diagnostic::error(codes::UNSET_PARAM, "`--set` takes NAME=VALUE", whole)
                .help(format!("write `--set {name}={value}`"));
            self.diagnostics.push(report);
            return None;
        };
        let value_span = Span::new(source, name.len() + 1, text.len());
        let name = (name.trim().to_string(), Span::new(source, 0, name.len()));
        Some(setting(&mut self.names, Origin::Option, name, raw, value_span))
    }
}

/// A setting with its value parsed: its name and the place of that, its text and the place of that.
pub(super) fn setting(
    names: &mut Names,
    origin: Origin,
    (name, name_span): (String, Span),
    raw: &str,
    value_span: Span,
) -> Setting {
    // Blanks in place of all that stands before keep every place right.
    let blanked = format!("{}{raw}", " ".repeat(value_span.start as usize));
    let (value, problems) = match parse_expression(value_span.source, &blanked, names) {
        Ok(value) => (Some(value), Vec::new()),
        Err(_) if raw.trim().is_empty() => {
            let headline = format!("`{name}` is given no value");
            let report = Diagnostic::error(codes::BAD_DATA_SHEET, headline, value_span);
            (None, vec![report.help("write one, or leave it out: then its default holds")])
        }
        Err(problems) => (None, problems),
    };
    Setting { name, name_span, raw: raw.to_string(), value_span, origin, value, problems }
}
