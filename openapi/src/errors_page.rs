//! docs/ERRORS.md, printed from the tables.
//!
//! Promises: the page holds every problem code with its status, title and hint, and every code an entry can be set
//! aside with. A test compares the committed page.

use crate::problem::Problem;
use pintle_core::fault::code;
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// Codes with which an entry is set aside: kept and shown, but not counted until a person has judged it.
pub const ASIDE: &[(&str, &str)] = &[
    (code::BAD_TEXT, "A text of the entry holds a character that must not be stored."),
    (code::MALFORMED_ENTRY, "A field the kind of entry needs is missing or has the wrong type."),
    (code::OUT_OF_RANGE, "A number or text of the entry lies outside its limits."),
    (code::BAD_TIME, "A time is no RFC 3339 time to the second between 1970 and 9998."),
    (code::ENTRY_TOO_LARGE, "The entry is larger than 32 KiB."),
    (code::MACHINE_SEQUENCE_GAP, "The device's running count for the machine jumps or repeats."),
    (code::DEVICE_REVOKED, "The device had been revoked before it pushed the entry."),
    (code::NOT_PERMITTED, "The role of the device may not make an entry of this kind, or only the server may."),
    (code::BAD_FILENAME, "The name of a photo or document is empty, too long, or holds a control character."),
    (code::BAD_TARGET, "The entry names a target that cannot be corrected, struck or settled that way."),
];

/// Codes with which the cursor of a pull is refused; the device starts again without one and loses nothing.
pub const CURSOR: &[(&str, &str)] = &[
    ("other-ledger", "The cursor comes from another database."),
    ("other-epoch", "The ledger was restored from an older copy since."),
    ("not-authentic", "The cursor was not made by this server for this organisation."),
    ("rewritten", "Another entry stands at the cursor's position now, or none."),
    ("wanted-changed", "The device wants other machines than it did."),
];

/// The line after which the page is written by hand.
pub const GENERATED_END: &str = "<!-- Generated up to here; below, by hand. -->\n";

/// The generated part of the page, up to and with [`GENERATED_END`].
#[must_use]
pub fn page() -> String {
    let mut page = String::from("# Errors\n");
    page.push_str(
        "\nGenerated from the tables in `openapi/src/problem.rs` and `openapi/src/errors_page.rs`; a test compares it. \
         Codes are stable: programs may rely on them, titles and hints may be reworded.\n",
    );
    page.push_str(
        "\n## Refused requests\n\nA refused request is answered with `application/problem+json` (RFC 9457): `type` \
         (`urn:pintle:problem:` and the code), `title`, `status`, `code`, `hint`, `request` (id in the server's log), and \
         where they apply `detail`, `pointer` (RFC 6901, into the body), `parameter` (query or header), `now_ms`, \
         `retry_after_s`. Nothing a person recorded is lost by any of them: it stays on the device.\n",
    );
    let mut by_status: BTreeMap<u16, Vec<Problem>> = BTreeMap::new();
    for problem in Problem::ALL {
        by_status.entry(problem.status()).or_default().push(*problem);
    }
    for (status, problems) in by_status {
        let _ = write!(page, "\n### {status}\n\n| code | what | what to do |\n|---|---|---|\n");
        for problem in problems {
            let _ = writeln!(page, "| `{}` | {} | {} |", problem.code(), problem.title(), problem.hint());
        }
    }
    page.push_str(
        "\n## Entries set aside\n\nAn entry that breaks a rule is taken, kept and shown, but not counted until a person \
         has judged it. The reply to the push names it in `push.aside`, with a pointer into the request.\n\n\
         | code | what |\n|---|---|\n",
    );
    for (code, what) in ASIDE {
        let _ = writeln!(page, "| `{code}` | {what} |");
    }
    page.push_str(
        "\n## Refused cursors\n\nA pull whose cursor is not this ledger's has `pull.outcome` = `refused` and one of these \
         in `pull.code`. The device asks again without a cursor; what it holds stays.\n\n| code | what |\n|---|---|\n",
    );
    for (code, what) in CURSOR {
        let _ = writeln!(page, "| `{code}` | {what} |");
    }
    page.push('\n');
    page.push_str(GENERATED_END);
    page
}
