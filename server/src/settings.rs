//! What the operator can set, by flag or by environment.
//!
//! Promises: every setting has a default that works on one machine. Never a secret on the command line but the
//! database's address, which the environment can hold instead: secrets are made with the database and stay in it.

use crate::app::cosign::Cosigner;
use crate::app::gate::{RateSetting, Rates, Room};
use crate::app::stamp::Stamper;
use crate::http::Front;
use crate::http::source::{Network, Proxies, ProxyHeader};
use crate::limits::{CODE_HOURS_DEFAULT, CODE_HOURS_MAX, EXCHANGES_MAX, STAMP_HOURS_DEFAULT, STAMP_HOURS_MAX};
use crate::outgoing::reach::{Reach, Target};
use crate::tls::TlsFiles;
use clap::{Args, Parser, Subcommand, ValueEnum};
use pintle_core::proof::witness::{Named, read_policy};
use pintle_core::stamp::Authority;
use pintle_store::Role;
use std::net::SocketAddr;
use std::path::PathBuf;

/// The command line of `pintle-server`.
#[derive(Debug, Parser)]
#[command(name = "pintle-server", version, about = "Brings the logs of crews' devices together", long_about = None)]
#[command(args_conflicts_with_subcommands = true)]
pub struct CommandLine {
    /// What to do; without it: serve.
    #[command(subcommand)]
    pub command: Option<Command>,
    /// Settings of `serve`, which may be left out.
    #[command(flatten)]
    pub serve: ServeArgs,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Serve (the default)
    Serve(Box<ServeArgs>),
    /// Make a one-time code that lets one device in
    Code(CodeArgs),
    /// List the devices
    Devices(InOrganisation),
    /// Revoke a device: it may still push, for the office to judge, and no longer read
    Revoke(RevokeArgs),
    /// Back up the SQLite database while it is served, to a file or into a folder
    Backup(BackupArgs),
    /// Put a backup in place of the SQLite database; what lay there is kept under another name
    Restore(RestoreArgs),
    /// Look through the whole database and say exactly what is wrong; may run beside a server
    Check(CheckArgs),
    /// Say that the database was restored from a copy: devices offer again what it lacks
    Restored(Common),
    /// List the keys that sign access tokens, or rotate them
    Keys(KeysArgs),
    /// Have issued bills told to another program, show how that goes, or end it
    Hook(HookArgs),
    /// Have the newest checkpoints stamped now by the authority that is set
    Stamp(StampNowArgs),
    /// Print the key by which a witness knows each ledger, and have the newest checkpoints co-signed now
    Cosign(CosignArgs),
    /// Organisations
    #[command(subcommand)]
    Organisation(OrganisationCommand),
}

/// The database, and how to log.
#[derive(Debug, Clone, Args)]
pub struct Common {
    /// Database: sqlite:FILE?mode=rwc or postgres://…; made and migrated by itself
    #[arg(long, env = "PINTLE_DATABASE", default_value = "sqlite:pintle.db?mode=rwc", hide_env_values = true)]
    pub database: String,
    /// Form of the log on standard error
    #[arg(long, env = "PINTLE_LOG_FORMAT", value_enum, default_value_t = LogFormat::Text)]
    pub log_format: LogFormat,
    /// What to log: error, warn, info, debug, or a filter by module
    #[arg(long, env = "PINTLE_LOG", default_value = "warn,pintle=info,pintle_server=info")]
    pub log: String,
}

/// Form of the log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum LogFormat {
    /// For people.
    Text,
    /// For programs: one JSON object per line.
    Json,
}

/// Settings of `serve`.
#[derive(Debug, Clone, Args)]
pub struct ServeArgs {
    /// Database and log.
    #[command(flatten)]
    pub common: Common,
    /// Address and port to listen on; port 0 takes a free one
    #[arg(long, env = "PINTLE_LISTEN", default_value = "127.0.0.1:8020")]
    pub listen: SocketAddr,
    /// Address at which devices reach this server, shown in enrolment lines; by default the one listened on
    #[arg(long, env = "PINTLE_URL")]
    pub url: Option<String>,
    /// Name of the organisation made at the first start
    #[arg(long, env = "PINTLE_ORGANISATION", default_value = "Our crew")]
    pub organisation: String,
    /// Where photos and documents are kept: a folder, or s3://BUCKET/PREFIX with the AWS_… environment
    /// [default: beside the SQLite database, under its name and .files; else pintle.files]
    #[arg(long, env = "PINTLE_FILES", value_name = "PLACE", verbatim_doc_comment)]
    pub files: Option<String>,
    /// What stands in front of the server, in the open.
    #[command(flatten)]
    pub front: FrontArgs,
    /// Who stamps checkpoints.
    #[command(flatten)]
    pub stamps: StampArgs,
    /// Who co-signs checkpoints.
    #[command(flatten)]
    pub witnesses: WitnessArgs,
}

/// Who co-signs checkpoints (C2SP tlog-witness), so that outsiders hold that the ledger has only grown.
#[derive(Debug, Clone, Args)]
pub struct WitnessArgs {
    /// File of the witnesses that are asked to co-sign checkpoints, with lines: witness NAME KEY URL (C2SP tlog-policy)
    #[arg(long, env = "PINTLE_WITNESSES", value_name = "FILE")]
    pub witnesses: Option<PathBuf>,
    /// The addresses may lead to this machine or a private network
    #[arg(long, env = "PINTLE_WITNESSES_INSIDE", requires = "witnesses")]
    pub witnesses_inside: bool,
}

impl WitnessArgs {
    /// Who co-signs; nobody without a file.
    ///
    /// # Errors
    /// In words, if the file cannot be read or an address cannot be called.
    pub fn cosigners(&self) -> Result<Vec<Cosigner>, String> {
        let Some(file) = &self.witnesses else { return Ok(Vec::new()) };
        let reach = if self.witnesses_inside { Reach::Inside } else { Reach::Public };
        let failed = |told: String| format!("{}: {told}", file.display());
        let text = std::fs::read_to_string(file).map_err(|error| failed(format!("cannot be read: {error}")))?;
        let named = read_policy(&text).map_err(|fault| failed(fault.to_string()))?;
        if named.is_empty() {
            return Err(failed("it has no witness: a line is written: witness NAME KEY URL".to_owned()));
        }
        let cosigner = |Named { signer, url }| {
            let url = url.ok_or_else(|| failed(format!("{} has no address to send checkpoints to", signer.name)))?;
            let whole = format!("{}/add-checkpoint", url.trim_end_matches('/'));
            let target = Target::read(&whole, reach).map_err(|fault| failed(format!("cannot ask {url}: {fault}")))?;
            Ok(Cosigner { signer, target })
        };
        named.into_iter().map(cosigner).collect()
    }
}

/// Settings of `cosign`.
#[derive(Debug, Clone, Args)]
pub struct CosignArgs {
    /// Who co-signs.
    #[command(flatten)]
    pub witnesses: WitnessArgs,
    /// Database and log.
    #[command(flatten)]
    pub common: Common,
}

/// Who stamps checkpoints (RFC 3161), so that an outside clock says by when records existed.
#[derive(Debug, Clone, Args)]
pub struct StampArgs {
    /// Address of a time-stamping authority (RFC 3161 over HTTP): checkpoints are stamped there
    #[arg(long, env = "PINTLE_STAMP_URL", value_name = "URL", requires = "stamp_authority")]
    pub stamp_url: Option<String>,
    /// The authority's own certificate as PEM: only stamps that lead to it are kept
    #[arg(long, env = "PINTLE_STAMP_AUTHORITY", value_name = "FILE", requires = "stamp_url")]
    pub stamp_authority: Option<PathBuf>,
    /// Hours from one stamp to the next, while there is something new
    #[arg(long, env = "PINTLE_STAMP_HOURS", value_name = "HOURS", default_value_t = STAMP_HOURS_DEFAULT,
        value_parser = clap::value_parser!(u32).range(1..=i64::from(STAMP_HOURS_MAX)))]
    pub stamp_hours: u32,
    /// The address may lead to this machine or a private network
    #[arg(long, env = "PINTLE_STAMP_INSIDE", requires = "stamp_url")]
    pub stamp_inside: bool,
}

impl StampArgs {
    /// Who stamps, if anybody does.
    ///
    /// # Errors
    /// In words, if the address cannot be called or the certificate cannot be read.
    pub fn stamper(&self) -> Result<Option<Stamper>, String> {
        let (Some(url), Some(file)) = (&self.stamp_url, &self.stamp_authority) else { return Ok(None) };
        let reach = if self.stamp_inside { Reach::Inside } else { Reach::Public };
        let target = Target::read(url, reach).map_err(|fault| format!("cannot have stamps made at {url}: {fault}"))?;
        let pem = std::fs::read(file).map_err(|error| format!("cannot read {}: {error}", file.display()))?;
        let authorities = Authority::read_pem(&pem)
            .ok_or_else(|| format!("{} holds no certificate as PEM, or something else too", file.display()))?;
        let every_ms = i64::from(self.stamp_hours) * 3_600_000;
        Ok(Some(Stamper { target, authorities, every_ms }))
    }
}

/// Settings of `stamp`.
#[derive(Debug, Clone, Args)]
pub struct StampNowArgs {
    /// Who stamps.
    #[command(flatten)]
    pub stamps: StampArgs,
    /// Database and log.
    #[command(flatten)]
    pub common: Common,
}

/// What the server takes from whom.
#[derive(Debug, Clone, Args)]
pub struct FrontArgs {
    /// A proxy in front of the server, as a network (10.0.0.0/8) or address; repeatable. Only these are believed about
    /// where a request came from
    #[arg(long = "trusted-proxy", env = "PINTLE_TRUSTED_PROXY", value_name = "CIDR", value_delimiter = ',')]
    pub trusted_proxies: Vec<Network>,
    /// The header in which those proxies say so; they must write it themselves
    #[arg(long, env = "PINTLE_PROXY_HEADER", value_enum, default_value_t)]
    pub proxy_header: ProxyHeader,
    /// The server's certificate as PEM, with those between it and its root: it speaks TLS then, and only that
    #[arg(long, env = "PINTLE_TLS_CERT", value_name = "FILE", requires = "tls_key")]
    pub tls_cert: Option<PathBuf>,
    /// The certificate's private key as PEM
    #[arg(long, env = "PINTLE_TLS_KEY", value_name = "FILE", requires = "tls_cert")]
    pub tls_key: Option<PathBuf>,
    /// How often one device or address may ask, like sync.device=300/100 (a minute/at once); repeatable
    #[arg(long = "rate", env = "PINTLE_RATE", value_name = "NAME=MIN/BURST", value_delimiter = ',')]
    pub rates: Vec<RateSetting>,
    /// Exchanges under way at once; more wait
    #[arg(long, env = "PINTLE_EXCHANGES", default_value_t = EXCHANGES_MAX, value_parser = exchanges)]
    pub exchanges: usize,
}

fn exchanges(text: &str) -> Result<usize, String> {
    text.parse()
        .ok()
        .filter(|number| (1..=10_000).contains(number))
        .ok_or_else(|| "a number from 1 to 10000".to_owned())
}

/// Which organisation is meant.
#[derive(Debug, Clone, Args)]
pub struct InOrganisation {
    /// Database and log.
    #[command(flatten)]
    pub common: Common,
    /// The organisation's name; needed only if there are several
    #[arg(long)]
    pub organisation: Option<String>,
}

/// Settings of `code`.
#[derive(Debug, Clone, Args)]
pub struct CodeArgs {
    /// Which organisation.
    #[command(flatten)]
    pub within: InOrganisation,
    /// What the device's person may do: crew, mechanic, office or owner
    #[arg(long, value_parser = role, default_value = "crew")]
    pub role: Role,
    /// Hours until the code expires
    #[arg(long, default_value_t = CODE_HOURS_DEFAULT, value_parser = clap::value_parser!(u32).range(1..=i64::from(CODE_HOURS_MAX)))]
    pub hours: u32,
    /// Address at which devices reach the server
    #[arg(long, env = "PINTLE_URL", default_value = "http://127.0.0.1:8020")]
    pub url: String,
}

/// Settings of `revoke`.
#[derive(Debug, Clone, Args)]
pub struct RevokeArgs {
    /// The device's mark (K7) or id
    pub device: String,
    /// Which organisation.
    #[command(flatten)]
    pub within: InOrganisation,
}

/// Settings of `backup`.
#[derive(Debug, Clone, Args)]
pub struct BackupArgs {
    /// A file that is not there yet, or a folder: there the file is named by the moment
    pub to: PathBuf,
    /// Database and log.
    #[command(flatten)]
    pub common: Common,
}

/// Settings of `restore`.
#[derive(Debug, Clone, Args)]
pub struct RestoreArgs {
    /// The backup
    pub from: PathBuf,
    /// Take the backup even if something recorded is damaged in it
    #[arg(long)]
    pub although_damaged: bool,
    /// Database and log.
    #[command(flatten)]
    pub common: Common,
}

/// Settings of `check`.
#[derive(Debug, Clone, Args)]
pub struct CheckArgs {
    /// Put right what can be computed again: kept views of machines
    #[arg(long)]
    pub mend: bool,
    /// Database and log.
    #[command(flatten)]
    pub common: Common,
}

/// Settings of `keys`.
#[derive(Debug, Clone, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct KeysArgs {
    /// What to do; without it: list.
    #[command(subcommand)]
    pub what: Option<KeysCommand>,
    /// Database and log.
    #[command(flatten)]
    pub common: Common,
}

/// What to do with keys.
#[derive(Debug, Clone, Subcommand)]
pub enum KeysCommand {
    /// Make a new key; the servers change over to it by themselves, without a token lost
    Rotate(RotateArgs),
}

/// Settings of `keys rotate`.
#[derive(Debug, Clone, Args)]
pub struct RotateArgs {
    /// A key has been seen by others: tokens under the old keys are void as soon as each server knows of it, within a
    /// minute
    #[arg(long)]
    pub at_once: bool,
    /// Database and log.
    #[command(flatten)]
    pub common: Common,
}

/// Settings of `hook`.
#[derive(Debug, Clone, Args)]
pub struct HookArgs {
    /// Post a notice of each bill that is issued to this address; its new secret is shown, once
    #[arg(long, value_name = "URL")]
    pub to: Option<String>,
    /// The address may lead to this machine or a private network
    #[arg(long, requires = "to")]
    pub inside: bool,
    /// Tell nobody any more; what waits goes to whatever is set next
    #[arg(long, conflicts_with_all = ["to", "again"])]
    pub off: bool,
    /// Send those anew that were given up
    #[arg(long, conflicts_with = "to")]
    pub again: bool,
    /// Which organisation.
    #[command(flatten)]
    pub within: InOrganisation,
}

/// What to do with organisations.
#[derive(Debug, Subcommand)]
pub enum OrganisationCommand {
    /// Add an organisation and make a code for its owner's first device
    Add(OrganisationAddArgs),
}

/// Settings of `organisation add`.
#[derive(Debug, Clone, Args)]
pub struct OrganisationAddArgs {
    /// Its name
    pub name: String,
    /// Database and log.
    #[command(flatten)]
    pub common: Common,
    /// Address at which devices reach the server
    #[arg(long, env = "PINTLE_URL", default_value = "http://127.0.0.1:8020")]
    pub url: String,
}

fn role(text: &str) -> Result<Role, String> {
    Role::parse(text).ok_or_else(|| "one of: crew, mechanic, office, owner".to_owned())
}

impl FrontArgs {
    /// What stands before every use case.
    #[must_use]
    pub fn front(&self) -> Front {
        let proxies = Proxies { networks: self.trusted_proxies.clone(), header: self.proxy_header };
        Front { proxies, ..Front::default() }
    }

    /// Where the certificate lies, if the server is to speak TLS.
    #[must_use]
    pub fn tls_files(&self) -> Option<TlsFiles> {
        Some(TlsFiles { certificate: self.tls_cert.clone()?, key: self.tls_key.clone()? })
    }

    /// Every allowance.
    #[must_use]
    pub fn rates(&self) -> Rates {
        Rates::default().with(&self.rates)
    }

    /// How much at once.
    #[must_use]
    pub fn room(&self) -> Room {
        Room { exchanges: self.exchanges, ..Room::default() }
    }
}

impl CommandLine {
    /// The database and how to log, whatever is to be done.
    #[must_use]
    pub fn common(&self) -> &Common {
        match &self.command {
            None => &self.serve.common,
            Some(Command::Serve(args)) => &args.common,
            Some(Command::Code(args)) => &args.within.common,
            Some(Command::Devices(args)) => &args.common,
            Some(Command::Revoke(args)) => &args.within.common,
            Some(Command::Backup(args)) => &args.common,
            Some(Command::Restore(args)) => &args.common,
            Some(Command::Check(args)) => &args.common,
            Some(Command::Restored(common)) => common,
            Some(Command::Keys(KeysArgs { what: Some(KeysCommand::Rotate(args)), .. })) => &args.common,
            Some(Command::Keys(args)) => &args.common,
            Some(Command::Hook(args)) => &args.within.common,
            Some(Command::Stamp(args)) => &args.common,
            Some(Command::Cosign(args)) => &args.common,
            Some(Command::Organisation(OrganisationCommand::Add(args))) => &args.common,
        }
    }
}
