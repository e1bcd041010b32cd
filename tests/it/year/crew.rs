//! What fifty machines and those who run them do in a year.
//!
//! Promises: seeded, so that every run is the same year; meters run no faster than time but where somebody slips;
//! people do some of what is due, late or early, and forget the rest. Never asks the server anything: a crew knows what
//! its device knows.

use super::device::Device;
use super::dice::Dice;
use pintle::plan_file::STARTERS;
use pintle_core::due::State;
use pintle_core::entry::EntryRef;
use pintle_core::ids::MachineId;
use pintle_core::moment::Moment;
use serde_json::{Value, json};

/// Machines.
pub const MACHINES: u8 = 50;
/// Machines that the partial device wants: the first so many.
pub const PARTIAL: u8 = 15;
/// Of a hundred days, those on which a machine works. Fewer than in life, so that the year takes seconds.
const WORKS_PERCENT: i64 = 15;
/// The machine whose meter nobody ever reads: what is due by it stays unknown.
const NEVER_READ: usize = 17;
/// 2026-01-01T00:00:00Z; the place is an hour ahead, two in summer.
const BEGIN_S: i64 = 1_767_225_600;
/// 2026-03-29T01:00:00Z and 2026-10-25T01:00:00Z.
const SUMMER_S: std::ops::Range<i64> = 1_774_746_000..1_792_890_000;
/// What a four-digit meter shows at most, in tenths.
const FULL_SCALE: i64 = 99_999;

/// A moment of a day at the place.
pub fn moment(day: i64, hour: i64, minute: i64) -> Moment {
    let winter_s = BEGIN_S + day * 86_400 + hour * 3600 + minute * 60 - 3600;
    let offset_s = if SUMMER_S.contains(&winter_s) { 7200 } else { 3600 };
    Moment::at(winter_s + 3600 - i64::from(offset_s), offset_s).expect("a moment of the year")
}

pub fn machine(number: u8) -> MachineId {
    MachineId([number + 1; 16])
}

fn tenths(tenths: i64) -> String {
    format!("{}.{}", tenths / 10, tenths % 10)
}

fn plan(number: usize) -> Value {
    let starter = STARTERS[number % STARTERS.len()].plan().map_err(|problem| problem.sentence).expect("a starter plan");
    serde_json::to_value(starter).expect("JSON")
}

/// A machine as it really is.
struct Rig {
    machine: MachineId,
    /// What its meter shows, in tenths.
    shown: i64,
    findings: Vec<EntryRef>,
    /// Entries somebody may strike or correct: by which device.
    done: Vec<(usize, EntryRef)>,
    /// Readings with a slip, what they should have been, and the day on which somebody notices.
    slips: Vec<(usize, EntryRef, String, i64)>,
}

/// Something to be recorded later than it happened.
struct Late {
    until: i64,
    device: usize,
    machine: MachineId,
    at: Moment,
    body: Value,
}

/// The crews.
pub struct Crew {
    dice: Dice,
    rigs: Vec<Rig>,
    late: Vec<Late>,
}

impl Crew {
    /// The first day: everything is added by the first device.
    pub fn begin(first: &mut Device) -> Self {
        let mut dice = Dice::new(2026);
        let mut rigs = Vec::new();
        for number in 0..MACHINES {
            let id = machine(number);
            let kind = if number % 9 == 4 { "tach hours" } else { "hours" };
            let site = *dice.pick(&["north cut", "gravel pit", "yard"]);
            let added = json!({"name": format!("M{number:02}"), "serial": format!("S-{number}"), "site": site, "meter_kind": kind});
            first.record(id, moment(0, 5, 0), "machine_added", added);
            // Every tenth goes by the common plan.
            if number % 10 != 9 {
                first.record(id, moment(0, 5, 1), "plan_set", plan(usize::from(number)));
            }
            let shown = if number >= 45 { dice.between(99_000, 99_900) } else { dice.between(0, 80_000) };
            if usize::from(number) != NEVER_READ {
                first.record(id, moment(0, 5, 2), "meter_read", json!({"reading": tenths(shown)}));
            }
            rigs.push(Rig { machine: id, shown, findings: Vec::new(), done: Vec::new(), slips: Vec::new() });
        }
        Self { dice, rigs, late: Vec::new() }
    }

    /// One day on all machines.
    pub fn day(&mut self, day: i64, devices: &mut [Device]) {
        for late in std::mem::take(&mut self.late) {
            if late.until > day {
                self.late.push(late);
            } else {
                devices[late.device].record(late.machine, late.at, "fuel_filled", late.body);
            }
        }
        for number in 0..self.rigs.len() {
            self.amends(day, number, devices);
            if self.dice.between(1, 100) <= WORKS_PERCENT {
                self.works(day, number, devices);
            }
        }
    }

    /// A device whose people run this machine, other than `not`.
    fn device(&mut self, number: usize, devices: &[Device], not: Option<usize>) -> usize {
        let machine = self.rigs[number].machine;
        let all: Vec<usize> = (0..devices.len()).filter(|d| devices[*d].wants(machine) && Some(*d) != not).collect();
        *self.dice.pick(&all)
    }

    fn works(&mut self, day: i64, number: usize, devices: &mut [Device]) {
        let device = self.device(number, devices, None);
        let crew = &mut devices[device];
        let dice = &mut self.dice;
        let rig = &mut self.rigs[number];
        let machine = rig.machine;
        let morning = crew.due(machine, &moment(day, 6, 0)).1.due;
        rig.shown += dice.between(20, 95);
        if rig.shown > FULL_SCALE {
            let body = json!({"old_reading": tenths(FULL_SCALE), "new_reading": "0", "reason": "rolled over"});
            crew.record(machine, moment(day, 16, 0), "meter_changed", body);
            rig.shown -= FULL_SCALE;
        } else if dice.one_in(250) {
            let new = *dice.pick(&[0, 12_000]);
            let body = json!({"old_reading": tenths(rig.shown), "new_reading": tenths(new), "reason": "replaced"});
            crew.record(machine, moment(day, 16, 0), "meter_changed", body);
            rig.shown = new;
        }
        let mut body = if number == NEVER_READ { json!({}) } else { json!({"reading": tenths(rig.shown)}) };
        let (minute, at) = (dice.between(0, 59), |minute| moment(day, 17, minute));
        match dice.between(0, 9) {
            0..=3 => {
                let hours = tenths(dice.between(1, 40));
                body["conditions"] = json!({*dice.pick(&["dry", "dusty", "muddy", "submerged"]): hours});
                rig.done.push((device, crew.record(machine, at(minute), "shift_ended", body.clone())));
            }
            4..=6 => {
                body["litres"] = json!(dice.between(40, 300).to_string());
                if dice.one_in(12) {
                    let until = day + dice.between(1, 12);
                    self.late.push(Late { until, device, machine, at: at(minute), body: body.clone() });
                } else {
                    rig.done.push((device, crew.record(machine, at(minute), "fuel_filled", body.clone())));
                }
            }
            7 if dice.one_in(6) && number != NEVER_READ => {
                let slip = json!({"reading": tenths(rig.shown + 10_000)});
                let entry = crew.record(machine, at(minute), "meter_read", slip);
                rig.slips.push((device, entry, tenths(rig.shown), day + dice.between(1, 9)));
            }
            _ => {
                crew.record(machine, moment(day, 7, 0), "shift_begun", json!({}));
                rig.done.push((device, crew.record(machine, at(minute), "shift_ended", json!({}))));
            }
        }
        let (done, service) = (self.dice.one_in(2), self.dice.one_in(2));
        if service && let Some(task) = morning.iter().find(|due| due.state <= State::InWindow && due.clock != "fills") {
            self.does(day, number, device, devices, &task.task);
        }
        if done {
            self.does(day, number, device, devices, "grease");
        }
        self.notices(day, number, device, devices);
    }

    fn does(&mut self, day: i64, number: usize, device: usize, devices: &mut [Device], task: &str) {
        let mut body = json!({"task": task});
        if number != NEVER_READ {
            body["reading"] = json!(tenths(self.rigs[number].shown));
        }
        if self.dice.one_in(8) {
            body["skipped"] =
                json!([{"point": *self.dice.pick(&["boom foot", "stick pin", "bucket pin"]), "reason": "mud"}]);
        } else if self.dice.one_in(10) {
            body["points"] = json!(["boom foot", "bucket pin"]);
        }
        let machine = self.rigs[number].machine;
        let entry =
            devices[device].record(machine, moment(day, 18, self.dice.between(0, 29)), "task_done", body.clone());
        self.rigs[number].done.push((device, entry));
        if self.dice.one_in(25) {
            let other = self.device(number, devices, Some(device));
            devices[other].record(machine, moment(day, 18, 40), "task_done", body);
        }
    }

    fn notices(&mut self, day: i64, number: usize, device: usize, devices: &mut [Device]) {
        let (dice, rig) = (&mut self.dice, &mut self.rigs[number]);
        let crew = &mut devices[device];
        let at = moment(day, 18, 50);
        if dice.one_in(25) {
            let (sign, urgency) = *dice.pick(&[("squeak", "soon"), ("leak", "watch"), ("crack", "tagged out")]);
            let body = json!({"sign": sign, "urgency": urgency, "point": "stick pin"});
            rig.findings.push(crew.record(rig.machine, at.clone(), "finding_raised", body));
        }
        if !rig.findings.is_empty() && dice.one_in(6) {
            let finding = rig.findings.remove(0);
            let (kind, body) = match dice.one_in(4) {
                true => ("finding_cleared", json!({"finding": finding})),
                false => ("repair_done", json!({"closes": [finding], "remedy": "new pin"})),
            };
            crew.record(rig.machine, at.clone(), kind, body);
        }
        if dice.one_in(150) {
            crew.record(rig.machine, at.clone(), "plan_set", plan(usize::try_from(dice.between(0, 3)).expect("few")));
        }
        if dice.one_in(150) {
            crew.record(rig.machine, at, "machine_changed", json!({"site": *dice.pick(&["yard", "quarry"])}));
        }
    }

    /// Slips are corrected, by one or by two who do not know of each other; some entries are struck.
    fn amends(&mut self, day: i64, number: usize, devices: &mut [Device]) {
        let at = moment(day, 19, 0);
        let machine = self.rigs[number].machine;
        let slips = std::mem::take(&mut self.rigs[number].slips);
        for (device, target, should, noticed) in slips {
            if noticed > day {
                self.rigs[number].slips.push((device, target, should, noticed));
                continue;
            }
            let body = |value: &str| json!({"target": target, "field": "/body/reading", "value": value});
            devices[device].record(machine, at.clone(), "corrected", body(&should));
            if self.dice.one_in(2) {
                let other = self.device(number, devices, Some(device));
                devices[other].record(machine, at.clone(), "corrected", body(&format!("{should}5")));
            }
        }
        if self.dice.one_in(120) && !self.rigs[number].done.is_empty() {
            let (device, target) = *self.dice.pick(&self.rigs[number].done);
            devices[device].record(machine, at, "struck", json!({"target": target}));
        }
    }
}
