//! Billing in any order: two processes on one database, records that are corrected and struck meanwhile, requests let go of
//! in the middle.
//!
//! Promises: at no moment does what was issued for an entry come to more than one of the amounts that were recorded for it;
//! in the end it is the amount that counts, billed to the customer whose it is, once. Numbers have no hole, and what was
//! issued never changes. A failure names its seed.

use crate::phone::Phone;
use crate::world::{Answer, World};
use actix_web::test::TestRequest;
use futures_util::future::{LocalBoxFuture, join_all};
use pintle_core::EntryRef;
use pintle_core::bill::amount::Amount;
use pintle_core::bill::document::{Document, DocumentSort};
use pintle_core::bill::matter::Matter;
use pintle_core::ids::{MachineId, OfficeId};
use pintle_core::permission::Role;
use pintle_openapi::List;
use pintle_openapi::endpoints::bills::{BillReport, IssuedReply};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::task::Poll;

const EX3: MachineId = MachineId([3; 16]);
const TR9: MachineId = MachineId([9; 16]);
const QUARRY: OfficeId = OfficeId([10; 16]);
const FARM: OfficeId = OfficeId([11; 16]);
const DIG: OfficeId = OfficeId([20; 16]);
const MOW: OfficeId = OfficeId([21; 16]);
const RATES: OfficeId = OfficeId([30; 16]);

/// Steps of an order of acts, and most requests that are on their way at once.
const STEPS: usize = 24;
const AT_ONCE_MAX: usize = 4;
/// Rounds of drafting and issuing after which all must be billed.
const SETTLING_MAX: usize = 6;

/// Numbers that are the same for the same seed (xorshift of Marsaglia, 2003, 64 bits).
struct Dice(u64);

impl Dice {
    fn below(&mut self, limit: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        usize::try_from((self.0 >> 16) % limit.max(1) as u64).expect("below a usize")
    }
}

/// What an entry is worth: every number of minutes it ever had, the last of which counts.
#[derive(Debug, Clone)]
struct Worth {
    entry: EntryRef,
    machine: MachineId,
    ever: BTreeSet<i64>,
    minutes: i64,
    struck: bool,
    waived: bool,
    customer: OfficeId,
}

impl Worth {
    fn counts(&self) -> i64 {
        if self.struck || self.waived { 0 } else { self.minutes }
    }
}

struct Office {
    /// Two processes on one database.
    processes: [World; 2],
    crew: Phone,
    sent: usize,
    token: String,
    works: Vec<Worth>,
    /// Each issued bill as it was when it was first seen.
    seen: BTreeMap<OfficeId, BillReport>,
    refused: BTreeMap<String, usize>,
    cut: usize,
}

fn books() -> Vec<Value> {
    let customer = |id: OfficeId, name: &str| json!({"customer": {"id": id, "value": {"party": {"name": name, "address": {"country": "DE"}}, "rates": RATES}}});
    let job = |id: OfficeId, customer: OfficeId, machine: MachineId| json!({"job": {"id": id, "value": {"name": "work", "customer": customer, "machines": [machine], "from": "2026-05-01"}}});
    vec![
        json!({"seller": {"party": {"name": "Valley crews", "vat_id": "DE1", "address": {"country": "DE"}}}}),
        customer(QUARRY, "North quarry"),
        customer(FARM, "Mill farm"),
        json!({"rates": {"id": RATES, "value": {"name": "standard", "from": "2026-01-01", "currency": "EUR",
            "labour": [{"name": "any", "per_hour": "85"}], "tax": {"category": "S", "percent": "19"}}}}),
        job(DIG, QUARRY, EX3),
        job(MOW, FARM, TR9),
    ]
}

impl Office {
    async fn open(world: World) -> Self {
        let mut crew = world.phone("K7", Role::Crew).await;
        crew.record(EX3, 0, "machine_added", json!({"name": "EX3"}));
        crew.record(TR9, 0, "machine_added", json!({"name": "TR9"}));
        let token = world.phone("OF", Role::Office).await.token(&world).await;
        for written in books() {
            world.post_with("/v1/bill/book", &written, &token).await.json();
        }
        let beside = world.beside().await;
        let (processes, seen, refused) = ([world, beside], BTreeMap::new(), BTreeMap::new());
        Self { processes, crew, sent: 0, token, works: Vec::new(), seen, refused, cut: 0 }
    }

    async fn sync(&mut self) {
        self.crew.sync(&self.processes[0], self.sent + 1).await;
        self.sent = self.crew.log.len();
    }

    /// A crew's day: something new, or something amended.
    async fn work(&mut self, dice: &mut Dice) {
        let minutes = 1 + i64::try_from(dice.below(240)).expect("a number of minutes");
        let which = dice.below(self.works.len());
        match (dice.below(5), self.works.get_mut(which)) {
            (0, Some(worth)) => {
                let body = json!({"target": worth.entry, "field": "/body/minutes", "value": minutes});
                self.crew.record(worth.machine, 20, "corrected", body);
                worth.ever.insert(minutes);
                worth.minutes = minutes;
            }
            (1, Some(worth)) if !worth.struck => {
                self.crew.record(worth.machine, 20, "struck", json!({"target": worth.entry}));
                worth.struck = true;
            }
            _ => {
                let (machine, customer) = if dice.below(2) == 0 { (EX3, QUARRY) } else { (TR9, FARM) };
                let entry = self.crew.record(machine, 10, "repair_done", json!({"minutes": minutes}));
                let ever = BTreeSet::from([minutes]);
                self.works.push(Worth { entry, machine, ever, minutes, struck: false, waived: false, customer });
            }
        }
        self.sync().await;
    }

    /// What the office decides about one entry. Written by one request that is waited for: it counts at once.
    async fn decide(&mut self, dice: &mut Dice) {
        let which = dice.below(self.works.len());
        let Some(worth) = self.works.get_mut(which) else { return };
        let world = &self.processes[dice.below(2)];
        if dice.below(2) == 0 {
            worth.waived = !worth.waived;
            let lines = if worth.waived { json!([]) } else { Value::Null };
            let line =
                json!({"matter": Matter::Entry(worth.entry), "part": "labour: any", "lines": lines, "why": "goodwill"});
            let line = json!({"line": line});
            world.post_with("/v1/bill/book", &line, &self.token).await.json();
        } else {
            let (job, customer) = if worth.customer == QUARRY { (MOW, FARM) } else { (DIG, QUARRY) };
            worth.customer = customer;
            let assign = json!({"job": job, "entries": [worth.entry]});
            world.post_with("/v1/bill/assign", &assign, &self.token).await.json();
        }
    }

    async fn drafts(&self) -> Vec<BillReport> {
        self.processes[0].get_with("/v1/bill/drafts", &self.token).await.reply::<List<BillReport>>().items
    }

    async fn issued(&self) -> Vec<BillReport> {
        let (mut found, mut after) = (Vec::new(), String::new());
        loop {
            let path = format!("/v1/bill/issued?limit=200{after}");
            let page: IssuedReply = self.processes[1].get_with(&path, &self.token).await.reply();
            found.extend(page.items);
            if !page.more {
                return found;
            }
            after = format!("&after={}", page.next);
        }
    }

    /// One request of an office.
    async fn request(&self, dice: &mut Dice) -> (String, Value) {
        let (drafts, issued) = (self.drafts().await, self.issued().await);
        let draft = drafts.get(dice.below(drafts.len())).map(|draft| draft.document.id);
        let bill = issued.get(dice.below(issued.len())).map(|bill| bill.document.id);
        let new = |request: Value| ("/v1/bill/drafts".to_owned(), request);
        match (dice.below(8), draft, bill) {
            (0 | 1, Some(draft), _) => (format!("/v1/bill/bills/{draft}/issue"), json!({})),
            (2, Some(draft), _) => (format!("/v1/bill/bills/{draft}/drop"), json!({})),
            (3, _, Some(bill)) => new(json!({"take_back": {"bill": bill}})),
            (4, _, Some(_)) => new(json!({"changes": {"customer": QUARRY}})),
            (5, _, Some(_)) => new(json!({"changes": {"customer": FARM}})),
            _ => new(month()),
        }
    }

    /// Several requests at once, each at one of the processes; some are let go of before they end.
    async fn at_once(&mut self, dice: &mut Dice) {
        let mut requests = Vec::new();
        for _ in 0..=dice.below(AT_ONCE_MAX) {
            let (path, body) = self.request(dice).await;
            let polls = if dice.below(4) == 0 { 1 + dice.below(60) } else { usize::MAX };
            requests.push((dice.below(2), path, body, polls));
        }
        let sent = requests.iter().map(|(process, path, body, polls)| {
            let request = TestRequest::post()
                .uri(path)
                .insert_header(("Authorization", format!("Bearer {}", self.token)))
                .insert_header(("Content-Type", "application/json"))
                .set_payload(body.to_string());
            cut(Box::pin(self.processes[*process].send(request)), *polls)
        });
        let answers = join_all(sent).await;
        for answer in &answers {
            match answer {
                None => self.cut += 1,
                Some(answer) if answer.status != 200 => {
                    *self.refused.entry(answer.problem().code).or_default() += 1;
                }
                Some(_) => {}
            }
        }
    }

    /// What is issued, by entry and customer, in minutes.
    fn billed(issued: &[BillReport]) -> BTreeMap<(EntryRef, OfficeId), i64> {
        let mut found = BTreeMap::new();
        for Document { sort, customer, lines, .. } in issued.iter().map(|bill| &bill.document) {
            let sign = if *sort == DocumentSort::CreditNote { -1 } else { 1 };
            for line in lines {
                let Some(source) = &line.source else { continue };
                let Matter::Entry(entry) = source.matter else { continue };
                assert_eq!(line.quantity, source.recorded, "nobody adjusted it");
                *found.entry((entry, *customer)).or_insert(0) += sign * minutes(line.quantity);
            }
        }
        found
    }

    /// The laws that hold at every moment.
    async fn lawful(&mut self) -> Vec<BillReport> {
        let issued = self.issued().await;
        for (place, bill) in (1..).zip(&issued) {
            let stamp = bill.issued.as_ref().expect("it is issued");
            assert_eq!(stamp.place, place, "places have no hole");
            assert_eq!(bill.document.number.as_deref(), Some(format!("{place:04}").as_str()), "nor have numbers");
            assert_eq!(stamp.digest, bill.document.digest().expect("a digest"));
            assert_eq!(self.seen.entry(bill.document.id).or_insert_with(|| bill.clone()), bill, "it never changes");
        }
        assert_eq!(self.seen.len(), issued.len(), "what was issued stays");
        let billed = Self::billed(&issued);
        for worth in &self.works {
            let of = |customer| billed.get(&(worth.entry, customer)).copied().unwrap_or(0);
            let (quarry, farm) = (of(QUARRY), of(FARM));
            assert!(quarry == 0 || farm == 0, "billed to two customers, {quarry} and {farm}: {worth:?}");
            let sum = quarry + farm;
            assert!(sum == 0 || worth.ever.contains(&sum), "{sum} minutes are billed: {worth:?}");
        }
        issued
    }

    /// All that is owed is billed and all that is not is given back; then there is nothing more to do.
    async fn settle(&mut self) {
        for draft in self.drafts().await {
            self.must(&format!("/v1/bill/bills/{}/issue", draft.document.id), &json!({})).await;
        }
        for _ in 0..SETTLING_MAX {
            let mut made = Vec::new();
            let requests = [json!({"changes": {"customer": QUARRY}}), json!({"changes": {"customer": FARM}}), month()];
            for request in requests {
                let drafts: List<BillReport> = self.must("/v1/bill/drafts", &request).await.reply();
                made.extend(drafts.items);
            }
            if made.is_empty() {
                break;
            }
            for draft in made {
                self.must(&format!("/v1/bill/bills/{}/issue", draft.document.id), &json!({})).await;
            }
        }
        let issued = self.lawful().await;
        let billed = Self::billed(&issued);
        for worth in &self.works {
            for customer in [QUARRY, FARM] {
                let owed = if customer == worth.customer { worth.counts() } else { 0 };
                let stands = billed.get(&(worth.entry, customer)).copied().unwrap_or(0);
                assert_eq!(stands, owed, "for {customer}: {worth:?}");
            }
        }
        for bill in &issued {
            self.same_in_every_file(&bill.document).await;
        }
    }

    async fn must(&self, path: &str, body: &Value) -> Answer {
        let answer = self.processes[0].post_with(path, body, &self.token).await;
        assert_eq!(answer.status, 200, "{path} {body}: {}", answer.text());
        answer
    }

    /// Lines add up to the totals, and both are what the files say.
    async fn same_in_every_file(&self, document: &Document) {
        let sum = |amounts: &mut dyn Iterator<Item = Amount>| {
            amounts.fold(Amount::ZERO, |sum, one| sum.plus(one).expect("fits"))
        };
        let totals = &document.totals;
        assert_eq!(sum(&mut document.lines.iter().map(|line| line.net)), totals.lines);
        assert_eq!(totals.without_tax.plus(totals.tax).expect("fits"), totals.with_tax);
        let path = format!("/v1/bill/bills/{}", document.id);
        let ubl = self.processes[1].get_with(&format!("{path}/ubl"), &self.token).await.text();
        for (element, amount) in [("LineExtensionAmount", totals.lines), ("PayableAmount", totals.payable)] {
            let said = format!("<cbc:{element} currencyID=\"EUR\">{}</cbc:{element}>", amount.fixed(2));
            assert!(ubl.contains(&said), "{said} is not in {ubl}");
        }
        let csv = self.processes[1].get_with(&format!("{path}/csv"), &self.token).await.text();
        let columns: Vec<&str> = csv.lines().next().expect("a header").split(',').collect();
        let net = columns.iter().position(|column| *column == "\"net\"").expect("a column");
        // No text of these bills holds a comma in quotes but the words, which stand before it.
        let net_from_end = columns.len() - net;
        let nets = csv.lines().skip(1).map(|record| {
            let cells: Vec<&str> = record.split(',').collect();
            cells[cells.len() - net_from_end].parse::<Amount>().expect("an amount")
        });
        let stands = sum(&mut nets.into_iter());
        let turned = if document.sort == DocumentSort::CreditNote { stands.negated() } else { stands };
        assert_eq!(turned, totals.without_tax);
    }
}

fn month() -> Value {
    json!({"period": {"from": "2026-05-01", "until": "2026-05-31"}})
}

fn minutes(amount: Amount) -> i64 {
    amount.to_string().parse().expect("whole minutes")
}

/// Asks a request so many times, and lets go of it: none if it did not end.
async fn cut(mut request: LocalBoxFuture<'_, Answer>, polls: usize) -> Option<Answer> {
    let mut left = polls;
    std::future::poll_fn(|context| {
        left -= 1;
        match request.as_mut().poll(context) {
            Poll::Pending if left == 0 => Poll::Ready(None),
            Poll::Pending => Poll::Pending,
            Poll::Ready(answer) => Poll::Ready(Some(answer)),
        }
    })
    .await
}

/// Names the seed when a law is broken.
struct Named(u64);

impl Drop for Named {
    #[allow(clippy::print_stderr, reason = "beside the panic's own message, whatever broke")]
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("billing in any order: seed {}", self.0);
        }
    }
}

/// Plays orders of acts on worlds, one for each seed, and tells how much happened in all.
async fn play(seeds: std::ops::Range<u64>, world: impl AsyncFn() -> World) -> (usize, usize, BTreeMap<String, usize>) {
    let (mut bills, mut let_go, mut refused) = (0, 0, BTreeMap::new());
    for seed in seeds {
        let _named = Named(seed);
        let mut dice = Dice(seed.wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
        let mut office = Office::open(world().await).await;
        for _ in 0..STEPS {
            match dice.below(5) {
                0 | 1 => office.work(&mut dice).await,
                2 => office.decide(&mut dice).await,
                _ => office.at_once(&mut dice).await,
            }
            office.lawful().await;
        }
        office.settle().await;
        bills += office.seen.len();
        let_go += office.cut;
        for (code, times) in office.refused {
            *refused.entry(code).or_insert(0) += times;
        }
    }
    (bills, let_go, refused)
}

#[actix_web::test]
async fn any_order_bills_everything_once_in_memory() {
    let (bills, _, refused) = play(0..24, World::memory).await;
    assert!(bills > 120, "{bills}");
    assert!(refused.contains_key("already-billed") && refused.contains_key("bill-state"), "{refused:?}");
}

#[actix_web::test]
async fn any_order_bills_everything_once_on_sqlite() {
    let (bills, let_go, _) = play(100..106, World::sqlite).await;
    assert!(bills > 20 && let_go > 5, "{bills} {let_go}");
}

#[actix_web::test]
async fn any_order_bills_everything_once_on_postgres() {
    let (bills, let_go, _) = play(200..206, World::postgres).await;
    assert!(bills > 20 && let_go > 5, "{bills} {let_go}");
}
