//! The generated files equal the committed ones. `PINTLE_UPDATE=1 cargo test -p pintle-openapi` writes them.
//!
//! Promises: fails when a type has changed and the file has not; writes only when told to.
//! Never touches what is written by hand below a generated part.

use pintle_openapi::{errors_page, spec};
use std::path::PathBuf;

#[allow(clippy::disallowed_methods, reason = "whether to write or to compare is a setting of the test run")]
fn compare(file: &str, generated: &str, by_hand_after: Option<&str>) {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(file);
    let committed = std::fs::read_to_string(&path).unwrap_or_default();
    let by_hand = by_hand_after.and_then(|mark| committed.split_once(mark)).map_or("", |(_, rest)| rest);
    let wanted = format!("{generated}{by_hand}");
    if std::env::var_os("PINTLE_UPDATE").is_some() {
        std::fs::write(&path, &wanted).expect("write the generated file");
        return;
    }
    let place = committed.lines().zip(wanted.lines()).position(|(a, b)| a != b);
    assert!(
        committed == wanted,
        "{file} is not what the types say (first difference in line {:?}); run: PINTLE_UPDATE=1 cargo test -p pintle-openapi",
        place.map(|line| line + 1)
    );
}

#[test]
fn the_committed_document_is_the_generated_one() {
    compare("openapi.json", &spec::document_text(), None);
}

#[test]
fn the_committed_table_of_rights_is_the_one_that_is_used() {
    compare("../docs/PERMISSIONS.md", &pintle_core::permission::page(), None);
}

#[test]
fn the_committed_errors_page_is_the_generated_one() {
    compare("../docs/ERRORS.md", &errors_page::page(), Some(errors_page::GENERATED_END));
}
