//! `pintle verify`: what a person sees who was given a service history.
//!
//! Promises: files are those that core's own tests make, with fixed keys; exit codes are looked at, for programs.

#[path = "../../../core/tests/it/history_world.rs"]
#[allow(dead_code, reason = "a part of the world is for the tests of core alone")]
mod history_world;

use crate::stage::Stage;
use flate2::Compression;
use flate2::write::GzEncoder;
use history_world::{STAMPED_S, authority_pem, hasty, pin, stamp_forged, story, story_stamps, witness};
use insta::assert_snapshot;
use pintle_core::chain::DeviceKey;
use pintle_core::proof::note::{Kind, Signer};
use serde_json::Value;
use std::io::Write as _;

fn gzip(lines: &[String]) -> Vec<u8> {
    let mut file = GzEncoder::new(Vec::new(), Compression::best());
    lines.iter().for_each(|line| writeln!(file, "{line}").expect("it takes it"));
    file.finish().expect("it takes it")
}

fn write(stage: &Stage, bytes: &[u8]) -> String {
    let path = stage.folder().join("history.gz");
    std::fs::write(&path, bytes).expect("writes");
    path.display().to_string()
}

#[test]
fn a_good_file_is_valid_and_what_it_cannot_prove_is_said() {
    let stage = Stage::new("verify", 1);
    let file = write(&stage, &gzip(&story().file(&["office", "names"])));
    assert_snapshot!(stage.script(&[&format!("verify {file} --key {}", pin())]));
    let ran = stage.run(&format!("verify {file}"));
    assert_eq!(ran.exit.code(), 3, "without a key nobody is trusted");
}

#[test]
fn time_stamps_count_by_the_authority_that_is_named_and_are_claims_without() {
    let stage = Stage::new("verify", 1);
    let file = write(&stage, &gzip(&story().file_stamped(&["office"], &story_stamps())));
    let pem = stage.folder().join("authority.pem");
    std::fs::write(&pem, authority_pem()).expect("writes");
    let pem = pem.display().to_string();
    assert_snapshot!("stamped", stage.script(&[&format!("verify {file} --key {} --authority {pem}", pin())]));
    assert_snapshot!("stamped_unjudged", stage.script(&[&format!("verify {file} --key {}", pin())]));
    let json = stage.run(&format!("verify {file} --key {} --authority {pem} --json", pin()));
    assert_eq!(json.exit.code(), 0);
    let json: Value = serde_json::from_str(&json.out).expect("JSON");
    let standings: Vec<&Value> = (0..3).map(|nth| &json["stamps"][nth]["standing"]).collect();
    assert_eq!(standings, ["counts", "counts", "stranger"]);
    assert_eq!(json["stamps"][0]["by_s"], STAMPED_S[0]);
    assert_eq!(json["proved"]["entries"], json["stamps"][1]["count"]);

    let (ledger, made) = hasty();
    let ahead = write(&stage, &gzip(&ledger.file_stamped(&[], &made)));
    let ran = stage.run(&format!("verify {ahead} --key {} --authority {pem}", pin()));
    assert!(ran.out.replace('\n', " ").contains("2 entries are said to be later than"), "{}", ran.out);
    let mut forged = story_stamps();
    forged[0].token = stamp_forged();
    let forged = write(&stage, &gzip(&story().file_stamped(&[], &forged)));
    let ran = stage.run(&format!("verify {forged} --key {} --authority {pem}", pin()));
    assert_eq!(ran.exit.code(), 1, "{}", ran.out);
    let none = stage.folder().join("none.pem");
    std::fs::write(&none, "no certificate").expect("writes");
    for (none, why) in
        [(none.display().to_string(), "no certificate"), ("nothing.pem".to_owned(), "cannot read nothing.pem")]
    {
        let ran = stage.run(&format!("verify {forged} --key {} --authority {none}", pin()));
        assert_eq!(ran.exit.code(), 1);
        assert!(ran.err.replace('\n', " ").contains(why), "{}", ran.err);
    }
}

#[test]
fn a_witness_counts_for_who_knows_its_key_and_is_a_claim_for_others() {
    let stage = Stage::new("verify", 1);
    let file = write(&stage, &gzip(&story().file(&["office"])));
    let (_, signer) = witness();
    let namesake = Signer { key: DeviceKey::from_secret(&[78; 32]).public(), ..signer.clone() };
    let (own, other) = (signer.vkey(), namesake.vkey());
    assert_snapshot!("witnessed", stage.script(&[&format!("verify {file} --key {} --witness {own}", pin())]));
    let ran = stage.run(&format!("verify {file} --key {} --witness {other}", pin()));
    let told = ran.out.replace("\n  ", " ");
    assert!(told.contains("whose key you did not give: a claim"), "{told}");
    assert!(told.contains("not co-signed by witness.example/hill, whose key you gave"), "{told}");
    assert_eq!(ran.exit.code(), 0, "an outsider's absence makes no entry false");
    let json = stage.run(&format!("verify {file} --key {} --witness {other} --witness {own} --json", pin()));
    let json: Value = serde_json::from_str(&json.out).expect("JSON");
    assert_eq!((&json["witnesses"][0]["known"], &json["witnesses"][0]["key"]), (&true.into(), &own.clone().into()));
    let log = Signer { kind: Kind::Log, ..signer }.vkey();
    for wrong in ["hill", "", &log, &own[1..]] {
        let ran = stage.run(&format!("verify {file} --key {} --witness={wrong}", pin()));
        assert_eq!(ran.exit.code(), 2, "{wrong}");
        assert!(ran.err.contains("no witness"), "{}", ran.err);
    }
}

/// A PDF as far as it matters: what is around the stream is not looked at. Real ones: `tests/outside/check_paper.py`.
fn pdf(file: &[u8]) -> Vec<u8> {
    let head = format!("%PDF-1.7\n5 0 obj\n<</Length {}/Type/EmbeddedFile>>\nstream\n", file.len());
    [head.as_bytes(), file, b"\nendstream\nendobj\n"].concat()
}

#[test]
fn a_pdf_is_as_good_as_the_file_inside() {
    let stage = Stage::new("verify", 1);
    let bytes = gzip(&story().file(&["office"]));
    let paper = write(&stage, &pdf(&bytes));
    let ran = stage.run(&format!("verify {paper} --key {}", pin()));
    assert_eq!(ran.exit.code(), 0);
    let hash = pintle_core::Hash::of(&[&bytes]);
    let sha256: String = hash.0.iter().map(|byte| format!("{byte:02x}")).collect();
    assert!(ran.out.replace([' ', '\n'], "").contains(&sha256), "{}", ran.out);
    let page = stage.folder().join("history.html").display().to_string();
    assert_eq!(stage.run(&format!("verify {paper} --key {} --page {page}", pin())).exit.code(), 0);
    assert_eq!(std::fs::read_to_string(&page).expect("a page"), pintle_core::history::page::page(&bytes, None));
    let altered = write(&stage, &pdf(&bytes[..bytes.len() / 2]));
    assert_eq!(stage.run(&format!("verify {altered} --key {}", pin())).exit.code(), 2, "it is cut");
    for none in [&b"%PDF-1.7\n"[..], &[pdf(&bytes), pdf(&bytes)].concat()] {
        let none = write(&stage, none);
        let ran = stage.run(&format!("verify {none} --key {}", pin()));
        assert_eq!(ran.exit.code(), 1);
        assert!(ran.err.contains("inside"), "{}", ran.err);
    }
}

/// One key in sixty-four begins with a hyphen, as base64url has it.
#[test]
fn a_key_that_begins_like_an_option_is_a_key() {
    let stage = Stage::new("verify", 1);
    let file = write(&stage, &gzip(&story().file(&["office"])));
    let key = format!("-{}", &pin().to_string()[1..]);
    let ran = stage.run(&format!("verify {file} --key {key}"));
    assert_eq!(ran.exit.code(), 1, "{}", ran.err);
    assert!(ran.out.contains("key"), "it is another key than the file's: {}", ran.out);
    let told = stage.run(&format!("verify {file} --key -short")).err;
    assert!(told.contains("\"-short\" is no key"), "{told}");
}

#[test]
fn a_page_is_made_of_a_file_or_of_none_and_never_written_over() {
    let stage = Stage::new("verify", 1);
    let bytes = gzip(&story().file(&["office"]));
    let file = write(&stage, &bytes);
    let page = stage.folder().join("history.html").display().to_string();
    assert_eq!(stage.run(&format!("verify {file} --key {} --page {page}", pin())).exit.code(), 0);
    assert_eq!(std::fs::read_to_string(&page).expect("a page"), pintle_core::history::page::page(&bytes, None));
    assert_eq!(
        stage.run(&format!("verify {file} --key {} --page {page}", pin())).exit.code(),
        1,
        "it is there already"
    );
    let empty = stage.folder().join("checker.html").display().to_string();
    assert_eq!(stage.run(&format!("verify --page {empty}")).exit.code(), 0);
    assert_eq!(std::fs::read_to_string(&empty).expect("a page"), pintle_core::history::page::checker());
    assert_eq!(stage.run("verify").exit.code(), 2, "neither file nor page");
}

#[test]
fn what_is_wrong_is_named_and_the_exit_code_says_how() {
    let stage = Stage::new("verify", 1);
    let lines = story().file(&[]);
    let key = pin();
    let mut altered = lines.clone();
    let at = altered.iter().position(|line| line.contains("1004.5")).expect("a reading");
    altered[at] = altered[at].replace("1004.5", "904.5");
    let file = write(&stage, &gzip(&altered));
    assert_snapshot!("altered", stage.script(&[&format!("verify {file} --key {key}")]));
    assert_eq!(stage.run(&format!("verify {file} --key {key}")).exit.code(), 1);
    let file = write(&stage, &gzip(&lines[..lines.len() - 4]));
    assert_snapshot!("cut", stage.script(&[&format!("verify {file} --key {key}")]));
    assert_eq!(stage.run(&format!("verify {file} --key {key}")).exit.code(), 2);
    // Cut in the middle of the compressed bytes, and no file of ours at all.
    let whole = gzip(&lines);
    let file = write(&stage, &whole[..whole.len() / 2]);
    assert_eq!(stage.run(&format!("verify {file} --key {key}")).exit.code(), 2);
    let file = write(&stage, b"{}");
    assert_eq!(stage.run(&format!("verify {file} --key {key}")).exit.code(), 2);
    assert_eq!(stage.run(&format!("verify {file} --key x")).exit.code(), 2);
    assert_eq!(stage.run("verify nothing.gz").exit.code(), 1);
}
