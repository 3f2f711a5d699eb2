# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Approximate-time sets across streams: which messages belong together, and how many do."""

from __future__ import annotations

from array import array
from bisect import bisect_left, bisect_right, insort
from collections import deque
from dataclasses import dataclass
from math import ceil
from typing import Any, Iterable, Iterator, Sequence

import numpy as np
from robot_mapping_qa.restart import RESTART_NS

SET_ROLES = ('pose', 'capture', 'geometry')
"""Roles of the streams whose messages belong together: picture, cloud and pose."""

SET_QUEUE, SET_WAIT_S = 100, 1.0
"""Messages of a stream that wait for their set: so many, and a second of the fastest stream."""

DISTANCES_KEPT = 200
"""Distances of each pair whose median is taken: more would not move it."""


def set_queue(rates_hz: Iterable[float | None]) -> int:
    """Return how many messages of each stream wait for their set, by the rates as far as known."""
    return max([SET_QUEUE, *(ceil(SET_WAIT_S * rate_hz) for rate_hz in rates_hz if rate_hz)])


class ApproximateTimeMatcher:
    """
    Form the same sets as the Python ApproximateTimeSynchronizer of message_filters.

    The rule (message_filters, ``ApproximateTimeSynchronizer.add``; unchanged from ROS 2 Foxy to
    Rolling): each stream keeps its ``queue_size`` newest stamps; a message with a stamp already
    held replaces the one held. A new message forms a set with one message of every other
    stream if all their stamps lie within less than ``slop_ns`` of each other. Among the
    possible sets the first in lexicographic order is taken: streams in index order, each
    stream's stamps by distance from the new one, equal distances by arrival. The messages of a
    set leave the queues; older ones stay and may still form a later set.

    The rule as written tries every combination of stamps near the new one. Two facts make that
    unnecessary. A set that contains the new stamp needs from every other stream only the
    nearest stamp before or the nearest after it: anything farther on the same side makes the
    spread larger and comes later in the order. And whether a choice can still be completed is
    the question whether some window of length ``slop_ns`` around the new stamp holds all
    choices and a stamp of every remaining stream; the starts of such windows are a few
    intervals, found once. The cost of a message is therefore O(n log n + n log q) for n streams
    and queues of q.
    """

    def __init__(self, stream_count: int, queue_size: int, slop_ns: int) -> None:
        """
        Prepare empty queues.

        Raises ValueError if ``stream_count`` or ``queue_size`` is below 1, or ``slop_ns`` is
        not positive (stamps must differ by less than it, so zero could never form a set).
        """
        if stream_count < 1:
            raise ValueError(f'stream_count is {stream_count}, expected 1 or more')
        if queue_size < 1:
            raise ValueError(f'queue_size is {queue_size}, expected 1 or more')
        if slop_ns < 1:
            raise ValueError(f'slop_ns is {slop_ns}, expected a positive number of nanoseconds')
        self._queue_size = queue_size
        self._slop_ns = slop_ns
        self._arrivals = 0
        self._stamps: list[list[int]] = [[] for _ in range(stream_count)]
        # stamp -> (arrival number, item); the number decides between equal distances
        self._held: list[dict[int, tuple[int, Any]]] = [{} for _ in range(stream_count)]

    @property
    def stream_count(self) -> int:
        """The number of streams in a set."""
        return len(self._stamps)

    def add(self, stream_index: int, stamp_ns: int, item: Any) -> list[tuple]:
        """
        Take one message and return the sets that it completes: none or one.

        A set is a tuple with the items of its messages in the order of the streams.
        ``stream_index`` counts from 0; IndexError if there is no such stream.
        """
        if not 0 <= stream_index < len(self._stamps):
            raise IndexError(
                f'stream_index is {stream_index}, expected 0 to {len(self._stamps) - 1}')
        if not self._hold(stream_index, stamp_ns, item):
            return []
        chosen = self._choose(stream_index, stamp_ns)
        if chosen is None:
            return []
        items = []
        for stamps, held, stamp in zip(self._stamps, self._held, chosen):
            items.append(held.pop(stamp)[1])
            del stamps[bisect_left(stamps, stamp)]
        return [tuple(items)]

    def clear(self, stream_index: int) -> None:
        """Let go of the messages of a stream that wait."""
        self._stamps[stream_index].clear()
        self._held[stream_index].clear()

    def distances_ns(self, stream_index: int, stamp_ns: int) -> Iterator[tuple[int, int]]:
        """Yield each other stream that waits, with how far its nearest stamp lies."""
        for index, stamps in enumerate(self._stamps):
            if index != stream_index and stamps:
                position = bisect_left(stamps, stamp_ns)
                yield index, min(abs(stamp - stamp_ns)
                                 for stamp in stamps[max(0, position - 1):position + 1])

    def _hold(self, stream_index: int, stamp_ns: int, item: Any) -> bool:
        """Put the message in its queue; False if it is older than all of a full queue."""
        stamps, held = self._stamps[stream_index], self._held[stream_index]
        known = held.get(stamp_ns)
        if known is not None:
            held[stamp_ns] = (known[0], item)
            return True
        self._arrivals += 1
        held[stamp_ns] = (self._arrivals, item)
        insort(stamps, stamp_ns)
        if len(stamps) <= self._queue_size:
            return True
        oldest = stamps.pop(0)
        del held[oldest]
        return oldest != stamp_ns

    def _choose(self, stream_index: int, stamp_ns: int) -> list[int] | None:
        """Return the stamps of the set completed by ``stamp_ns``, or None."""
        slop = self._slop_ns
        earliest, latest = stamp_ns - slop, stamp_ns + slop
        nearest: list[int] = []
        pairs: list[tuple[int, int]] = []
        for index, stamps in enumerate(self._stamps):
            if index == stream_index:
                nearest.append(stamp_ns)
                pairs.append((stamp_ns, stamp_ns))
                continue
            # A side without a stamp gets one just out of reach, so both sides are alike below.
            before, after = earliest, latest
            position = bisect_left(stamps, stamp_ns)
            if position < len(stamps) and stamps[position] < latest:
                after = stamps[position]
            if after == stamp_ns:
                before = after
            elif position and stamps[position - 1] > earliest:
                before = stamps[position - 1]
            if before == earliest and after == latest:
                return None
            pairs.append((before, after))
            nearest.append(self._nearest(index, stamp_ns, before, after))
        if max(nearest) - min(nearest) < slop:
            return nearest
        return _first_within(pairs, nearest, stamp_ns, slop)

    def _nearest(self, index: int, stamp_ns: int, before: int, after: int) -> int:
        to_before, to_after = stamp_ns - before, after - stamp_ns
        if to_before != to_after or before == after:
            return before if to_before < to_after else after
        held = self._held[index]
        return before if held[before][0] < held[after][0] else after


def _first_within(
        pairs: list[tuple[int, int]], nearest: list[int], stamp_ns: int,
        slop: int) -> list[int] | None:
    """
    Choose one stamp of each pair so that all lie within less than ``slop``.

    ``pairs`` holds the stamps before and after ``stamp_ns`` of each stream, ``nearest`` the
    preferred one of each. Returns the first possible choice in lexicographic order of
    preference, or None.
    """
    # Windows [start, start + slop - 1] that hold stamp_ns start in [stamp_ns - slop + 1,
    # stamp_ns]. Stream by stream, those that start after `before` and end ahead of `after`
    # miss that stream: a hole in the range of starts. What is left between the holes works.
    starts: list[int] = []
    ends: list[int] = []
    cursor = stamp_ns - slop + 1
    for before, after in sorted(pairs):
        if before + 1 > after - slop:
            continue
        if before >= cursor:
            starts.append(cursor)
            ends.append(before)
        cursor = max(cursor, after - slop + 1)
    if cursor <= stamp_ns:
        starts.append(cursor)
        ends.append(stamp_ns)
    if not starts:
        return None

    low, high = stamp_ns - slop + 1, stamp_ns
    chosen = []
    for (before, after), preferred in zip(pairs, nearest):
        other = after if preferred == before else before
        for stamp in (preferred, other):
            new_low, new_high = max(low, stamp - slop + 1), min(high, stamp)
            position = bisect_right(starts, new_high) - 1
            if position >= 0 and ends[position] >= new_low:
                break
        low, high = new_low, new_high
        chosen.append(stamp)
    return chosen


@dataclass(frozen=True, slots=True)
class SetSummary:
    """
    Figures of the sets in the window; None where no set or message is there to tell.

    ``yield_fraction`` is the number of sets divided by the number of messages of
    ``slowest_stream``, the stream with the fewest messages: 1.0 is the most there could be.
    ``spread_*_s`` describe the latest minus the earliest stamp of a set, ``waiting_*_s`` the
    time from the receipt of a set's first message to the receipt of the message that
    completed it. p50 and p95 are percentiles with linear interpolation. ``apart`` names, while
    no set has formed, the pairs of streams whose stamps lie ``slop_s`` or more from each other:
    both numbers and the median distance in seconds.
    """

    sets: int
    messages: tuple[int, ...]
    yield_fraction: float | None
    slowest_stream: int | None
    spread_p50_s: float | None
    spread_p95_s: float | None
    waiting_p50_s: float | None
    waiting_p95_s: float | None
    slop_s: float
    apart: tuple[tuple[int, int, float], ...] = ()


class SetStatistics:
    """
    Yield, spread and waiting time of approximate-time sets across streams.

    The figures describe the last ``window`` sets and the messages received since the set just
    before them, so memory is bounded and a stream that stops shows within one window. None
    as ``window`` keeps the figures of every set, for a recording that is read once.
    """

    def __init__(
            self, stream_count: int, queue_size: int, slop_ns: int,
            window: int | None = 1000) -> None:
        """
        Prepare for ``stream_count`` streams.

        Raises ValueError for ``window`` below 1, and as `ApproximateTimeMatcher` does.
        """
        if window is not None and window < 1:
            raise ValueError(f'window is {window}, expected 1 or more sets, or None for all')
        self._matcher = ApproximateTimeMatcher(stream_count, queue_size, slop_ns)
        self._window = window
        self._messages = [0] * stream_count
        self._newest_ns: list[int | None] = [None] * stream_count
        # One entry a set; of a whole recording numbers alone, 16 bytes.
        self._spreads_ns, self._waits_ns = _numbers(window), _numbers(window)
        # Messages of each stream up to each set of the window.
        self._counts: deque[tuple[int, ...]] = deque()
        self._messages_before = (0,) * stream_count
        self._slop_s = slop_ns * 1e-9
        # How far each stream's messages lie from the nearest of another that came before; until
        # the first set.
        self._distances_s: dict[tuple[int, int], list[float]] | None = {}

    def add(self, stream_index: int, stamp_ns: int, receive_ns: int) -> None:
        """Take one message, in the order of receipt; IndexError if there is no such stream."""
        newest_ns = self._newest_ns[stream_index]
        if newest_ns is not None and stamp_ns < newest_ns - RESTART_NS:
            # A queue full of later stamps would let none of the new ones in.
            self._matcher.clear(stream_index)
        self._newest_ns[stream_index] = stamp_ns
        completed = self._matcher.add(stream_index, stamp_ns, (stamp_ns, receive_ns))
        self._messages[stream_index] += 1
        if completed:
            self._distances_s = None
        elif self._distances_s is not None:
            for other, distance_ns in self._matcher.distances_ns(stream_index, stamp_ns):
                known = self._distances_s.setdefault((stream_index, other), [])
                if len(known) < DISTANCES_KEPT:
                    known.append(distance_ns * 1e-9)
        for members in completed:
            stamps = [stamp for stamp, _ in members]
            first_received = min(received for _, received in members)
            self._spreads_ns.append(max(stamps) - min(stamps))
            self._waits_ns.append(receive_ns - first_received)
            if self._window is not None:
                self._counts.append(tuple(self._messages))
                if len(self._counts) > self._window:
                    self._messages_before = self._counts.popleft()

    def summary(self) -> SetSummary:
        """Return the figures of the present window."""
        messages = tuple(
            now - before for now, before in zip(self._messages, self._messages_before))
        fewest = min(messages)
        yield_fraction = slowest = None
        if max(messages) > 0:
            slowest = messages.index(fewest)
            # The window's first sets may use messages from before it: never above 1.
            yield_fraction = min(1.0, len(self._spreads_ns) / fewest) if fewest else 0.0
        spread: tuple[float | None, float | None] = (None, None)
        waiting = spread
        if self._spreads_ns:
            spread, waiting = _percentiles_s(self._spreads_ns), _percentiles_s(self._waits_ns)
        return SetSummary(
            len(self._spreads_ns), messages, yield_fraction, slowest, *spread, *waiting,
            self._slop_s, self._apart())

    def _apart(self) -> tuple[tuple[int, int, float], ...]:
        medians = {pair: float(np.median(values))
                   for pair, values in (self._distances_s or {}).items()}
        # Which of two comes first is chance: the nearer way round tells how far they lie apart.
        nearest = {(min(pair), max(pair)): min(median_s, medians.get(pair[::-1], median_s))
                   for pair, median_s in medians.items()}
        return tuple((*pair, distance_s) for pair, distance_s in sorted(nearest.items())
                     if distance_s >= self._slop_s)


def apart_sentences(names: Sequence[str], summary: SetSummary) -> list[str]:
    """Return for each pair of streams that lie too far apart for a set what to do about it."""
    return [f'{names[one]} and {names[other]} lie {_duration(distance_s)} apart (slop '
            f'{_duration(summary.slop_s)}): trigger them together or raise timing.set_slop_s'
            for one, other, distance_s in summary.apart]


def _duration(seconds: float) -> str:
    return f'{seconds * 1e3:.0f} ms' if seconds < 10.0 else f'{seconds:.0f} s'


def _numbers(window: int | None) -> array[int] | deque[int]:
    return array('q') if window is None else deque(maxlen=window)


def _percentiles_s(durations_ns: Iterable[int]) -> tuple[float, float]:
    p50, p95 = np.percentile(np.fromiter(durations_ns, dtype=float), (50, 95)) * 1e-9
    return float(p50), float(p95)
