//! Values on their way into statements, and rows on their way out.
//!
//! Promises: what a row holds becomes a type of the domain or [`StoreError::Corrupt`] with table, row and column; no
//! column is trusted to have its length or sign.
//!
//! Never: SQL of its own.

use crate::{Role, StoreError, StoreResult, corrupt};
use pintle_core::entry::Entry;
use pintle_core::exchange::{Digest, Wanted};
use pintle_core::ids::MachineId;
use sea_orm::{QueryResult, TryGetable, Value};
use std::collections::BTreeSet;
use std::fmt::Write as _;

/// A table, and the column that names its rows in an error.
#[derive(Debug, Clone, Copy)]
pub(super) struct Table {
    /// Its name.
    pub name: &'static str,
    /// A column that every query of it selects.
    pub key: &'static str,
}

/// Bytes, as a bound value.
pub(super) fn blob(bytes: &[u8]) -> Value {
    Value::Bytes(Some(bytes.to_vec()))
}

/// Bytes or nothing, as a bound value.
pub(super) fn blob_or_null(bytes: Option<Vec<u8>>) -> Value {
    Value::Bytes(bytes)
}

/// A machine, as a bound value: no bytes for "no machine".
pub(super) fn machine_blob(machine: Option<MachineId>) -> Value {
    blob(machine.as_ref().map_or(&[][..], |machine| machine.as_bytes()))
}

/// A count, number or position, as a bound value. One beyond what a database counts is the largest that it does: as
/// a bound it means the same, and none is ever stored (numbers of entries end at 2^53).
pub(super) fn number(number: u64) -> Value {
    Value::BigInt(Some(i64::try_from(number).unwrap_or(i64::MAX)))
}

/// How many rows at most, as a bound value.
pub(super) fn limit(rows: usize) -> Value {
    number(rows as u64)
}

/// A sum, as a bound value: its bit pattern.
pub(super) fn sum(sum: u64) -> Value {
    signed(sum.cast_signed())
}

/// A signed number, as a bound value.
pub(super) fn signed(number: i64) -> Value {
    Value::BigInt(Some(number))
}

/// A text, as a bound value.
pub(super) fn text(text: &str) -> Value {
    Value::String(Some(text.to_owned()))
}

/// A row of a table.
pub(super) struct Row {
    table: Table,
    inner: QueryResult,
}

impl Row {
    /// A row that a query of this table gave.
    pub fn new(table: Table, inner: QueryResult) -> Self {
        Self { table, inner }
    }

    fn get<T: TryGetable>(&self, column: &'static str) -> StoreResult<T> {
        T::try_get(&self.inner, "", column).map_err(|error| self.damaged(column, sea_orm::DbErr::from(error)))
    }

    /// The error for a column that cannot be what it should be.
    pub fn damaged(&self, column: &'static str, detail: impl ToString) -> StoreError {
        StoreError::Corrupt { table: self.table.name, row: self.key(), column, detail: detail.to_string() }
    }

    fn key(&self) -> String {
        let column = self.table.key;
        if let Ok(number) = i64::try_get(&self.inner, "", column) {
            return number.to_string();
        }
        if let Ok(bytes) = Vec::<u8>::try_get(&self.inner, "", column) {
            return bytes.iter().fold(String::new(), |mut hex, byte| {
                // Writing to a text does not fail.
                let _ = write!(hex, "{byte:02x}");
                hex
            });
        }
        String::from("?")
    }

    /// Bytes.
    pub fn blob(&self, column: &'static str) -> StoreResult<Vec<u8>> {
        self.get(column)
    }

    /// A fixed number of bytes.
    pub fn bytes<const N: usize>(&self, column: &'static str) -> StoreResult<[u8; N]> {
        let bytes = self.blob(column)?;
        bytes.as_slice().try_into().map_err(|_| self.damaged(column, format!("{} bytes, not {N}", bytes.len())))
    }

    /// A fixed number of bytes, or none.
    pub fn bytes_or_null<const N: usize>(&self, column: &'static str) -> StoreResult<Option<[u8; N]>> {
        let Some(bytes) = self.get::<Option<Vec<u8>>>(column)? else { return Ok(None) };
        let length = bytes.len();
        bytes.try_into().map(Some).map_err(|_| self.damaged(column, format!("{length} bytes, not {N}")))
    }

    /// A machine, or none for no bytes.
    pub fn machine(&self, column: &'static str) -> StoreResult<Option<MachineId>> {
        let bytes = self.blob(column)?;
        if bytes.is_empty() {
            return Ok(None);
        }
        MachineId::from_slice(&bytes).map(Some).map_err(|error| self.damaged(column, error))
    }

    /// A signed number.
    pub fn signed(&self, column: &'static str) -> StoreResult<i64> {
        self.get(column)
    }

    /// A signed number, or none.
    pub fn signed_or_null(&self, column: &'static str) -> StoreResult<Option<i64>> {
        self.get(column)
    }

    /// A count, number or position.
    pub fn number(&self, column: &'static str) -> StoreResult<u64> {
        let number = self.signed(column)?;
        u64::try_from(number).map_err(|_| self.damaged(column, "it is below zero"))
    }

    /// A sum, from its bit pattern.
    pub fn sum(&self, column: &'static str) -> StoreResult<u64> {
        Ok(self.signed(column)?.cast_unsigned())
    }

    /// A digest in two columns.
    pub fn digest(&self, count: &'static str, sum: &'static str) -> StoreResult<Digest> {
        Ok(Digest { count: self.number(count)?, sum: self.sum(sum)? })
    }

    /// A text.
    pub fn text(&self, column: &'static str) -> StoreResult<String> {
        self.get(column)
    }

    /// A text, or none.
    pub fn text_or_null(&self, column: &'static str) -> StoreResult<Option<String>> {
        self.get(column)
    }

    /// A role.
    pub fn role(&self, column: &'static str) -> StoreResult<Role> {
        let text = self.text(column)?;
        Role::parse(&text).ok_or_else(|| self.damaged(column, "it is no role"))
    }

    /// A set of machines and sites: neither for all.
    pub fn wanted(&self, machines: &'static str, sites: &'static str) -> StoreResult<Wanted> {
        let read = |bytes: Vec<u8>| bytes.chunks(MachineId::LEN).map(MachineId::from_slice).collect::<Result<_, _>>();
        let found = self.get::<Option<Vec<u8>>>(machines)?.map(read).transpose();
        let named = self.text_or_null(sites)?.unwrap_or_default();
        Ok(Wanted {
            machines: found.map_err(|error| self.damaged(machines, error))?,
            sites: named.lines().map(str::to_owned).collect(),
        })
    }

    /// An entry, whose number must be `seq`.
    pub fn entry(&self, column: &'static str, seq: u64) -> StoreResult<Entry> {
        let bytes = self.blob(column)?;
        let entry =
            Entry::from_trusted_bytes(&bytes).map_err(|fault| corrupt(self.table.name, self.key(), column, &fault))?;
        if entry.seq() != seq {
            return Err(self.damaged(column, format!("it holds entry {}, not {seq}", entry.seq())));
        }
        Ok(entry)
    }
}

/// A set of machines as one value: their bytes one after the other, null for all.
pub(super) fn wanted_value(wanted: &Wanted) -> Value {
    let join = |machines: &BTreeSet<MachineId>| machines.iter().flat_map(|m| m.0).collect();
    blob_or_null(wanted.machines.as_ref().map(join))
}

/// The sites wanted as one value: a line each, as no name has a line break; null for none.
pub(super) fn sites_value(wanted: &Wanted) -> Value {
    let list = || wanted.sites.iter().map(String::as_str).collect::<Vec<_>>().join("\n");
    Value::String((!wanted.sites.is_empty()).then(list))
}
