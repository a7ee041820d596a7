//! Attempts at one head: the number of a run, its reason, and whether the rules of a data sheet allow it.

use crate::error::{Error, invalid, line_of};
use crate::setup::options::Archiving;
use serde::Deserialize;
use spintrue_language::{RETEST_RULES, SourceMap, Verdict};
use thiserror::Error;

/// Rules for re-tests: the table `retest` of a data sheet.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Rules {
    /// Most attempts at one head, the first included.
    #[serde(default = "unlimited")]
    attempts: u32,
    /// Operators who may do one; all where there are none.
    #[serde(default)]
    by: Vec<String>,
    /// Verdicts of the attempt before, after which there may be another.
    #[serde(default = "not_passed")]
    after: Vec<String>,
}

fn unlimited() -> u32 {
    u32::MAX
}

fn not_passed() -> Vec<String> {
    let others = Verdict::ALL.into_iter().filter(|verdict| *verdict != Verdict::Passed);
    others.map(Verdict::kept_as).collect()
}

/// An attempt that is allowed.
#[derive(Debug, PartialEq)]
pub(crate) struct Attempt {
    /// From 1.
    pub number: u32,
    pub reason: Option<String>,
}

impl Attempt {
    /// As an identity has it.
    pub(crate) fn named(&self) -> impl Iterator<Item = (String, String)> {
        let number = ("attempt".to_string(), self.number.to_string());
        let reason = self.reason.iter().map(|reason| ("reason".to_string(), reason.clone()));
        [number].into_iter().chain(reason)
    }
}

/// Why there may be no attempt.
#[derive(Clone, Debug, Error, PartialEq)]
pub(crate) enum NoAttempt {
    #[error("this would be its first attempt, which is no re-test")]
    First,
    #[error("all attempts are used up, since the data sheet allows {0}")]
    UsedUp(u32),
    #[error(
        "the last attempt is `{last}`, and the data sheet allows another one only after: {after}"
    )]
    Verdict { last: String, after: String },
    #[error("this is a re-test: give its reason by `--retest REASON`")]
    NoReason,
    #[error("a re-test is only for the operators {0} (`--operator`)")]
    Operator(String),
}

/// What decides on an attempt.
pub(crate) struct Retest {
    rules: Option<Rules>,
    pub reason: Option<String>,
    operator: Option<String>,
}

impl Retest {
    /// With the rules of the last data sheet that has some.
    pub(crate) fn new(
        sources: &SourceMap,
        settings: &[String],
        archiving: &Archiving,
    ) -> Result<Retest, Error> {
        let rules = rules(sources, settings)?;
        let (reason, operator) = (archiving.retest.clone(), archiving.operator.clone());
        Ok(Retest { rules, reason, operator })
    }

    /// What is wrong with the rules of data sheets.
    pub(crate) fn check(sources: &SourceMap, settings: &[String]) -> Result<(), Error> {
        rules(sources, settings).map(drop)
    }

    /// There are rules, which only those can follow who know earlier attempts.
    pub(crate) fn has_rules(&self) -> bool {
        self.rules.is_some()
    }

    /// The attempt that follows earlier ones, given by their verdicts; or why there may be none.
    pub(crate) fn attempt(
        &self,
        earlier: &[String],
        reason: Option<&String>,
    ) -> Result<Attempt, NoAttempt> {
        let number = u32::try_from(earlier.len()).unwrap_or(u32::MAX).saturating_add(1);
        let Some(last) = earlier.last() else {
            return match reason {
                Some(_) => Err(NoAttempt::First),
                None => Ok(Attempt { number, reason: None }),
            };
        };
        if let Some(Rules { attempts, by, after }) = &self.rules {
            if number > *attempts {
                return Err(NoAttempt::UsedUp(*attempts));
            }
            if !after.contains(last) {
                return Err(NoAttempt::Verdict { last: last.clone(), after: after.join(", ") });
            }
            if reason.is_none() {
                return Err(NoAttempt::NoReason);
            }
            if !by.is_empty() && !self.operator.as_ref().is_some_and(|it| by.contains(it)) {
                return Err(NoAttempt::Operator(by.join(", ")));
            }
        }
        Ok(Attempt { number, reason: reason.cloned() })
    }
}

/// The rules of the last data sheet that has some.
fn rules(sources: &SourceMap, settings: &[String]) -> Result<Option<Rules>, Error> {
    let mut rules = None;
    for name in settings.iter().filter_map(|setting| setting.strip_prefix('@')) {
        let sheet = sources.iter().find(|(_, source)| source.name == name);
        let Some((_, source)) = sheet else { continue };
        rules = read(name, &source.text)?.or(rules);
    }
    Ok(rules)
}

/// The rules in a data sheet, where it has some.
fn read(name: &str, text: &str) -> Result<Option<Rules>, Error> {
    let wrong = |error: &toml::de::Error| {
        let line = line_of(text, error.span());
        invalid!("{name}:{line}: [{RETEST_RULES}]: {}", error.message())
    };
    #[derive(Deserialize)]
    struct Sheet {
        retest: Option<Rules>,
    }
    let Sheet { retest } = toml::from_str(text).map_err(|error| wrong(&error))?;
    let Some(retest) = retest else { return Ok(None) };
    let known = Verdict::ALL.map(Verdict::kept_as);
    if let Some(word) = retest.after.iter().find(|word| !known.contains(word)) {
        let known = known.join(", ");
        return Err(invalid!(
            "{name}: [{RETEST_RULES}]: there is no verdict `{word}`; known: {known}"
        ));
    }
    if retest.attempts == 0 {
        return Err(invalid!(
            "{name}: [{RETEST_RULES}]: `attempts` counts the first one too: at least 1"
        ));
    }
    Ok(Some(retest))
}

#[cfg(test)]
mod tests {
    use super::{Attempt, NoAttempt, Retest, read};

    fn retest(rules: &str, operator: &str) -> Retest {
        let rules = read("sheet.toml", rules).unwrap();
        Retest { rules, reason: None, operator: Some(operator.to_string()) }
    }

    /// Every rule alone, and what is allowed.
    #[test]
    fn rules_decide_on_attempts() {
        let rules =
            "speed = \"1 rpm\"\n[retest]\nattempts = 3\nby = [\"lead\"]\nafter = [\"failed\"]\n";
        let verdicts = |words: &[&str]| words.iter().map(|w| w.to_string()).collect::<Vec<_>>();
        let reason = "reseated".to_string();
        let failed = verdicts(&["failed"]);
        let ask = |operator: &str, earlier: &[String], reason: Option<&String>| {
            retest(rules, operator).attempt(earlier, reason)
        };
        assert_eq!(ask("day", &[], None), Ok(Attempt { number: 1, reason: None }));
        let second = Attempt { number: 2, reason: Some(reason.clone()) };
        assert_eq!(ask("lead", &failed, Some(&reason)), Ok(second));
        let refused = |result: Result<Attempt, NoAttempt>, why: &str| {
            let told = result.unwrap_err().to_string();
            assert!(told.contains(why), "{told}");
        };
        refused(ask("lead", &[], Some(&reason)), "its first attempt");
        refused(ask("lead", &failed, None), "--retest REASON");
        refused(ask("day", &failed, Some(&reason)), "only for the operators lead");
        refused(ask("lead", &verdicts(&["passed"]), Some(&reason)), "only after: failed");
        refused(ask("lead", &verdicts(&["failed"; 3]), Some(&reason)), "the data sheet allows 3");
        // Without rules attempts are numbered, and nothing is refused.
        let free = retest("speed = \"1 rpm\"\n", "day");
        assert_eq!(free.attempt(&failed, None), Ok(Attempt { number: 2, reason: None }));
    }

    #[test]
    fn wrong_rules_are_told() {
        for (rules, why) in [
            ("[retest]\nattempt = 3\n", "sheet.toml:2: [retest]: unknown field `attempt`"),
            ("[retest]\nattempts = \"3\"\n", "sheet.toml:2: [retest]: invalid type"),
            ("[retest]\nattempts = 0\n", "at least 1"),
            ("[retest]\nafter = [\"lost\"]\n", "there is no verdict `lost`; known: passed, "),
            ("retest = 3\n", "sheet.toml:1: [retest]: invalid type"),
        ] {
            let told = read("sheet.toml", rules).unwrap_err().to_string();
            assert!(told.contains(why), "{told}");
        }
    }
}
