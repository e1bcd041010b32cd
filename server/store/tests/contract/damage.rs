//! What databases must refuse and must notice: changed or removed rows, damaged rows, texts that one of them cannot
//! hold, a schema from the future.
//!
//! Promises: rows are damaged behind the store's back, through a connection of their own.

use crate::bed::{Bed, NOW_MS, secrets};
use crate::crew::{Device, EX3, all_after, code_of};
use pintle_core::Entry;
use pintle_core::exchange::{Digest, Person};
use pintle_core::ids::{OrganisationId, PersonId};
use pintle_core::scribe::Scribe;
use pintle_migrations::ledger::{LedgerStep, STEPS};
use pintle_store::sql::SqlStore;
use pintle_store::{
    Actor, DeviceChange, DeviceStanding, Enrolled, EnrolmentCode, MachineView, Organisation, Role, Store, StoreError,
    ViewSort,
};
use sea_orm::{ConnectionTrait, Database};
use serde_json::json;

/// Where the ledger of [`filled`] ends before the device pushes: with what is written down about code and device.
const START: u64 = 2;

/// An organisation with one row in every table of the ledger.
async fn filled(bed: &Bed) -> (OrganisationId, Device) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(bed, 1, organisation).await;
    device.note(Some(EX3), "squeaks");
    device.note(Some(EX3), "greased");
    device.push_on(bed, 1).await;
    bed.store.branch_keep(device.scope(), &device.batch(1, 1), NOW_MS).await.expect("it is kept");
    (organisation, device)
}

pub async fn the_ledger_s_tables_refuse_update_and_delete(bed: Bed) {
    let (organisation, device) = filled(&bed).await;
    let raw = bed.raw().await;
    let mut refused = vec![
        "UPDATE ledger SET received_ms = 0".to_owned(),
        "UPDATE seal SET seq_from = 1".to_owned(),
        "UPDATE branch SET received_ms = 0".to_owned(),
        "UPDATE branch_entry SET seq = 9".to_owned(),
    ];
    for table in ["branch_entry", "branch", "seal", "ledger"] {
        refused.push(format!("DELETE FROM {table}"));
        if !bed.is_sqlite() {
            refused.push(format!("TRUNCATE {table} CASCADE"));
            refused.push(format!("DELETE FROM {table} WHERE false"));
        }
    }
    for sql in refused {
        let error = raw.execute_unprepared(&sql).await.expect_err(&sql).to_string();
        assert!(error.contains("is never changed"), "{sql}: {error}");
    }
    let page = bed.store.page(organisation, &all_after(START)).await.expect("a page");
    assert_eq!(
        page.entries.iter().map(|held| held.link).collect::<Vec<_>>(),
        [device.heads[1].link, device.heads[2].link]
    );
    assert_eq!((page.seals.len(), page.entries[0].received_ms), (1, Some(NOW_MS)));
    assert_eq!(bed.store.branches(organisation).await.expect("branches").len(), 1);
}

/// Changes a row that the database guards, as a damaged disk or a hand at the file would.
pub async fn damage(bed: &Bed, table: &str, constraint: &str, change: &str) {
    let raw = bed.raw().await;
    if bed.is_sqlite() {
        for guard in ["update", "delete"] {
            let sql = format!("DROP TRIGGER IF EXISTS {table}_{guard}_refused");
            raw.execute_unprepared(&sql).await.expect("the trigger goes");
        }
        let sql = format!("PRAGMA ignore_check_constraints = ON; PRAGMA foreign_keys = OFF; {change}");
        raw.execute_unprepared(&sql).await.expect("the row is changed");
    } else {
        let sql = format!(
            "ALTER TABLE {table} DISABLE TRIGGER ALL; ALTER TABLE {table} DROP CONSTRAINT IF EXISTS {constraint}; \
             {change}"
        );
        raw.execute_unprepared(&sql).await.expect("the row is changed");
    }
}

fn bytes(bed: &Bed, text: &str) -> String {
    if bed.is_sqlite() { format!("CAST('{text}' AS BLOB)") } else { format!("convert_to('{text}', 'UTF8')") }
}

fn place<T: std::fmt::Debug>(outcome: Result<T, StoreError>) -> (&'static str, String, &'static str) {
    match outcome {
        Err(StoreError::Corrupt { table, row, column, .. }) => (table, row, column),
        other => panic!("damage was to be told: {other:?}"),
    }
}

pub async fn a_damaged_entry_is_told_with_its_place(bed: Bed) {
    let (organisation, _) = filled(&bed).await;
    let last = START + 2;
    let told = || ("ledger", last.to_string(), "bytes");
    for text in ["no json", "{}", r#"{"body":{},"head":{"seq":77}}"#] {
        let change = format!("UPDATE ledger SET bytes = {} WHERE position = {last}", bytes(&bed, text));
        damage(&bed, "ledger", "ledger_bytes_check", &change).await;
        assert_eq!(place(bed.store.page(organisation, &all_after(0)).await), told(), "{text}");
        assert_eq!(place(bed.store.machine_entries(organisation, EX3, 0, 10).await), told(), "{text}");
    }
    let sound = bed.store.machine_entries(organisation, EX3, 0, 1).await.expect("the sound entry is read");
    assert_eq!(sound.len(), 1);
}

pub async fn a_damaged_device_is_told_with_its_place(bed: Bed) {
    let (_, device) = filled(&bed).await;
    let key: String = device.id.0.iter().map(|byte| format!("{byte:02x}")).collect();
    for (column, constraint, value) in [
        ("role", "device_role_check", "'stoker'".to_owned()),
        ("head_seq", "device_head_seq_check", "-1".to_owned()),
        ("wanted", "device_wanted_check", bytes(&bed, "odd")),
        ("head_link", "device_head_link_check", bytes(&bed, "short")),
    ] {
        damage(&bed, "device", constraint, &format!("UPDATE device SET {column} = {value}")).await;
        assert_eq!(place(bed.store.device(device.id).await), ("device", key.clone(), column));
        let sound = match column {
            "role" => "'crew'",
            "head_seq" => "2",
            _ => "NULL",
        };
        if column != "head_link" {
            damage(&bed, "device", constraint, &format!("UPDATE device SET {column} = {sound}")).await;
        }
    }
}

pub async fn a_text_with_u0000_is_nowhere_stored(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let device = Device::new(1, organisation);
    let code = EnrolmentCode { hash: code_of(1), role: Role::Crew, expires_ms: NOW_MS + 1000 };
    bed.store.code_add(Actor::operator(organisation), &code, NOW_MS).await.expect("a code is added");
    let bad = || String::from("a\0b");
    let before = bed.store.directory(organisation, 0).await.expect("it answers");
    let person = Person { id: PersonId([5; 16]), name: bad() };
    let mut enrolments = [device.enrolment(code.hash, "K7"), device.enrolment(code.hash, "K7")];
    enrolments[0].mark = bad();
    enrolments[1].person.name = bad();
    let view = MachineView { sort: ViewSort::Glance, machine: EX3, digest: Digest::default(), json: bad() };
    let other = Organisation { id: OrganisationId([2; 16]), name: bad() };
    let store = &bed.store;
    let change = DeviceChange { mark: Some(bad()), role: None };
    for outcome in [
        store.device_change(Actor::operator(organisation), device.id, &change, NOW_MS).await.map(|_| ()),
        store.organisation_add(&other, NOW_MS).await,
        store.enrol(&enrolments[0]).await.map(|_| ()),
        store.enrol(&enrolments[1]).await.map(|_| ()),
        store.people_add(organisation, &[person]).await,
        store.views_put(organisation, std::slice::from_ref(&view)).await,
    ] {
        assert!(matches!(outcome, Err(StoreError::Failed { .. })), "{outcome:?}");
    }
    assert_eq!(store.organisations().await.expect("organisations").len(), 1);
    assert_eq!(store.device(device.id).await.expect("it answers"), None);
    assert_eq!(store.directory(organisation, 0).await.expect("it answers"), before);
    assert_eq!(store.view(organisation, ViewSort::Glance, EX3).await.expect("it answers"), None);
    let words = json!({"head": {"seq": 1}, "body": {}, "words": {"salt": "x", "text": "a\u{0}b"}});
    assert!(Entry::from_value(words).is_err(), "no entry can hold it");
}

pub async fn a_schema_from_the_future_is_refused_and_left_alone(bed: Bed) {
    let (organisation, _) = filled(&bed).await;
    let raw = bed.raw().await;
    let sql = "INSERT INTO schema_step (version, applied_at) VALUES ('9999_tomorrow', 0)";
    raw.execute_unprepared(sql).await.expect("a step is entered");
    let url = bed.url.as_deref().expect("a database has an address");
    let refused = SqlStore::open(url, secrets(2), NOW_MS).await;
    match refused {
        Err(StoreError::Schema { detail }) => assert!(detail.contains("9999_tomorrow"), "{detail}"),
        other => panic!("it was to be refused: {other:?}"),
    }
    assert_eq!(bed.store.page(organisation, &all_after(0)).await.expect("a page").position, START + 2);
}

pub async fn identity_and_ledger_outlive_the_program(bed: Bed) {
    let (organisation, device) = filled(&bed).await;
    let url = bed.url.as_deref().expect("a database has an address");
    assert_eq!(bed.store.epoch_raise(1, 2).await.expect("it answers"), 2);
    let again = SqlStore::open(url, secrets(2), NOW_MS + 1).await.expect("it opens again");
    assert_eq!(pintle_store::Store::epoch(&again).await.expect("it answers"), 2);
    let (first, second) = (bed.store.identity(), pintle_store::Store::identity(&again));
    assert_eq!(first.store.0, [1; 16]);
    assert_eq!(second.store, first.store);
    assert_eq!((second.cursor_secret, second.token_secret), ([1; 32], [0xfe; 32]));
    assert_eq!((second.ledger_secret, first.ledger_secret), ([0x54; 32], [0x54; 32]));
    let page = pintle_store::Store::page(&again, organisation, &all_after(START)).await.expect("a page");
    assert_eq!(page.entries.iter().map(|held| held.entry.clone()).collect::<Vec<_>>(), device.log);
    again.close().await.expect("it closes");
}

/// A database as the program left it that knew of no administration yet, brought up to date by two processes at once.
pub async fn a_database_of_before_administration_goes_on_under_one_secret(bed: Bed) {
    let url = if bed.is_sqlite() { None } else { Some(crate::bed::postgres_database().await) };
    let (_folder, sqlite) = crate::bed::sqlite_file();
    let url = url.unwrap_or(sqlite);
    let raw = Database::connect(&url).await.expect("it can be reached");
    let named = |step: &&LedgerStep| step.name < "0003";
    raw.execute_unprepared("CREATE TABLE schema_step (version VARCHAR(255) PRIMARY KEY, applied_at BIGINT NOT NULL)")
        .await
        .expect("the table of steps");
    for step in STEPS.iter().filter(named) {
        raw.execute_unprepared(if bed.is_sqlite() { step.sqlite } else { step.postgres }).await.expect(step.name);
        let ran = format!("INSERT INTO schema_step VALUES ('{}', 0)", step.name);
        raw.execute_unprepared(&ran).await.expect("a step is entered");
    }
    let device = Device::new(1, OrganisationId([1; 16]));
    let bytes = |bytes: &[u8]| {
        let hex: String = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
        if bed.is_sqlite() { format!("x'{hex}'") } else { format!("'\\x{hex}'") }
    };
    let (one, long) = (bytes(&[1; 16]), bytes(&[1; 32]));
    let (id, key, link) = (bytes(&device.id.0), bytes(&device.key.0), bytes(&device.end().link.0));
    let code = bytes(&code_of(2).0);
    let later_ms = NOW_MS + 1000;
    let rows = format!(
        "INSERT INTO store_identity (one, store, epoch, cursor_secret, token_secret, created_ms)
            VALUES (1, {one}, 1, {long}, {long}, 0);
        INSERT INTO organisation (organisation, name, directory_version, created_ms) VALUES ({one}, 'north', 1, 0);
        INSERT INTO ledger_head (organisation, position, sum) VALUES ({one}, 0, 0);
        INSERT INTO person (organisation, person, name) VALUES ({one}, {one}, 'Bo');
        INSERT INTO device (device, organisation, key, mark, mark_folded, person, role, revoked, head_seq, head_link,
            baton, baton_before, enrolled_ms) VALUES ({id}, {one}, {key}, 'K7', 'k7', {one}, 'owner', 0, 0, {link},
            {one}, {one}, 5);
        INSERT INTO enrolment_code (hash, organisation, role, expires_ms, created_ms)
            VALUES ({code}, {one}, 'crew', {later_ms}, 7)"
    );
    raw.execute_unprepared(&rows).await.expect("rows of before");
    raw.close().await.expect("it closes");

    let (first, second) =
        tokio::join!(SqlStore::open(&url, secrets(2), NOW_MS), SqlStore::open(&url, secrets(3), NOW_MS));
    let stores: [Box<dyn Store>; 2] = [Box::new(first.expect("it opens")), Box::new(second.expect("it opens"))];
    let secret = stores[0].identity().ledger_secret;
    assert_eq!(secret, stores[1].identity().ledger_secret, "the ledger's secret is one for both");
    assert!(secret == secrets(2).ledger_secret || secret == secrets(3).ledger_secret, "and random, not made up");
    assert_eq!(stores[0].identity().store.0, [1; 16], "the database is the one it was");

    let organisation = device.organisation;
    let [standing] = stores[0].devices(organisation).await.expect("it answers").try_into().expect("one device");
    let DeviceStanding { mark, role, enrolled_ms, last_ms, .. } = standing;
    assert_eq!((mark.as_str(), role, enrolled_ms, last_ms), ("K7", Role::Owner, 5, None));
    let [open] = stores[1].codes(organisation, NOW_MS).await.expect("it answers").try_into().expect("one code");
    assert_eq!((open.role, open.made_ms, open.expires_ms), (Role::Crew, 7, later_ms));
    for (store, number) in stores.iter().zip([2, 3]) {
        if number == 3 {
            let code = EnrolmentCode { hash: code_of(3), role: Role::Crew, expires_ms: later_ms };
            store.code_add(Actor::operator(organisation), &code, NOW_MS).await.expect("added");
        }
        let enrolment = Device::new(number, organisation).enrolment(code_of(number), "K7");
        let enrolled = store.enrol(&enrolment).await.expect("it answers");
        assert!(matches!(&enrolled, Enrolled::In { mark, .. } if *mark == format!("K7{number}")), "{enrolled:?}");
    }
    let page = stores[0].page(organisation, &all_after(0)).await.expect("a page");
    let server = Scribe::new(&secret, organisation, 1).device();
    let logs: Vec<_> = page.entries.iter().map(|held| (held.device == server, held.entry.seq())).collect();
    assert_eq!(logs, [(true, 1), (true, 2), (true, 3)], "both write one log of the server's");
}

/// As when a service manager starts several processes over one new database.
pub async fn three_that_open_one_new_database_at_once_all_succeed(url: &str) {
    let (a, b, c) = tokio::join!(
        SqlStore::open(url, secrets(1), NOW_MS),
        SqlStore::open(url, secrets(2), NOW_MS),
        SqlStore::open(url, secrets(3), NOW_MS),
    );
    let stores = [a, b, c].map(|store| store.expect("it opens"));
    let identities = stores.iter().map(pintle_store::Store::identity);
    let ids: Vec<_> = identities.map(|identity| (identity.store, identity.ledger_secret)).collect();
    assert!(ids.iter().all(|id| *id == ids[0]), "one identity for all: {ids:?}");
    for store in &stores {
        pintle_store::Store::ping(store).await.expect("the schema is there");
    }
}
