//! Who may ask how often, and how much is done at once.
//!
//! Promises: every address and every device has an allowance of its own for each lane, so that one that asks without
//! end uses up its own and nobody else's; a device is charged only after it has shown that it is the device. Memory is
//! bounded: beyond [`ALLOWANCES_MAX`] newcomers share one allowance, and nobody's own is forgotten for them. Exchanges
//! under way are bounded, and so are those that wait, in all and for each device.
//!
//! Never: a judgement about what is asked. Who is told to wait has lost nothing: nothing of the request was looked at.
//! It is a guard of this process only.

use super::Refusal;
use crate::ambient::Ambient;
use crate::limits::{
    ALLOWANCES_MAX, DEVICE_EXCHANGES_MAX, ENROL_ADDRESS_RATE, EXCHANGE_WAIT, EXCHANGES_MAX, EXCHANGES_WAITING_MAX,
    READ_ADDRESS_RATE, READ_DEVICE_RATE, SYNC_ADDRESS_RATE, SYNC_DEVICE_RATE, TOKEN_ADDRESS_RATE, TOKEN_DEVICE_RATE,
};
use governor::clock::{Clock, Reference as _};
use governor::middleware::NoOpMiddleware;
use governor::nanos::Nanos;
use governor::state::StateStore;
use governor::{Quota, RateLimiter};
use pintle_core::ids::DeviceId;
use pintle_openapi::Problem;
use std::collections::BTreeMap;
use std::fmt;
use std::hash::Hash;
use std::net::{IpAddr, Ipv6Addr};
use std::num::NonZeroU32;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::sync::{Semaphore, SemaphorePermit};

/// What a request is about, as far as its allowance goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Lane {
    /// Exchanges.
    Sync,
    /// Tokens.
    Token,
    /// Enrolment.
    Enrol,
    /// Everything that reads.
    Read,
}

impl Lane {
    /// All of them.
    pub const ALL: [Lane; 4] = [Lane::Sync, Lane::Token, Lane::Enrol, Lane::Read];

    /// As the operator writes it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Lane::Sync => "sync",
            Lane::Token => "token",
            Lane::Enrol => "enrol",
            Lane::Read => "read",
        }
    }
}

/// Whose allowance it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Payer {
    /// One device, that has shown who it is.
    Device,
    /// One address (IPv4), or one network of 64 bits (IPv6), which is what one household or site gets.
    Address,
}

impl Payer {
    /// As the operator writes it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Payer::Device => "device",
            Payer::Address => "address",
        }
    }
}

/// How often: so many a minute, and so many at once after a pause.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rate {
    /// A minute.
    pub per_min: NonZeroU32,
    /// At once.
    pub burst: NonZeroU32,
}

impl Rate {
    /// A rate that stands in the program. A zero counts as one.
    #[must_use]
    pub const fn of(per_min: u32, burst: u32) -> Self {
        const fn at_least_one(number: u32) -> NonZeroU32 {
            match NonZeroU32::new(number) {
                Some(number) => number,
                None => NonZeroU32::MIN,
            }
        }
        Self { per_min: at_least_one(per_min), burst: at_least_one(burst) }
    }

    fn quota(self) -> Quota {
        Quota::per_minute(self.per_min).allow_burst(self.burst)
    }
}

impl fmt::Display for Rate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.per_min, self.burst)
    }
}

/// One allowance as the operator sets it: `sync.device=300/100`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RateSetting {
    lane: Lane,
    payer: Payer,
    rate: Rate,
}

impl std::str::FromStr for RateSetting {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let form = || {
            let names: Vec<String> =
                Rates::default().0.keys().map(|(l, p)| format!("{}.{}", l.as_str(), p.as_str())).collect();
            format!("like sync.device=300/100 (so many a minute, so many at once); the names are {}", names.join(", "))
        };
        let (name, rate) = text.split_once('=').ok_or_else(form)?;
        let (per_min, burst) = rate.split_once('/').ok_or_else(form)?;
        let known = Rates::default();
        let mut names = known.0.keys().copied();
        let (lane, payer) =
            names.find(|(lane, payer)| name == format!("{}.{}", lane.as_str(), payer.as_str())).ok_or_else(form)?;
        let number = |text: &str| text.parse::<NonZeroU32>().map_err(|_| form());
        Ok(Self { lane, payer, rate: Rate { per_min: number(per_min)?, burst: number(burst)? } })
    }
}

/// Every allowance. There is none of a device for enrolment: it is not one yet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rates(BTreeMap<(Lane, Payer), Rate>);

impl Default for Rates {
    fn default() -> Self {
        Self(BTreeMap::from([
            ((Lane::Sync, Payer::Device), SYNC_DEVICE_RATE),
            ((Lane::Sync, Payer::Address), SYNC_ADDRESS_RATE),
            ((Lane::Token, Payer::Device), TOKEN_DEVICE_RATE),
            ((Lane::Token, Payer::Address), TOKEN_ADDRESS_RATE),
            ((Lane::Enrol, Payer::Address), ENROL_ADDRESS_RATE),
            ((Lane::Read, Payer::Device), READ_DEVICE_RATE),
            ((Lane::Read, Payer::Address), READ_ADDRESS_RATE),
        ]))
    }
}

impl Rates {
    /// These, but for what the operator set.
    #[must_use]
    pub fn with(mut self, settings: &[RateSetting]) -> Self {
        self.0.extend(settings.iter().map(|setting| ((setting.lane, setting.payer), setting.rate)));
        self
    }
}

/// How much at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Room {
    /// Exchanges under way.
    pub exchanges: usize,
    /// Exchanges that wait for one of those to end.
    pub waiting: usize,
}

impl Default for Room {
    fn default() -> Self {
        Self { exchanges: EXCHANGES_MAX, waiting: EXCHANGES_WAITING_MAX }
    }
}

/// The clock that nobody can set, for the rate limiter.
#[derive(Clone)]
struct Monotonic(Arc<dyn Ambient>);

impl Clock for Monotonic {
    type Instant = Duration;

    fn now(&self) -> Duration {
        Duration::from_micros(self.0.monotonic_us())
    }
}

/// The state of every key's allowance; beyond the bound, of all newcomers' together.
struct Bounded<K> {
    keys_max: usize,
    inner: Mutex<Inner<K>>,
    /// The moment of the newest measurement: a key whose allowance was whole again by then need not be remembered.
    now: Box<dyn Fn() -> Nanos + Send + Sync>,
}

struct Inner<K> {
    /// When each key's allowance will be whole again.
    whole_at: BTreeMap<K, Nanos>,
    newcomers: Option<Nanos>,
    swept_at: Nanos,
}

/// A full table is swept at most this often: sweeping looks at every key.
const SWEEP: Duration = Duration::from_secs(1);

impl<K: Ord + Clone + Hash> Bounded<K> {
    // A measurement writes one number at its end, so that a panic left nothing half done.
    fn lock(&self) -> MutexGuard<'_, Inner<K>> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether there is room for one more key, once those that are whole again are gone.
    fn has_room(&self, inner: &mut Inner<K>) -> bool {
        if inner.whole_at.len() < self.keys_max {
            return true;
        }
        let now = (self.now)();
        if now < inner.swept_at + Nanos::from(SWEEP) {
            return false;
        }
        inner.swept_at = now;
        inner.whole_at.retain(|_, whole_at| *whole_at > now);
        inner.whole_at.len() < self.keys_max
    }
}

impl<K: Ord + Clone + Hash> StateStore for Bounded<K> {
    type Key = K;

    fn measure_and_replace<T, F, E>(&self, key: &K, measure: F) -> Result<T, E>
    where
        F: Fn(Option<Nanos>) -> Result<(T, Nanos), E>,
    {
        let mut inner = self.lock();
        if let Some(whole_at) = inner.whole_at.get_mut(key) {
            let (outcome, next) = measure(Some(*whole_at))?;
            *whole_at = next;
            return Ok(outcome);
        }
        if self.has_room(&mut inner) {
            let (outcome, next) = measure(None)?;
            inner.whole_at.insert(key.clone(), next);
            return Ok(outcome);
        }
        let (outcome, next) = measure(inner.newcomers)?;
        inner.newcomers = Some(next);
        Ok(outcome)
    }
}

type Limiter<K> = RateLimiter<K, Bounded<K>, Monotonic, NoOpMiddleware<Duration>>;

fn limiter<K: Ord + Clone + Hash>(rate: Rate, ambient: &Arc<dyn Ambient>, keys_max: usize) -> Limiter<K> {
    let clock = Monotonic(ambient.clone());
    let start = clock.now();
    let also = clock.clone();
    let inner = Inner { whole_at: BTreeMap::new(), newcomers: None, swept_at: Nanos::default() };
    let now = Box::new(move || also.now().duration_since(start));
    RateLimiter::new(rate.quota(), Bounded { keys_max, inner: Mutex::new(inner), now }, clock)
}

fn charge<K: Ord + Clone + Hash>(limiter: &Limiter<K>, key: &K) -> Result<(), Refusal> {
    limiter.check_key(key).map_err(|until| {
        let wait = until.wait_time_from(limiter.clock().now());
        let wait_s = u32::try_from(wait.as_millis().div_ceil(1000)).unwrap_or(u32::MAX);
        Refusal::of(Problem::TooManyRequests).retry_after_s(wait_s.max(1))
    })
}

/// The network an address counts for.
#[must_use]
pub fn network(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        v4 @ IpAddr::V4(_) => v4,
        IpAddr::V6(v6) => IpAddr::V6(Ipv6Addr::from_bits(v6.to_bits() & !u128::from(u64::MAX))),
    }
}

/// The gate of one process.
pub struct Gate {
    addresses: BTreeMap<Lane, Limiter<IpAddr>>,
    devices: BTreeMap<Lane, Limiter<DeviceId>>,
    under_way: Semaphore,
    waiting_max: usize,
    waiting: AtomicUsize,
    by_device: Mutex<BTreeMap<DeviceId, usize>>,
}

impl Gate {
    /// A gate with these allowances and this much room.
    #[must_use]
    pub fn new(ambient: &Arc<dyn Ambient>, rates: &Rates, room: Room) -> Self {
        let of = |payer: Payer| rates.0.iter().filter(move |((_, p), _)| *p == payer).map(|((lane, _), r)| (*lane, *r));
        Self {
            addresses: of(Payer::Address).map(|(lane, r)| (lane, limiter(r, ambient, ALLOWANCES_MAX))).collect(),
            devices: of(Payer::Device).map(|(lane, r)| (lane, limiter(r, ambient, ALLOWANCES_MAX))).collect(),
            under_way: Semaphore::new(room.exchanges),
            waiting_max: room.waiting,
            waiting: AtomicUsize::new(0),
            by_device: Mutex::default(),
        }
    }

    /// Charges an address for a request, before anything of it is read.
    ///
    /// # Errors
    /// `too-many-requests` with the seconds to wait.
    pub fn address(&self, lane: Lane, from: IpAddr) -> Result<(), Refusal> {
        self.addresses.get(&lane).map_or(Ok(()), |limiter| charge(limiter, &network(from)))
    }

    /// Charges a device for a request, once it has shown that it is the device: nobody can use up another's allowance.
    ///
    /// # Errors
    /// `too-many-requests` with the seconds to wait.
    pub fn device(&self, lane: Lane, device: DeviceId) -> Result<(), Refusal> {
        self.devices.get(&lane).map_or(Ok(()), |limiter| charge(limiter, &device))
    }

    /// Lets an exchange begin, in the order in which they came. It ends when what is given is dropped.
    ///
    /// # Errors
    /// `too-many-requests` if the device has too many of its own under way, `busy` if too many wait or it waits too
    /// long.
    pub async fn exchange(&self, device: DeviceId) -> Result<Exchange<'_>, Refusal> {
        let of_device = self.one_more_of(device)?;
        let busy = || Refusal::of(Problem::Busy).retry_after_s(crate::limits::BUSY_RETRY_S);
        if let Ok(permit) = self.under_way.try_acquire() {
            return Ok(Exchange { _permit: permit, _of_device: of_device });
        }
        let _waiting = self.one_more_waits().ok_or_else(busy)?;
        match tokio::time::timeout(EXCHANGE_WAIT, self.under_way.acquire()).await {
            Ok(Ok(permit)) => Ok(Exchange { _permit: permit, _of_device: of_device }),
            Ok(Err(closed)) => Err(Refusal::internal(closed)),
            Err(_) => Err(busy()),
        }
    }

    // Counts are changed by one statement each, so that a panic left nothing half done.
    fn by_device(&self) -> MutexGuard<'_, BTreeMap<DeviceId, usize>> {
        self.by_device.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn one_more_of(&self, device: DeviceId) -> Result<OfDevice<'_>, Refusal> {
        let mut by_device = self.by_device();
        let count = by_device.entry(device).or_insert(0);
        if *count >= DEVICE_EXCHANGES_MAX {
            return Err(Refusal::of(Problem::TooManyRequests).retry_after_s(1));
        }
        *count += 1;
        Ok(OfDevice { gate: self, device })
    }

    fn one_more_waits(&self) -> Option<Waiting<'_>> {
        let more = |waiting: usize| (waiting < self.waiting_max).then_some(waiting + 1);
        let counted = self.waiting.fetch_update(Ordering::Relaxed, Ordering::Relaxed, more);
        counted.is_ok().then(|| Waiting { gate: self })
    }
}

/// An exchange under way.
pub struct Exchange<'a> {
    _permit: SemaphorePermit<'a>,
    _of_device: OfDevice<'a>,
}

/// One exchange of a device, under way or waiting.
struct OfDevice<'a> {
    gate: &'a Gate,
    device: DeviceId,
}

impl Drop for OfDevice<'_> {
    fn drop(&mut self) {
        let mut by_device = self.gate.by_device();
        match by_device.get_mut(&self.device) {
            Some(count) if *count > 1 => *count -= 1,
            _ => {
                by_device.remove(&self.device);
            }
        }
    }
}

/// One exchange that waits.
struct Waiting<'a> {
    gate: &'a Gate,
}

impl Drop for Waiting<'_> {
    fn drop(&mut self) {
        self.gate.waiting.fetch_sub(1, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ambient::NoRandomness;
    use futures_util::FutureExt as _;
    use std::sync::atomic::AtomicU64;

    /// A clock that stands until it is moved.
    #[derive(Default)]
    struct Standing(AtomicU64);

    impl Ambient for Standing {
        fn now_ms(&self) -> i64 {
            0
        }
        fn monotonic_us(&self) -> u64 {
            self.0.load(Ordering::Relaxed)
        }
        fn fill(&self, _: &mut [u8]) -> Result<(), NoRandomness> {
            Err(NoRandomness("none is needed".to_owned()))
        }
    }

    fn gate(settings: &[&str], room: Room) -> (Gate, Arc<Standing>) {
        let clock = Arc::new(Standing::default());
        let settings: Vec<RateSetting> = settings.iter().map(|text| text.parse().expect("a setting")).collect();
        let ambient: Arc<dyn Ambient> = clock.clone();
        (Gate::new(&ambient, &Rates::default().with(&settings), room), clock)
    }

    fn device(n: u8) -> DeviceId {
        DeviceId([n; 16])
    }

    #[test]
    fn who_asks_without_end_uses_up_its_own_allowance_only() {
        let (gate, clock) = gate(&["sync.device=60/10"], Room::default());
        let taken = |n| (0..1_000).filter(|_| gate.device(Lane::Sync, device(n)).is_ok()).count();
        assert_eq!((taken(1), taken(1), taken(2)), (10, 0, 10));
        let refused = gate.device(Lane::Sync, device(1)).expect_err("used up");
        assert_eq!((refused.problem, refused.retry_after_s), (Problem::TooManyRequests, Some(1)));
        // Who waits as long as it was told to is let through, once.
        clock.0.fetch_add(1_000_000, Ordering::Relaxed);
        assert_eq!(taken(1), 1);
        assert!(gate.device(Lane::Read, device(1)).is_ok(), "another lane has an allowance of its own");
    }

    #[test]
    fn the_seconds_to_wait_are_enough() {
        let (gate, clock) = gate(&["token.address=2/1"], Room::default());
        let from = IpAddr::from([203, 0, 113, 9]);
        assert!(gate.address(Lane::Token, from).is_ok());
        clock.0.fetch_add(500_000, Ordering::Relaxed);
        assert_eq!(gate.address(Lane::Token, from).expect_err("used up").retry_after_s, Some(30));
        clock.0.fetch_add(29_000_000, Ordering::Relaxed);
        assert_eq!(gate.address(Lane::Token, from).expect_err("not yet").retry_after_s, Some(1));
        clock.0.fetch_add(1_000_000, Ordering::Relaxed);
        assert!(gate.address(Lane::Token, from).is_ok());
    }

    #[test]
    fn an_address_counts_for_its_network() {
        let same = |a: &str, b: &str| network(a.parse().expect("one")) == network(b.parse().expect("one"));
        assert!(same("2001:db8::1", "2001:db8::ffff:ffff:ffff:ffff"));
        assert!(!same("2001:db8::1", "2001:db8:0:1::1"));
        assert!(same("::ffff:192.0.2.1", "192.0.2.1"));
        assert!(!same("192.0.2.1", "192.0.2.2"));
    }

    #[test]
    fn memory_is_bounded_and_nobody_is_forgotten_for_newcomers() {
        let clock = Arc::new(Standing::default());
        let ambient: Arc<dyn Ambient> = clock.clone();
        let limiter = limiter::<u32>(Rate::of(60, 2), &ambient, 100);
        for key in 0..100 {
            assert!(charge(&limiter, &key).is_ok());
        }
        // Newcomers share one allowance of two; those who were there have their own still, and not more than that.
        assert_eq!((100..10_000).filter(|key| charge(&limiter, key).is_ok()).count(), 2);
        assert_eq!((0..100).filter(|key| charge(&limiter, key).is_ok()).count(), 100);
        assert_eq!((0..100).filter(|key| charge(&limiter, key).is_ok()).count(), 0);
        // Two seconds on all are whole again, and forgotten to make room.
        clock.0.fetch_add(2_000_000, Ordering::Relaxed);
        assert_eq!((100..10_000).filter(|key| charge(&limiter, key).is_ok()).count(), 102);
        assert!(limiter.into_state_store().lock().whole_at.len() <= 100);
    }

    #[tokio::test(start_paused = true)]
    async fn exchanges_are_bounded_wait_in_order_and_one_device_has_few_of_them() {
        let (gate, _) = gate(&[], Room { exchanges: 2, waiting: 3 });
        let now = |n: u8| gate.exchange(device(n)).now_or_never();
        let begun: Vec<_> = [1, 1].into_iter().map(|n| now(n).expect("at once").expect("there is room")).collect();
        // A device has two under way at most: it cannot fill the queue.
        let refused = now(1).expect("at once").err().expect("one too many");
        assert_eq!((refused.problem, refused.retry_after_s), (Problem::TooManyRequests, Some(1)));
        let mut queue: Vec<_> = (2..5).map(|n| Box::pin(gate.exchange(device(n)))).collect();
        assert!(queue.iter_mut().all(|waiting| waiting.as_mut().now_or_never().is_none()), "there is no room");
        let refused = now(5).expect("at once").err().expect("the queue is full");
        assert_eq!((refused.problem, refused.retry_after_s), (Problem::Busy, Some(crate::limits::BUSY_RETRY_S)));
        drop(begun);
        let begun: Vec<_> = queue.iter_mut().map(|waiting| waiting.as_mut().now_or_never()).collect();
        let ready: Vec<bool> = begun.iter().map(Option::is_some).collect();
        assert_eq!(ready, [true, true, false], "the first that came are the first that begin");
        drop((begun, queue));
        let left = (gate.by_device().len(), gate.waiting.load(Ordering::Relaxed), gate.under_way.available_permits());
        assert_eq!(left, (0, 0, 2), "all is given back");
    }

    #[tokio::test(start_paused = true)]
    async fn an_exchange_does_not_wait_without_end() {
        let (gate, _) = gate(&[], Room { exchanges: 1, waiting: 3 });
        let _begun = gate.exchange(device(1)).await.expect("there is room");
        let refused = gate.exchange(device(2)).await.err().expect("it has waited long enough");
        assert_eq!(refused.problem, Problem::Busy);
        assert_eq!(gate.waiting.load(Ordering::Relaxed), 0);
    }

    #[test]
    fn a_setting_is_one_of_the_names_with_two_numbers() {
        for good in ["sync.device=300/100", "read.address=1/1", "enrol.address=60/60"] {
            assert!(good.parse::<RateSetting>().is_ok(), "{good}");
        }
        for bad in ["", "sync=1/1", "enrol.device=1/1", "sync.device=1", "sync.device=0/1", "sync.device=1/-1"] {
            let told = bad.parse::<RateSetting>().expect_err(bad);
            assert!(told.contains("sync.device, sync.address"), "{told}");
        }
    }
}
