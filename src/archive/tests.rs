//! A measurement, not a check: how fast runs are stored.
//! `cargo test --release --bin spintrue -- --ignored --nocapture how_fast`

use crate::archive::rows::Rows;
use crate::archive::sql::{Row, Store};
use crate::archive::store::{Archive, Keeper};
use crate::disk::Disk;
use crate::record::identity;
use crate::setup::options::Surroundings;
use crate::setup::{Stage, load};
use spintrue_language::{Event, Observer, run_script};
use std::path::PathBuf;
use std::time::Instant;

struct Deaf;

impl Observer for Deaf {
    fn event(&mut self, _: f64, _: Event) {}
}

/// A bring-up on a simulated head.
fn run() -> Rows {
    let prepared = load(&mut Disk, "scripts/bring_up.spt", &[]).unwrap();
    let mut stage = Stage::open(Surroundings::default().open("sim", false).unwrap(), "").unwrap();
    let (runnable, _) = stage.admit(&prepared, None).unwrap();
    let about = stage.about(Some(&prepared), "scripts/bring_up.spt", None);
    let identity = identity(&about, Some(&prepared));
    let mut deaf = Deaf;
    let mut keeper = Keeper::new(&mut deaf, true);
    let finished = run_script(runnable, &mut stage.station, &mut keeper);
    let heard = keeper.heard();
    assert_eq!((heard.checks.len(), heard.quantities.len()), (27, 6));
    Rows::new(&identity, "digest", heard, &finished)
}

/// A folder for an archive; `SPINTRUE_SPEED` names the disk to measure.
fn place(name: &str) -> PathBuf {
    let disk = std::env::var_os("SPINTRUE_SPEED").map_or_else(std::env::temp_dir, PathBuf::from);
    let folder = disk.join(format!("spintrue-{name}-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

fn count(store: &mut dyn Store) -> i64 {
    let mut count = 0;
    let each = &mut |row: &dyn Row| count = row.value(0).whole();
    store.query("SELECT count(*) FROM runs", &[], each).unwrap();
    count
}

/// What this thread computed, in s, where the system tells.
fn computed() -> f64 {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    let nanoseconds = told.split(' ').next().and_then(|text| text.parse::<f64>().ok());
    nanoseconds.map_or(f64::NAN, |nanoseconds| nanoseconds * 1e-9)
}

/// Each in a transaction of its own, by one station.
#[test]
#[ignore = "a measurement"]
fn how_fast_runs_are_stored() {
    const RUNS: u32 = 4000;
    let run = run();
    let folder = place("speed");
    let mut archive = Archive::open(&folder.join("archive.sqlite")).unwrap();
    let (since, before) = (Instant::now(), computed());
    for _ in 0..RUNS {
        archive.store(&run, None).unwrap();
    }
    let (passed, computed) = (since.elapsed().as_secs_f64(), computed() - before);
    let runs = f64::from(RUNS);
    println!(
        "{:.0} runs a second, {:.0} us of one core each ({:.0} a second if the disk took no time)",
        runs / passed,
        computed / runs * 1e6,
        runs / computed
    );
    assert_eq!(count(&mut *archive.store), i64::from(RUNS));
    drop(archive);
    let _ = std::fs::remove_dir_all(folder);
}
