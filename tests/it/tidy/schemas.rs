//! Rule about the contract: no two types give their schema the same name.
//!
//! Promises: types of one name in two modules are told, since the contract would silently describe one by the other. A
//! type with another name in the contract says so beside its schema. Never looks at what the schemas say.

use super::{Source, assert_each_bad, assert_none, repository};
use std::collections::BTreeMap;

/// The name that an attribute or a method gives a schema, if the line does.
fn given(line: &str) -> Option<&str> {
    let after_as = line.split_once("schema(as = ").and_then(|(_, rest)| rest.split([')', ',']).next());
    let written = line.trim().strip_prefix('"').and_then(|rest| rest.strip_suffix("\".into()"));
    after_as.or(written)
}

fn declared(line: &str) -> Option<&str> {
    let rest = line.strip_prefix("pub struct ").or_else(|| line.strip_prefix("pub enum "))?;
    rest.split(|c: char| !c.is_alphanumeric()).next()
}

/// Names of the schemas of a file, each with its line. A schema written inside a macro takes its name from the macro's
/// caller and has none here.
fn names(text: &str) -> Vec<(usize, String)> {
    let lines: Vec<&str> = text.lines().collect();
    let mut names = Vec::new();
    for (index, line) in lines.iter().enumerate() {
        let following = &lines[index..lines.len().min(index + 8)];
        let own = if line.contains("derive(") && line.contains("ToSchema") {
            following.iter().find_map(|line| declared(line))
        } else {
            line.split_once("ToSchema for ").and_then(|(_, rest)| rest.split(|c: char| !c.is_alphanumeric()).next())
        };
        let Some(own) = own else { continue };
        let end = following.iter().position(|line| declared(line).is_some() || *line == "}").unwrap_or(following.len());
        let name = following[..end].iter().find_map(|line| given(line)).unwrap_or(own);
        if !name.is_empty() {
            names.push((index + 1, name.to_owned()));
        }
    }
    names
}

fn shared_names(files: &[Source]) -> Vec<String> {
    let contract = |file: &&Source| file.path.starts_with("core/src/") || file.path.starts_with("openapi/src/");
    let mut places: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for file in files.iter().filter(contract) {
        for (line, name) in names(&file.text) {
            places.entry(name).or_default().push(format!("{}:{line}", file.path));
        }
    }
    let shared = places.into_iter().filter(|(_, places)| places.len() > 1);
    shared.map(|(name, places)| format!("two schemas are called {name}: {}", places.join(", "))).collect()
}

#[test]
fn every_schema_has_a_name_of_its_own() {
    let files = repository();
    let found: usize = files.iter().map(|file| names(&file.text).len()).sum();
    assert!(found > 150, "only {found} schemas were found");
    assert_none(&shared_names(&files));
}

#[test]
fn two_schemas_of_one_name_are_seen() {
    let one = "#[derive(Debug, utoipa::ToSchema)]\npub struct Part {\n}\n";
    let other =
        "#[cfg_attr(feature = \"schema\", derive(utoipa::ToSchema))]\n#[schema(as = Part)]\npub enum Piece {\n}\n";
    let by_hand =
        "impl utoipa::ToSchema for Bit {\n    fn name() -> Cow<'static, str> {\n        \"Part\".into()\n    }\n}\n";
    let apart = "#[derive(Debug, utoipa::ToSchema)]\n#[schema(as = Piece)]\npub struct Part {\n}\n";
    for second in [one, other, by_hand] {
        assert_each_bad(shared_names, &[("core/src/a.rs", &format!("{one}\n{second}"))]);
    }
    assert_none(&shared_names(&[Source::new("core/src/a.rs", &format!("{one}\n{apart}"))]));
}
