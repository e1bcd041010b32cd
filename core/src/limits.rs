//! Every limit of the domain, with its unit, its default and its reason.
//!
//! Reaching one is a coded answer, never a crash. Limits of the service (bodies, rates) live with the server.

/// Largest whole number an entry may hold, ±(2^53−1): beyond it JSON tools that use doubles round silently (RFC 7493).
pub const INTEGER_MAX: i64 = 9_007_199_254_740_991;
/// Deepest nesting of JSON that is read: the parser's own bound is 127, and no entry needs a tenth of it.
pub const JSON_DEPTH_MAX: usize = 64;
/// Largest entry in canonical bytes: a long note is 2 KB, a service plan some 10 KB.
pub const ENTRY_BYTES_MAX: usize = 32 * 1024;
/// Most entries in one push: some weeks of one person's work; more go in the next exchange.
pub const PUSH_ENTRIES_MAX: usize = 500;
/// Longest free text of an entry, in characters.
pub const WORDS_CHARS_MAX: usize = 4_000;
/// Longest name of a machine, point, task, part or person, in characters.
pub const NAME_CHARS_MAX: usize = 120;
/// Most items in one list of an entry (points, parts, closed findings).
pub const LIST_ITEMS_MAX: usize = 200;
/// Most minutes one entry may claim for a piece of work: thirty days around the clock.
pub const MINUTES_MAX: i64 = 43_200;
/// Size of page a device asks for first, in bytes: one slow mobile round trip.
pub const PAGE_BYTES_START: u32 = 64 * 1024;
/// Largest page, in bytes: a device doubles up to it while exchanges succeed.
pub const PAGE_BYTES_MAX: u32 = 512 * 1024;
/// Smallest page, in bytes: a device halves down to it when exchanges time out. It holds any one entry.
pub const PAGE_BYTES_MIN: u32 = 64 * 1024 / 4;
/// Exchanges in a row without progress, while work remains, after which a device stops and says so.
pub const STALLED_EXCHANGES_MAX: u32 = 3;
/// Network attempts in a row that may fail before a device decides that there is no signal.
pub const NETWORK_TRIES_MAX: u32 = 3;
/// Longest a device waits within one sync because a server asked it to, in seconds: a person stands beside it. Asked for
/// longer, it stops and says so; it never asks again before the time is over.
pub const ASKED_WAIT_S_MAX: u32 = 30;
/// A device clock this far off, in seconds, is marked wherever its entries are shown.
pub const CLOCK_OFF_MARKED_S: i64 = 300;
/// Two records of one task on one machine by two devices are a twin within this many meter hours (thousandths).
pub const TWIN_METER_MILLI: i64 = 2_000;
/// The same within this many seconds where one of them has no reading: twelve hours, one working day.
pub const TWIN_CLOCK_S: i64 = 12 * 3600;
/// Largest telematics document, in bytes: a page of 100 machines has some 100 KB.
pub const TELEMATICS_BYTES_MAX: usize = 4 * 1024 * 1024;
/// Most machines one telematics document may tell of: feeds give pages of 100.
pub const TELEMATICS_MACHINES_MAX: usize = 5_000;
/// Largest file of `pintle carry`, in bytes: some years of a crew, and what a phone holds in memory at once.
pub const CARRY_BYTES_MAX: usize = 32 * 1024 * 1024;
/// Largest line of such a file, in bytes: one run of [`CARRY_RUN_BYTES`] and a last entry beside its seal.
pub const CARRY_LINE_BYTES_MAX: usize = 1024 * 1024;
/// Most lines of such a file: runs, devices and people of a large organisation.
pub const CARRY_LINES_MAX: usize = 20_000;
/// A run that is sealed to be carried ends once it has so many bytes of entries: it goes into one request to a server.
pub const CARRY_RUN_BYTES: u32 = 64 * 1024;
/// Most bytes of entries told by a series of codes, inflated: some tens of entries.
pub const CARRY_TEXT_BYTES_MAX: usize = 256 * 1024;
/// Most codes in a series: what a person holds a camera to before a file is quicker.
pub const CARRY_CODES_MAX: usize = 60;
/// Most devices an entry names as carried; of more, those beyond cost no more than a clash that is none.
pub const ALSO_SEEN_MAX: usize = 64;
/// Notes and repairs a book lists; older ones are counted and stand in the log.
pub const BOOK_LIST_MAX: usize = 20;
/// Most files one entry names: a finding from all sides, and a paper.
pub const FILES_MAX: usize = 8;
/// Largest photo or document, in bytes: a phone's photo has some 5 MB, a scan of ten pages as much again.
pub const FILE_BYTES_MAX: u64 = 20 * 1024 * 1024;
/// A file is carried in pieces of this many bytes: some seconds of a slow mobile line, and what is lost when it breaks.
pub const FILE_CHUNK_BYTES: u64 = 256 * 1024;
/// Most points of a picture: phones take up to 50 million. Decoded they take three bytes each.
pub const PHOTO_PIXELS_MAX: u64 = 50_000_000;
/// Most points of a picture along one side: a panorama has some 16,000.
pub const PHOTO_SIDE_MAX: u32 = 20_000;
/// Largest thumbnail of a photo, in bytes.
pub const THUMBNAIL_BYTES_MAX: u64 = 32 * 1024;
