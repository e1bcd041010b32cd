//! The bench card against handbook tables and published designations.
//!
//! The source of each table stands beside it; what is from memory says so.

use pintle_core::bench::drill::{INCH_NM, Set, drills, largest_clear, largest_clear_of, millimetres};
use pintle_core::bench::grease::{NLGI, nlgi, read as grease, regrease_milligrams, stroke_milligrams, strokes};
use pintle_core::bench::thread::read as thread;
use pintle_core::bench::{CARD_RULE, DRILLING_CAUTIONS, GREASING_CAUTIONS};

/// Minor diameters to ISO 724 (D1 = D − 1.082532 P) and tap drills to ISO 2306, with the largest clear drill in 0.1 mm
/// steps (0.25 mm beyond 14) and in the inch sets of ASME B94.11M.
#[test]
fn metric_threads() {
    for (name, minor, tap, metric, inch) in [
        ("M4x0.7", "3.242", "3.3", "3.2 mm", "1/8"),
        ("M5x0.8", "4.134", "4.2", "4.1 mm", "No20"),
        ("M6x1", "4.917", "5", "4.9 mm", "No10"),
        ("M6x0.75", "5.188", "5.25", "5.1 mm", "No6"),
        ("M7x1", "5.917", "6", "5.9 mm", "No1"),
        ("M8x1.25", "6.647", "6.8", "6.6 mm", "G"),
        ("M8x1", "6.917", "7", "6.9 mm", "I"),
        ("M10x1.5", "8.376", "8.5", "8.3 mm", "21/64"),
        ("M10x1.25", "8.647", "8.75", "8.6 mm", "R"),
        ("M12x1.75", "10.106", "10.2", "10.1 mm", "X"),
        ("M12x1.5", "10.376", "10.5", "10.3 mm", "13/32"),
        ("M12x1.25", "10.647", "10.75", "10.6 mm", "Z"),
        ("M18x2.5", "15.294", "15.5", "15.25 mm", "19/32"),
    ] {
        let t = thread(name).expect(name);
        assert_eq!(millimetres(t.minor_nm), minor, "{name}");
        assert_eq!(t.tap_drill.as_ref().map(|d| millimetres(d.nm)).as_deref(), Some(tap), "{name}");
        assert!(t.tap_drill.as_ref().expect(name).nm > t.minor_nm, "{name}: 8.5 > 8.376 and so on");
        assert_eq!(t.clear_drill(&[Set::Metric], 0).expect(name).name, metric, "{name}");
        let sets = [Set::Fractional, Set::Number, Set::Letter];
        assert_eq!(t.clear_drill(&sets, 0).expect(name).name, inch, "{name}");
    }
    assert_eq!(thread("m10").expect("coarse").name, "M10x1.5");
}

/// Minor diameters to ASME B1.1 (D1 = D − 1.08253175/n) in ten-thousandths of an inch, 75 % tap drills, and the largest
/// clear drill in the inch sets.
#[test]
fn unified_threads() {
    let sets = [Set::Fractional, Set::Number, Set::Letter];
    for (name, minor, tap, clear) in [
        ("No10-24", 14489, "No25", "No27"),
        ("No10-32", 15617, "No21", "No23"),
        ("1/4-20", 19587, "No7", "No10"),
        ("1/4-28", 21134, "No3", "No4"),
        ("5/16-18", 25236, "F", "1/4"),
        ("5/16-24", 26739, "I", "H"),
        ("3/8-16", 30734, "5/16", "N"),
        ("3/8-24", 32989, "Q", "21/64"),
        ("1/2-13", 41673, "27/64", "Z"),
        ("1/2-20", 44587, "29/64", "7/16"),
        ("5/8-11", 52659, "17/32", "33/64"),
        ("5/8-18", 56486, "37/64", "9/16"),
    ] {
        let t = thread(name).expect(name);
        let hundred_thousandths = (t.minor_nm * 100_000 + INCH_NM / 2) / INCH_NM;
        assert_eq!(hundred_thousandths, minor, "{name}");
        let tap_drill = t.tap_drill.clone().expect(name);
        assert_eq!(tap_drill.name, tap, "{name}");
        assert!(tap_drill.nm > t.minor_nm, "{name}: a tap drill cuts into the thread on purpose");
        assert_eq!(t.clear_drill(&sets, 0).expect(name).name, clear, "{name}");
    }
    assert_eq!(thread("#10-32").expect("a number").name, "No10-32");
}

/// Taper pipe threads to ASME B1.20.1; D and n from memory of its table 2. The small end K0 decides.
#[test]
fn pipe_threads() {
    let sets = [Set::Fractional, Set::Number, Set::Letter];
    for (name, k0, clear) in [("1/16-27 NPT", 24155, "B"), ("1/8-27 NPT", 33388, "Q"), ("1/2-14 NPT", 70129, "11/16")] {
        let t = thread(name).expect(name);
        assert_eq!((t.minor_nm * 100_000 + INCH_NM / 2) / INCH_NM, k0, "{name}");
        assert_eq!(t.clear_drill(&sets, 0).expect(name).name, clear, "{name}");
        assert!(t.taper);
        assert!(t.from_memory.is_some(), "{name} is from memory and says so");
    }
    assert_eq!(thread("1/8 npt").expect("without pitch").name, "1/8-27 NPT");
}

/// Threads of grease fittings (SAE J534, DIN 71412, from memory, not confirmed): each can be read, and has a clear drill
/// that is smaller than its minor diameter and smaller than its tap drill.
#[test]
fn threads_of_fittings() {
    for name in ["1/4-28", "1/8-27 NPT", "M6x1", "M8x1", "M8x1.25", "M10x1"] {
        let t = thread(name).expect(name);
        let clear = t.clear_drill(&Set::ALL, 0).expect(name);
        assert!(clear.nm <= t.minor_nm, "{name}: {}", clear.name);
        assert!(t.tap_drill.is_none_or(|tap| tap.nm > clear.nm), "{name}: {}", clear.name);
    }
}

#[test]
fn a_hole_off_centre_takes_a_smaller_drill() {
    let m10 = thread("M10x1.5").expect("a thread");
    assert_eq!(m10.clear_drill(&[Set::Metric], 200_000).expect("a drill").name, "7.9 mm", "D1 − 2e = 8.376 − 0.4");
    assert_eq!(m10.clear_drill(&[Set::Metric], 9_000_000), None);
}

/// ASME B94.11M: letter E is 1/4 inch; number and letter sizes do not overlap.
#[test]
fn drill_sets_are_in_order() {
    for set in Set::ALL {
        let drills = drills(set);
        assert!(drills.windows(2).all(|pair| pair[0].nm < pair[1].nm), "{}", set.as_str());
    }
    let quarter = INCH_NM / 4;
    assert_eq!(largest_clear(Set::Letter, quarter).map(|d| (d.name, d.nm)), Some(("E".into(), quarter)));
    assert_eq!(largest_clear_of(&[Set::Fractional, Set::Letter], quarter).map(|d| d.name).as_deref(), Some("1/4"));
    assert_eq!(largest_clear(Set::Number, 100), None);
    // Ends of the sets, and No69, which some tables print as 0.0293.
    let size =
        |set: Set, name: &str| drills(set).into_iter().find(|d| d.name == name).expect(name).nm * 10_000 / INCH_NM;
    for (set, name, ten_thousandths) in [
        (Set::Number, "No80", 135),
        (Set::Number, "No69", 292),
        (Set::Number, "No4", 2090),
        (Set::Number, "No1", 2280),
        (Set::Letter, "A", 2340),
        (Set::Letter, "H", 2660),
        (Set::Letter, "Q", 3320),
        (Set::Letter, "Z", 4130),
        (Set::Fractional, "21/64", 3281),
    ] {
        assert_eq!(size(set, name), ten_thousandths, "{name}");
    }
    assert_eq!([Set::Number, Set::Letter, Set::Fractional].map(|set| drills(set).len()), [80, 26, 64]);
}

#[test]
fn what_is_no_thread_is_told() {
    for text in [
        "", "M", "M0", "M10x", "M10x9", "Mx1", "1/0-20", "1/4-", "-28", "1/4-28-3", "No99-3", "1/3-20", "ß",
        "M9999999", "M1e3",
    ] {
        assert_eq!(thread(text).expect_err(text).code, "out-of-range", "{text}");
    }
}

/// NLGI grades: ASTM D217 / ISO 2137 worked penetration. Between two bands is no grade.
#[test]
fn consistency() {
    for (penetration, grade) in
        [(265, Some("2")), (295, Some("2")), (300, None), (445, Some("000")), (85, Some("6")), (84, None)]
    {
        assert_eq!(nlgi(penetration), grade, "{penetration}");
    }
    let bands = [
        ("000", 445, 475),
        ("00", 400, 430),
        ("0", 355, 385),
        ("1", 310, 340),
        ("2", 265, 295),
        ("3", 220, 250),
        ("4", 175, 205),
        ("5", 130, 160),
        ("6", 85, 115),
    ];
    assert_eq!(NLGI, bands);
    for (grade, low, high) in bands {
        let ends = [low - 1, low, high, high + 1].map(nlgi);
        assert_eq!(ends, [None, Some(grade), Some(grade), None], "{grade}");
    }
}

/// DIN 51825 letters of the upper temperature, N to U from memory and said so; U is open above. Lower temperature and
/// NLGI grade as they stand.
#[test]
fn upper_temperatures() {
    for (letters, to_c, from_memory) in [
        ("CD", Some(60), false),
        ("EF", Some(80), false),
        ("GH", Some(100), false),
        ("KM", Some(120), false),
        ("N", Some(140), true),
        ("P", Some(160), true),
        ("R", Some(180), true),
        ("S", Some(200), true),
        ("T", Some(220), true),
        ("U", None, true),
    ] {
        for letter in letters.chars() {
            let g = grease(&format!("K2{letter}-30")).expect(letters);
            assert_eq!((g.to_c, g.from_memory.is_some(), g.from_c), (to_c, from_memory, Some(-30)), "{letter}");
        }
    }
    for letter in "ABIJLOQVWXYZ".chars() {
        assert!(grease(&format!("K2{letter}-30")).is_err(), "{letter}");
    }
}

/// ISO 6743-9: S1 lowest, S2 highest temperature, S3 water and rust (from memory and said so), S4 load.
#[test]
fn iso_symbols() {
    let lowest = [('A', Some(0)), ('B', Some(-20)), ('C', Some(-30)), ('D', Some(-40)), ('E', None)];
    let highest = [
        ('A', Some(60)),
        ('B', Some(90)),
        ('C', Some(120)),
        ('D', Some(140)),
        ('E', Some(160)),
        ('F', Some(180)),
        ('G', None),
    ];
    for (s1, from_c) in lowest {
        for (s2, to_c) in highest {
            for (s4, ep) in [('A', false), ('B', true)] {
                let g = grease(&format!("ISO-L-X{s1}{s2}H{s4} 2")).expect("a designation");
                assert_eq!((g.from_c, g.to_c, g.extreme_pressure), (from_c, to_c, ep), "{s1}{s2}{s4}");
                assert_eq!(g.water, Some("washing, rust protection in fresh water"));
                assert!(g.from_memory.is_some());
            }
        }
    }
    for bad in ["ISO-L-XFCHB 2", "ISO-L-XBHHB 2", "ISO-L-XBCJB 2", "ISO-L-XBCHC 2", "ISO-L-XBCHB 7", "ISO-L-XBCHB"] {
        assert!(grease(bad).is_err(), "{bad}");
    }
}

/// Sources: 29 CFR 1926.102 (eyes), 29 CFR 1926.600(a)(3)(i) (raised parts), 30 CFR 56.14100 (out of service, tagged);
/// the rest common practice. Each says when, and none invents a number.
#[test]
fn every_card_has_its_cautions() {
    for (cautions, subjects) in [
        (
            &DRILLING_CAUTIONS[..],
            &["eye", "hardened hammer", "raised part", "stored pressure", "hot", "tag it out"][..],
        ),
        (&GREASING_CAUTIONS[..], &["surgical emergency", "what was injected", "raised part"][..]),
    ] {
        for subject in subjects {
            assert!(cautions.iter().any(|caution| caution.contains(subject)), "{subject}");
        }
        for caution in cautions {
            assert!(!caution.contains(|c: char| c.is_ascii_digit()), "{caution}");
        }
    }
    for part in ["maker's manual", "local rules", "licensed"] {
        assert!(CARD_RULE.contains(part), "{part}");
    }
}

/// DIN 51825 with DIN 51502, and ISO 6743-9.
#[test]
fn designations() {
    let g = grease("KP2K-20").expect("a designation");
    assert_eq!(
        (g.purpose, g.extreme_pressure, g.nlgi, g.from_c, g.to_c),
        ("bearings", true, "2", Some(-20), Some(120))
    );
    assert!(grease("KPF2K-20").expect("solids").solids);
    assert_eq!(grease("KPHC2N-40").expect("synthetic").to_c, Some(140));
    assert_eq!(grease("M2K-20").expect("seals").purpose, "seals and fittings");
    assert_eq!(grease("GP00G-30").expect("gears").nlgi, "00");
    for bad in ["KP7K-20", "KP2-20", "KP2KK-20", "", "KP2K", "KP2K-25", "XP2K-20"] {
        assert!(grease(bad).is_err(), "{bad}");
    }
    let iso = grease("ISO-L-XBCHB 2").expect("a designation");
    assert_eq!((iso.from_c, iso.to_c, iso.extreme_pressure, iso.nlgi), (Some(-20), Some(120), true, "2"));
    assert!(grease("ISO-L-XBCH 2").is_err());
}

/// G = 0.005·D·B grams, D and B in millimetres: a 6210 bearing (90 × 20 mm) takes 9.0 g.
#[test]
fn amounts() {
    assert_eq!(regrease_milligrams(900, 200), Some(9000));
    assert_eq!(regrease_milligrams(-1, 200), None);
    assert_eq!(stroke_milligrams(500_000, 485_000, 10), Some(1500));
    assert_eq!(stroke_milligrams(485_000, 500_000, 10), None);
    assert_eq!(strokes(9000, 1500), Some(6));
    assert_eq!(strokes(9001, 1500), Some(7));
}
