//! What a head says of itself, as rows of words and values.

use spintrue_head::{
    Active, AtSafe, ClockKind, Description, Dimension, Direction, Pull, StartOfScan, parse_unit,
    show_quantity,
};

const POWER: Dimension = Dimension::of([2, -3, 1, 0, 0, 0]);

/// A value of a head.
pub(crate) enum Content {
    Text(&'static str),
    Count(u32),
    /// In SI, and the unit in which it is shown.
    Quantity(f64, Dimension, Option<&'static str>),
}

/// A row: key for machines, words for people, value.
pub(crate) struct Row(pub &'static str, pub &'static str, pub Content);

impl Row {
    fn count(key: &'static str, words: &'static str, value: u32) -> Row {
        Row(key, words, Content::Count(value))
    }

    fn text(key: &'static str, words: &'static str, value: &'static str) -> Row {
        Row(key, words, Content::Text(value))
    }

    fn time(key: &'static str, words: &'static str, value: f64) -> Row {
        Row(key, words, Content::Quantity(value, Dimension::TIME, None))
    }

    fn length(key: &'static str, words: &'static str, value: f64) -> Row {
        Row(key, words, Content::Quantity(value, Dimension::LENGTH, Some("mm")))
    }

    fn angle(key: &'static str, words: &'static str, value: f64) -> Row {
        Row(key, words, Content::Quantity(value, Dimension::ANGLE, None))
    }

    fn speed(key: &'static str, words: &'static str, value: f64) -> Row {
        Row(key, words, Content::Quantity(value, Dimension::ROTATION, Some("rpm")))
    }

    fn share(key: &'static str, words: &'static str, value: f64) -> Row {
        Row(key, words, Content::Quantity(value, Dimension::NUMBER, Some("%")))
    }
}

/// What a head says of itself, in groups with names.
pub(crate) fn groups(head: &Description) -> Vec<(&'static str, Vec<Row>)> {
    let start = match head.start_of_scan {
        StartOfScan::EveryFacet => "every_facet",
        StartOfScan::IndexOnly => "index_only",
    };
    let range = Content::Quantity(head.galvanometer_range, Dimension::ANGLE, Some("mrad"));
    let f_theta = Content::Quantity(head.focal_length, Dimension::LENS, None);
    let power = Content::Quantity(head.laser_power, POWER, Some("mW"));
    let polygon = vec![
        Row::count("facets", "facets", head.facets),
        Row::speed("speed_least", "lowest speed", head.speed_least),
        Row::speed("speed_most", "highest speed", head.speed_most),
        Row::share("lock_window", "lock window, either way", head.lock_window),
        Row::count("lock_turns", "turns that make lock", head.lock_turns),
        Row::text("start_of_scan", "start-of-scan pulse", start),
    ];
    let line = vec![
        Row::length("focal_length", "focal length", head.focal_length),
        Row("f_theta", "f-theta lens, length per angle", f_theta),
        Row::length("line_most", "longest line", head.line_most),
        Row::share("active_most", "largest active fraction", head.active_most),
        Row("galvanometer_range", "galvanometer range, either way", range),
        Row("laser_power", "full optical power", power),
    ];
    let words = vec![
        Row::time("word_service", "time to serve one", head.word_service),
        Row::count("queue_words", "depth of the queue", head.queue_words),
    ];
    let (in_scan, cross_scan) = (&head.in_scan_trim, &head.cross_scan_trim);
    let trims = vec![
        Row::time("in_scan_step", "in-scan step", in_scan.step),
        Row::time("in_scan_range", "in-scan range, either way", in_scan.range),
        Row::angle("cross_scan_step", "cross-scan step", cross_scan.step),
        Row::angle("cross_scan_range", "cross-scan range, either way", cross_scan.range),
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
    let master = Content::Quantity(head.clock.master, Dimension::FREQUENCY, None);
    let mut rows = vec![Row("master", "master", master)];
    match head.clock.kind {
        ClockKind::Divider { least, most } => rows.extend([
            Row::text("kind", "kind", "divider"),
            Row::count("divisor_least", "smallest divisor", least),
            Row::count("divisor_most", "largest divisor", most),
        ]),
        ClockKind::Accumulator { bits } => rows.extend([
            Row::text("kind", "kind", "accumulator"),
            Row::count("accumulator_bits", "bits of the accumulator", bits),
        ]),
    }
    rows.push(Row::time("dot_least", "shortest dot of the laser", head.dot_least));
    rows
}

fn longest(head: &Description) -> Vec<Row> {
    let times = &head.times;
    let mut rows = vec![
        Row::time("spin_up_most", "from rest to lock", head.spin_up_most),
        Row::time("brake_most", "to rest when braked", times.brake_most),
        Row::time("coast_most", "to rest when coasting", head.coast_most),
        Row::time("galvanometer_settling", "galvanometer settling", head.galvanometer_settling),
        Row::time("arming_most", "arming", times.arming_most),
        Row::time("fill_most", "filling the word queue", times.fill_most),
        Row::count("waiting_turns_most", "turns until a facet comes", times.waiting_turns_most),
        Row::time("reading_most", "reading of the gauge", times.reading_most),
        Row::time("reply_most", "answer to any other call", times.reply_most),
        Row::time("silence_most", "silence of the head", times.silence_most),
        Row::time("pulse_silence_most", "silence of the pulses", times.pulse_silence_most),
        Row::time("gauge_silence_most", "silence of the gauge", times.gauge_silence_most),
    ];
    if times.station_most > 0.0 {
        let most = times.station_reply_most();
        rows.push(Row::time("station_reply_most", "answer of a signal or a channel", most));
    }
    rows
}

/// Everything that a head says of itself, in groups of words and values for people.
pub(crate) fn facts(head: &Description) -> Vec<(String, Vec<(String, String)>)> {
    let rows = |rows: Vec<Row>| {
        rows.into_iter().map(|Row(_, words, value)| (words.to_string(), shown(&value)))
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
