//! The damage matrix: each kind of damage at each place is told with its code and its place, and nothing else is.
//!
//! Promises: rows are damaged behind the store's back; a database that only other things happened to (clashes, branches,
//! set-aside entries, revoked devices, a raised epoch, two organisations) is sound. Pages of an SQLite file are
//! overwritten one by one.

use crate::bed::{Bed, NOW_MS, secrets};
use crate::crew::{Device, EX3, EX4};
use crate::damage::damage;
use pintle_core::exchange::Digest;
use pintle_core::ids::{Hash, OrganisationId};
use pintle_store::audit::{Audit, Finding};
use pintle_store::sql::SqlStore;
use pintle_store::{Actor, DeviceChange, Grown, MachineView, NewShare, Role, StoreError, TreeStore as _, ViewSort};
use sea_orm::ConnectionTrait;

/// Positions of what the first device records: before it stand the code and the letting in of both devices.
const FIRST: u64 = 5;

/// Two devices with some of everything.
async fn lived(bed: &Bed) -> (OrganisationId, Device, Device) {
    let organisation = bed.organisation(1).await;
    let mut one = Device::enrolled(bed, 1, organisation).await;
    let mut two = Device::enrolled(bed, 2, organisation).await;
    for text in ["squeaks", "greased", "runs"] {
        one.note(Some(EX3), text);
    }
    one.push(bed, 1, 2).await;
    one.push(bed, 2, 3).await;
    two.note(Some(EX4), "leaks");
    two.note(None, "rain");
    two.push_on(bed, 1).await;
    bed.store.branch_keep(one.scope(), &one.batch(2, 3), NOW_MS).await.expect("it is kept");
    let owner = Actor::operator(organisation);
    let change = DeviceChange { mark: Some("D9".into()), role: Some(Role::Mechanic) };
    bed.store.device_change(owner, two.id, &change, NOW_MS + 1).await.expect("changed");
    bed.store.device_revoke(owner, two.id, NOW_MS + 2).await.expect("revoked");
    two.note(Some(EX4), "after it was revoked");
    two.push(bed, 3, 3).await;
    let share = NewShare { hash: Hash([9; 32]), machine: EX3, until_ms: NOW_MS + 90_000, shows: [].into() };
    bed.store.share_add(owner, &share, NOW_MS + 3).await.expect("shared");
    grown(bed, organisation).await;
    (organisation, one, two)
}

/// Builds the tree behind the ledger, up to its checkpoint.
async fn grown(bed: &Bed, organisation: OrganisationId) {
    let url = bed.url.as_deref().expect("a database has an address");
    let store = SqlStore::open(url, secrets(1), NOW_MS).await.expect("it opens");
    let grown = store.tree_grow(organisation, 1000, NOW_MS + 10).await.expect("it grows");
    assert!(matches!(grown, Grown::Signed(_)), "{grown:?}");
    store.close().await.expect("it closes");
}

async fn audited(bed: &Bed) -> Audit {
    let url = bed.url.as_deref().expect("a database has an address").replace("?mode=rwc", "");
    let store = SqlStore::open_as_it_lies(&url).await.expect("it opens");
    let audit = store.audit().await.expect("it is looked through");
    store.close().await.expect("it closes");
    audit
}

fn told(audit: &Audit) -> Vec<String> {
    audit.findings.iter().map(|finding: &Finding| format!("{}: {}", finding.wrong.code(), finding.place)).collect()
}

pub async fn what_only_life_did_to_it_is_sound(bed: Bed) {
    let (_, one, _) = lived(&bed).await;
    let other = bed.organisation(2).await;
    Device::enrolled(&bed, 3, other).await;
    bed.store.epoch_raise(1, 7).await.expect("raised");
    bed.store.device_revoke(Actor::operator(one.organisation), one.id, NOW_MS + 9).await.expect("in the next epoch");
    grown(&bed, one.organisation).await;
    let view = MachineView { sort: ViewSort::Book, machine: EX3, digest: Digest::default(), json: "{}".into() };
    bed.store.views_put(one.organisation, &[view]).await.expect("kept");
    let audit = audited(&bed).await;
    assert_eq!(told(&audit), Vec::<String>::new());
    assert_eq!((audit.entries, audit.logs, audit.seals, audit.branches), (4 + 6 + 4 + 2, 6, 4 + 4 + 4 + 2, 1));
}

/// One kind of damage: its name, the table, the statement, and what must be told of it.
type Damage = (&'static str, &'static str, String, Vec<&'static str>);

fn matrix(bed: &Bed, one: &Device, two: &Device) -> Vec<Damage> {
    let hex = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
    let blob = |hex: &str| if bed.is_sqlite() { format!("X'{hex}'") } else { format!("'\\x{hex}'::bytea") };
    let text = |text: &str| blob(&hex(text.as_bytes()));
    let (id_one, id_two) = (blob(&hex(&one.id.0)), blob(&hex(&two.id.0)));
    let zero = blob(&"00".repeat(32));
    let at = |position: u64| format!("WHERE position = {position}");
    let entry = |text: &str| String::from_utf8(one.log[1].canonical()).expect("UTF-8").replace("greased", text);
    let second = FIRST + 1;
    vec![
        (
            "an entry's words are changed",
            "ledger",
            format!("UPDATE ledger SET bytes = {} {}", text(&entry("painted")), at(second)),
            vec!["entry-altered: ledger 6 (D1-2)"],
        ),
        (
            "an entry is no JSON",
            "ledger",
            format!("UPDATE ledger SET bytes = {} {}", text("no json"), at(second)),
            vec!["entry-unreadable: ledger 6 (D1-2)"],
        ),
        (
            "an entry is spelled otherwise",
            "ledger",
            format!(
                "UPDATE ledger SET bytes = {} {}",
                text(&entry("greased").replace("{\"body\"", "{ \"body\"")),
                at(second)
            ),
            vec!["entry-altered: ledger 6 (D1-2)"],
        ),
        (
            "a link is changed",
            "ledger",
            format!("UPDATE ledger SET link = {zero} {}", at(second)),
            vec!["link-altered: ledger 6 (D1-2)", "seal-altered: seal 6 (D1-2)"],
        ),
        (
            "a link has another length",
            "ledger",
            format!("UPDATE ledger SET link = {} {}", blob("0011"), at(second)),
            vec!["column-odd: ledger 6 (D1-2)"],
        ),
        (
            "the kind beside an entry is changed",
            "ledger",
            format!("UPDATE ledger SET kind = 'fuel_filled' {}", at(second)),
            vec!["column-altered: ledger 6 (D1-2)"],
        ),
        (
            "a running sum is changed",
            "ledger",
            format!("UPDATE ledger SET sum = sum + 1 {}", at(second)),
            vec!["sum-wrong: ledger 6 (D1-2)"],
        ),
        (
            "a machine's running count is changed",
            "ledger",
            format!("UPDATE ledger SET machine_count = 9 {}", at(second)),
            vec!["sum-wrong: ledger 6 (D1-2)"],
        ),
        (
            "an entry is removed from the middle",
            "ledger",
            format!("DELETE FROM ledger {}", at(second)),
            vec!["position-missing: ledger 6 (D1-2)", "seal-altered: seal 6"],
        ),
        (
            "the last entry is removed",
            "ledger",
            format!("DELETE FROM ledger {}", at(13)),
            vec![
                "position-missing: ledger 13 (SV-7)",
                "seal-altered: seal 13",
                "administration-unsaid: share 09090909…",
            ],
        ),
        (
            "the ledger's head is put back",
            "ledger_head",
            "UPDATE ledger_head SET position = position - 1".to_owned(),
            vec!["ledger-head-wrong: ledger_head position"],
        ),
        (
            "the sum of the ledger's head is changed",
            "ledger_head",
            "UPDATE ledger_head SET sum = sum + 1".to_owned(),
            vec!["ledger-head-wrong: ledger_head sum"],
        ),
        (
            "the ledger's head is removed",
            "ledger_head",
            "DELETE FROM ledger_head".to_owned(),
            vec!["ledger-head-wrong: ledger_head"],
        ),
        (
            "a seal's signature is changed",
            "seal",
            format!("UPDATE seal SET signature = {} {}", blob(&"00".repeat(64)), at(second)),
            vec!["seal-altered: seal 6 (D1-2)"],
        ),
        (
            "a seal of the middle is removed",
            "seal",
            format!("DELETE FROM seal {}", at(second)),
            vec!["seal-missing: seal 7 (D1-3)"],
        ),
        (
            "the last seal of a log is removed",
            "seal",
            format!("DELETE FROM seal {}", at(second + 1)),
            vec!["seal-missing: seal 7 (D1-3)"],
        ),
        (
            "a device's head is put back",
            "device",
            format!("UPDATE device SET head_seq = 2 WHERE device = {id_one}"),
            vec!["head-wrong: device ONE (D1)"],
        ),
        (
            "the link of a device's head is changed",
            "device",
            format!("UPDATE device SET head_link = {zero} WHERE device = {id_one}"),
            vec!["head-wrong: device ONE (D1)"],
        ),
        (
            "a device's key is changed",
            "device",
            format!("UPDATE device SET key = {zero} WHERE device = {id_one}"),
            vec![
                "device-altered: device ONE (D1)",
                "seal-altered: seal 6 (D1-2)",
                "seal-altered: seal 7 (D1-3)",
                "branch-broken: branch D1 from 2",
                "administration-differs: device ONE (D1)",
            ],
        ),
        (
            "a revoked device is let in again",
            "device",
            format!("UPDATE device SET revoked = 0 WHERE device = {id_two}"),
            vec!["administration-differs: device TWO (D9)"],
        ),
        (
            "a crew makes itself owner",
            "device",
            format!("UPDATE device SET role = 'owner' WHERE device = {id_one}"),
            vec!["administration-differs: device ONE (D1)"],
        ),
        (
            "a role is none",
            "device",
            format!("UPDATE device SET role = 'stoker' WHERE device = {id_one}"),
            vec!["column-odd: device ONE"],
        ),
        (
            "a machine's head is changed",
            "machine_head",
            format!("UPDATE machine_head SET entry_count = entry_count + 1 WHERE machine = {}", blob(&hex(&EX3.0))),
            vec!["machine-head-wrong: machine_head 03030303030303030303030303030303"],
        ),
        (
            "a machine's head is removed",
            "machine_head",
            format!("DELETE FROM machine_head WHERE machine = {}", blob(&hex(&EX4.0))),
            vec!["machine-head-wrong: machine_head 04040404040404040404040404040404"],
        ),
        (
            "a device's count for a machine is changed",
            "device_machine",
            format!("UPDATE device_machine SET entry_count = 7 WHERE device = {id_one}"),
            vec!["machine-count-wrong: device_machine ONE 03030303030303030303030303030303"],
        ),
        (
            "an entry of a branch is changed",
            "branch_entry",
            format!("UPDATE branch_entry SET bytes = {} WHERE seq = 2", text(&entry("painted"))),
            vec!["branch-broken: branch D1 from 2"],
        ),
        (
            "an entry of a branch is removed",
            "branch_entry",
            "DELETE FROM branch_entry WHERE seq = 3".to_owned(),
            vec!["branch-broken: branch D1 from 2"],
        ),
        (
            "a share link is made behind the log's back",
            "share",
            format!("UPDATE share SET hash = {zero}, made_ms = made_ms + 1"),
            vec!["administration-unsaid: share 00000000…"],
        ),
        (
            "an ended share link is opened again or the other way round",
            "share",
            "UPDATE share SET ended_ms = 5".to_owned(),
            vec!["administration-differs: share 09090909…"],
        ),
        (
            "the server's own log is under another key",
            "store_identity",
            format!("UPDATE store_identity SET ledger_secret = {zero}"),
            vec!["server-log-foreign: device SERVER (SV)", "checkpoint-wrong: checkpoint 14"],
        ),
        (
            "a checkpoint is another's",
            "checkpoint",
            "UPDATE checkpoint SET note = replace(note, 'pintle/', 'pintel/')".to_owned(),
            vec!["checkpoint-wrong: checkpoint 14"],
        ),
        (
            "when an entry was received is changed",
            "ledger",
            format!("UPDATE ledger SET received_ms = received_ms - 1 {}", at(second)),
            vec!["checkpoint-wrong: checkpoint 14"],
        ),
        (
            "an entry that stands aside is made to count",
            "ledger",
            "UPDATE ledger SET aside = NULL WHERE aside IS NOT NULL".to_owned(),
            vec!["checkpoint-wrong: checkpoint 14"],
        ),
        (
            "a tile of the tree is changed",
            "tree_tile",
            format!("UPDATE tree_tile SET hashes = {zero} WHERE level = 0"),
            vec!["tree-wrong: tree_tile level 0 number 0"],
        ),
        (
            "a machine's root is changed",
            "tree_machine",
            format!("UPDATE tree_machine SET root = {zero} WHERE machine = {}", blob(&hex(&EX3.0))),
            vec!["tree-wrong: tree_machine 03030303030303030303030303030303"],
        ),
        (
            "the database's identity is removed",
            "store_identity",
            "DELETE FROM store_identity".to_owned(),
            vec![
                "identity-odd: store_identity",
                "server-log-foreign: device SERVER (SV)",
                "checkpoint-wrong: checkpoint 14",
            ],
        ),
    ]
}

/// Takes every check from a table of PostgreSQL, as a damaged disk knows of none.
fn without_checks(table: &str) -> String {
    format!(
        "DO $$ DECLARE c text; BEGIN FOR c IN SELECT conname FROM pg_constraint \
         WHERE conrelid = '{table}'::regclass AND contype = 'c' \
         LOOP EXECUTE 'ALTER TABLE {table} DROP CONSTRAINT ' || quote_ident(c); END LOOP; END $$"
    )
}

/// Every kind of damage, each on a ledger of its own.
pub async fn each_kind_of_damage_is_told_with_its_place(first: Bed) {
    let fresh = || async { if first.is_sqlite() { Bed::sqlite().await } else { Bed::postgres().await } };
    let (_, one, two) = lived(&first).await;
    let kinds = matrix(&first, &one, &two).len();
    assert!(kinds >= 30, "the matrix has lost rows");
    let mut wrong = Vec::new();
    for index in 0..kinds {
        let bed = fresh().await;
        let (_, one, two) = lived(&bed).await;
        let (name, table, change, expected) = matrix(&bed, &one, &two).swap_remove(index);
        if !bed.is_sqlite() {
            bed.raw().await.execute_unprepared(&without_checks(table)).await.expect("the checks go");
        }
        damage(&bed, table, "none", &change).await;
        let hex = |id: &[u8]| id.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
        let names = |line: &str| line.replace(&hex(&one.id.0), "ONE").replace(&hex(&two.id.0), "TWO");
        let audit = audited(&bed).await;
        let mut seen: Vec<String> = told(&audit).iter().map(|line| names(line)).collect();
        for line in &mut seen {
            if let Some(start) = line.find("device ").filter(|_| line.ends_with(" (SV)")) {
                line.replace_range(start.., "device SERVER (SV)");
            }
        }
        // The database's own checks see a part of it too, each in its own way.
        let own = |line: &String| line.starts_with("reference-broken") || line.starts_with("file-damaged");
        seen.retain(|line| !own(line));
        if seen != expected {
            wrong.push(format!("{name}: {seen:?}, not {expected:?}"));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// An outage or a damaged page is never a panic, and what lies on other pages is still read.
pub async fn each_page_of_a_file_may_be_torn(bed: Bed) {
    lived(&bed).await;
    let url = bed.url.clone().expect("a file has an address").replace("?mode=rwc", "");
    let path = url.strip_prefix("sqlite:").expect("a file").to_owned();
    bed.raw().await.execute_unprepared("PRAGMA wal_checkpoint(TRUNCATE)").await.expect("one file");
    let whole = std::fs::read(&path).expect("it is read");
    let page_bytes = 4096;
    let pages = whole.len() / page_bytes;
    let (mut unopened, mut told_of, mut read) = (0, 0, 0);
    for page in 0..pages {
        for (kind, bytes) in
            [("zeros", vec![0; page_bytes]), ("noise", noise(page_bytes)), ("half", noise(page_bytes / 2))]
        {
            let folder = tempfile::tempdir().expect("a folder");
            let copy = folder.path().join("torn.sqlite");
            let mut torn = whole.clone();
            torn[page * page_bytes..page * page_bytes + bytes.len()].copy_from_slice(&bytes);
            std::fs::write(&copy, &torn).expect("written");
            let store = SqlStore::open_as_it_lies(&format!("sqlite:{}", copy.display())).await;
            let audit = match store {
                Ok(store) => store.audit().await,
                Err(error) => Err(error),
            };
            match audit {
                Ok(audit) => {
                    read += audit.entries;
                    told_of += usize::from(!audit.findings.is_empty());
                    // A page that nothing is on may be torn unseen.
                    assert!(!audit.findings.is_empty() || torn == whole || audit.entries == 13, "page {page} {kind}");
                }
                Err(StoreError::Damaged { .. } | StoreError::Schema { .. } | StoreError::Failed { .. }) => {
                    unopened += 1
                }
                Err(other) => panic!("page {page} {kind}: {other}"),
            }
        }
    }
    assert!(told_of > pages, "only {told_of} of {pages} pages were told");
    // Without its first page, or the pages of its schema, nothing of a file can be read.
    assert!(unopened < pages, "{unopened} could not even be looked at");
    assert!(read > 10 * pages as u64 * 3, "{read} entries read over {pages} pages");
    std::fs::write(&path, &whole[..whole.len() / 2]).expect("written");
    let cut = SqlStore::open_as_it_lies(&url).await;
    let cut = match cut {
        Ok(store) => store.audit().await.map(|audit| audit.findings.len()),
        Err(error) => Err(error),
    };
    assert!(!matches!(cut, Ok(0)), "half a file is not sound");
}

fn noise(bytes: usize) -> Vec<u8> {
    let mut x = 0x9e37_79b9_7f4a_7c15_u64;
    std::iter::repeat_with(|| {
        x ^= x << 13;
        x ^= x >> 7;
        x ^= x << 17;
        (x >> 24) as u8
    })
    .take(bytes)
    .collect()
}

/// Nothing is made where there is nothing, and a schema that is not this program's is told.
pub async fn what_is_no_ledger_is_told(bed: Bed) {
    lived(&bed).await;
    let url = bed.url.clone().expect("an address");
    if bed.is_sqlite() {
        let folder = tempfile::tempdir().expect("a folder");
        let none = folder.path().join("none.sqlite");
        let missing = SqlStore::open_as_it_lies(&format!("sqlite:{}?mode=rwc", none.display())).await;
        assert!(matches!(missing, Err(StoreError::Unavailable { .. })), "{missing:?}");
        assert!(!none.exists(), "nothing was made");
        std::fs::write(
            &none,
            b"a text that is longer than the head of a database, and is no database at all, not one bit",
        )
        .expect("written");
        let other = SqlStore::open_as_it_lies(&format!("sqlite:{}", none.display())).await;
        assert!(matches!(other, Err(StoreError::Damaged { .. })), "{other:?}");
    }
    let raw = bed.raw().await;
    raw.execute_unprepared("DELETE FROM schema_step WHERE version > '0003_z'").await.expect("an older one");
    let older = SqlStore::open_as_it_lies(&url.replace("?mode=rwc", "")).await;
    assert!(matches!(&older, Err(StoreError::Schema { detail }) if detail.contains("0004_token_key")), "{older:?}");
    raw.execute_unprepared("INSERT INTO schema_step (version, applied_at) VALUES ('9999_tomorrow', 0)")
        .await
        .expect("newer");
    let newer = SqlStore::open_as_it_lies(&url.replace("?mode=rwc", "")).await;
    assert!(matches!(&newer, Err(StoreError::Schema { detail }) if detail.contains("9999_tomorrow")), "{newer:?}");
}
