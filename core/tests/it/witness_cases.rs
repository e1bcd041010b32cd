//! What is sent to an outside witness, what counts of its answer, and files of witnesses.
//!
//! Promises: what is expected are the examples of the open pages themselves, C2SP tlog-witness and tlog-policy.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use pintle_core::chain::DeviceKey;
use pintle_core::ids::Hash;
use pintle_core::proof::note::{self, Kind, Signer};
use pintle_core::proof::witness::{Named, PolicyFault, WITNESSES_MAX, cosigned, read_policy, size_signed, submission};

/// The request of the example in C2SP tlog-witness, section add-checkpoint.
const PAGE_REQUEST: &str = "\
old 20852014
PlRNCrwHpqhGrupue0L7gxbjbMiKA9temvuZZDDpkaw=
jrJZDmY8Y7SyJE0MWLpLozkIVMSMZcD5kvuKxPC3swk=
5+pKlUdi2LeF/BcMHBn+Ku6yhPGNCswZZD1X/6QgPd8=
/6WVhPs2CwSsb5rYBH5cjHV/wSmA79abXAwhXw3Kj/0=

example.com/behind-the-sofa
20852163
CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=

\u{2014} example.com/behind-the-sofa Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=
\u{2014} example.com/behind-the-sofa opLqBQsREYCgu6xQkYQwJr9fo45a62DN9EdmHXnZdXNqlcVGlCum2Wks+49/V6267UEjw6QUXTS5Rovnzv++qbSzm9Q=
";

fn signer(seed: u8, name: &str) -> (DeviceKey, Signer) {
    let key = DeviceKey::from_secret(&[seed; 32]);
    let signer = Signer { name: name.to_owned(), kind: Kind::Witness, key: key.public() };
    (key, signer)
}

#[test]
fn a_request_is_that_of_the_open_page() {
    let (head, note) = PAGE_REQUEST.split_once("\n\n").expect("an empty line");
    let hashes: Vec<Hash> = head
        .lines()
        .skip(1)
        .map(|line| Hash::from_slice(&STANDARD.decode(line).expect("base64")).expect("32 bytes"))
        .collect();
    assert_eq!(hashes.len(), 4);
    assert_eq!(submission(20_852_014, &hashes, note), PAGE_REQUEST);
    assert_eq!(submission(0, &[], "a\n1\nb\n\n"), "old 0\n\na\n1\nb\n\n");
}

#[test]
fn only_the_witness_own_line_over_this_text_counts() {
    let text = "a.example/log\n3\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n";
    let (key, witness) = signer(1, "w.example/1");
    let (other_key, other) = signer(2, "w.example/1");
    let line = note::witness(text, &witness.name, &key, 1_780_000_000);
    let others = note::witness(text, &other.name, &other_key, 1_780_000_001).write();
    let answer = others + &line.write();
    assert_eq!(cosigned(text, &answer, &witness), Some((line.clone(), 1_780_000_000)));
    let (_, absent) = signer(3, "w.example/1");
    assert_eq!(cosigned(text, &answer, &absent), None);
    assert_eq!(cosigned(&text.replace('3', "4"), &answer, &witness), None, "over another text");
    let swapped = Signer { name: "w.example/2".to_owned(), ..witness.clone() };
    assert_eq!(cosigned(text, &answer, &swapped), None, "under another name");
    for cut in 0..line.write().chars().count() {
        let part = line.write().chars().take(cut).collect::<String>();
        assert_eq!(cosigned(text, &part, &witness), None, "{cut}");
    }
}

#[test]
fn a_conflict_tells_a_size_in_its_exact_form() {
    for (answer, size) in [("20852014\n", Some(20_852_014)), ("0\n", Some(0)), ("7", Some(7))] {
        assert_eq!(size_signed(answer), size, "{answer:?}");
    }
    for wrong in ["", "\n", "07\n", "-1\n", "+1\n", "1 \n", "1\n\n", "99999999999999999999\n", "x\n", "\u{0661}\n"] {
        assert_eq!(size_signed(wrong), None, "{wrong:?}");
    }
}

#[test]
fn a_file_of_witnesses_is_read_by_the_open_form() {
    let keys: Vec<String> = (1..=6).map(|seed| signer(seed, &format!("w.example/{seed}")).1.vkey()).collect();
    // The example of C2SP tlog-policy, with keys, and with an address as its section "Defining a witness" has it.
    let page = format!(
        "log a.example/log+00000000+AQ==\n\nwitness X1 {}\nwitness X2 {} https://w.example/2/\n  \twitness\tX3 {}\ngroup \
         X-witnesses 2 X1 X2 X3\n\n # another\nwitness Y1 {}\nwitness Y2 {}\nwitness Y3 {}\ngroup Y-witnesses any Y1 Y2 \
         Y3\n\ngroup X-and-Y all X-witnesses Y-witnesses\nquorum X-and-Y\n",
        keys[0], keys[1], keys[2], keys[3], keys[4], keys[5]
    );
    let read = read_policy(&page).expect("the form");
    let expected: Vec<Named> = (1..=6)
        .map(|seed| Named {
            signer: signer(seed, &format!("w.example/{seed}")).1,
            url: (seed == 2).then(|| "https://w.example/2/".to_owned()),
        })
        .collect();
    assert_eq!(read, expected);
    assert_eq!(read_policy("quorum none\n"), Ok(Vec::new()));

    let log = Signer { kind: Kind::Log, ..signer(1, "w.example/1").1 }.vkey();
    let line_of = |text: String| read_policy(&text).expect_err("not of the form").line;
    let one = &keys[0];
    let namesake = signer(9, "w.example/1").1.vkey();
    assert_eq!(line_of(format!("witness X1 {one}\nwitness X2 {one}\n")), 2, "a key twice");
    assert_eq!(line_of(format!("witness X1 {one}\nwitness X2 {namesake}\n")), 2, "a name twice");
    assert_eq!(line_of(format!("quorum none\nwitness X1 {log}\n")), 2, "a log's key");
    assert_eq!(line_of("witness X1\n".to_owned()), 1);
    assert_eq!(line_of(format!("witness X1 {one} https://w.example/ more\n")), 1);
    assert_eq!(line_of(format!("\n\nwitnesses X1 {one}\n")), 3);
    let crowd = |many: usize| -> String {
        let key = |at: usize| signer(u8::try_from(at).expect("few"), &format!("w.example/{at}")).1.vkey();
        (0..many).map(|at| format!("witness X{at} {}\n", key(at))).collect()
    };
    assert_eq!(read_policy(&crowd(WITNESSES_MAX)).map(|read| read.len()), Ok(WITNESSES_MAX));
    let fault = read_policy(&crowd(WITNESSES_MAX + 1)).expect_err("one too many");
    assert_eq!(fault, PolicyFault { line: WITNESSES_MAX + 1, told: fault.told.clone() });
}
