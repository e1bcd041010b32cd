//! The examples of the documentation: one small story, told by two devices about one machine.
//!
//! Promises: everything is computed the way a real device and server compute it (links, seals, proofs, the book), from
//! fixed keys, so that the generated document is the same on every machine.
//!
//! Never a secret of anyone: the keys are fixed bytes.

use crate::Role;
use crate::endpoints::aside::AsideItem;
use crate::endpoints::bench::{BearingQuery, GreaseQuery, GunQuery, ThreadQuery};
use crate::endpoints::book::BookReply;
use crate::endpoints::clashes::{ClashItem, ClashSort};
use crate::endpoints::codes::CodeReport;
use crate::endpoints::devices::DeviceReport;
use crate::endpoints::due::{DueReply, MachineDueReply};
use crate::endpoints::enrol::{EnrolReply, EnrolRequest, OrganisationCard};
use crate::endpoints::findings::FindingItem;
use crate::endpoints::follow::FollowRequest;
use crate::endpoints::handover::HandoverReply;
use crate::endpoints::machines::MachineCard;
use crate::endpoints::proof::CheckpointReply;
use crate::endpoints::shares::{ShareReport, SharedReply};
use crate::endpoints::telematics::TelematicsReply;
use crate::endpoints::token::{AssertionClaims, AssertionHeader, TokenReply, TokenRequest};
use crate::endpoints::upkeep::{HandsReply, KeepingReply, MachineName, NO_ADVICE, RecordsReply, RuleCard, RulesReply};
use crate::names::Names;
use pintle_core::agenda::{MachineDue, TaggedOut};
use pintle_core::bench::card::{self, BearingCard, Card, GreaseCard, GunCard, ThreadCard};
use pintle_core::book::{Book, book, keeping_by};
use pintle_core::chain::{DeviceKey, LogHead, enrol_text, follow_text};
use pintle_core::decimal::Decimal;
use pintle_core::due::due;
use pintle_core::exchange::{
    ClockSample, DeviceCard, Digest, Directory, PROTOCOL, Person, PullAnswer, PullAsk, PullOutcome, Pulled, Push,
    PushAnswer, PushOutcome, Receipt, SyncReply, SyncRequest,
};
use pintle_core::fact::MeterKind;
use pintle_core::fact::administration::Shown;
use pintle_core::handover::handover;
use pintle_core::ids::{
    Baton, Capability, CodeId, DeviceId, Hash, MachineId, OrganisationId, PersonId, RequestId, ShareId, Signature,
    StoreId,
};
use pintle_core::moment::Moment;
use pintle_core::plan::Counting;
use pintle_core::proof::checkpoint::CheckpointKey;
use pintle_core::proof::leaf::{RollLeaf, roll_leaf_data};
use pintle_core::proof::merkle::leaf_hash;
use pintle_core::proof::note::{Kind, Signer};
use pintle_core::telematics::{self, Candidate};
use pintle_core::{Entry, Fault, Held, rules};
use serde::Serialize;
use serde_json::{Value, json};
use std::collections::BTreeSet;

const NOW_MS: i64 = 1_778_000_000_000;
const STORE: StoreId = StoreId([0x51; 16]);
const ORGANISATION: OrganisationId = OrganisationId([0x52; 16]);
const MACHINE: MachineId = MachineId([0x4d; 16]);
const PEOPLE: [(PersonId, &str); 2] = [(PersonId([0x61; 16]), "Mira"), (PersonId([0x62; 16]), "Jonas")];
const MARKS: [&str; 2] = ["K7", "M2"];
const CODE: &str = "7KQF-M3XA-R8TD";

fn key(device: usize) -> DeviceKey {
    let mut secret = [0x07; 32];
    secret[0] = u8::try_from(device).unwrap_or(0);
    DeviceKey::from_secret(&secret)
}

pub(crate) fn device(device: usize) -> DeviceId {
    DeviceId::of_key(&key(device).public())
}

/// The machine of the story.
#[must_use]
pub fn machine() -> MachineId {
    MACHINE
}

/// A cursor; its bytes mean nothing.
#[must_use]
pub fn cursor() -> String {
    "AVFRUVFRUVFRUVFRUVFRUVEAAAAAAAAAAQAAAAAAAAAF".to_owned()
}

fn person(index: usize) -> Person {
    let (id, name) = PEOPLE[index % PEOPLE.len()];
    Person { id, name: name.to_owned() }
}

/// What the two devices recorded: device, time, kind, body, words.
fn told() -> Vec<(usize, &'static str, &'static str, Value, Option<&'static str>)> {
    vec![
        (0, "2026-05-04T06:41:10+02:00", "machine_added", json!({"name": "EX3", "site": "gravel pit"}), None),
        (
            0,
            "2026-05-04T06:58:30+02:00",
            "task_done",
            json!({"task": "grease", "reading": "1204.5", "purge": "dirty",
                "skipped": [{"point": "bucket pin left", "reason": "fitting broken off"}]}),
            None,
        ),
        (
            1,
            "2026-05-04T07:20:00+02:00",
            "finding_raised",
            json!({"sign": "squeak", "point": "bucket pin left", "urgency": "soon", "reading": "1204.7"}),
            Some("squeaks on every curl"),
        ),
        (1, "2026-05-04T07:25:00+02:00", "task_done", json!({"task": "grease", "reading": "1204.7"}), None),
    ]
}

fn entries() -> Vec<Held> {
    let mut logs: Vec<(LogHead, u64)> = (0..2).map(|i| (LogHead::empty(&key(i).public()), 0)).collect();
    let mut held = Vec::new();
    for (position, (by, at, kind, body, words)) in (1..).zip(told()) {
        let (log, count) = logs[by];
        let mut value = json!({
            "head": {"v": 1, "seq": log.seq + 1, "machine": MACHINE, "mseq": count + 1, "seen": by, "at": at,
                "by": PEOPLE[by].0, "kind": kind, "clock": {"boot": "3f9a01c2", "began_s": 1_777_800_000}},
            "body": body,
        });
        if let Some(text) = words {
            value["words"] = json!({"salt": "c2FsdHNhbHRzYWx0c2FsdA", "text": text});
        }
        let Ok(entry) = Entry::from_value(value) else { continue };
        let log = log.after(&entry);
        logs[by] = (log, count + 1);
        held.push(Held {
            device: device(by),
            link: log.link,
            position: Some(position),
            received_ms: Some(NOW_MS),
            off_s: None,
            aside: None,
            entry,
        });
    }
    held
}

fn of_device(index: usize) -> Vec<Held> {
    entries().into_iter().filter(|held| held.device == device(index)).collect()
}

fn digest(entries: &[Held]) -> Digest {
    entries.iter().fold(Digest::default(), |digest, held| digest.with(&held.link))
}

fn wire(held: &Held) -> Pulled {
    Pulled {
        position: held.position.unwrap_or_default(),
        device: held.device,
        link: held.link,
        received_ms: NOW_MS,
        off_s: None,
        aside: None,
        entry: held.entry.clone(),
    }
}

/// All entries of the story, as the ledger gives them.
#[must_use]
pub fn pulled() -> Vec<Pulled> {
    entries().iter().map(wire).collect()
}

/// What is set aside: the last entry of the story, as if its device had been revoked.
#[must_use]
pub fn asides() -> Vec<AsideItem> {
    let code = pintle_core::fault::code::DEVICE_REVOKED.to_owned();
    let revoked = pulled().into_iter().last().map(|entry| Pulled { aside: Some(code.clone()), ..entry });
    let item = |entry| AsideItem { code: code.clone(), can_count: true, released_by: Vec::new(), entry };
    revoked.into_iter().map(item).collect()
}

/// The second device pushes its two entries and asks for what the first one recorded.
#[must_use]
pub fn sync_request() -> SyncRequest {
    let own = of_device(1);
    let start = LogHead::empty(&key(1).public());
    let log = own.iter().fold(start, |log, held| log.after(&held.entry));
    SyncRequest {
        protocol: PROTOCOL,
        request: RequestId([0x71; 16]),
        organisation: ORGANISATION,
        device: device(1),
        store: STORE,
        epoch: 1,
        baton: Baton([0x62; 16]),
        clock: ClockSample { at: moment(), boot: Some("3f9a01c2".to_owned()), up_s: Some(5_400) },
        log,
        push: Some(Push {
            from: 1,
            previous: start.link,
            entries: own.into_iter().map(|held| held.entry).collect(),
            signature: key(1).seal(&ORGANISATION, 1, &log).signature,
        }),
        carried: None,
        pull: PullAsk { cursor: None, bytes_max: pintle_core::limits::PAGE_BYTES_START, own: true },
        wanted: None,
        digest: Digest::default(),
        checkpoint: None,
        directory: 1,
        people: Vec::new(),
    }
}

/// The server's answer to it.
#[must_use]
pub fn sync_reply() -> SyncReply {
    let request = sync_request();
    let all = entries();
    SyncReply {
        protocol: PROTOCOL,
        request: request.request,
        organisation: ORGANISATION,
        store: STORE,
        epoch: 1,
        now_ms: NOW_MS,
        baton: Baton([0x63; 16]),
        log: request.log,
        push: PushAnswer {
            outcome: PushOutcome::Accepted,
            held: vec![Receipt { from: 1, to: 2, position: 3, received_ms: NOW_MS, off_s: None }],
            aside: Vec::new(),
            seq: None,
            retry_after_s: None,
        },
        carried: None,
        pull: PullAnswer {
            outcome: PullOutcome::Page,
            entries: pulled(),
            seals: vec![key(0).seal(&ORGANISATION, 1, &head_of(0)), key(1).seal(&ORGANISATION, 1, &request.log)],
            cursor: Some(cursor()),
            position: 4,
            more: false,
            digest: digest(&all),
            machines: None,
            code: None,
        },
        directory: Some(directory()),
        checkpoint: None,
        blobs_wanted: Vec::new(),
        client_min: "0.1.0".to_owned(),
    }
}

fn head_of(index: usize) -> LogHead {
    let start = LogHead::empty(&key(index).public());
    of_device(index).iter().fold(start, |log, held| log.after(&held.entry))
}

fn device_card(index: usize) -> DeviceCard {
    let mark = MARKS[index % MARKS.len()].to_owned();
    DeviceCard { id: device(index), mark, key: key(index).public(), person: person(index).id, revoked: false }
}

/// The moment of the story's end.
#[must_use]
pub fn moment() -> Moment {
    match Moment::at(NOW_MS / 1000, 7200) {
        Ok(moment) => moment,
        // NOW_MS lies in 2026, well within what a moment can be.
        Err(fault) => unreachable!("{fault}"),
    }
}

/// The second device asks to be let in.
#[must_use]
pub fn enrol_request() -> EnrolRequest {
    let public = key(1).public();
    EnrolRequest {
        code: CODE.to_owned(),
        key: public,
        mark: MARKS[1].to_owned(),
        person: person(1),
        proof: key(1).sign(&enrol_text(CODE, &public)),
    }
}

/// And is.
#[must_use]
pub fn enrol_reply() -> EnrolReply {
    EnrolReply {
        organisation: OrganisationCard { id: ORGANISATION, name: "Gravel crew".to_owned() },
        device: device(1),
        mark: MARKS[1].to_owned(),
        role: Role::Crew,
        store: STORE,
        epoch: 1,
        baton: Baton([0x62; 16]),
        now_ms: NOW_MS,
        client_min: "0.1.0".to_owned(),
    }
}

/// An assertion, really signed.
#[must_use]
pub fn token_request() -> TokenRequest {
    let header = AssertionHeader { alg: "EdDSA".to_owned(), typ: "JWT".to_owned(), kid: device(1).to_string() };
    let claims = AssertionClaims {
        iss: device(1).to_string(),
        sub: device(1).to_string(),
        aud: STORE.to_string(),
        iat: NOW_MS / 1000,
        exp: NOW_MS / 1000 + 60,
        jti: RequestId([0x6a; 16]).to_string(),
    };
    TokenRequest { assertion: crate::endpoints::token::assertion(&header, &claims, |text| key(1).sign(text)) }
}

/// A token. Not a real one: servers sign with keys of their own.
#[must_use]
pub fn token_reply() -> TokenReply {
    let signature = Signature([0x73; 64]);
    TokenReply {
        access_token: format!("eyJhbGciOiJFZERTQSIsInR5cCI6ImF0K2p3dCJ9.eyJpc3MiOiJwaW50bGUifQ.{signature}"),
        token_type: "Bearer".to_owned(),
        expires_in: crate::endpoints::token::TOKEN_TTL_S,
        now_ms: NOW_MS,
    }
}

fn the_book() -> Book {
    book(MACHINE, &entries())
}

fn directory() -> Directory {
    Directory { version: 2, people: vec![person(0), person(1)], devices: (0..2).map(device_card).collect() }
}

/// The names of those an answer mentions.
fn names(answer: &impl Serialize) -> Names {
    let answer = serde_json::to_value(answer).unwrap_or_default();
    Names::mentioned(&answer, &directory())
}

/// The book of the machine.
#[must_use]
pub fn book_reply() -> BookReply {
    let book = the_book();
    let names = names(&book);
    BookReply { book, names }
}

fn machine_due() -> MachineDue {
    let book = the_book();
    MachineDue {
        machine: MACHINE,
        name: "EX3".to_owned(),
        site: Some("gravel pit".to_owned()),
        tagged_out: TaggedOut::of(&book.findings),
        due: due(&book, NOW_MS / 1000, 7200),
    }
}

/// What is due on all machines.
#[must_use]
pub fn due_reply() -> DueReply {
    let due = vec![machine_due()];
    let names = names(&due);
    DueReply { at: moment(), due, next: Some(cursor()), names }
}

/// What is due on the machine.
#[must_use]
pub fn machine_due_reply() -> MachineDueReply {
    let due = machine_due();
    let names = names(&due);
    MachineDueReply { at: moment(), due, names }
}

/// The second person takes the machine.
#[must_use]
pub fn handover_reply() -> HandoverReply {
    let to = person(1).id;
    let handover = handover(&the_book(), to, NOW_MS / 1000, 7200);
    let names = names(&(to, &handover));
    HandoverReply { at: moment(), to, handover, names }
}

fn machine_name() -> MachineName {
    MachineName { id: MACHINE, name: "EX3".to_owned() }
}

/// Whose hands ran the machine.
#[must_use]
pub fn hands_reply() -> HandsReply {
    let hands = the_book().hands;
    let names = names(&hands);
    HandsReply { machine: machine_name(), hands, names }
}

/// How its plan was kept, counted from done.
#[must_use]
pub fn keeping_reply() -> KeepingReply {
    let (counting, plan) = (Some(Counting::Done), the_book().plan_in_force().name);
    KeepingReply { machine: machine_name(), plan, counting, keeping: keeping_by(&entries(), Counting::Done) }
}

/// What a rule about findings would miss.
#[must_use]
pub fn records_reply() -> RecordsReply {
    let report = rules::report(&the_book(), &entries(), &rules::RULES[0], &BTreeSet::new());
    let names = names(&report);
    RecordsReply { machine: machine_name(), report, advice: NO_ADVICE.to_owned(), names }
}

/// The rules.
#[must_use]
pub fn rules_reply() -> RulesReply {
    RulesReply { rules: rules::RULES.iter().map(RuleCard::from).collect(), advice: NO_ADVICE.to_owned() }
}

fn carded<Q, T>(query: Q, card: Result<Card<T>, Fault>) -> (Q, Card<T>) {
    match card {
        Ok(card) => (query, card),
        // The examples are asked in the form the cards want; a test makes each of them.
        Err(fault) => unreachable!("{fault}"),
    }
}

/// The card of a thread that many fittings have.
#[must_use]
pub fn bench_thread() -> (ThreadQuery, Card<ThreadCard>) {
    let query = ThreadQuery { thread: "M10x1".to_owned(), off_centre: None, sets: Some("metric,inch".to_owned()) };
    let sets = ["metric", "inch"].map(str::to_owned);
    let card = card::thread(&query.thread, Decimal::default(), &sets);
    carded(query, card)
}

/// The card of a grease.
#[must_use]
pub fn bench_grease() -> (GreaseQuery, Card<GreaseCard>) {
    let query = GreaseQuery { grease: "KP2K-20".to_owned() };
    let card = card::grease(&query.grease);
    carded(query, card)
}

/// The card of a gun.
#[must_use]
pub fn bench_gun() -> (GunQuery, Card<GunCard>) {
    let [before, after, need] = [512_000, 497_000, 9_000].map(Decimal::from_milli);
    let query = GunQuery { before, after, strokes: 10, need: Some(need) };
    carded(query, card::gun(before, after, 10, Some(need)))
}

/// The card of a bearing.
#[must_use]
pub fn bench_bearing() -> (BearingQuery, Card<BearingCard>) {
    let [outer, width] = [90_000, 20_000].map(Decimal::from_milli);
    let query = BearingQuery { outer, width, stroke: None };
    carded(query, card::bearing(outer, width, None))
}

/// What a feed tells of the machine, and the entry that comes of it.
#[must_use]
pub fn telematics() -> (String, TelematicsReply) {
    let document = json!({"Fleet": {"Equipment": [{
        "EquipmentHeader": {"SerialNumber": "EX3-0417"},
        "CumulativeOperatingHours": {"Hour": 1205.1, "datetime": "2026-05-04T06:00:00Z"},
    }]}})
    .to_string();
    let meters = vec![("hours".to_owned(), MeterKind::Hours, None)];
    let (name, serial) = (Some("EX3".to_owned()), Some("EX3-0417".to_owned()));
    let candidate = Candidate { machine: MACHINE, name, serial, meters };
    let reports = telematics::read(document.as_bytes()).unwrap_or_default();
    (document, TelematicsReply { machines: telematics::judge(reports, &[candidate], NOW_MS / 1000) })
}

/// The machine at a glance.
#[must_use]
pub fn machine_card() -> MachineCard {
    let book = the_book();
    let attribute = |name: &str| book.attributes.get(name).and_then(|said| said.value.as_str()).map(str::to_owned);
    MachineCard {
        id: MACHINE,
        name: attribute("name"),
        site: attribute("site"),
        counts_as: None,
        tagged_out: book.tagged_out,
        findings: book.findings.len() as u64,
        clashes: (book.clashes.len() + book.twins.len()) as u64,
        digest: digest(&entries()),
        position: 4,
        last: book.last,
    }
}

/// The open findings.
#[must_use]
pub fn findings() -> Vec<FindingItem> {
    let item = |finding| FindingItem { machine: MACHINE, machine_name: Some("EX3".to_owned()), finding };
    the_book().findings.into_iter().map(item).collect()
}

/// The twin of the story: both greased, neither knew.
#[must_use]
pub fn clashes() -> Vec<ClashItem> {
    let name = Some("EX3".to_owned());
    let item = |twin| ClashItem::of_twin(ClashSort::Twin, MACHINE, name.clone(), twin);
    the_book().twins.into_iter().map(item).collect()
}

/// The second device goes on under a new key.
#[must_use]
pub fn follow() -> (FollowRequest, EnrolReply) {
    let (old, new) = (key(1), key(2));
    let text = follow_text(&ORGANISATION, &device(1), &new.public());
    let request = FollowRequest {
        organisation: ORGANISATION,
        device: device(1),
        key: new.public(),
        ends: true,
        old_proof: old.sign(&text),
        proof: new.sign(&text),
    };
    let reply = EnrolReply { device: device(2), mark: "M22".to_owned(), ..enrol_reply() };
    (request, reply)
}

/// How a device of the story stands.
#[must_use]
pub fn device_report(index: usize) -> DeviceReport {
    let person = person(index);
    DeviceReport {
        id: device(index),
        mark: MARKS[index % MARKS.len()].to_owned(),
        person: person.id,
        person_name: Some(person.name),
        role: if index == 0 { Role::Owner } else { Role::Crew },
        revoked: false,
        entries: of_device(index).len() as u64,
        enrolled_ms: NOW_MS - 86_400_000,
        last_ms: Some(NOW_MS),
    }
}

/// How all of them stand.
#[must_use]
pub fn device_reports() -> Vec<DeviceReport> {
    vec![device_report(0), device_report(1)]
}

/// A code, as it is told once.
#[must_use]
pub fn code() -> String {
    CODE.to_owned()
}

/// How that code stands.
#[must_use]
pub fn code_report() -> CodeReport {
    CodeReport { id: CodeId([0x43; 16]), role: Role::Crew, made_ms: NOW_MS, until_ms: NOW_MS + 72 * 3_600_000 }
}

/// What a share link holds.
#[must_use]
pub fn capability() -> Capability {
    Capability([0x2a; 32])
}

/// How that link stands.
#[must_use]
pub fn share_report() -> ShareReport {
    ShareReport {
        id: ShareId([0x53; 16]),
        machine: MACHINE,
        shows: [Shown::Names].into(),
        made_by: PEOPLE[0].0,
        made_ms: NOW_MS,
        until_ms: NOW_MS + 30 * 86_400_000,
        ended_ms: None,
        opened_count: 0,
        opened_ms: None,
    }
}

/// What that link shows.
#[must_use]
pub fn shared() -> SharedReply {
    let shown: Vec<Held> = entries()
        .into_iter()
        .map(|held| Held { entry: held.entry.withhold("office").withhold("words"), ..held })
        .collect();
    SharedReply {
        organisation: enrol_reply().organisation.name,
        book: book(MACHINE, &shown),
        names: book_reply().names,
        withheld: vec!["office".to_owned(), "words".to_owned()],
        until_ms: share_report().until_ms,
    }
}

/// The checkpoint of the story's ledger, as its server would sign it.
#[must_use]
pub fn checkpoint() -> CheckpointReply {
    let key = CheckpointKey::new(&[0x77; 32], ORGANISATION, 1);
    let roll = RollLeaf { machines: 1, made_ms: NOW_MS, position: 4, root: Hash([0x70; 32]) };
    let root = leaf_hash(&roll_leaf_data(&roll));
    let signer = Signer { name: key.origin(), kind: Kind::Log, key: key.public() };
    CheckpointReply { note: key.sign(5, root), size: 5, root, epoch: 1, key: key.public(), vkey: signer.vkey(), roll }
}
