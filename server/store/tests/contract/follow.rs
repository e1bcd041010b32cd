//! Whether whoever follows a log by position misses anything while others append.
//!
//! Promises: [`follow`] knows nothing of what it drives but [`Log`], and reports what its readers missed; it must find
//! nothing on the stores, and must find what is missing where a sequence gives the positions.

use crate::bed::{Bed, NOW_MS, postgres_database, secrets};
use crate::crew::{Device, EX3, EX4, all_after, clock};
use pintle_core::ids::{Hash, MachineId, OrganisationId};
use pintle_store::sql::SqlStore;
use pintle_store::{PageAsk, Store};
use sea_orm::{ConnectionTrait, Database, DatabaseConnection, Statement, TransactionTrait};
use std::collections::BTreeSet;
use std::fmt::Debug;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use tokio::sync::Notify;

/// What is followed: a log that several append to.
trait Log: Send + Sync + 'static {
    /// Names what was appended.
    type Name: Ord + Clone + Debug + Send;

    /// Writer `writer` appends its `turn`th piece; gives the names of what it appended once that is lasting.
    fn append(&self, writer: usize, turn: usize) -> impl Future<Output = Vec<Self::Name>> + Send;

    /// Reader `reader` reads what stands after a position: names, and the position to go on from.
    fn read_after(&self, reader: usize, after: u64) -> impl Future<Output = (Vec<Self::Name>, u64)> + Send;
}

/// What one reader got.
#[derive(Debug)]
struct Followed<N> {
    /// Appended and never seen.
    missed: BTreeSet<N>,
    /// Seen more than once.
    doubled: usize,
    /// All that was seen, in order.
    seen: Vec<N>,
}

/// Lets writers append and readers follow, all at once, until all is appended and every reader is at the end.
async fn follow<L: Log>(log: Arc<L>, writers: usize, turns: usize, readers: usize) -> Vec<Followed<L::Name>> {
    let writing = Arc::new(AtomicUsize::new(writers));
    let appending: Vec<_> = (0..writers)
        .map(|writer| {
            let (log, writing) = (log.clone(), writing.clone());
            tokio::spawn(async move {
                let mut appended = Vec::new();
                let mut dice = 0x9e37_79b9_7f4a_7c15u64.wrapping_mul(writer as u64 + 1);
                for turn in 0..turns {
                    dice = dice.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                    for _ in 0..(dice >> 60) {
                        tokio::task::yield_now().await;
                    }
                    appended.extend(log.append(writer, turn).await);
                }
                writing.fetch_sub(1, Ordering::SeqCst);
                appended
            })
        })
        .collect();
    let reading: Vec<_> = (0..readers)
        .map(|reader| {
            let (log, writing) = (log.clone(), writing.clone());
            tokio::spawn(async move {
                let (mut after, mut seen) = (0, Vec::new());
                loop {
                    // Asked before the read: what is appended by now must come with this read or the ones before it.
                    let over = writing.load(Ordering::SeqCst) == 0;
                    let (names, position) = log.read_after(reader, after).await;
                    if over && names.is_empty() {
                        return seen;
                    }
                    seen.extend(names);
                    after = position;
                    tokio::task::yield_now().await;
                }
            })
        })
        .collect();
    let mut appended = BTreeSet::new();
    for task in appending {
        appended.extend(task.await.expect("a writer ends"));
    }
    let mut followed = Vec::new();
    for task in reading {
        let seen = task.await.expect("a reader ends");
        let once: BTreeSet<_> = seen.iter().cloned().collect();
        let missed = appended.difference(&once).cloned().collect();
        followed.push(Followed { missed, doubled: seen.len() - once.len(), seen });
    }
    followed
}

/// Stores over one database, as server processes are: writers and readers are dealt out among them.
struct Ledger {
    stores: Vec<Arc<dyn Store>>,
    organisation: OrganisationId,
    devices: Vec<Device>,
}

impl Log for Ledger {
    type Name = Hash;

    async fn append(&self, writer: usize, turn: usize) -> Vec<Hash> {
        // Two or three entries a push; which machines are touched, and in which order, changes.
        let device = &self.devices[writer];
        let (from, to) = (turn * 5 / 2 + 1, (turn + 1) * 5 / 2);
        let checked = device.batch(from, to);
        let store = &self.stores[writer % self.stores.len()];
        store.push(device.scope(), &checked, &clock(), NOW_MS).await.expect("a push is written");
        device.heads[from..=to].iter().map(|head| head.link).collect()
    }

    async fn read_after(&self, reader: usize, after: u64) -> (Vec<Hash>, u64) {
        let store = &self.stores[reader % self.stores.len()];
        let ask = PageAsk { rows_max: 7 + reader * 5, ..all_after(after) };
        let page = store.page(self.organisation, &ask).await.expect("a page");
        (page.entries.iter().map(|held| held.link).collect(), page.position)
    }
}

const WRITERS: usize = 8;
const TURNS: usize = 12;
const READERS: usize = 3;

/// Eight devices push about the same machines, readers follow.
pub async fn followers_miss_nothing_while_eight_push(bed: Bed) {
    let machines = |writer: usize, n: usize| [Some(EX3), Some(EX4), None][(n + writer) % 3];
    nothing_is_missed(bed, machines).await;
}

/// Eight devices push each about a machine of its own, so that only the ledger's head keeps them apart.
pub async fn followers_miss_nothing_while_eight_push_apart(bed: Bed) {
    nothing_is_missed(bed, |writer, _| Some(MachineId([writer as u8 + 1; 16]))).await;
}

/// Nothing is missed, and all heads are right in the end.
async fn nothing_is_missed(bed: Bed, machine_of: impl Fn(usize, usize) -> Option<MachineId>) {
    let mut stores = vec![bed.store.clone()];
    if let Some(url) = &bed.url {
        for _ in 0..2 {
            stores.push(Arc::new(SqlStore::open(url, secrets(2), NOW_MS).await.expect("a second process opens it")));
        }
    }
    let organisation = bed.organisation(1).await;
    let mut devices = Vec::new();
    for writer in 0..WRITERS {
        let mut device = Device::enrolled(&bed, writer as u16 + 1, organisation).await;
        for n in 0..TURNS * 5 / 2 {
            device.note(machine_of(writer, n), &format!("note {n} of {writer}"));
        }
        devices.push(device);
    }
    let ledger = Arc::new(Ledger { stores, organisation, devices });
    // What is written down about the devices stands before what they push.
    let start = bed.end(organisation).await as usize;
    let all = start + WRITERS * TURNS * 5 / 2;
    let mut orders = BTreeSet::new();
    for followed in follow(ledger.clone(), WRITERS, TURNS, READERS).await {
        assert_eq!((followed.missed, followed.doubled, followed.seen.len()), (BTreeSet::new(), 0, all));
        orders.insert(followed.seen);
    }
    assert_eq!(orders.len(), 1, "every reader sees the one order");

    // Positions have no hole, each device's entries stand in their order, each machine counts its own.
    let page = bed.store.page(organisation, &all_after(0)).await.expect("a page");
    let positions: Vec<_> = page.entries.iter().filter_map(|held| held.position).collect();
    assert_eq!(positions, (1..=all as u64).collect::<Vec<_>>());
    for device in &ledger.devices {
        let own = page.entries.iter().filter(|held| held.device == device.id);
        assert_eq!(own.map(|held| held.entry.clone()).collect::<Vec<_>>(), device.log);
        let record = bed.store.device(device.id).await.expect("it answers").expect("enrolled");
        assert_eq!(record.head, device.end());
    }
    let touched: BTreeSet<_> =
        (0..WRITERS).flat_map(|w| (0..3).filter_map(|n| machine_of(w, n)).collect::<Vec<_>>()).collect();
    assert_eq!(bed.store.machines(organisation, None, 100).await.expect("machines").len(), touched.len());
    for machine in touched {
        let of_machine = page.entries.iter().filter(|held| held.entry.head().is_ok_and(|h| h.machine == Some(machine)));
        let of_machine: Vec<_> = of_machine.map(|held| (held.link, held.position)).collect();
        let head = bed.store.machine(organisation, machine).await.expect("it answers").expect("it has entries");
        assert_eq!(head.digest, crate::crew::digest_of(of_machine.iter().map(|(link, _)| link)));
        assert_eq!(Some(head.position), of_machine.last().and_then(|(_, position)| *position));
    }
}

/// The planted fault: a log whose positions come from a sequence. Its first writer holds its transaction open between
/// taking its number and committing, until a reader has gone past.
struct Sequenced {
    database: DatabaseConnection,
    /// The first writer has its number.
    numbered: Notify,
    /// A reader has read something.
    gone_past: Notify,
}

impl Sequenced {
    async fn new() -> Self {
        let database = Database::connect(postgres_database().await).await.expect("it can be reached");
        let table = "CREATE TABLE log (position bigserial PRIMARY KEY, writer bigint NOT NULL)";
        database.execute_unprepared(table).await.expect("the table is made");
        Self { database, numbered: Notify::new(), gone_past: Notify::new() }
    }
}

impl Log for Sequenced {
    type Name = i64;

    #[allow(clippy::disallowed_methods, reason = "the fault that is planted is this very transaction")]
    async fn append(&self, writer: usize, _turn: usize) -> Vec<i64> {
        let name = writer as i64;
        if writer > 0 {
            self.numbered.notified().await;
        }
        let transaction = self.database.begin().await.expect("a transaction begins");
        let insert = format!("INSERT INTO log (writer) VALUES ({name})");
        transaction.execute_unprepared(&insert).await.expect("the row is inserted");
        if writer == 0 {
            self.numbered.notify_one();
            self.gone_past.notified().await;
        }
        transaction.commit().await.expect("it commits");
        vec![name]
    }

    async fn read_after(&self, _reader: usize, after: u64) -> (Vec<i64>, u64) {
        let sql = format!("SELECT position, writer FROM log WHERE position > {after} ORDER BY position");
        let statement = Statement::from_string(self.database.get_database_backend(), sql);
        let rows = self.database.query_all_raw(statement).await.expect("it answers");
        let read = |row: &sea_orm::QueryResult| -> (i64, i64) {
            (row.try_get("", "position").expect("a number"), row.try_get("", "writer").expect("a number"))
        };
        let rows: Vec<_> = rows.iter().map(read).collect();
        if !rows.is_empty() {
            self.gone_past.notify_one();
        }
        let position = rows.last().map_or(after, |(position, _)| position.unsigned_abs());
        (rows.into_iter().map(|(_, writer)| writer).collect(), position)
    }
}

/// The same harness over the planted fault: it has to find what its reader missed.
pub async fn a_sequence_in_its_place_is_caught() {
    let log = Arc::new(Sequenced::new().await);
    let followed = follow(log.clone(), 2, 1, 1).await;
    let [reader] = followed.as_slice() else { panic!("one reader, not {followed:?}") };
    assert_eq!(reader.missed, [0].into(), "the first writer's row lies behind the reader: {reader:?}");
    assert_eq!(reader.seen, [1]);
    // It is not lost, only never seen by one who follows by position.
    let (all, _) = log.read_after(0, 0).await;
    assert_eq!(all, [0, 1]);
}
