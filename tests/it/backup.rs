//! The operator's evening, with real programs: back up while it is served, look through it, put a backup in its place,
//! and be told exactly what is wrong where something is.
//!
//! Promises: what devices recorded after the backup is there again after their next sync; nothing is ever written over.

use crate::postgres::Postgres;
use crate::whole::{House, programs};
use pintle_tests::demo::scenario::Crew;
use rusqlite::Connection;
use serde_json::Value;
use std::path::Path;

const CREWS: [Crew; 2] = [Crew::K7, Crew::M4];

fn sync_all(house: &mut House) {
    for crew in [Crew::K7, Crew::M4, Crew::K7] {
        house.must(crew, &["sync"]);
    }
}

/// A server with two devices that have recorded a little.
fn lived() -> House {
    let mut house = House::new();
    house.stage.start_server("Valley crews").expect("a server");
    house.enrol_all(&CREWS);
    house.must(Crew::K7, &["machine", "add", "EX3"]);
    sync_all(&mut house);
    house.must(Crew::M4, &["note", "EX3", "rain all day"]);
    sync_all(&mut house);
    // The machine's views are kept once somebody has read them.
    house.must(Crew::K7, &["devices"]);
    house
}

/// Runs a command of the operator; gives its exit code and all it said.
fn operator(house: &House, arguments: &[&str]) -> (i32, String) {
    let ran = house.stage.operator(arguments).expect("it runs");
    (ran.code, ran.stdout + &ran.stderr)
}

fn entries_of_ex3(house: &mut House) -> Value {
    let (book, bytes) = house.json(Crew::K7, &["book", "EX3"]);
    assert_eq!(bytes, house.json(Crew::M4, &["book", "EX3"]).1);
    book.pointer("/book/counts/entries").expect("a count").clone()
}

#[test]
fn a_backup_is_taken_while_served_and_put_in_its_place() {
    let mut house = lived();
    let folder = house.stage.folder().to_owned();
    let (code, said) = operator(&house, &["check"]);
    assert!(code == 0 && said.contains("all sound"), "{code}: {said}");
    let (code, said) = operator(&house, &["backup", "evening.db"]);
    assert!(code == 0 && said.contains("evening.db holds everything") && said.contains("all sound"), "{code}: {said}");
    let (code, said) = operator(&house, &["backup", "evening.db"]);
    assert!(code == 1 && said.contains("nothing is written over"), "{code}: {said}");
    std::fs::create_dir(folder.join("backups")).expect("a folder");
    let (code, said) = operator(&house, &["backup", "backups"]);
    assert!(code == 0 && said.contains("backups/pintle-20260504T100000Z.db"), "{code}: {said}");
    assert_eq!(std::fs::read_dir(folder.join("backups")).expect("a folder").count(), 1, "no half backup is left");

    house.must(Crew::K7, &["grease", "EX3", "4127.5"]);
    house.must(Crew::M4, &["fuel", "EX3", "120"]);
    sync_all(&mut house);
    let (code, said) = operator(&house, &["restore", "evening.db"]);
    assert!(code == 1 && said.contains("stop it first"), "{code}: {said}");
    house.stage.kill_server().expect("stopped");
    let (code, said) = operator(&house, &["restore", "gone.db"]);
    assert!(code == 1 && said.contains("there is no file gone.db"), "{code}: {said}");
    let (code, said) = operator(&house, &["restore", "evening.db"]);
    assert!(code == 0 && said.contains("is restored from evening.db") && said.contains("epoch"), "{code}: {said}");
    let names = |folder: &Path| {
        let all = std::fs::read_dir(folder).expect("a folder").map(|file| file.expect("a file").file_name());
        all.map(|name| name.to_string_lossy().into_owned()).collect::<Vec<_>>()
    };
    let there = names(&folder);
    assert!(there.contains(&"ledger.db.replaced-20260504T100000Z".to_owned()), "{there:?}");
    assert!(there.iter().all(|name| !name.contains("restoring")), "{there:?}");

    house.stage.start_server("Valley crews").expect("a server");
    sync_all(&mut house);
    house.must(Crew::M4, &["sync"]);
    assert_eq!(entries_of_ex3(&mut house), Value::from(4), "what the backup lacked came from the devices");
    let (code, said) = operator(&house, &["check"]);
    assert!(code == 0 && said.contains("all sound"), "{code}: {said}");
}

/// Damage, as a disk does it: a row changed behind the program's back.
fn damaged(house: &House, change: &str) {
    let database = Connection::open(house.stage.folder().join("ledger.db")).expect("it opens");
    database.execute_batch("DROP TRIGGER IF EXISTS ledger_update_refused").expect("the guard goes");
    database.execute_batch(change).expect("changed");
}

#[test]
fn damage_is_told_by_place_and_is_not_backed_up() {
    let mut house = lived();
    house.stage.kill_server().expect("stopped");
    let (code, _) = operator(&house, &["backup", "good.db"]);
    assert_eq!(code, 0);
    let second = "position = (SELECT position FROM ledger WHERE kind = 'machine_added')";
    damaged(
        &house,
        &format!("UPDATE ledger SET bytes = CAST(replace(CAST(bytes AS TEXT), 'EX3', 'EX4') AS BLOB) WHERE {second}"),
    );
    let (code, said) = operator(&house, &["check"]);
    assert!(code == 3 && said.contains("entry-altered: ledger ") && said.contains("(K7-1)"), "{code}: {said}");
    assert!(said.contains(": 1 thing wrong"), "{said}");
    let (code, said) = operator(&house, &["backup", "bad.db"]);
    assert!(code == 1 && said.contains("(K7-1)") && said.contains("no backup was made"), "{code}: {said}");
    assert!(!house.stage.folder().join("bad.db").exists());
    std::fs::copy(house.stage.folder().join("ledger.db"), house.stage.folder().join("copied.db")).expect("copied");
    let (code, said) = operator(&house, &["restore", "copied.db"]);
    assert!(code == 1 && said.contains("nothing was changed"), "{code}: {said}");
    let (code, said) = operator(&house, &["restore", "good.db"]);
    assert_eq!(code, 0, "{said}");
    let (code, said) = operator(&house, &["restore", "copied.db", "--although-damaged"]);
    assert!(code == 0 && said.contains("(K7-1)"), "{code}: {said}");
    let (code, _) = operator(&house, &["restore", "good.db"]);
    assert_eq!(code, 0, "a second time in the same second: names are found");
    assert_eq!(operator(&house, &["check"]).0, 0);
}

#[test]
fn what_can_be_computed_again_is_put_right_when_asked() {
    let mut house = lived();
    let token = house.json(Crew::K7, &["devices"]);
    assert!(token.1.contains("K7"), "it reads with a token");
    house.must(Crew::K7, &["share", "EX3", "--days", "2"]);
    let link = house.json(Crew::K7, &["share", "EX3", "--days", "2"]).0["link"].as_str().expect("a link").to_owned();
    let api = link.replace("/shared/", "/v1/shared/");
    let api = if api.contains("/v1/v1/") { api.replace("/v1/v1/", "/v1/") } else { api };
    ureq::get(&api).call().expect("an outsider reads the machine");
    let views = "SELECT count(*) FROM machine_view";
    let kept = Connection::open(house.stage.folder().join("ledger.db")).expect("it opens");
    let count: u32 = kept.query_row(views, [], |row| row.get(0)).expect("a count");
    assert_eq!(count, 1, "the machine's book is kept");
    kept.execute_batch("UPDATE machine_view SET json = replace(json, 'EX3', 'EX9')").expect("changed");
    drop(kept);
    let (code, said) = operator(&house, &["check"]);
    assert!(code == 4 && said.contains("view-wrong: ") && said.contains("machine_view"), "{code}: {said}");
    let (code, said) = operator(&house, &["check", "--mend"]);
    assert!(code == 0 && said.contains("1 of them put right"), "{code}: {said}");
    let (code, said) = operator(&house, &["check"]);
    assert!(code == 0 && said.contains("all sound"), "{code}: {said}");
}

/// The lines that the page tells an operator of PostgreSQL to type, typed.
#[test]
fn what_the_page_says_about_postgres_works() {
    let Some(postgres) = Postgres::new("backup") else { return };
    let mut house = House::new();
    house.stage.use_database(&postgres.url);
    house.stage.start_server("Valley crews").expect("a server");
    house.enrol_all(&CREWS);
    house.must(Crew::K7, &["machine", "add", "EX3"]);
    sync_all(&mut house);
    let page = std::fs::read_to_string(crate::tidy::root().join("docs/OPERATIONS.md")).expect("the page");
    let lines = page.split("```sh\n").find(|block| block.starts_with("pg_dump")).expect("lines to type");
    let lines = lines.split("```").next().expect("their end");
    let restored = postgres.another("pintle_restored");
    let script =
        format!("set -e\nexport PATH=\"$PATH:{}:{}\"\n{lines}", programs().display(), postgres.programs.display());
    let typed = std::process::Command::new("sh")
        .args(["-c", &script])
        .env("PINTLE_DATABASE", &postgres.url)
        .env("RESTORED", &restored)
        .current_dir(house.stage.folder())
        .output()
        .expect("it runs");
    let said = String::from_utf8_lossy(&typed.stdout).into_owned() + &String::from_utf8_lossy(&typed.stderr);
    assert!(typed.status.success() && said.contains("epoch ") && said.contains("all sound"), "{said}");
    house.must(Crew::K7, &["grease", "EX3", "4127.5"]);
    house.must(Crew::M4, &["note", "EX3", "after the dump"]);
    sync_all(&mut house);
    house.stage.kill_server().expect("stopped");
    house.stage.use_database(&restored);
    house.stage.start_server("Valley crews").expect("a server");
    sync_all(&mut house);
    house.must(Crew::M4, &["sync"]);
    assert_eq!(entries_of_ex3(&mut house), Value::from(3));
    let (code, said) = operator(&house, &["check"]);
    assert!(code == 0 && said.contains("all sound"), "{code}: {said}");
    let (code, said) = operator(&house, &["backup", "x.db"]);
    assert!(code == 1 && said.contains("docs/OPERATIONS.md"), "{code}: {said}");
    house.stage.kill_server().expect("stopped");
}

#[test]
fn what_is_no_database_is_told() {
    let house = House::new();
    let (code, said) = operator(&house, &["check"]);
    assert!(code == 1 && !house.stage.folder().join("ledger.db").exists(), "{code}: {said}");
    let (code, said) = operator(&house, &["backup", "x.db"]);
    assert!(code == 1 && said.contains("there is no file"), "{code}: {said}");
    std::fs::write(house.stage.folder().join("ledger.db"), "no database, but long enough to be one. ".repeat(200))
        .expect("written");
    let (code, said) = operator(&house, &["check"]);
    assert!(code == 1 && said.contains("is damaged"), "{code}: {said}");
    let (code, said) = operator(&house, &["backup", "x.db"]);
    assert!(code == 1 && said.contains("is damaged"), "{code}: {said}");
}

#[test]
fn the_page_names_every_code_that_a_check_may_say() {
    let page = std::fs::read_to_string(crate::tidy::root().join("docs/OPERATIONS.md")).expect("the page");
    let missing: Vec<&str> = pintle_store::audit::Wrong::ALL
        .iter()
        .map(|wrong| wrong.code())
        .filter(|code| !page.contains(&format!("`{code}`")))
        .collect();
    assert_eq!(missing, Vec::<&str>::new());
}
