//! Photos with real programs: from one device to another, through a server that is killed and one that was restored.
//!
//! Promises: what arrives is compared to the byte; entries never wait for a photo.

use crate::whole::{House, setting};
use pintle_tests::demo::scenario::Crew;
use pintle_tests::demo::stage::ran;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// A photo by Pillow.
const PLAIN: &[u8] = include_bytes!("../../core/tests/photos/plain.jpg");

/// Most rounds of the killing test, and the cuts after which it has shown enough.
const ROUNDS_MAX: usize = 120;
const CUTS: u32 = 4;

/// A document of so many bytes, which no cleaning changes.
pub fn document(path: &Path, bytes: usize) {
    let mut pdf = b"%PDF-1.7\n".to_vec();
    pdf.extend((0..bytes - 15).map(|at| b'a' + u8::try_from(at % 23).expect("small")));
    pdf.extend_from_slice(b"%%EOF\n");
    std::fs::write(path, pdf).expect("writes");
}

/// A server, two devices, and a folder for the files of their people.
fn house() -> (House, PathBuf) {
    let mut house = House::new();
    house.stage.start_server("Valley crews").expect("a server");
    house.enrol_all(&[Crew::K7, Crew::M4]);
    let folder = house.stage.folder().join("photos");
    std::fs::create_dir_all(&folder).expect("a folder");
    (house, folder)
}

fn text(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

fn put(house: &mut House, crew: Crew, of: &str, folder: &Path) -> Vec<PathBuf> {
    let (told, _) = house.json(crew, &["photos", of, "--to", text(folder)]);
    let photos = told["photos"].as_array().expect("photos");
    photos.iter().filter_map(|photo| photo["put"].as_str().map(PathBuf::from)).collect()
}

#[test]
fn photos_reach_the_crew_and_one_that_did_not_is_said_to_be_where_it_was_taken() {
    let (mut house, folder) = house();
    let (photo, bill) = (folder.join("crack.jpg"), folder.join("bill.pdf"));
    std::fs::write(&photo, PLAIN).expect("writes");
    document(&bill, 700_000);
    house.must(Crew::K7, &["machine", "add", "EX3"]);
    house.must(Crew::K7, &["found", "EX3", "crack", "--photo", text(&photo), "--photo", text(&bill)]);
    let said = house.must(Crew::K7, &["sync"]);
    assert!(said.contains("2 photos brought."), "{said}");
    house.must(Crew::M4, &["sync"]);
    let here: Vec<PathBuf> = put(&mut house, Crew::K7, "EX3", &folder.join("k7"));
    let there: Vec<PathBuf> = put(&mut house, Crew::M4, "EX3", &folder.join("m4"));
    assert_eq!(there.len(), 2);
    for (here, there) in here.iter().zip(&there) {
        assert_eq!(std::fs::read(here).expect("reads"), std::fs::read(there).expect("reads"));
    }
    assert_eq!(std::fs::read(&there[1]).expect("reads"), std::fs::read(&bill).expect("reads"));

    // The entry is in, the photo is not: whoever looks is told where it still is.
    house.must(Crew::M4, &["note", "EX3", "mended", "--photo", text(&photo), "--position"]);
    let kept = house.stage.home(Crew::M4).join("files");
    let aside = folder.join("aside");
    std::fs::rename(&kept, &aside).expect("moves");
    let said = house.must(Crew::M4, &["sync"]);
    assert!(said.contains("1 sent") && said.contains("crack.jpg is no longer on this device"), "{said}");
    house.must(Crew::K7, &["sync"]);
    let (told, _) = house.json(Crew::K7, &["photos", "EX3", "--to", text(&folder.join("k7"))]);
    assert_eq!(told["photos"][2]["missing"], "not on the server yet: still on M4", "{told}");
    std::fs::remove_dir_all(&kept).ok();
    std::fs::rename(&aside, &kept).expect("moves");
    let said = house.must(Crew::M4, &["sync"]);
    assert!(said.contains("1 photo brought."), "{said}");
    assert_eq!(put(&mut house, Crew::K7, "EX3", &folder.join("k7")).len(), 3);
}

/// A photo that is no small one: with the grain of a camera.
fn large(path: &Path) {
    let mut grain = 7_u32;
    let picture = image::RgbImage::from_fn(1200, 900, |x, y| {
        grain = grain.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        image::Rgb([(x / 5).to_le_bytes()[0], (y / 4).to_le_bytes()[0], grain.to_be_bytes()[0]])
    });
    picture.save_with_format(path, image::ImageFormat::Jpeg).expect("writes");
}

/// While the photo is still at the machine, the crew has seen it small.
#[test]
fn thumbnails_go_first_and_serve_where_the_photo_is_not_there_yet() {
    let (mut house, folder) = house();
    let photo = folder.join("crack.jpg");
    large(&photo);
    house.must(Crew::K7, &["machine", "add", "EX3"]);
    house.must(Crew::K7, &["found", "EX3", "crack", "--photo", text(&photo)]);
    let kept = house.stage.home(Crew::K7).join("files");
    let lengths = |folder: &Path| -> Vec<(u64, PathBuf)> {
        let items = std::fs::read_dir(folder).expect("a folder").map(|item| item.expect("an item").path());
        let mut lengths: Vec<_> = items.map(|path| (std::fs::metadata(&path).expect("a file").len(), path)).collect();
        lengths.sort();
        lengths
    };
    let [(small_bytes, small), (bytes, whole)] = &lengths(&kept)[..] else { panic!("a photo and its thumbnail") };
    assert!(*small_bytes <= 32 * 1024 && *bytes > 4 * small_bytes, "{small_bytes} and {bytes}");
    let aside = folder.join("aside.jpg");
    std::fs::rename(whole, &aside).expect("moves");
    let said = house.must(Crew::K7, &["sync"]);
    assert!(said.contains("crack.jpg is no longer on this device"), "{said}");
    house.must(Crew::M4, &["sync"]);
    let out = folder.join("m4");
    let (told, _) = house.json(Crew::M4, &["photos", "EX3", "--to", text(&out)]);
    assert_eq!((&told["photos"][0]["small"], &told["photos"][0]["here"]), (&true.into(), &false.into()), "{told}");
    assert_eq!(told["photos"][0]["missing"], "not on the server yet: still on K7");
    let put = told["photos"][0]["put"].as_str().expect("the small one");
    assert!(put.ends_with("-small.jpg"), "{put}");
    assert_eq!(std::fs::read(put).expect("reads"), std::fs::read(small).expect("reads"));

    std::fs::rename(&aside, whole).expect("moves");
    let said = house.must(Crew::K7, &["sync"]);
    assert!(said.contains("1 photo brought."), "{said}");
    let said = house.must(Crew::M4, &["photos", "EX3", "--small", "--to", text(&folder.join("small"))]);
    assert!(said.contains("a small one") && lengths(&folder.join("small")).len() == 1, "{said}");
    let there = put_one(&mut house, &out);
    assert_eq!(std::fs::read(there).expect("reads"), std::fs::read(whole).expect("reads"));
}

/// Who was handed the stick has the photo at once, and brings it to the server for whoever took it.
#[test]
fn a_photo_goes_along_on_a_stick_and_is_brought_on() {
    let (mut house, folder) = house();
    house.must(Crew::K7, &["machine", "add", "EX3"]);
    house.must(Crew::K7, &["sync"]);
    house.must(Crew::M4, &["sync"]);
    let (photo, bill) = (folder.join("crack.jpg"), folder.join("bill.pdf"));
    large(&photo);
    document(&bill, 5_000);
    house.must(Crew::K7, &["found", "EX3", "crack", "--photo", text(&photo), "--photo", text(&bill)]);
    let stick = folder.join("crew.pintle");
    let said = house.must(Crew::K7, &["carry", "out", text(&stick)]);
    assert!(said.contains("2 photos not along"), "{said}");
    std::fs::remove_file(&stick).expect("removed");
    // Where the photos cannot be put, no file is left that looks whole and stands in the way of the next try.
    std::fs::write(folder.join("crew.pintle.photos"), "mine").expect("writes");
    assert_eq!(house.try_run(Crew::K7, &["carry", "out", text(&stick), "--photos"]).code, 1);
    assert!(!stick.exists());
    std::fs::remove_file(folder.join("crew.pintle.photos")).expect("removed");
    let (said, _) = house.json(Crew::K7, &["carry", "out", text(&stick), "--photos"]);
    assert_eq!((&said["photos"], &said["photos_not_along"]), (&2.into(), &0.into()), "{said}");
    let beside = folder.join("crew.pintle.photos");
    let mut names: Vec<PathBuf> =
        std::fs::read_dir(&beside).expect("a folder").map(|item| item.expect("an item").path()).collect();
    names.sort();
    assert_eq!(names.len(), 3, "a photo, its thumbnail and a document: {names:?}");
    // What was changed on the way is not taken, and what nobody names neither.
    let pdf = names.iter().find(|name| name.extension().is_some_and(|ending| ending == "pdf")).expect("the bill");
    let whole = std::fs::read(pdf).expect("reads");
    document(pdf, 5_001);
    std::fs::write(beside.join("other.pdf"), &whole).expect("writes");
    let (said, _) = house.json(Crew::M4, &["carry", "in", text(&stick)]);
    assert_eq!((&said["entries"], &said["photos"]), (&1.into(), &1.into()), "{said}");
    std::fs::write(pdf, &whole).expect("writes");
    let (said, _) = house.json(Crew::M4, &["carry", "in", text(&stick)]);
    assert_eq!((&said["known"], &said["photos"]), (&1.into(), &2.into()), "{said}");
    let kept = std::fs::read_dir(house.stage.home(Crew::M4).join("files")).expect("a folder").count();
    assert_eq!(kept, 3);
    assert_eq!(put(&mut house, Crew::M4, "EX3", &folder.join("m4")).len(), 2, "without any server");

    let said = house.must(Crew::M4, &["sync"]);
    assert!(said.contains("2 photos brought."), "{said}");
    std::fs::remove_dir_all(house.stage.home(Crew::K7)).expect("K7 fell into the river");
    std::fs::remove_dir_all(house.stage.home(Crew::M4).join("files")).expect("removed");
    let there = put(&mut house, Crew::M4, "EX3", &folder.join("again"));
    assert_eq!(there.len(), 2);
    assert_eq!(std::fs::read(&there[1]).expect("reads"), whole);
}

fn put_one(house: &mut House, folder: &Path) -> PathBuf {
    put(house, Crew::M4, "EX3", folder).pop().expect("a photo")
}

/// Kills the server while a file of many chunks goes there; each time it goes on.
#[test]
fn a_file_goes_on_where_the_server_was_killed() {
    let (mut house, folder) = house();
    house.must(Crew::K7, &["machine", "add", "EX3"]);
    house.must(Crew::K7, &["sync"]);
    let (mut bills, mut waiting, mut cut) = (Vec::new(), 0, 0);
    for round in 0..ROUNDS_MAX {
        if waiting == 0 {
            let bill = folder.join(format!("bill-{round}.pdf"));
            document(&bill, 12 * 262_144 + 5 + round);
            house.must(Crew::K7, &["note", "EX3", "the bill", "--photo", text(&bill)]);
            bills.push(bill);
        }
        house.second += 1;
        let at = setting(Crew::K7, house.second);
        let arguments = ["sync".to_owned(), "--json".to_owned()];
        let sync = house.stage.start_pintle(Crew::K7, &at, &arguments).expect("it starts");
        // On a slow machine a program needs longer to come to its photos.
        std::thread::park_timeout(Duration::from_millis(20 + 4 * round as u64));
        house.stage.kill_server().expect("killed");
        let ran = ran(&sync.wait_with_output().expect("its output"));
        let said: Value = serde_json::from_str(&ran.stdout).unwrap_or_default();
        // Where the entries were cut it does not come to the photos, and says nothing of them.
        waiting = if said["photos"]["brought"] == 1 { 0 } else { 1 };
        cut += u32::from(said["photos"]["waiting"] == 1);
        house.stage.start_server("Valley crews").expect("a server");
        if cut == CUTS {
            break;
        }
    }
    assert!(cut > 0, "it was cut at least once while a file went");
    house.must(Crew::K7, &["sync"]);
    house.must(Crew::M4, &["sync"]);
    let there = put(&mut house, Crew::M4, "EX3", &folder.join("m4"));
    assert_eq!(there.len(), bills.len());
    for (there, bill) in there.iter().zip(&bills) {
        assert_eq!(std::fs::read(there).expect("reads"), std::fs::read(bill).expect("reads"));
    }
    // Of their chunks nothing is left but what was half written when the server was killed: that goes after a week.
    let files =
        PathBuf::from(house.stage.database().trim_start_matches("sqlite:").split('?').next().unwrap_or_default());
    let mut left = Vec::new();
    let mut look = vec![PathBuf::from(format!("{}.files", files.display()))];
    while let Some(folder) = look.pop() {
        for entry in std::fs::read_dir(folder).expect("a folder") {
            let path = entry.expect("an entry").path();
            let is_half = path.to_string_lossy().contains('#');
            match path.is_dir() {
                true => look.push(path),
                false if is_half => {}
                false => left.push(path),
            }
        }
    }
    assert_eq!(left.len(), bills.len(), "{left:?}");
}
