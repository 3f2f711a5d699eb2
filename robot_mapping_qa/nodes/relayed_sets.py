# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Complete sets of serialized messages (picture, cloud and pose), formed by message_filters."""

from __future__ import annotations

from collections import Counter
import math
from typing import Any, Callable, Sequence

import message_filters
from robot_mapping_qa.nodes.relayed_topic import RelayedTopic

UNKNOWN_RATE_HZ = 200.0
"""A stream whose rate is not configured is taken for a fast one: a longer queue loses nothing."""

UNKNOWN_PERIOD_S = 1.0
"""For how long one is waited for, it is taken for a slow one."""


class Member:
    """
    A serialized message with the header that message_filters looks at.

    message_filters reads nothing but ``header.stamp``, so nothing else is taken out of the bytes.
    """

    __slots__ = ('header', 'data', 'topic', 'stamp_ns')

    def __init__(self, header: Any, data: bytes, topic: RelayedTopic, stamp_ns: int) -> None:
        """``header`` is a std_msgs/Header with the stamp ``stamp_ns``."""
        self.header = header
        self.data = data
        self.topic = topic
        self.stamp_ns = stamp_ns


class RelayedSets:
    """Forms sets with one message of each topic, their stamps less than ``slop_s`` apart."""

    def __init__(self, topics: Sequence[RelayedTopic], slop_s: float,
                 complete: Callable[..., None]) -> None:
        """``complete(*members)`` gets every set, in the order of ``topics``."""
        self._topics = tuple(topics)
        self._slop_s = slop_s
        self._complete = complete
        # The first member of a set may have to wait for the slowest to arrive.
        wait_s = max(topic.delay_limit_ns for topic in topics) * 1e-9 + slop_s
        fastest_hz = max(topic.rate_hz or UNKNOWN_RATE_HZ for topic in topics)
        self._queue_size = math.ceil(wait_s * fastest_hz) + 1
        self._wait_ns = round(wait_s * 1e9)
        slowest_s = max(1.0 / topic.rate_hz if topic.rate_hz else UNKNOWN_PERIOD_S
                        for topic in topics)
        self._patience_ns = round((wait_s + 2.0 * slowest_s) * 1e9)
        self.clear()

    def __contains__(self, topic: RelayedTopic) -> bool:
        """Return whether a topic's messages pass in sets only."""
        return topic in self._topics

    def clear(self) -> None:
        """Forget the messages that wait for a partner."""
        self._start_filter()
        self.wait_anew()

    def _start_filter(self) -> None:
        self._inputs = [message_filters.SimpleFilter() for _ in self._topics]
        synchronizer = message_filters.ApproximateTimeSynchronizer(
            self._inputs, self._queue_size, self._slop_s)
        synchronizer.registerCallback(self._tell)
        # The messages without a set yet, each with the time at which it came.
        self._kept: list[dict[Member, int]] = [{} for _ in self._topics]
        self._looked_ns: int | None = None

    def _forget_old(self, steady_ns: int) -> None:
        """
        Go on with the messages only that may still find their partners.

        message_filters keeps as many of each topic as it is told to keep of the fastest: of
        pictures, hundreds of megabytes.
        """
        before = self._kept
        self._start_filter()
        self._looked_ns = steady_ns
        for place, members in enumerate(before):
            for member, since_ns in members.items():
                if steady_ns - since_ns <= self._patience_ns:
                    self._put(place, member, since_ns)

    def _put(self, place: int, member: Member, since_ns: int) -> None:
        kept = self._kept[place]
        kept[member] = since_ns
        if len(kept) > self._queue_size:
            del kept[next(iter(kept))]
        self._inputs[place].signalMessage(member)

    def wait_anew(self) -> None:
        """Count from here on the messages that come while no set is complete."""
        self._waiting: Counter[str] = Counter()
        self._since_ns: int | None = None
        self._came = False

    def add(self, member: Member, steady_ns: int) -> None:
        """Take a message that may pass if its set becomes complete; by a clock nobody sets."""
        if self._since_ns is None:
            self._since_ns = steady_ns
        self._came = True
        self._waiting[member.topic.topic] += 1
        if self._looked_ns is None:
            self._looked_ns = steady_ns
        elif steady_ns - self._looked_ns >= self._wait_ns:
            self._forget_old(steady_ns)
        self._put(self._topics.index(member.topic), member, steady_ns)

    def trouble(self, steady_ns: int) -> str | None:
        """
        Say that messages came since the last call, and that no set has been complete for long.

        Long is the longest that a message may be late and two periods of the slowest stream.
        """
        came, self._came = self._came, False
        if not came or self._since_ns is None or steady_ns - self._since_ns < self._patience_ns:
            return None
        counts = ', '.join(
            f'{self._waiting[topic.topic]} on {topic.topic}' for topic in self._topics)
        return (f'no set complete for {(steady_ns - self._since_ns) * 1e-9:.0f} s: {counts}, '
                f'none with the stamps of all within {self._slop_s:g} s')

    def _tell(self, *members: Member) -> None:
        for kept, member in zip(self._kept, members):
            kept.pop(member, None)
        self.wait_anew()
        self._complete(*members)
