//! Pages of the ledger: what they hold, how they are bounded, and the digests they carry.
//!
//! Promises: digests are compared with what the cases sum up themselves, never with another answer of the store.

use crate::bed::Bed;
use crate::crew::{Device, EX3, EX4, EX5, all_after, digest_of, wanted};
use pintle_core::chain::{Seal, verify_seal};
use pintle_core::exchange::{Digest, Wanted};
use pintle_core::ids::{Hash, MachineId, OrganisationId};
use pintle_store::{ENTRY_FRAME_BYTES, Page, PageAsk};

/// Three devices, three machines and none, 120 entries in 30 pushes.
struct Filled {
    organisation: OrganisationId,
    devices: Vec<Device>,
    /// Where the ledger ended before the pushes: what the server has written down about the devices.
    start: u64,
    /// Machine and link by position from 1, the entries of the server included.
    ledger: Vec<(Option<MachineId>, Hash)>,
}

async fn filled(bed: &Bed) -> Filled {
    let organisation = bed.organisation(1).await;
    let mut devices = Vec::new();
    for number in 1..=3 {
        devices.push(Device::enrolled(bed, number, organisation).await);
    }
    let machines = [Some(EX3), None, Some(EX4), Some(EX3), Some(EX5), Some(EX4), Some(EX3)];
    let mut ledger: Vec<_> = bed.links(organisation).await.into_iter().map(|link| (None, link)).collect();
    let start = ledger.len() as u64;
    for round in 0..30 {
        let device = &mut devices[round * 7 % 3];
        let from = device.log.len() + 1;
        for n in 0..4 {
            let machine = machines[(round * 4 + n) * 5 % machines.len()];
            device.note(machine, &format!("note {round}.{n}"));
            ledger.push((machine, device.end().link));
        }
        device.push_on(bed, from).await;
    }
    Filled { organisation, devices, start, ledger }
}

async fn page(bed: &Bed, organisation: OrganisationId, ask: &PageAsk) -> Page {
    bed.store.page(organisation, ask).await.expect("a page")
}

fn positions(page: &Page) -> Vec<u64> {
    page.entries.iter().map(|held| held.position.expect("it has a position")).collect()
}

pub async fn an_empty_ledger_has_an_empty_page(bed: Bed) {
    let organisation = bed.organisation(1).await;
    for id in [organisation, OrganisationId([9; 16])] {
        let page = page(&bed, id, &all_after(0)).await;
        assert_eq!((page.entries.len(), page.seals.len(), page.position), (0, 0, 0));
        assert_eq!((page.position_link, page.more, page.digest), (Hash::ZERO, false, Digest::default()));
    }
}

pub async fn bytes_bound_a_page_and_one_entry_always_comes(bed: Bed) {
    let Filled { organisation, devices, start, .. } = filled(&bed).await;
    let size = |seq: usize| devices[0].log[seq - 1].canonical().len() + ENTRY_FRAME_BYTES;
    let whole = all_after(start);
    let three = size(1) + size(2) + size(3);
    for (bytes_max, expected) in [(three, 3), (three - 1, 2), (1, 1), (0, 1)] {
        let page = page(&bed, organisation, &PageAsk { bytes_max, ..whole.clone() }).await;
        assert_eq!(page.entries.len(), expected, "{bytes_max} bytes");
        assert_eq!((page.position, page.more), (start + expected as u64, true));
    }
    // Page by page everything comes once, and the last page says so.
    let (mut after, mut seen) = (0, Vec::new());
    loop {
        let page = page(&bed, organisation, &PageAsk { after, bytes_max: three, ..whole.clone() }).await;
        assert!(page.position > after, "a page moves on");
        seen.extend(positions(&page));
        after = page.position;
        if !page.more {
            break;
        }
    }
    assert_eq!(seen, (1..=start + 120).collect::<Vec<_>>());
}

pub async fn rows_bound_a_page_and_it_moves_on_though_nothing_matched(bed: Bed) {
    let Filled { organisation, start, ledger, .. } = filled(&bed).await;
    let end = start + 120;
    let link = |position: u64| ledger[position as usize - 1].1;
    let nothing = PageAsk { wanted: wanted(&[MachineId([99; 16])]), rows_max: 7, ..all_after(start) };
    let first = page(&bed, organisation, &nothing).await;
    let none: Vec<_> = (start + 1..=start + 7).filter(|n| ledger[*n as usize - 1].0.is_none()).collect();
    assert_eq!(positions(&first), none, "entries about no machine are always wanted");
    assert!(!none.is_empty() && none.len() < 7, "{none:?}");
    assert_eq!((first.position, first.position_link, first.more), (start + 7, link(start + 7), true));
    let last = page(&bed, organisation, &PageAsk { after: end - 5, rows_max: 7, ..nothing.clone() }).await;
    assert_eq!((last.position, last.position_link, last.more), (end, link(end), false));
    let standing = page(&bed, organisation, &PageAsk { rows_max: 0, ..nothing }).await;
    assert_eq!(standing.position, start + 1, "one row at least is looked at");
}

pub async fn one_s_own_entries_are_left_out_and_still_count(bed: Bed) {
    let Filled { organisation, devices, start, ledger } = filled(&bed).await;
    let ask = PageAsk { except: Some(devices[1].id), ..all_after(start) };
    let page = page(&bed, organisation, &ask).await;
    assert_eq!(page.entries.len(), 120 - devices[1].log.len());
    assert!(page.entries.iter().all(|held| held.device != devices[1].id));
    assert_eq!(page.digest, digest_of(ledger.iter().map(|(_, link)| link)));
}

pub async fn digests_are_those_anyone_computes(bed: Bed) {
    let Filled { organisation, ledger, .. } = filled(&bed).await;
    let sets = [
        Wanted::default(),
        wanted(&[]),
        wanted(&[EX3]),
        wanted(&[EX4, EX5]),
        wanted(&[EX3, EX4, EX5]),
        wanted(&[EX5, MachineId([99; 16])]),
    ];
    for set in sets {
        for position in 1..=ledger.len() as u64 {
            let ask = PageAsk { after: position - 1, rows_max: 1, wanted: set.clone(), ..all_after(0) };
            let page = page(&bed, organisation, &ask).await;
            let counted =
                ledger[..page.position as usize].iter().filter(|(machine, _)| match (&set.machines, machine) {
                    (Some(machines), Some(machine)) => machines.contains(machine),
                    _ => true,
                });
            assert_eq!(page.digest, digest_of(counted.map(|(_, link)| link)), "{set:?} at {position}");
        }
    }
}

pub async fn many_wanted_machines_are_counted_too(bed: Bed) {
    let organisation = bed.organisation(1).await;
    let mut device = Device::enrolled(&bed, 1, organisation).await;
    let machine = |n: u16| {
        let mut id = [9; 16];
        id[..2].copy_from_slice(&n.to_be_bytes());
        MachineId(id)
    };
    let (mut links, mut from) = (bed.links(organisation).await, 1);
    let start = links.len() as u64;
    for n in 0..700u16 {
        device.note(Some(machine(n)), "a fleet");
        if n % 2 == 0 {
            links.push(device.end().link);
        }
        if device.log.len() - from == 349 {
            device.push_on(&bed, from).await;
            from = device.log.len() + 1;
        }
    }
    let every_second: Vec<_> = (0..700).step_by(2).map(machine).collect();
    let page = page(&bed, organisation, &PageAsk { wanted: wanted(&every_second), ..all_after(start) }).await;
    // 350 entries that lie apart: more than are fetched in one statement, and not a multiple of it.
    assert_eq!(positions(&page), (start + 1..start + 700).step_by(2).collect::<Vec<_>>());
    assert_eq!(page.digest, digest_of(&links));
}

pub async fn seals_come_with_their_last_entry(bed: Bed) {
    let Filled { organisation, devices, start, ledger } = filled(&bed).await;
    let whole = page(&bed, organisation, &all_after(start)).await;
    assert_eq!(whole.seals.len(), 30);
    for seal in &whole.seals {
        let device = devices.iter().find(|device| device.id == seal.device).expect("a device of ours");
        assert!(verify_seal(&device.key, &organisation, seal));
        assert_eq!(device.heads[seal.to as usize].link, seal.link);
    }
    let pushed = &ledger[start as usize..];
    let links = |seals: &[Seal]| seals.iter().map(|seal| seal.link).collect::<Vec<_>>();
    assert_eq!(links(&whole.seals), (1..=30).map(|push| pushed[push * 4 - 1].1).collect::<Vec<_>>());
    // The third to the ninth entry: among them the last of the first two pushes.
    let part = page(&bed, organisation, &PageAsk { rows_max: 7, ..all_after(start + 2) }).await;
    assert_eq!(links(&part.seals), [pushed[3].1, pushed[7].1]);
    // A seal whose last entry is not given is not given either.
    let some = page(&bed, organisation, &PageAsk { wanted: wanted(&[EX5]), ..all_after(start) }).await;
    let given: Vec<_> = some.entries.iter().map(|held| held.link).collect();
    assert!(some.seals.iter().all(|seal| given.contains(&seal.link)));
    assert!(!some.seals.is_empty() && some.seals.len() < 30);
}

pub async fn links_are_found_by_position(bed: Bed) {
    let Filled { organisation, ledger, .. } = filled(&bed).await;
    let end = ledger.len() as u64;
    let link_at = async |position| bed.store.link_at(organisation, position).await.expect("it answers");
    assert_eq!(link_at(0).await, Some(Hash::ZERO));
    for (position, (_, link)) in (1..).zip(&ledger) {
        assert_eq!(link_at(position).await, Some(*link));
    }
    assert_eq!(link_at(end + 1).await, None);
    assert_eq!(link_at(u64::MAX).await, None);
}

pub async fn beyond_the_end_is_an_empty_page_at_the_end(bed: Bed) {
    let Filled { organisation, ledger, .. } = filled(&bed).await;
    let end = ledger.len() as u64;
    for after in [end, end + 1, u64::MAX] {
        let page = page(&bed, organisation, &all_after(after)).await;
        assert_eq!((page.entries.len(), page.position, page.more), (0, end, false));
        assert_eq!(Some(page.position_link), ledger.last().map(|(_, link)| *link));
        assert_eq!(page.digest, digest_of(ledger.iter().map(|(_, link)| link)));
    }
}
