//! `pintle carry`: entries between devices without any server: by a file on a stick or in a shared folder, or by QR codes.
//!
//! Promises: a file is written whole under its name or not at all, and one that is there is never written over; what is
//! read is proven first, and nothing of it is taken unless all of it is as its devices sealed it. Says what has not
//! reached the server yet. Photos lie in a folder beside the file, and only what a proven entry names is taken from there. Never
//! needs signal.

use super::Here;
use crate::asked;
use crate::carry::{Selection, Taken, give_one, give_out, refused, take_in};
use crate::file;
use crate::names::{self, Names};
use crate::photos::{self, Along};
use crate::problem::{Code, Problem};
use crate::store::WaitingRun;
use crate::ui::{Answer, Line, Tone, qr, words};
use flate2::Compression;
use flate2::bufread::DeflateDecoder;
use flate2::write::DeflateEncoder;
use pintle_core::carry::{Bundle, DAMAGED, codes};
use pintle_core::entry::{Entry, EntryRef};
use pintle_core::exchange::Carried;
use pintle_core::fault::Fault;
use pintle_core::limits::{CARRY_BYTES_MAX, CARRY_TEXT_BYTES_MAX};
use pintle_core::photo::FileRef;
use serde_json::{Value, json};
use std::io::{Read as _, Write as _};
use std::path::PathBuf;

/// Letters that a code of the alphanumeric mode holds at the lowest level of correction, by the columns it takes with its
/// quiet zone: versions 10 to 3 of ISO/IEC 18004, table 7. Larger ones are hard for a phone's camera.
const CODE_LETTERS: [(usize, usize); 8] =
    [(65, 395), (61, 335), (57, 279), (53, 224), (49, 195), (45, 154), (41, 114), (37, 77)];

/// Bring entries to another device without signal
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Out: pintle carry out /media/stick/crew.pintle
In:  pintle carry in /media/stick/crew.pintle
By camera: pintle carry qr K7-12
Alone: what came by carry and waits for the server.
A file holds what is on this device: keep it as private.")]
pub struct Carry {
    #[command(subcommand)]
    way: Option<Way>,
}

#[derive(Debug, clap::Subcommand)]
enum Way {
    /// Write entries to a new file: what the server may not have yet
    Out(Out),
    /// Take in what another device wrote
    In(In),
    /// Show one entry as QR codes
    Qr(Qr),
}

#[derive(Debug, clap::Args)]
struct Out {
    /// The new file
    file: PathBuf,
    /// Everything from then on, also what the server has
    #[arg(long, value_name = "TIME", allow_hyphen_values = true)]
    since: Option<String>,
    /// Everything about this machine
    #[arg(long, value_name = "MACHINE")]
    machine: Option<String>,
    /// Everything on this device
    #[arg(long, conflicts_with_all = ["since", "machine"])]
    all: bool,
    /// The photos too, in a folder beside the file
    #[arg(long)]
    photos: bool,
}

#[derive(Debug, clap::Args)]
struct In {
    /// The file
    #[arg(required_unless_present = "text")]
    file: Option<PathBuf>,
    /// What a scanner read, one code a line, from the keyboard or a file
    #[arg(long)]
    text: bool,
}

#[derive(Debug, clap::Args)]
struct Qr {
    /// The entry; left out: the newest of this device
    entry: Option<String>,
}

/// Carries, then shows what was done.
pub(super) fn run(args: &Carry, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    match &args.way {
        None => waiting(here),
        Some(Way::Out(args)) => out(args, here),
        Some(Way::In(args)) => take(args, here),
        Some(Way::Qr(args)) => codes_of(args, here),
    }
}

fn out(args: &Out, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let mut store = here.store()?;
    let key = here.home.key(&store.read(|tx| tx.own())?.public_key)?;
    let wall = here.ambient.wall();
    let since = args.since.as_deref().map(|text| asked::moment(text, &wall)).transpose()?;
    let bundle = store.read(|tx| {
        let machine = args.machine.as_deref().map(|name| names::machine(tx, name)).transpose()?;
        let since_s = since.as_ref().map(|since| since.at.second());
        let selection = Selection { whole: args.all, since_s, machine: machine.map(|machine| machine.id) };
        give_out(tx, &key, &selection)
    })?;
    let entries = count(&bundle);
    if entries == 0 {
        return here.ui.show(&Nothing {});
    }
    let bytes = bundle.write().map_err(|fault| refused(&fault))?;
    file::write(&args.file, &bytes).map_err(|problem| problem.hint("elsewhere: pintle carry out FILE"))?;
    let devices = bundle.runs.iter().map(|run| run.device).collect::<std::collections::BTreeSet<_>>().len();
    let named: Vec<FileRef> = bundle.runs.iter().flat_map(|run| &run.push.entries).flat_map(FileRef::of).collect();
    let photos = match args.photos {
        true => {
            let along = photos::carry_out(&here.home, &photos::beside(&args.file), &named);
            // Without its photos it is not what was asked for; under its name the next try would be refused.
            Photos::Along(along.inspect_err(|_| drop(std::fs::remove_file(&args.file)))?)
        }
        false => Photos::Stay(named.len() as u64),
    };
    here.ui.show(&Written { file: args.file.clone(), entries, devices, bytes: bytes.len(), photos })
}

fn take(args: &In, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let bytes = read_in(args)?;
    let bundle = Bundle::read(&bytes).map_err(|fault| refused(&fault))?;
    let now_s = here.ambient.wall().second;
    let mut store = here.store()?;
    let taken = store.write("store", |tx| take_in(tx, &bundle, now_s))?;
    let folder = args.file.as_deref().map(photos::beside).filter(|folder| folder.is_dir());
    let photos = match folder {
        Some(folder) => {
            let entry = |run: &Carried, entry: &Entry| EntryRef { device: run.device, seq: entry.seq() };
            let entries: Vec<EntryRef> =
                bundle.runs.iter().flat_map(|run| run.push.entries.iter().map(move |one| entry(run, one))).collect();
            photos::carry_in(&here.home, &mut store, &folder, &entries)?
        }
        None => 0,
    };
    let names = store.read(Names::load)?;
    here.ui.show(&TakenIn { taken, photos, names })
}

/// The bytes of the file, or those that a series of codes makes up.
fn read_in(args: &In) -> Result<Vec<u8>, Problem> {
    let what = "a carry file";
    let bytes = match &args.file {
        Some(path) => file::read(path, what, CARRY_BYTES_MAX as u64)?,
        None => {
            let mut bytes = Vec::new();
            let read = std::io::stdin().lock().take(CARRY_TEXT_BYTES_MAX as u64).read_to_end(&mut bytes);
            read.map_err(|e| Problem::new(Code::FileFailed, "cannot read what was typed").detail(e))?;
            bytes
        }
    };
    let text = std::str::from_utf8(&bytes).ok().filter(|text| args.text || codes::is_one(text));
    match text {
        Some(text) => unpacked(&codes::read(text).map_err(|fault| refused(&fault))?),
        None if args.text => Err(refused(&Fault::new(DAMAGED, "", "it is no text"))),
        None => Ok(bytes),
    }
}

fn codes_of(args: &Qr, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let mut store = here.store()?;
    let own = store.read(|tx| tx.own())?;
    let key = here.home.key(&own.public_key)?;
    let (name, bundle) = store.read(|tx| {
        let entry = match &args.entry {
            Some(name) => names::entry(tx, name)?,
            None => EntryRef { device: own.device, seq: own.head.seq },
        };
        Ok((Names::load(tx)?.entry(entry), give_one(tx, &key, entry)?))
    })?;
    let bytes = packed(&bundle.write().map_err(|fault| refused(&fault))?)?;
    let columns = here.ui.look.width;
    let fits = CODE_LETTERS.iter().find(|(wide, _)| *wide <= columns);
    let letters = fits.map_or(CODE_LETTERS[7].1, |(_, letters)| *letters);
    let texts = codes::write(&bytes, letters).map_err(|fault| {
        Problem::new(Code::CarryRefused, "the run that this entry was sealed in is too large for codes")
            .hint("pintle carry out FILE")
            .detail(fault)
    })?;
    here.ui.show(&Shown { name, texts, columns })
}

fn packed(bytes: &[u8]) -> Result<Vec<u8>, Problem> {
    let mut encoder = DeflateEncoder::new(Vec::new(), Compression::best());
    let packed = encoder.write_all(bytes).and_then(|()| encoder.finish());
    packed.map_err(|e| Problem::new(Code::FileFailed, "cannot make codes").detail(e))
}

/// Never more than the limit in memory, whatever it is that was packed.
fn unpacked(bytes: &[u8]) -> Result<Vec<u8>, Problem> {
    let mut whole = Vec::new();
    let read = DeflateDecoder::new(bytes).take(CARRY_TEXT_BYTES_MAX as u64 + 1).read_to_end(&mut whole);
    match read {
        Ok(_) if whole.len() <= CARRY_TEXT_BYTES_MAX => Ok(whole),
        Ok(_) => Err(refused(&Fault::new(pintle_core::fault::code::PAYLOAD_TOO_LARGE, "", "too much for codes"))),
        Err(error) => Err(refused(&Fault::new(DAMAGED, "", error.to_string()))),
    }
}

fn count(bundle: &Bundle) -> u64 {
    bundle.runs.iter().map(|run| run.push.entries.len() as u64).sum()
}

fn waiting(here: &mut Here<'_, '_>) -> Result<(), Problem> {
    here.answer(|tx| Ok(Waiting { runs: tx.carried_waiting()?, names: Names::load(tx)? }))
}

struct Nothing {}

impl Answer for Nothing {
    fn lines(&self) -> Vec<Line> {
        vec![
            Line::of("Nothing to carry: the server has all of it."),
            Line::toned(Tone::Faint, "> ").plain("pintle carry out FILE --all"),
        ]
    }

    fn json(&self) -> Value {
        json!({"entries": 0})
    }
}

struct Written {
    file: PathBuf,
    entries: u64,
    devices: usize,
    bytes: usize,
    photos: Photos,
}

/// What became of the photos that the entries name.
enum Photos {
    /// They were not asked for.
    Stay(u64),
    /// Those that are here lie beside the file.
    Along(Along),
}

/// How many photos, in words.
fn counted_photos(count: u64) -> String {
    words::counted(count, "photo", "photos")
}

impl Answer for Written {
    fn lines(&self) -> Vec<Line> {
        let entries = words::counted(self.entries, "entry", "entries");
        let devices = words::counted(self.devices as u64, "log", "logs");
        let mut lines = vec![Line::of(format!("{entries} of {devices} in {}", self.file.display()))];
        match self.photos {
            Photos::Stay(0) | Photos::Along(Along { files: 0, lacking: 0 }) => {}
            Photos::Stay(count) => {
                let told = format!("{} not along; with them: ", counted_photos(count));
                lines.push(Line::toned(Tone::Faint, told).plain("--photos"));
            }
            Photos::Along(Along { files, lacking }) => {
                let mut told = format!("{} in {}", counted_photos(files), photos::beside(&self.file).display());
                if lacking > 0 {
                    told += &format!("; {lacking} not on this device");
                }
                lines.push(Line::of(told));
            }
        }
        lines.push(Line::toned(Tone::Faint, "there: ").plain(format!("pintle carry in {}", self.file.display())));
        lines
    }

    fn json(&self) -> Value {
        let (along, lacking) = match self.photos {
            Photos::Stay(count) => (0, count),
            Photos::Along(Along { files, lacking }) => (files, lacking),
        };
        json!({"file": self.file, "entries": self.entries, "logs": self.devices, "bytes": self.bytes,
               "photos": along, "photos_not_along": lacking})
    }
}

/// What was taken in.
struct TakenIn {
    taken: Taken,
    photos: u64,
    names: Names,
}

impl TakenIn {
    fn odd(&self) -> Vec<Line> {
        let Taken { apart, unknown, beyond, .. } = &self.taken;
        let mut lines = Vec::new();
        for entry in apart {
            let name = self.names.entry(*entry);
            let told =
                format!("From {name} on it contradicts what is here: not counted, kept for the server to judge.");
            lines.push(Line::toned(Tone::Odd, told));
        }
        for (device, entries) in unknown {
            let entries = words::counted(*entries, "entry", "entries");
            let told = format!("{entries} of {} left: nobody here knows that device.", self.names.mark(*device));
            lines.push(Line::toned(Tone::Odd, told).plain(" First: pintle sync"));
        }
        if *beyond > 0 {
            let entries = words::counted(*beyond, "entry", "entries");
            let told = format!("{entries} of this device left: those before them are missing here.");
            lines.push(Line::toned(Tone::Odd, told).plain(" First: pintle sync"));
        }
        lines
    }
}

impl Answer for TakenIn {
    fn lines(&self) -> Vec<Line> {
        let Taken { entries, known, machines, .. } = &self.taken;
        let mut told = match entries {
            0 => "Nothing new".to_owned(),
            _ => format!("{} came by carry", words::counted(*entries, "entry", "entries")),
        };
        if *known > 0 {
            told += &format!(", {known} here already");
        }
        let about: Vec<String> = machines.iter().map(|machine| self.names.machine(*machine)).collect();
        if !about.is_empty() {
            told += &format!("; about {}", about.join(", "));
        }
        let mut lines = vec![Line::of(told + ".")];
        if *entries > 0 {
            lines.push(Line::toned(Tone::Faint, "Not on the server yet: the next sync brings it there."));
        }
        if self.photos > 0 {
            lines.push(Line::of(format!("{} with them.", counted_photos(self.photos))));
        }
        lines.extend(self.odd());
        lines
    }

    fn warnings(&self) -> Vec<Line> {
        self.odd()
    }

    fn json(&self) -> Value {
        let Taken { entries, known, machines, apart, unknown, beyond } = &self.taken;
        let unknown: Vec<Value> =
            unknown.iter().map(|(device, entries)| json!({"device": device, "entries": entries})).collect();
        json!({"entries": entries, "known": known, "machines": machines, "apart": apart, "unknown": unknown,
               "beyond": beyond, "photos": self.photos})
    }
}

struct Shown {
    name: String,
    texts: Vec<String>,
    columns: usize,
}

impl Answer for Shown {
    fn lines(&self) -> Vec<Line> {
        let all = self.texts.len();
        let mut lines = Vec::new();
        for (index, text) in self.texts.iter().enumerate() {
            lines.push(Line::toned(Tone::Strong, &self.name).plain(format!(", code {} of {all}", index + 1)));
            match qr::lines(text, self.columns) {
                Some(code) => lines.extend(code),
                // A screen too narrow for any code: whoever can read it can type it.
                None => lines.push(Line::of(text)),
            }
        }
        lines.push(Line::toned(Tone::Faint, "there: ").plain("pintle carry in --text"));
        lines
    }

    fn json(&self) -> Value {
        json!({"entry": self.name, "codes": self.texts})
    }
}

/// What came by carry and is not known to be with the server.
struct Waiting {
    runs: Vec<WaitingRun>,
    names: Names,
}

fn why(said: &str) -> &'static str {
    match said {
        "gap" => "the server lacks what comes before",
        "unknown_device" => "the server does not know that device",
        "withheld" => "a part of it is withheld here: only its own device can bring it",
        _ => "the server could not take it yet",
    }
}

impl Answer for Waiting {
    fn lines(&self) -> Vec<Line> {
        if self.runs.is_empty() {
            return vec![Line::of("Nothing that came by carry waits here.")];
        }
        let one = |run: &WaitingRun| {
            let mark = self.names.mark(run.device);
            let span = if run.from == run.end.seq { String::new() } else { format!(" to {}", run.end.seq) };
            let line = Line::toned(Tone::Strong, format!("{mark}-{}{span}", run.from));
            line.plain(" came by carry, not yet on the server")
                .with(Tone::Odd, run.said.as_deref().map(|said| format!(": {}", why(said))).unwrap_or_default())
        };
        self.runs.iter().map(one).collect()
    }

    fn json(&self) -> Value {
        let one =
            |run: &WaitingRun| json!({"device": run.device, "from": run.from, "to": run.end.seq, "said": run.said});
        json!({"waiting": self.runs.iter().map(one).collect::<Vec<_>>()})
    }
}
