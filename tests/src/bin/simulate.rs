//! Runs the simulator: a range of seeds, one seed with all that happens in it, or every mistake that can be built in.
//!
//! Prints every seed that breaks a law and writes what happened in it to a file; at the end, how many ran. Exit code 0:
//! none did; 1: some did; 2: unclear words.

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a program for developers, whose answer is its output")]
#![allow(clippy::disallowed_methods, reason = "an outermost layer: it measures how long it took")]

use pintle_tests::failed_seed;
use pintle_tests::sim::bugs::Bug;
use pintle_tests::sim::{Trace, caught, run};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

const USAGE: &str = "simulate --seeds A..B [--minutes N] [--threads N] [--keep FOLDER]
simulate --seed N [--trace] [--mistake NAME]
simulate --mistakes";
/// Seeds within which a mistake built in on purpose must be caught.
const BUG_SEEDS_MAX: u64 = 400;
/// Where what happened in failed seeds is written, unless said otherwise.
const KEEP: &str = "target/failed-seeds";

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    let code = match words.as_slice() {
        ["--seed", seed, rest @ ..] => one(seed, rest),
        ["--mistakes"] => Some(mistakes()),
        ["--seeds", range, rest @ ..] => Series::asked(range, rest).map(|series| series.run()),
        _ => None,
    };
    code.unwrap_or_else(|| {
        eprintln!("{USAGE}");
        ExitCode::from(2)
    })
}

fn one(seed: &str, rest: &[&str]) -> Option<ExitCode> {
    let (trace, rest) = match rest {
        ["--trace", rest @ ..] => (Trace::Kept, rest),
        rest => (Trace::None, rest),
    };
    let bug = match rest {
        [] => None,
        ["--mistake", name] => Some(Bug::ALL.into_iter().map(|(bug, _)| bug).find(|bug| format!("{bug:?}") == *name)?),
        _ => return None,
    };
    let outcome = run(seed.parse().ok()?, bug, trace);
    outcome.trace.iter().for_each(|line| println!("{line}"));
    if outcome.failures.is_empty() {
        println!("seed {seed}: every law holds");
        return Some(ExitCode::SUCCESS);
    }
    println!("{}", outcome.report());
    Some(ExitCode::FAILURE)
}

/// Shows that every mistake that can be built in is caught.
fn mistakes() -> ExitCode {
    let mut missed = 0;
    for (bug, oracle) in Bug::ALL {
        match caught(bug, oracle, BUG_SEEDS_MAX) {
            Some(seed) => println!("{bug:?}: caught by {oracle:?} in seed {seed}"),
            None => {
                missed += 1;
                println!("{bug:?}: NOT caught by {oracle:?} in {BUG_SEEDS_MAX} seeds");
            }
        }
    }
    if missed == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// Many seeds.
struct Series {
    from: u64,
    to: u64,
    minutes_max: u64,
    threads: usize,
    keep: PathBuf,
    next: AtomicU64,
    ran: AtomicU64,
    failed: AtomicU64,
    acts: Mutex<BTreeMap<&'static str, u64>>,
}

impl Series {
    fn asked(range: &str, mut rest: &[&str]) -> Option<Self> {
        let (from, to) = range.split_once("..")?;
        let from = from.parse().ok()?;
        let mut series = Self {
            from,
            to: to.parse().ok()?,
            minutes_max: u64::MAX,
            threads: std::thread::available_parallelism().map_or(1, usize::from),
            keep: PathBuf::from(KEEP),
            next: AtomicU64::new(from),
            ran: AtomicU64::new(0),
            failed: AtomicU64::new(0),
            acts: Mutex::new(BTreeMap::new()),
        };
        while let [name, value, more @ ..] = rest {
            match *name {
                "--minutes" => series.minutes_max = value.parse().ok()?,
                "--threads" => series.threads = value.parse().ok()?,
                "--keep" => series.keep = PathBuf::from(value),
                _ => return None,
            }
            rest = more;
        }
        rest.is_empty().then_some(series)
    }

    fn run(&self) -> ExitCode {
        let began = Instant::now();
        // The runs know nothing of each other; only their number is shared.
        std::thread::scope(|scope| (0..self.threads).for_each(|_| drop(scope.spawn(|| self.work(began)))));
        let failed = self.failed.load(Ordering::Relaxed);
        if let Ok(acts) = self.acts.lock() {
            println!("{acts:?}");
        }
        let ran = self.ran.load(Ordering::Relaxed);
        println!("{ran} seeds from {} on in {} s, {failed} failed", self.from, began.elapsed().as_secs());
        if failed == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
    }

    fn work(&self, began: Instant) {
        loop {
            let seed = self.next.fetch_add(1, Ordering::Relaxed);
            if seed >= self.to || began.elapsed().as_secs() / 60 >= self.minutes_max {
                return;
            }
            let outcome = run(seed, None, Trace::None);
            self.ran.fetch_add(1, Ordering::Relaxed);
            if let Ok(mut acts) = self.acts.lock() {
                outcome.acts.iter().for_each(|(act, n)| *acts.entry(act).or_default() += n);
            }
            if !outcome.failures.is_empty() {
                self.failed.fetch_add(1, Ordering::Relaxed);
                println!("{}", failed_seed::told(&self.keep, &outcome));
            }
        }
    }
}
