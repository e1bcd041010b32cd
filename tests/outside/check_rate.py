"""Compares the use per day of a meter with scipy's Theil-Sen estimator, and its band with numpy's order statistics.

Entries go in (readings, a new meter, a roll over, late and doubled readings), the built program `rate_lines` folds them
as the product does, and the rate of the book comes out. What goes into the estimate (the last 60 days, at most the
newest 300 readings, at least 4 on 3 days) is chosen here anew, from the words of core's module and not from its code. Seeded: the same logs in every run. PINTLE_TEST_BINARIES names the folder of the program.
"""

import json
import os
import pathlib
import random
import subprocess
import sys

import numpy
from scipy import stats

SEED = 20260504
GENERATED = 400
DAY_S = 86_400
BEGIN_S = 1_767_225_600  # 2026-01-01T00:00:00Z
BINARIES = pathlib.Path(os.environ.get("PINTLE_TEST_BINARIES", "target/debug"))
# A slope is cut to thousandths, and so is the mean of the two middle ones.
TOLERANCE = 0.0021
# Least logs that must have had a rate, or nothing was compared.
RATES_MIN = 200


def shown(milli):
    return f"{milli // 1000}.{milli % 1000:03}"


class Machine:
    """A machine that runs, and what its meter shows: thousandths of an hour."""

    def __init__(self, hours):
        self.milli = round(hours * 1000)
        self.carried = 0
        self.log = []
        self.truth = []  # second, life in thousandths

    def run(self, hours):
        self.milli += round(hours * 1000)

    def read(self, second, resolution=100):
        seen = self.milli // resolution * resolution
        self.log.append(["meter_read", second, {"reading": shown(seen)}])
        self.truth.append((second, self.carried + seen))

    def change(self, second, new, reason="replaced"):
        self.log.append(["meter_changed", second, {"old_reading": shown(self.milli), "new_reading": shown(new), "reason": reason}])
        self.carried += self.milli - new
        self.milli = new


def expected(truth):
    """None, or per day, low, high, number of readings."""
    truth = sorted(truth)
    if not truth:
        return None
    recent = [t for t in truth if t[0] >= truth[-1][0] - 60 * DAY_S][-300:]
    if len(recent) < 4 or len({second // DAY_S for second, _ in recent}) < 3:
        return None
    days = numpy.array([(second - BEGIN_S) / DAY_S for second, _ in recent])
    hours = numpy.array([life / 1000 for _, life in recent])
    median = stats.theilslopes(hours, days).slope
    dx, dy = days[None, :] - days[:, None], hours[None, :] - hours[:, None]
    slopes = dy[dx > 0] / dx[dx > 0]
    low, high = (numpy.quantile(slopes, q, method="nearest") for q in (0.1, 0.9))
    # Where the rank lies half way, either neighbour is the nearest one.
    low = (low, numpy.quantile(slopes, 0.1, method="lower"), numpy.quantile(slopes, 0.1, method="higher"))
    high = (high, numpy.quantile(slopes, 0.9, method="lower"), numpy.quantile(slopes, 0.9, method="higher"))
    between = [(len(slopes) - 1) * q % 1 == 0.5 for q in (0.1, 0.9)]
    return median, low if between[0] else low[:1], high if between[1] else high[:1], len(recent)


def generated(r):
    m = Machine(r.uniform(0, 12_000))
    second = BEGIN_S + r.randrange(DAY_S)
    use, spread = r.uniform(0.2, 16), r.choice((0, 0.1, 0.5, 1))
    resolution = r.choice((1, 100))
    gaps = (0, 1, 60, 3_600, 20_000, DAY_S, DAY_S, 3 * DAY_S, *r.choice(((), (30 * DAY_S,))))
    for _ in range(r.choice((1, 3, 4, 8, 30, 120, 400))):
        passed = r.choice(gaps)
        hours = min(use * passed / DAY_S * r.uniform(1 - spread, 1 + spread), passed / 3_600)
        second += passed
        m.run(max(hours, 0))
        m.read(second, resolution)
        if r.random() < 0.02:
            m.change(second, r.choice((0, 1_200_000)))
    return "generated", m


def season():
    """As a crew has it: five days a week, read at the fill in the evening, 6 to 9 h a day."""
    r = random.Random(1)
    m = Machine(4_120)
    for day in range(120):
        if day % 7 < 5:
            m.run(r.choice((6, 6.5, 7, 7.5, 8, 9)))
            m.read(BEGIN_S + day * DAY_S + 61_200 + r.randrange(3_600))
    return "a season", m


def idle_weeks():
    """Three weeks in the yard, read all the same: half of the slopes are nothing."""
    m = Machine(900)
    for day in range(50):
        m.run(8 if day < 20 else 0)
        m.read(BEGIN_S + day * DAY_S)
    return "weeks in the yard", m


def gap():
    """Four months without a reading: only the last sixty days count."""
    m = Machine(900)
    for day in (*range(10), *range(130, 140)):
        m.run(2 if day < 100 else 9)
        m.read(BEGIN_S + day * DAY_S)
    return "a gap", m


def ties():
    """Two people read at the same second, and the meter stands still between others."""
    m = Machine(900)
    for day in range(12):
        m.run(day % 3)
        for second in (0, 0, 1, 600):
            m.read(BEGIN_S + day * DAY_S + second)
    return "ties", m


def meter_change():
    m = Machine(4_321)
    for day in range(40):
        m.run(7.5)
        m.read(BEGIN_S + day * DAY_S)
        if day == 17:
            m.change(BEGIN_S + day * DAY_S + 60, 0)
        if day == 30:
            m.change(BEGIN_S + day * DAY_S + 60, 1_200_000)
    return "two new meters", m


def rollover():
    m = Machine(9_940)
    for day in range(30):
        m.run(5)
        if m.milli > 9_999_900:
            over = m.milli - 10_000_000
            m.milli = 9_999_900
            m.change(BEGIN_S + day * DAY_S - 1, 0, "rolled over")
            m.run(max(over, 0) / 1000)
        m.read(BEGIN_S + day * DAY_S)
    return "a roll over", m


def late():
    """Told late: the log's order is not that of time."""
    m = season()[1]
    random.Random(2).shuffle(m.log)
    return "told late", m


def few(readings, days):
    m = Machine(100)
    for n in range(readings):
        m.run(0.5)
        m.read(BEGIN_S + n * days * DAY_S // max(readings - 1, 1))
    return f"{readings} readings in {days} days", m


def main():
    r = random.Random(SEED)
    cases = [season(), idle_weeks(), gap(), ties(), meter_change(), rollover(), late()]
    cases += [few(n, d) for n, d in ((3, 30), (4, 1), (4, 2), (4, 3), (300, 50), (301, 50), (900, 50))]
    cases += [generated(r) for _ in range(GENERATED)]
    lines = "\n".join(json.dumps(m.log) for _, m in cases).encode()
    answer = subprocess.run([BINARIES / "rate_lines"], input=lines, stdout=subprocess.PIPE, check=True)
    answers = [json.loads(line) for line in answer.stdout.decode().splitlines()]
    assert len(answers) == len(cases), f"{len(answers)} answers to {len(cases)} logs"
    failed, with_rate = 0, 0
    for (name, m), ours in zip(cases, answers):
        want, rate = expected(m.truth), ours["rate"]
        fits = ours["doubtful"] == 0 and (want is None) == (rate is None)
        if fits and want is not None:
            with_rate += 1
            median, low, high, readings = want
            near = lambda text, values: any(abs(float(text) - value) <= TOLERANCE for value in values)
            fits = near(rate["per_day"], [median]) and near(rate["low"], low) and near(rate["high"], high)
            fits = fits and rate["readings"] == readings
        if not fits:
            failed += 1
            if failed <= 5:
                print(f"{name}: core {ours}, scipy {want}")
    assert with_rate >= RATES_MIN, f"only {with_rate} of {len(cases)} logs had a rate to compare"
    print(f"{len(cases) - failed} passed, {failed} failed; {with_rate} with a rate")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
