//! Codes and devices, as office and owner manage them.
//!
//! Promises: what is changed shows at once, for the device in question too, and is written down with who did it.

use crate::on_every_store;
use crate::phone::Phone;
use crate::world::{BEGIN_MS, World};
use pintle_core::Fact;
use pintle_core::exchange::Wanted;
use pintle_core::ids::PersonId;
use pintle_core::permission::Role;
use pintle_openapi::List;
use pintle_openapi::endpoints::codes::{CODES_OPEN_MAX, CodeReply, CodeReport};
use pintle_openapi::endpoints::devices::DeviceReport;
use pintle_store::PageAsk;
use serde_json::{Value, json};

async fn token_of(world: &World, mark: &str, role: Role) -> (Phone, String) {
    let phone = world.phone(mark, role).await;
    let token = phone.token(world).await;
    (phone, token)
}

/// What the server has written down: kind, in whose name, body.
async fn written(world: &World) -> Vec<(String, PersonId, Value)> {
    let (wanted, except, whole_log_of) = (Wanted::default(), None, None);
    let ask = PageAsk { after: 0, bytes_max: 1 << 20, rows_max: 1_000, wanted, except, whole_log_of };
    let page = world.store.page(world.organisation.id, &ask).await.expect("it answers");
    let entries = page.entries.iter().filter(|held| held.aside.is_none());
    entries
        .filter_map(|held| {
            let head = held.entry.head().expect("a head");
            let fact = Fact::read(head, &held.entry).expect("a fact");
            let (kind, body) = fact.write().filter(|_| fact.is_administration())?;
            Some((kind.to_owned(), head.by, Value::Object(body)))
        })
        .collect()
}

async fn devices(world: &World, token: &str) -> Vec<DeviceReport> {
    let list: List<DeviceReport> = world.get_with("/v1/devices", token).await.reply();
    assert_eq!(list.next, None);
    list.items
}

async fn a_code_lets_one_device_in_and_is_written_down(world: World) {
    let (owner, token) = token_of(&world, "OW", Role::Owner).await;
    let made: CodeReply = world.post_with("/v1/codes", &json!({"role": "mechanic", "hours": 2}), &token).await.reply();
    assert_eq!((made.report.role, made.report.made_ms), (Role::Mechanic, BEGIN_MS));
    assert_eq!(made.report.until_ms, BEGIN_MS + 2 * 3_600_000);
    let open: List<CodeReport> = world.get_with("/v1/codes", &token).await.reply();
    assert_eq!(open.items, std::slice::from_ref(&made.report));

    let mut phone = Phone::new(&world, "K7");
    assert_eq!(phone.enrol(&world, &made.code).await.role, Role::Mechanic);
    let open: List<CodeReport> = world.get_with("/v1/codes", &token).await.reply();
    assert_eq!(open.items, []);
    let used = format!("/v1/codes/{}/cancel", made.report.id);
    world.post_with(&used, &json!({}), &token).await.refused(404, "not-found", "");

    let written = written(&world).await;
    let told: Vec<_> = written.iter().map(|(kind, by, _)| (kind.as_str(), *by)).collect();
    assert_eq!(
        told,
        [
            ("code_made", PersonId::OPERATOR),
            ("device_enrolled", owner.person.id),
            ("code_made", owner.person.id),
            ("device_enrolled", phone.person.id),
        ]
    );
    assert_eq!(written[3].2["device"], json!(phone.id()));
    assert_eq!(written[3].2["key"], json!(phone.key().public()));
    assert_eq!(written[3].2["code"], json!(made.report.id));
    assert!(
        !serde_json::to_string(&written.iter().map(|w| &w.2).collect::<Vec<_>>()).expect("JSON").contains(&made.code)
    );
}

async fn a_cancelled_code_lets_nobody_in(world: World) {
    let (_, token) = token_of(&world, "OW", Role::Owner).await;
    let made: CodeReply = world.post_with("/v1/codes", &json!({"role": "crew"}), &token).await.reply();
    let cancel = format!("/v1/codes/{}/cancel", made.report.id);
    assert_eq!(world.post_with(&cancel, &json!({}), &token).await.reply::<CodeReport>(), made.report);
    let request = serde_json::to_value(Phone::new(&world, "K7").enrol_request(&made.code)).expect("JSON");
    world.post("/v1/enrol", &request).await.refused(403, "code-unknown", "/code");
    world.post_with(&cancel, &json!({}), &token).await.refused(404, "not-found", "");
    assert_eq!(written(&world).await.last().map(|w| w.0.clone()).as_deref(), Some("code_cancelled"));
}

/// The office manages crew and mechanics; office and owner are the owner's.
async fn the_office_manages_the_crew_only(world: World) {
    let (owner, owner_token) = token_of(&world, "OW", Role::Owner).await;
    let (office, office_token) = token_of(&world, "OF", Role::Office).await;
    let (crew, crew_token) = token_of(&world, "K7", Role::Crew).await;
    for (role, may) in [("crew", true), ("mechanic", true), ("office", false), ("owner", false)] {
        let answer = world.post_with("/v1/codes", &json!({"role": role}), &office_token).await;
        if may {
            answer.json()
        } else {
            {
                answer.refused(403, "forbidden", "");
                json!(null)
            }
        };
        world.post_with("/v1/codes", &json!({"role": role}), &owner_token).await.json();
    }
    let open: List<CodeReport> = world.get_with("/v1/codes", &office_token).await.reply();
    let owners = open.items.iter().find(|code| code.role == Role::Owner).expect("an owner's code");
    let cancel = format!("/v1/codes/{}/cancel", owners.id);
    world.post_with(&cancel, &json!({}), &office_token).await.refused(403, "forbidden", "");

    for other in [&owner, &office] {
        let at = |act: &str| format!("/v1/devices/{}/{act}", other.id());
        world.post_with(&at("revoke"), &json!({}), &office_token).await.refused(403, "forbidden", "");
        world.post_with(&at("change"), &json!({"mark": "ZZ"}), &office_token).await.refused(403, "forbidden", "");
    }
    let at = |act: &str| format!("/v1/devices/{}/{act}", crew.id());
    world.post_with(&at("change"), &json!({"role": "owner"}), &office_token).await.refused(403, "forbidden", "");
    let renamed: DeviceReport =
        world.post_with(&at("change"), &json!({"mark": "K9", "role": "crew"}), &office_token).await.reply();
    assert_eq!((renamed.mark.as_str(), renamed.role), ("K9", Role::Crew), "a role it has already is no change");
    let revoked: DeviceReport = world.post_with(&at("revoke"), &json!({}), &office_token).await.reply();
    assert!(revoked.revoked);
    world.get_with("/v1/me", &crew_token).await.refused(403, "device-revoked", "");
    assert_eq!(world.post_with(&at("revoke"), &json!({}), &office_token).await.reply::<DeviceReport>(), revoked);
    let revocations = written(&world).await.into_iter().filter(|w| w.0 == "device_revoked").count();
    assert_eq!(revocations, 1, "asked for twice, done once");
}

async fn a_demoted_person_loses_the_right_at_once(world: World) {
    let (_, owner_token) = token_of(&world, "OW", Role::Owner).await;
    let (office, office_token) = token_of(&world, "OF", Role::Office).await;
    assert_eq!(devices(&world, &office_token).await.len(), 2);
    let change = format!("/v1/devices/{}/change", office.id());
    world.post_with(&change, &json!({"role": "crew"}), &owner_token).await.json();
    world.get_with("/v1/devices", &office_token).await.refused(403, "forbidden", "");
    assert_eq!(world.get_with("/v1/me", &office_token).await.json()["role"], "crew", "the token reads on, as crew");
}

async fn the_last_owner_stays(world: World) {
    let (owner, token) = token_of(&world, "OW", Role::Owner).await;
    let at = |phone: &Phone, act: &str| format!("/v1/devices/{}/{act}", phone.id());
    world.post_with(&at(&owner, "revoke"), &json!({}), &token).await.refused(409, "last-owner", "");
    world.post_with(&at(&owner, "change"), &json!({"role": "crew"}), &token).await.refused(409, "last-owner", "");
    let second = world.phone("O2", Role::Owner).await;
    world.post_with(&at(&owner, "change"), &json!({"role": "office"}), &token).await.json();
    world.post_with(&at(&second, "revoke"), &json!({}), &token).await.refused(403, "forbidden", "");
    world.operator().revoke(Some(&world.organisation.name), "O2").await.expect("the operator may");
}

async fn short_names_are_never_used_twice(world: World) {
    let (k7, _) = token_of(&world, "K7", Role::Crew).await;
    let (m2, _) = token_of(&world, "M2", Role::Crew).await;
    let (_, token) = token_of(&world, "OW", Role::Owner).await;
    let change = |phone: &Phone| format!("/v1/devices/{}/change", phone.id());
    world.post_with(&change(&k7), &json!({"mark": "M2"}), &token).await.refused(409, "mark-taken", "/mark");
    world.post_with(&change(&k7), &json!({"mark": "SV"}), &token).await.refused(409, "mark-taken", "/mark");
    for bad in ["", "K", "K7890", "k7", "K-7", "Ä7"] {
        world.post_with(&change(&k7), &json!({"mark": bad}), &token).await.refused(422, "out-of-range", "/mark");
    }
    world.post_with(&change(&k7), &json!({"mark": "K8"}), &token).await.json();
    world.post_with(&change(&m2), &json!({"mark": "K7"}), &token).await.refused(409, "mark-taken", "/mark");
    let newcomer = world.phone("K7", Role::Crew).await;
    assert_eq!(newcomer.mark, "K72", "nor by enrolment");
    let marks: Vec<_> = devices(&world, &token).await.into_iter().map(|device| device.mark).collect();
    assert_eq!(marks, ["K72", "K8", "M2", "OW"], "in order of their names, without the server's own");
    let unknown = "/v1/devices/AgICAgICAgICAgICAgICAg/change";
    world.post_with(unknown, &json!({"mark": "Q1"}), &token).await.refused(404, "not-found", "");
}

async fn what_codes_may_be_is_bounded(world: World) {
    let (_, token) = token_of(&world, "OW", Role::Owner).await;
    for hours in [0, -1, 745, i64::MAX >> 11] {
        let body = json!({"role": "crew", "hours": hours});
        world.post_with("/v1/codes", &body, &token).await.refused(422, "out-of-range", "/hours");
    }
    world.post_with("/v1/codes", &json!({"role": "king"}), &token).await.refused(422, "malformed-request", "/role");
    let extra = json!({"role": "crew", "organisation": world.organisation.id});
    world.post_with("/v1/codes", &extra, &token).await.refused(422, "unknown-field", "/organisation");
    for _ in 0..CODES_OPEN_MAX {
        world.post_with("/v1/codes", &json!({"role": "crew", "hours": 1}), &token).await.json();
    }
    world.post_with("/v1/codes", &json!({"role": "crew"}), &token).await.refused(409, "too-many-open", "");
    world.ambient.forward_s(3600);
    let token = token_of(&world, "O2", Role::Owner).await.1;
    world.post_with("/v1/codes", &json!({"role": "crew"}), &token).await.json();
}

async fn nobody_speaks_in_the_server_s_name(world: World) {
    let mut request = serde_json::to_value(Phone::new(&world, "K7").enrol_request("7KQF-M3XA-R8TD")).expect("JSON");
    request["person"]["id"] = json!(PersonId::OPERATOR);
    world.post("/v1/enrol", &request).await.refused(422, "out-of-range", "/person/id");
    let mut phone = world.phone("K7", Role::Owner).await;
    phone.append(
        json!({"head": {"seen": 0, "at": "2026-05-04T07:12:33Z", "by": phone.person.id, "kind": "device_revoked"},
        "body": {"device": phone.id()}}),
    );
    phone.append(
        json!({"head": {"seen": 0, "at": "2026-05-04T07:12:33Z", "by": PersonId::OPERATOR, "kind": "note_left"},
        "body": {}}),
    );
    let reply = phone.sync(&world, 1).await;
    let aside: Vec<_> = reply.push.aside.iter().map(|a| (a.seq, a.code.as_str(), a.pointer.as_str())).collect();
    assert_eq!(
        aside,
        [(1, "not-permitted", "/push/entries/0/head/kind"), (2, "not-permitted", "/push/entries/1/head/kind")]
    );
}

on_every_store! {
    a_code_lets_one_device_in_and_is_written_down
    a_cancelled_code_lets_nobody_in
    the_office_manages_the_crew_only
    a_demoted_person_loses_the_right_at_once
    the_last_owner_stays
    short_names_are_never_used_twice
    what_codes_may_be_is_bounded
    nobody_speaks_in_the_server_s_name
}
