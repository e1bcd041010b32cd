//! Writes service histories into a folder, each as file, page, PDF on both papers, and the summary in JSON, so that other
//! programs can compare what page and paper say, and read the PDF.
//!
//! `history_paper FOLDER [BIG_WEEKS]`. Promises: page and PDF are the product's own, made from the same file as a server makes
//! them; the key to check with stands in `key`.

use flate2::Compression;
use flate2::write::GzEncoder;
use pintle_core::book::book;
use pintle_core::history::page::page;
use pintle_core::history::record::Reading;
use pintle_core::history::summary::Summary;
use pintle_print::{Paper, history};
use pintle_tests::scene::{Ledger, WEEKS, pin, played, story, ugly};
use std::io::{Error, Result, Write as _};
use std::path::Path;

fn written(folder: &Path, name: &str, ledger: &Ledger, withheld: &[&str]) -> Result<()> {
    let mut file = GzEncoder::new(Vec::new(), Compression::best());
    let mut reading = Reading::new(Some(pin()));
    for line in ledger.file(withheld) {
        writeln!(file, "{line}")?;
        reading.line(line.as_bytes());
    }
    let (file, record) = (file.finish()?, reading.finish());
    let top = record.top.as_ref().ok_or_else(|| Error::other("the file has no top"))?;
    let summary = Summary::of(&record);
    let put = |end: &str, bytes: &[u8]| std::fs::write(folder.join(format!("{name}.{end}")), bytes);
    put("gz", &file)?;
    put("html", page(&file, Some(&book(top.machine, &record.entries))).as_bytes())?;
    put("json", &serde_json::to_vec(&summary)?)?;
    for (end, paper) in [("a4.pdf", Paper::A4), ("letter.pdf", Paper::Letter)] {
        let pdf = history::pdf(&file, &record, &summary, paper).map_err(Error::other)?;
        put(end, &pdf)?;
    }
    Ok(())
}

fn main() -> Result<()> {
    let mut arguments = std::env::args().skip(1);
    let folder = arguments.next().ok_or_else(|| Error::other("history_paper FOLDER [BIG_WEEKS]"))?;
    let big = arguments.next().and_then(|weeks| weeks.parse().ok());
    let folder = Path::new(&folder);
    std::fs::write(folder.join("key"), pin().to_string())?;
    written(folder, "small", &story(), &["office"])?;
    written(folder, "year", &played(WEEKS), &["office"])?;
    written(folder, "withheld", &played(WEEKS / 4), &["names", "office", "words"])?;
    written(folder, "ugly", &ugly(), &[])?;
    if let Some(weeks) = big {
        written(folder, "big", &played(weeks), &["office"])?;
    }
    Ok(())
}
