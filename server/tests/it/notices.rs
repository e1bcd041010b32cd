//! Issued bills told to another program: what is sent, how it is signed, and what becomes of it.
//!
//! Promises: signatures are checked by the open scheme's own words, written anew here; `tests/outside/check_notices.py`
//! checks them with a library that is not ours. Not on PostgreSQL: worlds share one database there, and would take each
//! other's notices; the store's contract shows what it does.

use crate::billing::billed;
use crate::phone::Phone;
use crate::receiver::{Got, Receiver, Reply, status};
use crate::world::{BEGIN_MS, World};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, KeyInit as _, Mac as _};
use pintle_core::permission::Role;
use pintle_openapi::List;
use pintle_openapi::endpoints::bills::BillReport;
use pintle_openapi::endpoints::notices::{BillNotice, NoticeReport, NoticeState};
use pintle_server::outgoing::Outgoing;
use pintle_server::outgoing::reach::Reach;
use serde_json::json;
use sha2::Sha256;

/// Sets the hook; gives the secret's text.
async fn hooked(world: &World, url: &str, reach: Reach) -> String {
    let lines = world.operator().hook_set(Some(&world.organisation.name), url, reach).await.expect("it is set");
    let secret = lines.last().expect("a secret").trim().to_owned();
    assert!(secret.starts_with("whsec_"), "{lines:?}");
    secret
}

async fn send(world: &World) {
    world.app.send_notices(&Outgoing::trusting_none()).await.expect("it answers");
}

async fn notices(world: &World, token: &str) -> Vec<NoticeReport> {
    world.get_with("/v1/bill/notices", token).await.reply::<List<NoticeReport>>().items
}

/// Checks a request by the scheme: `base64(HMAC-SHA256(secret, id.timestamp.body))`.
fn verified(got: &Got, secret: &str) -> BillNotice {
    let key = STANDARD.decode(secret.strip_prefix("whsec_").expect("a prefix")).expect("base64");
    let mut mac = Hmac::<Sha256>::new_from_slice(&key).expect("any length");
    mac.update(format!("{}.{}.", got.headers["webhook-id"], got.headers["webhook-timestamp"]).as_bytes());
    mac.update(&got.body);
    let expected = format!("v1,{}", STANDARD.encode(mac.finalize().into_bytes()));
    assert_eq!(got.headers["webhook-signature"], expected);
    assert_eq!(got.headers["content-type"], "application/json");
    serde_json::from_slice(&got.body).expect("a notice")
}

async fn an_issued_bill_is_told_once_with_ids_and_totals(world: World) {
    let receiver = Receiver::new(vec![status(200)]).await;
    let secret = hooked(&world, &receiver.url(), Reach::Inside).await;
    let mut owner = world.phone("OW", Role::Owner).await;
    let bill = billed(&world, &mut owner).await;
    let token = owner.token(&world).await;
    assert_eq!(notices(&world, &token).await[0].state, NoticeState::Waiting, "the issue waits for nobody");
    send(&world).await;
    send(&world).await;
    let [got] = receiver.got().try_into().expect("one request");
    let notice = verified(&got, &secret);
    let report: BillReport = world.get_with(&format!("/v1/bill/bills/{bill}"), &token).await.reply();
    assert_eq!((notice.kind.as_str(), notice.data.bill, notice.data.place), ("bill.issued", bill, 1));
    assert_eq!(Some(&notice.data.number), report.document.number.as_ref());
    // 60 minutes at 85.00 an hour, with 19 % 101.15.
    let amounts = [notice.data.without_tax, notice.data.tax, notice.data.payable].map(|amount| amount.to_string());
    assert_eq!(amounts, ["85", "16.15", "101.15"]);
    assert_eq!(Some(notice.data.digest), report.issued.map(|stamp| stamp.digest));
    assert_eq!(got.headers["webhook-id"], format!("issued_{bill}"));
    assert_eq!(got.headers["webhook-timestamp"], (BEGIN_MS / 1000).to_string());
    let text = String::from_utf8(got.body).expect("UTF-8");
    for personal in ["North quarry", "Valley crews", owner.person.name.as_str()] {
        assert!(!text.contains(personal), "{personal} in {text}");
    }
    let [record] = notices(&world, &token).await.try_into().expect("one");
    assert_eq!((record.state, record.tries, record.answer), (NoticeState::Taken, 1, None));
}

async fn what_is_not_taken_is_sent_again_with_the_same_id_and_bytes(world: World) {
    let redirect = b"HTTP/1.1 302 Found\r\nlocation: /\r\ncontent-length: 0\r\n\r\n".to_vec();
    let cut = Reply::Bytes(Vec::new());
    let receiver = Receiver::new(vec![status(500), Reply::Bytes(redirect), cut, status(204)]).await;
    let first = hooked(&world, &receiver.url(), Reach::Inside).await;
    let mut owner = world.phone("OW", Role::Owner).await;
    let bill = billed(&world, &mut owner).await;
    let mut answers = Vec::new();
    for pause_s in [5, 5 * 60, 30 * 60] {
        send(&world).await;
        let token = owner.token(&world).await;
        let [record] = notices(&world, &token).await.try_into().expect("one");
        assert_eq!(record.state, NoticeState::Waiting);
        assert_eq!(record.next_ms.zip(record.tried_ms).map(|(next, tried)| next - tried), Some(pause_s * 1000));
        answers.push(record.answer.expect("why not"));
        send(&world).await;
        world.ambient.forward_s(pause_s);
    }
    assert_eq!(answers[..2], ["it answers 500", "it answers 302"]);
    assert!(answers[2].starts_with("the connection broke"), "{answers:?}");
    // Under a new secret what waits is signed with that.
    let second = hooked(&world, &receiver.url(), Reach::Inside).await;
    assert_ne!(first, second);
    send(&world).await;
    let got = receiver.got();
    assert_eq!(got.len(), 4);
    got[..3].iter().for_each(|got| assert_eq!(verified(got, &first).data.bill, bill));
    verified(&got[3], &second);
    assert!(got.iter().all(|one| one.body == got[0].body && one.headers["webhook-id"] == got[0].headers["webhook-id"]));
    let moments: Vec<i64> = got.iter().map(|got| got.headers["webhook-timestamp"].parse().expect("a second")).collect();
    assert_eq!(moments, [0, 5, 305, 2105].map(|after| BEGIN_MS / 1000 + after), "each signed when it was sent");
    let token = owner.token(&world).await;
    assert_eq!(notices(&world, &token).await[0].state, NoticeState::Taken);
}

async fn who_wants_no_more_is_told_no_more(world: World) {
    let receiver = Receiver::new(vec![status(410), status(200)]).await;
    hooked(&world, &receiver.url(), Reach::Inside).await;
    let mut owner = world.phone("OW", Role::Owner).await;
    billed(&world, &mut owner).await;
    send(&world).await;
    world.ambient.forward_s(100 * 86_400);
    send(&world).await;
    assert_eq!(receiver.got().len(), 1);
    let token = owner.token(&world).await;
    let [record] = notices(&world, &token).await.try_into().expect("one");
    assert_eq!((record.state, record.answer.as_deref()), (NoticeState::Resting, Some("it answers 410: gone")));
    let name = Some(world.organisation.name.as_str());
    let lines = world.operator().hook(name).await.expect("it answers");
    assert!(lines[1].ends_with("given up after 1 try (it answers 410: gone)"), "{lines:?}");
    world.operator().notices_again(name).await.expect("it answers");
    send(&world).await;
    assert_eq!(receiver.got().len(), 2);
    let lines = world.operator().hook(name).await.expect("it answers");
    assert_eq!(lines, [format!("bills that {:?} issues are told to {}", world.organisation.name, receiver.url())]);
    world.operator().hook_off(name).await.expect("it answers");
    assert!(world.operator().hook(name).await.expect("it answers")[0].ends_with("are told to nobody"));
}

/// An address that the operator did not allow is not even looked at; nor does its failing hold up the issue.
async fn a_hook_reaches_inside_only_with_leave(world: World) {
    let receiver = Receiver::new(vec![status(200)]).await;
    let url = format!("https://localhost:{}/", receiver.port);
    hooked(&world, &url, Reach::Public).await;
    let mut owner = world.phone("OW", Role::Owner).await;
    billed(&world, &mut owner).await;
    send(&world).await;
    let token = owner.token(&world).await;
    let [record] = notices(&world, &token).await.try_into().expect("one");
    let answer = record.answer.expect("why not");
    assert!(answer.starts_with("localhost leads to ") && answer.ends_with(", which it may not reach"), "{answer}");
    assert_eq!(receiver.got(), []);
    let name = Some(world.organisation.name.as_str());
    for url in ["http://10.0.0.1/", "file:///etc/passwd", "https://a:b@example.org/", "http://localhost/"] {
        world.operator().hook_set(name, url, Reach::Public).await.expect_err(url);
    }
}

async fn only_the_office_sees_notices_and_none_of_another_organisation(world: World) {
    let receiver = Receiver::new(vec![status(200)]).await;
    hooked(&world, &receiver.url(), Reach::Inside).await;
    let mut owner = world.phone("OW", Role::Owner).await;
    billed(&world, &mut owner).await;
    let crew = world.phone("K7", Role::Crew).await;
    let token = crew.token(&world).await;
    world.get_with("/v1/bill/notices", &token).await.refused(403, "forbidden", "");
    world.get("/v1/bill/notices").await.refused(401, "token-missing", "");
    let other = world.other_organisation().await;
    let code = world.code_of(&other, Role::Owner).await;
    let mut stranger = Phone::new(&world, "ST");
    stranger.enrol(&world, &code).await;
    let token = stranger.token(&world).await;
    assert_eq!(notices(&world, &token).await, []);
    // Where they go is not set over the API.
    let token = owner.token(&world).await;
    world.post_with("/v1/bill/notices", &json!({"url": "http://127.0.0.1/"}), &token).await.refused(
        405,
        "method-not-allowed",
        "",
    );
}

/// Pages of one: the newest first, whatever is issued meanwhile.
async fn notices_come_in_pages(world: World) {
    let receiver = Receiver::new(vec![status(200)]).await;
    hooked(&world, &receiver.url(), Reach::Inside).await;
    let mut owner = world.phone("OW", Role::Owner).await;
    let bill = billed(&world, &mut owner).await;
    let token = owner.token(&world).await;
    let back = json!({"take_back": {"bill": bill}});
    let credit: List<BillReport> = world.post_with("/v1/bill/drafts", &back, &token).await.reply();
    let credit = credit.items[0].document.id;
    world.post_with(&format!("/v1/bill/bills/{credit}/issue"), &json!({}), &token).await.json();
    let page: List<NoticeReport> = world.get_with("/v1/bill/notices?limit=1", &token).await.reply();
    assert_eq!(page.items.iter().map(|notice| notice.bill).collect::<Vec<_>>(), [credit]);
    let next = page.next.expect("there is more");
    let page: List<NoticeReport> =
        world.get_with(&format!("/v1/bill/notices?limit=1&after={next}"), &token).await.reply();
    assert_eq!((page.items[0].bill, page.next), (bill, None));
    world.get_with("/v1/bill/notices?limit=0", &token).await.refused(422, "out-of-range", "limit");
    world.get_with("/v1/bill/notices?after=AAAA", &token).await.refused(400, "invalid-cursor", "after");
}

/// Makes a test of each case on each storage that a world has for itself.
macro_rules! on_own_stores {
    ($($case:ident)+) => {
        mod on_memory { $( #[actix_web::test] async fn $case() { super::$case(super::World::memory().await).await } )+ }
        mod on_sqlite { $( #[actix_web::test] async fn $case() { super::$case(super::World::sqlite().await).await } )+ }
    };
}

on_own_stores! {
    an_issued_bill_is_told_once_with_ids_and_totals
    what_is_not_taken_is_sent_again_with_the_same_id_and_bytes
    who_wants_no_more_is_told_no_more
    a_hook_reaches_inside_only_with_leave
    only_the_office_sees_notices_and_none_of_another_organisation
    notices_come_in_pages
}
