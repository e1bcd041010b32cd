//! What stands beside the ledger: counts, branches, administration, the tree, keys that sign tokens.
//!
//! Promises: as the module above; each table is read once.
//!
//! Never: a write.

use super::super::row::{Row, blob};
use super::super::{DEVICE, Table};
use super::Reader;
use crate::audit::administration::{self, CodeRow, DeviceRow, ShareRow};
use crate::audit::ledger::DeviceFacts;
use crate::audit::tree::Kept;
use crate::audit::{Wrong, hex};
use crate::sql::failure::TxResult;
use crate::tree::{CheckpointRecord, MachineTree, TreeHead};
use pintle_core::chain::{Seal, link, verify_seal};
use pintle_core::entry::Entry;
use pintle_core::fact::Fact;
use pintle_core::ids::{CodeId, DeviceId, Hash, MachineId, OrganisationId, PublicKey, Signature};
use pintle_core::proof::growth::Reached;
use pintle_core::proof::leaf::RollLeaf;
use pintle_core::proof::tile::TileId;
use pintle_core::scribe::code_id;
use std::collections::BTreeMap;

const DEVICE_MACHINE: Table = Table { name: "device_machine", key: "machine" };
const BRANCH: Table = Table { name: "branch", key: "link" };
const BRANCH_ENTRY: Table = Table { name: "branch_entry", key: "seq" };
const CODE: Table = Table { name: "enrolment_code", key: "hash" };
const SHARE: Table = Table { name: "share", key: "hash" };
const TREE_HEAD: Table = Table { name: "tree_head", key: "size" };
const TREE_TILE: Table = Table { name: "tree_tile", key: "number" };
const TREE_MACHINE: Table = Table { name: "tree_machine", key: "machine" };
const CHECKPOINT: Table = Table { name: "checkpoint", key: "size" };
const TOKEN_KEY: Table = Table { name: "token_key", key: "kid" };

/// A branch as its row says.
struct Branch {
    device: DeviceId,
    from: u64,
    link: Hash,
    previous: Hash,
    count: u64,
    seal: Seal,
}

impl Reader {
    /// Compares each device's running counts with those of its entries.
    pub(super) async fn machine_counts(
        &mut self,
        id: OrganisationId,
        walked: &BTreeMap<(DeviceId, MachineId), u64>,
    ) -> TxResult<()> {
        let sql = "SELECT c.device, c.machine, c.entry_count FROM device_machine AS c JOIN device AS d \
                   ON d.device = c.device WHERE d.organisation = $1";
        let read = |row: &Row| {
            let key = (DeviceId(row.bytes("device")?), MachineId(row.bytes("machine")?));
            Ok((key, row.number("entry_count")?))
        };
        let (rows, whole) = self.all(DEVICE_MACHINE, sql, vec![blob(&id.0)], read).await?;
        let rows: BTreeMap<_, _> = rows.into_iter().collect();
        for (key, count) in walked {
            let said = rows.get(key).copied();
            if said != Some(*count) && (whole || said.is_some()) {
                let row = format!("{} {}", hex(&key.0.0), hex(&key.1.0));
                let detail = format!("it says {}, the entries {count}", said.unwrap_or(0));
                self.finder.add(Wrong::MachineCountWrong, "device_machine", row, detail);
            }
        }
        Ok(())
    }

    /// Checks what is kept beside the ledger; gives how many branches there are.
    pub(super) async fn branches(
        &mut self,
        id: OrganisationId,
        devices: &BTreeMap<DeviceId, DeviceFacts>,
    ) -> TxResult<u64> {
        let sql = "SELECT device, seq_from, link, previous, entry_count, seal_from, seal_to, signature FROM branch \
                   WHERE organisation = $1 ORDER BY device, seq_from, link";
        let (branches, _) = self.all(BRANCH, sql, vec![blob(&id.0)], branch).await?;
        for branch in &branches {
            let facts = devices.get(&branch.device);
            let mark = facts.map_or_else(|| hex(&branch.device.0), |facts| facts.mark.clone());
            if let Err(detail) = self.branch(id, branch, facts.and_then(|facts| facts.key)).await? {
                let row = format!("{mark} from {}", branch.from);
                self.finder.add(Wrong::BranchBroken, "branch", row, detail);
            }
        }
        Ok(branches.len() as u64)
    }

    async fn branch(
        &mut self,
        id: OrganisationId,
        branch: &Branch,
        key: Option<PublicKey>,
    ) -> TxResult<Result<(), String>> {
        let sql = "SELECT seq, entry_link, bytes FROM branch_entry WHERE device = $1 AND seq_from = $2 AND link = $3 \
                   ORDER BY seq";
        let from = super::super::row::number(branch.from);
        let values = vec![blob(&branch.device.0), from, blob(&branch.link.0)];
        let read = |row: &Row| Ok((row.number("seq")?, Hash(row.bytes("entry_link")?), row.blob("bytes")?));
        let (entries, _) = self.all(BRANCH_ENTRY, sql, values, read).await?;
        if entries.len() as u64 != branch.count {
            return Ok(Err(format!("it has {} entries, not {}", entries.len(), branch.count)));
        }
        let (mut before, mut seq) = (branch.previous, branch.from);
        for (number, stored, bytes) in entries {
            let Ok(entry) = Entry::from_bytes(&bytes) else {
                return Ok(Err(format!("entry {number} cannot be read")));
            };
            if number != seq || entry.seq() != seq || link(&before, &entry) != stored {
                return Ok(Err(format!("entry {number} is not the one that was linked")));
            }
            (before, seq) = (stored, seq + 1);
        }
        let sealed = key.is_none_or(|key| verify_seal(&key, &id, &branch.seal));
        if before != branch.link || branch.seal.to + 1 != seq || !sealed {
            return Ok(Err("its seal is not its device's over these entries".to_owned()));
        }
        Ok(Ok(()))
    }

    /// Compares the rows of administration with what the server wrote down.
    pub(super) async fn administration(
        &mut self,
        id: OrganisationId,
        secret: &[u8; 32],
        facts: &[(u64, i64, Fact)],
    ) -> TxResult<()> {
        let sql = "SELECT device, key, mark, role, revoked, enrolled_ms FROM device \
                   WHERE organisation = $1 AND server_epoch IS NULL ORDER BY device";
        let read = |row: &Row| {
            Ok(DeviceRow {
                device: DeviceId(row.bytes("device")?),
                key: PublicKey(row.bytes("key")?),
                mark: row.text("mark")?,
                role: row.role("role")?,
                revoked: row.signed("revoked")? != 0,
                enrolled_ms: row.signed("enrolled_ms")?,
            })
        };
        let (devices, _) = self.all(DEVICE, sql, vec![blob(&id.0)], read).await?;
        let sql =
            "SELECT hash, role, created_ms, cancelled_ms FROM enrolment_code WHERE organisation = $1 ORDER BY hash";
        let read = |row: &Row| {
            let hash = Hash(row.bytes("hash")?);
            Ok(CodeRow {
                names: [code_id(secret, &hash), CodeId(hash.first_half())],
                hash,
                role: row.role("role")?,
                created_ms: row.signed("created_ms")?,
                cancelled: row.signed_or_null("cancelled_ms")?.is_some(),
            })
        };
        let (codes, _) = self.all(CODE, sql, vec![blob(&id.0)], read).await?;
        let sql = "SELECT hash, made_ms, ended_ms FROM share WHERE organisation = $1 ORDER BY hash";
        let read = |row: &Row| {
            let ended = row.signed_or_null("ended_ms")?.is_some();
            Ok(ShareRow { hash: Hash(row.bytes("hash")?), made_ms: row.signed("made_ms")?, ended })
        };
        let (shares, _) = self.all(SHARE, sql, vec![blob(&id.0)], read).await?;
        administration::judge(&mut self.finder, facts, &devices, &codes, &shares);
        Ok(())
    }

    /// What is kept of a ledger's tree.
    pub(super) async fn tree(&mut self, id: OrganisationId) -> TxResult<Kept> {
        let organisation = || vec![blob(&id.0)];
        let sql = "SELECT size, position, link, root FROM tree_head WHERE organisation = $1";
        let read = |row: &Row| {
            let (size, position, link) = (row.number("size")?, row.number("position")?, Hash(row.bytes("link")?));
            Ok(TreeHead { reached: Reached { size, position, link }, root: Hash(row.bytes("root")?) })
        };
        let (heads, _) = self.all(TREE_HEAD, sql, organisation(), read).await?;
        let sql = "SELECT level, number, hashes FROM tree_tile WHERE organisation = $1";
        let read = |row: &Row| {
            let level = u32::try_from(row.number("level")?).map_err(|_| row.damaged("level", "it is no level"))?;
            let hashes = row.blob("hashes")?;
            let hashes = hashes.chunks(32).map(Hash::from_slice).collect::<Result<Vec<_>, _>>();
            let hashes = hashes.map_err(|error| row.damaged("hashes", error))?;
            Ok((TileId { level, number: row.number("number")? }, hashes))
        };
        let (tiles, whole) = self.all(TREE_TILE, sql, organisation(), read).await?;
        let tiles = whole.then(|| tiles.into_iter().collect());
        let sql = "SELECT machine, entry_count, root FROM tree_machine WHERE organisation = $1";
        let read = |row: &Row| {
            let tree = MachineTree { count: row.number("entry_count")?, root: Hash(row.bytes("root")?) };
            Ok((MachineId(row.bytes("machine")?), tree))
        };
        let (machines, whole) = self.all(TREE_MACHINE, sql, organisation(), read).await?;
        let machines = whole.then(|| machines.into_iter().collect());
        let sql = "SELECT size, epoch, position, machines, roll, made_ms, note FROM checkpoint \
                   WHERE organisation = $1 ORDER BY size";
        let read = |row: &Row| {
            let (machines, made_ms) = (row.number("machines")?, row.signed("made_ms")?);
            let roll =
                RollLeaf { machines, made_ms, position: row.number("position")?, root: Hash(row.bytes("roll")?) };
            Ok(CheckpointRecord {
                size: row.number("size")?,
                epoch: row.number("epoch")?,
                roll,
                note: row.text("note")?,
            })
        };
        let (checkpoints, _) = self.all(CHECKPOINT, sql, organisation(), read).await?;
        Ok(Kept { head: heads.into_iter().next(), tiles, machines, checkpoints })
    }

    /// Keys that sign tokens: their seeds have a length; whether a name is its key's, the server knows.
    pub(super) async fn token_keys(&mut self) -> TxResult<()> {
        let sql = "SELECT kid, seed, made_ms, signs_ms, voids FROM token_key";
        self.all(TOKEN_KEY, sql, Vec::new(), |row| row.bytes::<32>("seed")).await.map(|_| ())
    }
}

fn branch(row: &Row) -> crate::StoreResult<Branch> {
    let (device, link) = (DeviceId(row.bytes("device")?), Hash(row.bytes("link")?));
    Ok(Branch {
        device,
        from: row.number("seq_from")?,
        link,
        previous: Hash(row.bytes("previous")?),
        count: row.number("entry_count")?,
        seal: Seal {
            device,
            from: row.number("seal_from")?,
            to: row.number("seal_to")?,
            link,
            signature: Signature(row.bytes("signature")?),
        },
    })
}
