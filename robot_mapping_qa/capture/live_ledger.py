# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The ledger as it goes: what a capture is worth now, and again when that changes."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
import heapq
from typing import Mapping

from robot_mapping_qa.capture.ledger import Capture, Entry, Ledger, LONGEST_EXTRAPOLATION_NS
from robot_mapping_qa.capture.view import View

PATIENCE_NS = 1_000_000_000
"""A capture whose pose has not come by then gets its row without one."""

LOOK_BACK_NS = 120_000_000_000
"""Captures older than this keep their verdict unless their hold still goes on: no onset lies
further back than a clock's drift takes to show."""

_HOLDS_KEPT = 200


@dataclass(slots=True)
class ToldHold:
    """A hold as the gate tells of it; None as ``released_ns`` while it goes on."""

    onset_ns: int
    closed_ns: int
    released_ns: int | None
    reasons: tuple[str, ...]


class LiveLedger(Ledger):
    """
    A ledger that hands out rows while the run goes on.

    `take_news` gives each capture as soon as its pose is known, and gives it again when a hold
    that is told later changes its verdict, or its hold is over and the reasons are final.
    """

    def __init__(self, point_error_limit_m: float, views: Mapping[str, View],
                 longest_gap_s: float) -> None:
        """Prepare as `Ledger` does; until a gate is heard everything counts as held."""
        super().__init__(point_error_limit_m, views, longest_gap_s)
        self._holds: deque[ToldHold] = deque(maxlen=_HOLDS_KEPT)
        self._told: list[tuple[Entry, Capture]] = []
        self._changed = False
        self._last: ToldHold | None = None
        self._unheard: ToldHold | None = ToldHold(0, 0, None, ('no gate was heard',))
        self._holds.append(self._unheard)

    def tell_hold(self, onset_ns: int, closed_ns: int, released_ns: int | None,
                  reasons: tuple[str, ...], now_ns: int) -> None:
        """Take what the gate says at ``now_ns`` of its present or last hold."""
        last = self._last
        if last is not None and closed_ns < last.closed_ns:
            # Time has started again: what was known of it says nothing about the new one.
            self._holds.clear()
            self._told.clear()
            self._unheard = last = None
        if self._unheard is not None:
            # It ends with the first hold that is told after it, or with this word.
            new = last is None or closed_ns != last.closed_ns
            self._unheard.released_ns = min(closed_ns, now_ns) if new else now_ns
            self._unheard = None
            self._changed = True
        if last is None or closed_ns != last.closed_ns:
            self._last = ToldHold(onset_ns, closed_ns, released_ns, reasons)
            self._holds.append(self._last)
            self._changed = True
        elif (onset_ns, released_ns) != (last.onset_ns, last.released_ns):
            last.onset_ns, last.released_ns, last.reasons = onset_ns, released_ns, reasons
            self._changed = True

    def lose_gate(self, since_ns: int) -> None:
        """Take note that the gate has not been heard since then: that is a hold, too."""
        if self._unheard is None:
            self._unheard = ToldHold(since_ns, since_ns, None, ('the gate fell silent',))
            self._holds.append(self._unheard)
            self._changed = True

    def take_news(self, now_ns: int, at_end: bool = False) -> list[Capture]:
        """Return captures that are new or have another verdict than before, oldest first."""
        while self._waiting and (
                at_end or now_ns - self._waiting[0].receive_ns > PATIENCE_NS):
            self._place(heapq.heappop(self._waiting), LONGEST_EXTRAPOLATION_NS)
        self._solve()
        waiting = {id(entry) for entry in self._waiting}
        fresh = [entry for entry in self._entries if id(entry) not in waiting]
        self._entries = [entry for entry in self._entries if id(entry) in waiting]
        news = []
        if self._changed:
            self._changed = False
            entries = [entry for entry, _ in self._told]
            again = self.judge(entries, self._holds)
            news = [now for (_, before), now in zip(self._told, again) if now != before]
            self._told = list(zip(entries, again))
        captures = self.judge(fresh, self._holds)
        self._told += zip(fresh, captures)
        oldest_ns = now_ns - LOOK_BACK_NS
        for hold in self._holds:
            if hold.released_ns is None:
                oldest_ns = min(oldest_ns, hold.onset_ns)
        self._told = [each for each in self._told if each[0].receive_ns >= oldest_ns]
        return news + captures
