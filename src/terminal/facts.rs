//! What a head says of itself, as rows of words and values.

use spintrue_head::{
    Active, AtSafe, ClockKind, Description, Dimension, Direction, LightSource, Pull, StartOfScan,
    parse_unit, show_quantity,
};

/// A value of a head.
pub(crate) enum Content {
    Text(&'static str),
    Count(u32),
    /// In SI, and the unit in which it is shown.
    Quantity(f64, Dimension, Option<&'static str>),
}

/// A row: key for machines, words for people, value.
pub(crate) type Row = (&'static str, &'static str, Content);

/// A quantity in the unit that suits it.
fn plain(value: f64, dimension: Dimension) -> Content {
    Content::Quantity(value, dimension, None)
}

fn time(seconds: f64) -> Content {
    plain(seconds, Dimension::TIME)
}

/// A quantity in a unit.
fn shown_in(unit: &'static str, value: f64) -> Content {
    let dimension = parse_unit(unit).map_or(Dimension::NUMBER, |unit| unit.dimension);
    Content::Quantity(value, dimension, Some(unit))
}

/// What a head says of itself, in groups with names.
pub(crate) fn groups(head: &Description) -> Vec<(&'static str, Vec<Row>)> {
    let start = match head.start_of_scan {
        StartOfScan::EveryFacet => "every_facet",
        StartOfScan::IndexOnly => "index_only",
    };
    let source = match head.detector.source {
        LightSource::Own => "own",
        LightSource::Beam => "beam",
    };
    let polygon = vec![
        ("facets", "facets", Content::Count(head.facets)),
        ("speed_least", "lowest speed", shown_in("rpm", head.speed_least)),
        ("speed_most", "highest speed", shown_in("rpm", head.speed_most)),
        ("lock_window", "lock window, either way", shown_in("%", head.lock_window)),
        ("lock_turns", "turns that make lock", Content::Count(head.lock_turns)),
        ("start_of_scan", "start-of-scan pulse", Content::Text(start)),
        ("start_of_scan_source", "its light", Content::Text(source)),
    ];
    let line = vec![
        ("focal_length", "focal length", shown_in("mm", head.focal_length)),
        ("f_theta", "f-theta lens, length per angle", plain(head.focal_length, Dimension::LENS)),
        ("line_most", "longest line", shown_in("mm", head.line_most)),
        ("active_most", "largest active fraction", shown_in("%", head.active_most)),
        (
            "galvanometer_range",
            "galvanometer range, either way",
            shown_in("mrad", head.galvanometer_range),
        ),
        ("laser_power", "full optical power", shown_in("mW", head.laser_power)),
    ];
    let words = vec![
        ("word_service", "time to serve one", time(head.word_service)),
        ("queue_words", "depth of the queue", Content::Count(head.queue_words)),
    ];
    let (in_scan, cross_scan) = (&head.in_scan_trim, &head.cross_scan_trim);
    let trims = vec![
        ("in_scan_step", "in-scan step", time(in_scan.step)),
        ("in_scan_range", "in-scan range, either way", time(in_scan.range)),
        ("cross_scan_step", "cross-scan step", plain(cross_scan.step, Dimension::ANGLE)),
        (
            "cross_scan_range",
            "cross-scan range, either way",
            plain(cross_scan.range, Dimension::ANGLE),
        ),
    ];
    vec![
        ("polygon", polygon),
        ("line", line),
        ("dot clock", clock(head)),
        ("dot words", words),
        ("trims", trims),
        ("longest times", longest(head)),
    ]
}

fn clock(head: &Description) -> Vec<Row> {
    let mut rows = vec![("master", "master", plain(head.clock.master, Dimension::FREQUENCY))];
    match head.clock.kind {
        ClockKind::Divider { least, most } => rows.extend([
            ("kind", "kind", Content::Text("divider")),
            ("divisor_least", "smallest divisor", Content::Count(least)),
            ("divisor_most", "largest divisor", Content::Count(most)),
        ]),
        ClockKind::Accumulator { bits } => rows.extend([
            ("kind", "kind", Content::Text("accumulator")),
            ("accumulator_bits", "bits of the accumulator", Content::Count(bits)),
        ]),
    }
    rows.push(("dot_least", "shortest dot of the laser", time(head.dot_least)));
    rows
}

fn longest(head: &Description) -> Vec<Row> {
    let times = &head.times;
    let mut rows = vec![
        ("spin_up_most", "from rest to lock", time(head.spin_up_most)),
        ("brake_most", "to rest when braked", time(times.brake_most)),
        ("coast_most", "to rest when coasting", time(head.coast_most)),
        ("galvanometer_settling", "galvanometer settling", time(head.galvanometer_settling)),
        ("arming_most", "arming", time(times.arming_most)),
        ("fill_most", "filling the word queue", time(times.fill_most)),
        (
            "waiting_turns_most",
            "turns until a facet comes",
            Content::Count(times.waiting_turns_most),
        ),
        ("reading_most", "reading of the gauge", time(times.reading_most)),
        ("reply_most", "answer to any other call", time(times.reply_most)),
        ("silence_most", "silence of the head", time(times.silence_most)),
        ("pulse_silence_most", "silence of the pulses", time(times.pulse_silence_most)),
        ("gauge_silence_most", "silence of the gauge", time(times.gauge_silence_most)),
    ];
    if times.station_most > 0.0 {
        let most = times.station_reply_most();
        rows.push(("station_reply_most", "answer of a signal or a channel", time(most)));
    }
    rows
}

/// Everything that a head says of itself, in groups of words and values for people.
pub(crate) fn facts(head: &Description) -> Vec<(String, Vec<(String, String)>)> {
    let rows = |rows: Vec<Row>| {
        rows.into_iter().map(|(_, words, value)| (words.to_string(), shown(&value)))
    };
    let groups = groups(head).into_iter();
    let mut facts: Vec<(String, Vec<(String, String)>)> =
        groups.map(|(name, group)| (name.to_string(), rows(group).collect())).collect();
    let rails = head.rails.iter().map(|rail| {
        let nominal = show_quantity(rail.nominal, Dimension::VOLTAGE, None, None);
        let tolerance =
            show_quantity(rail.tolerance, Dimension::NUMBER, parse_unit("%").ok().as_ref(), None);
        (rail.name.clone(), format!("{nominal} ± {tolerance}"))
    });
    facts.push(("power rails".to_string(), rails.collect()));
    let signals = head.signals.iter().map(|signal| {
        let active = match signal.active {
            Active::High => "active high",
            Active::Low => "active low",
        };
        let pull = match signal.pull {
            Pull::None => None,
            Pull::Up => Some("pulled up"),
            Pull::Down => Some("pulled down"),
        };
        let safe = signal.at_safe.map(|safe| match safe {
            AtSafe::Keep => "kept when made safe",
            AtSafe::Off => "off when made safe",
            AtSafe::On => "on when made safe",
        });
        let light = signal.under_light.then_some("also under light");
        let parts = [Some(way(signal.direction)), Some(active), pull, safe, light];
        (signal.name.clone(), parts.into_iter().flatten().collect::<Vec<_>>().join(", "))
    });
    let channels = head.channels.iter().map(|channel| {
        let (least, most) = (channel.shown(channel.least), channel.shown(channel.most));
        let safe = match (channel.direction, channel.at_safe) {
            (Direction::Input, _) => None,
            (Direction::Output, Some(value)) => {
                Some(format!("{} when made safe", channel.shown(value)))
            }
            (Direction::Output, None) => Some("kept when made safe".to_string()),
        };
        let light = channel.under_light.then(|| "also under light".to_string());
        let range = format!("{}, {least} to {most}", way(channel.direction));
        let parts = [Some(range), safe, light];
        (channel.name.clone(), parts.into_iter().flatten().collect::<Vec<_>>().join(", "))
    });
    let groups: [(&str, Vec<_>); 2] =
        [("signals", signals.collect()), ("channels", channels.collect())];
    // Most heads have none.
    let groups = groups.into_iter().filter(|(_, rows)| !rows.is_empty());
    facts.extend(groups.map(|(name, rows)| (name.to_string(), rows)));
    facts
}

fn way(direction: Direction) -> &'static str {
    match direction {
        Direction::Input => "input",
        Direction::Output => "output",
    }
}

fn shown(value: &Content) -> String {
    match value {
        Content::Text(text) => text.replace('_', " "),
        Content::Count(count) => count.to_string(),
        Content::Quantity(value, dimension, unit) => {
            let unit = unit.and_then(|unit| parse_unit(unit).ok());
            show_quantity(*value, *dimension, unit.as_ref(), None)
        }
    }
}
