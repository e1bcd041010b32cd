//! Every parser of outside bytes, and the laws that hold for whatever it is fed.
//!
//! Promises: no input makes one of these functions panic unless a law is broken. What is read has one spelling that reads
//! back to the same; what is refused is refused with a stable code and a place. Driven by the fuzz targets (nightly,
//! by hand) and by `tests/it/fuzz_regressions.rs` (stable, always).

use pintle::ambient::Wall;
use pintle::thumbnail::drawn;
use pintle::{asked, plan_file, transport};
use pintle_core::admit::{self, Admission, Author, Checked, Known};
use pintle_core::canonical;
use pintle_core::carry::{Bundle, codes};
use pintle_core::chain::{DeviceKey, LogHead};
use pintle_core::decimal::Decimal;
use pintle_core::device::{Effect, Input, Outgoing, Session, Standing, check_page};
use pintle_core::entry::{Entry, PARTS};
use pintle_core::exchange::{ClockSample, Digest, Push, PushOutcome, SyncReply, SyncRequest};
use pintle_core::fact::{Fact, check_free_text, check_name};
use pintle_core::history::verdict::Standing as Verdict;
use pintle_core::history::verify::Verifier;
use pintle_core::ids::{Baton, DeviceId, Hash, OrganisationId, RequestId, StoreId};
use pintle_core::limits::THUMBNAIL_BYTES_MAX;
use pintle_core::moment::Moment;
use pintle_core::permission::Role;
use pintle_core::photo::{Media, Position, cleaned, look};
use pintle_core::proof::checkpoint::Checkpoint;
use pintle_core::proof::note::{Note, Signer};
use pintle_core::proof::witness::{Named, cosigned, read_policy, size_signed};
use pintle_core::stamp::{Authority, judge};
use pintle_core::telematics;
use pintle_core::{Fault, Head};

/// A parser, fed with bytes; panics if a law is broken.
pub type Parser = fn(&[u8]);

/// All of them, by the name of the fuzz target and of the folder of its corpus.
pub const PARSERS: &[(&str, Parser)] = &[
    ("admit", admissions),
    ("canonical", canonical_bytes),
    ("carry", carry_file),
    ("decimal", decimal),
    ("entry", entry),
    ("history", history),
    ("id", id),
    ("moment", moment),
    ("note", note),
    ("photo", photo),
    ("plan", plan),
    ("policy", policy),
    ("stamp", stamp),
    ("sync_reply", sync_reply),
    ("sync_request", sync_request),
    ("telematics", telematics),
    ("text", text),
    ("thumbnail", thumbnail),
    ("typed", typed),
];

/// Feeds one of them.
pub fn run(name: &str, bytes: &[u8]) {
    let (_, parser) = PARSERS.iter().find(|(known, _)| *known == name).expect("a parser of the list");
    parser(bytes);
}

/// A refusal has a code, and a pointer that starts at the root.
fn well_formed(fault: &Fault) {
    assert!(!fault.code.is_empty() && fault.code.bytes().all(|c| c.is_ascii_lowercase() || c == b'-'), "{fault}");
    assert!(fault.pointer.is_empty() || fault.pointer.starts_with('/'), "{fault}");
    assert!(!fault.detail.is_empty(), "{fault}");
}

fn canonical_bytes(bytes: &[u8]) {
    let value = match canonical::read(bytes) {
        Ok(value) => value,
        Err(fault) => return well_formed(&fault),
    };
    assert_eq!(canonical::check(&value), Ok(()));
    let once = canonical::bytes(&value);
    let again = canonical::read(&once).expect("canonical bytes are read");
    assert_eq!(again, value);
    assert_eq!(canonical::bytes(&again), once);
    assert!(!once.contains(&b'\n') && !once.contains(&0), "a line end or U+0000 was not escaped");
}

fn entry(bytes: &[u8]) {
    let entry = match Entry::from_bytes(bytes) {
        Ok(entry) => entry,
        Err(fault) => return well_formed(&fault),
    };
    let stored = entry.canonical();
    assert_eq!(Entry::from_bytes(&stored).as_ref(), Ok(&entry));
    assert_eq!(Entry::from_trusted_bytes(&stored).as_ref(), Ok(&entry));
    let before = LogHead { seq: 0, link: Hash::ZERO };
    for part in PARTS {
        let hidden = entry.clone().withhold(part);
        assert_eq!(before.after(&hidden), before.after(&entry), "withholding {part} changed the link");
    }
    match entry.head() {
        Ok(head) => fact(head, &entry),
        Err(fault) => well_formed(fault),
    }
}

/// A fact that is read is written and read back as the same.
fn fact(head: &Head, entry: &Entry) {
    let fact = match Fact::read(head, entry) {
        Ok(fact) => fact,
        Err(fault) => return well_formed(&fault),
    };
    if let Some((kind, body)) = fact.write() {
        assert_eq!(kind, head.kind);
        let rewritten = Entry::new(head, body, None, None).expect("a written fact makes an entry");
        assert_eq!(Fact::read(head, &rewritten), Ok(fact));
    }
}

fn as_text(bytes: &[u8]) -> Option<&str> {
    std::str::from_utf8(bytes).ok()
}

fn moment(bytes: &[u8]) {
    let Some(text) = as_text(bytes) else { return };
    match text.parse::<Moment>() {
        Ok(moment) => {
            assert_eq!(moment.text(), text);
            assert!(moment.second() >= 0 && moment.offset_s().abs() <= 14 * 3600);
            let same = Moment::at(moment.second(), moment.offset_s()).expect("its own instant");
            assert_eq!((same.second(), same.offset_s()), (moment.second(), moment.offset_s()));
        }
        Err(fault) => well_formed(&fault),
    }
}

fn decimal(bytes: &[u8]) {
    let Some(text) = as_text(bytes) else { return };
    match text.parse::<Decimal>() {
        Ok(decimal) => {
            assert!((0..=pintle_core::decimal::DECIMAL_MAX_MILLI).contains(&decimal.milli));
            assert_eq!(decimal.to_string().parse(), Ok(decimal));
        }
        Err(fault) => well_formed(&fault),
    }
}

fn id(bytes: &[u8]) {
    let Some(text) = as_text(bytes) else { return };
    if let Ok(id) = text.parse::<DeviceId>() {
        assert_eq!(id.to_string(), text, "two spellings of one id");
    }
    if let Ok(hash) = text.parse::<Hash>() {
        assert_eq!(hash.to_string(), text, "two spellings of one hash");
    }
}

fn text(bytes: &[u8]) {
    let Some(text) = as_text(bytes) else { return };
    for result in [check_name(text), check_free_text(text)] {
        if let Err(fault) = result {
            well_formed(&fault);
        }
    }
}

/// A plan in a file is read, or refused with the line and the column; what is read keeps the rules of the domain, is
/// written and reads back as the same, from the file as from the body of an entry.
fn plan(bytes: &[u8]) {
    let Some(text) = as_text(bytes) else { return };
    let plan = match plan_file::read(text, "a.toml") {
        Ok(plan) => plan,
        Err(problem) => {
            assert_eq!(problem.code.as_str(), "unclear-plan");
            assert!(problem.sentence.starts_with("a.toml, line "), "{}", problem.sentence);
            return;
        }
    };
    assert_eq!(pintle_core::plan::check(&plan), Ok(()));
    let body = serde_json::to_value(&plan).expect("a plan is JSON");
    assert_eq!(pintle_core::plan::read(body.as_object().expect("an object")).as_ref(), Ok(&plan));
    let written = plan_file::write(&plan);
    let again = plan_file::read(&written, "a.toml").map_err(|problem| problem.sentence);
    assert_eq!(again.as_ref(), Ok(&plan), "{written}");
}

/// What is read from a document is within what an entry may hold, and its faults stand within the machine they are of.
fn telematics(bytes: &[u8]) {
    let reports = match telematics::read(bytes) {
        Ok(reports) => reports,
        Err(fault) => return well_formed(&fault),
    };
    for report in reports {
        assert!(report.faults.iter().all(|fault| fault.pointer.starts_with(&report.place)), "{:?}", report.faults);
        report.faults.iter().for_each(well_formed);
        for amount in [&report.hours, &report.idle_hours, &report.km, &report.fuel_litres].into_iter().flatten() {
            assert_eq!(amount.value.to_string().parse(), Ok(amount.value));
        }
    }
}

/// The device of the samples: its key is public, it guards nothing.
fn sample_key() -> DeviceKey {
    DeviceKey::from_secret(&[7; 32])
}

fn sync_request(bytes: &[u8]) {
    let Ok(value) = canonical::read(bytes) else { return };
    let Ok(request) = serde_json::from_value::<SyncRequest>(value) else { return };
    let again = serde_json::to_value(&request).expect("a request is JSON");
    assert_eq!(serde_json::from_value::<SyncRequest>(again).expect("reads back"), request);
    let Some(push) = request.push else { return };
    match admit::check(push, &sample_key().public(), &request.organisation) {
        Ok(checked) => {
            let known = admit::Known {
                author: admit::Author::Person(pintle_core::permission::Role::Owner),
                head: LogHead::empty(&sample_key().public()),
                revoked: false,
                stored: std::collections::BTreeMap::new(),
                machine_counts: std::collections::BTreeMap::new(),
            };
            let admission = admit::admit(&checked, &known, &request.clock, 1_777_870_200_000);
            match checked.from {
                1 => assert!(matches!(admission, admit::Admission::Write { .. }), "the first push was {admission:?}"),
                _ => assert_eq!(admission, admit::Admission::Gap { expected: 1 }),
            }
        }
        Err(admit::Refused::Malformed(fault)) => well_formed(&fault),
        Err(admit::Refused::BadSeal) => {}
    }
}

/// What the device of the samples has stored; the replies of the corpus answer it.
fn standing() -> Standing {
    let key = sample_key().public();
    Standing {
        organisation: OrganisationId([1; 16]),
        device: DeviceId::of_key(&key),
        store: StoreId([2; 16]),
        epoch: 1,
        baton: Baton([3; 16]),
        cursor: None,
        position: 0,
        digest: Digest::default(),
        log: LogHead::empty(&key),
        first_unplaced: None,
        recover: None,
        copied: false,
        directory: 0,
        bytes_max: 65_536,
        carried: std::collections::BTreeMap::new(),
        checkpoint: None,
    }
}

fn sync_reply(bytes: &[u8]) {
    let Ok(value) = canonical::read(bytes) else { return };
    let Ok(reply) = serde_json::from_value::<SyncReply>(value) else { return };
    let again = serde_json::to_value(&reply).expect("a reply is JSON");
    assert_eq!(serde_json::from_value::<SyncReply>(again).expect("reads back"), reply);
    if let Err(fault) = check_page(&reply.pull.entries, |_, _| None) {
        well_formed(&fault);
    }
    let at = "2026-05-04T07:12:33+02:00".parse().expect("a moment");
    let outgoing = Outgoing {
        request: RequestId([4; 16]),
        clock: ClockSample { at, boot: None, up_s: None },
        push: None,
        carried: None,
        people: Vec::new(),
        wanted: None,
    };
    let mut session = Session::default();
    session.step(Input::Begin(standing()));
    session.step(Input::Loaded(Box::new(outgoing)));
    let effects = session.step(Input::Replied(Box::new(reply)));
    assert!(!effects.is_empty(), "the session waits for nothing");
    if matches!(effects.last(), Some(Effect::Apply(_))) {
        assert!(!session.step(Input::Applied(standing())).is_empty(), "the session waits for nothing");
    }
}

/// When the pushes of [`admissions`] come in.
const RECEIVED_MS: i64 = 1_777_870_200_000;
/// Entries that one input makes at most.
const ADMITTED_MAX: usize = 12;

/// The ledger as one device's pushes see it.
struct Ledger {
    known: Known,
    position: u64,
}

impl Ledger {
    fn new(role: Role) -> Self {
        let head = LogHead::empty(&sample_key().public());
        let (stored, machine_counts) = Default::default();
        Self {
            known: Known { head, author: Author::Person(role), revoked: false, stored, machine_counts },
            position: 0,
        }
    }

    /// Takes a push as a store does, and answers it.
    fn take(&mut self, checked: &Checked) -> Admission {
        let at = "2026-05-04T07:12:33+02:00".parse().expect("a moment");
        let clock = ClockSample { at, boot: Some("5f0e12aa".into()), up_s: Some(118_278) };
        let admission = admit::admit(checked, &self.known, &clock, RECEIVED_MS);
        if let Admission::Write { fresh, head, machine_counts } = &admission {
            for new in fresh {
                self.position += 1;
                self.known.stored.insert(new.entry.seq(), new.stored(self.position, RECEIVED_MS));
            }
            (self.known.head, self.known.machine_counts) = (*head, machine_counts.clone());
        }
        let answer = admit::answer(&admission, checked, false, &self.known.stored);
        let told: u64 = answer.held.iter().map(|run| run.to + 1 - run.from).sum();
        match answer.outcome {
            PushOutcome::Accepted | PushOutcome::AlreadyHeld => assert_eq!(told, checked.entries.len() as u64),
            // Of a fork what the ledger holds is told all the same.
            PushOutcome::Fork => assert!(told < checked.entries.len() as u64, "all of a fork is held"),
            _ => assert_eq!((told, answer.aside.len()), (0, 0)),
        }
        admission
    }
}

/// Entries from lines of JSON, numbered through: what is no entry is left out.
fn numbered(lines: &[u8]) -> Vec<Entry> {
    let values = lines.split(|byte| *byte == b'\n').filter_map(|line| canonical::read(line).ok());
    let mut entries = Vec::new();
    for mut value in values.take(ADMITTED_MAX) {
        let Some(head) = value.get_mut("head").and_then(|head| head.as_object_mut()) else { continue };
        head.insert("seq".into(), (entries.len() + 1).into());
        entries.extend(Entry::from_value(value));
    }
    entries
}

/// The entries from one number to another, sealed by their device and looked at by the server.
fn pushed(entries: &[Entry], from: usize, to: usize) -> Checked {
    let mut head = LogHead::empty(&sample_key().public());
    entries[..from - 1].iter().for_each(|entry| head = head.after(entry));
    let previous = head.link;
    entries[from - 1..to].iter().for_each(|entry| head = head.after(entry));
    let organisation = OrganisationId([1; 16]);
    let signature = sample_key().seal(&organisation, from as u64, &head).signature;
    let push = Push { from: from as u64, previous, entries: entries[from - 1..to].to_vec(), signature };
    admit::check(push, &sample_key().public(), &organisation).expect("a device's own push is looked at")
}

/// Pushes of whatever entries: in one piece or in two that overlap they end the same; again they are held; with a hole
/// they are a gap; changed they are a fork, told at the first number that differs.
fn admissions(bytes: &[u8]) {
    let [role, split, back, lines @ ..] = bytes else { return };
    let role = [Role::Crew, Role::Mechanic, Role::Office, Role::Owner][usize::from(*role) % 4];
    let entries = numbered(lines);
    let count = entries.len();
    if count == 0 {
        return;
    }
    let split = usize::from(*split) % count + 1;
    let from = split + 1 - usize::from(*back) % (split + 1);
    let mut whole = Ledger::new(role);
    assert!(matches!(whole.take(&pushed(&entries, 1, count)), Admission::Write { .. }));
    assert_eq!(whole.position, count as u64);
    let mut pieces = Ledger::new(role);
    if split > 1 {
        assert_eq!(pieces.take(&pushed(&entries, split, count)), Admission::Gap { expected: 1 });
    }
    pieces.take(&pushed(&entries, 1, split));
    if from <= count {
        pieces.take(&pushed(&entries, from.max(1), count));
    }
    if split < count || from <= count {
        assert_eq!(pieces.known, whole.known, "in pieces {split} and from {from}");
    }
    for from in [1, count] {
        assert_eq!(whole.take(&pushed(&entries, from, count)), Admission::Held);
    }
    let mut other = entries.clone();
    let mut value = serde_json::Value::Object(other[split - 1].as_map().clone());
    value["body"] = serde_json::json!({"another": split});
    other[split - 1] = Entry::from_value(value).expect("an entry");
    if other[split - 1].part_hash("body") != entries[split - 1].part_hash("body") {
        assert_eq!(whole.take(&pushed(&other, 1, count)), Admission::Fork { seq: split as u64 });
    }
}

/// What is typed on a command line is understood, or refused with the reason; never a panic.
fn typed(bytes: &[u8]) {
    let Some(text) = as_text(bytes) else { return };
    let wall = Wall { second: 1_777_871_553, zone: jiff::tz::TimeZone::fixed(jiff::tz::offset(2)) };
    let refused = [
        asked::reading(text, "EX3", None).err(),
        asked::decimal("litres", text).err(),
        asked::minutes(text).err(),
        asked::urgency(text).err(),
        asked::meter_change(text).err(),
        asked::material(text).err(),
        asked::at_point(text).err(),
        asked::moment(text, &wall).err(),
        transport::address(text).err(),
    ];
    for problem in refused.into_iter().flatten() {
        assert!(!problem.sentence.is_empty() && !problem.code.as_str().is_empty());
    }
    let words: Vec<&str> = text.split_whitespace().collect();
    if let Some((_, used)) = asked::sign(&words) {
        assert!((1..=words.len()).contains(&used));
    }
    let _understood = (asked::is_reading(text), asked::skipped(text), asked::quoted(text));
}

/// A carry file has one spelling; a series of codes gives bytes or a refusal.
fn carry_file(bytes: &[u8]) {
    match Bundle::read(bytes) {
        Ok(bundle) => {
            let written = bundle.write().expect("what was read can be written");
            assert_eq!(Bundle::read(&written).as_ref(), Ok(&bundle));
        }
        Err(fault) => well_formed(&fault),
    }
    if let Some(Err(fault)) = as_text(bytes).map(codes::read) {
        well_formed(&fault);
    }
}

/// A signed note has one spelling, and so has a verifier's key.
fn note(bytes: &[u8]) {
    let Some(text) = as_text(bytes) else { return };
    if let Some(note) = Note::read(text) {
        assert_eq!(note.write(), text);
        if let Some(checkpoint) = Checkpoint::read(&note.text) {
            assert_eq!(Checkpoint::read(&checkpoint.text()), Some(checkpoint));
        }
    }
    if let Some(signer) = Signer::from_vkey(text) {
        assert_eq!(signer.vkey(), text);
    }
}

/// What is left of a photo is a photo that nothing more is taken from, and is what was said of it.
fn photo(bytes: &[u8]) {
    if let Err(fault) = look(bytes) {
        well_formed(&fault);
    }
    match cleaned(bytes, Position::Removed) {
        Ok((clean, said)) => {
            assert_eq!(look(&clean), Ok(said));
            assert_eq!(cleaned(&clean, Position::Removed), Ok((clean.clone(), said)));
        }
        Err(fault) => well_formed(&fault),
    }
}

/// A thumbnail is a photo itself, and nothing else.
fn thumbnail(bytes: &[u8]) {
    let Some(small) = Media::begun(bytes).and_then(|media| drawn(bytes, media)) else { return };
    assert!(small.len() as u64 <= THUMBNAIL_BYTES_MAX);
    assert_eq!(look(&small).map(|look| look.media), Ok(Media::Jpeg));
    assert_eq!(cleaned(&small, Position::Removed).map(|(clean, _)| clean), Ok(small), "there is something beside it");
}

/// Nothing is valid to a reader who was given no key, whatever the file says.
fn history(bytes: &[u8]) {
    const ROOT: &[u8] = include_bytes!("../../core/tests/vectors/stamps/history/root.pem");
    let authorities = Authority::read_pem(ROOT).expect("a certificate");
    let mut verifier = Verifier::new(None).believing(authorities);
    bytes.split(|byte| *byte == b'\n').for_each(|line| verifier.line(line));
    let verdict = verifier.finish();
    assert_ne!(verdict.standing, Verdict::Valid);
    assert!(verdict.failures.len() <= 100 && (verdict.failures_more == 0 || verdict.failures.len() == 100));
}

/// Whoever is named as a witness has a key.
fn policy(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    match read_policy(text) {
        Ok(witnesses) => {
            for Named { signer, .. } in &witnesses {
                assert_eq!(Signer::from_vkey(&signer.vkey()).as_ref(), Some(signer));
                assert_eq!(cosigned("nothing", text, signer), None, "a list of keys signs nothing");
            }
        }
        Err(fault) => assert!(fault.line >= 1 && !fault.told.is_empty()),
    }
    if let Some(size) = size_signed(text) {
        assert_eq!(text.trim_end_matches('\n'), size.to_string());
    }
}

/// What a time stamp must be of, for the samples in the corpus.
const STAMPED: &[u8] = b"pintle/CQkJCQkJCQkJCQkJCQkJCQ/1\n10\npP4Cmb9lJiy2D7sWDyY7p1ql0MN3kmpME6IA6Yn18Wo=\n";

/// A token that counts says a moment, and the latest that it allows is no earlier.
fn stamp(bytes: &[u8]) {
    const ROOT: &[u8] = include_bytes!("../../core/tests/vectors/stamps/history/root.pem");
    let authorities = Authority::read_pem(ROOT).expect("a certificate");
    if let Ok(stamp) = judge(bytes, &Hash::of(&[STAMPED]), None, &authorities) {
        assert!(stamp.by_s >= stamp.at_s, "{stamp:?}");
    }
    // Whatever is no certificate is refused.
    drop(Authority::read_pem(bytes));
}
