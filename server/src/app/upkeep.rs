//! How a machine was kept: hands, keeping, records against a public rule.
//!
//! Promises: core's reckoning over the entries of all machines that count as the one asked for.
//! Never a judgement: what a rule would miss is told, nothing is refused or deleted for it.

use super::fleet::Machines;
use super::read::known;
use super::{App, Caller, Refusal};
use pintle_core::book::{book, keeping_by};
use pintle_core::rules::{self, Records};
use pintle_core::{Held, MachineId};
use pintle_openapi::Problem;
use pintle_openapi::endpoints::upkeep::{
    HandsReply, KeepingQuery, KeepingReply, MachineName, NO_ADVICE, RecordsQuery, RecordsReply, RuleCard, RulesReply,
};
use std::collections::BTreeSet;
use std::sync::Arc;

impl App {
    /// Whose hands ran a machine.
    ///
    /// # Errors
    /// `not-found`, and failures of the store.
    pub async fn hands(&self, caller: &Caller, machine: MachineId) -> Result<HandsReply, Refusal> {
        let (machines, chief) = self.chief(caller, machine).await?;
        let hands = self.book_of(&machines, chief).await?.hands;
        let names = self.names(caller, &hands).await?;
        Ok(HandsReply { machine: named(&machines, chief), hands, names })
    }

    /// How a machine's plan was kept.
    ///
    /// # Errors
    /// `not-found`, and failures of the store.
    pub async fn keeping(
        &self,
        caller: &Caller,
        machine: MachineId,
        query: &KeepingQuery,
    ) -> Result<KeepingReply, Refusal> {
        let (machines, chief) = self.chief(caller, machine).await?;
        let book = self.book_of(&machines, chief).await?;
        let plan = book.plan_in_force().name;
        let keeping = match query.counting {
            None => book.keeping,
            Some(counting) => keeping_by(&self.entries_of(caller, &machines, chief).await?, counting),
        };
        Ok(KeepingReply { machine: named(&machines, chief), plan, counting: query.counting, keeping })
    }

    /// What a public rule would miss in a machine's records.
    ///
    /// # Errors
    /// `not-found` for a machine that is not there, `out-of-range` for a rule or task that is not, and failures of the
    /// store.
    pub async fn records(
        &self,
        caller: &Caller,
        machine: MachineId,
        query: &RecordsQuery,
    ) -> Result<RecordsReply, Refusal> {
        let (machines, chief) = self.chief(caller, machine).await?;
        let rule = rules::find(&query.rule).ok_or_else(|| {
            let known: Vec<&str> = rules::RULES.iter().map(|rule| rule.id).collect();
            let detail = format!("one of: {}", known.join(", "));
            Refusal::of(Problem::OutOfRange).parameter("rule").detail(detail)
        })?;
        let entries = self.entries_of(caller, &machines, chief).await?;
        let book = book(chief, &entries);
        let listed = query.inspections.as_deref().unwrap_or_default().split(',').map(str::trim);
        let inspections: BTreeSet<String> = listed.filter(|task| !task.is_empty()).map(str::to_owned).collect();
        let mut tasks: BTreeSet<String> = book.plan_in_force().tasks.into_iter().map(|task| task.task).collect();
        tasks.extend(book.tasks.iter().map(|task| task.task.clone()));
        if rule.records == Records::Inspections && (inspections.is_empty() || !inspections.is_subset(&tasks)) {
            let known: Vec<String> = tasks.into_iter().collect();
            let detail = format!("{} is about inspections; its tasks: {}", rule.id, known.join(", "));
            return Err(Refusal::of(Problem::OutOfRange).parameter("inspections").detail(detail));
        }
        let report = rules::report(&book, &entries, rule, &inspections);
        let names = self.names(caller, &report).await?;
        Ok(RecordsReply { machine: named(&machines, chief), report, advice: NO_ADVICE.to_owned(), names })
    }

    /// The public rules there are.
    #[must_use]
    pub fn rules(&self) -> RulesReply {
        RulesReply { rules: rules::RULES.iter().map(RuleCard::from).collect(), advice: NO_ADVICE.to_owned() }
    }

    /// The machines as they are now, and the one that the machine asked for counts as.
    async fn chief(&self, caller: &Caller, machine: MachineId) -> Result<(Arc<Machines>, MachineId), Refusal> {
        let machines = self.machines_now(caller.device.organisation).await?;
        known(&machines, machine)?;
        let chief = machines.fleet.counts_as(machine);
        Ok((machines, chief))
    }

    /// The entries of all machines that count as one.
    async fn entries_of(&self, caller: &Caller, machines: &Machines, chief: MachineId) -> Result<Vec<Held>, Refusal> {
        let mut entries = Vec::new();
        for machine in machines.fleet.all_of(chief) {
            entries.extend(self.all_entries(caller.device.organisation, machine).await?);
        }
        Ok(entries)
    }
}

fn named(machines: &Machines, machine: MachineId) -> MachineName {
    let name = machines.glance(machine).and_then(|glance| glance.name.clone());
    MachineName { id: machine, name: name.unwrap_or_default() }
}
