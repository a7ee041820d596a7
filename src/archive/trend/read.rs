//! Reads a value over the runs of an archive: for each group of runs its series, the limits of its check and
//! the frozen control limits.

use crate::archive::decisions::{Decision, Decisions, Scope};
use crate::archive::filter::{Filter, Group, Grouping};
use crate::archive::sql::{Store, Values};
use crate::archive::trend::series::{Changes, Frozen, Limits, Point, Series, Tolerance};
use crate::error::{Error, invalid};
use clap::Args;
use spintrue_head::{UnitText, letter_distance, parse_unit, visible_line};
use std::collections::BTreeMap;

/// Labels that are suggested for an unknown one.
const MAX_SUGGESTIONS: usize = 5;

/// Groups that are shown at once.
const MAX_GROUPS: usize = 60;

/// Simulated heads in the scope of frozen limits.
const SIMULATED: &str = "simulated heads";

/// A value, and the runs that it is taken from.
#[derive(Args)]
pub(crate) struct Selection {
    /// Label of a recorded quantity, or else of a check with a value
    pub(crate) value: String,
    #[command(flatten)]
    pub(super) filter: Filter,
    #[command(flatten)]
    pub(super) grouping: Grouping,
    /// Include runs on simulated heads, which are rehearsals
    #[arg(long)]
    pub(super) with_simulated: bool,
}

impl Selection {
    /// What the runs of a group have in common.
    pub(super) fn scope(&self, group: &Group) -> Scope {
        let groups = self.grouping.by.iter().cloned().zip(group.iter().cloned());
        let simulated = (SIMULATED.to_string(), "included".to_string());
        let simulated = self.with_simulated.then_some(simulated);
        self.filter.pairs().into_iter().chain(groups).chain(simulated).collect()
    }

    /// Whether a scope is that of one of its groups.
    pub(super) fn covers(&self, scope: &Scope) -> bool {
        let group = self.grouping.by.iter().map(|name| scope.get(name).cloned());
        group.collect::<Option<Group>>().is_some_and(|group| self.scope(&group) == *scope)
    }
}

/// What was found of a value.
#[derive(Default)]
pub(super) struct Found {
    /// The values in SI, or NaN.
    groups: BTreeMap<Group, Vec<Point>>,
    /// Units in SI, each with one that was shown.
    units: Vec<(String, String)>,
}

/// The index of the unit of a row among those that were found.
fn unit_at(units: &mut Vec<(String, String)>, unit: &str, shown: &str) -> u32 {
    let known = units.iter().position(|(own, other)| own == unit && other == shown);
    known.unwrap_or_else(|| {
        units.push((unit.to_string(), shown.to_string()));
        units.len() - 1
    }) as u32
}

/// The values of a label in a table. In the order of runs an index gives them and a server merges both tables: a
/// join by hashes of ten million runs would go through its disk.
fn values(archive: &mut dyn Store, table: &str, selection: &Selection) -> Result<Found, Error> {
    let mut bound = Values::default();
    let grouped = selection.grouping.grouped(&mut bound)?;
    let label = bound.bind(selection.value.as_str());
    let conditions = selection.filter.conditions(&mut bound);
    let sql = format!(
        "SELECT {}of.run, of.place, of.value, of.unit, of.shown_unit, runs.started, runs.serial, runs.simulated
        FROM {table} AS of JOIN runs ON runs.id = of.run{}
        WHERE of.label = {label} AND of.unit IS NOT NULL AND {conditions} ORDER BY of.run",
        grouped.columns, grouped.joins
    );
    let mut found = Found::default();
    let from = grouped.count;
    archive.query(&sql, &bound.0, &mut |row| {
        let point = Point {
            run: row.value(from).whole(),
            place: row.value(from + 1).whole() as u32,
            unit: unit_at(&mut found.units, &row.text(from + 3), &row.text(from + 4)),
            started: row.text(from + 5).into(),
            serial: row.text(from + 6).into(),
            value: row.value(from + 2).real().unwrap_or(f64::NAN),
            simulated: row.value(from + 7).whole() != 0,
        };
        found.groups.entry(grouped.of(row)).or_default().push(point);
    })?;
    Ok(found)
}

/// The values that a selection finds; a quantity comes first, since a check of the same label decides on it.
pub(super) fn find(archive: &mut dyn Store, selection: &Selection) -> Result<Found, Error> {
    for table in ["quantities", "checks"] {
        let found = values(archive, table, selection)?;
        let groups = found.groups.len();
        if groups > MAX_GROUPS {
            return Err(invalid!(
                "`--by` makes {groups} groups, and {MAX_GROUPS} are shown at most: narrow the runs, or keep \
                 them apart by less"
            ));
        }
        if groups > 0 {
            return Ok(found);
        }
    }
    let near = near(archive, &selection.value)?;
    Err(unknown(&selection.value, &near))
}

/// Labels that are similar to one, the nearest first.
fn near(archive: &mut dyn Store, label: &str) -> Result<Vec<String>, Error> {
    let mut labels = Vec::new();
    for (table, condition) in [("quantities", ""), ("checks", " AND unit IS NOT NULL")] {
        // From each label to the next, past all its rows.
        let mut last = String::new();
        loop {
            let mut bound = Values::default();
            let sql = format!(
                "SELECT label FROM {table} WHERE label > {}{condition} ORDER BY label LIMIT 1",
                bound.bind(last.as_str())
            );
            let mut next = None;
            archive.query(&sql, &bound.0, &mut |row| next = Some(row.text(0).into_owned()))?;
            let Some(next) = next else { break };
            labels.push(next.clone());
            last = next;
        }
    }
    labels.sort_by_cached_key(|known| (letter_distance(known, label), known.clone()));
    labels.dedup();
    labels.truncate(MAX_SUGGESTIONS);
    Ok(labels)
}

fn unknown(label: &str, near: &[String]) -> Error {
    if near.is_empty() {
        return invalid!("no run recorded `{label}`, or any other value");
    }
    let near: Vec<String> = near.iter().map(|label| format!("`{}`", visible_line(label))).collect();
    invalid!("no such run recorded `{}`; labels like it: {}", visible_line(label), near.join(", "))
}

/// The limits of a check in a run, in SI.
#[derive(Clone, Copy, PartialEq)]
struct Bounds {
    low: Option<f64>,
    high: Option<f64>,
    /// Of the units that were found.
    unit: u32,
}

/// The limits of the checks of a label by run, in the order of runs.
#[derive(Default)]
pub(super) struct AllBounds {
    runs: Vec<(i64, u32)>,
    /// What the runs refer to: each of several in a row once.
    all: Vec<Bounds>,
    units: Vec<(String, String)>,
}

impl AllBounds {
    /// Of the runs that were found.
    pub(super) fn read(
        archive: &mut dyn Store,
        label: &str,
        found: &Found,
    ) -> Result<AllBounds, Error> {
        let runs = || found.groups.values().flatten().map(|point| point.run);
        let mut bound = Values::default();
        let sql = format!(
            "SELECT run, low, high, unit FROM checks
            WHERE label = {} AND run >= {} AND run <= {} ORDER BY run, place",
            bound.bind(label),
            bound.bind(runs().min().unwrap_or(0)),
            bound.bind(runs().max().unwrap_or(0))
        );
        let mut all = AllBounds::default();
        archive.query(&sql, &bound.0, &mut |row| {
            let (low, high) = (row.value(1).real(), row.value(2).real());
            if low.is_none() && high.is_none() {
                return;
            }
            let bounds = Bounds { low, high, unit: unit_at(&mut all.units, &row.text(3), "") };
            if all.all.last() != Some(&bounds) {
                all.all.push(bounds);
            }
            let (run, at) = (row.value(0).whole(), all.all.len() as u32 - 1);
            match all.runs.last_mut().filter(|(last, _)| *last == run) {
                Some((_, last)) => *last = at,
                None => all.runs.push((run, at)),
            }
        })?;
        Ok(all)
    }

    fn of(&self, run: i64) -> Option<Bounds> {
        let at = self.runs.binary_search_by_key(&run, |(run, _)| *run).ok()?;
        self.runs.get(at).and_then(|(_, at)| self.all.get(*at as usize)).copied()
    }

    /// The limits of the newest run that has some, in the unit of a series, and how they changed.
    fn tolerance(&self, points: &[Point], unit: Option<&UnitText>) -> Option<Tolerance> {
        if self.runs.is_empty() {
            return None;
        }
        let dimension = |text: &str| parse_unit(text).map(|unit| unit.dimension).ok();
        let fits = |bounds: &Bounds| {
            let own = self.units.get(bounds.unit as usize).and_then(|(own, _)| dimension(own));
            own == unit.map(|unit| unit.dimension)
        };
        let limits = |bounds: Bounds| Limits {
            low: bounds.low.map(|low| in_unit(low, unit)),
            high: bounds.high.map(|high| in_unit(high, unit)),
        };
        let mut newest: Option<Bounds> = None;
        let mut later: Option<(&Point, Bounds)> = None;
        let mut changes: Option<Changes> = None;
        for point in points.iter().rev() {
            let Some(bounds) = self.of(point.run) else { continue };
            if newest.is_none() {
                if !fits(&bounds) {
                    return None;
                }
                newest = Some(bounds);
            }
            if let Some((later, _)) = later.filter(|(_, later)| *later != bounds) {
                let since = || later.started.to_string();
                let change = || Changes { count: 0, since: since(), before: limits(bounds) };
                changes.get_or_insert_with(change).count += 1;
            }
            later = Some((point, bounds));
        }
        newest.map(|bounds| Tolerance { limits: limits(bounds), stored: true, changes })
    }
}

/// A value in SI, in a unit.
pub(super) fn in_unit(value: f64, unit: Option<&UnitText>) -> f64 {
    unit.map_or(value, |unit| unit.from_si(value))
}

/// A group of runs: its series in the unit that the newest value was shown in, and what applies to it.
pub(super) struct GroupRead {
    pub series: Series,
    pub unit: Option<UnitText>,
    pub si: String,
    pub tolerance: Option<Tolerance>,
    pub frozen: Option<Frozen>,
    pub scope: Scope,
}

/// The groups of runs of what was found, by their names.
pub(super) fn groups(
    selection: &Selection,
    found: Found,
    bounds: &AllBounds,
    decisions: &Decisions,
) -> Result<Vec<GroupRead>, Error> {
    let Found { groups, units } = found;
    let groups = groups.into_iter().map(|(group, points)| {
        let name = selection.grouping.name(&group);
        let (mut series, unit, si) = series(selection, points, &units, decisions)?;
        series.group = name;
        let tolerance = bounds.tolerance(&series.points, unit.as_ref());
        let scope = selection.scope(&group);
        let frozen = decisions.frozen.get(&(selection.value.clone(), scope.clone()));
        let frozen = frozen.map(|decision| frozen_in(decision, &si, unit.as_ref())).transpose()?;
        Ok(GroupRead { series, unit, si, tolerance, frozen, scope })
    });
    groups.collect()
}

/// Frozen limits in the unit of a series.
fn frozen_in(decision: &Decision, si: &str, unit: Option<&UnitText>) -> Result<Frozen, Error> {
    let base = &decision.base;
    let dimension = |unit: &str| parse_unit(unit).map(|unit| unit.dimension).ok();
    if base.unit != si && dimension(&base.unit) != dimension(si) {
        return Err(invalid!(
            "the frozen limits are in {} and the values in {si}: take them back with `spintrue history \
             freeze --undo`",
            base.unit
        ));
    }
    Ok(Frozen {
        decision: decision.clone(),
        centre: in_unit(base.centre, unit),
        deviation: in_unit(base.deviation, unit) - in_unit(0.0, unit),
    })
}

/// The last value of each run, oldest first; the unit that the newest was shown in, none of plain numbers; and
/// its SI unit.
fn series(
    selection: &Selection,
    mut points: Vec<Point>,
    units: &[(String, String)],
    decisions: &Decisions,
) -> Result<(Series, Option<UnitText>, String), Error> {
    let label = &selection.value;
    let mut series = Series { label: label.clone(), ..Series::default() };
    points.sort_unstable_by(|one, other| {
        let key = |point: &Point| (point.run, point.place);
        other.started.cmp(&one.started).then(key(other).cmp(&key(one)))
    });
    points.dedup_by_key(|point| point.run);
    let all = points.len();
    points.retain(|point| selection.with_simulated || !point.simulated);
    series.rehearsals = all - points.len();
    if !decisions.excluded.is_empty() {
        points.retain(|point| match decisions.excluded.get(&point.run) {
            Some(decision) => {
                series.excluded.push((point.clone(), decision.clone()));
                false
            }
            None => true,
        });
    }
    points.truncate(selection.filter.most().map_or(usize::MAX, |most| most as usize));
    let unit_of = |point: &Point| units.get(point.unit as usize).cloned().unwrap_or_default();
    let (si, shown) = points.first().map(unit_of).unwrap_or_default();
    let unit = parse_unit(&shown).or_else(|_| parse_unit(&si)).ok();
    // Older versions wrote derived units in base units.
    let dimension = |unit: &str| parse_unit(unit).map(|unit| unit.dimension).ok();
    let mixed =
        (0_u32..).zip(units).filter(|(_, (own, _))| *own != si && dimension(own) != dimension(&si));
    let mixed: Vec<u32> = mixed.map(|(at, _)| at).collect();
    if let Some(other) = points.iter().find(|point| mixed.contains(&point.unit)) {
        return Err(invalid!(
            "`{}` was recorded in {} and in {si}: narrow the runs with --script or --since",
            visible_line(label),
            unit_of(other).0
        ));
    }
    if let Some(unit) = &unit {
        series.unit.clone_from(&unit.text);
        series.has_own_zero = unit.is_absolute();
    }
    points.reverse();
    points.iter_mut().for_each(|point| point.value = in_unit(point.value, unit.as_ref()));
    let all = points.len();
    points.retain(|point| point.value.is_finite());
    series.left_out = all - points.len();
    series.points = points;
    series
        .excluded
        .iter_mut()
        .for_each(|(point, _)| point.value = in_unit(point.value, unit.as_ref()));
    Ok((series, unit, si))
}

#[cfg(test)]
mod tests {
    use super::{Decisions, Filter, Grouping, Point, Selection, series};

    fn told(stored: &[(f64, u32)], units: &[(&str, &str)]) -> Result<(Vec<f64>, String), String> {
        let selection = Selection {
            value: "x".to_string(),
            filter: Filter::default(),
            grouping: Grouping::default(),
            with_simulated: false,
        };
        let stored = stored.iter().zip(0..).map(|((value, unit), run)| {
            let (started, serial) = ("".into(), "".into());
            Point {
                run: -run,
                place: 0,
                unit: *unit,
                started,
                serial,
                value: *value,
                simulated: false,
            }
        });
        let units: Vec<_> =
            units.iter().map(|(own, shown)| (own.to_string(), shown.to_string())).collect();
        series(&selection, stored.collect(), &units, &Decisions::default())
            .map(|(series, ..)| {
                (series.points.iter().map(|point| point.value).collect(), series.unit)
            })
            .map_err(|error| error.to_string())
    }

    #[test]
    fn values_are_told_in_the_newest_unit_and_never_mixed() {
        let metres = [("m", "um"), ("m", "nm")];
        let of_metres = told(&[(2e-6, 0), (3e-6, 1)], &metres);
        assert_eq!(of_metres, Ok((vec![3.0, 2.0], "um".to_string())));
        assert!(told(&[(1.0, 0), (1.0, 1)], &[("m", "m"), ("s", "s")]).is_err());
        let volts = told(&[(2.0, 0), (1.0, 1)], &[("V", "V"), ("kg*m^2/A/s^3", "V")]);
        assert_eq!(volts, Ok((vec![1.0, 2.0], "V".to_string())));
        assert_eq!(told(&[(0.5, 0)], &[("", "")]), Ok((vec![0.5], String::new())));
    }
}
