//! Rules about the Rust sources: heads of modules, forbidden calls, length of files, names.
//!
//! Promises: rules about code look at code only, never at comments or texts. A list of exceptions may only shrink: an
//! exception that is no longer needed is a complaint.

use super::code::{code_of, lines_with};
use super::{Source, assert_each_bad, assert_none, repository};

/// A module opens with what it promises and what it never does: at least so many lines.
const HEAD_LINES_MIN: usize = 3;
/// Longest file, in lines: what fits a head. No file is excepted.
const FILE_LINES_MAX: usize = 700;

/// What the domain must not name: input and output, clocks, randomness, threads, floats.
const NEVER_IN_CORE: &[&str] = &[
    "SystemTime",
    "Instant",
    "Timestamp::now",
    "ZonedDateTime::now",
    "TimeZone::system",
    "getrandom",
    "RandomState",
    "std::fs",
    "std::io",
    "std::net",
    "std::env",
    "std::process",
    "std::thread",
    "std::time",
    "std::{",
    "println!",
    "eprintln!",
    "print!",
    "eprint!",
    "dbg!",
    "f32",
    "f64",
    "async",
    "static mut",
    // Of std::sync only `Arc` is a plain value.
    "std::sync::{",
    "Mutex",
    "RwLock",
    "Condvar",
    "OnceLock",
    "LazyLock",
    "mpsc",
    "sync::atomic",
    "thread_local!",
];
/// Where a word of that list stands for a reason.
const CORE_EXCEPTIONS: &[(&str, &str)] = &[
    // Refuses every float that a JSON parser hands it.
    ("core/src/canonical.rs", "f64"),
];

/// What no code of ours holds.
const NEVER_ANYWHERE: &[&str] =
    &["todo!", "unimplemented!", "dbg!", "#[ignore", "#[should_panic", "thread::sleep", "static mut", "lazy_static!"];

fn short_heads(files: &[Source]) -> Vec<String> {
    let rust = files.iter().filter(|file| file.is_rust());
    let short = rust.filter_map(|file| {
        let lines = file.text.lines().take_while(|line| line.starts_with("//!")).count();
        (lines < HEAD_LINES_MIN)
            .then(|| format!("{}: opens with {lines} lines of `//!`, not {HEAD_LINES_MIN}", file.path))
    });
    short.collect()
}

fn impure_core(files: &[Source]) -> Vec<String> {
    let mut complaints = Vec::new();
    for file in files.iter().filter(|file| file.is_rust() && file.path.starts_with("core/src/")) {
        let code = code_of(&file.text);
        for word in NEVER_IN_CORE {
            let lines = lines_with(&code, word);
            match (CORE_EXCEPTIONS.contains(&(file.path.as_str(), word)), lines.is_empty()) {
                (false, false) => complaints.push(format!("{}: `{word}` in the domain, lines {lines:?}", file.path)),
                (true, true) => complaints.push(format!("{}: the exception for `{word}` is not needed", file.path)),
                _ => {}
            }
        }
    }
    complaints
}

fn forbidden_code(files: &[Source]) -> Vec<String> {
    let mut complaints = Vec::new();
    for file in files.iter().filter(|file| file.is_rust()) {
        let code = code_of(&file.text);
        let in_tests = file.path.split('/').any(|folder| folder == "tests") || file.path.contains("/contract");
        let words = NEVER_ANYWHERE.iter().copied().chain(in_tests.then_some("sleep"));
        for word in words {
            for line in lines_with(&code, word) {
                complaints.push(format!("{}:{line}: `{word}`", file.path));
            }
        }
    }
    complaints
}

fn long_files(files: &[Source]) -> Vec<String> {
    let lines = files.iter().filter(|file| file.is_rust()).map(|file| (&file.path, file.text.lines().count()));
    let long = lines.filter(|(_, lines)| *lines > FILE_LINES_MAX);
    long.map(|(path, lines)| format!("{path}: {lines} lines, more than {FILE_LINES_MAX}: split it")).collect()
}

/// Names that say nothing about what is inside.
fn empty_names(files: &[Source]) -> Vec<String> {
    let mut complaints = Vec::new();
    for file in files.iter().filter(|file| file.is_rust()) {
        let stem = file.path.rsplit('/').next().unwrap_or_default().trim_end_matches(".rs");
        if ["util", "utils", "common", "helper", "helpers", "misc", "manager", "shared"].contains(&stem) {
            complaints.push(format!("{}: `{stem}` says nothing about what is inside", file.path));
        }
        let code = code_of(&file.text);
        for (index, line) in code.lines().enumerate() {
            let mut words = line.split(|c: char| !c.is_alphanumeric() && c != '_').filter(|w| !w.is_empty());
            let declares = words.any(|word| ["struct", "enum", "trait", "type"].contains(&word));
            let name = words.next().unwrap_or_default();
            if declares && ["Manager", "Helper", "Util", "Utils"].iter().any(|end| name.ends_with(end)) {
                complaints.push(format!("{}:{}: `{name}` says nothing about what it does", file.path, index + 1));
            }
        }
    }
    complaints
}

/// Every `allow` of a lint says why.
fn silent_allows(files: &[Source]) -> Vec<String> {
    let mut complaints = Vec::new();
    for file in files.iter().filter(|file| file.is_rust()) {
        let code = code_of(&file.text);
        for (index, _) in code.match_indices("allow(").filter(|(at, _)| code[..*at].ends_with(['[', ' '])) {
            let attribute = code[index..].split(']').next().unwrap_or_default();
            let line = code[..index].lines().count();
            if lines_with(attribute, "reason").is_empty() && attribute.contains(|c: char| c.is_alphabetic()) {
                complaints.push(format!("{}:{line}: an `allow` without a reason", file.path));
            }
        }
    }
    complaints
}

#[test]
fn every_module_says_what_it_promises() {
    assert_none(&short_heads(&repository()));
}

#[test]
fn the_domain_is_pure() {
    assert_none(&impure_core(&repository()));
}

#[test]
fn nothing_half_done_ignored_or_slept_through() {
    assert_none(&forbidden_code(&repository()));
}

#[test]
fn files_fit_a_head() {
    assert_none(&long_files(&repository()));
}

#[test]
fn names_say_what_is_inside() {
    assert_none(&empty_names(&repository()));
}

#[test]
fn every_exception_from_a_lint_says_why() {
    assert_none(&silent_allows(&repository()));
}

#[test]
fn each_rule_about_sources_can_fail() {
    assert_each_bad(short_heads, &[("a/src/x.rs", "fn x() {}"), ("a/src/x.rs", "//! Placeholder.\nfn x() {}")]);
    assert_each_bad(
        impure_core,
        &[
            ("core/src/x.rs", "let now = std::time::SystemTime::now();"),
            ("core/src/x.rs", "use std::{fs, io};"),
            ("core/src/x.rs", "fn x(a: f64) {}"),
            ("core/src/deep/x.rs", "println!(\"{x}\");"),
            ("core/src/canonical.rs", "fn no_float() {}"),
        ],
    );
    assert!(impure_core(&[Source::new("core/src/x.rs", "/// Not SystemTime.\nlet x = \"f64\";")]).is_empty());
    let macro_call = |name: &str| format!("fn x() {{ {name}!() }}");
    assert_each_bad(
        forbidden_code,
        &[
            ("server/src/x.rs", &macro_call("todo")),
            ("server/src/x.rs", "#[ignore = \"slow\"]\nfn x() {}"),
            ("server/src/x.rs", "std::thread::sleep(second)"),
            ("core/tests/it/x.rs", "tokio::time::sleep(second).await"),
        ],
    );
    let long = "//! x\n".repeat(FILE_LINES_MAX + 1);
    assert_each_bad(long_files, &[("a/src/x.rs", &long)]);
    assert_each_bad(
        empty_names,
        &[("a/src/utils.rs", ""), ("a/src/x.rs", "pub struct SyncManager;"), ("a/src/helpers.rs", "")],
    );
    assert_each_bad(
        silent_allows,
        &[("a/src/x.rs", "#[allow(dead_code)]\nfn x() {}"), ("a/src/x.rs", "#![allow(clippy::panic, unused)]")],
    );
    assert!(silent_allows(&[Source::new("a/src/x.rs", "#[allow(dead_code, reason = \"why\")]")]).is_empty());
}
