//! The crate graph is the one of docs/ARCHITECTURE.md, and each framework stays in its room.
//!
//! Promises: what a package of ours depends on is exactly what is written in [`ARROWS`]; what reaches it through others
//! is checked against [`NEVER_REACHES`]. Read from `cargo metadata` and `cargo tree`, as the build sees them.

use super::assert_none;
use cargo_metadata::MetadataCommand;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

/// Our packages, and which of ours each depends on.
const ARROWS: &[(&str, &[&str])] = &[
    ("pintle-core", &[]),
    ("pintle-openapi", &["pintle-core"]),
    ("pintle-migrations", &[]),
    ("pintle-store", &["pintle-core", "pintle-migrations"]),
    ("pintle-print", &["pintle-core"]),
    ("pintle-server", &["pintle-core", "pintle-openapi", "pintle-print", "pintle-store"]),
    ("pintle", &["pintle-core", "pintle-migrations", "pintle-openapi"]),
    ("pintle-bench", &["pintle", "pintle-core"]),
    ("pintle-bench-server", &["pintle", "pintle-bench", "pintle-core", "pintle-openapi", "pintle-store"]),
    (
        "pintle-tests",
        &[
            "pintle",
            "pintle-core",
            "pintle-migrations",
            "pintle-openapi",
            "pintle-print",
            "pintle-server",
            "pintle-store",
        ],
    ),
];

/// Libraries that only these packages of ours may name, also for their tests.
const ROOMS: &[(&str, &[&str])] = &[
    ("actix-web", &["pintle-server"]),
    ("awc", &["pintle-server"]),
    ("jsonwebtoken", &["pintle-server", "pintle-tests"]),
    ("sea-orm", &["pintle-store", "pintle-migrations"]),
    ("sea-orm-migration", &["pintle-store", "pintle-migrations"]),
    ("sqlx", &["pintle-store"]),
    ("rusqlite", &["pintle", "pintle-tests", "pintle-bench", "pintle-bench-server"]),
    ("typst", &["pintle-print"]),
    ("typst-layout", &["pintle-print"]),
    ("typst-pdf", &["pintle-print"]),
    ("ureq", &["pintle", "pintle-tests", "pintle-bench-server"]),
    ("getrandom", &["pintle", "pintle-server", "pintle-store", "pintle-tests"]),
    ("proptest", &["pintle-core", "pintle-openapi", "pintle-store", "pintle-server", "pintle", "pintle-tests"]),
];

/// Libraries that must not reach these packages on any path.
const NEVER_REACHES: &[(&str, &[&str])] = &[
    ("pintle-core", &["tokio", "actix-web", "sea-orm", "sqlx-core", "rusqlite", "ureq", "getrandom", "mio", "socket2"]),
    ("pintle-openapi", &["tokio", "actix-web", "sea-orm", "sqlx-core", "rusqlite", "ureq", "getrandom", "mio"]),
    (
        "pintle-print",
        &["tokio", "actix-web", "sea-orm", "sqlx-core", "rusqlite", "ureq", "getrandom", "mio", "socket2"],
    ),
    ("pintle", &["tokio", "actix-web", "sea-orm", "sqlx-core", "typst"]),
    ("pintle-server", &["rusqlite", "ureq"]),
];

/// What a package of ours names in its manifest, whatever for.
type Named = BTreeMap<String, BTreeSet<String>>;
/// Every library that is built into a package of ours.
type Reached = BTreeMap<String, BTreeSet<String>>;

fn read() -> (Named, Reached) {
    let manifest = super::root().join("Cargo.toml");
    let metadata = MetadataCommand::new().manifest_path(&manifest).no_deps().exec().expect("cargo metadata");
    let ours = metadata.workspace_packages();
    let named = ours.iter().map(|p| (p.name.to_string(), p.dependencies.iter().map(|d| d.name.clone()).collect()));
    let reached = NEVER_REACHES.iter().map(|(package, _)| ((*package).to_owned(), reached_from(package, &manifest)));
    (named.collect(), reached.collect())
}

/// What is built into a package when it is built alone: with the features that it asks for, not those of its neighbours.
fn reached_from(package: &str, manifest: &Path) -> BTreeSet<String> {
    let arguments = ["tree", "--locked", "--offline", "--edges", "normal", "--prefix", "none", "--package", package];
    let tree = Command::new(env!("CARGO")).args(arguments).arg("--manifest-path").arg(manifest).output();
    let tree = tree.expect("cargo tree");
    assert!(tree.status.success(), "cargo tree: {}", String::from_utf8_lossy(&tree.stderr));
    let lines = String::from_utf8(tree.stdout).expect("UTF-8");
    lines.lines().filter_map(|line| line.split(' ').next()).map(str::to_owned).collect()
}

fn wrong_arrows(named: &Named) -> Vec<String> {
    let ours: BTreeSet<&str> = ARROWS.iter().map(|(name, _)| *name).collect();
    let mut complaints = Vec::new();
    for (package, libraries) in named {
        let Some((_, expected)) = ARROWS.iter().find(|(name, _)| name == package) else {
            complaints.push(format!("{package}: no arrows are written for this package"));
            continue;
        };
        let expected: BTreeSet<&str> = expected.iter().copied().collect();
        let found: BTreeSet<&str> = libraries.iter().map(String::as_str).filter(|l| ours.contains(l)).collect();
        if found != expected {
            complaints.push(format!("{package}: depends on {found:?} of ours, not on {expected:?}"));
        }
    }
    for package in ours.iter().filter(|name| !named.contains_key(**name)) {
        complaints.push(format!("{package}: has arrows but is no package of the workspace"));
    }
    complaints
}

fn out_of_room(named: &Named) -> Vec<String> {
    let rooms = ROOMS.iter().flat_map(|(library, rooms)| {
        named
            .iter()
            .filter(|(package, libraries)| libraries.contains(*library) && !rooms.contains(&package.as_str()))
            .map(move |(package, _)| format!("{package}: names {library}, which belongs to {rooms:?} only"))
    });
    rooms.collect()
}

fn reached_against_the_rule(reached: &Reached) -> Vec<String> {
    let mut complaints = Vec::new();
    for (package, never) in NEVER_REACHES {
        let libraries = reached.get(*package).unwrap_or_else(|| panic!("{package} is no package"));
        for library in never.iter().filter(|library| libraries.contains(**library)) {
            complaints.push(format!("{package}: {library} reaches it; cargo tree -p {package} -e normal -i {library}"));
        }
    }
    complaints
}

#[test]
fn the_crate_graph_is_the_one_of_the_architecture() {
    let (named, reached) = read();
    assert_none(&wrong_arrows(&named));
    assert_none(&out_of_room(&named));
    assert_none(&reached_against_the_rule(&reached));
}

#[test]
fn a_wrong_arrow_is_found() {
    let (named, reached) = read();
    let with = |package: &str, library: &str, to: &Named| {
        let mut changed = to.clone();
        changed.entry(package.to_owned()).or_default().insert(library.to_owned());
        changed
    };
    assert_eq!(wrong_arrows(&with("pintle-core", "pintle-store", &named)).len(), 1);
    assert_eq!(wrong_arrows(&with("pintle-attic", "serde", &named)).len(), 1);
    let mut without = named.clone();
    without.get_mut("pintle-openapi").expect("a package").remove("pintle-core");
    assert_eq!(wrong_arrows(&without).len(), 1);
    without.remove("pintle-openapi");
    assert_eq!(wrong_arrows(&without).len(), 1);
    assert_eq!(out_of_room(&with("pintle-server", "sea-orm", &named)).len(), 1);
    assert_eq!(out_of_room(&with("pintle-core", "rusqlite", &named)).len(), 1);
    assert_eq!(reached_against_the_rule(&with("pintle-openapi", "tokio", &reached)).len(), 1);
    // The graph is read to its depth: these lie two and three steps away.
    assert!(reached["pintle-server"].contains("sea-orm") && reached["pintle-server"].contains("libsqlite3-sys"));
}
