//! Photos with an entry, without a server: what is kept of them, and what is refused.
//!
//! Promises: what was refused left nothing in the log. Bringing them is in `tests/it/photos.rs`.

use crate::stage::Stage;
use insta::assert_snapshot;
use serde_json::Value;

/// A photo of a camera that knew where it was: by Pillow, see `core/tests/it/photo_cases.rs`.
const PLACED: &[u8] = include_bytes!("../../../core/tests/photos/plain.jpg");
/// What its position has (the day of the satellites), and nothing else.
const POSITION: &[u8] = b"5678:05:04";

fn photo(stage: &Stage, name: &str, bytes: &[u8]) -> String {
    let path = stage.folder().join(name);
    std::fs::write(&path, bytes).expect("writes");
    path.display().to_string()
}

fn kept(stage: &Stage) -> Vec<Vec<u8>> {
    let Ok(found) = std::fs::read_dir(stage.home().join("files")) else { return Vec::new() };
    found.map(|entry| std::fs::read(entry.expect("an entry").path()).expect("reads")).collect()
}

fn holds(bytes: &[u8], what: &[u8]) -> bool {
    bytes.windows(what.len()).any(|window| window == what)
}

#[test]
fn a_photo_goes_with_what_was_found() {
    let stage = Stage::with_machine();
    let path = photo(&stage, "crack.jpg", PLACED);
    assert_snapshot!(stage.script(&[
        &format!("found EX3 crack boom foot --photo {path}"),
        &format!("grease EX3 4127.5 --photo {path} --words \"metal in it\""),
        "photos EX3",
        "photos K7-3",
        "log EX3",
    ]));
}

#[test]
fn the_position_stays_only_where_it_is_asked_for() {
    let stage = Stage::with_machine();
    let path = photo(&stage, "crack.jpg", PLACED);
    assert!(holds(PLACED, POSITION), "the camera knew");
    stage.must(&format!("note EX3 see --photo {path}"));
    let [without] = &kept(&stage)[..] else { panic!("one file") };
    assert!(!holds(without, POSITION));
    stage.must(&format!("note EX3 see --photo {path} --position"));
    assert_eq!(kept(&stage).iter().filter(|file| holds(file, POSITION)).count(), 1);
    assert_eq!(std::fs::read(&path).expect("reads"), PLACED, "the person's own file is only read");
    // The same once more is the same file.
    stage.must(&format!("note EX3 see --photo {path} --photo {path}"));
    assert_eq!(kept(&stage).len(), 2);
}

#[test]
fn what_cannot_be_kept_is_refused_before_anything_is_recorded() {
    let stage = Stage::with_machine();
    let script = photo(&stage, "crack.jpg", b"<svg><script>");
    let cut = photo(&stage, "cut.jpg", &PLACED[..PLACED.len() / 2]);
    let fine = photo(&stage, "fine.jpg", PLACED);
    let many = [" --photo "; 9].map(|option| format!("{option}{fine}")).concat();
    for (arguments, exit, code) in [
        (format!("--photo {script}"), 1, "file-failed"),
        (format!("--photo {cut}"), 1, "file-failed"),
        (format!("--photo {fine} --photo nothing.jpg"), 1, "file-failed"),
        (many, 2, "unclear-words"),
    ] {
        let ran = stage.run(&format!("note EX3 see --json {arguments}"));
        let said: Value = serde_json::from_str(&ran.err).expect("JSON");
        assert_eq!((ran.exit.code(), said["problem"]["code"].as_str()), (exit, Some(code)), "{said}");
    }
    let log: Value = serde_json::from_str(&stage.must("log EX3 --json")).expect("JSON");
    assert_eq!(log["entries"].as_array().map(Vec::len), Some(2), "what was there before");
    assert!(stage.run("note EX3 see --position").exit.code() == 2, "without a photo there is no position");
}

#[test]
fn a_photo_is_put_into_a_folder_and_writes_over_nothing() {
    let stage = Stage::with_machine();
    let path = photo(&stage, "crack.jpg", PLACED);
    stage.must(&format!("note EX3 see --photo {path}"));
    let folder = stage.folder().join("out");
    let told: Value =
        serde_json::from_str(&stage.must(&format!("photos EX3 --json --to {}", folder.display()))).expect("JSON");
    let name = told["photos"][0]["put"].as_str().and_then(|path| path.rsplit('/').next()).expect("a name").to_owned();
    let put = folder.join(name);
    assert_eq!(std::fs::read(&put).expect("reads"), kept(&stage)[0]);
    std::fs::write(&put, "mine").expect("writes");
    stage.must(&format!("photos K7-3 --to {}", folder.display()));
    assert_eq!(std::fs::read(&put).expect("reads"), b"mine");
    let status: Value = serde_json::from_str(&stage.must("status --json")).expect("JSON");
    assert_eq!(status["photos"], 1, "no server has it");
    let ran = stage.run("photos K7-9 --json");
    assert!(ran.err.contains("unknown-entry"), "{}", ran.err);
    // One that was changed is not taken for what was recorded.
    let place = std::fs::read_dir(stage.home().join("files")).expect("a folder").next().expect("a file").expect("one");
    std::fs::write(place.path(), "another").expect("writes");
    assert!(stage.run("doctor --json").out.contains("file-lost"));
    // One that is gone from this device is asked of a server, and there is none.
    std::fs::remove_dir_all(stage.home().join("files")).expect("removes");
    let ran = stage.run(&format!("photos K7-3 --to {}", folder.display()));
    assert!(ran.err.contains("knows no server"), "{}", ran.err);
}
