//! A PostgreSQL role that serves without owning the tables, as the operator's page sets it up.
//!
//! Promises: the statements are those of the page itself, run as they stand there but for the names of the roles.

use crate::bed::{NOW_MS, postgres_database, secrets};
use crate::crew::{Device, EX3, all_after, clock, code_of};
use crate::office::{follow_of, share_of, someone};
use pintle_core::exchange::{PushOutcome, Wanted};
use pintle_core::ids::{Baton, Hash, OrganisationId, ShareId};
use pintle_store::sql::SqlStore;
use pintle_store::{
    Changed, DeviceChange, EarlierKeys, Enrolled, EnrolmentCode, Organisation, Role, Store, TokenKeyRecord,
};
use sea_orm::{ConnectionTrait, Database, DatabaseConnection, Statement};

const PAGE: &str = include_str!("../../../../docs/OPERATIONS.md");

/// The page's blocks of SQL, in order, with roles that no other test has.
fn blocks(suffix: &str) -> Vec<String> {
    let section = PAGE.split("## PostgreSQL with two roles").nth(1).expect("the section");
    let section = section.split("\n## ").next().expect("its text");
    let block = |text: &str| {
        let text = text.split("```").next().expect("the block");
        ["pintle_schema", "pintle_serve"]
            .iter()
            .fold(text.to_owned(), |text, role| text.replace(role, &format!("{role}{suffix}")))
    };
    section.split("```sql\n").skip(1).map(block).collect()
}

/// The address of a database as a role reaches it; the test server asks for no password or takes the page's.
fn as_role(url: &str, role: &str, password: &str) -> String {
    let (scheme, rest) = url.split_once("://").expect("an address");
    let (_, place) = rest.split_once('@').expect("an address with a user");
    format!("{scheme}://{role}:{}@{place}", password.replace(' ', "%20"))
}

async fn texts(connection: &DatabaseConnection, sql: &str) -> Vec<String> {
    let asked = Statement::from_string(connection.get_database_backend(), sql.to_owned());
    let rows = connection.query_all_raw(asked).await.expect(sql);
    rows.iter().map(|row| row.try_get_by_index(0).expect("a text")).collect()
}

/// Everything that serving writes, once.
async fn serve(store: &SqlStore) -> OrganisationId {
    let organisation = OrganisationId([1; 16]);
    let named = Organisation { id: organisation, name: "north".into() };
    store.organisation_add(&named, NOW_MS).await.expect("an organisation");
    let office = someone(organisation);
    let mut device = Device::new(1, organisation);
    for number in [1, 2] {
        let code = EnrolmentCode { hash: code_of(number), role: Role::Crew, expires_ms: NOW_MS + 900 };
        let id = store.code_add(office, &code, NOW_MS).await.expect("a code");
        if number == 2 {
            assert!(store.code_cancel(office, id, NOW_MS).await.expect("it answers"));
        }
    }
    let enrolled = store.enrol(&device.enrolment(code_of(1), "K7")).await.expect("it answers");
    assert!(matches!(enrolled, Enrolled::In { .. }), "{enrolled:?}");
    device.note(Some(EX3), "squeaks");
    let pushed = store.push(device.scope(), &device.batch(1, 1), &clock(), NOW_MS).await.expect("it answers");
    assert_eq!(pushed.answer.outcome, PushOutcome::Accepted);
    store.branch_keep(device.scope(), &device.batch(1, 1), NOW_MS).await.expect("kept");
    store.wanted_set(device.scope(), &Wanted::default()).await.expect("kept");
    store.baton(device.scope(), Baton([1; 16]), Baton([2; 16]), NOW_MS).await.expect("it answers");
    let change = DeviceChange { mark: Some("K8".into()), role: Some(Role::Mechanic) };
    assert_eq!(store.device_change(office, device.id, &change, NOW_MS).await.expect("it answers"), Changed::Done);
    let share = share_of(1, NOW_MS + 900);
    store.share_add(office, &share, NOW_MS).await.expect("added");
    assert!(store.share_open(share.hash, NOW_MS).await.expect("it answers").is_some());
    assert!(store.share_end(office, ShareId::of_hash(&share.hash), NOW_MS).await.expect("it answers"));
    let new = Device::new(2, organisation);
    store.follow(&follow_of(&device, &new, true)).await.expect("it answers");
    store.device_revoke(office, new.id, NOW_MS).await.expect("it answers");
    let key = |kid: &str, signs_ms| TokenKeyRecord {
        kid: kid.into(),
        seed: [1; 32],
        made_ms: 0,
        signs_ms,
        earlier: EarlierKeys::Overlap,
    };
    store.token_key_add(&key("a", 1), &[]).await.expect("added");
    store.token_key_add(&key("b", 2), &["a".to_owned()]).await.expect("added");
    store.assertion_new(Hash([1; 32]), 1, 0).await.expect("it answers");
    store.assertion_new(Hash([2; 32]), 9, 5).await.expect("it answers");
    assert_eq!(store.epoch_raise(1, 2).await.expect("it answers"), 2);
    organisation
}

/// Who serves can do all that serving needs and cannot touch what is written, not even by way of the triggers.
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_role_that_serves_cannot_change_what_is_written() {
    let url = postgres_database().await;
    let suffix = format!("_{}", url.rsplit_once('/').expect("a name").1);
    let administrator = Database::connect(&url).await.expect("the test server");
    let [roles, grants] = blocks(&suffix).try_into().expect("two blocks");
    administrator.execute_unprepared(&roles).await.expect("the roles of the page");
    let schema_url = as_role(&url, &format!("pintle_schema{suffix}"), "one secret");
    let brought_up = SqlStore::open(&schema_url, secrets(1), NOW_MS).await.expect("the schema is brought up");
    brought_up.close().await.expect("it closes");
    let owner = Database::connect(&schema_url).await.expect("as the owner");
    owner.execute_unprepared(&grants).await.expect("the grants of the page");

    let serve_url = as_role(&url, &format!("pintle_serve{suffix}"), "another secret");
    let store = SqlStore::open(&serve_url, secrets(2), NOW_MS).await.expect("it opens without owning anything");
    let organisation = serve(&store).await;
    let before = store.page(organisation, &all_after(0)).await.expect("a page").entries;
    let server = Database::connect(&serve_url).await.expect("as who serves");
    let guarded = "SELECT DISTINCT event_object_table::text FROM information_schema.triggers \
                   WHERE trigger_name LIKE '%_change_refused' AND action_condition IS NULL ORDER BY 1";
    let guarded = texts(&administrator, guarded).await;
    assert!(["branch", "branch_entry", "ledger", "seal"].iter().all(|name| guarded.iter().any(|table| table == name)));
    for table in &guarded {
        for sql in [
            format!("DELETE FROM {table}"),
            format!("TRUNCATE {table} CASCADE"),
            format!("ALTER TABLE {table} DISABLE TRIGGER ALL"),
            format!("DROP TRIGGER {table}_change_refused ON {table}"),
            format!("DROP TABLE {table} CASCADE"),
        ] {
            let error = server.execute_unprepared(&sql).await.expect_err(&sql).to_string();
            assert!(error.contains("permission denied") || error.contains("must be owner"), "{sql}: {error}");
        }
        let held = format!("SELECT has_table_privilege('pintle_serve{suffix}', '{table}', 'UPDATE')::text");
        assert_eq!(texts(&administrator, &held).await, ["false"], "{table}");
        // The owner of the tables is stopped by the triggers.
        let error = owner.execute_unprepared(&format!("DELETE FROM {table}")).await.expect_err(table).to_string();
        assert!(error.contains("is never changed"), "{table}: {error}");
    }
    // The page's list is whole: a table that is not guarded may be changed by who serves.
    let others = "SELECT table_name::text FROM information_schema.tables WHERE table_schema = 'public' ORDER BY 1";
    for table in texts(&administrator, others).await {
        let free = !guarded.contains(&table) && table != pintle_migrations::ledger::STEP_TABLE;
        let held = format!("SELECT has_table_privilege('pintle_serve{suffix}', '{table}', 'UPDATE')::text");
        assert_eq!(texts(&administrator, &held).await, [free.to_string()], "{table}");
    }
    assert_eq!(store.page(organisation, &all_after(0)).await.expect("a page").entries, before);

    store.close().await.expect("it closes");
    let (name, first) =
        url.rsplit_once('/').map(|(server, name)| (name, format!("{server}/postgres"))).expect("a name");
    for connection in [owner, server, administrator] {
        connection.close().await.expect("it closes");
    }
    let last = Database::connect(&first).await.expect("the test server");
    for sql in [
        format!("DROP DATABASE {name} WITH (FORCE)"),
        format!("DROP ROLE pintle_schema{suffix}"),
        format!("DROP ROLE pintle_serve{suffix}"),
    ] {
        last.execute_unprepared(&sql).await.expect("the role goes with the test");
    }
}
