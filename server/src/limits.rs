//! Every limit of the service, with its unit, its default and its reason. Those of a body stand in the contract, those
//! of an entry in core.
//!
//! Reaching one is a coded answer, never a crash.

use crate::app::gate::Rate;
use std::time::Duration;

/// A request's line and headers must have arrived within this time: a phone on a bad line needs a few seconds.
pub const HEAD_DEADLINE: Duration = Duration::from_secs(10);
/// A whole body must have arrived within this time: 256 KiB at 10 KiB/s.
pub const BODY_DEADLINE: Duration = Duration::from_secs(30);
/// In each such stretch of a body's way at least [`BODY_WINDOW_BYTES_MIN`] must arrive.
pub const BODY_WINDOW: Duration = Duration::from_secs(10);
/// A kilobyte a second: what is slower is no phone, but somebody who keeps a place occupied.
pub const BODY_WINDOW_BYTES_MIN: usize = 10 * 1024;
/// A connection that takes nothing of what is sent to it for so long is closed: a phone behind a hill comes back sooner
/// or connects anew.
pub const SEND_STALL: Duration = Duration::from_secs(60);
/// An idle connection is kept for this long.
pub const KEEP_ALIVE: Duration = Duration::from_secs(60);
/// Requests under way may take this long to end once the server was told to stop, in seconds.
pub const SHUTDOWN_S: u64 = 20;
/// Connections one worker (there is one for each processor) holds open; more wait to be accepted. An idle one takes some
/// 20 KB.
pub const CONNECTIONS_MAX: usize = 2_000;
/// Connections one address holds open; the next is closed at once. A crew's devices behind one connection, twice each.
pub const CONNECTIONS_ADDRESS_MAX: usize = 200;
/// How often the certificate's files are looked at.
pub const CERTIFICATE_LOOK: Duration = Duration::from_secs(60);
/// From so many seconds before its end on the log says that the certificate is ending: three weeks, as renewals of 90-day
/// certificates are due a month before.
pub const CERTIFICATE_WARN_S: i64 = 21 * 86_400;
/// A body is inflated in steps of this many bytes, so that a bomb is noticed before it is held.
pub const INFLATE_STEP_BYTES: usize = 16 * 1024;
/// Rows of the ledger one pull looks through, matching or not: some milliseconds of reading.
pub const PULL_ROWS_MAX: usize = 5_000;
/// People a request may name; a crew has a dozen.
pub const PEOPLE_MAX: usize = 200;
/// Machines a device may choose to hear of; a large fleet has some hundred. Who wants more wants all.
pub const WANTED_MACHINES_MAX: usize = 2_000;
/// Sites a device may choose to hear of; a crew works at one or two.
pub const WANTED_SITES_MAX: usize = 20;
/// Rows fetched at once where all are needed.
pub const FETCH_ROWS: usize = 1_000;
/// Machines held in memory over all organisations, beside those of the one being read: some 5 KB each. Beyond it the
/// organisations asked for longest ago are read from their views again, a second for ten thousand machines.
pub const FLEET_MACHINES_MAX: usize = 50_000;
/// Machines whose views are asked for one by one; of more all are read in pages.
pub const VIEWS_SINGLE_MAX: usize = 50;
/// Views written at once, so that a long folding that is cut off has not been in vain.
pub const VIEWS_PUT_MAX: usize = 100;
/// Seconds a caller is told to wait while the database is away.
pub const UNAVAILABLE_RETRY_S: u32 = 5;
/// How often each process learns the keys that sign tokens.
pub const KEY_LOOK: Duration = Duration::from_secs(60);
/// A new key signs so many seconds after it was made: by then every process has learned it, one look missed and all
/// clocks off by their tolerance included.
pub const KEY_LEAD_S: i64 = 300;
/// Documents set on paper at once: each keeps a processor busy, and the others are for those who record.
pub const PRINTS_MAX: usize = 1;
/// Who asks for a document waits so long for those before: some bills' time, less than a person's patience.
pub const PRINT_WAIT: Duration = Duration::from_secs(15);
/// Setting one document may take so long before the caller is told that it is too long; it goes on to its end, and the
/// next waits for it.
pub const PRINT_DEADLINE: Duration = Duration::from_secs(60);
/// Tolerance for clocks of several servers, and of a device just corrected, in seconds.
pub const CLOCK_LEEWAY_S: i64 = 30;
/// Longest token or assertion that is looked at, in bytes: ours have some 500.
pub const TOKEN_BYTES_MAX: usize = 4_096;
/// Exchanges of one device, a minute and at once. One takes in 500 entries or gives out 512 KiB, so that a device back
/// from a season without signal is done within its hundred; after those, five a second still move 2.5 MB/s.
pub const SYNC_DEVICE_RATE: Rate = Rate::of(300, 100);
/// Exchanges from one address: a crew's devices behind one connection, or all of a mobile network's behind a few.
pub const SYNC_ADDRESS_RATE: Rate = Rate::of(3_000, 600);
/// Tokens of one device: one lasts 15 minutes.
pub const TOKEN_DEVICE_RATE: Rate = Rate::of(10, 20);
/// Tokens asked for from one address.
pub const TOKEN_ADDRESS_RATE: Rate = Rate::of(300, 200);
/// Enrolments asked for from one address: a depot lets in its devices in one morning. Those that fail have a limit of
/// their own, [`ENROL_FAILURES_MAX`].
pub const ENROL_ADDRESS_RATE: Rate = Rate::of(60, 100);
/// Reads of one device: a page of a screen asks for some ten lists.
pub const READ_DEVICE_RATE: Rate = Rate::of(600, 300);
/// Reads from one address, those without a token included.
pub const READ_ADDRESS_RATE: Rate = Rate::of(3_000, 1_000);
/// Addresses, and devices, with an allowance of their own at once, in each lane: some 100 bytes each. Beyond it
/// newcomers share one.
pub const ALLOWANCES_MAX: usize = 10_000;
/// Exchanges under way at once in one process: each holds up to 3 MB and a connection of the database.
pub const EXCHANGES_MAX: usize = 32;
/// Exchanges that wait for those: each holds its request, 2 MiB at most.
pub const EXCHANGES_WAITING_MAX: usize = 128;
/// How long one waits: as long as a database is waited for.
pub const EXCHANGE_WAIT: Duration = Duration::from_secs(15);
/// Exchanges one device may have under way or waiting: one, and one more whose caller gave up and came again.
pub const DEVICE_EXCHANGES_MAX: usize = 2;
/// Seconds a caller is told to wait when too many wait already.
pub const BUSY_RETRY_S: u32 = 5;
/// Enrolments that may fail from one address within [`ENROL_WINDOW_MS`]: typing errors, not guessing.
pub const ENROL_FAILURES_MAX: u32 = 20;
/// The window for it, in milliseconds.
pub const ENROL_WINDOW_MS: i64 = 10 * 60 * 1000;
/// Addresses whose failed enrolments are remembered; beyond it newcomers are counted together.
pub const ENROL_ADDRESSES_MAX: usize = 10_000;
pub use pintle_openapi::endpoints::codes::{CODE_HOURS_DEFAULT, CODE_HOURS_MAX};
/// The least version of a client that should still be used.
pub const CLIENT_MIN: &str = "0.1.0";
/// How often each process looks whether a ledger has grown: a checkpoint is at most two seconds behind.
pub const TREE_LOOK: Duration = Duration::from_secs(1);
/// Entries added to a tree in one transaction: some milliseconds, in which on SQLite no push is written.
pub const TREE_ROWS: usize = 500;
/// Entries about a machine that are read at once while its service history is made.
pub const HISTORY_ROWS: usize = 1_000;
/// A call to another server, its name looked up and its answer read included: authorities answer in less than a second, and
/// whoever waits for nothing else can wait ten.
pub const OUTGOING_DEADLINE: Duration = Duration::from_secs(10);
/// To connect, and to shake hands, within that.
pub const OUTGOING_CONNECT: Duration = Duration::from_secs(4);
/// Addresses of one name that are tried.
pub const OUTGOING_ADDRESSES_MAX: usize = 4;
/// How long chunks of a file stay that nobody goes on with.
pub const FILE_PARTS_KEPT: Duration = Duration::from_secs(7 * 24 * 3600);
/// How often a store of photos beyond this machine is asked again.
pub const FILES_RETRIES: usize = 2;
/// Where photos are kept, if the operator does not say and the database is no file.
pub const FILES_DEFAULT: &str = "pintle.files";
/// How often each process looks whether a notice is due.
pub const NOTICE_LOOK: Duration = Duration::from_secs(2);
/// How often each process looks whether a checkpoint is to be stamped; an authority that failed is asked again then.
pub const STAMP_LOOK: Duration = Duration::from_secs(60);
/// How often each process looks whether a checkpoint is to be co-signed: a history made this long after the last entry came
/// has the lines of its witnesses.
pub const COSIGN_LOOK: Duration = Duration::from_secs(10);
/// The same once a witness did not sign.
pub const COSIGN_AGAIN: Duration = Duration::from_secs(60);
/// Hours from one stamp to the next, if the operator does not say: what was recorded is then provably there within a day.
pub const STAMP_HOURS_DEFAULT: u32 = 24;
/// Most hours: a year.
pub const STAMP_HOURS_MAX: u32 = 366 * 24;
/// Notices sent in one look, one after the other: a receiver that never answers holds up the rest for so many deadlines.
pub const NOTICES_AT_ONCE: usize = 8;
