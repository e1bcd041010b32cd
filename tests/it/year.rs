//! A simulated year of fifty machines: the server, a device that holds everything and one that holds some machines say
//! the same about every machine on every day.
//!
//! Promises: devices are core's half of sync, the server is its use cases over SQLite, and between them a network that
//! loses replies. Compared is the whole answer, in the evening when what was recorded is in: names, what must not be
//! run, every task with state, clock, what is left, dates, and reason, and the order of the list. Once a month the
//! JSON over HTTP is compared too. At the end the books are, to the byte.

pub mod crew;
pub mod device;
mod dice;
pub mod server;

use crew::{Crew, MACHINES, PARTIAL, machine, moment};
use device::Device;
use pintle_core::agenda::MachineDue;
use pintle_core::fact::Fact;
use pintle_core::moment::Moment;
use server::Server;
use std::collections::{BTreeMap, BTreeSet};

/// Days of the year.
const DAYS: i64 = 365;
/// The device that syncs only now and then does so every so many days.
const SELDOM_DAYS: i64 = 9;
/// Days from one comparison over HTTP to the next.
const MONTH_DAYS: i64 = 30;
/// Places of the devices: the last does not take part in the comparisons.
const FULL: usize = 0;
const SOME: usize = 1;
const SELDOM: usize = 2;

/// What the year has shown, so that one that shows nothing fails.
#[derive(Debug, Default)]
struct Shown {
    compared: u64,
    states: BTreeSet<&'static str>,
    clocks: BTreeSet<String>,
    tagged_out: u64,
    skipped: u64,
    measured: u64,
}

impl Shown {
    fn note(&mut self, told: &MachineDue) {
        self.compared += 1;
        self.tagged_out += u64::from(!told.tagged_out.is_empty());
        for due in &told.due {
            self.states.insert(due.state.as_str());
            self.clocks.insert(due.clock.clone());
            self.skipped += u64::from(!due.skipped.is_empty());
            self.measured += u64::from(due.when.is_some_and(|when| !when.assumed));
        }
    }
}

struct Year {
    server: Server,
    devices: Vec<Device>,
    shown: Shown,
}

impl Year {
    fn sync(&mut self, device: usize) {
        self.devices[device].sync(&mut self.server);
    }

    /// Everybody who syncs in the evening, until each has what the others recorded.
    fn evening(&mut self, day: i64) {
        self.server.at(moment(day, 19, 10).second());
        let seldom = (day % SELDOM_DAYS == 0).then_some(SELDOM);
        for device in seldom.into_iter().chain([FULL, SOME, FULL]) {
            self.sync(device);
        }
    }

    /// The three answers of one evening.
    fn compare(&mut self, day: i64, at: &Moment) {
        let full = self.devices[FULL].due_on_all(at);
        let told = self.server.due(self.devices[FULL].id(), at);
        assert_eq!(told.len(), usize::from(MACHINES), "day {day}");
        for (served, held) in told.iter().zip(&full) {
            assert_eq!(served, held, "day {day}: the server, and the full device");
            self.shown.note(served);
        }
        let partial = self.devices[SOME].due_on_all(at);
        assert_eq!(partial.len(), usize::from(PARTIAL), "day {day}");
        let wanted = told.iter().filter(|served| self.devices[SOME].wants(served.machine));
        for (served, held) in wanted.zip(&partial) {
            assert_eq!(served, held, "day {day}: the server, and the partial device");
        }
    }

    fn compare_over_http(&mut self, day: i64, at: &Moment) {
        let written = at.text().replace('+', "%2B");
        let one = machine(u8::try_from(day / MONTH_DAYS).expect("a month"));
        let targets = [format!("/v1/due?limit=200&at={written}"), format!("/v1/machines/{one}/due?at={written}")];
        let answers = self.server.over_http(&self.devices[FULL].key, &targets);
        let full = self.devices[FULL].due_on_all(at);
        assert_eq!(answers[0]["due"], serde_json::to_value(&full).expect("JSON"), "day {day}, over HTTP");
        let (_, held) = self.devices[FULL].due(one, at);
        assert_eq!(answers[1]["due"], serde_json::to_value(&held).expect("JSON"), "day {day}, over HTTP");
    }

    /// The books of all machines, to the byte.
    fn compare_books(&mut self) {
        for number in 0..MACHINES {
            let machine = machine(number);
            let served = self.server.book(self.devices[FULL].id(), machine).book;
            let served = serde_json::to_string(&served).expect("JSON");
            for device in self.devices[..SELDOM].iter_mut().filter(|device| device.wants(machine)) {
                let held = serde_json::to_string(device.book(machine)).expect("JSON");
                assert_eq!(served, held, "machine {number}");
            }
        }
    }
}

#[test]
fn server_full_and_partial_device_agree_on_every_machine_every_day() {
    let mut server = Server::new(moment(0, 4, 0).second());
    let some: BTreeSet<_> = (0..PARTIAL).map(machine).collect();
    let devices = vec![
        Device::new(1, None, &mut server),
        Device::new(2, Some(some), &mut server),
        Device::new(3, None, &mut server),
    ];
    let mut year = Year { server, devices, shown: Shown::default() };
    let mut crew = Crew::begin(&mut year.devices[FULL]);
    year.sync(FULL);
    year.sync(SOME);
    year.sync(SELDOM);
    for day in 0..DAYS {
        crew.day(day, &mut year.devices);
        year.evening(day);
        let at = moment(day, 20, 0);
        year.server.at(at.second());
        year.compare(day, &at);
        if day % MONTH_DAYS == 0 {
            year.compare_over_http(day, &at);
        }
    }
    for device in [SELDOM, FULL, SOME, FULL] {
        year.sync(device);
    }
    year.compare_books();
    assert_it_was_a_year(&mut year);
}

/// A year in which nothing happened would show nothing.
fn assert_it_was_a_year(year: &mut Year) {
    let shown = &year.shown;
    assert_eq!(shown.compared, u64::from(MACHINES) * u64::try_from(DAYS).expect("days"));
    assert_eq!(shown.states, BTreeSet::from(["past window", "in window", "ahead", "unknown"]));
    for clock in ["hours", "days", "fills", "shifts"] {
        assert!(shown.clocks.contains(clock), "{clock} never ruled: {:?}", shown.clocks);
    }
    assert!(shown.tagged_out > 100 && shown.skipped > 1000 && shown.measured > 10_000, "{shown:?}");
    let full = &mut year.devices[FULL];
    let mut kinds: BTreeMap<String, u64> = BTreeMap::new();
    for held in full.holds() {
        let head = held.entry.head().expect("a sound head");
        assert!(Fact::read(head, &held.entry).is_ok(), "{head:?}");
        *kinds.entry(head.kind.clone()).or_insert(0) += 1;
    }
    for (kind, least) in [
        ("device_enrolled", 3),
        ("meter_changed", 10),
        ("corrected", 30),
        ("struck", 50),
        ("plan_set", 50),
        ("task_done", 1000),
        ("fuel_filled", 500),
        ("finding_raised", 50),
        ("repair_done", 20),
    ] {
        assert!(kinds.get(kind).is_some_and(|count| *count >= least), "too few of {kind}: {kinds:?}");
    }
    let books: Vec<_> = (0..MACHINES).map(|number| full.book(machine(number)).clone()).collect();
    let sum = |count: fn(&pintle_core::book::Book) -> usize| books.iter().map(count).sum::<usize>();
    assert!(sum(|book| book.clashes.len()) > 5, "people disagree now and then");
    assert!(sum(|book| book.twins.len()) > 20, "the same is recorded twice now and then");
    assert!(sum(|book| book.doubts.len()) > 5, "some of it is doubtful");
    let lost: Vec<u64> = year.devices.iter().map(|device| device.replies_lost).collect();
    assert!(lost[FULL] > 50 && lost[SOME] > 20 && lost[SELDOM] > 0, "the network lost nothing: {lost:?}");
}
