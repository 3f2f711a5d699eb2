# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Conditions that outlive the message that carried them, so that no verdict misses one."""

from __future__ import annotations

from dataclasses import replace

from robot_mapping_qa.verdicts import Condition, Severity


class ConditionLatch:
    """Keeps each condition until its time is over or it is cleared."""

    def __init__(self) -> None:
        self._held: dict[str, tuple[Condition, int]] = {}

    def hold(self, key: str, text: str, severity: Severity, now_ns: int,
             hold_s: float, begun_ns: int | None = None) -> bool:
        """
        Set a condition for ``hold_s``, or prolong it; return whether it is new.

        Its onset is ``begun_ns``, or now; that of a prolonged one stays that of its first time.
        """
        before = self._held.get(key)
        is_new = before is None or before[1] < now_ns
        onset_ns = before[0].onset_ns if before is not None and not is_new else (
            now_ns if begun_ns is None else begun_ns)
        self._held[key] = (
            Condition(key, text, severity, onset_ns, seen_ns=now_ns),
            now_ns + round(hold_s * 1e9))
        return is_new

    def set_back(self, by_ns: int) -> None:
        """Go on after host time was set back."""
        self._held = {
            key: (replace(condition, onset_ns=condition.onset_ns - by_ns,
                          seen_ns=None if condition.seen_ns is None
                          else condition.seen_ns - by_ns), until_ns - by_ns)
            for key, (condition, until_ns) in self._held.items()}

    def clear(self, key: str | None = None) -> None:
        """Drop one condition, or all of them."""
        if key is None:
            self._held.clear()
        else:
            self._held.pop(key, None)

    def current(self, now_ns: int) -> list[Condition]:
        """Return the conditions that hold at ``now_ns`` and forget those that are over."""
        over = [key for key, (_, until_ns) in self._held.items() if until_ns < now_ns]
        for key in over:
            del self._held[key]
        return [condition for condition, _ in self._held.values()]
