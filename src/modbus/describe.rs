//! Reads the fixture file of a Modbus/TCP device: where the device is, and where each signal and
//! channel lies in it.
//!
//! Addresses are those of the protocol and count from 0. Handbooks of devices often give numbers of
//! the data model instead, which count from 1 and may have the kind of table in front: "register
//! 40001" and "holding register 1" are `holding_register = 0` here.

use crate::modbus::coding::{As, Coding};
use crate::modbus::place::{Bank, Place};
use spintrue_head::{Channel, Dimension, Direction, Signal, UnitText, show_quantity};
use spintrue_sim::{
    ConfigError, LineNames, TomlReader, TomlTable, channel_line, read_description, signal_line,
};
use std::net::SocketAddr;
use std::time::Duration;
use toml::de::DeTable;

/// What can stand in a description.
const TABLES: &[&str] = &["modbus", "signal", "channel"];

/// Seconds after which a call is given up.
const SILENCE: core::ops::RangeInclusive<f64> = 0.01..=10.0;

/// The same where the description says nothing.
const DEFAULT_SILENCE: f64 = 1.0;

/// Most signals and channels of one device, all together.
const MAX_LINES: usize = 256;

/// Largest step and offset in SI that are plausible.
const MAX_VALUE: f64 = 1e15;

/// Largest plausible step of a temperature in K: more was written in degC.
const MAX_KELVIN: f64 = 100.0;

/// A signal and the bit that it is.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct SignalPlace {
    pub(super) signal: Signal,
    pub(super) place: Place,
}

/// A channel and the registers that it is.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct ChannelPlace {
    pub(super) channel: Channel,
    pub(super) place: Place,
    pub(super) coding: Coding,
}

/// A device and what lies in it.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Device {
    pub(super) address: SocketAddr,
    pub(super) unit: u8,
    /// After this time a call is given up, connecting included.
    pub(super) silence: Duration,
    pub(super) signals: Vec<SignalPlace>,
    pub(super) channels: Vec<ChannelPlace>,
}

impl Device {
    /// Reads a fixture file. Nothing is connected.
    ///
    /// # Errors
    /// Every mistake in the file at once.
    pub(crate) fn read(text: &str) -> Result<Device, Vec<ConfigError>> {
        let device = read_description(text, &DeTable::new(), TABLES, |reader| {
            if reader.has("modbus") {
                return read_device(reader);
            }
            let message = "there is no table `[modbus]`, which says where the fixture is";
            let help = "a fixture has `[modbus]` with `address` and `unit`, then `[[signal]]` and \
                        `[[channel]]` for each line behind it";
            reader.table("modbus").complain_with("", message, help);
            None
        })?;
        // Without a mistake there is a device.
        device.ok_or_else(Vec::new)
    }
}

fn read_device(reader: &TomlReader<'_, '_>) -> Option<Device> {
    let modbus = reader.table("modbus");
    modbus.needs(&["address", "unit"]);
    let address = address(&modbus);
    let unit = modbus.whole("unit", 0..=255);
    let silence = modbus.quantity("silence_most", Dimension::TIME, SILENCE);
    modbus.finish();

    let mut names = LineNames::default();
    let mut taken = Vec::new();
    let mut signals = Vec::new();
    let (signal_tables, channel_tables) = (reader.list("signal"), reader.list("channel"));
    let is_empty = signal_tables.is_empty() && channel_tables.is_empty();
    for table in signal_tables {
        let signal = signal_line(&table, &mut names);
        let found = place(&table, &signal.name, signal.direction, SIGNAL);
        if let Some(place) = found {
            take(&mut taken, &table, &signal.name, signal.direction, place);
            signals.push(SignalPlace { signal, place });
        }
        table.finish();
    }
    let mut channels = Vec::new();
    for table in channel_tables {
        channels.extend(read_channel(&table, &mut names, &mut taken));
        table.finish();
    }
    let all = signals.len() + channels.len();
    if all > MAX_LINES {
        modbus.complain(
            "",
            format!("there are {all} signals and channels, and at most {MAX_LINES} are possible"),
        );
    } else if is_empty {
        let help = "write `[[signal]]` or `[[channel]]` with what lies behind the device";
        modbus.complain_with("", "this device has neither signals nor channels", help);
    }
    Some(Device {
        address: address?,
        unit: unit.and_then(|unit| u8::try_from(unit).ok()).unwrap_or(0),
        silence: Duration::from_secs_f64(silence.unwrap_or(DEFAULT_SILENCE)),
        signals,
        channels,
    })
}

/// A numeric address and a port: looking up a name has no time limit.
fn address(table: &TomlTable<'_, '_>) -> Option<SocketAddr> {
    let text = table.text("address")?;
    let read = text.parse::<SocketAddr>().ok().filter(|address| address.port() != 0);
    if read.is_none() {
        let message = format!("`{text}` is no address of a device");
        let help = "write its number and its port, such as \"192.0.2.10:502\" or \
                    \"[2001:db8::10]:502\": names are not looked up, since nothing bounds how long \
                    that takes";
        table.complain_with("address", message, help);
    }
    read
}

/// What is to lie somewhere: its word, what it is, and the writable and the readable bank for it.
type Kind = (&'static str, &'static str, [Bank; 2]);

const SIGNAL: Kind = ("signal", "it is a single bit", [Bank::Coil, Bank::DiscreteInput]);
const CHANNEL: Kind = ("channel", "it is a number", [Bank::HoldingRegister, Bank::InputRegister]);

/// Where a signal or channel lies, before it is known how many registers it takes.
fn place(
    table: &TomlTable<'_, '_>,
    name: &str,
    direction: Direction,
    (what, is, here): Kind,
) -> Option<Place> {
    let [writable, readable] = here.map(Bank::key);
    let mut found: Option<Place> = None;
    let mut is_wrong = false;
    for bank in Bank::ALL {
        let (key, word) = (bank.key(), bank.word());
        if !table.has(key) {
            continue;
        }
        let address = table.whole(key, 0..=65535);
        let (message, help) = if !here.contains(bank) {
            let help = format!("{is}: write `{writable}` or `{readable}`");
            (format!("a {what} does not lie in a {word}"), help)
        } else if let Some(first) = found {
            let message = format!("`{name}` lies in a {} and in a {word}", first.bank.word());
            (message, "delete one of the two keys".to_string())
        } else if direction == Direction::Output && !bank.is_writable() {
            let help = format!("these can only be read: write `{writable} = …` instead");
            (format!("the output `{name}` lies in a {word}"), help)
        } else {
            is_wrong |= address.is_none();
            let address = address.and_then(|address| u16::try_from(address).ok()).unwrap_or(0);
            found = Some(Place { bank: *bank, address, count: 1 });
            continue;
        };
        table.complain_with(key, message, help);
        is_wrong = true;
    }
    if found.is_none() && !is_wrong {
        let message = format!("the {what} `{name}` does not say where in the device it lies");
        let help = match direction {
            Direction::Output => format!("write `{writable} = 0`, counted from 0"),
            Direction::Input => {
                format!("write `{readable} = 0` or `{writable} = 0`, counted from 0")
            }
        };
        table.complain_with("", message, help);
    }
    found.filter(|_| !is_wrong)
}

/// Notes the place that an output takes: no two of them may write to the same.
fn take(
    taken: &mut Vec<(String, Place)>,
    table: &TomlTable<'_, '_>,
    name: &str,
    direction: Direction,
    place: Place,
) {
    if direction == Direction::Input {
        return;
    }
    if let Some((other, theirs)) = taken.iter().find(|(_, theirs)| theirs.meets(&place)) {
        let message = format!(
            "the outputs `{other}` and `{name}` would both write to {}",
            if theirs.count > place.count { place } else { *theirs }
        );
        let help = "give each output a place of its own; numbers of 32 bits take two registers";
        table.complain_with(place.bank.key(), message, help);
    }
    taken.push((name.to_string(), place));
}

fn read_channel(
    table: &TomlTable<'_, '_>,
    names: &mut LineNames,
    taken: &mut Vec<(String, Place)>,
) -> Option<ChannelPlace> {
    let read = channel_line(table, names);
    table.needs(&["as"]);
    let kind = table.choice("as", As::WORDS);
    let low_first = table.choice("word_order", &[("high_first", false), ("low_first", true)]);
    if table.has("word_order") && kind.is_some_and(|kind| kind.registers() == 1) {
        let help = "delete the key, or read two registers as u32, i32 or f32";
        table.complain_with("word_order", "a single register has no `word_order`", help);
    }
    let (direction, name) = match &read {
        Some((channel, _)) => (channel.direction, channel.name.as_str()),
        None => (Direction::Input, ""),
    };
    let place = place(table, name, direction, CHANNEL);
    let Some((channel, unit)) = &read else {
        // Without a unit no quantity can be read.
        table.accept(&["least", "most", "at_safe", "under_light", "step", "offset"]);
        return None;
    };
    let (step, offset) = scale(table, unit);
    let (kind, mut place) = (kind?, place?);
    place.count = kind.registers();
    if place.last() > u32::from(u16::MAX) {
        let message = format!("{place} goes beyond the last register, 65535");
        table.complain(place.bank.key(), message);
        return None;
    }
    let coding = Coding { kind, low_first: low_first == Some(true), step, offset };
    check_range(table, channel, unit, &coding);
    take(taken, table, name, direction, place);
    Some(ChannelPlace { channel: channel.clone(), place, coding })
}

/// What a count of one and a count of zero stand for: by default one and zero of the unit.
fn scale(table: &TomlTable<'_, '_>, unit: &UnitText) -> (f64, f64) {
    let plausible = -MAX_VALUE..=MAX_VALUE;
    let step = table.quantity("step", unit.dimension, plausible.clone());
    if step == Some(0.0) {
        let message = "`channel.step` is nothing, so that every count would stand for the same";
        table.complain("step", message);
    }
    if unit.is_absolute() && step.is_some_and(|step| step.abs() > MAX_KELVIN) {
        let message = "`channel.step` is a difference of temperatures";
        table.complain_with("step", message, "write it in K, such as \"0.1 K\"");
    }
    let offset = table.quantity("offset", unit.dimension, plausible);
    let zero = unit.to_si(0.0);
    let one = unit.to_si(1.0) - zero;
    (step.filter(|step| *step != 0.0).unwrap_or(one), offset.unwrap_or(zero))
}

/// Complains where the registers cannot hold the whole range.
fn check_range(table: &TomlTable<'_, '_>, channel: &Channel, unit: &UnitText, coding: &Coding) {
    let (low, high) = coding.reach();
    let (least, most) = (channel.least, channel.most);
    if least >= most
        || (low - coding.rounding(low) <= least && most <= high + coding.rounding(high))
    {
        return;
    }
    let shown = |value: f64| show_quantity(value, unit.dimension, Some(unit), None);
    let message = format!(
        "as {} with this step `{}` reaches from {} to {}, which does not hold {} to {}",
        coding.kind.word(),
        channel.name,
        shown(low),
        shown(high),
        shown(least),
        shown(most)
    );
    let help = match coding.kind {
        As::U16 | As::U32 if least < low => {
            "an `as` with a sign, a `step` or `offset` as the device has it, or a smaller range"
        }
        _ => "a larger `as` or `step` where the device has it, or a smaller range",
    };
    table.complain_with("as", message, help);
}

#[cfg(test)]
mod tests;
