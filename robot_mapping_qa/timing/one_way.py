# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Offset and skew of a clock from one-way delays, with honest standard deviations."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import sqrt

from robot_mapping_qa.timing.convex_hull import line_below
from robot_mapping_qa.timing.delay_slope import fit_slope

BLOCK_NS = 500_000_000
"""Only the least delayed message of each half second is kept."""
WINDOW_BLOCKS = 1200
"""Ten minutes: over longer times the skew of a clock is not one number."""
GROUPS = 8
"""Interleaved sets of blocks, whose lowest delays tell how far the lowest of all may be off."""
BLOCKS_PER_GROUP = 3
"""Fewest blocks of such a set."""
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
"""The line is laid anew when an eighth of its blocks has changed, so that the work stays bounded,
and no sooner than a change of the clock's rate shows against it."""
DOUBTFUL = 2.0
"""A slope that changes by so many standard deviations is not believed at once."""
LEAST_MISFIT_S = 0.5e-3
"""A smaller distance from the line is never taken for a change."""
SURE_FALL_S = 2e-3
"""A fall by more than this is believed after `FALL_BLOCKS`, a smaller one after
`CHANGE_BLOCKS`."""
# The lowest of n delays lies above the smallest possible one by 1/n (exponential delays) to
# 1/sqrt(n) (gamma of shape 2) of their scale. Of the distance D from the lowest of all to the
# mean of the groups' lowest that is 0.14 to 0.55, itself scattered as widely: the line is laid
# a quarter of D lower, give or take 0.5 D.
_EXCESS, _EXCESS_SIGMA = 0.25, 0.5


@dataclass(frozen=True, slots=True)
class DelayLine:
    """
    The smallest delay as a curve over host time: receive time less stamp, were nothing queued.

    It passes through ``level_s`` at ``anchor_ns``; its slope is ``slope`` at ``middle_ns`` and
    grows by ``bend_per_s``. The ``*_sigma`` are standard deviations, unrelated to each other
    because level and slope are given where their errors are. ``scatter_s`` is how far above the
    curve the least delayed message of a block usually arrives.
    """

    anchor_ns: int
    level_s: float
    level_sigma_s: float
    middle_ns: int
    slope: float
    slope_sigma: float
    bend_per_s: float
    bend_sigma_per_s: float
    scatter_s: float

    def at(self, time_ns: int) -> float:
        """Return the smallest delay at a host time, seconds."""
        return self.level_s + self.growth(self.anchor_ns, time_ns)

    def sigma_at(self, time_ns: int) -> float:
        """Return the standard deviation of `at`, seconds."""
        return sqrt(self.level_sigma_s ** 2 + self.growth_sigma(self.anchor_ns, time_ns) ** 2)

    def growth(self, from_ns: int, to_ns: int) -> float:
        """Return by how much the smallest delay grows between host times, seconds."""
        middle_ns = (from_ns + to_ns) // 2
        return self.slope_at(middle_ns) * (to_ns - from_ns) * 1e-9

    def growth_sigma(self, from_ns: int, to_ns: int) -> float:
        """Return the standard deviation of `growth`, seconds."""
        x, start = (to_ns - self.middle_ns) * 1e-9, (from_ns - self.middle_ns) * 1e-9
        # A bend fitted together with a line leaves about a third of its free effect at the ends.
        return sqrt((self.slope_sigma * (x - start)) ** 2
                    + (self.bend_sigma_per_s * (x * x - start * start) / 3.0) ** 2)

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


class OneWayClock:
    """
    The line under one stream's delays over a sliding window of ten minutes.

    `delay_slope` gives its slope and bend. Where clock or delay jump, the data fall into parts
    that each have a level of their own and share the slope. The curve that touches the lowest
    point of the present part gives the level.
    """

    def __init__(self) -> None:
        """Start without any delay."""
        self._times: deque[int] = deque(maxlen=WINDOW_BLOCKS)
        self._least: deque[int] = deque(maxlen=WINDOW_BLOCKS)
        self._parts: deque[int] = deque(maxlen=WINDOW_BLOCKS)
        self._part = self._newest_part = 0
        # The part before the smallest delay rose, and by how much it did.
        self._before: tuple[int, float] | None = None
        self._block: int | None = None
        self._block_time = self._block_least = 0
        self._free_skew = START_SKEW
        # Blocks of the present part; blocks until slope and level are looked at again.
        self._here = 0
        self._until_slope = self._until_level = 0
        self._above = self._below = self._raised = 0
        self._doubted = False
        self.line: DelayLine | None = None

    @property
    def blocks(self) -> int:
        """How many blocks the line rests on."""
        return len(self._times)

    @property
    def begin_ns(self) -> int | None:
        """Host time of the oldest delay that the line rests on, None before any."""
        if self._times:
            return self._times[0]
        return self._block_time if self._block is not None else None

    def newest(self, count: int) -> tuple[int, list[int]] | None:
        """Return when the last ``count`` blocks begin and their least delays; None if fewer."""
        if len(self._times) < count:
            return None
        return self._times[-count], [self._least[place] for place in range(-count, 0)]

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
        if not self._here:
            self._lay_line()
        return change

    def change_part(self, from_ns: int) -> None:
        """Take note that the delays from host time ``from_ns`` on have another level."""
        self._newest_part += 1
        self._go_on_as(self._newest_part, from_ns)
        self._before = None

    def change_level(self, from_ns: int, size_s: float) -> LevelChange:
        """
        Go on after the smallest delay moved by ``size_s`` at ``from_ns`` and the clock did not.

        Where it moved back to what it was before it rose, it has that level again.
        """
        before, line = self._before, self.line
        if before is not None and size_s < 0.0 and line is not None:
            part, rose_s = before
            height_s = min((least * 1e-9 - line.at(time) for time, least, its
                            in zip(self._times, self._least, self._parts) if its == part),
                           default=None)
            room_s = min(0.1 * rose_s + 3.0 * line.scatter_s, 0.5 * rose_s)
            if height_s is not None and abs(size_s - height_s) < max(LEAST_MISFIT_S, room_s):
                self._go_on_as(part, from_ns)
                self._before = None
                return LevelChange(from_ns, -rose_s)
        rose_from = self._part
        self.change_part(from_ns)
        if size_s > 0.0:
            self._before = rose_from, size_s
        return LevelChange(from_ns, size_s)

    def _go_on_as(self, part: int, from_ns: int) -> None:
        self._part = part
        for place, time in enumerate(self._times):
            if time >= from_ns:
                self._parts[place] = part
        self._begin_again(from_ns)

    def _follow_new_rate(self, from_ns: int) -> None:
        """Drop the delays of before ``from_ns``: the clock has changed its rate."""
        while self._times and self._times[0] < from_ns:
            self._times.popleft()
            self._least.popleft()
            self._parts.popleft()
        self._free_skew = SLEW_SKEW
        self._before = None
        self.line = None
        self._begin_again(from_ns)

    def _begin_again(self, from_ns: int) -> None:
        if self._block is not None and self._block_time < from_ns:
            self._block = None
        self._above = self._below = self._raised = 0
        self._doubted = True
        self._lay_line()

    def _close_block(self) -> LevelChange | None:
        if self._times and self._block_time <= self._times[-1]:
            return None
        self._times.append(self._block_time)
        self._least.append(self._block_least)
        self._parts.append(self._part)
        change = self._check_fit()
        self._until_slope -= 1
        self._until_level -= 1
        if change is None and self._until_level <= 0 and not (self._above or self._below):
            self._lay_line(anew=self._until_slope <= 0)
        return change

    def _check_fit(self) -> LevelChange | None:
        """Look whether the newest block minima have left the line for good."""
        line = self.line
        if line is None or self._here < 2 * FALL_BLOCKS:
            return None
        time = self._times[-1]
        misfit_s = self._least[-1] * 1e-9 - line.at(time)
        room_s = LEAST_MISFIT_S + 3.0 * line.sigma_at(time)
        self._above = self._above + 1 if misfit_s > room_s + 3.0 * line.scatter_s else 0
        self._below = self._below + 1 if misfit_s < -room_s else 0
        self._raised = self._raised + 1 if misfit_s > LEAST_MISFIT_S + 3.0 * line.growth_sigma(
            line.anchor_ns, time) else 0
        if self._above >= CHANGE_BLOCKS or self._below >= FALL_BLOCKS:
            return self._left_the_line()
        return self._rose_early() if self._raised >= CHANGE_BLOCKS else None

    def _left_the_line(self) -> LevelChange | None:
        """Tell another rate of the clock from another delay by the blocks off the line."""
        if self._slewed(self._below or self._raised):
            return None
        count = self._below or self._above
        times, misfits = self._misfits(count)
        # The first block may hold a message of before.
        nearest = min(map(abs, misfits[1:]))
        if count < CHANGE_BLOCKS and nearest < SURE_FALL_S:
            return None
        first = 1 if 0.0 < misfits[0] < nearest else 0
        return self.change_level(times[first], nearest if misfits[0] > 0.0 else -nearest)

    def _slewed(self, count: int) -> bool:
        """
        Whether the last ``count`` blocks may be those of a slewed clock; follow it where they are.

        Such a clock leaves the line at a steady rate; a longer way leaves it at once.
        """
        times, misfits = self._misfits(count)
        seconds = [(time - times[0]) * 1e-9 for time in times]
        slope, _ = line_below(seconds, misfits)
        grown = slope * seconds[-1] * (1.0 if misfits[0] > 0.0 else -1.0)
        nearest = min(map(abs, misfits))
        if grown > max(0.7 * nearest, 2.0 * self.line.scatter_s) and abs(slope) < 2.0 * SLEW_SKEW:
            self._follow_new_rate(times[0])
            return True
        # A fall that grows a little may be such a rate at its beginning: wait.
        return 0 < self._below < CHANGE_BLOCKS and grown > 0.1 * nearest

    def _rose_early(self) -> LevelChange | None:
        """
        Look for a rise of the delay soon after the line began, which widens the line's scatter.

        The blocks above the line are closer together than they are to it.
        """
        _, misfits = self._misfits(CHANGE_BLOCKS)
        nearest = min(misfits)
        spread = sorted(misfits)[CHANGE_BLOCKS // 2] - nearest
        if nearest < 3.0 * spread or self.line.scatter_s < 0.5 * nearest:
            return None
        times, misfits = self._misfits(self._here)
        first = len(times) - CHANGE_BLOCKS
        while first > 0 and misfits[first - 1] > nearest - max(spread, LEAST_MISFIT_S):
            first -= 1
        return self.change_level(times[first], nearest)

    def _misfits(self, count: int) -> tuple[list[int], list[float]]:
        """Return times and distances from the line, seconds, of the newest blocks."""
        times = list(self._times)[-count:]
        return times, [least * 1e-9 - self.line.at(time)
                       for time, least in zip(times, list(self._least)[-count:])]

    def _lay_line(self, anew: bool = True) -> None:
        """Lay the line under the present part, with the slope from all parts if ``anew``."""
        times, least, parts = list(self._times), list(self._least), list(self._parts)
        if (not parts or parts[-1] != self._part) and self._block is not None:
            times.append(self._block_time)
            least.append(self._block_least)
            parts.append(self._part)
        here = [place for place, part in enumerate(parts) if part == self._part]
        self._here = len(here)
        if not here:
            return
        old = self.line
        if old is None or anew and len(times) >= 2 * BLOCKS_PER_GROUP:
            course = self._course(times, least, parts)
            self._until_slope = _pause(len(times))
            if self._doubtful(course, times[-1]):
                self._until_level = self._until_slope = CHANGE_BLOCKS
                return
        else:
            course = (old.middle_ns, old.slope, old.slope_sigma, old.bend_per_s,
                      old.bend_sigma_per_s)
        self._until_level = min(self._until_slope, _pause(self._here))
        middle_ns, slope, _, bend, _ = course
        anchor_ns = (times[here[0]] + times[here[-1]]) // 2
        slope += bend * (anchor_ns - middle_ns) * 1e-9
        first = least[here[0]]
        rest = []
        for place in here:
            x = (times[place] - anchor_ns) * 1e-9
            rest.append((least[place] - first) * 1e-9 - (slope + 0.5 * bend * x) * x)
        lowest = min(rest)
        sets = max(1, min(GROUPS, len(here) // BLOCKS_PER_GROUP))
        spread = sum(min(rest[k::sets]) for k in range(sets)) / sets - lowest
        scatter = sorted(rest)[len(rest) // 2] - lowest
        if sets == 1 and old is not None:
            spread = scatter = max(scatter, old.scatter_s)
        self.line = DelayLine(anchor_ns, first * 1e-9 + lowest - _EXCESS * spread,
                              max(_EXCESS_SIGMA * spread, 1e-9), *course, scatter)

    def _doubtful(self, course: tuple[int, float, float, float, float], now_ns: int) -> bool:
        """
        Whether a slope differs so much from the one so far that the clock may be slewed.

        The line so far is kept for a while then, so that the delays can leave it.
        """
        old = self.line
        doubted, self._doubted = self._doubted, False
        if old is None or doubted:
            return False
        middle_ns, slope, _, bend, _ = course
        slope += bend * (now_ns - middle_ns) * 1e-9
        self._doubted = abs(slope - old.slope_at(now_ns)) > DOUBTFUL * old.slope_sigma_at(now_ns)
        return self._doubted

    def _course(self, times: list[int], least: list[int], parts: list[int]
                ) -> tuple[int, float, float, float, float]:
        """Return a time, the slope there, its sigma, the bend and its sigma."""
        middle_ns = (times[0] + times[-1]) // 2
        first = least[-1]
        old = self.line
        fit = fit_slope(
            [(time - middle_ns) * 1e-9 for time in times],
            [(value - first) * 1e-9 for value in least], parts, DRIFT_PER_S,
            None if old is None else (old.slope_at(middle_ns), old.bend_per_s))
        if fit is None:
            return middle_ns, 0.0, self._free_skew, 0.0, DRIFT_PER_S
        # The skew is drawn towards none, as far as nothing else is known of it.
        known = self._free_skew ** 2 / (self._free_skew ** 2 + fit.slope_sigma ** 2)
        return (middle_ns + round(fit.x * 1e9), known * fit.slope, sqrt(known) * fit.slope_sigma,
                fit.bend, fit.bend_sigma)


def _pause(blocks: int) -> int:
    """Return how many blocks later a line under so many is laid anew."""
    pause = blocks // BLOCKS_PER_ESTIMATE
    return pause if blocks < 2 * CHANGE_BLOCKS else max(pause, CHANGE_BLOCKS)
