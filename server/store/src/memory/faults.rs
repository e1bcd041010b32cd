//! What tests and the simulator do to the ledger in memory: copies, faults on demand.
//!
//! Promises: a fault strikes the write it was asked for and no other; a copy holds everything but the faults.

use super::{Inner, MemoryStore, WriteFault};
use std::sync::Mutex;

impl MemoryStore {
    /// A copy as it is now, as a backup would hold it. Faults asked for are not copied.
    #[must_use]
    pub fn copy(&self) -> Self {
        let inner = self.lock();
        let (state, writes) = (inner.state.clone(), inner.writes);
        Self { identity: self.identity.clone(), inner: Mutex::new(Inner { state, writes, ..Inner::default() }) }
    }

    /// How many writes have been committed, also in what it was copied from.
    #[must_use]
    pub fn writes(&self) -> u64 {
        self.lock().writes
    }

    /// Has the next write that no earlier fault waits for end in this one.
    pub fn fail_next_write(&self, fault: WriteFault) {
        self.lock().faults.push_back(Some(fault));
    }

    /// Has the next write that no earlier fault waits for succeed, so that the fault asked for next strikes the one
    /// after it.
    pub fn pass_next_write(&self) {
        self.lock().faults.push_back(None);
    }

    /// From now on the database does not answer at all.
    pub fn go_down(&self) {
        self.lock().down = true;
    }

    /// From now on the database answers again, with what it held.
    pub fn come_up(&self) {
        self.lock().down = false;
    }
}
