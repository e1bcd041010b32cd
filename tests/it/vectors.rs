//! The golden vectors of docs/PROTOCOL.md: `tests/vectors/protocol.json`, made by core and read by any language.
//!
//! Promises: what core computes is what the file says, to the byte, so that no change can alter a hash, a text that is
//! signed or a refusal without being seen. `PINTLE_UPDATE_VECTORS=1` writes the file anew; a change of a line that has been
//! released is a break of the protocol. `tests/outside/check_vectors.py` checks the same file without our code.

use pintle_core::chain::{self, DeviceKey, LogHead};
use pintle_core::clash;
use pintle_core::entry::{Entry, EntryRef, PARTS};
use pintle_core::exchange::Digest;
use pintle_core::ids::{DeviceId, OrganisationId};
use pintle_core::{Hash, canonical};
use serde_json::{Map, Value, json};

/// Secret seeds of the two devices of the vectors, and their organisation: for these files only.
const SEEDS: [[u8; 32]; 2] = [[0x11; 32], [0xa5; 32]];
const ORGANISATION: OrganisationId = OrganisationId([0xd0; 16]);

/// Texts as a program might send them, with the canonical bytes they have.
const CANONICAL: &[(&str, &str)] = &[
    ("empty object", "{ }"),
    (
        "keys are sorted by UTF-16 code units",
        r#"{"\ufb33":1,"\ud83d\ude00":2,"\u20ac":3,"\u00f6":4,"\u0080":5,"1":6,"\r":7,"":8}"#,
    ),
    ("nested keys are sorted, arrays are not", r#"{"b":[3,{"z":1,"a":[]},1],"a":{"b":null,"a":true}}"#),
    ("largest and smallest whole number", "[9007199254740991, -9007199254740991, 0, 10, -1]"),
    ("shortest escapes", r#""\u0008\u0009\u000a\u000c\u000d\u0001\u001f\u007f\"\\\/\u00e9\u2028\ud834\udd1e""#),
    ("not normalised", r#"["\u00e9","e\u0301"]"#),
    ("decimals are texts", r#"{"reading":"4127.50","litres":"120"}"#),
    ("no object", "\t[ ]\n"),
];

/// Texts that have no canonical bytes.
const REFUSED: &[(&str, &str)] = &[
    ("a fraction", r#"{"a":[1,{"b":1.0}]}"#),
    ("an exponent", r#"{"a":1e3}"#),
    ("minus zero", r#"[-0]"#),
    ("beyond 2^53-1", r#"{"a":9007199254740992}"#),
    ("below -(2^53-1)", r#"{"a":-9007199254740992}"#),
    ("beyond 64 bits", r#"{"a":99999999999999999999}"#),
    ("the same key twice", r#"{"a":{"b":1,"b":1}}"#),
    ("the same key twice, spelled apart", r#"{"b":1,"\u0062":1}"#),
    ("U+0000 in a text", r#"{"x/y~z":"a\u0000"}"#),
    ("U+0000 in a key", r#"{"a\u0000":1}"#),
    ("half a surrogate pair", r#"["\ud800"]"#),
    ("text after the end", "{} {}"),
    ("not a number", "NaN"),
    ("a byte order mark", "\u{feff}{}"),
    ("nothing", ""),
    ("a comma too many", "[1,]"),
];

/// Entries of the first device, as a program might write them: spaces and order do not matter.
const LOG: &[&str] = &[
    r#"{"head":{"v":1,"seq":1,"machine":"AwMDAwMDAwMDAwMDAwMDAw","mseq":1,"seen":0,"at":"2026-05-04T06:55:00+02:00","by":"AQEBAQEBAQEBAQEBAQEBAQ","kind":"machine_added"},"body":{"name":"EX3","meter_kind":"hours"}}"#,
    r#"{ "body": {"task":"grease", "reading":"4127.5", "purge":"clean", "skipped":[{"point":"boom foot","reason":"not reached"}]},
  "head": {"kind":"task_done", "at":"2026-05-04T07:12:33+02:00", "by":"AQEBAQEBAQEBAQEBAQEBAQ", "seq":2, "v":1, "seen":0, "mseq":2,
           "machine":"AwMDAwMDAwMDAwMDAwMDAw", "clock":{"boot":"5f0e12aa","began_s":1777793122}},
  "words": {"salt":"kq0T1kS1m0oN6y2q3r4s5Q", "text":"left pin took a lot — Größe 2"} }"#,
    r#"{"head":{"v":1,"seq":3,"seen":7,"also_seen":{"AgICAgICAgICAgICAgICAg":4},"at":"1970-01-01T00:00:00Z","by":"AQEBAQEBAQEBAQEBAQEBAQ","kind":"note_left","later":[1,{"b":null}]},"body":{"handover":true},"words":{"salt":"AAAAAAAAAAAAAAAAAAAAAA","text":"the gate key hangs in the shed"},"office":{"salt":"EBESExQVFhcYGRobHB0eHw","job":"J-7"}}"#,
];

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn canonical_vectors() -> Value {
    let read = |text: &str| canonical::read(text.as_bytes()).expect("a vector that can be read");
    let as_text = |text: &str| String::from_utf8(canonical::bytes(&read(text))).expect("UTF-8");
    CANONICAL.iter().map(|(name, text)| json!({"name": name, "json": text, "canonical": as_text(text)})).collect()
}

fn refused_vectors() -> Value {
    let refused = REFUSED.iter().map(|(name, text)| {
        let fault = canonical::read(text.as_bytes()).expect_err(name);
        json!({"name": name, "json": text, "code": fault.code, "pointer": fault.pointer})
    });
    refused.collect()
}

fn device_vector(seed: &[u8; 32]) -> Value {
    let key = DeviceKey::from_secret(seed).public();
    json!({"secret_hex": hex(seed), "public_key": key, "device": DeviceId::of_key(&key), "link_0": LogHead::empty(&key).link})
}

fn parts_of(entry: &Entry) -> Value {
    Value::Object(PARTS.iter().map(|part| ((*part).to_owned(), json!(entry.part_hash(part)))).collect::<Map<_, _>>())
}

fn log_vectors(key: &DeviceKey) -> (Value, Vec<LogHead>) {
    let mut heads = vec![LogHead::empty(&key.public())];
    let mut entries = Vec::new();
    for text in LOG {
        let entry = Entry::from_bytes(text.as_bytes()).expect("an entry");
        let head = heads.last().expect("a head").after(&entry);
        let hidden = entry.clone().withhold("words").withhold("office");
        assert_eq!(heads.last().expect("a head").after(&hidden), head, "withholding a part changed a link");
        entries.push(json!({
            "json": text,
            "canonical": String::from_utf8(entry.canonical()).expect("UTF-8"),
            "parts": parts_of(&entry),
            "withheld": hidden.as_map().get("withheld"),
            "link": head.link,
        }));
        heads.push(head);
    }
    (Value::Array(entries), heads)
}

fn seal_vectors(key: &DeviceKey, heads: &[LogHead]) -> Value {
    let seals = [(1, 1), (2, 3), (1, 3)].map(|(from, to): (u64, usize)| {
        let seal = key.seal(&ORGANISATION, from, &heads[to]);
        assert!(chain::verify_seal(&key.public(), &ORGANISATION, &seal));
        let text = chain::seal_text(&ORGANISATION, &seal.device, from, seal.to, &seal.link);
        json!({"organisation": ORGANISATION, "from": from, "to": to, "text_hex": hex(&text), "signature": seal.signature})
    });
    json!(seals)
}

fn signed(key: &DeviceKey, text: &[u8], extra: Value) -> Value {
    let signature = key.sign(text);
    assert!(chain::verify(&key.public(), text, &signature));
    let mut vector = extra;
    vector["text_hex"] = hex(text).into();
    vector["signature"] = json!(signature);
    vector
}

fn digest_vectors(heads: &[LogHead]) -> Value {
    let links: Vec<Hash> =
        heads[1..].iter().map(|head| head.link).chain([Hash([0xff; 32]), Hash([0x80; 32])]).collect();
    let digests = [0, 1, 3, links.len()].map(|count| {
        let held = &links[..count];
        let digest = held.iter().fold(Digest::default(), |digest, link| digest.with(link));
        json!({"links": held, "digest": digest})
    });
    json!(digests)
}

fn clash_vectors() -> Value {
    let entry = |byte: u8, seq: u64| EntryRef { device: DeviceId([byte; 16]), seq };
    let clashes = [
        ("field:AgICAgICAgICAgICAgICAg:4:/body/reading", vec![entry(0xfb, 2), entry(0x05, 10)]),
        ("task:grease", vec![entry(0x05, 11), entry(0x05, 9), entry(0x04, 1)]),
    ];
    let vectors = clashes.map(|(matter, over)| {
        let id = clash::id(matter, &over);
        json!({"matter": matter, "over": over, "id": id, "short": id.short()})
    });
    json!(vectors)
}

fn vectors() -> Value {
    let keys = SEEDS.map(|seed| DeviceKey::from_secret(&seed));
    let (entries, heads) = log_vectors(&keys[0]);
    let body = r#"{"protocol":1,"request":"AAECAwQFBgcICQoLDA0ODw"}"#;
    let enrolments = keys.each_ref().map(|key| {
        let code = "7KQF-2M9R-XW4T";
        signed(key, &chain::enrol_text(code, &key.public()), json!({"code": code, "public_key": key.public()}))
    });
    json!({
        "about": "Golden vectors of the protocol. Binary values are base64url without padding, or hex where the name says so; every `json` is a text to be read. See docs/PROTOCOL.md.",
        "canonical": canonical_vectors(),
        "refused": refused_vectors(),
        "devices": SEEDS.each_ref().map(device_vector),
        "log": {"public_key": keys[0].public(), "entries": entries, "seals": seal_vectors(&keys[0], &heads)},
        "sync": keys.each_ref().map(|key| signed(key, &chain::sync_text(body.as_bytes()), json!({"body": body, "public_key": key.public()}))),
        "enrol": enrolments,
        "digests": digest_vectors(&heads),
        "clashes": clash_vectors(),
    })
}

#[test]
fn core_computes_what_the_golden_vectors_say() {
    let path = crate::tidy::root().join("tests/vectors/protocol.json");
    let computed = serde_json::to_string_pretty(&vectors()).expect("JSON") + "\n";
    if std::env::var_os("PINTLE_UPDATE_VECTORS").is_some() {
        std::fs::write(&path, &computed).expect("the vectors can be written");
    }
    let golden = std::fs::read_to_string(&path).expect("tests/vectors/protocol.json");
    let differs = golden.lines().zip(computed.lines()).position(|(golden, computed)| golden != computed);
    assert_eq!(differs.map(|index| index + 1), None, "first line that differs");
    assert_eq!(golden, computed);
}
