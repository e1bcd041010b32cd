//! Prints the use per day that core finds for each line of entries it is given, so that another program can compare.
//!
//! Promises: a line in is a list of entries about one machine, `[["meter_read", SECOND, BODY], …]`; the line out is the
//! rate of its first meter as the book has it, or `null`. The way is the product's: entries, fold, book.

use pintle_core::book::book;
use pintle_core::moment::Moment;
use pintle_tests::log::Log;
use serde_json::{Map, Value, json};
use std::io::{BufRead as _, Error, Result, Write as _};

fn main() -> Result<()> {
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    for line in std::io::stdin().lock().lines() {
        let entries: Vec<(String, i64, Map<String, Value>)> = serde_json::from_str(&line?)?;
        let mut log = Log::new(1);
        for (kind, second, body) in entries {
            let at = Moment::at(second, 0).map_err(Error::other)?;
            log.record(at, &kind, body).map_err(Error::other)?;
        }
        let book = book(log.machine, &log.held);
        let meter = book.meters.first();
        let told = json!({"rate": meter.and_then(|m| m.rate), "doubtful": meter.map_or(0, |m| m.doubtful.len())});
        writeln!(out, "{told}")?;
    }
    out.flush()
}
