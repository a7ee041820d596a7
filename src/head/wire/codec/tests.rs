//! Every call and every answer there and back, and every fault.

use super::write_reply;
use crate::call::{Call, CallImage, Reply};
use crate::image::Bitmap;
use crate::tests::description;
use crate::wire::errors::WireError;
use crate::wire::message::{Argument, message_units, reply_parts};
use crate::wire::outcome::{Failure, read_outcome, told};
use crate::wire::tree::{HEADERS, Meaning, find_header, read_call, read_reply, write_call};
use crate::{
    Exposed, ExposedPage, Fault, Halt, Laser, LineCorrection, LineOrder, Mark, Pattern, Proof,
    PulseAngle, Reading, SafeState, Stated, Status, SteadyOrder, Trim, Turn,
};
use proptest::prelude::{Just, Strategy, any, prop_oneof, proptest};
use proptest::{collection, option};
use std::sync::Arc;

fn finite() -> impl Strategy<Value = f64> {
    any::<f64>().prop_filter("finite", |value| value.is_finite() && value.abs() < 1e37)
}

fn image() -> impl Strategy<Value = Arc<Bitmap>> {
    (1_u32..100, 1_u32..5, collection::vec(any::<u8>(), 60)).prop_map(|(width, height, bytes)| {
        let mut file = format!("P4 {width} {height}\n").into_bytes();
        file.extend(&bytes[..(width.div_ceil(8) * height) as usize]);
        Arc::new(Bitmap::read(&file).unwrap())
    })
}

fn trims() -> impl Strategy<Value = Vec<Trim>> {
    let share = || prop_oneof![Just(1.0), finite()];
    let trim = (finite(), finite(), share(), share());
    let trim = trim.prop_map(|(in_scan, cross_scan, power, length)| Trim {
        in_scan,
        cross_scan,
        power,
        length,
    });
    collection::vec(trim, 0..20)
}

fn times() -> impl Strategy<Value = Vec<f64>> {
    collection::vec(finite(), 0..12)
}

fn proof() -> impl Strategy<Value = Proof> {
    let angle = (finite(), finite()).prop_map(|(angle, u)| PulseAngle { angle, u });
    (finite(), finite(), finite(), collection::vec(angle, 0..12)).prop_map(
        |(speed, power, temperature, pattern)| Proof { speed, power, temperature, pattern },
    )
}

fn correction() -> impl Strategy<Value = Option<LineCorrection>> {
    let some = (finite(), collection::vec(finite(), 0..9));
    option::of(some.prop_map(|(length, linearity)| LineCorrection { length, linearity }))
}

fn any_call() -> impl Strategy<Value = Call> {
    let pattern = prop_oneof![
        Just(Pattern::TestMarks),
        collection::vec(finite(), 0..9).prop_map(Pattern::Map),
        collection::vec(any::<u32>(), 0..9).prop_map(Pattern::Words)
    ];
    let line = (any::<u32>(), any::<u32>(), finite(), finite(), pattern, correction()).prop_map(
        |(facet, dots, dot_period, delay, pattern, correction)| {
            let line = LineOrder { facet, dots, dot_period, delay, pattern, correction };
            Call::Expose { line }
        },
    );
    let steady = (option::of(any::<u32>()), any::<u32>(), finite(), finite(), finite()).prop_map(
        |(facet, dots, dot_period, delay, seconds)| {
            let order = SteadyOrder { facet, dots, dot_period, delay, seconds };
            Call::DrawSteadily { order }
        },
    );
    let page = (finite(), finite(), finite(), image(), correction()).prop_map(
        |(dot_period, delay, pitch, image, correction)| {
            let image = CallImage::Here(image);
            Call::ExposePage { dot_period, delay, pitch, image, correction }
        },
    );
    let plain = prop_oneof![
        Just(Call::DrawingSteadily),
        Just(Call::Describe),
        Just(Call::Status),
        Just(Call::Trims),
        option::of(proof()).prop_map(|proof| Call::StoreTrims { proof }),
        Just(Call::StoredProof),
        Just(Call::Disarm),
        Just(Call::Measure),
        any::<String>().prop_map(|fault| Call::CheckCanInject { fault }),
        (any::<String>(), 0.0..1e6f64).prop_map(|(fault, after)| Call::Inject { fault, after }),
        Just(Call::ClearFaults),
        Just(Call::Halt { how: Halt::Brake }),
        Just(Call::Halt { how: Halt::Coast }),
    ];
    prop_oneof![
        plain,
        line,
        page,
        steady,
        finite().prop_map(|speed| Call::Spin { speed }),
        option::of(finite()).prop_map(|angle| Call::Steer { angle }),
        any::<u32>().prop_map(|count| Call::Turns { count }),
        trims().prop_map(|trims| Call::LoadTrims { trims }),
        finite().prop_map(|power| Call::Arm { power }),
        (0.0..1e6).prop_map(|seconds| Call::Sleep { seconds }),
        any::<bool>().prop_map(|keep_spinning| Call::MakeSafe { keep_spinning }),
        any::<String>().prop_map(|signal| Call::Signal { signal }),
        (any::<String>(), any::<bool>()).prop_map(|(signal, on)| Call::Switch { signal, on }),
        any::<String>().prop_map(|channel| Call::Channel { channel }),
        (any::<String>(), finite())
            .prop_map(|(channel, value)| Call::SetChannel { channel, value }),
    ]
}

fn heard(message: &[u8]) -> Result<Option<Call>, WireError> {
    let units = message_units(message).unwrap();
    let [unit] = units.as_slice() else { panic!("{units:?}") };
    let parts: Vec<&str> = unit.header.split(':').collect();
    read_call(find_header(&parts, unit.query).unwrap(), &unit.arguments)
}

proptest! {
    #[test]
    fn every_call_is_heard_as_it_was_said(said in any_call()) {
        assert_eq!(heard(&write_call(&said).unwrap()), Ok(Some(said)));
    }

    #[test]
    fn lists_read_back(
        trims in trims(),
        turns in collection::vec((finite(), any::<u32>(), times(), times()), 1..9),
        proof in option::of(proof()),
    ) {
        let turns = turns.into_iter().map(|(period, start_of_scan, pulses, ends)| {
            Turn { period, start_of_scan, pulses, ends }
        });
        there_and_back(&Call::Turns { count: 1 }, Reply::Turns(turns.collect()));
        there_and_back(&Call::Trims, Reply::Trims(trims));
        there_and_back(&Call::StoredProof, Reply::Proof(proof));
    }

    #[test]
    fn texts_of_a_safe_state_read_back(troubles in collection::vec(any::<String>(), 0..4)) {
        let (laser_off, parked, speed, at_rest) = (true, false, 2.5, false);
        let state = SafeState { laser_off, parked, speed, at_rest, kept_spinning: true, troubles };
        there_and_back(&Call::MakeSafe { keep_spinning: false }, Reply::Safe(state));
    }

    #[test]
    fn faults_lose_nothing(words in any::<[String; 4]>(), which in 0_usize..4) {
        // Where there are no words, some are put there.
        let [what, value, low, high] = words.map(|word| format!("{word}."));
        let fault = match which {
            0 => Fault::Refused(what),
            1 => Fault::Broken(what),
            _ => Fault::OutOfRange { what, value, low, high },
        };
        whole(fault);
    }

    #[test]
    fn no_reply_panics(bytes in any::<Vec<u8>>(), said in any_call()) {
        for values in reply_parts(&bytes).unwrap_or_default() {
            let _ = read_reply(&said, &values);
            let _ = read_outcome(&values);
        }
    }
}

fn there_and_back(call: &Call, said: Reply) {
    let reply = write_reply(&said);
    let values = reply_parts(&reply).unwrap().into_iter().next().unwrap_or_default();
    assert_eq!(read_reply(call, &values), Ok(said), "{}", reply.escape_ascii());
}

fn whole(fault: Fault) {
    let failure = Failure::Head(fault);
    let values = reply_parts(&told(Some(&failure))).unwrap();
    assert_eq!(read_outcome(&values[0]), Ok(Some(failure)));
}

#[test]
fn faults_with_a_fixed_wording_lose_nothing() {
    for fault in [
        Fault::InterlockOpen,
        Fault::NotLocked,
        Fault::NotArmed,
        Fault::armed("storing trims"),
        Fault::no_pulse("index"),
        Fault::no_pulse("start-of-scan"),
        Fault::Underrun,
        Fault::LostReading,
        Fault::NoGauge,
    ] {
        whole(fault);
    }
    let values = reply_parts(&told(None)).unwrap();
    assert_eq!(read_outcome(&values[0]), Ok(None));
    let error = Failure::Wire(WireError::new(-113, "X"));
    let values = reply_parts(&told(Some(&error))).unwrap();
    let Ok(Some(Failure::Wire(heard))) = read_outcome(&values[0]) else { panic!("{values:?}") };
    assert_eq!((heard.code, heard.detail.as_str()), (-113, "Undefined header;X"));
}

#[test]
fn a_newer_fault_is_a_broken_head_with_all_its_words() {
    let values =
        [Argument::Text("mirror_lost".into()), Argument::Text("glass on the floor".into())];
    let Ok(Some(Failure::Head(Fault::Broken(words)))) = read_outcome(&values) else { panic!() };
    let wanted =
        "the head reports `mirror_lost`, which this version does not know: glass on the floor";
    assert_eq!(words, wanted);
}

#[test]
fn answers_read_back() {
    let status = Status {
        time: 1.5,
        speed: 502.0,
        target: None,
        locked: true,
        facet: None,
        rails: vec![5.0, 24.1],
        interlock_closed: true,
        laser: Laser::Armed,
        at_rest: false,
        galvanometer: -1e-3,
        parked: false,
        temperature: 295.15,
    };
    there_and_back(&Call::Status, Reply::Status(status.clone()));
    let other = Status { target: Some(502.0), facet: Some(7), laser: Laser::Off, ..status };
    there_and_back(&Call::Status, Reply::Status(other));
    there_and_back(&Call::Describe, Reply::Description(Box::new(description())));
    let line = LineOrder {
        facet: 0,
        dots: 1,
        dot_period: 1.0,
        delay: 0.0,
        pattern: Pattern::TestMarks,
        correction: None,
    };
    let exposed = Exposed { time: 0.1, facet: 3, words: 113, underrun: true, period: 12.5e-3 };
    there_and_back(&Call::Expose { line }, Reply::Exposed(exposed));
    let image = Arc::new(Bitmap::read(b"P4 1 1\n\x80").unwrap());
    let image = CallImage::Here(image);
    let page =
        Call::ExposePage { dot_period: 1.0, delay: 0.0, pitch: 1.0, image, correction: None };
    let exposed = ExposedPage { time: 0.1, lines: 3, missed: 1, took: 0.3 };
    there_and_back(&page, Reply::ExposedPage(exposed));
    for on in [false, true] {
        there_and_back(&Call::Signal { signal: "door".to_string() }, Reply::Flag(on));
        there_and_back(&Call::DrawingSteadily, Reply::Flag(on));
    }
    there_and_back(&Call::Channel { channel: "vacuum".to_string() }, Reply::Value(-6.0e4 / 7.0));
    let mark = |at| Mark { at, in_scan: 1e-6, cross_scan: -2e-6 / 7.0, dose: 0.9, width: None };
    let u = Stated { random: 1e-7, offset: 2e-7, slope: 3e-5, place: 4e-7 };
    for marks in [vec![mark(0.0)], [-0.5, -0.25, 0.0, 0.25, 0.5].map(mark).to_vec()] {
        let wide = marks.iter().map(|mark| Mark { width: Some(80e-6), ..*mark }).collect();
        let reading = Reading { marks, in_scan_u: u, cross_scan_u: u, dose_u: 0.01, width_u: None };
        there_and_back(&Call::Measure, Reply::Reading(reading.clone()));
        let reading = Reading { marks: wide, width_u: Some(1e-6), ..reading };
        there_and_back(&Call::Measure, Reply::Reading(reading));
    }
    let strikes = Call::CheckCanInject { fault: "lock_lost".to_string() };
    there_and_back(&strikes, Reply::Refusal(None));
    there_and_back(&strikes, Reply::Refusal(Some("no; \"facet\" 99 is not there".to_string())));
}

/// Every row of the table that asks for a call refuses what it does not take.
#[test]
fn parameters_are_told_apart() {
    for (said, code) in [
        ("ROT:SPE", -109),
        ("ROT:SPE 1,2", -108),
        ("ROT:SPE FAST", -104),
        ("ROT:SPE 1 V", -131),
        ("ROT:TURN? 1.5", -222),
        ("ROT:TURN? 1 S", -138),
        ("ROT:HALT SLOWLY", -224),
        ("TRIM:LOAD 1", -109),
        ("CLOC:SLE -1", -222),
        ("SIGN:STAT?", -109),
        ("SIGN:STAT? DOOR", -104),
        ("SIGN:SWIT \"clamp\",2", -224),
        ("SIGN:SWIT \"clamp\",1,1", -108),
        ("CHAN:VAL \"pump\"", -109),
        ("CHAN:VAL \"pump\",-60 KPA", -138),
        ("LINE:EXP? 0,1,1E-6,0,#13abc", -161),
        ("LINE:EXP? 0,1,1E-6,0,MAP", -109),
        ("LINE:EXP? 0,1,1E-6,0,MAP,2,0.5", -109),
        ("LINE:EXP? 0,1,1E-6,0,MAP,1,0.5 M", -138),
        ("LINE:EXP? 0,1,1E-6,0,MAP,1,0.5,TEST", -104),
        ("PAGE:EXP? 1,1,1,#12P5", -161),
        ("*IDN? 1", -108),
    ] {
        let found = heard(said.as_bytes());
        if said.starts_with('*') {
            assert_eq!(found, Ok(None));
        } else {
            assert_eq!(found.unwrap_err().code, code, "{said}");
        }
    }
    let calls = HEADERS.iter().filter(|entry| matches!(entry.meaning, Meaning::Call(_)));
    assert!(calls.count() > 20);
}

#[test]
fn a_line_without_words_is_heard_as_it_was_said() {
    let pattern = Pattern::Words(Vec::new());
    let line =
        LineOrder { facet: 0, dots: 0, dot_period: 0.0, delay: 0.0, pattern, correction: None };
    let said = Call::Expose { line };
    assert_eq!(heard(&write_call(&said).unwrap()), Ok(Some(said)));
}

/// Units go on behind the places of a map, however many these are.
#[test]
fn a_map_of_a_corrected_plan_is_heard_in_its_units() {
    for places in [vec![], vec![0.25], vec![-0.5, 0.0, 0.5, 0.75]] {
        let listed: String = places.iter().map(|place| format!(",{place}")).collect();
        let said =
            format!("LINE:EXP? 3,3600,208 NS,60 US,MAP,{}{listed},300 MM,1.01", places.len());
        let Ok(Some(Call::Expose { line })) = heard(said.as_bytes()) else { panic!("{said}") };
        assert_eq!(line.pattern, Pattern::Map(places));
        let correction = line.correction.unwrap();
        assert_eq!((correction.length, correction.linearity), (0.3, vec![1.01]));
    }
}

/// Heads without these trims, and plans that were not corrected, are asked as ever.
#[test]
fn what_few_heads_have_is_not_said_to_others() {
    let written = |trims: Vec<Trim>| {
        let text = write_reply(&Reply::Trims(trims));
        String::from_utf8(text).unwrap()
    };
    let plain = Trim { in_scan: 1e-9, cross_scan: -2e-6, ..Trim::default() };
    assert_eq!(written(vec![plain; 2]), "1.0E-9,-2.0E-6,1.0E-9,-2.0E-6");
    let dim = Trim { power: 1.25, ..plain };
    assert_eq!(written(vec![plain, dim]), "1.0E-9,-2.0E-6,1.0E-9,-2.0E-6,POW,1.0E+0,1.25E+0");
    let fast = Trim { length: 1.002, ..plain };
    assert_eq!(written(vec![fast, plain]), "1.0E-9,-2.0E-6,1.0E-9,-2.0E-6,LENG,1.002E+0,1.0E+0");
}
