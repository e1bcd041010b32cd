//! From a repair at the machine to an invoice and its files, with real programs: what an office types, and what it gets.
//!
//! Promises: the server is killed between the acts of billing, and nothing is billed twice for it. Amounts are worked by hand.

use crate::whole::{House, setting};
use pintle_core::ids::OfficeId;
use pintle_tests::demo::scenario::Crew;
use serde_json::Value;
use std::collections::BTreeMap;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::time::Duration;

/// How long is waited for the server to call, and how often it is asked whether it knows that it was heard.
const CALL_WAIT: Duration = Duration::from_secs(30);
const ASKED_MAX: u32 = 200;

const BOOK: &str = r#"
[seller]
name = "Valley crews"
vat_id = "DE000000000"
country = "DE"
number_prefix = "2026-"

[[rates]]
name = "standard"
from = 2026-01-01
currency = "EUR"
labour = [{ name = "mechanic", per_hour = 85.00 }]
call_out = 60
parts = [{ name = "fitting M10x1", unit = "EA", cost = 2 }]
markup_percent = 25
tax = { category = "S", percent = 19 }

[[customers]]
name = "North quarry"
country = "DE"
rates = "standard"
terms_days = 14

[[jobs]]
name = "dig"
customer = "North quarry"
machines = ["EX3"]
from = 2026-05-01
"#;

fn path(path: &Path) -> &str {
    path.to_str().expect("UTF-8")
}

fn numbers(bills: &Value) -> Vec<&str> {
    let bills = bills["bills"].as_array().expect("bills");
    bills.iter().filter_map(|bill| bill.pointer("/document/number")?.as_str()).collect()
}

fn payable(bill: &Value) -> Option<&str> {
    bill.pointer("/document/totals/payable")?.as_str()
}

/// What the draft is called.
fn short(bill: &Value) -> String {
    let id = bill["document"]["id"].as_str().expect("an id");
    id.parse::<OfficeId>().expect("an id").short()
}

/// Without the line breaks of a narrow screen.
fn flowing(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn a_repair_becomes_an_invoice_and_a_correction_a_credit_note() {
    let mut house = House::new();
    house.stage.start_server("Valley crews").expect("a server");
    house.enrol_all(&[Crew::K7]);
    let office = Crew::K7;
    house.must(office, &["machine", "add", "EX3"]);
    house.must(office, &["repair", "EX3", "new fitting", "--minutes", "80", "--part", "fitting M10x1:2 pieces"]);
    house.must(office, &["sync"]);
    let folder = house.stage.folder().to_owned();
    let book = folder.join("book.toml");
    std::fs::write(&book, BOOK).expect("a file");
    let told = house.must(office, &["bill", "book", path(&book)]);
    assert!(flowing(&told).starts_with("4 written down, with your name."), "{told}");
    assert!(house.must(office, &["bill", "book", path(&book)]).starts_with("Nothing has changed."));

    let look = house.must(office, &["bill", "look", "2026-05"]);
    assert_eq!(
        flowing(&look),
        "North quarry 1 h 20 min labour, repair of EX3 (K7-2), mechanic rate 2 × fitting M10x1, repair of EX3 (K7-2) \
         call-out on 4 May 2026 for dig, first work K7-2"
    );
    // 113.33 + 5.00 + 60.00 = 178.33, with 19 % 212.21.
    let (drafts, _) = house.json(office, &["bill", "draft", "2026-05"]);
    assert_eq!(payable(&drafts["bills"][0]), Some("212.21"));
    house.stage.kill_server().expect("killed");
    house.stage.start_server("Valley crews").expect("the server again");
    assert_eq!(house.must(office, &["bill", "draft", "2026-05"]), "There is nothing to bill.\n", "it is reserved");
    let id = short(&drafts["bills"][0]);
    let (issued, _) = house.json(office, &["bill", "issue", &id, "--on", "2026-05-04"]);
    assert_eq!(numbers(&issued), ["2026-0001"]);
    house.stage.kill_server().expect("killed");
    house.stage.start_server("Valley crews").expect("the server again");
    assert_eq!(house.json(office, &["bill", "issue", "2026-0001"]).0, issued, "asked again: the same");

    for end in ["xml", "csv", "xlsx", "pdf"] {
        let file = folder.join(format!("bill.{end}"));
        house.must(office, &["bill", "save", "2026-0001", path(&file)]);
        let bytes = std::fs::read(&file).expect("it was saved");
        let text = String::from_utf8_lossy(&bytes);
        match end {
            "xml" => assert!(text.contains("<cbc:PayableAmount currencyID=\"EUR\">212.21</cbc:PayableAmount>")),
            "csv" => assert!(text.contains(",113.33,") && text.contains("\"North quarry\"")),
            "xlsx" => assert!(bytes.starts_with(b"PK")),
            _ => assert!(bytes.starts_with(b"%PDF-")),
        }
    }
    let letter = folder.join("letter.pdf");
    house.must(office, &["bill", "save", "2026-0001", path(&letter), "--paper", "letter"]);
    assert_ne!(std::fs::read(&letter).expect("it was saved"), std::fs::read(folder.join("bill.pdf")).expect("it too"));
    house.must(office, &["correct", "K7-2", "minutes", "60"]);
    house.must(office, &["sync"]);
    // 20 minutes are 28.33, with 19 % 33.71.
    let (changes, _) = house.json(office, &["bill", "changes", "North quarry"]);
    assert_eq!(
        (changes["bills"][0]["document"]["sort"].as_str(), payable(&changes["bills"][0])),
        (Some("credit-note"), Some("33.71"))
    );
    let id = short(&changes["bills"][0]);
    house.must(office, &["bill", "issue", &id]);
    let all = house.must(office, &["bill", "issued"]);
    assert_eq!(
        flowing(&all),
        "2026-0001 invoice, North quarry, 212.21 EUR, 3 lines 2026-0002 credit note, North quarry, 33.71 EUR, 1 line"
    );
    assert_eq!(house.must(office, &["bill", "drafts"]), "No drafts.\n");
}

/// A split line, a waived call-out, an allowance, a charge and money that was paid before: all typed, all on the bill.
#[test]
fn what_the_office_wants_is_what_is_billed() {
    let mut house = House::new();
    house.stage.start_server("Valley crews").expect("a server");
    house.enrol_all(&[Crew::K7]);
    let office = Crew::K7;
    house.must(office, &["machine", "add", "EX3"]);
    house.must(office, &["repair", "EX3", "new fitting", "--minutes", "80", "--part", "fitting M10x1:2 pieces"]);
    house.must(office, &["sync"]);
    let book = house.stage.folder().join("book.toml");
    std::fs::write(&book, BOOK).expect("a file");
    house.must(office, &["bill", "book", path(&book)]);
    let refused = |house: &mut House, arguments: &[&str]| {
        house.second += 1;
        let arguments: Vec<String> = arguments.iter().map(|word| (*word).to_owned()).collect();
        let ran = house.stage.pintle(office, &setting(office, house.second), &arguments).expect("it runs");
        assert_ne!(ran.code, 0, "{arguments:?}: {}", ran.stdout);
        flowing(&ran.stderr.replace("! ", " "))
    };
    let told = refused(&mut house, &["bill", "decide", "K7-2", "labor", "--why", "agreed", "--waive"]);
    assert!(told.contains(r#"K7-2 has no line "labor": there is "labour: mechanic", "part: fitting M10x1""#), "{told}");
    let split = ["--split", "40: agreed by phone", "--split", "40 at 0: goodwill"];
    house.must(office, &[&["bill", "decide", "K7-2", "labour", "--why", "half is ours"][..], &split].concat());
    house.must(office, &["bill", "decide", "dig@2026-05-04", "call-out", "--why", "ours", "--waive"]);

    let adjusted = ["--allowance", "10% loyalty", "--charge", "12.50 disposal", "--note", "Thank you."];
    let draft = [&["bill", "draft", "2026-05", "--job", "dig"][..], &adjusted, &["--paid"]].concat();
    let told = refused(&mut house, &[&draft[..], &["80.93"]].concat());
    assert!(told.contains("the bill comes to 80.92"), "{told}");
    // 40 minutes at 85.00 are 56.67, two fittings 5.00, together 61.67; less 6.17, and 12.50 more, are 68.00; with 19 % 80.92.
    let (drafts, _) = house.json(office, &[&draft[..], &["50"]].concat());
    assert_eq!(payable(&drafts["bills"][0]), Some("30.92"));
    let (issued, _) = house.json(office, &["bill", "issue", &short(&drafts["bills"][0]), "--on", "2026-05-04"]);
    assert_eq!(numbers(&issued), ["2026-0001"]);
    let shown = flowing(&house.must(office, &["bill", "show", "2026-0001"]));
    for said in [
        "mechanic rate: agreed by phone: 56.67",
        "mechanic rate: goodwill: 0.00",
        "loyalty: -6.17",
        "disposal: 12.50",
        "paid before 50.00 EUR",
        "to be paid 30.92 EUR",
    ] {
        assert!(shown.contains(said), "{said} is not in {shown}");
    }
    let file = house.stage.folder().join("bill.xml");
    house.must(office, &["bill", "save", "2026-0001", path(&file)]);
    let ubl = std::fs::read_to_string(&file).expect("it was saved");
    for (element, amount) in [("PrepaidAmount", "50.00"), ("PayableAmount", "30.92"), ("AllowanceTotalAmount", "6.17")]
    {
        assert!(ubl.contains(&format!("<cbc:{element} currencyID=\"EUR\">{amount}</cbc:{element}>")), "{ubl}");
    }
    // Taken back, all of it is owed to the customer: what was paid before too.
    let (back, _) = house.json(office, &["bill", "back", "2026-0001"]);
    assert_eq!(payable(&back["bills"][0]), Some("80.92"));
}

/// One call of the server: its connection, still open, its headers and its body.
fn called(listener: &TcpListener) -> (TcpStream, BTreeMap<String, String>, Vec<u8>) {
    let (stream, _) = listener.accept().expect("the server calls");
    stream.set_read_timeout(Some(CALL_WAIT)).expect("a bound");
    let mut reader = BufReader::new(stream.try_clone().expect("a second hold"));
    let mut headers = BTreeMap::new();
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).expect("a line");
        match line.trim_end().split_once(": ") {
            Some((name, value)) => headers.insert(name.to_lowercase(), value.to_owned()),
            None if line.trim_end().is_empty() => break,
            None => None,
        };
    }
    let mut body = vec![0; headers["content-length"].parse().expect("a length")];
    reader.read_exact(&mut body).expect("a body");
    (stream, headers, body)
}

/// The server is killed after its call was read and before it is answered: it calls again, with the same id and bytes.
#[test]
fn a_bill_is_told_though_the_server_is_killed_while_it_tells() {
    let mut house = House::new();
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let url = format!("http://{}/books", listener.local_addr().expect("an address"));
    house.stage.start_server("Valley crews").expect("a server");
    house.enrol_all(&[Crew::K7]);
    let hook = house.stage.operator(&["hook", "--to", &url, "--inside"]).expect("it runs");
    assert!(hook.code == 0 && hook.stdout.contains("whsec_"), "{}{}", hook.stdout, hook.stderr);
    let office = Crew::K7;
    house.must(office, &["machine", "add", "EX3"]);
    house.must(office, &["repair", "EX3", "new fitting", "--minutes", "80", "--part", "fitting M10x1:2 pieces"]);
    house.must(office, &["sync"]);
    let book = house.stage.folder().join("book.toml");
    std::fs::write(&book, BOOK).expect("a file");
    house.must(office, &["bill", "book", path(&book)]);
    let (drafts, _) = house.json(office, &["bill", "draft", "2026-05"]);
    house.must(office, &["bill", "issue", &short(&drafts["bills"][0]), "--on", "2026-05-04"]);

    let (unanswered, first, told) = called(&listener);
    house.stage.kill_server().expect("killed");
    drop(unanswered);
    // The pause after a first try is over.
    house.stage.server_clock(Some("2026-05-04T12:00:10+02:00")).expect("a clock");
    house.stage.start_server("Valley crews").expect("the server again");
    let (mut stream, again, told_again) = called(&listener);
    stream.write_all(b"HTTP/1.1 204 No Content\r\n\r\n").expect("it is answered");
    drop(stream);
    assert_eq!(told_again, told);
    assert_eq!(again["webhook-id"], first["webhook-id"]);
    assert_ne!(again["webhook-timestamp"], first["webhook-timestamp"], "signed when it was sent");
    let notice: Value = serde_json::from_slice(&told).expect("JSON");
    assert_eq!(notice.pointer("/data/payable"), Some(&Value::from("212.21")));
    for _ in 0..ASKED_MAX {
        if house.must(office, &["bill", "notices"]) == "2026-0001 told, and taken\n" {
            return;
        }
        std::thread::park_timeout(Duration::from_millis(50));
    }
    panic!("{}", house.must(office, &["bill", "notices"]));
}
