//! Numbers in files: a finite one as a number, any other by its name, since JSON has none for it.
//!
//! For fields of serde: `#[serde(with = "number")]`, and `number::list` and `number::option`.

use serde::de::{Error, Visitor};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;

/// A number that reads back as it was.
#[derive(Clone, Copy, Debug)]
struct Number(f64);

impl Serialize for Number {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        match self.0 {
            value if value.is_finite() => to.serialize_f64(value),
            value if value.is_nan() => to.serialize_str("NaN"),
            value if value > 0.0 => to.serialize_str("inf"),
            _ => to.serialize_str("-inf"),
        }
    }
}

impl<'de> Deserialize<'de> for Number {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        from.deserialize_any(Read)
    }
}

struct Read;

impl Visitor<'_> for Read {
    type Value = Number;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a number, or \"NaN\", \"inf\" or \"-inf\"")
    }

    fn visit_f64<E: Error>(self, value: f64) -> Result<Number, E> {
        Ok(Number(value))
    }

    fn visit_u64<E: Error>(self, value: u64) -> Result<Number, E> {
        Ok(Number(value as f64))
    }

    fn visit_i64<E: Error>(self, value: i64) -> Result<Number, E> {
        Ok(Number(value as f64))
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Number, E> {
        match text {
            "NaN" => Ok(Number(f64::NAN)),
            "inf" => Ok(Number(f64::INFINITY)),
            "-inf" => Ok(Number(f64::NEG_INFINITY)),
            other => Err(E::invalid_value(serde::de::Unexpected::Str(other), &self)),
        }
    }
}

/// Writes a number.
pub(crate) fn serialize<S: Serializer>(value: &f64, to: S) -> Result<S::Ok, S::Error> {
    Number(*value).serialize(to)
}

/// Reads a number.
pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    Number::deserialize(from).map(|number| number.0)
}

/// The same for lists.
pub(crate) mod list {
    use super::Number;
    use serde::{Deserialize, Deserializer, Serializer};

    /// Writes numbers.
    pub(crate) fn serialize<S: Serializer>(values: &[f64], to: S) -> Result<S::Ok, S::Error> {
        to.collect_seq(values.iter().map(|value| Number(*value)))
    }

    /// Reads numbers.
    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<f64>, D::Error> {
        let numbers = Vec::<Number>::deserialize(from)?;
        Ok(numbers.into_iter().map(|number| number.0).collect())
    }
}

/// The same where there may be none.
pub(crate) mod option {
    use super::Number;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    /// Writes a number, or null.
    pub(crate) fn serialize<S: Serializer>(value: &Option<f64>, to: S) -> Result<S::Ok, S::Error> {
        value.map(Number).serialize(to)
    }

    /// Reads a number, or null.
    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
        Ok(Option::<Number>::deserialize(from)?.map(|number| number.0))
    }
}

#[cfg(test)]
mod tests {
    use serde::{Deserialize, Serialize};

    #[derive(Serialize, Deserialize)]
    struct All {
        #[serde(with = "super")]
        one: f64,
        #[serde(with = "super::list")]
        many: Vec<f64>,
        #[serde(with = "super::option", default)]
        perhaps: Option<f64>,
    }

    #[test]
    fn every_double_reads_back() {
        let all = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, -0.0, 5e-324, 0.1, 1e300, 3.0];
        for value in all {
            let text =
                serde_json::to_string(&All { one: value, many: vec![value], perhaps: Some(value) });
            let back: All = serde_json::from_str(&text.unwrap()).unwrap();
            for other in [back.one, back.many[0], back.perhaps.unwrap()] {
                assert!(value.to_bits() == other.to_bits() || value.is_nan() && other.is_nan());
            }
        }
        let none: All = serde_json::from_str(r#"{"one": 1, "many": [], "perhaps": null}"#).unwrap();
        assert_eq!(none.perhaps, None);
        assert!(serde_json::from_str::<All>(r#"{"one": null, "many": []}"#).is_err());
        assert!(serde_json::from_str::<All>(r#"{"one": "many", "many": []}"#).is_err());
    }
}
