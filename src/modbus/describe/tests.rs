//! Each mistake in a description is told at its place with a way out; what is right is taken as meant.

use crate::modbus::coding::As;
use crate::modbus::describe::Device;
use crate::modbus::place::Bank;

const DEVICE: &str = "[modbus]\naddress = \"192.0.2.10:502\"\nunit = 1\n";
const SIGNAL: &str = "[[signal]]\nname = \"door\"\ndirection = \"input\"\ndiscrete_input = 3\n";
const CLAMP: &str =
    "[[signal]]\nname = \"clamp\"\ndirection = \"output\"\nat_safe = \"keep\"\ncoil = 0\n";

/// A channel with further lines.
fn channel(more: &str) -> String {
    format!(
        "{DEVICE}[[channel]]\nname = \"vacuum\"\ndirection = \"input\"\nunit = \"kPa\"\n\
         least = \"-101 kPa\"\nmost = \"0 kPa\"\n{more}"
    )
}

/// One mistake: what is pointed at, and what is said with the help.
#[track_caller]
fn wrong(text: &str, at: &str, words: &str) {
    let errors = Device::read(text).unwrap_err();
    let told: Vec<String> = errors.iter().map(ToString::to_string).collect();
    assert_eq!(errors.len(), 1, "{told:#?}");
    let place = &text[errors[0].span.clone()];
    assert!(place.starts_with(at), "points at `{place}`");
    assert!(told[0].contains(words), "{}", told[0]);
}

#[test]
fn a_whole_device_reads() {
    let text = channel(
        "input_register = 10\nas = \"i32\"\nword_order = \"low_first\"\nstep = \"0.01 kPa\"\n",
    );
    let device = Device::read(&format!("{text}{SIGNAL}{CLAMP}")).unwrap();
    assert_eq!(device.address, "192.0.2.10:502".parse().unwrap());
    assert_eq!((device.unit, device.silence.as_secs_f64()), (1, 1.0));
    let gauge = &device.channels[0];
    assert_eq!(
        (gauge.place.bank, gauge.place.address, gauge.place.count),
        (Bank::InputRegister, 10, 2)
    );
    assert_eq!((gauge.coding.kind, gauge.coding.low_first), (As::I32, true));
    assert_eq!((gauge.coding.step, gauge.coding.offset), (10.0, 0.0));
    assert_eq!(device.signals[1].place.bank, Bank::Coil);
    assert_eq!((gauge.channel.least, gauge.channel.most), (-101e3, 0.0));
}

#[test]
fn a_temperature_counts_from_the_zero_of_its_unit() {
    let text = format!(
        "{DEVICE}[[channel]]\nname = \"bath\"\ndirection = \"input\"\nunit = \"degC\"\n\
         least = \"0 degC\"\nmost = \"90 degC\"\nholding_register = 0\nas = \"i16\"\n"
    );
    let device = Device::read(&format!("{text}step = \"0.1 K\"\n")).unwrap();
    assert!((device.channels[0].coding.read(&[215]) - 294.65).abs() < 1e-9);
    let plain = Device::read(&text).unwrap();
    assert!((plain.channels[0].coding.read(&[20]) - 293.15).abs() < 1e-9);
    wrong(&format!("{text}step = \"0.1 degC\"\n"), "\"0.1", "write it in K");
}

#[test]
fn the_device_itself() {
    wrong(SIGNAL, "", "there is no table `[modbus]`");
    wrong("", "", "then `[[signal]]` and `[[channel]]`");
    wrong(&format!("{DEVICE}colour = 3\n{SIGNAL}"), "colour", "no key `colour` in `modbus`");
    wrong(
        &format!("{DEVICE}{SIGNAL}[quux]\nbaud = 1\n"),
        "quux",
        "known here: modbus, signal, channel",
    );
    wrong(DEVICE, "[modbus]", "neither signals nor channels");
    wrong(&format!("[modbus]\nunit = 1\n{SIGNAL}"), "[modbus]", "needs the key `address`");
    for address in ["plc.example:502", "192.0.2.10", "192.0.2.10:0", "192.0.2.300:502", "502"] {
        let text = format!("[modbus]\naddress = \"{address}\"\nunit = 1\n{SIGNAL}");
        wrong(&text, &format!("\"{address}"), "such as \"192.0.2.10:502\"");
    }
    wrong(
        &format!("[modbus]\naddress = \"[::1]:502\"\nunit = 256\n{SIGNAL}"),
        "256",
        "whole number from 0 to 255",
    );
    wrong(&format!("{DEVICE}silence_most = \"1 h\"\n{SIGNAL}"), "\"1 h", "from 10 ms to 10 s");
    wrong(
        &format!("{DEVICE}silence_most = \"1 kPa\"\n{SIGNAL}"),
        "\"1 kPa",
        "must be of kind time, not pressure",
    );
    wrong("[modbus\n", "", "this is not TOML");
}

#[test]
fn where_a_signal_lies() {
    let signal =
        |more: &str| format!("{DEVICE}[[signal]]\nname = \"door\"\ndirection = \"input\"\n{more}");
    wrong(&signal(""), "[[signal]]", "`discrete_input = 0` or `coil = 0`, counted from 0");
    wrong(&signal("discrete_input = 3\ncoil = 4\n"), "3", "lies in a coil and in a discrete input");
    wrong(&signal("coil = 65536\n"), "65536", "whole number from 0 to 65535");
    wrong(&signal("coil = \"0\"\n"), "\"0\"", "not a text");
    wrong(
        &signal("input_register = 3\n"),
        "3",
        "it is a single bit: write `coil` or `discrete_input`",
    );
    wrong(&signal("coil = 3\nbit = 3\n"), "bit", "no key `bit` in `signal`");
    let output = CLAMP.replace("coil", "discrete_input");
    wrong(&format!("{DEVICE}{output}"), "0", "these can only be read: write `coil");
    let two = CLAMP.replace("clamp", "lamp");
    wrong(&format!("{DEVICE}{CLAMP}{two}"), "0", "`clamp` and `lamp` would both write to coil 0");
    wrong(&format!("{DEVICE}{SIGNAL}{SIGNAL}"), "\"door\"", "another signal `door`");
}

#[test]
fn what_a_channel_is() {
    let good = "input_register = 10\nas = \"i16\"\nstep = \"0.01 kPa\"\n";
    assert!(Device::read(&channel(good)).is_ok());
    wrong(&channel(&good.replace("input_register", "coil")), "10", "it is a number");
    wrong(
        &channel("as = \"i16\"\n"),
        "[[channel]]",
        "`input_register = 0` or `holding_register = 0`",
    );
    wrong(&channel("input_register = 10\n"), "[[channel]]", "needs the key `as`");
    wrong(&channel("input_register = 10\nas = \"i64\"\n"), "\"i64\"", "u16, i16, u32, i32, f32");
    let coarse = good.replace("0.01", "0.001");
    wrong(
        &channel(&coarse),
        "\"i16\"",
        "reaches from -32.768 kPa to 32.767 kPa, which does not hold -101 kPa",
    );
    wrong(&channel(&good.replace("i16", "u16")), "\"u16\"", "an `as` with a sign");
    wrong(
        &channel(&good.replace("0.01 kPa", "0 kPa")),
        "\"0 kPa",
        "every count would stand for the same",
    );
    wrong(
        &channel(&good.replace("0.01 kPa", "0.01 mm")),
        "\"0.01 mm",
        "must be of kind pressure, not length",
    );
    wrong(
        &channel(&format!("{good}word_order = \"low_first\"\n")),
        "\"low_first",
        "a single register",
    );
    let last = "input_register = 65535\nas = \"f32\"\n";
    wrong(&channel(last), "65535", "beyond the last register");
    let unit = channel(good).replace("unit = \"kPa\"", "unit = \"kpa\"");
    wrong(&unit, "\"kpa\"", "did you mean `kPa`?");
}

#[test]
fn outputs_do_not_share_registers() {
    let output = |name: &str, more: &str| {
        format!(
            "[[channel]]\nname = \"{name}\"\ndirection = \"output\"\nunit = \"mm\"\n\
             least = \"0 mm\"\nmost = \"9 mm\"\nat_safe = \"keep\"\nstep = \"0.001 mm\"\n{more}"
        )
    };
    let one = output("left", "holding_register = 4\nas = \"u32\"\n");
    let two = output("right", "holding_register = 5\nas = \"u16\"\n");
    let words = "`left` and `right` would both write to holding register 5";
    wrong(&format!("{DEVICE}{one}{two}"), "5", words);
    let apart = output("right", "holding_register = 6\nas = \"u16\"\n");
    assert!(Device::read(&format!("{DEVICE}{one}{apart}")).is_ok());
    wrong(&format!("{DEVICE}{}", one.replace("holding", "input")), "4", "write `holding_register");
}
