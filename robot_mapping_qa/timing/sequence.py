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
"""Messages looked back on for duplicates and for the extent of reordering."""


class StampSequence:
    """
    Counts over one stream, in order of arrival.

    ``reordered``: stamp below one that arrived earlier (RFC 4737 section 3.3: s < NextExp).
    ``largest_extent``: how many messages earlier the first one with a larger stamp arrived (RFC
    4737 section 4.2.1). ``duplicated``: stamp seen before; not counted as reordered (RFC 4737
    section 3.3 looks at the first copy only). ``backwards``: stamp below its predecessor's.
    ``lost``: stamps that the period leads one to expect and that did not come; one that comes
    late is taken off again (RFC 7680 section 2.3 lets a packet be late but not lost).
    ``gaps``: runs of lost stamps.
    """

    __slots__ = ('reordered', 'duplicated', 'lost', 'gaps', 'backwards', 'largest_extent',
                 '_largest', '_previous', '_arrived', '_seen')

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

    def add(self, stamp_ns: int, period_ns: float | None) -> None:
        """Count one message; without a period nothing counts as lost."""
        largest, previous = self._largest, self._previous
        if largest is None or stamp_ns > largest:
            if period_ns and largest is not None:
                interval_ns = stamp_ns - largest
                if interval_ns > 1.5 * period_ns:
                    self.lost += round(interval_ns / period_ns) - 1
                    self.gaps += 1
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
            if self.lost and period_ns:
                self.lost -= 1
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

    def _count_extent(self, stamp_ns: int) -> None:
        for place, earlier in enumerate(self._arrived):
            if earlier > stamp_ns:
                self.largest_extent = max(self.largest_extent, len(self._arrived) - place)
                return
