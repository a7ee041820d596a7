//! Reports of what surely fails on a head, as the walk of the bounds finds it.

use crate::bounds;
use crate::bounds::{Cause, Finding, Risk};
use crate::diagnostics::{Diagnostic, codes};
use crate::images::ImageFact;
use crate::program::tree::Program;
use crate::session::load::ImageFacts;
use crate::source::Span;
use spintrue_head::Description;
use std::cell::RefCell;

/// What is proved against a head.
#[derive(Clone, Copy)]
pub(super) struct Proved<'p> {
    pub program: &'p Program,
    pub images: Option<&'p ImageFacts>,
    /// Nothing turns before it starts.
    pub at_rest: bool,
    /// Where the last head on which nothing is refused is remembered.
    pub fits: Option<&'p Fits>,
}

/// A head on which nothing is refused, and whether nothing turned there before. Heads of a campaign differ by
/// their serial number only, which the walk reads of charts alone.
pub(super) type Fits = RefCell<Option<(Description, bool)>>;

fn is_like(one: &Description, other: &Description) -> bool {
    *other == Description { serial: other.serial.clone(), ..one.clone() }
}

fn code(cause: Cause) -> &'static str {
    match cause {
        Cause::Refused => codes::BEYOND_HEAD,
        Cause::Unknown => codes::UNKNOWN_SIGNAL,
        Cause::Signal => codes::BAD_SIGNAL_USE,
        Cause::Division => codes::DIVISION_BY_ZERO,
        Cause::Index => codes::BAD_INDEX,
        Cause::Turns => codes::BAD_LOOP_BOUND,
        Cause::Time => codes::BAD_WAIT,
        Cause::Power => codes::BAD_POWER_SHARE,
        Cause::Rest => codes::NOTHING_SPINS,
        Cause::Vain => codes::VAIN_CONDITION,
        Cause::Limits => codes::BAD_RANGE,
        Cause::Uncertainty => codes::MISPLACED_UNCERTAINTY,
    }
}

fn with_calls(report: Diagnostic, finding: &Finding) -> Diagnostic {
    // The outermost call tells most of a library that was checked by itself.
    let report = match finding.calls.last() {
        Some(call) => report.label(*call, "called here"),
        None => report,
    };
    let first = "first: `spin(4800 rpm)`, then `wait until locked() within 30 s`";
    let first = matches!(finding.cause, Cause::Rest).then_some(first);
    finding.help.or(first).into_iter().fold(report, Diagnostic::help)
}

impl Proved<'_> {
    fn known(&self) -> impl Fn(&str) -> Option<ImageFact> {
        |name| self.images?.get(name).cloned()
    }

    /// Errors: what fails in every run.
    pub(super) fn refused(&self, head: &Description) -> Vec<Diagnostic> {
        let is_known = |fits: &Fits| {
            let known = fits.borrow();
            known
                .as_ref()
                .is_some_and(|(like, rests)| *rests == self.at_rest && is_like(like, head))
        };
        if self.fits.is_some_and(is_known) {
            return Vec::new();
        }
        let all = bounds::refused(self.program, head, &self.known(), self.at_rest);
        let told = all.iter().map(|finding| {
            let error = Diagnostic::error(code(finding.cause), finding.why.clone(), finding.span);
            let params = self.program.params.iter().enumerate();
            let by = params.filter(|(index, _)| finding.depends_on(*index)).take(3);
            by.fold(with_calls(error, finding), |error, (_, param)| {
                error.label(param.span, format!("`{}` is {}", param.name, param.text.trim()))
            })
        });
        let told: Vec<_> = told.collect();
        let mut images = self.images.into_iter().flat_map(|images| images.values());
        let is_any_head = images.all(|image| image.chart.is_none());
        if let (true, Some(fits)) = (told.is_empty() && is_any_head, self.fits) {
            *fits.borrow_mut() = Some((head.clone(), self.at_rest));
        }
        told
    }

    /// Warnings: params that may be set so that the script surely fails; none where `go_on` said no.
    pub(super) fn risky(
        &self,
        head: &Description,
        go_on: &mut dyn FnMut() -> bool,
    ) -> Option<Vec<Diagnostic>> {
        let all = bounds::risky(self.program, head, &self.known(), self.at_rest, go_on)?;
        let is_meant = |risk: &&Risk<'_>| {
            let finding = &risk.finding;
            let mut places = finding.calls.iter().chain([&finding.span, &risk.param.span]);
            places.any(|place| {
                let holds = |about: &Span| {
                    about.source == place.source
                        && about.start <= place.start
                        && place.end <= about.end
                };
                self.program.meant.iter().any(holds)
            })
        };
        let told = all.iter().filter(|risk| !is_meant(risk));
        let told = told.map(|Risk { param, is_upper, finding }| {
            let (name, words) = (&param.name, param.ends.as_ref().map(|ends| &ends.words));
            let words = words.map_or("", |[low, high]| if *is_upper { high } else { low });
            let how = if *is_upper { "up to" } else { "down to" };
            let headline =
                format!("`{name}` may be set {how} {words}, and then this fails: {}", finding.why);
            let warning = Diagnostic::warning(codes::PARAM_BEYOND_HEAD, headline, finding.span)
                .label(param.span, "its range is declared here")
                .help(format!("narrow the range of `{name}` to what this head can do"));
            with_calls(warning, finding)
        });
        Some(told.collect())
    }
}
