//! `pintle verify`: checks a service-history file, without any network and without a log.
//!
//! Promises: the file is read once, line by line, and never held whole; every place where something is wrong is named;
//! what no file can prove is said every time. The exit code says how it stands. With `--page` a page of the file is made,
//! which checks it in a browser, whatever the verdict; without a file a page that checks those it is given. A PDF is as good
//! as the file that it was printed from and that is inside it.
//!
//! Never trusts a key, an authority or a witness that the file brings: these come another way, with `--key`, `--authority`
//! and `--witness`.

use super::Here;
use crate::attached::{PDF_BEGIN, PDF_BYTES_MAX, take_out};
use crate::file;
use crate::problem::{Code as ProblemCode, Problem};
use crate::ui::{Answer, Line, Tone, words};
use flate2::bufread::GzDecoder;
use pintle_core::history::LINE_BYTES_MAX;
use pintle_core::history::page::{checker, page};
use pintle_core::history::stamped::{Stamped, Tally, Weight};
use pintle_core::history::verdict::{About, NOT_PROVED, Standing, Verdict, Witness};
use pintle_core::history::verify::Verifier;
use pintle_core::ids::{Hash, PublicKey};
use pintle_core::moment::Moment;
use pintle_core::proof::note::{Kind, Signer};
use pintle_core::stamp::Authority;
use serde_json::{Value, json};
use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

/// Largest file of certificates.
const PEM_BYTES_MAX: u64 = 1024 * 1024;

/// Check a service-history file, offline
#[derive(Debug, clap::Args)]
#[command(after_help = CODES)]
pub struct Verify {
    /// The file, or the PDF it is inside of
    #[arg(required_unless_present = "page")]
    file: Option<PathBuf>,
    /// Also make a page that shows and checks the file in any browser; without a file one for any file
    #[arg(long, value_name = "PAGE")]
    page: Option<PathBuf>,
    /// The organisation's key, as it was told another way than in the file
    #[arg(long, value_name = "KEY", allow_hyphen_values = true)]
    key: Option<String>,
    /// Certificates (PEM) of time stamp authorities that you trust: their stamps in the file are judged
    #[arg(long, value_name = "PEM", requires = "file")]
    authority: Option<PathBuf>,
    /// Key (name+id+key) of an outside witness that you know; repeatable: its co-signature of the record is judged
    #[arg(long = "witness", value_name = "KEY", requires = "file")]
    witnesses: Vec<String>,
}

const CODES: &str = "\
Exit codes: 0 valid, 1 invalid, 2 incomplete,
3 cannot judge (no --key, or a newer file).";

/// Reads the file and shows the verdict.
pub(super) fn run(args: &Verify, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let pin = args.key.as_deref().map(key).transpose()?;
    let Some(file) = &args.file else { return checking_page(args, here) };
    let taken = taken_out(file)?;
    let known = args.witnesses.iter().map(|key| witness(key)).collect::<Result<Vec<_>, _>>()?;
    let authorities = args.authority.as_deref().map(authorities).transpose()?.unwrap_or_default();
    let verifier = Verifier::new(pin).believing(authorities);
    let verdict = match &taken {
        Some(bytes) => judge(bytes.as_slice(), verifier),
        None => judge(BufReader::new(open(file)?), verifier),
    };
    if let Some(path) = &args.page {
        let whole = taken.clone().map_or_else(|| bytes(file), Ok)?;
        file::write(path, page(&whole, None).as_bytes())?;
    }
    let problem = problem(&verdict, file);
    let sha256 = taken.map(|bytes| grouped(&Hash::of(&[&bytes])));
    let (has_key, has_authority) = (pin.is_some(), args.authority.is_some());
    here.ui.show(&Report { verdict, has_key, has_authority, known, page: args.page.clone(), sha256 })?;
    problem.map_or(Ok(()), Err)
}

/// Makes a page that holds no file.
fn checking_page(args: &Verify, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let Some(path) = &args.page else { return Ok(()) };
    file::write(path, checker().as_bytes())?;
    here.ui.show(&Checker { path: path.clone() })
}

/// The bytes of a file, which a page holds whole.
fn bytes(path: &Path) -> Result<Vec<u8>, Problem> {
    std::fs::read(path).map_err(|error| {
        Problem::new(ProblemCode::FileFailed, format!("cannot read {}", path.display())).detail(&error)
    })
}

/// A key as it is printed: base64url, or the verifier key of a signed note.
fn key(text: &str) -> Result<PublicKey, Problem> {
    let read = text.parse().ok().or_else(|| Signer::from_vkey(text).map(|signer| signer.key));
    read.ok_or_else(|| {
        Problem::new(ProblemCode::UnclearWords, format!("{text:?} is no key: it has 43 characters"))
            .hint("the office sees it with: pintle history --key")
    })
}

/// A witness's key, as it publishes it.
fn witness(text: &str) -> Result<Signer, Problem> {
    Signer::from_vkey(text).filter(|signer| signer.kind == Kind::Witness).ok_or_else(|| {
        Problem::new(ProblemCode::UnclearWords, format!("{text:?} is no witness's key"))
            .hint("it is written name+id+key; the witness publishes it")
    })
}

/// The authorities of a file of certificates.
fn authorities(path: &Path) -> Result<Vec<Authority>, Problem> {
    let mut pem = Vec::new();
    let read = open(path)?.take(PEM_BYTES_MAX + 1).read_to_end(&mut pem);
    read.map_err(|error| unreadable(path).detail(&error))?;
    let authorities = if pem.len() as u64 > PEM_BYTES_MAX { None } else { Authority::read_pem(&pem) };
    authorities.filter(|authorities| !authorities.is_empty()).ok_or_else(|| {
        Problem::new(ProblemCode::FileFailed, format!("{} has no certificate that can be read", path.display()))
            .hint("the authority publishes it; in a PEM file it stands after -----BEGIN CERTIFICATE-----")
    })
}

fn open(path: &Path) -> Result<File, Problem> {
    File::open(path).map_err(|error| unreadable(path).detail(&error))
}

fn unreadable(path: &Path) -> Problem {
    Problem::new(ProblemCode::FileFailed, format!("cannot read {}", path.display()))
}

/// The history file, where a path is of a PDF that has one inside.
fn taken_out(path: &Path) -> Result<Option<Vec<u8>>, Problem> {
    let failed = |error: std::io::Error| unreadable(path).detail(&error);
    let mut file = open(path)?;
    let mut pdf = Vec::new();
    file.by_ref().take(PDF_BEGIN.len() as u64).read_to_end(&mut pdf).map_err(failed)?;
    if pdf != PDF_BEGIN {
        return Ok(None);
    }
    let read = file.take(PDF_BYTES_MAX).read_to_end(&mut pdf).map_err(failed)?;
    if read as u64 >= PDF_BYTES_MAX {
        return Err(unreadable(path).detail(format!("a PDF of more than {PDF_BYTES_MAX} bytes")));
    }
    take_out(&pdf).map(Some).map_err(|why| {
        Problem::new(ProblemCode::FileFailed, format!("{} {}", path.display(), why.told()))
            .hint("take the history file out with a PDF reader, then: pintle verify FILE")
    })
}

/// As a paper prints it: in words of eight digits.
fn grouped(hash: &Hash) -> String {
    let digits: Vec<char> = hash.hex().chars().collect();
    digits.chunks(8).map(|word| word.iter().collect::<String>()).collect::<Vec<_>>().join(" ")
}

fn judge(file: impl BufRead, mut verifier: Verifier) -> Verdict {
    // Whatever cannot be inflated ends the file there: the verifier says after which entry.
    let mut lines = BufReader::new(GzDecoder::new(file));
    while let Some(line) = line(&mut lines) {
        verifier.line(&line);
    }
    verifier.finish()
}

/// The next line without its end; none at the end or where the file is damaged. One that is too long is cut, which the
/// verifier refuses.
fn line(from: &mut impl BufRead) -> Option<Vec<u8>> {
    let mut line = Vec::new();
    let most = LINE_BYTES_MAX as u64 + 2;
    match from.by_ref().take(most).read_until(b'\n', &mut line) {
        Ok(0) | Err(_) => None,
        Ok(_) => {
            if line.last() == Some(&b'\n') {
                line.pop();
            }
            Some(line)
        }
    }
}

/// How the process ends, where the file is not simply valid.
fn problem(verdict: &Verdict, path: &Path) -> Option<Problem> {
    let (code, told, hint) = match verdict.standing {
        Standing::Valid => return None,
        Standing::Invalid => (ProblemCode::HistoryInvalid, "does not verify", None),
        Standing::Incomplete => (ProblemCode::HistoryIncomplete, "is not complete", Some("ask for the whole file")),
        Standing::CannotJudge => (
            ProblemCode::HistoryUnjudged,
            "cannot be judged",
            Some("get the organisation's key another way, then: pintle verify FILE --key KEY"),
        ),
    };
    let problem = Problem::new(code, format!("{} {told}", path.display()));
    Some(match hint {
        Some(hint) => problem.hint(hint),
        None => problem,
    })
}

struct Checker {
    path: PathBuf,
}

impl Answer for Checker {
    fn lines(&self) -> Vec<Line> {
        vec![
            Line::of(format!("{} checks the service histories that are dropped on it.", self.path.display())),
            Line::of("Open it in a browser; it needs no network."),
        ]
    }

    fn json(&self) -> Value {
        json!({"page": self.path})
    }
}

struct Report {
    verdict: Verdict,
    has_key: bool,
    has_authority: bool,
    /// The witnesses whose keys the reader knows.
    known: Vec<Signer>,
    page: Option<PathBuf>,
    /// Of the file that was taken out of a PDF, as the paper prints it.
    sha256: Option<String>,
}

impl Answer for Report {
    fn lines(&self) -> Vec<Line> {
        let Verdict { standing, failures, failures_more, about } = &self.verdict;
        let tone = if *standing == Standing::Valid { Tone::Strong } else { Tone::Danger };
        let mut lines = vec![Line::toned(tone, standing.word().to_uppercase()).plain(self.summary())];
        lines.extend(failures.iter().map(|failure| Line::toned(Tone::Danger, "! ").plain(&failure.told)));
        if *failures_more > 0 {
            lines.push(Line::of(format!("and {failures_more} more")));
        }
        if let Some(sha256) = &self.sha256 {
            lines.push(Line::of("of the file inside this PDF; its SHA-256, which the paper must have too:"));
            lines.push(Line::of(sha256.clone()));
        }
        lines.extend(shown(about));
        lines.extend(self.witnessed());
        lines.extend(self.stamped());
        lines.push(Line::toned(Tone::Strong, "Not proved by any file:"));
        lines.extend(NOT_PROVED.iter().map(|what| Line::of(format!("- {what}"))));
        lines.extend(self.page.iter().map(|path| Line::of(format!("page in {}", path.display()))));
        lines
    }

    fn json(&self) -> Value {
        let Verdict { standing, failures, failures_more, about } = &self.verdict;
        let failures: Vec<Value> = failures
            .iter()
            .map(|failure| json!({"code": failure.code.as_str(), "line": failure.line, "told": failure.told}))
            .collect();
        let witness = |Witness { signer, time_s }: &Witness| json!({"name": signer.name, "key": signer.vkey(), "time_s": time_s, "known": self.known.contains(signer)});
        let witnesses: Vec<Value> = about.witnesses.iter().map(witness).collect();
        json!({
            "standing": standing.word(),
            "failures": failures,
            "failures_more": failures_more,
            "organisation": about.organisation,
            "machine": about.machine,
            "entries": about.entries,
            "aside": about.aside,
            "with_withheld": about.with_withheld,
            "withheld": about.withheld,
            "devices": about.devices,
            "claimed": about.claimed,
            "longest_gap": about.longest_gap,
            "ahead": about.ahead,
            "checkpoint_ms": about.checkpoint_ms,
            "witnesses": witnesses,
            "stamps": about.stamps.stamps.iter().map(stamp).collect::<Vec<_>>(),
            "proved": self.has_authority.then(|| proved(&about.stamps)),
            "signer": about.signer,
            "not_proved": NOT_PROVED,
            "page": self.page,
            "sha256": self.sha256,
        })
    }
}

impl Report {
    fn summary(&self) -> String {
        match (self.verdict.standing, self.has_key) {
            (Standing::Valid, _) => ": nothing altered, nothing left out, signed by the key you gave".to_owned(),
            (Standing::CannotJudge, false) => ": internally consistent, signer unknown".to_owned(),
            _ => String::new(),
        }
    }

    /// Who has signed beside the server; a witness that nobody here knows is told as a claim.
    fn witnessed(&self) -> Vec<Line> {
        let found = &self.verdict.about.witnesses;
        let told = |Witness { signer, time_s }: &Witness| {
            let (name, time) = (&signer.name, moment(i64::try_from(*time_s).unwrap_or(i64::MAX)));
            match self.known.contains(signer) {
                true => Line::toned(Tone::Strong, format!("co-signed by {name}, whose key you gave: ")).plain(format!(
                    "it has only seen the ledger grow, and all of it was there by {time}, by its clock"
                )),
                false => Line::of(format!(
                    "said to be co-signed by {name}, whose key you did not give: a claim that all of it was there by {time}"
                )),
            }
        };
        let absent = self.known.iter().filter(|known| !found.iter().any(|by| by.signer == **known));
        let missing =
            absent.map(|known| Line::toned(Tone::Odd, format!("not co-signed by {}, whose key you gave", known.name)));
        found.iter().map(told).chain(missing).collect()
    }

    /// What outside clocks say; a stamp that nobody here trusts is told as a claim.
    fn stamped(&self) -> Vec<Line> {
        let about = &self.verdict.about;
        let mut lines = Vec::new();
        for (last, made) in about.stamps.series() {
            let Stamped { authority, at_s, count, weight } = last;
            let stamps = words::counted(made as u64, "time stamp", "time stamps");
            let first = words::counted(*count, "entry", "entries");
            lines.push(match weight {
                Weight::Counts { by_s } => Line::toned(Tone::Strong, format!("proved by {stamps} of {authority}: "))
                    .plain(format!("the first {first} existed by {}", moment(*by_s))),
                Weight::Stranger => Line::of(format!(
                    "{stamps} said to be of {authority}, whom you do not name: a claim that the first {first} existed by {}",
                    moment(*at_s)
                )),
                Weight::Unjudged => Line::of(format!(
                    "{stamps} said to be of {authority}, not judged without --authority: that the first {first} existed by {}",
                    moment(*at_s)
                )),
            });
        }
        let Tally { longest_gap, ahead, .. } = &about.stamps;
        if let Some((gap_s, entry)) = longest_gap {
            let told = format!("longest from the time said to its proof: {} ({entry})", words::span(*gap_s));
            lines.push(Line::of(told));
        }
        if *ahead > 0 {
            let entries = words::counted(*ahead, "entry is", "entries are");
            lines.push(Line::toned(Tone::Odd, format!("{entries} said to be later than a time stamp proves them")));
        }
        let (proved, entries) = (about.stamps.proved(), about.entries);
        if self.has_authority && proved < entries {
            let rest = words::counted(entries - proved, "entry is", "entries are");
            lines.push(Line::of(format!("{rest} under no time stamp that counts")));
        }
        lines
    }
}

fn stamp(stamp: &Stamped) -> Value {
    let standing = match stamp.weight {
        Weight::Counts { .. } => "counts",
        Weight::Stranger => "stranger",
        Weight::Unjudged => "unjudged",
    };
    let Stamped { authority, at_s, count, .. } = stamp;
    json!({"authority": authority, "at_s": at_s, "count": count, "standing": standing, "by_s": stamp.by_s()})
}

fn proved(tally: &Tally) -> Value {
    json!({"entries": tally.proved(), "longest_gap": tally.longest_gap, "ahead": tally.ahead})
}

/// A moment of somebody's clock, in seconds since 1970.
fn moment(second: i64) -> String {
    Moment::at(second, 0).map_or_else(|_| "a time beyond the calendar".to_owned(), |time| time.to_string())
}

/// What the file is of.
fn shown(about: &About) -> Vec<Line> {
    let mut lines = Vec::new();
    if !about.organisation.is_empty() {
        lines.push(Line::of(format!("{} says it is the log of {}", about.organisation, about.machine)));
    }
    let mut entries = words::counted(about.entries, "entry", "entries");
    if let Some((first, last)) = &about.claimed {
        entries += &format!(", said to be of {first} to {last}");
    }
    lines.push(Line::of(format!("{entries}, by {}", words::counted(about.devices, "device", "devices"))));
    if about.aside > 0 {
        lines.push(Line::toned(Tone::Odd, format!("{} set aside: kept, not counted", about.aside)));
    }
    if about.with_withheld > 0 || !about.withheld.is_empty() {
        let what = about.withheld.join(", ");
        let parts = words::counted(about.with_withheld, "entry has", "entries have");
        lines.push(Line::of(format!("withheld: {what} ({parts} a part withheld)")));
    }
    if let Some((gap_s, entry)) = &about.longest_gap {
        lines.push(Line::of(format!(
            "longest from the time said to the server's receipt: {} ({entry})",
            words::span(*gap_s)
        )));
    }
    if about.ahead > 0 {
        let told =
            format!("{} said to be later than their receipt", words::counted(about.ahead, "entry is", "entries are"));
        lines.push(Line::toned(Tone::Odd, told));
    }
    if let Some(signer) = &about.signer {
        lines.push(Line::of(format!("signed by key {signer}")));
    }
    lines
}
