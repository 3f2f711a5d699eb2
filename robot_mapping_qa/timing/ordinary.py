# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What is ordinary for a stream: the grid that its stamps keep to, and its delays."""

from __future__ import annotations

from bisect import bisect_left
from collections import deque
from itertools import islice
from math import inf, nan
from operator import itemgetter, sub

LEARNED = 16
"""Fewest messages before anything is judged."""
LEARN_FROM = 128
"""Newest messages that are learned from."""
RECENT_NS = 4_000_000_000
"""The smallest delay is that of the last four seconds: a slewed clock moves it by 0.5 ms/s."""
SLEW = 0.0008
"""A slewed or badly set clock stretches the period by less than this share."""
GAP_NS, GAP_PERIODS = 1_000_000_000, 10
"""After a silence this long the grid is not known any more: the source may have restarted."""
ORDINARY = 0.1
"""A delay is ordinary when at least this share of the earlier ones was as long."""
FLOORS = 30
"""Smallest delays that are remembered, about a minute's: what falls back to where it was a minute
ago is the delay."""

Message = tuple[int, int]
"""Stamp and receive time, ns."""


class Ordinary:
    """
    Period, scatter and delays of a stream, learned from its latest messages.

    ``period_ns`` is that of the stamps (not a number while nothing is known of it),
    ``scatter_ns`` how widely their intervals scatter (robust standard deviation),
    ``tolerance_ns`` how far off the grid a stamp may lie, ``long_interval_ns`` what nine of ten
    intervals keep to. Delays are receive time less stamp: ``floor_ns`` is the smallest recent
    one, ``low_ns`` to ``high_ns`` the range of ordinary ones, ``room_ns`` how far the smallest
    delay wanders by itself, ``drought`` the most messages in a row without a delay within half a
    period of the smallest one.
    """

    def __init__(self, smallest_step_ns: float, period_ns: float | None) -> None:
        """Tell steps from ``smallest_step_ns`` on; ``period_ns`` is a first idea or None."""
        self._smallest_ns = smallest_step_ns
        self.period_ns = nan if period_ns is None else period_ns
        self.forget()

    def forget(self) -> None:
        """Start again, the period aside."""
        self.tolerance_ns = self.scatter_ns = self.room_ns = self.long_interval_ns = 0.0
        self.floor_ns = self.drought = 0
        self.low_ns = self.high_ns = 0.0
        self.gap_ns = float(GAP_NS)
        self._delays: list[int] = []
        self._floors: deque[Message] = deque(maxlen=FLOORS)

    def least_before(self, time_ns: int) -> float:
        """Return the smallest delay of the minute before a receive time, infinite if unknown."""
        return min((floor for learned_ns, floor in self._floors if learned_ns < time_ns),
                   default=inf)

    @property
    def irregular(self) -> bool:
        """Whether the stamps keep to no grid: intervals scatter by an eighth of the period."""
        return self.scatter_ns > self.period_ns / 8.0

    def learn(self, messages: list[Message]) -> bool:
        """Learn from messages in order of arrival; False where they are too few."""
        stamps = sorted({stamp for stamp, _ in messages[-LEARN_FROM:]})
        if len(stamps) < LEARNED // 2:
            return False
        intervals = list(map(sub, stamps[1:], stamps))
        ordered = sorted(intervals)
        period = float(ordered[len(ordered) // 2])
        self.long_interval_ns = float(ordered[int((1.0 - ORDINARY) * len(ordered))])
        total = periods = 0
        offs = []
        near = 0.25 * period
        for interval in intervals:
            off = abs(interval - period)
            if off < near:
                # Nearly all are: the plain case first, for its cost.
                offs.append(off)
                total += interval
                periods += 1
                continue
            count = round(interval / period) or 1
            off = abs(interval - count * period)
            offs.append(off)
            if off < near:
                total += interval
                periods += count
        if periods:
            period = total / periods
        offs.sort()
        self.period_ns = period
        self.gap_ns = max(GAP_NS, GAP_PERIODS * period)
        self.scatter_ns = 1.4826 * offs[len(offs) // 2]
        self.tolerance_ns = max(0.4 * self._smallest_ns, SLEW * period, 6.0 * self.scatter_ns,
                                1.5 * offs[int(0.9 * len(offs))])
        self.set_level(messages)
        self._floors.append((messages[-1][1], self.floor_ns))
        return True

    def set_level(self, messages: list[Message]) -> None:
        """Learn the delays alone."""
        after = messages[-1][1] - RECENT_NS
        start = min(bisect_left(messages, after, key=itemgetter(1)),
                    max(0, len(messages) - LEARNED))
        count = len(messages) - start
        delays = [receive - stamp for stamp, receive in messages[-max(count, LEARN_FROM):]]
        recent = delays[-count:]
        self.floor_ns = min(recent)
        self.drought = longest_run(recent, self.floor_ns + 0.5 * self.period_ns)
        delays.sort()
        self._delays = delays
        self.room_ns = max(0.4 * self._smallest_ns,
                           0.25 * (delays[len(delays) // 2] - delays[0]))
        self.low_ns = self.floor_ns - self.room_ns
        self.high_ns = delays[int((1.0 - ORDINARY) * len(delays))]

    def set_new_level(self, messages: list[Message]) -> None:
        """Learn the delays alone, and forget those before: the source or the way is another."""
        self.set_level(messages)
        self._floors.clear()
        self._floors.append((messages[-1][1], self.floor_ns))

    def lower_floor(self, delay_ns: int) -> None:
        """Take note of a delay a little below the smallest one."""
        self.floor_ns = delay_ns
        self.low_ns = delay_ns - self.room_ns

    def step(self, size_ns: int) -> None:
        """Take note that the clock jumped forward by ``size_ns``."""
        self.floor_ns -= size_ns
        self.low_ns -= size_ns
        self.high_ns -= size_ns
        self._delays = [delay - size_ns for delay in self._delays]
        self._floors = deque(((learned_ns, floor - size_ns)
                              for learned_ns, floor in self._floors), FLOORS)

    def floor_moved(self, messages: deque[Message]) -> bool:
        """Whether the newest messages' smallest delay may have moved: cheap, and never misses."""
        newest = islice(reversed(messages), max(LEARNED // 2, int(0.4e9 / self.period_ns)))
        least = min([receive - stamp for stamp, receive in newest])
        room = 0.7 * self._smallest_ns
        return least > self.floor_ns + room or least < max(
            self._floors[-1][1], self._floors[max(-2, -len(self._floors))][1]) - room

    def chance(self, excess_ns: float, count: int = 1) -> float:
        """Return the chance that ``count`` ordinary delays all exceed the floor by this much."""
        if excess_ns < -self.room_ns:
            return 0.0
        delays = self._delays
        beyond = len(delays) - bisect_left(delays, self.floor_ns + excess_ns)
        return ((beyond + 1) / (len(delays) + 1)) ** min(count, 60)

    def fits(self, interval_ns: int, periods: int) -> bool:
        """Whether an interval of so many periods keeps to the grid, of a slewed clock as well."""
        room = self.tolerance_ns + SLEW * self.period_ns * abs(periods - 1)
        return abs(interval_ns - periods * self.period_ns) <= room

    def grid_room(self, distance_ns: float) -> float:
        """Return how far off the grid a stamp may lie that far from the last known ones."""
        return self.tolerance_ns + 0.5 * SLEW * max(
            0.0, abs(distance_ns) - 2.0 * self.period_ns)

    def off_grid(self, distance_ns: float) -> float:
        """Return how far from the nearest grid point a stamp lies, signed."""
        return distance_ns - round(distance_ns / self.period_ns) * self.period_ns


def longest_run(values: list[int], limit: float) -> int:
    """Return how many values in a row exceed a limit at most."""
    longest = since = 0
    for value in values:
        if value > limit:
            since += 1
            if since > longest:
                longest = since
        else:
            since = 0
    return longest
