//! Trees, checkpoints, proofs, and the file that shows how a machine was kept.
//!
//! Promises: a tree is built behind its ledger, by whichever process comes first; one that was changed beneath is told
//! in the log and signs nothing more, and the others go on. A file is of one checkpoint, made anew where entries have
//! come since.
//!
//! Never decides what is proved: that is `pintle_core::proof` and `pintle_core::history`.

use super::{App, Caller, Refusal};
use crate::limits::{HISTORY_ROWS, TREE_ROWS};
use flate2::Compression;
use flate2::write::GzEncoder;
use pintle_core::Held;
use pintle_core::book::book;
use pintle_core::history::STAMPS_MAX;
use pintle_core::history::page::page;
use pintle_core::history::write::{HIDEABLE_PARTS, Item, Lines, NAMES, Stretch, TimeStamp, Top, Writer};
use pintle_core::ids::{Hash, MachineId, OrganisationId, PublicKey, Signature};
use pintle_core::proof::checkpoint::{Checkpoint, CheckpointKey};
use pintle_core::proof::merkle::Plan;
use pintle_core::proof::note::{Kind, Signer};
use pintle_core::proof::tile::{node_in, tiles_of};
use pintle_openapi::Problem;
use pintle_openapi::endpoints::bills::{ByteFile, Paper};
use pintle_openapi::endpoints::printed::HistoryPdfQuery;
use pintle_openapi::endpoints::proof::{
    CheckpointReply, ConsistencyQuery, HistoryFile, HistoryPage, HistoryQuery, InclusionQuery, ProofReply,
};
use pintle_store::{CheckpointRecord, Grown, MachineStamp, MachineStanding, SealedBatch, StampRecord, StoreError};
use std::collections::BTreeSet;
use std::io::Write as _;

impl App {
    /// Brings every tree up to its ledger.
    ///
    /// # Errors
    /// Failures of the store that are of no single organisation.
    pub async fn grow_trees(&self) -> Result<(), Refusal> {
        for organisation in self.store.trees_behind().await? {
            match self.grow_tree(organisation).await {
                Ok(()) => {}
                Err(error @ StoreError::Corrupt { .. }) => tracing::error!(
                    target: "pintle::security", %organisation, %error,
                    "the ledger is not what its tree was built over: no checkpoint is signed"
                ),
                Err(error) => tracing::warn!(%organisation, %error, "the tree behind the ledger waits"),
            }
        }
        Ok(())
    }

    async fn grow_tree(&self, organisation: OrganisationId) -> Result<(), StoreError> {
        loop {
            match self.store.tree_grow(organisation, TREE_ROWS, self.ambient.now_ms()).await? {
                Grown::More => {}
                Grown::Nothing => return Ok(()),
                Grown::Signed(checkpoint) => {
                    tracing::debug!(%organisation, size = checkpoint.size, "a checkpoint was signed");
                    return Ok(());
                }
            }
        }
    }

    pub(super) fn checkpoint_key(&self, organisation: OrganisationId, epoch: u64) -> CheckpointKey {
        CheckpointKey::new(&self.store.identity().ledger_secret, organisation, epoch)
    }

    /// The root that a record's note states.
    pub(super) fn root(&self, organisation: OrganisationId, record: &CheckpointRecord) -> Result<Hash, Refusal> {
        let key = self.checkpoint_key(organisation, record.epoch);
        let checkpoint = Checkpoint::open(&record.note, &key.origin(), &key.public());
        checkpoint.map(|checkpoint| checkpoint.root).ok_or_else(|| Refusal::internal("a checkpoint is not its key's"))
    }

    /// The newest checkpoint.
    ///
    /// # Errors
    /// `not-found` before there is one, and failures of the store.
    pub async fn checkpoint(&self, caller: &Caller) -> Result<CheckpointReply, Refusal> {
        let organisation = caller.device.organisation;
        self.grow_tree(organisation).await?;
        let record = self.store.checkpoint(organisation).await?.ok_or_else(|| Refusal::of(Problem::NotFound))?;
        let key = self.checkpoint_key(organisation, record.epoch);
        let root = self.root(organisation, &record)?;
        let vkey = verifier_key(&key);
        let note = self.note_cosigned(organisation, &record).await?;
        let CheckpointRecord { size, epoch, roll, .. } = record;
        Ok(CheckpointReply { note, size, root, epoch, key: key.public(), vkey, roll })
    }

    /// The verifier key of the newest checkpoint, if there is one.
    ///
    /// # Errors
    /// Failures of the store.
    pub async fn verifier_key(&self, organisation: OrganisationId) -> Result<Option<String>, Refusal> {
        let newest = self.store.checkpoint(organisation).await?;
        Ok(newest.map(|record| verifier_key(&self.checkpoint_key(organisation, record.epoch))))
    }

    /// A proof that a leaf is in the tree.
    ///
    /// # Errors
    /// `out-of-range`, and failures of the store.
    pub async fn inclusion(&self, caller: &Caller, query: &InclusionQuery) -> Result<ProofReply, Refusal> {
        let organisation = caller.device.organisation;
        let size = self.size_asked(organisation, "size", query.size).await?;
        let index = u64::try_from(query.index).ok().filter(|index| *index < size);
        let index = index.ok_or_else(|| Refusal::of(Problem::OutOfRange).parameter("index"))?;
        Ok(ProofReply { proof: self.proof(organisation, Plan::inclusion(index, size)).await? })
    }

    /// A proof that one tree is the beginning of another.
    ///
    /// # Errors
    /// `out-of-range`, and failures of the store.
    pub async fn consistency(&self, caller: &Caller, query: &ConsistencyQuery) -> Result<ProofReply, Refusal> {
        let organisation = caller.device.organisation;
        let to = self.size_asked(organisation, "to", query.to).await?;
        let from = u64::try_from(query.from).ok().filter(|from| (1..=to).contains(from));
        let from = from.ok_or_else(|| Refusal::of(Problem::OutOfRange).parameter("from"))?;
        Ok(ProofReply { proof: self.proof(organisation, Plan::consistency(from, to)).await? })
    }

    async fn size_asked(
        &self,
        organisation: OrganisationId,
        parameter: &'static str,
        asked: i64,
    ) -> Result<u64, Refusal> {
        let newest = self.store.checkpoint(organisation).await?.map_or(0, |newest| newest.size);
        u64::try_from(asked).ok().filter(|size| (1..=newest).contains(size)).ok_or_else(|| {
            let detail = format!("the newest checkpoint has {newest} leaves");
            Refusal::of(Problem::OutOfRange).parameter(parameter).detail(detail)
        })
    }

    pub(super) async fn proof(&self, organisation: OrganisationId, plan: Option<Plan>) -> Result<Vec<Hash>, Refusal> {
        let plan = plan.ok_or_else(|| Refusal::internal("a proof of sizes that were checked"))?;
        let proofs = self.proofs(organisation, &[plan]).await?;
        Ok(proofs.into_iter().next().unwrap_or_default())
    }

    /// Several proofs, of tiles read at one time.
    async fn proofs(&self, organisation: OrganisationId, plans: &[Plan]) -> Result<Vec<Vec<Hash>>, Refusal> {
        let tiles = self.store.tiles(organisation, &tiles_of(plans.iter().flat_map(Plan::nodes))).await?;
        let read = |plan: &Plan| {
            plan.read(|node| node_in(&tiles, node)).ok_or_else(|| Refusal::internal("a tile of the tree is missing"))
        };
        plans.iter().map(read).collect()
    }

    /// A machine's service history.
    ///
    /// # Errors
    /// `not-found`, `out-of-range`, and failures of the store.
    pub async fn history(
        &self,
        caller: &Caller,
        machine: MachineId,
        query: &HistoryQuery,
    ) -> Result<HistoryFile, Refusal> {
        self.history_file(caller.device.organisation, machine, asked_withheld(query)?).await
    }

    /// A machine's service history as a page that checks itself.
    ///
    /// # Errors
    /// `not-found`, `out-of-range`, and failures of the store.
    pub async fn history_page(
        &self,
        caller: &Caller,
        machine: MachineId,
        query: &HistoryQuery,
    ) -> Result<HistoryPage, Refusal> {
        self.history_page_of(caller.device.organisation, machine, asked_withheld(query)?).await
    }

    /// The page: the file, and what was computed from the same entries with the same withheld.
    pub(super) async fn history_page_of(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
        withheld: BTreeSet<String>,
    ) -> Result<HistoryPage, Refusal> {
        let (file, until) = self.history_until(organisation, machine, withheld.clone()).await?;
        let mut entries = self.all_entries(organisation, machine).await?;
        entries.retain(|held| held.position.is_some_and(|position| position <= until));
        let hidden = HIDEABLE_PARTS.into_iter().filter(|part| withheld.contains(*part));
        for part in hidden {
            entries = entries.into_iter().map(|held| Held { entry: held.entry.withhold(part), ..held }).collect();
        }
        Ok(HistoryPage(page(&file, Some(&book(machine, &entries)))))
    }

    /// A machine's service history on paper.
    ///
    /// # Errors
    /// `not-found`, `out-of-range`, those of [`App::print_history`], and failures of the store.
    pub async fn history_pdf(
        &self,
        caller: &Caller,
        machine: MachineId,
        query: &HistoryPdfQuery,
    ) -> Result<ByteFile, Refusal> {
        let withheld = withheld_of(query.withhold.as_deref())?;
        self.history_pdf_of(caller.device.organisation, machine, withheld, query.paper.unwrap_or_default()).await
    }

    /// The paper: made from the file, with the positions of its entries, which tell who knew what.
    pub(super) async fn history_pdf_of(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
        withheld: BTreeSet<String>,
        paper: Paper,
    ) -> Result<ByteFile, Refusal> {
        let (file, until) = self.history_until(organisation, machine, withheld).await?;
        let mut entries = self.all_entries(organisation, machine).await?;
        entries.retain(|held| held.position.is_some_and(|position| position <= until));
        let epoch = self.store.checkpoint(organisation).await?.map_or(0, |newest| newest.epoch);
        let signer = self.checkpoint_key(organisation, epoch).public();
        Ok(ByteFile(self.print_history(file, entries, signer, paper).await?))
    }

    /// The file of a machine's service history.
    pub(super) async fn history_file(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
        withheld: BTreeSet<String>,
    ) -> Result<HistoryFile, Refusal> {
        Ok(HistoryFile(self.history_until(organisation, machine, withheld).await?.0))
    }

    /// The file, and the position up to which it has the machine's entries.
    async fn history_until(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
        withheld: BTreeSet<String>,
    ) -> Result<(Vec<u8>, u64), Refusal> {
        self.grow_tree(organisation).await?;
        let standing = self.store.machine_standing(organisation, machine).await?;
        let standing = standing.ok_or_else(|| Refusal::of(Problem::NotFound))?;
        let until = standing.checkpoint.roll.position;
        let directory = self.store.directory(organisation, 0).await?.unwrap_or_default();
        let top = self.top(organisation, machine, withheld, standing).await?;
        let file = GzLines(GzEncoder::new(Vec::new(), Compression::best()), Ok(()));
        let mut writer = Writer::begin(file, top, &directory);
        let mut after = 0;
        loop {
            let batches = self.store.machine_batches(organisation, machine, after, until, HISTORY_ROWS).await?;
            let Some(last) = batches.last() else { break };
            after = last.position;
            for batch in batches {
                writer.stretch(stretch(batch)).map_err(Refusal::internal)?;
            }
        }
        let GzLines(encoder, written) = writer.end().map_err(Refusal::internal)?;
        written.map_err(Refusal::internal)?;
        Ok((encoder.finish().map_err(Refusal::internal)?, until))
    }

    async fn top(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
        withheld: BTreeSet<String>,
        standing: MachineStanding,
    ) -> Result<Top, Refusal> {
        let organisations = self.store.organisations().await?;
        let named = organisations.into_iter().find(|named| named.id == organisation);
        let size = standing.checkpoint.size;
        let stamps = self.stamps(organisation, machine, standing.checkpoint.roll.position).await?;
        let lines = standing.cosignatures.iter().map(|cosignature| cosignature.line.as_str());
        let witness = |name: &str, key| Signer { name: name.to_owned(), kind: Kind::Witness, key }.vkey();
        Ok(Top {
            organisation,
            organisation_name: named.map(|named| named.name).unwrap_or_default(),
            machine,
            made_ms: self.ambient.now_ms(),
            withheld,
            keys: self.keys(organisation, standing.checkpoint.epoch).await?,
            note: lines.fold(standing.checkpoint.note, |note, line| note + line),
            witnesses: standing.cosignatures.iter().map(|by| witness(&by.name, by.key)).collect(),
            roll: standing.checkpoint.roll,
            inclusion: self.proof(organisation, Plan::inclusion(size - 1, size)).await?,
            line: standing.line,
            proof: standing.proof,
            stamps,
        })
    }

    /// The time stamps that tell something of a machine, with the proofs of where it had come by then.
    async fn stamps(
        &self,
        organisation: OrganisationId,
        machine: MachineId,
        until: u64,
    ) -> Result<Vec<TimeStamp>, Refusal> {
        let found = self.store.machine_stamps(organisation, machine, until, STAMPS_MAX).await?;
        let plan = |stamp: &MachineStamp| Plan::inclusion(stamp.index, stamp.checkpoint.size);
        let plans: Option<Vec<Plan>> = found.iter().map(plan).collect();
        let plans = plans.ok_or_else(|| Refusal::internal("a leaf lies beyond its checkpoint"))?;
        let proofs = self.proofs(organisation, &plans).await?;
        let with = |(MachineStamp { stamp, checkpoint, count, position, index }, inclusion)| {
            let root = self.root(organisation, &checkpoint)?;
            let (epoch, size) = (checkpoint.epoch, checkpoint.size);
            let StampRecord { authority, at_s, token, .. } = stamp;
            Ok(TimeStamp { epoch, size, root, count, position, index, inclusion, authority, at_s, token })
        };
        found.into_iter().zip(proofs).map(with).collect()
    }

    /// The keys that have signed checkpoints up to an epoch, each vouched for by the one before.
    async fn keys(
        &self,
        organisation: OrganisationId,
        until: u64,
    ) -> Result<Vec<(u64, PublicKey, Option<Signature>)>, Refusal> {
        let mut keys = Vec::new();
        let mut before: Option<CheckpointKey> = None;
        for epoch in self.store.checkpoint_epochs(organisation).await?.into_iter().filter(|epoch| *epoch <= until) {
            let key = self.checkpoint_key(organisation, epoch);
            keys.push((epoch, key.public(), before.as_ref().map(|before| before.vouch(&key))));
            before = Some(key);
        }
        Ok(keys)
    }
}

/// The key as tools of the note's form want it.
fn verifier_key(key: &CheckpointKey) -> String {
    Signer { name: key.origin(), kind: Kind::Log, key: key.public() }.vkey()
}

/// What is to be withheld, as it was asked for.
fn asked_withheld(query: &HistoryQuery) -> Result<BTreeSet<String>, Refusal> {
    withheld_of(query.withhold.as_deref())
}

fn withheld_of(asked: Option<&str>) -> Result<BTreeSet<String>, Refusal> {
    let asked = asked.unwrap_or("office");
    let withheld: BTreeSet<String> = asked.split(',').filter(|part| !part.is_empty()).map(str::to_owned).collect();
    if withheld.iter().any(|part| part != NAMES && !HIDEABLE_PARTS.contains(&part.as_str())) {
        let detail = "names, words and office can be withheld";
        return Err(Refusal::of(Problem::OutOfRange).parameter("withhold").detail(detail));
    }
    Ok(withheld)
}

/// Lines on their way into a compressed file; the first failure is kept.
struct GzLines(GzEncoder<Vec<u8>>, std::io::Result<()>);

impl Lines for GzLines {
    fn line(&mut self, line: &str) {
        if self.1.is_ok() {
            self.1 = self.0.write_all(line.as_bytes());
        }
    }
}

fn stretch(batch: SealedBatch) -> Stretch {
    let SealedBatch { seal, received_ms, previous, entries, .. } = batch;
    let entries = entries.into_iter().map(|held| Item {
        machine: held.machine,
        link: held.link,
        off_s: held.off_s,
        aside: held.aside,
        entry: held.entry,
    });
    Stretch { seal, received_ms, previous, entries: entries.collect() }
}
