# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The ledger as it goes: what a capture is worth now, and again when that changes."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace
import heapq
from typing import Mapping, Sequence

from robot_mapping_qa.capture.holds import SO_FAR, UNTIL_THE_END
from robot_mapping_qa.capture.ledger import Capture, Entry, Ledger, LONGEST_EXTRAPOLATION_NS
from robot_mapping_qa.capture.moments import Course, merged, Moments
from robot_mapping_qa.capture.time_error import TimeError
from robot_mapping_qa.capture.view import View

PATIENCE_NS = 1_000_000_000
"""A capture whose pose has not come by then gets its row without one."""

LOOK_BACK_NS = 120_000_000_000
"""Captures older than this keep their verdict: no onset lies further back than a clock's drift
takes to show."""

MOST_AT_ONCE = 1000
"""So many captures are judged anew in one call: some 40 ms of a computer."""

_HOLDS_KEPT = 200


@dataclass(slots=True)
class ToldHold:
    """
    A hold as the gate tells of it; None as ``released_ns`` while it goes on.

    ``courses`` are its causes over time; without them the reasons count for all of it.
    ``outlived`` once it lasted longer than what the ledger remembers.
    """

    onset_ns: int
    closed_ns: int
    released_ns: int | None
    reasons: tuple[str, ...]
    unit: str = ''
    courses: Mapping[str, Course] = field(default_factory=dict)
    outlived: bool = False

    @property
    def moments(self) -> Moments:
        """What held the gate when."""
        return Moments(self.courses or {
            f'told/{number}': Course(text, ((0, None),))
            for number, text in enumerate(self.reasons)}, self.unit)


class LiveLedger(Ledger):
    """
    A ledger that hands out rows while the run goes on.

    `take_news` gives each capture as soon as its pose is known, and gives it again when a hold
    that is told later changes its verdict, or its hold is over and the reasons are final. Those
    of a hold that lasted longer than `LOOK_BACK_NS` are not remembered so long: whoever has
    written them brings them back to `judge_again` once `wants_rows_back` says so.
    """

    def __init__(self, point_error_limit_m: float, views: Mapping[str, View],
                 longest_gap_s: float, unit: str = '') -> None:
        """
        Prepare as `Ledger` does; until a gate is heard everything counts as held.

        ``unit`` is the name of the pose stream.
        """
        super().__init__(point_error_limit_m, views, longest_gap_s)
        self._unit = unit
        self._holds: deque[ToldHold] = deque(maxlen=_HOLDS_KEPT)
        self._told: list[tuple[Entry, Capture]] = []
        self._to_judge: deque[tuple[Entry, Capture]] = deque()
        self._rows_back = False
        self._last: ToldHold | None = None
        self._unheard: ToldHold | None = ToldHold(0, 0, None, ('no gate was heard',))
        self._holds.append(self._unheard)

    def tell_hold(self, onset_ns: int, closed_ns: int, released_ns: int | None,
                  reasons: tuple[str, ...], now_ns: int,
                  courses: Mapping[str, Course] = {}) -> None:
        """
        Take what the gate says at ``now_ns`` of its present or last hold.

        ``courses`` are the newest spans of each cause by key, at least those since the last call.
        """
        last = self._last
        if last is not None and closed_ns < last.closed_ns:
            # Time has started again: what was known of it says nothing about the new one.
            self._holds.clear()
            self._told.clear()
            self._to_judge.clear()
            self._unheard = last = None
        if self._unheard is not None:
            # It ends with the first hold that is told after it, or with this word.
            new = last is None or closed_ns != last.closed_ns
            self._unheard.released_ns = min(closed_ns, now_ns) if new else now_ns
            self._unheard = None
            self._doubt_all()
        if last is None or closed_ns != last.closed_ns:
            if last is not None and last.released_ns is None:
                # The gate that told of it has ended without a word: held till the next one closed.
                last.released_ns = closed_ns
                self._rows_back |= last.outlived
            self._last = ToldHold(
                onset_ns, closed_ns, released_ns, reasons, self._unit, courses)
            self._holds.append(self._last)
            self._doubt_all()
            return
        last.reasons, last.courses = reasons, merged(last.courses, courses)
        if (onset_ns, released_ns) != (last.onset_ns, last.released_ns):
            last.onset_ns, last.released_ns = onset_ns, released_ns
            self._rows_back |= last.outlived and released_ns is not None
            self._doubt_all()

    def lose_gate(self, since_ns: int) -> None:
        """Take note that the gate has not been heard since then: that is a hold, too."""
        if self._unheard is None:
            self._unheard = ToldHold(since_ns, since_ns, None, ('the gate fell silent',))
            self._holds.append(self._unheard)
            self._doubt_all()

    def go_on(self, numbers: Mapping[str, int], captures: Sequence[Capture],
              now_ns: int) -> None:
        """
        Go on at ``now_ns`` with a ledger whose streams have come to ``numbers``.

        ``captures`` are those of the last `LOOK_BACK_NS` in the order of their rows. What an
        earlier process heard of the gate is in their verdicts; what is told from now on may add
        to them.
        """
        # The numbers go on: a row must not be taken for a correction of an older one.
        self.counts |= {name: numbers.get(name, 0) for name in self.counts}
        self._told += [(self._entry_of(capture), capture) for capture in captures
                       if capture.stream in self.counts]
        if self._unheard is not None:
            self._unheard.onset_ns = self._unheard.closed_ns = now_ns

    def judge_again(self, captures: Sequence[Capture]) -> list[Capture]:
        """Return those of the captures, as they were written, that are judged otherwise now."""
        return _changed(captures, self.judge(list(map(self._entry_of, captures)), self._holds))

    def known_holds(self) -> tuple[ToldHold, ...]:
        """Return the holds that are remembered, as they read at the end of the run."""
        return tuple(replace(hold, reasons=tuple(
            reason.replace(SO_FAR, UNTIL_THE_END) for reason in hold.reasons))
            for hold in self._holds)

    @property
    def is_held(self) -> bool:
        """Whether a hold goes on, or no gate is heard."""
        return any(hold.released_ns is None for hold in self._holds)

    def wants_rows_back(self) -> bool:
        """Return once whether a hold is over of which not all captures are remembered."""
        wanted, self._rows_back = self._rows_back, False
        return wanted

    def _doubt_all(self) -> None:
        """Have what is remembered judged anew, the oldest first."""
        self._to_judge.extend(self._told)
        self._told = []

    def _entry_of(self, capture: Capture) -> Entry:
        """Return a capture that was read back, as far as a row tells of it."""
        return Entry(
            capture.stream, capture.number, capture.stamp_ns, capture.receive_ns,
            None if capture.time_error_s is None else TimeError(0.0, capture.time_error_s),
            capture.position_m, capture.quaternion, capture.path_m, capture.sigma_position_m,
            capture.sigma_rotation_rad,
            None if capture.point_error_m is None else self._configured_views.get(capture.stream),
            capture.point_error_m, capture.shares, written=capture)

    def take_news(self, now_ns: int, at_end: bool = False) -> list[Capture]:
        """
        Return captures that are new or have another verdict than before.

        At most `MOST_AT_ONCE` of those that are judged anew, unless ``at_end``; the others come
        with the next calls.
        """
        # Not the first of the heap only: the latest stamp may be that of the oldest picture.
        waiting: list[Entry] = []
        for entry in self._waiting:
            if at_end or now_ns - entry.receive_ns > PATIENCE_NS:
                self._place(entry, LONGEST_EXTRAPOLATION_NS)
            else:
                waiting.append(entry)
        heapq.heapify(waiting)
        self._waiting = waiting
        self._solve()
        early = {id(entry) for entry in waiting}
        fresh = [entry for entry in self._entries if id(entry) not in early]
        self._entries = [entry for entry in self._entries if id(entry) in early]
        count = len(self._to_judge) if at_end else min(len(self._to_judge), MOST_AT_ONCE)
        doubted = [self._to_judge.popleft() for _ in range(count)]
        entries = [entry for entry, _ in doubted] + fresh
        captures = self.judge(entries, self._holds)
        self._told += zip(entries, captures)
        self._forget(now_ns - LOOK_BACK_NS)
        return _changed([before for _, before in doubted], captures) + captures[count:]

    def _forget(self, oldest_ns: int) -> None:
        self._told = [each for each in self._told if each[0].receive_ns >= oldest_ns]
        for hold in self._holds:
            hold.outlived |= hold.released_ns is None and hold.onset_ns < oldest_ns


def _changed(before: Sequence[Capture], now: Sequence[Capture]) -> list[Capture]:
    return [new for old, new in zip(before, now) if new != old]
