//! `pintle machines`: every machine at a glance.
//!
//! Promises: what must not be run stands first, and says so before anything else; read from the glances, so it is quick however long the logs
//! are. Never lists a machine twice that people settled to be one.

use super::Here;
use super::answer::hazards;
use crate::names::Names;
use crate::problem::Problem;
use crate::store::Glance;
use crate::ui::{Answer, Line, Tone, words};
use pintle_core::exchange::Wanted;
use pintle_core::moment::Moment;
use serde_json::{Value, json};

/// Every machine at a glance
#[derive(Debug, clap::Args)]
pub struct Machines {
    /// Those no longer in use too
    #[arg(long)]
    all: bool,
}

struct List {
    machines: Vec<Glance>,
    names: Names,
    held: Wanted,
}

/// Shows them.
pub(super) fn run(args: &Machines, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let all = args.all;
    here.answer(|tx| {
        let mut machines = tx.machines()?;
        machines.retain(|m| m.stands_for.is_none() && !m.name.is_empty() && (all || m.retired.is_none()));
        machines.sort_by_key(|m| m.tagged_out.is_empty());
        Ok(List { machines, names: Names::load(tx)?, held: tx.machines_held()? })
    })
}

impl Answer for List {
    fn lines(&self) -> Vec<Line> {
        if self.machines.is_empty() {
            return vec![Line::of("No machines yet."), Line::toned(Tone::Faint, "> ").plain("pintle machine add EX3")];
        }
        let mut lines = Vec::new();
        for machine in &self.machines {
            let mut parts = Vec::new();
            parts.extend(machine.reading.map(|r| format!("{} {}", r.reading, words::unit(machine.meter_kind))));
            parts.extend(machine.site.clone());
            if machine.open_findings > 0 {
                parts.push(format!("{} open", machine.open_findings));
            }
            parts.extend(machine.retired.as_ref().map(|why| format!("retired: {why}")));
            parts.extend((!self.held.takes(Some(machine.id))).then(|| "not held here".to_owned()));
            let parts = parts.join(", ");
            if machine.tagged_out.is_empty() {
                lines.push(Line::toned(Tone::Strong, &machine.name).plain(" ").plain(parts));
                continue;
            }
            lines.extend(hazards(machine, &self.names));
            lines.push(Line::of(parts).indented(2));
        }
        lines
    }

    fn warnings(&self) -> Vec<Line> {
        self.machines.iter().flat_map(|machine| hazards(machine, &self.names)).collect()
    }

    fn json(&self) -> Value {
        let mut machines: Vec<&Glance> = self.machines.iter().collect();
        machines.sort_by_key(|m| m.id);
        let machines: Vec<Value> = machines.into_iter().map(|machine| self.one(machine)).collect();
        let mut answer = json!({"machines": machines});
        answer["names"] = self.names.json_for(&answer);
        answer
    }
}

impl List {
    fn one(&self, machine: &Glance) -> Value {
        let mut one = json!({
            "machine": machine.id,
            "name": machine.name,
            "meter_kind": machine.meter_kind,
            "open_findings": machine.open_findings,
            "tagged_out": machine.tagged_out,
        });
        let texts = [("serial", &machine.serial), ("site", &machine.site), ("retired", &machine.retired)];
        for (key, value) in texts {
            if let Some(value) = value {
                one[key] = json!(value);
            }
        }
        if let Some(last) = machine.reading {
            one["reading"] = json!(last.reading);
            one["reading_at"] = json!(Moment::at(last.at_s, 0).ok());
        }
        if !self.held.takes(Some(machine.id)) {
            one["held"] = json!(false);
        }
        one
    }
}
