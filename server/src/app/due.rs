//! What is due, and handing over: answers that depend on the moment.
//!
//! Promises: core's answers, the same that a device with the same entries gives offline. A list is ordered without
//! writing it out, so that its cost is the page that is shown; all its pages are reckoned for the moment of the first.

use super::books::Glance;
use super::fleet::Machines;
use super::read::{Ask, invalid_cursor, known};
use super::{App, Caller, Refusal};
use pintle_core::MachineId;
use pintle_core::agenda::{MachineDue, RANK_BYTES, Rank};
use pintle_core::fact::check_name;
use pintle_core::fleet::folded;
use pintle_core::handover::handover;
use pintle_core::moment::Moment;
use pintle_openapi::endpoints::due::{AtQuery, DueQuery, DueReply, MachineDueReply};
use pintle_openapi::endpoints::handover::{HandoverQuery, HandoverReply};

/// Where a list goes on: the moment it is reckoned for, and the rank of the last machine that was given.
struct Place {
    at: Moment,
    after: Option<Rank>,
}

impl App {
    /// What is due on all machines, the first thing to do first.
    ///
    /// # Errors
    /// `out-of-range`, `bad-text`, `invalid-cursor`, and failures of the store.
    pub async fn due(&self, caller: &Caller, query: &DueQuery) -> Result<DueReply, Refusal> {
        let site = query.site.as_deref().map(site).transpose()?;
        let asked_at = query.at.as_ref().map(Moment::text).unwrap_or_default();
        let ask = self.ask(caller, &format!("due {asked_at} {}", site.as_deref().unwrap_or_default()), query)?;
        let Place { at, after } = self.due_place(query, &ask)?;
        let machines = self.machines_now(caller.device.organisation).await?;
        let mut listed: Vec<(Rank, MachineId, &Glance)> = ranked(&machines, site.as_deref(), &at);
        listed.retain(|(rank, _, _)| after.is_none_or(|after| *rank > after));
        let more = listed.len() > ask.limit;
        if more {
            listed.select_nth_unstable_by_key(ask.limit, |(rank, _, _)| *rank);
            listed.truncate(ask.limit);
        }
        listed.sort_unstable_by_key(|(rank, _, _)| *rank);
        let next = listed.last().filter(|_| more).map(|(rank, _, _)| self.due_cursor(caller, &ask, &at, rank));
        let due: Vec<MachineDue> = listed.into_iter().map(|(_, machine, glance)| told(machine, glance, &at)).collect();
        let names = self.names(caller, &due).await?;
        Ok(DueReply { at, due, next, names })
    }

    /// What is due on one machine.
    ///
    /// # Errors
    /// `not-found`, and failures of the store.
    pub async fn due_of(
        &self,
        caller: &Caller,
        machine: MachineId,
        query: &AtQuery,
    ) -> Result<MachineDueReply, Refusal> {
        let at = self.moment(query.at.clone())?;
        let machines = self.machines_now(caller.device.organisation).await?;
        known(&machines, machine)?;
        let chief = machines.fleet.counts_as(machine);
        let glance = machines.glance(chief).ok_or_else(|| Refusal::internal("a machine counts as one that is not"))?;
        let due = told(chief, glance, &at);
        let names = self.names(caller, &due).await?;
        Ok(MachineDueReply { at, due, names })
    }

    /// What the person taking a machine must know.
    ///
    /// # Errors
    /// `not-found`, and failures of the store.
    pub async fn handover(
        &self,
        caller: &Caller,
        machine: MachineId,
        query: &HandoverQuery,
    ) -> Result<HandoverReply, Refusal> {
        let at = self.moment(query.at.clone())?;
        let to = query.to.unwrap_or(caller.device.person);
        let machines = self.machines_now(caller.device.organisation).await?;
        known(&machines, machine)?;
        let book = self.book_of(&machines, machines.fleet.counts_as(machine)).await?;
        let handover = handover(&book, to, at.second(), at.offset_s());
        let names = self.names(caller, &(to, &handover)).await?;
        Ok(HandoverReply { at, to, handover, names })
    }

    /// The moment asked for, or now in UTC.
    fn moment(&self, asked: Option<Moment>) -> Result<Moment, Refusal> {
        let now_s = self.ambient.now_ms().div_euclid(1000);
        asked.map_or_else(|| Moment::at(now_s, 0).map_err(Refusal::internal), Ok)
    }

    fn due_place(&self, query: &DueQuery, ask: &Ask) -> Result<Place, Refusal> {
        let Some(key) = &ask.after else { return Ok(Place { at: self.moment(query.at.clone())?, after: None }) };
        let (second, rest) = key.split_first_chunk().ok_or_else(invalid_cursor)?;
        let (offset_s, rank) = rest.split_first_chunk().ok_or_else(invalid_cursor)?;
        let rank: [u8; RANK_BYTES] = rank.try_into().map_err(|_| invalid_cursor())?;
        let at = Moment::at(i64::from_be_bytes(*second), i32::from_be_bytes(*offset_s));
        Ok(Place { at: at.map_err(|_| invalid_cursor())?, after: Some(Rank::from_bytes(rank)) })
    }

    fn due_cursor(&self, caller: &Caller, ask: &Ask, at: &Moment, rank: &Rank) -> String {
        let key = [&at.second().to_be_bytes()[..], &at.offset_s().to_be_bytes(), rank.as_bytes()].concat();
        self.cursors.list(&caller.device.organisation, &ask.question, &key)
    }
}

/// A site as it is compared.
fn site(asked: &str) -> Result<String, Refusal> {
    check_name(asked).map_err(|fault| Refusal::from(fault).without_pointer().parameter("site"))?;
    Ok(folded(asked))
}

/// The machines that are in use, with their ranks, in no order.
fn ranked<'a>(machines: &'a Machines, site: Option<&str>, at: &Moment) -> Vec<(Rank, MachineId, &'a Glance)> {
    let in_use = machines.chiefs().filter_map(|chief| {
        let known = machines.glance(chief).filter(|known| site.is_none_or(|site| known.is_at(site)))?;
        Some((known.rank(chief, at)?, chief, &**known))
    });
    in_use.collect()
}

fn told(machine: MachineId, glance: &Glance, at: &Moment) -> MachineDue {
    MachineDue {
        machine,
        name: glance.name.clone().unwrap_or_default(),
        site: glance.site.clone(),
        tagged_out: glance.tagged_out(),
        due: glance.outlook.due(at.second(), at.offset_s()),
    }
}
