//! The first meter over time, with services, findings and odd readings on it, as places in a square of thousandths.
//!
//! Promises: the line goes through believed readings alone; one that is doubtful stands beside it. Shapes differ, not
//! greys. What is drawn stands in the tables too.

use super::counted;
use pintle_core::due::Kept;
use pintle_core::history::summary::{MeterTale, ReadingTale, Summary};
use pintle_core::moment::Moment;
use serde_json::{Value, json};

/// More marks than this of one kind are thinned: beyond it they only cover each other.
const MARKS_MAX: usize = 300;
/// Most labels on an axis.
const STEPS_MAX: i64 = 7;
const MONTHS: [&str; 12] = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

/// Places on the paper.
struct Scale {
    from_s: i64,
    until_s: i64,
    low: i64,
    high: i64,
}

impl Scale {
    fn of(meter: &MeterTale, believed: &[&ReadingTale]) -> Option<Self> {
        let times = || meter.readings.iter().map(|reading| reading.said.at.second());
        let lives = || believed.iter().map(|reading| reading.life.milli);
        Some(Self { from_s: times().min()?, until_s: times().max()?, low: lives().min()?, high: lives().max()? })
    }

    fn x(&self, second: i64) -> i64 {
        share(second, self.from_s, self.until_s)
    }

    /// From the top; what lies beyond stands at the edge.
    fn y(&self, life: i64) -> i64 {
        1000 - share(life, self.low, self.high)
    }
}

fn share(value: i64, low: i64, high: i64) -> i64 {
    let part = (i128::from(value) - i128::from(low)) * 1000 / (i128::from(high) - i128::from(low)).max(1);
    i64::try_from(part.clamp(0, 1000)).unwrap_or(0)
}

/// The drawing; nothing where there are not two readings.
pub(super) fn plot(summary: &Summary) -> Value {
    let Some(meter) = summary.meters.first() else { return Value::Null };
    let believed: Vec<&ReadingTale> = meter.readings.iter().filter(|reading| reading.believed).collect();
    let Some(scale) = Scale::of(meter, &believed).filter(|scale| believed.len() > 1 && scale.until_s > scale.from_s)
    else {
        return Value::Null;
    };
    let place = |at: &Moment| [scale.x(at.second()), scale.y(life_at(&believed, at.second()))];
    let rows = || summary.services.iter().flat_map(|task| &task.rows);
    let late = |row: &&pintle_core::history::summary::ServiceRow| row.kept == Some(Kept::Late);
    let inside = |at: &Moment| (scale.from_s..=scale.until_s).contains(&at.second());
    let marks = |places: Vec<&Moment>| -> Vec<[i64; 2]> {
        thinned(&places.into_iter().filter(|at| inside(at)).map(place).collect::<Vec<_>>(), MARKS_MAX)
    };
    let line: Vec<[i64; 2]> =
        believed.iter().map(|reading| [scale.x(reading.said.at.second()), scale.y(reading.life.milli)]).collect();
    let odd: Vec<[i64; 2]> = meter
        .readings
        .iter()
        .filter(|reading| !reading.believed)
        .map(|reading| [scale.x(reading.said.at.second()), scale.y(reading.life.milli)])
        .collect();
    let changes: Vec<i64> = summary
        .changes
        .iter()
        .filter(|c| c.meter == meter.meter && inside(&c.said.at))
        .map(|c| scale.x(c.said.at.second()))
        .collect();
    let told = format!(
        "{}\u{200E} over time, as run in all, with {} and {}",
        meter.meter,
        counted(summary.services_count(), "service", "services"),
        counted(summary.findings.len() as u64, "finding", "findings")
    );
    json!({
        "line": stepped(&line),
        "services": marks(rows().filter(|row| !late(row)).map(|row| &row.said.at).collect()),
        "late": marks(rows().filter(late).map(|row| &row.said.at).collect()),
        "findings": marks(summary.findings.iter().map(|finding| &finding.said.at).collect()),
        "odd": odd,
        "changes": changes,
        "across": months(scale.from_s, scale.until_s).into_iter().map(|(at, label)| json!([scale.x(at), label])).collect::<Vec<_>>(),
        "up": steps(scale.low, scale.high).into_iter().map(|life| json!([scale.y(life), pintle_core::decimal::Decimal::from_milli(life).to_string()])).collect::<Vec<_>>(),
        "told": told,
    })
}

/// The life of the meter at a moment, between two readings in proportion.
fn life_at(believed: &[&ReadingTale], second: i64) -> i64 {
    let after = believed.partition_point(|reading| reading.said.at.second() <= second);
    let at = |place: usize| believed.get(place).map(|reading| (reading.said.at.second(), reading.life.milli));
    match (after.checked_sub(1).and_then(at), at(after)) {
        (Some((t0, a)), Some((t1, b))) if t1 > t0 => {
            let part = i128::from(b - a) * i128::from(second - t0) / i128::from(t1 - t0);
            a + i64::try_from(part).unwrap_or(0)
        }
        (Some((_, life)), _) | (None, Some((_, life))) => life,
        (None, None) => 0,
    }
}

fn thinned<T: Copy>(list: &[T], most: usize) -> Vec<T> {
    list.iter().copied().step_by(list.len().div_ceil(most).max(1)).collect()
}

/// Places of the line, each once: thousands of readings fall on a thousand places.
fn stepped(line: &[[i64; 2]]) -> Vec<[i64; 2]> {
    let mut places: Vec<[i64; 2]> = Vec::new();
    for place in line {
        if places.last() != Some(place) {
            places.push(*place);
        }
    }
    places
}

/// Round values between two, at most [`STEPS_MAX`].
fn steps(low: i64, high: i64) -> Vec<i64> {
    let rough = ((high - low) / (STEPS_MAX - 1)).max(1);
    let mut ten = 1;
    while ten * 10 <= rough {
        ten *= 10;
    }
    let step = [1, 2, 5, 10].into_iter().map(|times| times * ten).find(|step| *step >= rough).unwrap_or(ten * 10);
    let first = low.div_euclid(step) + i64::from(low.rem_euclid(step) != 0);
    (first..).map(|n| n * step).take_while(|value| *value <= high).collect()
}

/// Firsts of months between two moments, at most [`STEPS_MAX`]; where there are not two, the moments themselves.
fn months(from_s: i64, until_s: i64) -> Vec<(i64, String)> {
    let month_of = |second: i64| {
        let text = Moment::at(second, 0).map(|at| at.text().to_owned()).unwrap_or_default();
        let number = |from: usize, to: usize| text.get(from..to).and_then(|part| part.parse::<i64>().ok()).unwrap_or(0);
        number(0, 4) * 12 + number(5, 7) - 1
    };
    let first_of = |month: i64| {
        let text = format!("{:04}-{:02}-01T00:00:00Z", month.div_euclid(12), month.rem_euclid(12) + 1);
        text.parse::<Moment>().map(|at| at.second()).ok()
    };
    let (from, until) = (month_of(from_s), month_of(until_s));
    let every = [1, 2, 3, 6, 12, 24, 60, 120, 240, 600, 1200].into_iter();
    let every = every.clone().find(|every| (until - from) / every < STEPS_MAX).unwrap_or(12_000);
    let firsts = (from..=until).filter(|month| month % every == 0);
    let labelled = firsts.filter_map(|month| {
        let at = first_of(month).filter(|at| (from_s..=until_s).contains(at))?;
        let name = usize::try_from(month.rem_euclid(12)).ok().and_then(|n| MONTHS.get(n)).copied().unwrap_or_default();
        Some((at, format!("{name} {}", month.div_euclid(12))))
    });
    let labelled: Vec<(i64, String)> = labelled.collect();
    if labelled.len() > 1 {
        return labelled;
    }
    let day = |second: i64| Moment::at(second, 0).map(|at| pintle_core::bill::calendar::Day::of(&at).in_words());
    [from_s, until_s].into_iter().filter_map(|second| Some((second, day(second).ok()?))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn axes_have_round_values_and_few() {
        assert_eq!(steps(4_120_000, 6_640_000), [4_500_000, 5_000_000, 5_500_000, 6_000_000, 6_500_000]);
        assert_eq!(steps(0, 0), [0]);
        for (low, high) in [(0, 1), (999, 10_001), (1, 9_999_999_999), (123_456, 123_999)] {
            let steps = steps(low, high);
            assert!((1..=7).contains(&steps.len()), "{low} {high}: {steps:?}");
            assert!(steps.iter().all(|step| (low..=high).contains(step)));
        }
        // 4 May 2026 to 20 November 2027.
        let labels: Vec<String> = months(1_777_852_800, 1_826_668_800).into_iter().map(|(_, label)| label).collect();
        assert_eq!(labels, ["Jul 2026", "Oct 2026", "Jan 2027", "Apr 2027", "Jul 2027", "Oct 2027"]);
        let day: Vec<String> = months(1_777_852_800, 1_777_939_200).into_iter().map(|(_, label)| label).collect();
        assert_eq!(day, ["4 May 2026", "5 May 2026"]);
    }

    #[test]
    fn shares_stay_within_their_square() {
        assert_eq!((share(5, 0, 10), share(-5, 0, 10), share(50, 0, 10), share(7, 7, 7)), (500, 0, 1000, 0));
        assert_eq!(share(i64::MAX, i64::MIN, i64::MAX), 1000);
    }
}
