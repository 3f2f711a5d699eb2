# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Whether the host's time has leapt forward by minutes or years, such as when it is first set.

A computer that slept leaps as well, but its clock went on with the others: what was taken before
and received after that came late, and the messages after it do not.
"""

from __future__ import annotations

from robot_mapping_qa.restart import LEAP_NS

SURE_NS, SURE_MESSAGES = 500_000_000, 3
"""The delays of one stream must be longer for so long, and so many of them."""


class LeapWatch:
    """Watches the ticks, which stand still across a leap, and the delays of one stream."""

    __slots__ = ('_tick_ns', '_leapt', '_delay_ns', '_before_ns', '_since_ns', '_least_ns',
                 '_messages')

    def __init__(self) -> None:
        """Start without any tick or message."""
        self.restart()

    def restart(self) -> None:
        """Forget everything."""
        self._tick_ns: int | None = None
        self._leapt = False
        self._delay_ns: int | None = None
        # The delay before the leap that is looked into, and since when, by what least delay.
        self._before_ns: int | None = None
        self._since_ns = self._least_ns = self._messages = 0

    def tick(self, now_ns: int) -> None:
        """Look at the host time ``now_ns``."""
        if self._tick_ns is not None and now_ns - self._tick_ns > LEAP_NS:
            self._leapt = True
        self._tick_ns = now_ns

    def add(self, delay_ns: int, receive_ns: int) -> int:
        """Take receive time less stamp; return the size of a leap once it is sure, else 0."""
        tick_ns, last_ns = self._tick_ns, self._delay_ns
        self._delay_ns = delay_ns
        if self._leapt or tick_ns is not None and receive_ns - tick_ns > LEAP_NS:
            if self._before_ns is None:
                self._before_ns, self._least_ns = last_ns, delay_ns
                self._since_ns, self._messages = receive_ns, 0
            self._leapt = False
        if self._before_ns is None:
            return 0
        self._messages += 1
        self._least_ns = min(self._least_ns, delay_ns)
        size_ns = self._least_ns - self._before_ns
        if size_ns <= LEAP_NS:
            self._before_ns = None
            return 0
        sure = receive_ns - self._since_ns >= SURE_NS and self._messages >= SURE_MESSAGES
        return size_ns if sure else 0
