# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""One stream's clock over a run: its offset, and how far it has moved since it settled."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import hypot

from robot_mapping_qa.timing.delay_line import DelayLine
from robot_mapping_qa.timing.level_before import (
    CALM_BLOCKS, calm_level, DRIFT, FIRST_BLOCKS, LevelBefore, MOST_ROOM_S)
from robot_mapping_qa.timing.one_way import LEAST_MISFIT_S, OneWayClock

KNOWN_SKEW = 50e-6
"""A skew that is not known better than this is not reported: it is a guess about crystals."""
FASTEST = 600e-6
"""No clock gains or loses more than this without a step: daemons slew by up to 500 ppm, crystals
keep to 100 ppm. Common practice, no source."""
FOUND_LATE_NS = 4_000_000_000
"""A step is found up to so much later: it may tell of what has been corrected already."""
HOST_STEP_ROOM_NS = 1_000_000_000
"""A step of the host's clock is told so much late, by the slowest stream."""
CALM_STATES, CALM_EVERY_NS = 3, 5_000_000_000
"""States that are kept: the oldest is from before any step that is found now."""
LEAST_CORRECTION_S = 2e-3
"""A smaller difference from where the clock was is left as it is: it drowns in the delay."""


@dataclass(frozen=True, slots=True)
class _State:
    """What was known at a calm level."""

    seen_ns: int
    level: LevelBefore
    moved_s: float
    host_s: float


class StreamClock:
    """
    Keeps the clock's movements apart from the delay's.

    The line under the delays (`OneWayClock`) goes on at another level whenever clock or delay has
    stepped. Where it was the delay, `offset` does not follow: it is counted from the smallest
    delay of the run.

    How far the clock has moved since it settled is the sum of its steps, which the stamps tell,
    and of the line's growth over the time since. Both ends are taken from one line: what the
    delay was when the stream settled does not matter, which it would on an overloaded computer.
    """

    def __init__(self) -> None:
        """Start without any message."""
        self._one_way = OneWayClock()
        # The movement up to a time, which later lines do not reach back to, and its sigma.
        self._counted_ns: int | None = None
        self._moved_s = self._moved_sigma_s = 0.0
        self.lead_s = 0.0
        # By how much the host's clock has jumped, and the level before it first did.
        self.host_s = 0.0
        self._before_host: LevelBefore | None = None
        # States at which the delays were calm, some seconds apart: a step may be found late.
        self._calm: deque[_State] = deque(maxlen=CALM_STATES)
        # A first one from less time, which serves until there is another.
        self._first_calm: _State | None = None
        # The one before the first of the last changes, and the newest change.
        self._before: _State | None = None
        self._changed_ns = 0
        self._back_since_ns: int | None = None
        self._laid_again = False

    def add(self, receive_ns: int, delay_ns: int) -> None:
        """Take one message's receive time and receive time less stamp."""
        line = self._one_way.line
        self._one_way.add(receive_ns, delay_ns)
        if self._one_way.line is not line:
            self._count_movement(line)

    def refresh(self) -> None:
        """Use all that is known now, for figures that are not asked for often."""
        line = self._one_way.line
        self._one_way.refresh()
        if self._one_way.line is not line:
            self._count_movement(line)

    def step(self, at_ns: int, size_s: float) -> None:
        """Take note that the clock stepped by ``size_s`` at host time ``at_ns``."""
        self._remember(at_ns)
        self._moved_s += size_s
        self._one_way.change_clock(at_ns, -size_s)

    def fall_to(self, at_ns: int, delay_s: float) -> None:
        """
        Take note that delays fell at host time ``at_ns``, the least of them to ``delay_s``.

        What counts is the fall below the line: where delays come back to it, a burst has ended.
        """
        line = self._one_way.line
        if line is None:
            return
        size_s = delay_s - line.at(at_ns)
        if size_s < -LEAST_MISFIT_S - 3.0 * line.sigma_at(at_ns):
            self._remember(at_ns)
            self._one_way.change_level(at_ns, size_s)

    def step_host(self, at_ns: int, size_s: float, own_s: float | None = None) -> None:
        """
        Take note that the host's clock jumped forward by ``size_s`` at ``at_ns``.

        ``own_s`` is what had been taken for a step of this clock instead, None where nothing was.
        """
        if self._one_way.line is None:
            return
        self._remember(at_ns)
        if self._before_host is None and self._before is not None:
            self._before_host = self._before.level
        self.host_s += size_s
        if own_s is None:
            doubt_ns = HOST_STEP_ROOM_NS + round(1e9 * abs(size_s))
            self._one_way.change_clock(at_ns, size_s, doubt_ns)
        else:
            self._moved_s -= own_s

    def host_back_ns(self, now_ns: int) -> int | None:
        """Return since when delays are what they were before the host's clock first jumped."""
        if self._before_host is not None and (
                not self.host_s or self._before_host.outlived(now_ns)):
            self._before_host = None
        if self._before_host is None:
            return None
        return self._before_host.held_again_ns(self._one_way, self._changed_ns, 0.0)

    def correct(self, now_ns: int) -> float | None:
        """
        Put the clock back to where it was if the delays are what they were before it changed.

        Return by how much it had been off, seconds; None where there was nothing to correct.
        """
        before = self._before
        if before is None:
            self._look_whether_calm(now_ns)
            return None
        level = before.level
        if level.outlived(now_ns):
            self._before = None
            self._forget_calm()
            return None
        back_ns = level.held_again_ns(
            self._one_way, self._changed_ns, self.host_s - before.host_s)
        if back_ns is None:
            self._back_since_ns = None
            return None
        if self._back_since_ns is None:
            self._back_since_ns = now_ns
        elif now_ns - self._back_since_ns > FOUND_LATE_NS:
            self._before = None
        # Levels that were taken for one may have laid the line wrong.
        expected_s = level.level_s + level.grown_s(now_ns) + self.host_s - before.host_s
        line, moved = self._one_way.line, self.moved(now_ns)
        if line is not None and not self._laid_again and \
                abs(line.at(now_ns) - expected_s) > MOST_ROOM_S:
            self._laid_again = True
            self._one_way.begin_part(back_ns)
            moved = self.moved(now_ns)
        if moved is None:
            return None
        wrong_s = moved[0] - (before.moved_s - level.grown_s(now_ns))
        # The rate that carries the level on may have been hardly known, and so may be the present.
        room_s = LEAST_CORRECTION_S + DRIFT * (now_ns - level.at_ns) * 1e-9 + 3.0 * moved[1]
        if abs(wrong_s) < min(room_s, MOST_ROOM_S):
            return None
        self._moved_s -= wrong_s
        return wrong_s

    def settle(self, now_ns: int) -> None:
        """Make the present offset the one that `moved` counts from."""
        self._counted_ns = now_ns
        self._moved_s = self._moved_sigma_s = 0.0
        offset = self.offset(now_ns)
        self.lead_s = 0.0 if offset is None else max(0.0, offset[0])
        self._forget_calm()

    def offset(self, now_ns: int) -> tuple[float, float] | None:
        """
        Return the clock's offset at a host time and its standard deviation, seconds.

        Counted from the smallest delay of the run; None before the first message.
        """
        least = self._one_way.least(now_ns)
        return None if least is None else (-least[0], least[1])

    def moved(self, now_ns: int) -> tuple[float, float] | None:
        """Return the movement since `settle` and its standard deviation; None until then."""
        line = self._one_way.line
        if self._counted_ns is None or line is None:
            return None
        crept_s, sigma_s = _crept(line, self._counted_ns, now_ns)
        return self._moved_s + crept_s, hypot(self._moved_sigma_s, sigma_s, line.level_sigma_s)

    def skew(self, now_ns: int) -> tuple[float, float] | None:
        """Return the skew and its standard deviation; None while it is hardly known."""
        line = self._one_way.line
        if line is None or line.course.slope_sigma > KNOWN_SKEW:
            return None
        return -line.course.slope_at(now_ns), line.course.slope_sigma_at(now_ns)

    def delay_shift(self, now_ns: int, delay_s: float) -> tuple[float, float] | None:
        """
        Return by how much a delay of ``delay_s`` now is above what is known to be ordinary.

        Seconds; known jumps of the host's clock are taken off. The second value is by how much
        this clock is thought to have stepped since. None where no calm level is known.
        """
        state = self._before or self._oldest_calm
        moved = self.moved(now_ns)
        if state is None or moved is None:
            return None
        grown_s = state.level.grown_s(now_ns)
        return (delay_s - state.level.level_s - grown_s - (self.host_s - state.host_s),
                moved[0] - (state.moved_s - grown_s))

    def _count_movement(self, line: DelayLine | None) -> None:
        """Count the movement up to where the present line begins, by the line before."""
        begin_ns = self._one_way.begin_ns
        if self._counted_ns is None or line is None or begin_ns is None \
                or begin_ns <= self._counted_ns:
            return
        crept_s, sigma_s = _crept(line, self._counted_ns, begin_ns)
        self._moved_s += crept_s
        self._moved_sigma_s += sigma_s
        self._counted_ns = begin_ns

    def _look_whether_calm(self, now_ns: int) -> None:
        """Keep the present state where nothing changes, every few seconds."""
        calm = self._calm
        if self._counted_ns is None or calm and now_ns - calm[-1].seen_ns < CALM_EVERY_NS:
            return
        if state := self._calm_state(now_ns, CALM_BLOCKS):
            calm.append(state)
        elif not calm and self._first_calm is None:
            self._first_calm = self._calm_state(now_ns, FIRST_BLOCKS)

    def _calm_state(self, now_ns: int, blocks: int) -> _State | None:
        """Return what is known at the level of so many half seconds, None where there is none."""
        level = calm_level(self._one_way, blocks)
        if level is None or self._counted_ns is None or \
                level.at_ns < self._counted_ns - CALM_EVERY_NS:
            return None
        moved = self.moved(level.at_ns)
        return None if moved is None else _State(now_ns, level, moved[0], self.host_s)

    def _forget_calm(self) -> None:
        self._calm.clear()
        self._first_calm = None

    @property
    def _oldest_calm(self) -> _State | None:
        return self._calm[0] if self._calm else self._first_calm

    def _remember(self, at_ns: int) -> None:
        """Keep what held before a change, unless it follows another that still stands."""
        self._changed_ns = at_ns
        self._back_since_ns = None
        self._laid_again = False
        if self._before is None:
            self._before = self._oldest_calm


def _crept(line: DelayLine, from_ns: int, to_ns: int) -> tuple[float, float]:
    """Return a clock's movement between host times by its rate alone, and the sigma, seconds."""
    most_s = FASTEST * abs(to_ns - from_ns) * 1e-9
    return (max(-most_s, min(most_s, -line.course.growth(from_ns, to_ns))),
            line.course.growth_sigma(from_ns, to_ns))
