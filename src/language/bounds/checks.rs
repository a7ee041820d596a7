//! Checks: limits, uncertainties and rules that are known before the run and by which no value can be decided.

use crate::bounds::finding::Cause;
use crate::bounds::known::Interval;
use crate::bounds::walk::Walk;
use crate::program::failure::{NO_COMPONENTS, bad_factor, bad_risk};
use crate::program::show::Shower;
use crate::program::tree::{Expect, Expectation, Rule, Stated};
use crate::program::types::Layout;
use crate::program::value::Datum;
use crate::source::Span;

impl Walk<'_> {
    /// A check; the script goes on behind it in any case.
    pub(super) fn check(&mut self, expect: &Expect) {
        let Expect { label, condition, deciding, span, .. } = expect;
        self.reference(label);
        let Expectation::Limits { value, uncertainty, low, high, shower } = condition else {
            return self.condition(condition);
        };
        self.number(value);
        match uncertainty {
            Some(Stated::Expanded(u)) => {
                let u = self.number(u);
                self.judge_uncertainty(&u, shower, *span);
            }
            Some(Stated::Budget(components)) => {
                let components = self.reference(components);
                let count = components.count(Layout::WORD);
                if count.range.high <= 0.0 {
                    self.found(Cause::Refused, *span, NO_COMPONENTS, &[&count]);
                }
            }
            None => {}
        }
        let low = low.as_ref().map(|(limit, _)| self.number(limit));
        let high = high.as_ref().map(|(limit, _)| self.number(limit));
        if let (Some(low), Some(high)) = (low, high)
            && low.is_above(&high)
        {
            let shown = |limit: f64| shower.as_written(limit).text(&Datum::Number(limit));
            let (least, most) = (shown(low.range.low), shown(high.range.high));
            let why = format!(
                "nothing lies within {least} .. {most}: the first is larger than the second"
            );
            self.found(Cause::Limits, *span, why, &[&low, &high]);
        }
        let factor = self.number(&deciding.coverage);
        if factor.range.high <= 0.0 || factor.is_no_number() {
            self.found(Cause::Refused, *span, bad_factor(factor.range.high), &[&factor]);
        }
        if let Rule::Risk(risk) = &deciding.rule {
            let risk = self.number(risk);
            let beyond = [risk.range.low, risk.range.high];
            let beyond = beyond
                .into_iter()
                .find(|end| end.is_finite() && (risk.range.low > 0.5 || risk.range.high < 0.0));
            if let Some(end) = beyond {
                self.found(Cause::Refused, *span, bad_risk(end), &[&risk]);
            }
        }
    }

    /// What stands behind `±`.
    fn judge_uncertainty(&mut self, u: &Interval, shower: &Shower, span: Span) {
        if u.range.high < 0.0 && u.range.high.is_finite() {
            let shown = shower.difference().as_written(u.range.high);
            let shown = shown.text(&Datum::Number(u.range.high));
            let why = format!("an uncertainty cannot be negative, as {shown} is");
            self.found(Cause::Uncertainty, span, why, &[u]);
        }
    }
}
