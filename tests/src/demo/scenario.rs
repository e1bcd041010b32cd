//! One week in early May on three sites in a valley without signal, as a list of acts.
//!
//! Promises: seeded and the same on every machine; no real people, firms or brands. What the crews meet: wet days and
//! a dusty one, a grease fitting sheared off and mended, a wrong reading, one greasing recorded by two people, two
//! corrections that disagree, a crack that tags a machine out, and a tablet whose clock has stopped for hours.

/// The three devices.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Crew {
    /// Ines and whoever runs the excavator with her: phone K7.
    K7,
    /// Tomasz and Rosa: phone M4.
    M4,
    /// Wen and Amadou: tablet R9, whose clock goes wrong on Thursday.
    R9,
}

impl Crew {
    /// All of them.
    pub const ALL: [Crew; 3] = [Crew::K7, Crew::M4, Crew::R9];

    /// The device's mark.
    #[must_use]
    pub fn mark(self) -> &'static str {
        match self {
            Crew::K7 => "K7",
            Crew::M4 => "M4",
            Crew::R9 => "R9",
        }
    }

    /// Who else records on it.
    #[must_use]
    pub fn second(self) -> &'static str {
        match self {
            Crew::K7 => "Piet",
            Crew::M4 => "Rosa",
            Crew::R9 => "Amadou",
        }
    }

    /// Whose device it is.
    #[must_use]
    pub fn owner(self) -> &'static str {
        match self {
            Crew::K7 => "Ines",
            Crew::M4 => "Tomasz",
            Crew::R9 => "Wen",
        }
    }
}

/// What happens at one moment.
#[derive(Debug, Clone)]
pub struct Act {
    /// Minutes since Monday, 4 May 2026, 00:00 at the place.
    pub minute: i64,
    /// On which device.
    pub crew: Crew,
    /// What happens.
    pub what: What,
    /// A line for the audience, if it is worth one.
    pub tell: Option<&'static str>,
}

/// The kinds of act.
#[derive(Debug, Clone)]
pub enum What {
    /// Someone types a `pintle` command. `{name}` stands for an entry kept under that name.
    Types {
        /// The arguments.
        arguments: Vec<String>,
        /// Keep the entry's name under this one.
        keep: Option<&'static str>,
    },
    /// The device comes into signal.
    Syncs,
    /// The device is enrolled.
    Enrols,
}

/// A machine of the scenario.
struct Machine {
    name: &'static str,
    crew: Crew,
    start: f64,
    /// Hours run on a dry, a wet and the dusty day.
    hours: [f64; 3],
    points: &'static [&'static str],
    litres: u64,
}

const MACHINES: [Machine; 5] = [
    Machine {
        name: "EX3",
        crew: Crew::K7,
        start: 4127.5,
        hours: [8.5, 7.0, 9.0],
        points: &["bucket pin", "bucket link", "stick", "boom foot", "swing gear"],
        litres: 180,
    },
    Machine {
        name: "LD1",
        crew: Crew::R9,
        start: 1471.0,
        hours: [6.0, 4.0, 8.5],
        points: &["lift arm", "tilt link", "centre pivot", "rear axle"],
        litres: 140,
    },
    Machine {
        name: "TR2",
        crew: Crew::M4,
        start: 902.3,
        hours: [5.5, 6.5, 5.0],
        points: &["chain nose", "boom pivot", "drive shaft"],
        litres: 95,
    },
    Machine {
        name: "BH4",
        crew: Crew::M4,
        start: 6230.0,
        hours: [4.0, 3.5, 4.5],
        points: &["loader arm", "loader bucket", "swing post", "dipper", "hoe bucket"],
        litres: 80,
    },
    Machine {
        name: "CR5",
        crew: Crew::R9,
        start: 2318.4,
        hours: [7.0, 5.0, 8.0],
        points: &["tip hinge", "tip ram", "track roller"],
        litres: 110,
    },
];

const WET: [i64; 2] = [1, 2];
const DUSTY: i64 = 3;
const WORK_DAYS: i64 = 5;

/// A minute of the week.
const fn at(day: i64, hour: i64, minute: i64) -> i64 {
    day * 1440 + hour * 60 + minute
}

/// Small seeded numbers (xorshift), so that the week is the same every time.
struct Seeded(u64);

impl Seeded {
    fn below(&mut self, bound: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % bound
    }
}

fn types(minute: i64, crew: Crew, arguments: &[&str]) -> Act {
    let arguments = arguments.iter().map(|a| (*a).to_owned()).collect();
    Act { minute, crew, what: What::Types { arguments, keep: None }, tell: None }
}

fn kept(name: &'static str, tell: &'static str, act: Act) -> Act {
    let What::Types { arguments, .. } = act.what else { return act };
    Act { what: What::Types { arguments, keep: Some(name) }, tell: Some(tell), ..act }
}

fn told(tell: &'static str, act: Act) -> Act {
    Act { tell: Some(tell), ..act }
}

fn syncs(minute: i64, crew: Crew) -> Act {
    Act { minute, crew, what: What::Syncs, tell: None }
}

fn enrols(minute: i64, crew: Crew) -> Act {
    Act { minute, crew, what: What::Enrols, tell: None }
}

/// The whole week in order of time.
#[must_use]
pub fn week() -> Vec<Act> {
    let mut acts = beginning();
    let mut seeded = Seeded(0x5eed_0f1d_0a11_ce5d);
    for machine in &MACHINES {
        let mut hours = machine.start;
        for day in 0..WORK_DAYS {
            acts.extend(day_of(machine, day, &mut hours, &mut seeded));
        }
    }
    acts.extend(story());
    for crew in Crew::ALL {
        // A second person is introduced on each device; then its owner takes it back.
        acts.push(types(at(0, 5, 45), crew, &["me", crew.second()]));
        acts.push(types(at(0, 5, 46), crew, &["me", crew.owner()]));
    }
    acts.sort_by_key(|act| (act.minute, act.crew));
    acts
}

/// Sunday evening and Monday before six: machines are added, devices enrolled in the yard, where there is signal.
fn beginning() -> Vec<Act> {
    let yard = at(0, 5, 30);
    vec![
        types(at(-1, 20, 4), Crew::M4, &["setup", "--name", Crew::M4.owner(), "--mark", Crew::M4.mark()]),
        told(
            "Sunday evening, at home. Tomasz's phone has never seen a server; he adds two machines.",
            types(
                at(-1, 20, 5),
                Crew::M4,
                &[
                    "machine",
                    "add",
                    "BH4",
                    "--model",
                    "tractor with loader and backhoe",
                    "--serial",
                    "BH-20417",
                    "--site",
                    "mill lane",
                ],
            ),
        ),
        types(
            at(-1, 20, 7),
            Crew::M4,
            &["machine", "add", "TR2", "--model", "chain trencher", "--serial", "TR-0093", "--site", "lower meadow"],
        ),
        told(
            "Monday, 05:30, in the yard, the last place with signal. Three devices are enrolled.",
            enrols(yard, Crew::K7),
        ),
        types(
            yard + 1,
            Crew::K7,
            &[
                "machine",
                "add",
                "EX3",
                "--model",
                "tracked excavator, 22 t",
                "--serial",
                "EX-7731",
                "--site",
                "lower meadow",
            ],
        ),
        types(
            yard + 2,
            Crew::K7,
            &["machine", "add", "LD1", "--model", "wheel loader", "--serial", "LD-5120", "--site", "quarry road"],
        ),
        enrols(yard + 3, Crew::R9),
        types(
            yard + 4,
            Crew::R9,
            &["machine", "add", "CR5", "--model", "tracked carrier", "--serial", "CR-118", "--site", "quarry road"],
        ),
        enrols(yard + 5, Crew::M4),
        syncs(yard + 6, Crew::K7),
        syncs(yard + 7, Crew::R9),
        syncs(yard + 8, Crew::M4),
        syncs(yard + 9, Crew::K7),
        syncs(yard + 10, Crew::R9),
    ]
}

/// An ordinary day with one machine.
fn day_of(machine: &Machine, day: i64, hours: &mut f64, seeded: &mut Seeded) -> Vec<Act> {
    let wet = WET.contains(&day);
    let run = machine.hours[if wet {
        1
    } else if day == DUSTY {
        2
    } else {
        0
    }];
    let shake = i64::try_from(seeded.below(18)).unwrap_or(0);
    let text = |h: f64| format!("{h:.1}");
    let second_operator = [machine.crew.second(), machine.crew.owner()][usize::try_from(seeded.below(2)).unwrap_or(0)];
    let begin = at(day, 6, 40 + shake);
    let noon = at(day, 12, 5 + shake);
    let end = at(day, 17, 5 + shake);
    let mut acts = vec![types(begin, machine.crew, &["begin", machine.name, &text(*hours)])];
    let litres = (machine.litres - seeded.below(40)).to_string();
    if day > 0 || machine.name != "EX3" {
        acts.push(types(begin + 4, machine.crew, &["fuel", machine.name, &litres]));
    }
    let mut grease: Vec<String> = ["grease", machine.name, "--purge"].iter().map(|s| (*s).to_owned()).collect();
    grease.push(
        if wet {
            "water"
        } else if day == DUSTY {
            "dirty"
        } else {
            "clean"
        }
        .into(),
    );
    if seeded.below(4) == 0 {
        let point = machine.points[usize::try_from(seeded.below(machine.points.len() as u64)).unwrap_or(0)];
        grease.extend(["--skip".to_owned(), format!("{point}: under mud")]);
    }
    grease.extend(["--minutes".to_owned(), (8 + seeded.below(9)).to_string()]);
    acts.push(types(begin + 9, machine.crew, &grease.iter().map(String::as_str).collect::<Vec<_>>()));
    if wet || day == DUSTY {
        // Hard hours: greased again at noon. Common practice, no source.
        let half = text(*hours + run / 2.0);
        let both_record = machine.name == "EX3" && day == 2;
        if !both_record {
            acts.push(types(noon, machine.crew, &["grease", machine.name, &half, "--as", second_operator]));
        }
    }
    *hours += run;
    // On this one evening the reading is Wen's slip, told below.
    let slip = machine.name == "LD1" && day == 1;
    let mut ending: Vec<String> = vec!["end".into(), machine.name.into()];
    if !slip {
        ending.push(text(*hours));
    }
    if wet {
        ending.extend(["--submerged".into(), text(run / 2.0)]);
    } else if day == DUSTY {
        ending.extend(["--dusty".into(), text(run)]);
    }
    acts.push(types(end, machine.crew, &ending.iter().map(String::as_str).collect::<Vec<_>>()));
    if seeded.below(3) == 0 {
        let note = ["tracks cleaned", "greased with the small gun", "parked on the mats", "mirror wiped, still loose"]
            [usize::try_from(seeded.below(4)).unwrap_or(0)];
        acts.push(types(end + 3, machine.crew, &["note", machine.name, note]));
    }
    acts
}

/// What makes this week this week.
fn story() -> Vec<Act> {
    vec![
        kept(
            "fill",
            "Monday. Ines fills EX3 and leaves out a digit.",
            types(at(0, 6, 55), Crew::K7, &["fuel", "EX3", "18"]),
        ),
        told(
            "Monday evening, back in the yard: all three sync. From here on there is no signal.",
            syncs(at(0, 18, 0), Crew::K7),
        ),
        syncs(at(0, 18, 1), Crew::M4),
        syncs(at(0, 18, 2), Crew::R9),
        syncs(at(0, 18, 3), Crew::K7),
        syncs(at(0, 18, 4), Crew::M4),
        told(
            "Tuesday, rain. Ines sees her slip and corrects it: 180 litres.",
            types(at(1, 6, 50), Crew::K7, &["correct", "{fill}", "litres", "180"]),
        ),
        told(
            "The same morning Wen, at the bowser, reads the pump and corrects it too: 168. Neither knows of the other.",
            types(at(1, 7, 30), Crew::R9, &["correct", "{fill}", "litres", "168"]),
        ),
        kept(
            "slip",
            "Tuesday evening. Wen swaps two digits of a reading; it is recorded, and the answer says that it looks odd.",
            types(at(1, 17, 2), Crew::R9, &["read", "LD1", "1841.0"]),
        ),
        kept(
            "fitting",
            "Tuesday. Rosa runs EX3 with Tomasz's phone and finds a grease fitting sheared off.",
            types(
                at(1, 15, 20),
                Crew::M4,
                &[
                    "found",
                    "EX3",
                    "missing fitting",
                    "sheared off in the gravel",
                    "--point",
                    "bucket pin",
                    "--as",
                    "Rosa",
                ],
            ),
        ),
        types(
            at(1, 15, 24),
            Crew::M4,
            &["note", "EX3", "bucket pin gets no grease until the fitting is back", "--handover", "--as", "Rosa"],
        ),
        told(
            "Wednesday morning. Wen corrects the reading.",
            types(at(2, 7, 0), Crew::R9, &["correct", "{slip}", "reading", "1481.0"]),
        ),
        told(
            "Wednesday noon, water up to the stick. Ines greases EX3 …",
            types(
                at(2, 12, 0),
                Crew::K7,
                &["grease", "EX3", "4147.0", "--skip", "bucket pin: no fitting", "--purge", "water"],
            ),
        ),
        told(
            "… and Tomasz, who helped, records the same greasing on his phone.",
            types(at(2, 12, 10), Crew::M4, &["grease", "EX3", "4147.1", "--skip", "bucket pin: no fitting"]),
        ),
        told("Wednesday evening. Tomasz alone passes the hill where there is signal.", syncs(at(2, 19, 0), Crew::M4)),
        told(
            "Thursday, dust. Tomasz mends the fitting with what is in the truck.",
            types(
                at(3, 9, 40),
                Crew::M4,
                &[
                    "repair",
                    "EX3",
                    "--closes",
                    "{fitting}",
                    "--point",
                    "bucket pin",
                    "--cause",
                    "sheared off by gravel",
                    "--remedy",
                    "stub drawn with an extractor, new fitting",
                    "--part",
                    "grease fitting M10x1:1 pieces",
                    "--minutes",
                    "35",
                ],
            ),
        ),
        types(at(3, 10, 20), Crew::M4, &["grease", "EX3", "--point", "bucket pin", "--purge-at", "bucket pin=metal"]),
        told(
            "Thursday. The tablet's battery was flat; its clock is 3 h 12 min behind from now on.",
            types(at(3, 13, 0), Crew::R9, &["note", "CR5", "tip ram hisses when cold", "--handover"]),
        ),
        kept(
            "crack",
            "Friday. Amadou finds a crack and tags LD1 out.",
            types(
                at(4, 9, 30),
                Crew::R9,
                &[
                    "found",
                    "LD1",
                    "crack",
                    "left lift arm, weld open a hand wide",
                    "--point",
                    "lift arm",
                    "--urgency",
                    "out",
                    "--as",
                    "Amadou",
                ],
            ),
        ),
        told("Friday, EX3 squeaks.", types(at(4, 14, 0), Crew::K7, &["found", "EX3", "squeak", "--point", "stick"])),
    ]
}
