//! The origin of the numbers of a run: a real head, a simulated one or a replay; and injected faults.

use serde::Deserialize;
use serde_json::Value;
use std::collections::BTreeMap;

/// Where the numbers of a run come from, and who and what took part.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(default)]
pub(crate) struct Origin {
    /// The head is simulated; none where that is unknown.
    pub simulated: Option<bool>,
    /// A recording was played back.
    pub replay: bool,
    /// Seed of a simulated head.
    pub seed: Option<u64>,
    /// Faults injected from outside the script.
    pub faults: Vec<String>,
    /// Faults that the script provoked; none where an older version did not record them.
    pub provoked: Option<Vec<String>>,
    pub operator: Option<String>,
    /// What else took part, by its name; empty where an older version did not record it.
    pub named: BTreeMap<String, String>,
}

impl Origin {
    /// Of the identity in a `record.json` of any version, or of anything that has these keys.
    pub(crate) fn of(identity: &Value) -> Origin {
        let mut origin = Origin::deserialize(identity).unwrap_or_default();
        let model = identity.get("model").and_then(Value::as_str);
        // An older version said so in the model alone.
        origin.replay |= model.is_some_and(|model| model.starts_with("replay of "));
        origin
    }

    /// `yes`, `no` or `unknown`.
    pub(crate) fn simulated_text(&self) -> &'static str {
        match self.simulated {
            Some(true) => "yes",
            Some(false) => "no",
            None => "unknown",
        }
    }

    /// What kind of head it was, on one word: a replay is neither a real head nor a fresh run.
    pub(crate) fn kind(&self) -> &'static str {
        match (self.replay, self.simulated) {
            (true, _) => "replay",
            (_, Some(true)) => "simulated",
            (_, Some(false)) => "real",
            (_, None) => "unknown",
        }
    }

    /// What the script provoked, `unknown` where that was not kept.
    pub(crate) fn provoked_text(&self) -> String {
        self.provoked.as_ref().map_or("unknown".to_string(), |provoked| provoked.join("; "))
    }

    /// What was made to go wrong, in words; empty where nothing was.
    pub(crate) fn faults_text(&self) -> String {
        let provoked = self.provoked.as_deref().unwrap_or_default();
        let parts = [("fails on purpose: ", &*self.faults), ("provoked by the script: ", provoked)];
        let parts = parts.into_iter().filter(|(_, faults)| !faults.is_empty());
        parts
            .map(|(words, faults)| format!("{words}{}", faults.join(", ")))
            .collect::<Vec<_>>()
            .join("; ")
    }
}

#[cfg(test)]
mod tests {
    use super::Origin;
    use serde_json::json;

    #[test]
    fn what_an_older_version_kept_is_read() {
        let old = json!({"simulated": true, "seed": 7, "faults": ["no_lock@0 s"], "model": "m"});
        let origin = Origin::of(&old);
        assert_eq!((origin.simulated_text(), origin.seed), ("yes", Some(7)));
        assert_eq!(origin.provoked_text(), "unknown");
        assert_eq!(origin.faults_text(), "fails on purpose: no_lock@0 s");
        assert!(Origin::of(&json!({"simulated": false, "model": "replay of m"})).replay);
        assert_eq!(Origin::of(&json!(null)).simulated_text(), "unknown");
    }
}
