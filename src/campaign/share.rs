//! Which shard of a campaign a process runs: as it was told, or by its place in a job array, which the
//! engine that started it tells in the environment. Only simulated heads take part, so nothing moves by what
//! is hidden there.

use crate::campaign::MAX_HEADS;
use crate::error::{Error, invalid};

/// An engine that starts many jobs, and the variables by which a job knows its place.
struct Engine {
    name: &'static str,
    index: &'static str,
    /// The index of the first job.
    first: u64,
}

/// By the manuals: sbatch of Slurm 22.05, parallel of GNU parallel 20221122, and V1JobSpec of Kubernetes 1.34.
const ENGINES: [Engine; 3] = [
    Engine { name: "Slurm", index: "SLURM_ARRAY_TASK_ID", first: 1 },
    Engine { name: "Kubernetes", index: "JOB_COMPLETION_INDEX", first: 0 },
    Engine { name: "GNU parallel", index: "PARALLEL_SEQ", first: 1 },
];

/// Reads `K/N`, `auto/N` or `auto`.
pub(super) fn share(text: &str) -> Result<(u64, u64), Error> {
    // What is no text is no number either, and is shown as one that is wrong.
    share_by(text, &|name| Some(std::env::var_os(name)?.to_string_lossy().into_owned()))
}

fn share_by(text: &str, variable: &dyn Fn(&str) -> Option<String>) -> Result<(u64, u64), Error> {
    let (part, of) = match text.split_once('/') {
        Some((part, of)) => (part, number(of)),
        None if text == "auto" => (text, Some(whole_array(variable)?)),
        None => (text, None),
    };
    let of = of.filter(|of| (1..=MAX_HEADS).contains(of));
    let known = of.map(|of| match part {
        "auto" => place(of, variable).map(Some),
        _ => Ok(number(part).filter(|part| (1..=of).contains(part))),
    });
    match known.transpose()?.flatten().zip(of) {
        Some(share) => Ok(share),
        None => Err(invalid!(
            "a shard is written K/N in digits, with K from 1 to N, such as 2/4; in a job array auto/N takes K from there"
        )),
    }
}

/// A number in digits alone: engines write no sign.
fn number(text: &str) -> Option<u64> {
    text.parse().ok().filter(|_| text.bytes().all(|byte| byte.is_ascii_digit()))
}

/// Number of jobs, where the engine tells it: Slurm does.
fn whole_array(variable: &dyn Fn(&str) -> Option<String>) -> Result<u64, Error> {
    let told = |name| number(&variable(name)?);
    let least = told("SLURM_ARRAY_TASK_MIN");
    let count = told("SLURM_ARRAY_TASK_COUNT");
    match (least, count, told("SLURM_ARRAY_TASK_MAX")) {
        (Some(1), Some(count), Some(most)) if count == most => Ok(count),
        _ => Err(invalid!(
            "only a whole Slurm array from 1 on tells how many shards there are: write --shard auto/N"
        )),
    }
}

/// The place of this job among `of`, from 1.
fn place(of: u64, variable: &dyn Fn(&str) -> Option<String>) -> Result<u64, Error> {
    let told: Vec<(&Engine, String)> =
        ENGINES.iter().filter_map(|e| Some((e, variable(e.index)?))).collect();
    let [(engine, index)] = told.as_slice() else {
        let names: Vec<&str> = match told.as_slice() {
            [] => ENGINES.iter().map(|engine| engine.index).collect(),
            _ => told.iter().map(|(engine, _)| engine.index).collect(),
        };
        let how = if told.is_empty() { "none of them is set" } else { "they are set at once" };
        return Err(invalid!(
            "--shard auto reads the place of a job from {}: {how}, so write --shard K/N",
            names.join(", ")
        ));
    };
    let (name, first) = (engine.name, engine.first);
    let place = number(index).and_then(|i| i.checked_sub(first)?.checked_add(1));
    match place {
        Some(place) if (1..=of).contains(&place) => Ok(place),
        _ => Err(invalid!(
            "{} is `{index}`, but {of} shards need jobs {first} to {} in {name}, in digits",
            engine.index,
            of - 1 + first
        )),
    }
}
