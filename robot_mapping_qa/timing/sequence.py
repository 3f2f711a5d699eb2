# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Loss, duplication and reordering, told from stamps.

A ROS 2 message carries no sequence number. Its stamp takes that place: a stream with a period
numbers its messages by stamp / period. The definitions are those of RFC 4737 (reordering) and
RFC 7680 (loss).
"""

from __future__ import annotations

from collections import deque

REMEMBERED = 256
"""Messages looked back on for duplicates, for the extent of reordering and for what was lost."""


class _Gap:
    """Stamps that did not come after ``start_ns``: ``count`` of them, ``spacing_ns`` apart."""

    __slots__ = ('start_ns', 'spacing_ns', 'count', 'until', 'filled')

    def __init__(self, start_ns: int, spacing_ns: float, count: int, until: int) -> None:
        """Begin with nothing filled; ``until`` is the message at which it is forgotten."""
        self.start_ns, self.spacing_ns, self.count, self.until = start_ns, spacing_ns, count, until
        self.filled: set[int] = set()

    def fill(self, stamp_ns: int) -> int | None:
        """
        Take a late stamp; None unless it is one of those that were missing.

        Otherwise the change in the number of runs of missing stamps.
        """
        slot = round((stamp_ns - self.start_ns) / self.spacing_ns)
        if not self._misses(slot):
            return None
        self.filled.add(slot)
        return self._misses(slot - 1) + self._misses(slot + 1) - 1

    def _misses(self, slot: int) -> bool:
        return 1 <= slot <= self.count and slot not in self.filled


class StampSequence:
    """
    Counts over one stream, in order of arrival.

    ``reordered``: stamp below one that arrived earlier (RFC 4737 section 3.3: s < NextExp).
    ``largest_extent``: how many messages earlier the first one with a larger stamp arrived (RFC
    4737 section 4.2.1). ``duplicated``: stamp seen before; not counted as reordered (RFC 4737
    section 3.3 looks at the first copy only). ``backwards``: stamp below its predecessor's.
    ``lost``: stamps that the period leads one to expect and that did not come; one that comes
    late is taken off again (RFC 7680 section 2.3 lets a packet be late but not lost).
    ``gaps``: runs of lost stamps. What comes more than `REMEMBERED` messages late is reordered
    and nothing else: whether it is a second copy, or was lost, is not known any more.
    """

    __slots__ = ('reordered', 'duplicated', 'lost', 'gaps', 'backwards', 'largest_extent',
                 '_largest', '_previous', '_arrived', '_seen', '_open', '_added')

    def __init__(self) -> None:
        """Start empty."""
        self.reordered = self.duplicated = self.lost = self.gaps = self.backwards = 0
        self.largest_extent = 0
        self.restart()

    def restart(self) -> None:
        """Forget the stamps but keep the counts: the next message begins a new sequence."""
        self._largest: int | None = None
        self._previous: int | None = None
        self._arrived: deque[int] = deque(maxlen=REMEMBERED)
        self._seen: set[int] = set()
        self._open: deque[_Gap] = deque()
        self._added = 0

    def add(self, stamp_ns: int, period_ns: float | None) -> None:
        """Count one message; without a period nothing counts as lost."""
        largest, previous = self._largest, self._previous
        self._added += 1
        if self._open and self._open[0].until < self._added:
            self._open.popleft()
        if largest is None or stamp_ns > largest:
            if period_ns and largest is not None:
                interval_ns = stamp_ns - largest
                if interval_ns > 1.5 * period_ns:
                    count = round(interval_ns / period_ns) - 1
                    self.lost += count
                    self.gaps += 1
                    self._open.append(_Gap(largest, interval_ns / (count + 1), count,
                                           self._added + REMEMBERED))
            self._largest = stamp_ns
        elif stamp_ns in self._seen:
            self.duplicated += 1
            if previous is not None and stamp_ns < previous:
                self.backwards += 1
            self._previous = stamp_ns
            return
        else:
            self.reordered += 1
            self._count_extent(stamp_ns)
            self._take_off_loss(stamp_ns)
            if previous is not None and stamp_ns < previous:
                self.backwards += 1
        self._previous = stamp_ns
        arrived = self._arrived
        if len(arrived) == REMEMBERED:
            self._seen.discard(arrived[0])
        arrived.append(stamp_ns)
        self._seen.add(stamp_ns)

    def skip(self, stamp_ns: int) -> None:
        """Go on from a stamp without counting what is missing before it: the stream was silent."""
        if self._largest is None or stamp_ns > self._largest:
            self._largest = stamp_ns

    def _take_off_loss(self, stamp_ns: int) -> None:
        """Count a late stamp as not lost, if it was missing."""
        for gap in self._open:
            change = gap.fill(stamp_ns)
            if change is not None:
                self.lost -= 1
                self.gaps += change
                return

    def _count_extent(self, stamp_ns: int) -> None:
        for place, earlier in enumerate(self._arrived):
            if earlier > stamp_ns:
                self.largest_extent = max(self.largest_extent, len(self._arrived) - place)
                return
