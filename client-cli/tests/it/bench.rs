//! The bench card as a person at the machine sees it.
//!
//! That the numbers are right is shown in the domain's own tests; here that they are told, with their cautions.

use crate::stage::Stage;
use insta::assert_snapshot;

#[test]
fn cards_for_the_small_repair() {
    let stage = Stage::new("Ines", 7);
    assert_snapshot!(stage.script(&[
        "bench thread M10x1",
        "bench thread m8 --off-centre 0.3 --sets metric",
        "bench thread \"1/8 npt\" --sets inch",
        "bench thread 1/4-28 --sets letter,number",
        "bench grease KP2K-20",
        "bench grease ISO-L-XBCHB 2",
        "bench grease 280",
        "bench grease 300",
        "bench gun --before 512 --after 497 --strokes 10 --need 9",
        "bench bearing 90 20 --stroke 1.5",
        "--quiet bench bearing 90 20",
    ]));
}

#[test]
fn cards_for_programs() {
    let stage = Stage::new("Ines", 7);
    assert_snapshot!(stage.script(&[
        "--json bench thread M10x1.5 --off-centre 0.2",
        "--json bench grease KPF2K-20",
        "--json bench grease 300",
        "--json bench gun --before 512 --after 497 --strokes 10 --need 9",
        "--json bench bearing 90 20",
    ]));
}

#[test]
fn what_no_card_answers() {
    let stage = Stage::new("Ines", 7);
    assert_snapshot!(stage.script(&[
        "bench thread M10x9",
        "bench thread NaN",
        "bench thread M10 --off-centre -1",
        "bench thread M10 --off-centre 9999999",
        "bench thread M10 --sets left-handed",
        "bench grease KP7K-20",
        "bench grease 99999999999999999999",
        "bench gun --before 497 --after 512 --strokes 10",
        "bench gun --before 512 --after 497 --strokes 0",
        "bench gun --before 512 --after 497 --strokes 10 --need 0",
        "bench gun --before inf --after 497 --strokes 10",
        "bench bearing 0 20",
        "bench bearing -90 20",
        "bench bearing 9999999 9999999",
        "bench bearing 1e3 20",
    ]));
}
