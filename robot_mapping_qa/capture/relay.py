# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
What the relay knows of the gate, and whether one message may pass.

A message is judged by its stamp, so that what was taken during a hold does not slip through by
arriving after it. Two things must hold together:

- The gate can be believed now: it alone speaks, and it spoke within its deadline. Otherwise
  nothing passes and everything learned before is forgotten: who was not heard may have held. The
  gate is believed again after a whole off-delay of unbroken word.
- The stamp lies in a time during which the gate was known to be open. Such a time begins when
  the gate's leave arrives here, a little after the gate opened. It ends at the onset that the
  gate names for the hold, which lies before the closing; until the onset is known, the whole
  time counts for nothing.

So a message that was taken before the onset of a hold and arrives during the hold passes: the
gate itself says that it was well then, and a long exposure or a slow link costs no picture. One
that was taken between onset and closing and had not yet passed does not pass.

A stamp is believed as far as the timing limits allow: beyond them the message is withheld,
because nobody can say when it was taken.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import Enum

_S = 1_000_000_000

DEADLINE_NS = _S // 2
"""The gate promises a word at least this often (its deadline); silence beyond it means held."""

STEP_NS = 20_000_000
"""
Host and steady clock may drift apart this far between two looks; beyond, the host was stepped.

A time daemon slews by at most a tenth of the time that passes, 10 ms between looks 0.1 s apart.
"""

_KEPT = 16
"""Open times that are remembered; a message delayed beyond so many holds is withheld."""


class Reason(Enum):
    """Why a message was withheld; the values name the counts in the diagnostics."""

    NO_GATE = 'no_gate'
    GATE_SILENT = 'gate_silent'
    SEVERAL_GATES = 'several_gates'
    CLOCK_STEPPED = 'clock_stepped'
    SETTLING = 'settling'
    HELD = 'held'
    STAMP_OLD = 'stamp_old'
    STAMP_AHEAD = 'stamp_ahead'
    UNREADABLE = 'unreadable'


FAULTS = (Reason.NO_GATE, Reason.GATE_SILENT, Reason.SEVERAL_GATES, Reason.CLOCK_STEPPED)
"""Reasons for which the gate cannot be believed."""


@dataclass(slots=True)
class _OpenTime:
    """Stamps from ``start_ns`` on are good, up to ``end_ns`` once the time is closed."""

    start_ns: int
    closed_ns: int | None = None
    end_ns: int | None = None

    def contains(self, stamp_ns: int) -> bool:
        if stamp_ns < self.start_ns:
            return False
        return self.closed_ns is None or (self.end_ns is not None and stamp_ns < self.end_ns)


class GateListener:
    """
    Listens to the gate and judges messages by it.

    Every call takes ``now_ns``, the host time (or the simulated time) by which messages are
    stamped, and ``steady_ns``, a clock that nobody sets, by which silence is measured.
    """

    def __init__(self, off_delay_s: float, ahead_limit_s: float,
                 simulated_time: bool = False) -> None:
        """
        Begin without a gate.

        ``off_delay_s`` is how long the gate's word must be unbroken before it is believed,
        ``ahead_limit_s`` how far a stamp may lie ahead of the host.
        """
        self.gate_text = ''
        """The gate's own sentence on the present hold, empty while none was told."""
        self.breaks = 0
        """How often what was known had to be forgotten."""
        self.last_fault = Reason.NO_GATE
        """Why the gate could not be believed when that was last so."""
        self._off_delay_ns = round(off_delay_s * _S)
        self._ahead_limit_ns = round(ahead_limit_s * _S)
        self._simulated_time = simulated_time
        self._publishers = 0
        self._fault: Reason | None = Reason.NO_GATE
        self._allowed = False
        self._heard_ns = 0
        self._unbroken_since_ns = 0
        self._looked_ns: tuple[int, int] | None = None
        self._open_times: deque[_OpenTime] = deque(maxlen=_KEPT)

    def state(self, now_ns: int, steady_ns: int) -> Reason | None:
        """Return why a capture taken now would be withheld, None if it would pass."""
        self._look(now_ns, steady_ns)
        if self._fault is not None:
            return self._fault
        if self._open_times and self._open_times[-1].closed_ns is None:
            return None
        return Reason.SETTLING if self._allowed else Reason.HELD

    def judge(self, stamp_ns: int, receive_ns: int, delay_limit_ns: int, now_ns: int,
              steady_ns: int) -> Reason | None:
        """
        Return why a message that has just been delivered is withheld, None if it may pass.

        ``stamp_ns`` is when it was taken and ``receive_ns`` when it arrived, on the clock of
        ``now_ns``; ``delay_limit_ns`` is the longest that it may take.
        """
        self._look(now_ns, steady_ns)
        if self._fault is not None:
            return self._fault
        delay_ns = receive_ns - stamp_ns
        if delay_ns > delay_limit_ns:
            return Reason.STAMP_OLD
        if delay_ns < -self._ahead_limit_ns:
            return Reason.STAMP_AHEAD
        return self.judge_stamp(stamp_ns, now_ns, steady_ns)

    def judge_stamp(self, stamp_ns: int, now_ns: int, steady_ns: int) -> Reason | None:
        """Judge a message again whose delay was judged on arrival, such as a member of a set."""
        state = self.state(now_ns, steady_ns)
        if state in FAULTS:
            return state
        if any(each.contains(stamp_ns) for each in reversed(self._open_times)):
            return None
        # Open now, yet the stamp lies before the opening: it was taken during the hold.
        return state or Reason.HELD

    def hear(self, allowed: bool, now_ns: int, steady_ns: int, waited_ns: int = 0) -> None:
        """Take the gate's word, which has waited ``waited_ns`` in this process for its turn."""
        self._look(now_ns, steady_ns)
        if self._publishers != 1:
            return
        self._heard_ns = steady_ns - waited_ns
        if self._fault is not None:
            self._fault = None
            self._unbroken_since_ns = steady_ns
        self._allowed = allowed
        last = self._open_times[-1] if self._open_times else None
        is_open = last is not None and last.closed_ns is None
        if allowed and not is_open:
            if steady_ns - self._unbroken_since_ns >= self._off_delay_ns:
                self._open_times.append(_OpenTime(now_ns))
        elif last is not None and is_open and not allowed:
            last.closed_ns = now_ns

    def learn(self, held: bool, since_ns: int, onset_ns: int | None, text: str = '') -> None:
        """
        Take the gate's status: its state since ``since_ns``, and the onset of a hold.

        It can only close a time or shorten it. It may arrive before or after the word on the
        same change.
        """
        self.gate_text = text if held else ''
        last = self._open_times[-1] if self._open_times else None
        if last is None or since_ns <= last.start_ns:
            return
        if not held:
            if last.closed_ns is None:
                # A hold in between was missed: what lies before it is not known to be good.
                last.start_ns = since_ns
        elif last.closed_ns is None or since_ns <= last.closed_ns:
            # A later closing than the one heard here belongs to a hold that was not seen begin.
            last.closed_ns = since_ns
            self._allowed = False
            if onset_ns is not None:
                last.end_ns = min(onset_ns, since_ns)

    def count_publishers(self, count: int) -> None:
        """Take how many publishers the gate's topics have: one gate is one of each."""
        self._publishers = count
        if count > 1:
            self._break(Reason.SEVERAL_GATES)
        elif count == 0 and self._fault is not Reason.GATE_SILENT:
            self._break(Reason.NO_GATE)

    def miss_deadline(self) -> None:
        """Take the middleware's word that the gate missed its deadline."""
        if self._fault is None:
            self._break(Reason.GATE_SILENT)

    def _look(self, now_ns: int, steady_ns: int) -> None:
        before, self._looked_ns = self._looked_ns, (now_ns, steady_ns)
        if before is not None:
            passed_ns, steady_passed_ns = now_ns - before[0], steady_ns - before[1]
            # Simulated time may run at any pace, but not backwards.
            if passed_ns < 0 if self._simulated_time else (
                    abs(passed_ns - steady_passed_ns) > STEP_NS):
                self._break(Reason.CLOCK_STEPPED)
        if self._fault is None and steady_ns - self._heard_ns > DEADLINE_NS:
            self._break(Reason.GATE_SILENT)

    def _break(self, fault: Reason) -> None:
        if self._fault is None:
            self.breaks += 1
        self._fault = self.last_fault = fault
        self._allowed = False
        self._open_times.clear()
