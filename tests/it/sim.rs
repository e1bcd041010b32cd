//! Nothing is lost, ever: seeds of the simulator, and mistakes that it must see.
//!
//! Promises: the same seeds on every machine. Seeds that once failed are in `tests/sim/seeds.txt` and run first. A seed
//! that fails prints itself and leaves a file with all that happened in it.

use pintle_tests::failed_seed;
use pintle_tests::sim::bugs::Bug;
use pintle_tests::sim::oracles::Oracle;
use pintle_tests::sim::{PowerCut, Trace, caught, run, run_cut};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::path::Path;

/// Seeds within which each mistake built in on purpose must be seen.
const BUG_SEEDS_MAX: u64 = 1200;

/// The run whose steps are cut one by one.
const CUT_RUN: u64 = 17;

fn all_hold(seeds: impl IntoIterator<Item = u64>) {
    let failed = seeds.into_iter().map(|seed| run(seed, None, Trace::None)).filter(|run| !run.failures.is_empty());
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("failed-seeds");
    let reports: Vec<String> = failed.map(|run| failed_seed::told(&folder, &run)).collect();
    assert!(reports.is_empty(), "{} seeds failed:\n{}", reports.len(), reports.join("\n"));
}

#[test]
fn seeds_that_failed_once() {
    let text = include_str!("../sim/seeds.txt");
    let seeds: Vec<u64> = text
        .lines()
        .filter_map(|line| line.split('#').next())
        .map(str::trim)
        .filter(|line| !line.is_empty())
        .map(|line| line.parse().expect("a seed on each line"))
        .collect();
    assert!(!seeds.is_empty());
    all_hold(seeds);
}

macro_rules! seeds {
    ($($name:ident: $range:expr;)*) => {
        $(#[test]
        fn $name() {
            let seeds: Range<u64> = $range;
            all_hold(seeds);
        })*
    };
}

// One process each: the test runner spreads them over the machine.
seeds! {
    seeds_0_to_124: 0..125;
    seeds_125_to_249: 125..250;
    seeds_250_to_374: 250..375;
    seeds_375_to_499: 375..500;
    seeds_500_to_624: 500..625;
    seeds_625_to_749: 625..750;
    seeds_750_to_874: 750..875;
    seeds_875_to_999: 875..1000;
    seeds_1000_to_1124: 1000..1125;
    seeds_1125_to_1249: 1125..1250;
    seeds_1250_to_1374: 1250..1375;
    seeds_1375_to_1499: 1375..1500;
    seeds_1500_to_1624: 1500..1625;
    seeds_1625_to_1749: 1625..1750;
    seeds_1750_to_1874: 1750..1875;
    seeds_1875_to_1999: 1875..2000;
}

/// Steps are one effect of a device, one call of a server to its storage, one message: everything is killed between any
/// two of them.
fn power_cut_at_every_step(seed: u64, writes_lost: usize) {
    let mut cuts = 0;
    loop {
        let outcome = run_cut(seed, PowerCut { after: cuts, writes_lost });
        let report = outcome.report();
        assert!(outcome.failures.is_empty(), "a cut after step {cuts} that loses {writes_lost} writes:\n{report}");
        if !outcome.acts.contains_key("power cut") {
            break;
        }
        cuts += 1;
    }
    assert!(cuts >= 120, "a run of {cuts} steps");
}

#[test]
fn a_power_cut_at_every_step_loses_nothing() {
    power_cut_at_every_step(CUT_RUN, 0);
}

#[test]
fn a_power_cut_at_every_step_and_a_disk_that_lied() {
    power_cut_at_every_step(CUT_RUN, 1);
}

/// A run that does nothing would break no law either.
#[test]
fn the_runs_are_rough() {
    let mut acts = BTreeMap::new();
    for seed in 0..60 {
        run(seed, None, Trace::None).acts.into_iter().for_each(|(act, n)| *acts.entry(act).or_insert(0) += n);
    }
    for act in [
        "carried",
        "clock jump",
        "clone",
        "cut",
        "device crash",
        "device full",
        "device lost",
        "device went back",
        "enrolled",
        "followed",
        "newer server",
        "replayed",
        "revoked",
        "server clock jump",
        "server crash",
        "server lost commits",
        "server went back",
        "store down",
        "store full",
        "store fault",
        "upgraded",
        "wanted changed",
    ] {
        assert!(acts.contains_key(act), "no {act} in {acts:?}");
    }
    assert!(acts["applied"] > 600 && acts["recorded"] > 1000, "{acts:?}");
}

#[test]
fn the_same_seed_is_the_same_run() {
    for seed in [3, 41] {
        let [first, second] = [(); 2].map(|()| run(seed, None, Trace::Kept));
        assert!(first.trace.len() > 50);
        assert_eq!(first.trace, second.trace);
    }
}

macro_rules! mistakes {
    ($($name:ident: $range:expr;)*) => {
        $(#[test]
        fn $name() {
            for (bug, oracle) in &Bug::ALL[$range] {
                let seed = caught(*bug, *oracle, BUG_SEEDS_MAX);
                assert!(seed.is_some(), "{oracle:?} did not see {bug:?} in {BUG_SEEDS_MAX} seeds");
            }
        })*
    };
}

mistakes! {
    mistakes_are_seen_0_to_4: ..5;
    mistakes_are_seen_5_to_9: 5..10;
    mistakes_are_seen_from_10: 10..;
}

#[test]
fn every_law_has_a_mistake_that_it_must_see() {
    let laws: BTreeSet<Oracle> = Bug::ALL.into_iter().map(|(_, oracle)| oracle).collect();
    assert_eq!(laws.len(), 8, "{laws:?}");
}

/// What a failed seed leaves behind says the same as its run.
#[test]
fn a_failed_seed_is_kept() {
    let bug = Bug::KeepsQuiet;
    let seed = caught(bug, Oracle::Told, BUG_SEEDS_MAX).expect("it is seen");
    let folder = tempfile::tempdir().expect("a folder");
    let outcome = run(seed, Some(bug), Trace::Kept);
    let told = failed_seed::told(folder.path(), &outcome);
    assert!(told.contains(&format!("simulate --seed {seed} --trace --mistake KeepsQuiet")), "{told}");
    let kept = std::fs::read_to_string(folder.path().join(format!("seed-{seed}.txt"))).expect("a file");
    let (steps, report) = kept.split_once("\n\n").expect("steps, then the report");
    assert_eq!(steps.lines().collect::<Vec<_>>(), outcome.trace);
    assert_eq!(report.trim_end(), outcome.report());
}
