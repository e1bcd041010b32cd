//! `pintle devices`: the office's devices: who is in, codes that let someone in, other names and roles, the end.
//!
//! Promises: needs signal, and says so; what is changed is written down in the ledger with the name of who did it. A
//! code is shown once, by the one who made it.

use super::Here;
use crate::office::Office;
use crate::problem::{Code, Problem};
use crate::ui::{Answer, Line, Tone, qr, words};
use pintle_core::permission::Role;
use pintle_openapi::endpoint::Nothing;
use pintle_openapi::endpoints::codes::{CancelCode, CodePath, CodeReply, CodeReport, CodeRequest, Codes, MakeCode};
use pintle_openapi::endpoints::devices::{
    ChangeDevice, DeviceChangeRequest, DevicePath, DeviceReport, Devices as ListDevices, RevokeDevice,
};
use pintle_openapi::list::{PAGE_ITEMS_MAX, PageQuery};
use serde_json::{Value, json};

/// Who is in, and codes that let someone in (office, owner)
#[derive(Debug, clap::Args)]
pub struct Devices {
    #[command(subcommand)]
    act: Option<Act>,
}

#[derive(Debug, clap::Subcommand)]
enum Act {
    /// Make a code that lets one device in
    Code {
        /// What its person may do: crew, mechanic, office, owner
        #[arg(long, value_parser = role, default_value = "crew")]
        role: Role,
        /// Hours until it ends by itself
        #[arg(long, default_value_t = 72)]
        hours: i64,
    },
    /// Cancel a code nobody has used yet
    Cancel {
        /// Its id, from: pintle devices
        #[arg(allow_hyphen_values = true)]
        id: String,
    },
    /// Give a device another short name
    Rename {
        /// Its short name now: K7
        device: String,
        /// Its new one: two to four capital letters or digits
        mark: String,
    },
    /// Give a device's person another role (owner)
    Role {
        /// Its short name: K7
        device: String,
        /// crew, mechanic, office or owner
        #[arg(value_parser = role)]
        role: Role,
    },
    /// Revoke a device: lost, stolen, or its person has left
    Revoke {
        /// Its short name: K7
        device: String,
    },
}

fn role(text: &str) -> Result<Role, String> {
    Role::parse(text).ok_or_else(|| "one of: crew, mechanic, office, owner".to_owned())
}

/// Asks the server, then shows the answer.
pub(super) fn run(args: &Devices, here: &mut Here<'_, '_>) -> Result<(), Problem> {
    let mut store = here.store()?;
    let office = Office::open(&here.home, &mut store, here.ambient)?;
    let Some(act) = &args.act else {
        let devices = all(&office)?;
        let codes = office.ask::<Codes>(&Nothing {}, &Nothing {}, &Nothing {})?.items;
        let now_ms = here.ambient.wall().second.saturating_mul(1000);
        return here.ui.show(&List { devices, codes, now_ms });
    };
    match act {
        Act::Code { role, hours } => {
            let request = CodeRequest { role: *role, hours: Some(*hours) };
            let reply = office.ask::<MakeCode>(&Nothing {}, &Nothing {}, &request)?;
            let columns = here.ui.look.width;
            here.ui.show(&Made { reply, server: office.server.clone(), columns })
        }
        Act::Cancel { id } => {
            let open = office.ask::<Codes>(&Nothing {}, &Nothing {}, &Nothing {})?.items;
            let code = open.into_iter().find(|code| short(&code.id.to_string()) == *id || code.id.to_string() == *id);
            let code = code.ok_or_else(|| {
                Problem::new(Code::UnknownDevice, format!("there is no open code {id:?}")).hint("pintle devices")
            })?;
            office.ask::<CancelCode>(&CodePath { code: code.id }, &Nothing {}, &Nothing {})?;
            here.ui.show(&Cancelled(code))
        }
        Act::Rename { device, mark } => {
            let change = DeviceChangeRequest { mark: Some(mark.to_uppercase()), role: None };
            change_device(&office, device, &change, here)
        }
        Act::Role { device, role } => {
            let change = DeviceChangeRequest { mark: None, role: Some(*role) };
            change_device(&office, device, &change, here)
        }
        Act::Revoke { device } => {
            let path = DevicePath { device: named(&office, device)?.id };
            let report = office.ask::<RevokeDevice>(&path, &Nothing {}, &Nothing {})?;
            here.ui.show(&Changed(report))
        }
    }
}

fn change_device(
    office: &Office,
    device: &str,
    change: &DeviceChangeRequest,
    here: &mut Here<'_, '_>,
) -> Result<(), Problem> {
    let path = DevicePath { device: named(office, device)?.id };
    let report = office.ask::<ChangeDevice>(&path, &Nothing {}, change)?;
    here.ui.show(&Changed(report))
}

fn all(office: &Office) -> Result<Vec<DeviceReport>, Problem> {
    let limit = i64::try_from(PAGE_ITEMS_MAX).ok();
    let mut devices = Vec::new();
    let mut after = None;
    loop {
        let page = office.ask::<ListDevices>(&Nothing {}, &PageQuery { after, limit }, &Nothing {})?;
        devices.extend(page.items);
        match page.next {
            Some(next) => after = Some(next),
            None => return Ok(devices),
        }
    }
}

fn named(office: &Office, name: &str) -> Result<DeviceReport, Problem> {
    let devices = all(office)?;
    let found = devices.into_iter().find(|device| device.mark.eq_ignore_ascii_case(name));
    found
        .ok_or_else(|| Problem::new(Code::UnknownDevice, format!("there is no device {name:?}")).hint("pintle devices"))
}

/// The first characters of an id: enough to tell a crew's codes and links apart.
pub(super) fn short(id: &str) -> String {
    id.chars().take(6).collect()
}

struct List {
    devices: Vec<DeviceReport>,
    codes: Vec<CodeReport>,
    now_ms: i64,
}

impl Answer for List {
    fn lines(&self) -> Vec<Line> {
        let mut lines: Vec<Line> = self.devices.iter().map(|device| one(device, self.now_ms)).collect();
        for code in &self.codes {
            let left = words::span((code.until_ms - self.now_ms).max(0) / 1000);
            let line = Line::toned(Tone::Faint, "code ").plain(short(&code.id.to_string()));
            lines.push(line.plain(format!(" ({}), {left} left", code.role.as_str())));
        }
        if self.codes.is_empty() {
            lines.push(Line::toned(Tone::Faint, "> ").plain("pintle devices code"));
        }
        lines
    }

    fn json(&self) -> Value {
        json!({"devices": self.devices, "codes": self.codes})
    }
}

fn one(device: &DeviceReport, now_ms: i64) -> Line {
    let mut parts = vec![device.role.as_str().to_owned()];
    parts.extend(device.person_name.clone());
    parts.push(words::counted(device.entries, "entry", "entries"));
    if !device.revoked {
        parts.push(match device.last_ms {
            None => "no sync yet".to_owned(),
            Some(last_ms) => format!("sync {} ago", words::span((now_ms - last_ms).max(0) / 1000)),
        });
    }
    let tone = if device.revoked { Tone::Struck } else { Tone::Strong };
    let line = Line::toned(tone, &device.mark).plain(" ").plain(parts.join(", "));
    if device.revoked { line.with(Tone::Odd, ", revoked") } else { line }
}

/// A code that has just been made.
struct Made {
    reply: CodeReply,
    server: String,
    columns: usize,
}

impl Made {
    /// What a phone scans: the code stands behind the address and is never sent as part of it.
    fn scanned(&self) -> String {
        format!("{}/#{}", self.server, self.reply.code)
    }
}

impl Answer for Made {
    fn lines(&self) -> Vec<Line> {
        let hours = (self.reply.report.until_ms - self.reply.report.made_ms) / 3_600_000;
        let role = self.reply.report.role.as_str();
        let mut lines = vec![Line::of(format!("For one device ({role}), within {hours} h, on that device:"))];
        lines.push(Line::of(format!("pintle enrol {} {}", self.server, self.reply.code)).indented(2));
        lines.extend(qr::lines(&self.scanned(), self.columns).into_iter().flatten());
        lines
    }

    fn json(&self) -> Value {
        json!({"code": self.reply.code, "server": self.server, "scan": self.scanned(), "report": self.reply.report})
    }
}

struct Cancelled(CodeReport);

impl Answer for Cancelled {
    fn lines(&self) -> Vec<Line> {
        vec![Line::of(format!("code {} cancelled: it lets nobody in", short(&self.0.id.to_string())))]
    }

    fn json(&self) -> Value {
        json!({"cancelled": self.0})
    }
}

struct Changed(DeviceReport);

impl Answer for Changed {
    fn lines(&self) -> Vec<Line> {
        let device = &self.0;
        let line = Line::toned(Tone::Strong, &device.mark).plain(format!(" is {}", device.role.as_str()));
        if !device.revoked {
            return vec![line];
        }
        vec![
            Line::toned(Tone::Strong, &device.mark).plain(" is revoked: it reads no more"),
            Line::of("What it still pushes is kept and set aside; nothing on it is deleted."),
        ]
    }

    fn json(&self) -> Value {
        json!({"device": self.0})
    }
}
