# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Offset and skew of a clock from one-way delays, with honest standard deviations."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import sqrt

from robot_mapping_qa.timing.convex_hull import line_below

BLOCK_NS = 500_000_000
"""Only the least delayed message of each half second is kept."""
WINDOW_BLOCKS = 1200
"""Ten minutes: over longer times the skew of a clock is not one number."""
GROUPS = 8
"""Lines from interleaved blocks, whose scatter tells how good their mean is."""
BLOCKS_PER_GROUP = 3
"""Fewest points that a group's line is laid under."""
START_SKEW = 100e-6
"""Standard deviation of a skew nothing is known of. Common practice, no source: crystals are
specified within 100 ppm."""
SLEW_SKEW = 1000e-6
"""The same after a clock was seen to change its rate: a daemon may be slewing it."""
DRIFT_PER_S = 0.8e-6 / 60.0
"""Standard deviation of a skew's change per second: a warming crystal changes by about 1 ppm a
minute. The sigma of the skew allows for it until the data show what the drift is."""
CHANGE_BLOCKS = 20
"""Ten seconds of delays that all stay above the line are no burst any more."""
FALL_BLOCKS = 6
"""Three seconds of delays below the line are no accident: nothing makes a delay too short."""
BLOCKS_PER_ESTIMATE = 8
"""The line is laid anew when an eighth of its blocks has changed: the work stays bounded."""
LEAST_MISFIT_S = 0.5e-3
"""A smaller distance from the line is never taken for a change."""
SURE_FALL_S = 2e-3
"""A fall by more than this is believed after `FALL_BLOCKS`, a smaller one after
`CHANGE_BLOCKS`."""
# Student's t for 95 % with (groups - 1) degrees of freedom, over the 1.96 of a normal: two
# standard deviations then mean the same for few groups as for many.
_SMALL_SAMPLE = {2: 6.48, 3: 2.20, 4: 1.62, 5: 1.42, 6: 1.31, 7: 1.25, 8: 1.21}
# The lowest of n delays lies above the smallest possible one by 1/n (exponential delays) to
# 1/sqrt(n) (gamma of shape 2) of their scale. Of the distance D from the lowest of all to the
# mean of the groups' lowest that is 0.14 to 0.55, itself scattered as widely: the line is laid
# a quarter of D lower, give or take 0.4 D.
_EXCESS, _EXCESS_SIGMA = 0.25, 0.4


@dataclass(frozen=True, slots=True)
class DelayLine:
    """
    The smallest delay as a curve over host time: receive time less stamp, were nothing queued.

    With x the host time since ``middle_ns`` in seconds the delay is
    ``level_s + slope x + bend x^2 / 2``. The ``*_sigma`` are standard deviations, unrelated to
    each other because x is counted from the middle of the data. ``scatter_s`` is how far above
    the curve the least delayed message of a block usually arrives.
    """

    middle_ns: int
    level_s: float
    level_sigma_s: float
    slope: float
    slope_sigma: float
    bend_per_s: float
    bend_sigma_per_s: float
    scatter_s: float

    def at(self, time_ns: int) -> float:
        """Return the smallest delay at a host time, seconds."""
        x = (time_ns - self.middle_ns) * 1e-9
        return self.level_s + (self.slope + 0.5 * self.bend_per_s * x) * x

    def sigma_at(self, time_ns: int) -> float:
        """Return the standard deviation of `at`, seconds."""
        x = (time_ns - self.middle_ns) * 1e-9
        # A bend fitted together with a line leaves about a third of its free effect at the ends.
        return sqrt(self.level_sigma_s ** 2 + (self.slope_sigma * x) ** 2
                    + (self.bend_sigma_per_s * x * x / 3.0) ** 2)

    def slope_at(self, time_ns: int) -> float:
        """Return the growth of the smallest delay at a host time, seconds per second."""
        return self.slope + self.bend_per_s * (time_ns - self.middle_ns) * 1e-9

    def slope_sigma_at(self, time_ns: int) -> float:
        """Return the standard deviation of `slope_at`."""
        x = (time_ns - self.middle_ns) * 1e-9
        return sqrt(self.slope_sigma ** 2 + (self.bend_sigma_per_s * x) ** 2)


@dataclass(frozen=True, slots=True)
class LevelChange:
    """The smallest delay moved by ``size_s`` at host time ``at_ns``; the clock did not."""

    at_ns: int
    size_s: float


@dataclass(frozen=True, slots=True)
class _Before:
    """The window as it was before the smallest delay rose by ``size_s``."""

    times: list[int]
    least: list[int]
    line: DelayLine
    size_s: float
    known: tuple[float, float, int | None]


class OneWayClock:
    """
    The line under one stream's delays over a sliding window of ten minutes.

    Each of up to `GROUPS` interleaved sets of block minima gets the line below it of its own
    (see `convex_hull`). The mean of their slopes is the slope, and their scatter its standard
    deviation: that holds whatever the distribution of the delays is, which a formula for the
    error of one hull does not. The bend comes from the two halves of the window in the same way.
    The curve of that slope and bend that touches the lowest point gives the level.
    """

    def __init__(self) -> None:
        """Start without any delay."""
        self._times: deque[int] = deque(maxlen=WINDOW_BLOCKS)
        self._least: deque[int] = deque(maxlen=WINDOW_BLOCKS)
        self._block: int | None = None
        self._block_time = self._block_least = 0
        self._known_slope, self._known_sigma = 0.0, START_SKEW
        self._known_ns: int | None = None
        self._until_estimate = 0
        self._above = self._below = 0
        self._before: _Before | None = None
        self.line: DelayLine | None = None

    @property
    def blocks(self) -> int:
        """How many blocks the line rests on."""
        return len(self._times)

    def add(self, receive_ns: int, delay_ns: int) -> LevelChange | None:
        """Take one message's receive time and receive time less stamp."""
        block = receive_ns // BLOCK_NS
        if block == self._block:
            if delay_ns < self._block_least:
                self._block_least, self._block_time = delay_ns, receive_ns
            return None
        change = None
        if self._block is not None:
            if block < self._block:
                # Receive times may swap by a little between threads; the block is closed.
                return None
            change = self._close_block()
        self._block = block
        self._block_time, self._block_least = receive_ns, delay_ns
        if self.line is None:
            self._estimate()
        return change

    def restart(self, from_ns: int, keep_skew: bool = True, skew_sigma: float = START_SKEW
                ) -> None:
        """
        Drop the delays of before host time ``from_ns``: the clock or the delay has stepped.

        The skew is carried on as prior knowledge where ``keep_skew``; else nothing is known of
        it but ``skew_sigma``.
        """
        if keep_skew and self.line is not None:
            last_ns = self._times[-1] if self._times else from_ns
            self._known_slope = self.line.slope_at(last_ns)
            self._known_sigma = self.line.slope_sigma_at(last_ns)
            self._known_ns = last_ns
        else:
            self._known_slope, self._known_sigma, self._known_ns = 0.0, skew_sigma, None
        while self._times and self._times[0] < from_ns:
            self._times.popleft()
            self._least.popleft()
        if self._block is not None and self._block_time < from_ns:
            self._block = None
        self._above = self._below = 0
        self._before = None
        self.line = None
        if self._times:
            self._estimate()

    def _close_block(self) -> LevelChange | None:
        if self._times and self._block_time <= self._times[-1]:
            return None
        self._times.append(self._block_time)
        self._least.append(self._block_least)
        change = self._check_fit()
        self._until_estimate -= 1
        if self._until_estimate <= 0 and not self._below:
            self._estimate()
        return change

    def _check_fit(self) -> LevelChange | None:
        """Look whether the newest block minima have left the line for good."""
        line = self.line
        if line is None or len(self._times) < 2 * FALL_BLOCKS:
            return None
        misfit_s = self._least[-1] * 1e-9 - line.at(self._times[-1])
        room_s = LEAST_MISFIT_S + 3.0 * line.sigma_at(self._times[-1])
        self._above = self._above + 1 if misfit_s > room_s + 3.0 * line.scatter_s else 0
        self._below = self._below + 1 if misfit_s < -room_s else 0
        if self._above >= CHANGE_BLOCKS or self._below >= FALL_BLOCKS:
            return self._left_the_line(min(max(self._above, self._below), CHANGE_BLOCKS))
        return None

    def _left_the_line(self, count: int) -> LevelChange | None:
        """Tell another rate of the clock from another delay by the last ``count`` blocks."""
        line = self.line
        times = list(self._times)[-count:]
        misfits = [least * 1e-9 - line.at(time)
                   for time, least in zip(times, list(self._least)[-count:])]
        seconds = [(time - times[0]) * 1e-9 for time in times]
        slope, _ = line_below(seconds, misfits)
        grown = slope * seconds[-1] * (1.0 if misfits[0] > 0.0 else -1.0)
        nearest = min(map(abs, misfits))
        # A slewed clock leaves the line at a steady rate; a longer way leaves it at once.
        if grown > max(0.7 * nearest, 2.0 * line.scatter_s) and abs(slope) < 2.0 * SLEW_SKEW:
            self.restart(times[0], keep_skew=False, skew_sigma=SLEW_SKEW)
            return None
        if count < CHANGE_BLOCKS and nearest < SURE_FALL_S:
            return None
        return self.change_level(times[0], nearest if misfits[0] > 0.0 else -nearest)

    def change_level(self, from_ns: int, size_s: float) -> LevelChange:
        """
        Go on after the smallest delay moved by ``size_s`` at ``from_ns`` and the clock did not.

        Where it moved back to what it was before it rose, the data of that time count again.
        """
        before, line = self._before, self.line
        if before is not None and size_s < 0.0 and line is not None:
            back_s = line.at(from_ns) + size_s - before.line.at(from_ns)
            if abs(back_s) < max(LEAST_MISFIT_S, 0.1 * before.size_s):
                self._before = None
                kept = [(time, least) for time, least in zip(self._times, self._least)
                        if time >= from_ns]
                self.restart(from_ns)
                self._known_slope, self._known_sigma, self._known_ns = before.known
                self._times = deque(before.times, WINDOW_BLOCKS)
                self._least = deque(before.least, WINDOW_BLOCKS)
                for time, least in kept:
                    self._times.append(time)
                    self._least.append(least)
                self._estimate()
                return LevelChange(from_ns, -before.size_s)
        self._before = None
        if size_s > 0.0 and line is not None:
            rest = [(time, least) for time, least in zip(self._times, self._least)
                    if time < from_ns]
            if rest:
                self._before = _Before([time for time, _ in rest], [least for _, least in rest],
                                       line, size_s,
                                       (self._known_slope, self._known_sigma, self._known_ns))
        before = self._before
        self.restart(from_ns)
        self._before = before
        return LevelChange(from_ns, size_s)

    def _estimate(self) -> None:
        times = list(self._times)
        least = list(self._least)
        if not times:
            times, least = [self._block_time], [self._block_least]
        count = len(times)
        self._until_estimate = count // BLOCKS_PER_ESTIMATE
        middle_ns = (times[0] + times[-1]) // 2
        x = [(time - middle_ns) * 1e-9 for time in times]
        first = least[0]
        y = [(value - first) * 1e-9 for value in least]
        half = 0.5 * (x[-1] - x[0])
        groups = min(GROUPS, count // BLOCKS_PER_GROUP)
        bend, bend_sigma = _bend(x, y, half) if count >= 10 * GROUPS else (0.0, DRIFT_PER_S)
        if bend:
            y = [value - 0.5 * bend * t * t for t, value in zip(x, y)]
        slope, slope_sigma = self._prior(middle_ns)
        if groups >= 2:
            slopes = [line_below(x[k::groups], y[k::groups])[0] for k in range(groups)]
            slope, slope_sigma = _combine(*_mean(slopes), slope, slope_sigma ** 2)
        rest = [value - slope * t for t, value in zip(x, y)]
        lowest = min(rest)
        parts = max(1, groups)
        spread = sum(min(rest[k::parts]) for k in range(parts)) / parts - lowest
        self.line = DelayLine(
            middle_ns, first * 1e-9 + lowest - _EXCESS * spread,
            max(_EXCESS_SIGMA * spread, 1e-9), slope, slope_sigma, bend, bend_sigma,
            sorted(rest)[count // 2] - lowest)

    def _prior(self, middle_ns: int) -> tuple[float, float]:
        if self._known_ns is None:
            return self._known_slope, self._known_sigma
        aged = DRIFT_PER_S * (middle_ns - self._known_ns) * 1e-9
        return self._known_slope, sqrt(self._known_sigma ** 2 + aged ** 2)


def _bend(x: list[float], y: list[float], half: float) -> tuple[float, float]:
    """Return the bend per second and its standard deviation, drawn towards none."""
    bends = []
    cut = next(place for place, value in enumerate(x) if value >= 0.0)
    for group in range(GROUPS):
        early, _ = line_below(x[group:cut:GROUPS], y[group:cut:GROUPS])
        start = cut + (group - cut) % GROUPS
        late, _ = line_below(x[start::GROUPS], y[start::GROUPS])
        bends.append((late - early) / half)
    return _combine(*_mean(bends), 0.0, DRIFT_PER_S ** 2)


def _mean(values: list[float]) -> tuple[float, float]:
    """Return the mean of a few independent values and its variance."""
    count = len(values)
    mean = sum(values) / count
    scatter = sum((value - mean) ** 2 for value in values) / (count - 1)
    return mean, _SMALL_SAMPLE[count] ** 2 * scatter / count


def _combine(value: float, variance: float, prior: float, prior_variance: float
             ) -> tuple[float, float]:
    """Return the weighted mean of a value and what was known, with its standard deviation."""
    total = variance + prior_variance
    if total == 0.0:
        return value, 0.0
    weight = prior_variance / total
    return prior + weight * (value - prior), sqrt(variance * weight)
