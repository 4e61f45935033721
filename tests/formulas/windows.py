#!/usr/bin/python3
# SPDX-License-Identifier: Apache-2.0
"""windows.py LIFE [SEEDS] - what the windows of a random life say, against NumPy's weighted averages and SciPy's Theil-Sen line.

LIFE is windows_life, which prints what was read and what the windows said. Nothing of the daemon's code is used here: segments are cut from the
readings as docs/parameters states it, summed at once with math.fsum, and the lines are SciPy's. A window that begins earlier, a bin that is lost, a
hold that lasts too long, a bound of the wrong rank: each shows as a difference.
"""
import math
import subprocess
import sys
from collections import Counter, defaultdict

import numpy as np
from scipy.stats import theilslopes

LIFE, SEEDS = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 1
TENS, MINUTE, HOUR, DAY = 10_000, 60_000, 3_600_000, 86_400_000
P, T, F, I, RUN, R = 1, 5, 21, 22, 32, 71
LOW, HIGH, SD, COVER, MEAN, SLOPE, TIME, TREND = "low", "high", "sd", "cover", "mean", "slope", "time", "trend"
# point: read, bin length, whole bins, what
POINTS = {84: (P, TENS, 6, MEAN), 85: (P, MINUTE, 60, MEAN), 86: (P, HOUR, 24, MEAN), 87: (P, HOUR, 24, LOW), 88: (P, HOUR, 24, HIGH),
          89: (P, MINUTE, 60, SD), 90: (P, HOUR, 24, COVER), 91: (T, MINUTE, 60, MEAN), 92: (T, HOUR, 24, MEAN), 93: (T, HOUR, 24, HIGH),
          94: (I, TENS, 6, MEAN), 95: (I, MINUTE, 60, MEAN), 96: (I, HOUR, 24, MEAN), 97: (I, MINUTE, 60, SD), 98: (F, HOUR, 24, MEAN),
          99: (RUN, HOUR, 24, MEAN), 100: (P, MINUTE, 60, SLOPE), 101: (T, MINUTE, 60, SLOPE), 102: (T, MINUTE, 60, TIME), 103: (P, MINUTE, 60, TIME),
          104: (R, HOUR, 24, TREND)}
GOOD = lambda q: q >> 6 == 3
VALUED = lambda q: q >> 6 in (1, 3)
FIRST = [1, 0, 3, 14, 4, 2, 5, 6, 8, 7, 10, 11, 12, 9, 13, 75, 71, 68, 64, 65, 67, 70, 74, 66, 72, 73, 69, 192]  # the order of reasons
first = lambda a, b: min(a, b, key=FIRST.index)


class Series:
    """Readings of one point as pieces of time, cut at the bins of one length."""

    def __init__(self, length, lapse):
        self.length, self.lapse, self.pieces, self.hold = length, lapse, defaultdict(list), None

    def take(self, t, until, quality, value):
        if self.hold:
            begin, end, good, x = self.hold
            end = min(end, t)
            while begin < end:
                index = begin // self.length
                edge = min(end, (index + 1) * self.length)
                self.pieces[index].append((edge - begin, x, good))
                begin = edge
        if self.length == HOUR:  # an hour is kept only where the next scan came soon enough to journal it
            for index in [i for i in self.pieces if i < t // HOUR and i not in self.kept()]:
                if t - (index + 1) * HOUR > self.lapse:
                    del self.pieces[index]
                else:
                    self.sealed.add(index)
        self.hold = (t, until, GOOD(quality), value) if VALUED(quality) and math.isfinite(value) else None

    sealed = None

    def kept(self):
        if self.sealed is None:
            self.sealed = set()
        return self.sealed

    def bin(self, index):
        """Good pieces of a bin; where it has none, the others."""
        pieces = self.pieces.get(index, [])
        good = [(w, x) for w, x, g in pieces if g]
        return (good, True) if good else ([(w, x) for w, x, _ in pieces], False)


def window(series, t, n, what):
    newest = t // series.length
    total = t - (newest - n) * series.length
    bins = [series.bin(i) for i in range(newest - n, newest + 1)]
    good = [p for pieces, g in bins if g for p in pieces]
    every = [p for pieces, _ in bins for p in pieces]
    cover = sum(w for w, _ in good)
    if what == COVER:
        return 192, 100 * cover / total
    if not every:
        return 12, math.nan
    used = good if cover and cover >= 0.75 * total else every
    quality = 192 if used is good else 69 if sum(w for w, _ in every) >= 0.75 * total else 72
    w, x = np.array(used).T
    if what == LOW or what == HIGH:
        return quality, x.min() if what == LOW else x.max()
    mean = math.fsum(w * x) / math.fsum(w)
    return quality, mean if what == MEAN else math.sqrt(np.average((x - mean) ** 2, weights=w))


def fit(x, y, unsure, least, hole):
    if len(x) < least:
        return (12 if hole else 11), (math.nan,) * 3
    slope, _, low, high = theilslopes(y, x, 0.95)
    return (69 if unsure else 192), (slope, low, high)


def hour_line(series, t, changed):
    newest = t // MINUTE - 1
    x, y, unsure, hole = [], [], False, False
    for index in range(newest - 59, newest + 1):
        pieces, good = series.bin(index)
        if sum(w for w, _ in pieces) < MINUTE / 2 or index * MINUTE < changed:
            continue
        if x and index - newest - x[-1] > 6:
            x, y, unsure, hole = [], [], False, True
        x.append(index - newest)
        y.append(math.fsum(w * v for w, v in pieces) / sum(w for w, _ in pieces))
        unsure = unsure or not good
    if x and x[-1] < -5:
        x, y, hole = [], [], True
    return fit(x, y, unsure, 15, hole)


def days_line(series, t, days):
    newest = t // DAY - 1
    held = [(i - newest, *days[i]) for i in range(newest - 29, newest + 1) if i in days]
    return fit([d[0] for d in held], [d[1] for d in held], any(d[2] for d in held), 5, False)


def check(seed, kind):
    poll = 600_000 if kind == "days" else 20_000
    lapse = max(600_000, 3 * poll)
    series = {(point, length): Series(length, lapse) for point, length, _, _ in POINTS.values()}
    days, changed, known, lines = {}, -math.inf, None, {}
    seen, worst, count = Counter(), 0.0, 0
    newest, at_first = {}, {}
    for line in subprocess.run([LIFE, str(seed), kind], check=True, capture_output=True, text=True).stdout.splitlines():
        word = line.split()
        if word[0] == "r":
            t, until, point, quality, value = int(word[2]), int(word[3]), int(word[4]), int(word[5]), float(word[6])
            newest[point] = (quality, value)
            at_first.setdefault((point, t // MINUTE), changed)  # a line is drawn at a minute's first scan
            if point == RUN:
                runs = VALUED(quality) and value in (1, 2, 3)
                if runs:
                    state = value == 2
                    if known is None or known[1] != state or t - known[0] > lapse:
                        changed = t
                    known = (t, state)
                value = (100.0 if value == 2 else 0.0) if runs else math.nan
            if point == R and value > 0:
                value = math.log(value)
            for (p, _), s in series.items():
                if p == point:
                    s.take(t, until, quality, value)
            if point == R and t // DAY - 1 not in days:  # a whole day, from its hours, once
                d, s = t // DAY - 1, series[R, HOUR]
                bins = [s.bin(h) for h in range(24 * d, 24 * d + 24) if h in s.kept() and h >= t // HOUR - 24]
                pieces = [x for b, _ in bins for x in b]
                if d >= 0 and sum(w for w, _ in pieces) >= 6 * HOUR:
                    days[d] = (math.fsum(w * x for w, x in pieces) / sum(w for w, _ in pieces), any(b and not g for b, g in bins))
            continue
        t, point, quality, value = int(word[2]), int(word[3]), int(word[4]), float(word[5])
        read, length, n, what = POINTS[point]
        q, v = newest[read]
        inputs = 192 if GOOD(q) else 69 if VALUED(q) else 7
        if what in (SLOPE, TIME):
            # One line a minute, by the whole minutes: known at its first scan.
            key = (read, t // MINUTE)
            if key not in lines:
                lines[key] = hour_line(series[read, MINUTE], t, at_first[key])
            want, (slope, low, high) = lines[key] if poll <= MINUTE else (11, (math.nan,) * 3)
            wanted = 60 * slope
            if what == TIME and VALUED(want):
                margin, toward, sure = (150 - v, slope, low > 0) if read == T else (v - 3000, -slope, high < 0)
                if VALUED(q) and margin <= 0:
                    want, wanted = first(want, 74), 0.0
                elif not sure or toward <= 0:
                    want, wanted = first(want, 9), math.nan
                else:
                    wanted = margin / (60 * toward)
                    want = first(want, 73 if wanted > 24 else 192)
        elif what == TREND:
            want, (slope, _, _) = days_line(series[R, HOUR], t, days)
            wanted = 100 * math.expm1(slope)
        elif length == TENS and poll > MINUTE:
            want, wanted = 11, math.nan
        else:
            want, wanted = window(series[read, length], t, n, what)
        want = first(want, inputs)
        if not VALUED(want):
            wanted = math.nan
        if quality != want:
            sys.exit(f"seed {seed} {kind}, {t} ms, point {point}: quality {quality}, here {want} ({value} and {wanted})")
        if math.isnan(value) != math.isnan(wanted) or abs(value - wanted) > 1e-9 * max(1.0, abs(wanted)):
            sys.exit(f"seed {seed} {kind}, {t} ms, point {point}: {value!r}, here {wanted!r}, quality {quality}")
        if not math.isnan(value):
            worst = max(worst, abs(value - wanted) / max(1.0, abs(wanted)))
        seen[point, quality] += 1
        count += 1
    return seen, worst, count


seen, worst, count = Counter(), 0.0, 0
for kind, n in (("days", SEEDS), ("hours", SEEDS)):
    for seed in range(1, n + 1):
        s, w, c = check(seed, kind)
        seen, worst, count = seen + s, max(worst, w), count + c
for point in POINTS:
    if not any(seen[point, q] for q in (192, 73)):
        sys.exit(f"point {point} was never Good in any life: nothing was compared")
for quality in (7, 69, 72, 11, 9):
    if not any(n for (_, q), n in seen.items() if q == quality):
        sys.exit(f"no window ever said {quality}")
print(f"{count} values of {len(POINTS)} points agree, largest relative difference {worst:.1e}")
