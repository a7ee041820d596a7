//! What people are told of what came over a wire: bounded and visible. Pure; uses
//! faults and units.

use crate::units::{Dimension, show_quantity};
use crate::wire::errors::WireError;
use crate::{Fault, SafeState, Status, visible};
use serde::de::DeserializeOwned;

/// Most characters that are shown of what the other end said.
const MAX_SHOWN: usize = 60;

/// Why a head is not made safe from here.
pub(crate) const ANOTHERS: &str =
    "another client controls the head, so that it was left to that one";

/// Why nothing is moved from here.
pub(crate) const CONTROLLED: &str =
    "another client controls the head: wait until it gives control back";

/// A head that another client controls, as its status tells it.
pub(crate) fn left_to_another(status: &Result<Status, Fault>) -> SafeState {
    let mut troubles = vec![ANOTHERS.to_string()];
    if let Err(why) = status {
        troubles.push(format!("its state could not be read: {why}"));
    }
    SafeState::seen(status.as_ref().ok(), true, troubles)
}

/// Control was had and is not any more; `errors` of the server, the oldest first, tell why.
pub(crate) fn lost_control(errors: &[WireError]) -> Fault {
    let tells = |error: &&WireError| {
        // That it has to be taken again is no reason.
        [-203, -221].contains(&error.code) && !error.detail.contains("CONTrol:TAKE")
    };
    let whole = errors.iter().all(|error| error.code != -350);
    let why = errors.iter().rfind(tells).filter(|_| whole).map(|error| shown_long(&detail(error)));
    Fault::Broken(match why {
        Some(why) if why.starts_with("control ") => why,
        Some(why) => format!("control of the head was lost: {why}"),
        None => {
            "control of the head was lost: another client took it, or made the head safe".into()
        }
    })
}

fn shown_long(said: &str) -> String {
    said.chars().take(255).collect()
}

/// What the other end said, on one line and cut short.
pub(crate) fn shown(said: &str) -> String {
    let mut shown = visible::visible_line(&said.chars().take(MAX_SHOWN).collect::<String>());
    if said.chars().nth(MAX_SHOWN).is_some() {
        shown.push('…');
    }
    shown
}

/// A time in s for people.
pub(crate) fn seconds(time: f64) -> String {
    show_quantity(time, Dimension::TIME, None, None)
}

/// What exactly is wrong, without the words that go with the number of an error.
pub(crate) fn detail(error: &WireError) -> String {
    let general = WireError::new(error.code, "").words();
    let exact = error.detail.strip_prefix(&general).map(|rest| rest.trim_start_matches(';'));
    match exact {
        Some("") | None if error.detail.is_empty() => general,
        Some("") | None => error.detail.clone(),
        Some(exact) => exact.to_string(),
    }
}

/// Reads JSON; where that fails, says why with the path of the key.
pub(crate) fn read_json<T: DeserializeOwned>(text: &str) -> Result<T, WireError> {
    let mut json = serde_json::Deserializer::from_str(text);
    let read = serde_path_to_error::deserialize(&mut json);
    let read = read.map_err(|error| unusable(&error.path().to_string(), error.inner()))?;
    json.end().map(|()| read).map_err(|why| unusable(TOP, &why))
}

/// The path of all that is read.
const TOP: &str = ".";

fn unusable(path: &str, why: &serde_json::Error) -> WireError {
    let words = why.to_string();
    let words = words.split(" at line ").next().unwrap_or_default();
    let missing = words.strip_prefix("missing field `").and_then(|rest| rest.strip_suffix('`'));
    let detail = match missing {
        Some(key) if path == TOP => format!("the key `{key}` is missing"),
        Some(key) => format!("the key `{path}.{key}` is missing"),
        None if path == TOP => shown(words),
        None => format!("the key `{path}`: {words}"),
    };
    WireError::new(-161, detail)
}

#[cfg(test)]
mod tests {
    use super::{detail, read_json, shown};
    use crate::Description;
    use crate::tests::description;
    use crate::wire::errors::WireError;
    use proptest::prelude::{any, proptest};
    use serde_json::{Value, json};

    fn told(text: &str) -> String {
        read_json::<Description>(text).unwrap_err().detail
    }

    /// Wherever a key is wrong, its path is told, written on one line or on many.
    #[test]
    fn the_key_is_named_with_its_path() {
        let good = serde_json::to_value(description()).unwrap();
        let spoilt = |spoil: &dyn Fn(&mut Value)| {
            let mut value = good.clone();
            spoil(&mut value);
            let (one, many) = (value.to_string(), serde_json::to_string_pretty(&value).unwrap());
            assert_eq!(told(&one), told(&many));
            told(&one)
        };
        let remove =
            |value: &mut Value, key: &str| drop(value.as_object_mut().unwrap().remove(key));
        assert_eq!(spoilt(&|value| remove(value, "facets")), "the key `facets` is missing");
        let inside = spoilt(&|value| remove(&mut value["times"], "reply_most"));
        assert_eq!(inside, "the key `times.reply_most` is missing");
        let rail = spoilt(&|value| value["rails"][1]["nominal"] = json!("12 V"));
        assert!(rail.starts_with("the key `rails[1].nominal`: invalid type: string"), "{rail}");
    }

    #[test]
    fn what_others_say_is_bounded_and_plain() {
        assert_eq!(shown("a\x1b[2Jb"), "a\\u{1b}[2Jb");
        assert_eq!(shown(&"x".repeat(500)).chars().count(), 61);
        let said = |words: &str| detail(&WireError::new(-203, words));
        assert_eq!(said("Command protected;say it first"), "say it first");
        assert_eq!(said("Command protected"), "Command protected");
        assert_eq!(said("else"), "else");
    }

    proptest! {
        #[test]
        fn nothing_panics(text in any::<String>()) {
            let _ = read_json::<Description>(&text);
        }
    }
}
