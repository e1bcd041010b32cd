//! Rules about the documents and about words that belong to no project.
//!
//! Promises: what a page names, exists: links, and paths in backquotes that begin with a folder of ours. Each decision
//! has a number of its own; one may be given before its page is written. No file speaks of one machine's folders.

use super::{Source, assert_each_bad, assert_none, repository, root};
use std::collections::BTreeSet;
use std::path::Path;

/// Paths that hold on one machine only. Put together here, so that this file does not hold them itself.
const ONE_MACHINE: &[&str] = &[
    concat!("/t", "mp/"),
    concat!("..", "/shared"),
    concat!("/wo", "rk/"),
    concat!("/ro", "ot/"),
    concat!("/ho", "me/"),
];

/// Pages that must be there.
const PAGES: &[&str] = &[
    "DEVELOPERS.md",
    "README.md",
    "docs/ARCHITECTURE.md",
    "docs/PROTOCOL.md",
    "docs/ERRORS.md",
    "docs/OPERATIONS.md",
    "docs/THREATS.md",
];

fn one_machine_only(files: &[Source]) -> Vec<String> {
    let mut complaints = Vec::new();
    for file in files.iter().filter(|file| file.path != "Cargo.lock") {
        for (index, line) in file.text.lines().enumerate() {
            for path in ONE_MACHINE.iter().filter(|path| line.contains(**path)) {
                complaints.push(format!("{}:{}: `{path}` holds on one machine only", file.path, index + 1));
            }
        }
    }
    complaints
}

/// Links and paths that lead nowhere. `exists` answers for a path from the root.
fn dead_references(files: &[Source], exists: impl Fn(&str) -> bool) -> Vec<String> {
    let mut complaints = Vec::new();
    for file in files.iter().filter(|file| file.path.ends_with(".md")) {
        let folder = file.path.rsplit_once('/').map_or("", |(folder, _)| folder);
        let prose = without_code_blocks(&file.text);
        let links = prose.split("](").skip(1).filter_map(|rest| rest.split([')', '#']).next());
        let links = links.filter(|link| !link.is_empty() && !link.contains(':')).map(|link| joined(folder, link));
        let quoted = prose.split('`').skip(1).step_by(2).map(|text| text.trim_end_matches('/').to_owned());
        for path in links.chain(quoted.filter(|text| is_path_of_ours(text, &exists))) {
            if !exists(&path) {
                complaints.push(format!("{}: names {path}, which does not exist", file.path));
            }
        }
    }
    complaints
}

fn without_code_blocks(text: &str) -> String {
    format!("\n{text}").split("\n```").step_by(2).collect::<Vec<_>>().join("\n")
}

fn joined(folder: &str, link: &str) -> String {
    let mut parts: Vec<&str> = folder.split('/').filter(|part| !part.is_empty()).collect();
    for part in link.split('/').filter(|part| !part.is_empty() && *part != ".") {
        if part == ".." {
            parts.pop();
        } else {
            parts.push(part);
        }
    }
    parts.join("/")
}

/// A path from the root: below one of our folders, without spaces or variables.
fn is_path_of_ours(text: &str, exists: impl Fn(&str) -> bool) -> bool {
    let plain = |c: char| c.is_ascii_alphanumeric() || "/._-*".contains(c);
    match text.split_once('/') {
        Some((first, rest)) => !first.is_empty() && !rest.is_empty() && text.chars().all(plain) && exists(first),
        None => false,
    }
}

/// Whether a path from the root exists; a `*` at its end stands for anything.
fn exists_in_repository(path: &str) -> bool {
    let root = root();
    let Some(start) = path.strip_suffix('*') else { return root.join(path).exists() };
    let start = root.join(start);
    let (Some(folder), Some(name)) = (start.parent(), start.file_name()) else { return false };
    let name = name.to_string_lossy().into_owned();
    let items = std::fs::read_dir(folder).map(|items| items.flatten().collect::<Vec<_>>()).unwrap_or_default();
    items.iter().any(|item| item.file_name().to_string_lossy().starts_with(&name))
}

fn misnumbered_decisions(files: &[Source]) -> Vec<String> {
    let decisions = files.iter().filter_map(|file| file.path.strip_prefix("docs/decisions/"));
    let mut complaints = Vec::new();
    let mut taken = BTreeSet::new();
    for name in decisions {
        let number = name.split_once('-').map(|(number, _)| number);
        let number = number.filter(|number| number.len() == 4 && number.bytes().all(|c| c.is_ascii_digit()));
        let is_page = Path::new(name).extension().is_some_and(|end| end == "md");
        if !is_page || number.is_none_or(|number| !taken.insert(number.to_owned())) {
            complaints.push(format!("docs/decisions/{name}: expected a number of its own, NNNN-….md"));
        }
    }
    complaints
}

#[test]
fn nothing_speaks_of_one_machine() {
    assert_none(&one_machine_only(&repository()));
}

#[test]
fn what_a_page_names_exists() {
    assert_none(&dead_references(&repository(), exists_in_repository));
}

#[test]
fn the_pages_that_must_be_there_are() {
    let files = repository();
    for page in PAGES {
        let file = files.iter().find(|file| file.path == *page).unwrap_or_else(|| panic!("{page} is missing"));
        assert!(file.text.lines().count() > 10, "{page} says nothing");
    }
}

#[test]
fn no_two_decisions_share_a_number() {
    let files = repository();
    assert!(files.iter().any(|file| file.path.starts_with("docs/decisions/0001-")), "there are no decisions");
    assert_none(&misnumbered_decisions(&files));
}

#[test]
fn each_rule_about_documents_can_fail() {
    let samples: Vec<(&str, String)> = ONE_MACHINE.iter().map(|path| ("x.toml", format!("a = \"{path}x\""))).collect();
    let samples: Vec<(&str, &str)> = samples.iter().map(|(path, text)| (*path, text.as_str())).collect();
    assert_each_bad(one_machine_only, &samples);
    let nothing_below = |path: &str| !path.contains('/');
    assert_each_bad(
        |files| dead_references(files, nothing_below),
        &[
            ("docs/X.md", "See [this](gone/Y.md#part)."),
            ("docs/X.md", "See `core/src/gone.rs`."),
            ("X.md", "```\n`a` b\n```\nSee `tests/it/gone*`."),
        ],
    );
    let fine =
        "See [this](#part), [that](https://example.org/x), `POST /v1/sync`, `a/b c`, `text/plain`.\n```\n`core/x`\n```";
    assert_eq!(dead_references(&[Source::new("X.md", fine)], |path| path == "core"), Vec::<String>::new());
    assert!(exists_in_repository("core/src/ent*") && !exists_in_repository("core/src/zz*"));
    assert_each_bad(
        misnumbered_decisions,
        &[("docs/decisions/002-second.md", ""), ("docs/decisions/0001-first.txt", ""), ("docs/decisions/1-x.md", "")],
    );
}
