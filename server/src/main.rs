//! `pintle-server`: settings in, service up, and the operator's commands.
//!
//! Promises: exit code 0 when done, 1 when something failed (one line on standard error says what), 2 for a command
//! line that cannot be understood. `check` ends with 3 if something that was recorded is wrong, with 4 if only something
//! that can be computed again is.

use clap::Parser as _;
use futures_util::FutureExt as _;
use pintle_core::moment::Moment;
use pintle_server::ambient::{Ambient as _, System, random, say};
use pintle_server::app::cosign::Cosigned;
use pintle_server::app::gate::{Rates, Room};
use pintle_server::app::stamp::{Haste, Stamped};
use pintle_server::app::{App, Refusal};
use pintle_server::backup::{self, BackupError, Damaged};
use pintle_server::check;
use pintle_server::files::Files;
use pintle_server::limits::{CODE_HOURS_DEFAULT, FILES_DEFAULT};
use pintle_server::operator::{Invitation, Operator, OperatorError};
use pintle_server::outgoing::Outgoing;
use pintle_server::outgoing::reach::Reach;
use pintle_server::qr;
use pintle_server::serve::{Door, Hangup, listen, stop_signal, tend};
use pintle_server::settings::{
    Command, CommandLine, Common, CosignArgs, HookArgs, KeysArgs, KeysCommand, LogFormat, OrganisationCommand,
    ServeArgs, StampNowArgs,
};
use pintle_server::tls::{Certificate, TlsError};
use pintle_store::audit::Weight;
use pintle_store::{Cosignature, EarlierKeys, FreshSecrets, Organisation, Store, StoreError};
use std::io::IsTerminal as _;
use std::process::ExitCode;
use std::sync::Arc;
use tracing_subscriber::EnvFilter;

#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// `check` found something wrong that was recorded.
const EXIT_RECORDED_WRONG: u8 = 3;
/// `check` found something wrong that can be computed again, and nothing else.
const EXIT_COMPUTED_WRONG: u8 = 4;

#[derive(Debug, thiserror::Error)]
enum Failure {
    #[error("cannot open the database: {0}")]
    Database(StoreError),
    #[error(transparent)]
    Operator(#[from] OperatorError),
    #[error(transparent)]
    Backup(#[from] BackupError),
    #[error(transparent)]
    Tls(#[from] TlsError),
    #[error("cannot listen on {0}: {1}")]
    Listen(std::net::SocketAddr, std::io::Error),
    #[error("the service failed: {0}")]
    Serve(std::io::Error),
    #[error("{0}")]
    Setup(String),
}

fn main() -> ExitCode {
    let line = CommandLine::parse();
    if rustls::crypto::aws_lc_rs::default_provider().install_default().is_err() {
        tracing::debug!("the TLS provider was chosen before");
    }
    let done = start_log(line.common()).and_then(|()| actix_web::rt::System::new().block_on(run(line)));
    match done {
        Ok(code) => code,
        Err(failure) => {
            complain(&failure);
            ExitCode::FAILURE
        }
    }
}

#[allow(clippy::print_stderr, reason = "the one line a failed program ends with")]
fn complain(failure: &Failure) {
    eprintln!("pintle-server: {failure}");
}

fn start_log(common: &Common) -> Result<(), Failure> {
    let filter = EnvFilter::try_new(&common.log)
        .map_err(|error| Failure::Setup(format!("cannot use the log filter {:?}: {error}", common.log)))?;
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    match common.log_format {
        LogFormat::Text => log.with_ansi(std::io::stderr().is_terminal()).init(),
        LogFormat::Json => log.json().flatten_event(true).init(),
    }
    Ok(())
}

/// What needs the database as it lies, not opened and brought up to date.
async fn beside(command: &Command, ambient: &System) -> Result<Option<ExitCode>, Failure> {
    let (lines, code) = match command {
        Command::Backup(args) => (backup::backup(&args.common.database, &args.to, ambient).await?, 0),
        Command::Restore(args) => {
            let damaged = if args.although_damaged { Damaged::Taken } else { Damaged::Refused };
            let fresh = fresh_secrets(ambient)?;
            (backup::restore(&args.common.database, &args.from, damaged, fresh, ambient).await?, 0)
        }
        Command::Check(args) => {
            let url = &args.common.database;
            let checked = match args.mend {
                false => check::check(url).await,
                true => check::mend(url, fresh_secrets(ambient)?, ambient.now_ms()).await,
            };
            let checked = checked.map_err(Failure::Database)?;
            let code = match checked.weight {
                None => 0,
                Some(Weight::Recorded) => EXIT_RECORDED_WRONG,
                Some(Weight::Computed) => EXIT_COMPUTED_WRONG,
            };
            (checked.lines, code)
        }
        _ => return Ok(None),
    };
    lines.iter().for_each(|line| say(line));
    Ok(Some(ExitCode::from(code)))
}

async fn run(line: CommandLine) -> Result<ExitCode, Failure> {
    let ambient = Arc::new(System::start());
    if let Some(command) = &line.command
        && let Some(code) = Box::pin(beside(command, &ambient)).await?
    {
        return Ok(code);
    }
    let store = open(line.common(), &ambient).await?;
    let operator = Operator { store: store.as_ref(), ambient: ambient.as_ref() };
    let lines = match line.command {
        None => return serve(store, ambient, line.serve).await.map(|()| ExitCode::SUCCESS),
        Some(Command::Serve(args)) => return serve(store, ambient, *args).await.map(|()| ExitCode::SUCCESS),
        // Done already.
        Some(Command::Backup(_) | Command::Restore(_) | Command::Check(_)) => Vec::new(),
        Some(Command::Code(args)) => {
            let within = args.within.organisation.as_deref();
            shown(&operator.code(within, args.role, args.hours, &args.url).await?)
        }
        Some(Command::Devices(args)) => operator.devices(args.organisation.as_deref()).await?,
        Some(Command::Revoke(args)) => operator.revoke(args.within.organisation.as_deref(), &args.device).await?,
        Some(Command::Restored(_)) => operator.restored().await?,
        Some(Command::Keys(KeysArgs { what: None, .. })) => operator.keys().await?,
        Some(Command::Keys(KeysArgs { what: Some(KeysCommand::Rotate(args)), .. })) => {
            operator.keys_rotate(if args.at_once { EarlierKeys::Void } else { EarlierKeys::Overlap }).await?
        }
        Some(Command::Stamp(args)) => stamp(&store, &ambient, &args).await?,
        Some(Command::Cosign(args)) => cosign(&store, &ambient, &args).await?,
        Some(Command::Hook(HookArgs { within, to: Some(url), inside, .. })) => {
            let reach = if inside { Reach::Inside } else { Reach::Public };
            operator.hook_set(within.organisation.as_deref(), &url, reach).await?
        }
        Some(Command::Hook(HookArgs { within, off: true, .. })) => {
            operator.hook_off(within.organisation.as_deref()).await?
        }
        Some(Command::Hook(HookArgs { within, again: true, .. })) => {
            operator.notices_again(within.organisation.as_deref()).await?
        }
        Some(Command::Hook(args)) => operator.hook(args.within.organisation.as_deref()).await?,
        Some(Command::Organisation(OrganisationCommand::Add(args))) => {
            shown(&operator.organisation_add(&args.name, CODE_HOURS_DEFAULT, &args.url).await?)
        }
    };
    lines.iter().for_each(|line| say(line));
    Ok(ExitCode::SUCCESS)
}

/// How others are called. Where the system has no authorities to trust, only who needs none is.
fn outgoing() -> Outgoing {
    Outgoing::new().unwrap_or_else(|error| {
        tracing::warn!(%error, "the system names no authorities to trust: nobody can be called over TLS");
        Outgoing::trusting_none()
    })
}

/// What is said of an invitation; where somebody looks on, with a picture for a camera.
fn shown(invitation: &Invitation) -> Vec<String> {
    let mut lines = invitation.lines();
    if std::io::stdout().is_terminal() {
        lines.extend(qr::lines(&invitation.scanned()));
    }
    lines
}

fn fresh_secrets(ambient: &System) -> Result<FreshSecrets, Failure> {
    let random_bytes = || Failure::Setup("cannot draw random bytes for a new database".to_owned());
    Ok(FreshSecrets {
        store: pintle_core::ids::StoreId(random(ambient).map_err(|_| random_bytes())?),
        cursor_secret: random(ambient).map_err(|_| random_bytes())?,
        token_secret: random(ambient).map_err(|_| random_bytes())?,
        ledger_secret: random(ambient).map_err(|_| random_bytes())?,
    })
}

async fn open(common: &Common, ambient: &System) -> Result<Arc<dyn Store>, Failure> {
    let fresh = fresh_secrets(ambient)?;
    let store = pintle_store::sql::SqlStore::open(&common.database, fresh, ambient.now_ms())
        .await
        .map_err(Failure::Database)?;
    Ok(Arc::new(store))
}

/// The use cases beside a server, with every tree brought up to its ledger.
async fn grown(store: &Arc<dyn Store>, ambient: &Arc<System>) -> Result<App, Failure> {
    let failed = |refusal: Refusal| Failure::Setup(refusal.inside.clone().unwrap_or_default());
    let app = App::new(store.clone(), ambient.clone(), &Rates::default(), Room::default()).map_err(failed)?;
    app.grow_trees().await.map_err(failed)?;
    Ok(app)
}

/// Has the newest checkpoint of each organisation stamped now.
async fn stamp(store: &Arc<dyn Store>, ambient: &Arc<System>, args: &StampNowArgs) -> Result<Vec<String>, Failure> {
    let failed = |refusal: &Refusal| Failure::Setup(refusal.inside.clone().unwrap_or_default());
    let stamper = args.stamps.stamper().map_err(Failure::Setup)?;
    let stamper = stamper.ok_or_else(|| Failure::Setup("no authority is set: see --stamp-url".to_owned()))?;
    let app = grown(store, ambient).await?;
    let (outgoing, mut lines) = (outgoing(), Vec::new());
    for organisation in store.organisations().await.map_err(Failure::Database)? {
        let done = app.stamp_checkpoint(organisation.id, &stamper, &outgoing, Haste::Now).await;
        let name = &organisation.name;
        lines.push(match done.map_err(|refusal| failed(&refusal))? {
            Ok(Stamped::Kept(stamp)) => {
                let at = Moment::at(stamp.at_s, 0).map_or_else(|_| "no time".to_owned(), |at| at.to_string());
                format!("{name:?}: its checkpoint of {} leaves is stamped by {} at {at}", stamp.size, stamp.authority)
            }
            Ok(Stamped::Nothing | Stamped::Early) => format!("{name:?}: nothing is new since its last stamp"),
            Err(error) => return Err(Failure::Setup(format!("{name:?} has no stamp: {error}"))),
        });
    }
    Ok(lines)
}

/// Prints the verifier key of each ledger, and has its newest checkpoint co-signed now by the witnesses that are set.
async fn cosign(store: &Arc<dyn Store>, ambient: &Arc<System>, args: &CosignArgs) -> Result<Vec<String>, Failure> {
    let failed = |refusal: Refusal| Failure::Setup(refusal.inside.clone().unwrap_or_default());
    let cosigners = args.witnesses.cosigners().map_err(Failure::Setup)?;
    let app = grown(store, ambient).await?;
    let (outgoing, mut lines) = (outgoing(), Vec::new());
    for Organisation { id, name } in store.organisations().await.map_err(Failure::Database)? {
        let Some(key) = app.verifier_key(id).await.map_err(failed)? else {
            lines.push(format!("{name:?}: nothing is recorded yet, so there is no checkpoint"));
            continue;
        };
        lines.push(format!("{name:?}: its ledger is known by the key {key}"));
        for cosigner in &cosigners {
            let witness = &cosigner.signer.name;
            lines.push(match app.cosign_checkpoint(id, cosigner, &outgoing).await.map_err(failed)? {
                Ok(Cosigned::Kept(size, Cosignature { time_s, .. })) => {
                    let at = i64::try_from(time_s).ok().and_then(|at_s| Moment::at(at_s, 0).ok());
                    let at = at.map_or_else(|| "no time".to_owned(), |at| at.to_string());
                    format!("{name:?}: its checkpoint of {size} leaves is co-signed by {witness} at {at}")
                }
                Ok(Cosigned::Nothing) => format!("{name:?}: {witness} has co-signed its newest checkpoint"),
                Err(error) => {
                    lines.iter().for_each(|line| say(line));
                    return Err(Failure::Setup(format!("{name:?} is not co-signed by {witness}: {error}")));
                }
            });
        }
    }
    Ok(lines)
}

/// The photos and documents, without what was left half brought long ago.
async fn files(args: &ServeArgs, now_ms: i64) -> Result<Files, Failure> {
    let files = Files::open(&files_place(args)).map_err(|error| Failure::Setup(error.to_string()))?;
    let tidied = tokio::task::spawn_blocking({
        let files = files.clone();
        move || files.tidy(now_ms)
    });
    match tidied.await {
        Ok(Ok(0)) | Err(_) => {}
        Ok(Ok(removed)) => tracing::info!(removed, "chunks of photos that nobody went on with are gone"),
        Ok(Err(error)) => tracing::warn!(%error, "the chunks of photos could not be looked at"),
    }
    Ok(files)
}

/// Where photos and documents are kept: where the operator says, else beside the database.
fn files_place(args: &ServeArgs) -> String {
    let file = pintle_store::sql::SqlStore::file(&args.common.database).ok().flatten();
    let beside = file.map_or_else(|| FILES_DEFAULT.to_owned(), |file| format!("{}.files", file.display()));
    args.files.clone().unwrap_or(beside)
}

async fn serve(store: Arc<dyn Store>, ambient: Arc<System>, args: ServeArgs) -> Result<(), Failure> {
    let stop = stop_signal().map_err(Failure::Serve)?;
    let failed = |inside: &pintle_server::app::Refusal| Failure::Setup(inside.inside.clone().unwrap_or_default());
    let app = App::new(store.clone(), ambient.clone(), &args.front.rates(), args.front.room())
        .map_err(|refusal| failed(&refusal))?
        .with_files(files(&args, ambient.now_ms()).await?);
    app.learn_keys().await.map_err(|refusal| failed(&refusal))?;
    let now_s = ambient.now_ms().div_euclid(1000);
    let certificate = args.front.tls_files().map(|files| Certificate::read(files, now_s)).transpose()?.map(Arc::new);
    let stamper = args.stamps.stamper().map_err(Failure::Setup)?;
    let cosigners = args.witnesses.cosigners().map_err(Failure::Setup)?;
    let (front, outgoing) = (args.front.front(), Some(outgoing()));
    let door = Door { front, certificate, outgoing, stamper, cosigners, ..Door::default() };
    let listening = listen(app, &door, args.listen).map_err(|error| Failure::Listen(args.listen, error))?;
    let at = listening.addresses.first().copied().unwrap_or(args.listen);
    let scheme = if door.certificate.is_some() { "https" } else { "http" };
    let url = args.url.unwrap_or_else(|| format!("{scheme}://{at}"));
    let operator = Operator { store: store.as_ref(), ambient: ambient.as_ref() };
    let invitations = operator.first_steps(&args.organisation, CODE_HOURS_DEFAULT, &url).await?;
    invitations.iter().flat_map(shown).for_each(|line| say(&line));
    say(&format!("listening on {scheme}://{at}"));
    tracing::info!(address = %at, now_ms = ambient.now_ms(), "listening");
    // Only who has something to read again takes SIGHUP for that; anyone else ends by it, as programs do.
    let tended = match door.certificate {
        Some(certificate) => {
            let hangup = Hangup::listened().map_err(Failure::Serve)?;
            tend(certificate, ambient.clone(), hangup).left_future()
        }
        None => std::future::pending().right_future(),
    };
    tokio::select! {
        ended = listening.until(stop) => ended.map_err(Failure::Serve)?,
        () = tended => {}
    }
    tracing::info!("stopped");
    Ok(())
}
