# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Offset and skew of a clock from one-way delays, with honest standard deviations."""

from __future__ import annotations

from collections import deque
from math import sqrt
from typing import Sequence

from robot_mapping_qa.timing.delay_line import Course, DelayLine
from robot_mapping_qa.timing.delay_slope import fit_slope
from robot_mapping_qa.timing.line_under import LEAST_BLOCKS, line_under
from robot_mapping_qa.timing.part_levels import PartLevels
from robot_mapping_qa.timing.rate_change import count_of_another_rate, growth

BLOCK_NS = 500_000_000
"""Only the least delayed message of each half second is kept."""
WINDOW_BLOCKS = 1200
"""Ten minutes: over longer times the skew of a clock is not one number."""
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


class OneWayClock:
    """
    The line under one stream's delays over a sliding window of ten minutes.

    `delay_slope` gives its slope and bend. Where clock or delay jump, the data fall into parts
    that each have a level of their own and share the slope. The curve below the lowest point of a
    part gives its level.
    """

    def __init__(self) -> None:
        """Start without any delay."""
        self._times: deque[int] = deque(maxlen=WINDOW_BLOCKS)
        self._least: deque[int] = deque(maxlen=WINDOW_BLOCKS)
        self._parts: deque[int] = deque(maxlen=WINDOW_BLOCKS)
        self._part = self._newest_part = 0
        self._levels = PartLevels()
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
        # How widely the blocks of the last part scattered that had enough of them.
        self._usual_s: float | None = None
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

    def add(self, receive_ns: int, delay_ns: int) -> None:
        """Take one message's receive time and receive time less stamp."""
        block = receive_ns // BLOCK_NS
        if block == self._block:
            if delay_ns < self._block_least:
                self._block_least, self._block_time = delay_ns, receive_ns
            return
        if self._block is not None:
            if block < self._block:
                # Receive times may swap by a little between threads; the block is closed.
                return
            self._close_block()
        self._block = block
        self._block_time, self._block_least = receive_ns, delay_ns
        if not self._here:
            self._lay_line()

    def least(self, now_ns: int) -> tuple[float, float] | None:
        """
        Return the smallest delay of the run at a host time, and its standard deviation, seconds.

        As the clock reads now: where it stepped, delays from before count as if it had stamped
        them. None before the first message.
        """
        return self._levels.least(now_ns)

    def change_clock(self, from_ns: int, step_s: float, doubt_ns: int = 0) -> None:
        """
        Take note that another clock stamps the delays from host time ``from_ns`` on.

        By that clock they read ``step_s`` more than by the one before. Those of the time
        ``doubt_ns`` before belong to the one that they fit better.
        """
        self._newest_part += 1
        self._relabel(self._newest_part, from_ns)
        line = self.line
        if line is not None:
            before = next((part for time, part in zip(reversed(self._times), reversed(self._parts))
                           if time < from_ns - doubt_ns), self._part)
            old = self._levels.line(before) or line
            for place, time in enumerate(self._times):
                if from_ns - doubt_ns <= time < from_ns and \
                        (1e-9 * self._least[place] - old.at(time)) / step_s > 0.5:
                    self._parts[place] = self._part
            # The line may have been laid under delays that were another clock's.
            lines = self._lines_of_parts(line.course, self._times, self._least, self._parts)
            lines.pop(self._part, None)
            self._levels.begin(self._part, lines, step_s, from_ns)
        self._before = None
        self._begin_again(from_ns)

    def change_level(self, from_ns: int, size_s: float) -> None:
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
                self._before = None
                self._relabel(part, from_ns)
                self._begin_again(from_ns)
                return
        rose_from = self._part
        self.begin_part(from_ns)
        if size_s > 0.0:
            self._before = rose_from, size_s

    def begin_part(self, from_ns: int) -> None:
        """Take note that the delays from host time ``from_ns`` on have a level of their own."""
        self._before = None
        self._newest_part += 1
        self._relabel(self._newest_part, from_ns)
        self._begin_again(from_ns)

    def _relabel(self, part: int, from_ns: int) -> None:
        """Let all blocks from a host time on belong to ``part``."""
        self._part = part
        for place, time in enumerate(self._times):
            if time >= from_ns:
                self._parts[place] = part

    def _follow_new_rate(self, from_ns: int) -> None:
        """Drop the delays of before ``from_ns``: the clock has changed its rate."""
        self._drop(sum(time < from_ns for time in self._times))
        self._free_skew = SLEW_SKEW
        self._before = None
        self.line = None
        self._begin_again(from_ns)

    def _drop(self, count: int) -> None:
        """Forget the oldest blocks: the clock has changed its rate since, and so its offset."""
        self._levels.forget()
        for _ in range(count):
            self._times.popleft()
            self._least.popleft()
            self._parts.popleft()

    def _begin_again(self, from_ns: int) -> None:
        if self._block is not None and self._block_time < from_ns:
            self._block = None
        self._above = self._below = self._raised = 0
        self._doubted = True
        self._lay_line()

    def _close_block(self) -> None:
        if self._times and self._block_time <= self._times[-1]:
            return
        self._times.append(self._block_time)
        self._least.append(self._block_least)
        self._parts.append(self._part)
        changed = self._check_fit()
        self._until_slope -= 1
        self._until_level -= 1
        if not changed and self._until_level <= 0 and not (self._above or self._below):
            self._lay_line(anew=self._until_slope <= 0)

    def _check_fit(self) -> bool:
        """Look whether the newest block minima have left the line for good; follow them then."""
        line = self.line
        if line is None or self._here < 2 * FALL_BLOCKS:
            return False
        time = self._times[-1]
        misfit_s = self._least[-1] * 1e-9 - line.at(time)
        room_s = LEAST_MISFIT_S + 3.0 * line.sigma_at(time)
        self._above = self._above + 1 if misfit_s > room_s + 3.0 * line.scatter_s else 0
        self._below = self._below + 1 if misfit_s < -room_s else 0
        grown_sigma_s = line.course.growth_sigma(line.anchor_ns, time)
        self._raised = self._raised + 1 if misfit_s > LEAST_MISFIT_S + 3.0 * grown_sigma_s else 0
        if self._above >= CHANGE_BLOCKS or self._below >= FALL_BLOCKS:
            return self._left_the_line(line)
        return self._raised >= CHANGE_BLOCKS and self._rose_early(line)

    def _left_the_line(self, line: DelayLine) -> bool:
        """Tell another rate of the clock from another delay by the blocks off the line."""
        if self._slewed(line, self._below or self._raised):
            return False
        count = self._below or self._above
        times, misfits = self._misfits(line, count)
        # The first block may hold a message of before.
        nearest = min(map(abs, misfits[1:]))
        if count < CHANGE_BLOCKS and nearest < SURE_FALL_S:
            return False
        first = 1 if 0.0 < misfits[0] < nearest else 0
        self.change_level(times[first], nearest if misfits[0] > 0.0 else -nearest)
        return True

    def _slewed(self, line: DelayLine, count: int) -> bool:
        """
        Whether the last ``count`` blocks may be those of a slewed clock; follow it where they are.

        Such a clock leaves the line at a steady rate; a longer way leaves it at once.
        """
        times, misfits = self._misfits(line, count)
        # The first block may hold a message of before.
        grown, begun, other = growth(
            [(time - times[0]) * 1e-9 for time in times[1:]], misfits[1:], line.scatter_s)
        if other:
            self._follow_new_rate(times[0])
            return True
        # A fall that grows a little may be such a rate at its beginning: wait.
        return 0 < self._below < CHANGE_BLOCKS and grown > 0.1 * begun

    def _rose_early(self, line: DelayLine) -> bool:
        """
        Look for a rise of the delay soon after the line began, which widens the line's scatter.

        The blocks above the line are closer together than they are to it.
        """
        _, misfits = self._misfits(line, CHANGE_BLOCKS)
        nearest = min(misfits)
        spread = sorted(misfits)[CHANGE_BLOCKS // 2] - nearest
        if nearest < 3.0 * spread or line.scatter_s < 0.5 * nearest:
            return False
        times, misfits = self._misfits(line, self._here)
        first = len(times) - CHANGE_BLOCKS
        while first > 0 and misfits[first - 1] > nearest - max(spread, LEAST_MISFIT_S):
            first -= 1
        self.change_level(times[first], nearest)
        return True

    def _misfits(self, line: DelayLine, count: int) -> tuple[list[int], list[float]]:
        """Return times and distances from the line, seconds, of the newest blocks."""
        times = list(self._times)[-count:]
        return times, [least * 1e-9 - line.at(time)
                       for time, least in zip(times, list(self._least)[-count:])]

    def refresh(self) -> None:
        """Lay the line by all that is known now, unless the delays are about to leave it."""
        if self.line is not None and not (self._above or self._below):
            self._lay_line()

    def _lay_line(self, anew: bool = True) -> None:
        """Lay the line under the present part, with the course of all parts if ``anew``."""
        times, least, parts = list(self._times), list(self._least), list(self._parts)
        if (not parts or parts[-1] != self._part) and self._block is not None:
            times.append(self._block_time)
            least.append(self._block_least)
            parts.append(self._part)
        self._here = parts.count(self._part)
        if not self._here:
            return
        if self.line is None or anew and len(times) >= LEAST_BLOCKS:
            course, dropped = self._course(times, least, parts)
            self._until_slope = _pause(len(times))
            if self._doubtful(course, times[-1]):
                self._until_level = self._until_slope = CHANGE_BLOCKS
                return
            # Delays that have just gone back to a level of before still need it.
            if dropped and self._part in parts[dropped:]:
                self._drop(dropped)
                times, least, parts = times[dropped:], least[dropped:], parts[dropped:]
                self._here = parts.count(self._part)
            lines = self._lines_of_parts(course, times, least, parts)
            self._levels.lay_all(lines, times[-1])
            self.line = lines[self._part]
        else:
            here = [place for place, part in enumerate(parts) if part == self._part]
            self.line = self._line_under(here, self.line.course, times, least)
            self._levels.lay_one(self._part, self.line)
        if self._here >= LEAST_BLOCKS:
            self._usual_s = self.line.scatter_s
        self._until_level = min(self._until_slope, _pause(self._here))

    def _lines_of_parts(self, course: Course, times: Sequence[int], least: Sequence[int],
                        parts: Sequence[int]) -> dict[int, DelayLine]:
        """Return the line under each part."""
        places: dict[int, list[int]] = {}
        for place, part in enumerate(parts):
            places.setdefault(part, []).append(place)
        return {part: self._line_under(here, course, times, least)
                for part, here in places.items()}

    def _line_under(self, here: list[int], course: Course, times: Sequence[int],
                    least: Sequence[int]) -> DelayLine:
        """Return the line of this course under the blocks at the places ``here``."""
        return line_under([times[place] for place in here], [least[place] for place in here],
                          course, self._usual_s)

    def _doubtful(self, course: Course, now_ns: int) -> bool:
        """
        Whether a slope differs so much from the one so far that the clock may be slewed.

        The line so far is kept for a while then, so that the delays can leave it.
        """
        doubted, self._doubted = self._doubted, False
        if self.line is None or doubted:
            return False
        old = self.line.course
        change = course.slope_at(now_ns) - old.slope_at(now_ns)
        self._doubted = abs(change) > DOUBTFUL * old.slope_sigma_at(now_ns)
        return self._doubted

    def _course(self, times: list[int], least: list[int], parts: list[int]
                ) -> tuple[Course, int]:
        """Return the course that all parts share, and how many of the oldest blocks do not."""
        middle_ns = (times[0] + times[-1]) // 2
        first = least[-1]
        old = self.line.course if self.line is not None else None
        x = [(time - middle_ns) * 1e-9 for time in times]
        y = [(value - first) * 1e-9 for value in least]
        start = None if old is None else old.coefficients_at(middle_ns)
        while True:
            fit = fit_slope(x, y, parts, DRIFT_PER_S, start)
            drop = 0 if fit is None else count_of_another_rate(
                x, y, fit, self._free_skew != START_SKEW)
            if not drop:
                break
            x, y, parts = x[drop:], y[drop:], parts[drop:]
        dropped = len(times) - len(x)
        if fit is None:
            return Course(middle_ns, 0.0, self._free_skew, 0.0, DRIFT_PER_S), dropped
        # The skew is drawn towards none, as far as nothing else is known of it.
        known = self._free_skew ** 2 / (self._free_skew ** 2 + fit.slope_sigma ** 2)
        return Course(middle_ns + round(fit.x * 1e9), known * fit.slope,
                      sqrt(known) * fit.slope_sigma, fit.bend, fit.bend_sigma,
                      fit.curve, fit.curve_sigma, fit.lean, fit.hold), dropped


def _pause(blocks: int) -> int:
    """Return how many blocks later a line under so many is laid anew."""
    pause = blocks // BLOCKS_PER_ESTIMATE
    return pause if blocks < 2 * CHANGE_BLOCKS else max(pause, CHANGE_BLOCKS)
