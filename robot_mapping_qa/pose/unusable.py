# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Messages, or parts of them, that nothing can be judged by: counted, and told."""

from __future__ import annotations

from collections import Counter

from robot_mapping_qa.pose.latch import ConditionLatch
from robot_mapping_qa.verdicts import Event, Severity


class UnusableMessages:
    """Counts them by stream over the whole run; ``latch`` keeps the conditions for a while."""

    def __init__(self, latch: ConditionLatch) -> None:
        self._latch = latch
        self._counts: Counter[str] = Counter()

    def add(self, stream: str, kind: str, text: str, severity: Severity, now_ns: int,
            hold_s: float) -> tuple[Event, ...]:
        """Hold the condition ``stream/kind``; return an event where it is new."""
        self._counts[stream] += 1
        if not self._latch.hold(f'{stream}/{kind}', text, severity, now_ns, hold_s):
            return ()
        return (Event('message_malformed', stream, now_ns, now_ns, text),)

    def figures(self) -> dict[str, float | None]:
        """Return their number, ``STREAM/unusable``, for each stream that had any."""
        return {f'{stream}/unusable': float(count) for stream, count in self._counts.items()}
