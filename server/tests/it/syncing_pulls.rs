//! Pulling: cursors, pages, what is wanted, what is withheld, names.
//!
//! Promises: what is delivered is compared with what was recorded, digest included.
//! Never opens a cursor except to damage it.

use crate::on_every_store;
use crate::phone::Phone;
use crate::world::{World, recorded};
use pintle_core::Entry;
use pintle_core::entry::Part;
use pintle_core::exchange::{Digest, Directory, Person, PullOutcome, Pulled, Wanted};
use pintle_core::ids::{MachineId, PersonId};
use pintle_store::Role;
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};

const EX3: MachineId = MachineId([3; 16]);
const TR9: MachineId = MachineId([9; 16]);

/// Flips one character somewhere in the middle of a text.
fn edited(text: &str, at: usize) -> String {
    let mut bytes = text.as_bytes().to_vec();
    bytes[at] = if bytes[at] == b'A' { b'B' } else { b'A' };
    String::from_utf8(bytes).expect("ASCII")
}

async fn a_cursor_that_is_not_of_this_ledger_is_refused_with_its_code(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    let mut m2 = world.phone("M2", Role::Crew).await;
    m2.record(EX3, 0, "meter_read", json!({"reading": "1"}));
    m2.sync(&world, 1).await;
    k7.sync(&world, 1).await;
    let good = k7.cursor.clone().expect("a cursor");
    // Bytes: form 0, store 1 to 16, epoch 17 to 24, position 25 to 32, then link, wanted, mac; four characters are three bytes.
    let cases = [
        (edited(&good, 4), "other-ledger"),
        (edited(&good, 26), "other-epoch"),
        (edited(&good, 43), "not-authentic"),
        (edited(&good, 70), "not-authentic"),
        (good[..good.len() - 4].to_owned(), "not-authentic"),
        (String::new(), "not-authentic"),
        ("é".to_owned(), "not-authentic"),
        (m2.cursor.clone().expect("a cursor").replace(&good[..4], "AAAA"), "not-authentic"),
    ];
    for (cursor, code) in cases {
        k7.cursor = Some(cursor.clone());
        let reply = k7.send(&world, &k7.request(&world, None)).await;
        k7.baton = reply.baton;
        assert_eq!((reply.pull.outcome, reply.pull.code.as_deref()), (PullOutcome::Refused, Some(code)), "{cursor}");
        assert!(reply.pull.entries.is_empty() && reply.pull.cursor.is_none());
    }
    let mut request = k7.request(&world, None);
    request.pull.cursor = Some(good.clone());
    request.wanted = Some(Wanted::only([TR9]));
    let reply = k7.send(&world, &request).await;
    assert_eq!(reply.pull.code.as_deref(), Some("wanted-changed"));

    let others = world.other_organisation().await;
    let code = world.code_of(&others, Role::Crew).await;
    let mut a1 = crate::phone::Phone::new(&world, "A1");
    a1.enrol(&world, &code).await;
    a1.cursor = Some(good);
    let reply = a1.sync(&world, 1).await;
    assert_eq!(reply.pull.code.as_deref(), Some("not-authentic"), "a cursor of another organisation");
}

async fn pages_bring_everything_once(world: World) {
    let mut m2 = world.phone("M2", Role::Crew).await;
    let text = "squeaks on every curl, ".repeat(20);
    for n in 0..120 {
        m2.record_parts(EX3, n, "note_left", json!({"body": {}, "words": {"salt": "x", "text": text}}));
    }
    m2.sync(&world, 1).await;
    let mut k7 = world.phone("K7", Role::Crew).await;
    let (mut positions, mut pages, mut digest) = (Vec::new(), 0, Digest::default());
    loop {
        let mut request = k7.request(&world, None);
        request.pull.bytes_max = 1;
        let reply = k7.send(&world, &request).await;
        k7.apply(&reply);
        positions.extend(reply.pull.entries.iter().map(|entry| entry.position));
        digest = reply.pull.entries.iter().fold(digest, |digest, entry| digest.with(&entry.link));
        pages += 1;
        let bytes = serde_json::to_vec(&reply.pull.entries).expect("JSON").len();
        assert!(bytes <= pintle_core::limits::PAGE_BYTES_MIN as usize, "a page of {bytes} bytes");
        assert_eq!(reply.pull.digest, digest, "the digest is that of what has been delivered");
        if !reply.pull.more {
            break;
        }
        assert!(pages < 100);
    }
    // Beside the 120 what the server has written down: for each phone a code made and a device let in.
    assert_eq!(positions, (1..=2 + 120 + 2).collect::<Vec<u64>>());
    assert!(pages > 3, "{pages} pages");
}

async fn only_what_is_wanted_comes(world: World) {
    let mut m2 = world.phone("M2", Role::Crew).await;
    for n in 0..6 {
        m2.record(if n % 2 == 0 { EX3 } else { TR9 }, n, "meter_read", json!({"reading": "1"}));
    }
    m2.sync(&world, 1).await;
    let mut k7 = world.phone("K7", Role::Crew).await;
    let mut request = k7.request(&world, None);
    request.wanted = Some(Wanted::only([TR9]));
    let reply = k7.send(&world, &request).await;
    k7.apply(&reply);
    let machines: BTreeSet<_> = reply.pull.entries.iter().filter_map(|p| p.entry.head().ok()?.machine).collect();
    assert_eq!((machines, recorded(&reply.pull.entries).len()), ([TR9].into(), 3));
    let end = world.end().await;
    assert_eq!(end, 2 + 6 + 2);
    // Entries about no machine are always wanted, and the server's are such.
    assert_eq!((reply.pull.position, reply.pull.digest.count), (end, 2 + 3 + 2), "the cursor moves past the others");
    m2.record(EX3, 9, "meter_read", json!({"reading": "1"}));
    m2.record(TR9, 9, "meter_read", json!({"reading": "1"}));
    m2.sync(&world, 7).await;
    let reply = k7.sync(&world, 1).await;
    assert_eq!(reply.pull.entries.iter().map(|p| p.position).collect::<Vec<_>>(), [end + 2], "the set is remembered");
}

/// The machines that entries of a page are about, and how many of each.
fn machines_of(page: &[Pulled]) -> BTreeMap<MachineId, usize> {
    let mut found = BTreeMap::new();
    for machine in page.iter().filter_map(|pulled| pulled.entry.head().ok()?.machine) {
        *found.entry(machine).or_default() += 1;
    }
    found
}

/// The cursor of a device that wants a site is void, because a machine has come or gone.
async fn has_moved(world: &World, phone: &mut Phone) {
    let refused = phone.send(world, &phone.request(world, None)).await;
    assert_eq!(refused.pull.code.as_deref(), Some("wanted-changed"));
    (phone.baton, phone.cursor) = (refused.baton, None);
}

async fn machines_of_a_site_come_and_go(world: World) {
    let mut m2 = world.phone("M2", Role::Crew).await;
    m2.record(EX3, 0, "machine_added", json!({"name": "EX3", "site": "North pit"}));
    m2.record(TR9, 1, "machine_added", json!({"name": "TR9", "site": "south"}));
    m2.record(TR9, 2, "meter_read", json!({"reading": "1"}));
    m2.sync(&world, 1).await;
    let mut k7 = world.phone("K7", Role::Crew).await;
    let mut request = k7.request(&world, None);
    request.wanted = Some(Wanted { machines: None, sites: ["north PIT".to_owned()].into() });
    let reply = k7.send(&world, &request).await;
    k7.apply(&reply);
    assert_eq!(machines_of(&reply.pull.entries), [(EX3, 1)].into());
    assert_eq!(reply.pull.machines, Some([EX3].into()), "sites are compared as people write them");
    let reply = k7.sync(&world, 1).await;
    assert_eq!((reply.pull.outcome, reply.pull.machines), (PullOutcome::Page, None), "told once");

    // TR9 is driven over: all of it comes, from before it moved.
    m2.record(TR9, 3, "machine_changed", json!({"site": "north pit"}));
    m2.sync(&world, 4).await;
    has_moved(&world, &mut k7).await;
    let reply = k7.sync(&world, 1).await;
    assert_eq!(reply.pull.machines, Some([EX3, TR9].into()));
    assert_eq!(machines_of(&reply.pull.entries), [(EX3, 1), (TR9, 3)].into());
    let counted = reply.pull.entries.iter().fold(Digest::default(), |digest, pulled| digest.with(&pulled.link));
    assert_eq!(reply.pull.digest, counted);

    // EX3 leaves; a machine may be named beside a site.
    m2.record(EX3, 4, "machine_changed", json!({"site": "south"}));
    m2.sync(&world, 5).await;
    has_moved(&world, &mut k7).await;
    assert_eq!(k7.sync(&world, 1).await.pull.machines, Some([TR9].into()));
    k7.cursor = None;
    let mut request = k7.request(&world, None);
    request.wanted = Some(Wanted { machines: Some([EX3].into()), sites: ["north pit".to_owned()].into() });
    assert_eq!(k7.send(&world, &request).await.pull.machines, Some([EX3, TR9].into()));
}

async fn own_entries_come_back_when_asked_for(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    for n in 0..3 {
        k7.record(EX3, n, "meter_read", json!({"reading": "1"}));
    }
    k7.sync(&world, 1).await;
    k7.cursor = None;
    let mut request = k7.request(&world, None);
    request.pull.own = true;
    let reply = k7.send(&world, &request).await;
    let entries: Vec<&Entry> = recorded(&reply.pull.entries).into_iter().map(|p| &p.entry).collect();
    assert_eq!(entries, k7.log.iter().collect::<Vec<_>>());
    assert_eq!(reply.log, k7.head());
}

fn office_of(pulled: &[Pulled]) -> Vec<bool> {
    recorded(pulled).iter().map(|p| matches!(p.entry.part("office"), Part::Open(_))).collect()
}

async fn prices_are_for_the_office(world: World) {
    let mut boss = world.phone("B1", Role::Owner).await;
    let mut office = world.phone("O1", Role::Office).await;
    let mut k7 = world.phone("K7", Role::Crew).await;
    let mut mechanic = world.phone("M2", Role::Mechanic).await;
    let parts = json!({"body": {}, "office": {"salt": "x", "price": "120.00"}});
    boss.record_parts(EX3, 0, "note_left", parts.clone());
    boss.sync(&world, 1).await;
    k7.record_parts(EX3, 1, "note_left", parts);
    let reply = k7.sync(&world, 1).await;
    assert_eq!(office_of(&reply.pull.entries), [false]);
    let entry = &recorded(&reply.pull.entries)[0].entry;
    assert_eq!(entry.part("office"), Part::Withheld(boss.log[0].part_hash("office")), "its hash stands in its place");
    assert_eq!(boss.links[0].after(entry).link, boss.links[1].link, "and the chain still checks");
    assert!(!serde_json::to_string(&reply).expect("JSON").contains("120.00"));
    assert_eq!(office_of(&mechanic.sync(&world, 1).await.pull.entries), [false, false]);
    assert_eq!(office_of(&office.sync(&world, 1).await.pull.entries), [true, true]);
    k7.cursor = None;
    let mut request = k7.request(&world, None);
    request.pull.own = true;
    let reply = k7.send(&world, &request).await;
    assert_eq!(office_of(&reply.pull.entries), [false, true], "what one wrote oneself comes back whole");
    let token = k7.token(&world).await;
    let list = world.get_with(&format!("/v1/machines/{EX3}/entries"), &token).await.text();
    assert_eq!(list.matches("120.00").count(), 1, "{list}");
}

async fn names_travel_beside_the_ledger(world: World) {
    let mut k7 = world.phone("K7", Role::Crew).await;
    let mut m2 = world.phone("M2", Role::Crew).await;
    let helper = Person { id: PersonId(k7.id().0), name: "Ante".to_owned() };
    let mut request = k7.request(&world, None);
    request.people = vec![helper.clone()];
    let reply = k7.send(&world, &request).await;
    k7.apply(&reply);
    let names = |directory: Option<Directory>| -> Vec<Person> { directory.expect("a directory").people };
    assert!(names(reply.directory).contains(&helper));
    let reply = m2.sync(&world, 1).await;
    let people = names(reply.directory);
    assert!(people.contains(&helper) && people.contains(&k7.person) && people.contains(&m2.person));
    let mut request = k7.request(&world, None);
    request.people = vec![Person { name: "Someone else".to_owned(), ..helper.clone() }];
    let reply = k7.send(&world, &request).await;
    assert_eq!(reply.directory, None, "a name that is known is not overwritten, and nothing has changed");
}

on_every_store! {
    a_cursor_that_is_not_of_this_ledger_is_refused_with_its_code
    pages_bring_everything_once
    only_what_is_wanted_comes
    machines_of_a_site_come_and_go
    own_entries_come_back_when_asked_for
    prices_are_for_the_office
    names_travel_beside_the_ledger
}
