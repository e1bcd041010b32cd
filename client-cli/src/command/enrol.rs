//! `pintle enrol`: lets this device into an organisation with a one-time code.
//!
//! Promises: repeating it after a lost reply costs nothing, and a new code may give the device another role; what was
//! recorded before goes out with the first sync. `--as` says whose device it is. With
//! `--anew` nothing recorded is lost: it is carried over to the new log. Never shows or keeps the code.

use super::{Here, me};
use crate::ambient::Ambient;
use crate::follow::{self, Followed, OldKey};
use crate::problem::{Code, Problem};
use crate::store::{Own, Store, SyncRow, Tx};
use crate::transport::{CA_FILE, Failure, Http, Transport, address, not_trusted};
use crate::ui::{Answer, Line, Tone, words};
use crate::{anew, names::Names};
use pintle_core::chain::enrol_text;
use pintle_core::device::NetworkFailure;
use pintle_core::exchange::{Digest, Person, Wanted};
use pintle_core::fact::check_name;
use pintle_core::limits::PAGE_BYTES_START;
use pintle_openapi::endpoints::enrol::{EnrolReply, EnrolRequest};
use serde_json::{Value, json};

/// Let this device into an organisation
#[derive(Debug, clap::Args)]
pub struct Enrol {
    /// Where the server is: https://log.example.org
    #[arg(required_unless_present = "anew")]
    url: Option<String>,
    /// The one-time code the owner gave you: it says what you may do; may also stand behind the address, after #
    code: Option<String>,
    /// As a new device: its key was lost, or is to be changed. While the old key is here, no code is needed
    #[arg(long)]
    anew: bool,
}

struct Enrolled {
    reply: EnrolReply,
    server: String,
    waiting: u64,
    carried_over: u64,
}

/// Enrols, then shows what came of it.
pub(super) fn run(args: &Enrol, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let Some(url) = &args.url else { return change_key(here) };
    // What a camera reads: the code behind the address, where no request carries it.
    let (url, scanned) = url.split_once('#').map_or((url.as_str(), None), |(url, code)| (url, Some(code)));
    let server = address(url)?;
    let code = args.code.as_deref().or(scanned).map(str::trim).filter(|code| !code.is_empty()).ok_or_else(|| {
        Problem::new(Code::UnclearWords, "the one-time code is missing").hint("pintle enrol URL CODE")
    })?;
    let mut store = here.store()?;
    let carried_over = if args.anew {
        anew::begin_anew(&here.home, &mut store, here.ambient)?
    } else {
        refuse_elsewhere(&mut store, &server)?;
        0
    };
    if let Some(name) = here.common.by.as_deref() {
        store.write("record", |tx| named(tx, here.ambient, name))?;
    }
    let (own, person) = store.read(|tx| {
        let own = tx.own()?;
        let name = Names::load(tx)?.person(own.person);
        Ok((own.clone(), Person { id: own.person, name }))
    })?;
    let key = here.home.key(&own.public_key)?;
    let request = EnrolRequest {
        code: code.to_owned(),
        key: own.public_key,
        mark: own.mark.clone(),
        person,
        proof: key.sign(&enrol_text(code, &own.public_key)),
    };
    let reply = Http::new(&server, here.ambient.variable(CA_FILE).as_deref())?.enrol(&request).map_err(refused)?;
    if reply.device != own.device {
        return Err(Problem::new(Code::Distrusted, "the server answered about another device"));
    }
    let other = |sync: &SyncRow| sync.organisation != reply.organisation.id;
    if store.read(|tx| tx.sync())?.as_ref().is_some_and(other) {
        return Err(Problem::new(Code::Distrusted, "the server answered about another organisation"));
    }
    let waiting = keep(&mut store, &server, &reply)?;
    here.ui.show(&Enrolled { reply, server, waiting, carried_over })
}

/// Lets somebody in by name. Before anything is recorded that is the name of whoever holds the device.
fn named(tx: &Tx<'_>, ambient: &dyn Ambient, name: &str) -> Result<(), Problem> {
    if tx.entries_held()? > 0 || tx.sync()?.is_some() {
        return me::hand_to(tx, ambient, name).map(|_| ());
    }
    check_name(name)?;
    tx.add_person(tx.own()?.person, name.trim())
}

/// Goes on under a new key that the old one vouches for; the old one ends with it.
fn change_key(here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let mut store = here.store()?;
    let sync = store.read(|tx| tx.enrolled())?;
    // Where a copy goes on with the old key, it is the office that ends one of them.
    let old_key = if sync.copied { OldKey::GoesOn } else { OldKey::Ends };
    let transport = Http::new(&sync.server, here.ambient.variable(CA_FILE).as_deref())?;
    match follow::go_on(&here.home, &mut store, here.ambient, &transport, old_key)? {
        Followed::Not(failure) => Err(refused(failure)),
        Followed::Done { reply, carried_over } => {
            let waiting = store.read(|tx| tx.unplaced(tx.own()?.device))?;
            here.ui.show(&Enrolled { reply: *reply, server: sync.server, waiting, carried_over })
        }
    }
}

/// A device keeps one ledger. At the same server a new code is welcome: it may give the device another role.
fn refuse_elsewhere(store: &mut Store, server: &str) -> Result<(), Problem> {
    match store.read(|tx| tx.sync())? {
        Some(sync) if sync.server != server => {
            let sentence = format!("this device is with {} at {} already", sync.organisation_name, sync.server);
            Err(Problem::new(Code::Enrolled, sentence).hint("pintle sync"))
        }
        _ => Ok(()),
    }
}

fn refused(failure: Failure) -> Problem {
    match failure {
        Failure::Network(NetworkFailure::NotOurs) | Failure::ClockOff { .. } => {
            Problem::new(Code::NotOurs, "Something answered that is not a Pintle server; nothing is lost.")
                .hint("is the address right?")
        }
        Failure::Network(NetworkFailure::Untrusted) => not_trusted("nothing is lost"),
        Failure::Network(_) => {
            Problem::new(Code::NoSignal, "No signal; recording works without.").hint("later, the same again")
        }
        Failure::Refused(refusal) => {
            Problem::new(Code::ServerRefused, format!("the server refused: {}", refusal.detail)).detail(refusal.code)
        }
    }
}

fn keep(store: &mut Store, server: &str, reply: &EnrolReply) -> Result<u64, Problem> {
    store.write("store", |tx| {
        let own = Own { mark: reply.mark.clone(), ..tx.own()? };
        tx.set_own(&own)?;
        if let Some(known) = tx.sync()? {
            // What has been delivered stays delivered. The baton is the ledger's that gave it; and who has heard of that
            // ledger keeps the one it has, which shows the server if the ledger went back since.
            let takes = known.store == reply.store && known.cursor.is_none();
            let baton = if takes { reply.baton } else { known.baton };
            tx.set_sync(&SyncRow { baton, role: Some(reply.role), ..known })?;
            return tx.unplaced(own.device);
        }
        tx.set_sync(&SyncRow {
            server: server.to_owned(),
            organisation: reply.organisation.id,
            organisation_name: reply.organisation.name.clone(),
            store: reply.store,
            epoch: reply.epoch,
            baton: reply.baton,
            cursor: None,
            digest: Digest::default(),
            copied: false,
            directory: 0,
            bytes_max: PAGE_BYTES_START,
            last: None,
            role: Some(reply.role),
            wanted: Wanted::default(),
            wanted_told: true,
            held: Wanted::default(),
        })?;
        tx.unplaced(own.device)
    })
}

impl Answer for Enrolled {
    fn lines(&self) -> Vec<Line> {
        let mut lines = vec![Line::toned(Tone::Strong, &self.reply.mark).plain(format!(
            " is in at {}, as {}",
            self.reply.organisation.name,
            self.reply.role.as_str()
        ))];
        if self.carried_over > 0 {
            let carried = words::counted(self.carried_over, "entry", "entries");
            lines.push(Line::of(format!("{carried} carried over to the new log")));
        }
        if self.waiting > 0 {
            let waiting = words::counted(self.waiting, "entry waits", "entries wait");
            lines.push(Line::of(format!("{waiting} for the first sync")));
        }
        lines.push(Line::toned(Tone::Faint, "> ").plain("pintle sync"));
        lines
    }

    fn json(&self) -> Value {
        json!({
            "organisation": self.reply.organisation,
            "server": self.server,
            "device": self.reply.device,
            "mark": self.reply.mark,
            "role": self.reply.role,
            "waiting": self.waiting,
            "carried_over": self.carried_over,
        })
    }
}
