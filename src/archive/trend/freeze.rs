//! Freezes the control limits of a value as they are now, or releases them.

use crate::archive::decisions::{Base, Decisions, Kind, Scope, Signature, Subject, decide, of};
use crate::archive::open::open_to_read;
use crate::archive::trend::read::{AllBounds, GroupRead, Selection, find, groups};
use crate::archive::trend::series::{MIN_RUNS, Trend};
use crate::error::{Error, invalid};
use crate::terminal::wrapped;
use spintrue_head::visible_line;
use std::path::Path;

/// Freezes or releases the limits of each group of a selection, and says so.
pub(crate) fn freeze(
    place: &Path,
    selection: &Selection,
    signature: &Signature,
) -> Result<String, Error> {
    let label = &selection.value;
    let mut store = open_to_read(place)?;
    let decisions = Decisions::read(&mut *store)?;
    let mut without = Vec::new();
    let (kind, bases) = if signature.undo {
        let frozen = decisions.frozen.into_keys();
        let fits = |(known, scope): &(String, Scope)| known == label && selection.covers(scope);
        let bases: Vec<_> = frozen.filter(fits).map(|(_, scope)| (scope, None)).collect();
        if bases.is_empty() {
            return Err(invalid!(
                "no limits of `{}` are frozen for such runs: `spintrue history decisions` lists them",
                visible_line(label)
            ));
        }
        (Kind::Release, bases)
    } else {
        let found = find(&mut *store, selection)?;
        let groups = groups(selection, found, &AllBounds::default(), &decisions)?;
        let bases = groups.into_iter().filter_map(|group| match base(group) {
            Ok((scope, base)) => Some((scope, Some(base))),
            Err(why) => {
                without.push(why);
                None
            }
        });
        (Kind::Freeze, bases.collect())
    };
    drop(store);
    if bases.is_empty()
        && let Some(why) = without.pop()
    {
        return Err(why);
    }
    let subject = |(scope, base)| Subject { run: None, of: Some((label, scope)), base };
    let subjects = bases.iter().map(|(scope, base)| subject((scope, base.as_ref())));
    decide(place, signature, kind, |_| Ok(subjects.collect()))?;
    let told = bases.iter().map(|(scope, base)| {
        let subject = format!("`{}`{}", visible_line(label), visible_line(&of(scope)));
        let said = match base {
            None => format!("the control limits of {subject} are no longer frozen"),
            Some(base) if base.runs < MIN_RUNS as i64 => format!(
                "the control limits of {subject} are frozen, from {} runs: with fewer than {MIN_RUNS} they \
                 are rough",
                base.runs
            ),
            Some(base) => {
                format!("the control limits of {subject} are frozen, from {} runs", base.runs)
            }
        };
        wrapped(&said, "")
    });
    let without = without.iter().map(|why| wrapped(&why.to_string(), ""));
    Ok(told.chain(without).collect())
}

/// Centre and deviation of a group as they are now, in SI.
fn base(group: GroupRead) -> Result<(Scope, Base), Error> {
    let GroupRead { series, unit, si, scope, .. } = group;
    let (subject, count) = (of(&scope), series.points.len());
    let trend = Trend::new(series, None, None, 2).filter(|trend| trend.charts.deviation > 0.0);
    let Some(trend) = trend else {
        return Err(invalid!(
            "limits{} cannot be frozen: that takes two runs or more with different values, and there are \
             {count}",
            visible_line(&subject)
        ));
    };
    let to_si = |value: f64| unit.as_ref().map_or(value, |unit| unit.to_si(value));
    let started = |at: usize| trend.series.points.get(at).map(|point| point.started.to_string());
    let base = Base {
        centre: to_si(trend.charts.values.centre),
        deviation: to_si(trend.charts.deviation) - to_si(0.0),
        unit: si,
        runs: count as i64,
        from: started(0).unwrap_or_default(),
        to: started(count.saturating_sub(1)).unwrap_or_default(),
    };
    Ok((scope, base))
}
