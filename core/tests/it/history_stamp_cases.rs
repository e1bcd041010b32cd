//! Time stamps in service histories: what they prove to whom, and what a false one is worth.
//!
//! Promises: no changed bit of a token counts as another time; a stamp counts only by an authority that the reader gave; one
//! of other entries is named. What signs the tokens is OpenSSL (`core/tests/vectors/stamps/history/make`).

use crate::history_cases::{bend, codes, judged, leaves, places, told, value};
use crate::history_world::{
    AUTHORITY, BEGIN_S, Made, STAMPED_S, STRANGER, authority, authority_pem, hasty, pin, stamp_forged, story,
    story_stamps,
};
use base64::Engine as _;
use base64::engine::general_purpose::{STANDARD, URL_SAFE_NO_PAD};
use pintle_core::history::stamped::{Stamped, Weight, proved_by};
use pintle_core::history::verdict::{Code, Standing, Verdict};
use pintle_core::history::verify::Verifier;
use serde_json::json;

fn stamped() -> Vec<String> {
    story().file_stamped(&[], &story_stamps())
}

fn believed<'a>(lines: impl IntoIterator<Item = &'a String>) -> Verdict {
    let mut verifier = Verifier::new(Some(pin())).believing(authority());
    lines.into_iter().for_each(|line| verifier.line(line.as_bytes()));
    verifier.finish()
}

/// The counts of the machine's entries at the story's two stamped checkpoints.
fn counts(lines: &[String]) -> Vec<u64> {
    places(lines, "stamp").iter().map(|at| value(&lines[*at])["stamp"]["count"].as_u64().expect("a number")).collect()
}

#[test]
fn stamps_prove_to_who_gives_the_authority_and_are_claims_to_others() {
    let lines = stamped();
    assert!(lines[0].starts_with("{\"history\"") && lines[0].contains("\"v\":2"));
    assert_eq!(places(&lines, "stamp"), [3, 4, 5]);
    let [first, second, third] = counts(&lines)[..] else { panic!("three stamps") };
    assert!(first < second && second == third && second < 9, "{first} {second}");
    let stamp = |nth: usize, count, weight| Stamped {
        authority: if nth == 2 { STRANGER } else { AUTHORITY }.to_owned(),
        at_s: STAMPED_S[nth],
        count,
        weight,
    };
    let counting = |nth: usize| Weight::Counts { by_s: STAMPED_S[nth] };

    let verdict = believed(&lines);
    assert_eq!((verdict.standing, told(&verdict)), (Standing::Valid, String::new()));
    let tally = verdict.about.stamps;
    let expected = [stamp(0, first, counting(0)), stamp(1, second, counting(1)), stamp(2, second, Weight::Stranger)];
    assert_eq!(tally.stamps, expected);
    assert_eq!((tally.proved(), tally.ahead), (second, 0));
    // The first entry is the one that waited longest for its stamp.
    let (gap_s, entry) = tally.longest_gap.clone().expect("some are proved");
    assert_eq!((gap_s, entry.as_str()), (STAMPED_S[0] - (BEGIN_S + 1800), "K7-1"));
    assert_eq!(proved_by(&tally.stamps, first), Some(STAMPED_S[0]));
    assert_eq!(proved_by(&tally.stamps, first + 1), Some(STAMPED_S[1]));
    assert_eq!(proved_by(&tally.stamps, second + 1), None);

    let verdict = judged(&lines);
    assert_eq!((verdict.standing, told(&verdict)), (Standing::Valid, String::new()));
    let tally = verdict.about.stamps;
    let expected: Vec<Stamped> =
        expected.into_iter().map(|stamp| Stamped { weight: Weight::Unjudged, ..stamp }).collect();
    assert_eq!(tally.stamps, expected);
    assert_eq!((tally.proved(), tally.longest_gap, tally.ahead), (0, None, 0));
    assert_eq!(proved_by(&tally.stamps, 1), None);
}

/// Every field of a stamp but those that the list calls claims, and of everything that it is about.
#[test]
fn whatever_is_changed_beside_a_stamp_is_noticed() {
    let lines = stamped();
    for at in places(&lines, "stamp") {
        let whole = value(&lines[at]);
        // Tokens have a test of their own, below.
        for pointer in leaves(&whole, "").into_iter().filter(|pointer| pointer != "/stamp/token") {
            let mut bent = whole.clone();
            bend(bent.pointer_mut(&pointer).expect("it is there"));
            let mut file = lines.clone();
            file[at] = bent.to_string();
            let is_stranger = at == 5;
            let by_token = pointer == "/stamp/at_s";
            // A name is the file's affair: what counts is told by its certificate's. And a stranger's token proves nothing.
            let is_claim = pointer == "/stamp/authority" || by_token && is_stranger;
            let verdict = believed(&file);
            let expected = if is_claim { Standing::Valid } else { Standing::Invalid };
            assert_eq!(verdict.standing, expected, "{at} {pointer}: {}", told(&verdict));
            if pointer == "/stamp/authority" && !is_stranger {
                assert_eq!(verdict.about.stamps.stamps[at - 3].authority, AUTHORITY);
            }
            let verdict = judged(&file);
            let expected = if is_claim || by_token { Standing::Valid } else { Standing::Invalid };
            // A path of hashes can be one of a tree that is a little larger: only the token says how large it was.
            let is_open = pointer == "/stamp/size" && verdict.standing == Standing::Valid;
            assert!(verdict.standing == expected || is_open, "{at} {pointer}, unjudged: {}", told(&verdict));
        }
        let mut file = lines.clone();
        file.remove(at);
        assert!(believed(&file).standing >= Standing::Incomplete);
        // With an end that hides it: what a file leaves out of its stamps is not proved, and nothing else is hurt.
        let end = file.len() - 1;
        file[end] = json!({"end": {"entries": 9, "lines": file.len()}}).to_string();
        let verdict = believed(&file);
        assert_eq!((verdict.standing, verdict.about.stamps.stamps.len()), (Standing::Valid, 2), "{}", told(&verdict));
    }
    let names = (0..lines.len()).filter(|at| lines[*at].starts_with("{\"entry\"")).collect::<Vec<_>>();
    for at in names {
        let mut file = lines.clone();
        let mut bent = value(&file[at]);
        bend(bent.pointer_mut("/entry/head/at").expect("every entry has a time"));
        file[at] = bent.to_string();
        assert_eq!(believed(&file).standing, Standing::Invalid, "line {}", at + 1);
    }
}

/// Bits all over a token; `stamp_cases` has all of them, without a file around.
#[test]
fn a_bit_of_a_token_is_false_or_does_not_matter() {
    let lines = stamped();
    let at = places(&lines, "stamp")[0];
    let whole = value(&lines[at]);
    let token = URL_SAFE_NO_PAD.decode(whole["stamp"]["token"].as_str().expect("text")).expect("base64url");
    let good = believed(&lines).about.stamps.stamps[0].clone();
    let root = std::str::from_utf8(authority_pem()).expect("text");
    let root: String = root.lines().filter(|line| !line.starts_with('-')).collect();
    let root = STANDARD.decode(root).expect("base64");
    let root_at = token.windows(root.len()).position(|part| part == root).expect("the token brings its root");
    let (mut refused, mut outside) = (0, 0);
    for bit in (0..token.len() * 8).step_by(17) {
        let mut bytes = token.clone();
        bytes[bit / 8] ^= 1 << (bit % 8);
        let mut file = lines.clone();
        let mut bent = whole.clone();
        bent["stamp"]["token"] = json!(URL_SAFE_NO_PAD.encode(bytes));
        file[at] = bent.to_string();
        let verdict = believed(&file);
        // The root that the token brings is not what it is judged by.
        let is_outside = !(root_at..root_at + root.len()).contains(&(bit / 8));
        outside += usize::from(is_outside);
        if verdict.standing == Standing::Invalid {
            assert_eq!(codes(&verdict), [Code::StampFalse], "bit {bit}");
            refused += usize::from(is_outside);
            continue;
        }
        let found = &verdict.about.stamps.stamps[0];
        assert!(found.weight == Weight::Stranger || *found == good, "bit {bit} makes it {found:?}");
    }
    assert!(outside > 300 && refused * 100 > outside * 80, "{refused} of {outside} were noticed");
}

#[test]
fn a_stamp_by_somebody_of_the_same_name_is_false() {
    let mut stamps = story_stamps();
    stamps[1].token = stamp_forged();
    let lines = story().file_stamped(&[], &stamps);
    let verdict = believed(&lines);
    assert_eq!((verdict.standing, codes(&verdict)), (Standing::Invalid, vec![Code::StampFalse]), "{}", told(&verdict));
    assert_eq!(verdict.failures[0].line, 5);
    assert!(told(&verdict).contains("is false: a signature in its token is false"), "{}", told(&verdict));
    // Who gave no authority is told of a claim.
    assert_eq!(judged(&lines).standing, Standing::Valid);
}

#[test]
fn a_stamp_of_another_checkpoint_does_not_pass() {
    // A true token, over entries that were not under it.
    let lines = stamped();
    let [first, second, _] = places(&lines, "stamp")[..] else { panic!("three stamps") };
    for field in ["token", "root", "size", "inclusion", "index", "position", "count"] {
        let mut bent = value(&lines[second]);
        bent["stamp"][field] = value(&lines[first])["stamp"][field].clone();
        let mut file = lines.clone();
        file[second] = bent.to_string();
        let verdict = believed(&file);
        assert_eq!(verdict.standing, Standing::Invalid, "{field}: {}", told(&verdict));
        assert!(codes(&verdict).iter().all(|code| [Code::StampFalse, Code::DamagedLine].contains(code)), "{field}");
    }
    // About more entries than there are, in a file that is whole.
    let mut bent = value(&lines[5]);
    bent["stamp"]["count"] = json!(10);
    let mut file = lines.clone();
    file[5] = bent.to_string();
    let verdict = believed(&file);
    assert_eq!(codes(&verdict), [Code::StampFalse]);
    assert!(told(&verdict).contains("is about more entries than the file has"), "{}", told(&verdict));
    // Where entries are missing that is said, and not that the stamp is false.
    let batch = *places(&lines, "batch").last().expect("there are some");
    let mut file = lines.clone();
    file.drain(batch..lines.len() - 1);
    let verdict = believed(&file);
    assert_eq!(verdict.standing, Standing::Incomplete);
    assert!(!codes(&verdict).contains(&Code::StampFalse), "{}", told(&verdict));
}

#[test]
fn entries_that_claim_to_be_later_than_their_stamp_are_counted() {
    let (ledger, mut stamps) = hasty();
    let verdict = believed(&ledger.file_stamped(&[], &stamps));
    assert_eq!((verdict.standing, told(&verdict)), (Standing::Valid, String::new()));
    assert_eq!((verdict.about.stamps.proved(), verdict.about.stamps.ahead), (3, 2));
    // Their receipt, which is the server's word, would not tell.
    assert_eq!(verdict.about.ahead, 0);
    // Said by the file to be of another moment than the token states.
    stamps[0].at_s += 1;
    let verdict = believed(&ledger.file_stamped(&[], &stamps));
    assert_eq!(codes(&verdict), [Code::StampFalse]);
    assert!(told(&verdict).contains("its token states another moment"), "{}", told(&verdict));
}

#[test]
fn the_version_says_whether_there_are_stamps() {
    let (plain, lines) = (story().file(&[]), stamped());
    assert!(plain[0].contains("\"v\":1"));
    let mut file = plain.clone();
    file[0] = file[0].replacen("\"v\":1", "\"v\":2", 1);
    assert_eq!(codes(&judged(&file)), [Code::DamagedLine]);
    let mut file = lines.clone();
    file[0] = file[0].replacen("\"v\":2", "\"v\":1", 1);
    let verdict = judged(&file);
    assert_eq!(codes(&verdict), [Code::DamagedLine; 3], "{}", told(&verdict));
    // In another place.
    let mut file = lines.clone();
    let stamp = file.remove(5);
    file.insert(8, stamp);
    assert!(codes(&judged(&file)).contains(&Code::DamagedLine));
    // In another order.
    let mut file = lines;
    file.swap(3, 4);
    assert!(codes(&judged(&file)).contains(&Code::DamagedLine));
}

#[test]
fn more_stamps_than_a_file_may_have_are_not_written() {
    let [stamp, ..] = story_stamps();
    let many: Vec<Made<'_>> = (0..300).map(|_| Made { ..stamp }).collect();
    let lines = story().file_stamped(&[], &many);
    assert_eq!(places(&lines, "stamp").len(), pintle_core::history::STAMPS_MAX);
    assert_eq!(judged(&lines).standing, Standing::Valid);
    let mut file = lines.clone();
    file.insert(4, lines[4].clone());
    assert!(codes(&judged(&file)).contains(&Code::DamagedLine));
}
