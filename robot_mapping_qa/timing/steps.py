# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Clock steps, told from delays by the grid of the stamps.

A sensor measures every period. When its clock steps, its messages go on arriving every period
while their stamps leave the grid of the earlier ones by the size of the step. When the delay
changes, the stamps stay on their grid while the arrivals leave it. The delay (receive time less
stamp) jumps in both cases and cannot tell them apart; the grid can.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from dataclasses import dataclass
from math import isnan
from operator import itemgetter
from typing import Sequence

from robot_mapping_qa.timing.held_back import (
    delay_moves, Move, off_old_grid, own_messages, usual_delay)
from robot_mapping_qa.timing.level_shift import find_shift
from robot_mapping_qa.timing.ordinary import LEARNED, Message, Ordinary, RECENT_NS
from robot_mapping_qa.timing.whole_periods import stepped_back, stepped_forward

REMEMBERED = 2048
"""Messages that are looked back on for repeated stamps: ten seconds of a fast stream."""
RELEARN, RELEARN_NS, RELEARN_MOST = 32, 2_000_000_000, 512
"""What is ordinary is learned anew every two seconds, within so many messages."""
WAIT_NS, WAIT_PERIODS = 800_000_000, 6
"""A change that has not explained itself by then (six periods) is none: with the time until the
first message of it, a step is found within a second."""
STRETCH_NS, STRETCH_MESSAGES = 100_000_000, 20
"""A fast stream shows its new delays for this long, or so many times, before they are believed."""
MOST_WAITING = 256
SHIFT_MESSAGES, SHIFT_NS = 5, 250_000_000
"""A step that no single message shows is looked for every quarter of a second or 5 messages."""
UNLIKELY, ODDS = 1e-3, 10.0
"""Chance below which an explanation is dropped; at the last look a step must be so many times
likelier than ordinary delays."""
LOOK_BACK_NS = 2_500_000_000
LAST = 16
"""Messages just before those held back that these are compared with."""
AFTER_GAP, AFTER_GAP_NS = 5, 700_000_000
"""Messages after a silence whose smallest delay is compared with that before."""
GAP_STEP_NS, GAP_DRIFT = 5_000_000, 1e-4
"""A new clock after a silence must differ by this much, and by more than crystals drift apart."""


@dataclass(frozen=True, slots=True)
class Step:
    """The clock jumped forward by ``size_ns`` before the message received at ``at_ns``."""

    at_ns: int
    size_ns: int


@dataclass(frozen=True, slots=True)
class Settled:
    """
    What became of messages that had been held back.

    ``messages`` are (stamp, receive time) in order of arrival, raw. ``step`` is a step of the
    clock before the first of them or, found late, before some that passed already;
    ``delay_fell`` tells that not the clock but the delay fell before the first of them.
    """

    messages: list[Message]
    step: Step | None = None
    delay_fell: bool = False


_NOTHING_YET = Settled([])


class StepDetector:
    """
    Finds steps of one stream's clock within three messages or so.

    A message that fits the grid and the ordinary delays passes at once. Any other is held back
    until the messages after it tell what happened.
    """

    def __init__(self, smallest_step_s: float, rate_hz: float | None = None) -> None:
        """Look for steps from ``smallest_step_s``; ``rate_hz`` is a first idea of the rate."""
        self._smallest_ns = smallest_step_s * 1e9
        self._ordinary = Ordinary(self._smallest_ns, 1e9 / rate_hz if rate_hz else None)
        self._history: deque[Message] = deque(maxlen=REMEMBERED)
        self._waiting: list[Message] = []
        self.restart()

    def restart(self) -> None:
        """Forget all messages; the period is kept as a first idea."""
        self._ordinary.forget()
        self._history.clear()
        self._waiting = []
        self.learned = False
        self._until_learning = LEARNED
        self._until_shift = 0
        self._last_stamp = self._last_receive = 0
        self._across_gap = 0

    @property
    def period_ns(self) -> float | None:
        """Period of the stamps, the given one until `learned`, None where none was given."""
        period_ns = self._ordinary.period_ns
        return None if isnan(period_ns) else period_ns

    @property
    def irregular(self) -> bool:
        """Whether the stamps are known to keep no rhythm."""
        return self.learned and self._ordinary.irregular

    @property
    def long_interval_ns(self) -> float:
        """Interval between stamps that nine of ten keep to, once `learned`."""
        return self._ordinary.long_interval_ns

    @property
    def waiting(self) -> bool:
        """Whether messages are held back."""
        return bool(self._waiting)

    def add(self, stamp_ns: int, receive_ns: int) -> Settled | None:
        """
        Take one message.

        None: it is ordinary. Otherwise the messages that are settled by it, which are none
        while it is held back itself.
        """
        if not self.learned:
            self._accept(stamp_ns, receive_ns)
            return None
        if self._waiting:
            self._waiting.append((stamp_ns, receive_ns))
            return self._compare_across_gap() if self._across_gap else self._examine()
        ordinary = self._ordinary
        if receive_ns - self._last_receive > ordinary.gap_ns:
            return self._after_gap(stamp_ns, receive_ns)
        interval = stamp_ns - self._last_stamp
        delay = receive_ns - stamp_ns
        off = interval - ordinary.period_ns
        if -ordinary.tolerance_ns <= off <= ordinary.tolerance_ns:
            fits = True
        else:
            periods = round(interval / ordinary.period_ns)
            # A reordered or repeated stamp is ordinary unless its delay is not.
            fits = ordinary.fits(interval, periods) and (
                periods > 0 or delay <= ordinary.high_ns)
        if not fits or delay < ordinary.low_ns:
            self._waiting.append((stamp_ns, receive_ns))
            return _NOTHING_YET
        if delay < ordinary.floor_ns:
            ordinary.lower_floor(delay)
        self._accept(stamp_ns, receive_ns)
        self._until_shift -= 1
        return self._look_for_shift() if self._until_shift <= 0 else None

    def _accept(self, stamp_ns: int, receive_ns: int) -> None:
        self._history.append((stamp_ns, receive_ns))
        self._last_stamp = stamp_ns
        self._last_receive = receive_ns
        self._until_learning -= 1
        if self._until_learning <= 0:
            self._learn()

    def _learn(self) -> None:
        if not self._ordinary.learn(list(self._history)):
            self._until_learning = LEARNED
            return
        self.learned = True
        self._until_learning = min(
            max(RELEARN, int(RELEARN_NS / self._ordinary.period_ns)), RELEARN_MOST)

    # -- after a silence --------------------------------------------------------------------

    def _after_gap(self, stamp_ns: int, receive_ns: int) -> Settled | None:
        """Take the first message after a long silence."""
        gap_ns = receive_ns - self._last_receive
        if 0 < stamp_ns - self._last_stamp < gap_ns // 2:
            # Sent without a pause and held up on the way: the clock went on.
            self._accept(stamp_ns, receive_ns)
            return None
        self._waiting.append((stamp_ns, receive_ns))
        self._across_gap = gap_ns
        return _NOTHING_YET

    def _compare_across_gap(self) -> Settled:
        """Look whether the delay after a silence tells of another clock."""
        waiting, ordinary = self._waiting, self._ordinary
        # What was held up arrives at once and says nothing about the smallest delay.
        paced = [after for before, after in zip(waiting, waiting[1:])
                 if after[1] - before[1] > 0.5 * ordinary.period_ns]
        waited = waiting[-1][1] - waiting[0][1]
        if len(waiting) < MOST_WAITING and (
                len(paced) < AFTER_GAP - 1 or waited < AFTER_GAP_NS):
            return _NOTHING_YET
        moved = min(receive - stamp for stamp, receive in paced or waiting) - ordinary.floor_ns
        room = GAP_STEP_NS + 4.0 * ordinary.room_ns + GAP_DRIFT * self._across_gap
        self._across_gap = 0
        settled = self._stepped(-moved) if paced and abs(moved) > room else self._release()
        self._history.clear()
        self._history.extend(settled.messages)
        ordinary.set_new_level(settled.messages)
        return settled

    # -- messages held back -----------------------------------------------------------------

    def _examine(self) -> Settled:
        """
        Look what the messages held back have in common.

        A step is told by stamps that lie on another grid, or on the same one a number of periods
        off, if it explains the delays better than their ordinary spread does.
        """
        waiting, ordinary = self._waiting, self._ordinary
        last = list(self._history)[-LAST:]
        reference = self._reference()
        if self._is_back_on_grid(last, reference):
            # Those before were late, lost or odd.
            return self._release()
        if self._first_was_late():
            return Settled([self._let_first_go()])
        waited = waiting[-1][1] - waiting[0][1]
        own = waiting if ordinary.irregular else own_messages(waiting, ordinary, reference)
        if not own:
            return self._give_up(waited)
        recent = self._recent(0)
        moves, steady = delay_moves(recent if len(recent) > LAST else last, own, ordinary)
        moved = moves[0].moved
        stretched = waited >= STRETCH_NS or len(own) >= STRETCH_MESSAGES
        ready = stretched and len(own) > max(2, 1.5 * ordinary.drought)
        if ordinary.irregular:
            return self._judge_irregular(moved) if ready else _NOTHING_YET
        ready_to_step = ready or steady and stretched and len(own) > 2
        sudden = len(own) == 2 and waited >= 0.5 * STRETCH_NS \
            and ordinary.scatter_ns < 0.02 * ordinary.period_ns and ordinary.drought < 2
        if not (ready_to_step or sudden):
            return _NOTHING_YET
        shift, allowed = off_old_grid(own, ordinary, reference)
        if abs(shift) > allowed:
            size = self._step_off_grid(shift, allowed, moves, ready_to_step)
            if size is not None:
                return self._stepped(size, strays=[m for m in waiting if m not in own])
        elif ready and (onset := self._by_whole_periods(moved)) is not None:
            periods = round((-moved - shift) / ordinary.period_ns)
            return self._stepped(round(shift + periods * ordinary.period_ns), onset)
        elif ready and moved < -max(2.0 * self._smallest_ns, ordinary.room_ns):
            return self._release(delay_fell=True)
        return self._give_up(waited)

    def _is_back_on_grid(self, last: list[Message], reference: int) -> bool:
        """Return whether the newest message is on the old grid with an ordinary delay."""
        ordinary = self._ordinary
        stamp, receive = self._waiting[-1]
        delay, from_grid = receive - stamp, stamp - reference
        return (abs(ordinary.off_grid(from_grid)) <= ordinary.grid_room(from_grid)
                and ordinary.low_ns <= delay <= usual_delay(last, ordinary)
                and (stamp > self._waiting[0][0]
                     or delay - ordinary.floor_ns < 0.5 * ordinary.period_ns))

    def _first_was_late(self) -> bool:
        """Return whether the first was only late or reordered, just before the others."""
        (stamp, receive), *others = self._waiting
        room = max(self._ordinary.period_ns, self._ordinary.room_ns)
        return len(others) > 2 and min(r - s for s, r in others) > receive - stamp + room

    def _step_off_grid(self, shift: float, allowed: float, moves: list[Move],
                       ready: bool) -> int | None:
        """
        Return the size, ns, of a step whose part within a period is ``shift``, None for none.

        The delays tell how many periods belong to it, and whether it explains them.
        """
        ordinary, period = self._ordinary, self._ordinary.period_ns
        size, move = min(
            ((shift + round((-move.moved - shift) / period) * period, move) for move in moves),
            key=lambda found: (round(abs(found[0] + found[1].moved) / ordinary.room_ns),
                               found[1].chance(0.0, ordinary)))
        unmoved, stepped = (move.chance(raised, ordinary) for raised in (0.0, size))
        certain = unmoved < UNLIKELY and (ready or abs(size) > 10.0 * allowed)
        last_look = self._waiting[-1][1] - self._waiting[0][1] >= self._longest_wait_ns \
            and stepped > ODDS * unmoved
        is_step = stepped > max(unmoved, UNLIKELY) and (certain or last_look)
        return round(size) if is_step and abs(size) >= self._smallest_ns else None

    def _judge_irregular(self, moved_ns: int) -> Settled:
        """Judge by the one interval at the change: stamps jumped there, or arrivals did."""
        period = self._ordinary.period_ns
        first_stamp, first_receive = self._waiting[0]
        last_stamp, last_receive = self._history[-1]
        usual = range(0, round(3.0 * period))
        if abs(moved_ns) > 2.0 * period and first_receive - last_receive in usual \
                and first_stamp - last_stamp not in usual:
            return self._stepped(-moved_ns)
        return self._give_up(self._waiting[-1][1] - first_receive)

    def _by_whole_periods(self, moved_ns: int) -> int | None:
        """Return when a step began that the stamps' count shows and the grid cannot."""
        ordinary = self._ordinary
        period = ordinary.period_ns
        periods = round(-moved_ns / period)
        room = min(0.25 * period, 0.05 * period + 2.0 * ordinary.room_ns)
        if periods == 0 or abs(moved_ns + periods * period) > room:
            return None
        messages = self._recent(moved_ns) + self._waiting
        first_ns = self._waiting[0][1]
        floor = ordinary.floor_ns
        if periods < 0:
            chance = ordinary.chance(moved_ns - 0.4 * period, len(self._waiting))
            if chance < 0.1 * UNLIKELY and stepped_back(
                    messages, -periods, period, floor + moved_ns, room):
                return first_ns
        elif floor + moved_ns < ordinary.least_before(first_ns) - ordinary.room_ns:
            return stepped_forward(messages, periods, period, floor, ordinary.room_ns,
                                   ordinary.chance)
        return None

    def _recent(self, moved_ns: int) -> list[Message]:
        """Return the messages that passed lately, for as long as a step by so much looks back."""
        after = self._last_receive - RECENT_NS - abs(moved_ns)
        history = list(self._history)
        return history[bisect_right(history, after, key=itemgetter(1)):]

    def _reference(self) -> int:
        """Return a stamp on the grid, from the last messages that passed."""
        last = list(self._history)[-8:]
        base = last[-1][0]
        offs = sorted(self._ordinary.off_grid(stamp - base) for stamp, _ in last)
        return base + round(offs[len(offs) // 2])

    # -- what becomes of them ---------------------------------------------------------------

    @property
    def _longest_wait_ns(self) -> float:
        return max(WAIT_NS, WAIT_PERIODS * self._ordinary.period_ns)

    def _give_up(self, waited_ns: int) -> Settled:
        """Let the messages go where they have been held back for too long."""
        if waited_ns < self._longest_wait_ns and len(self._waiting) < MOST_WAITING:
            return _NOTHING_YET
        settled = self._release()
        self._learn()
        self._until_shift = 0
        return settled

    def _let_first_go(self) -> Message:
        first = self._waiting.pop(0)
        self._accept(*first)
        return first

    def _release(self, delay_fell: bool = False) -> Settled:
        messages, self._waiting = self._waiting, []
        self._history.extend(messages)
        if delay_fell:
            self._ordinary.set_level(messages)
        self._last_stamp, self._last_receive = messages[-1]
        self._until_learning -= len(messages)
        return Settled(messages, None, delay_fell)

    def _stepped(self, size_ns: int, at_ns: int | None = None,
                 strays: Sequence[Message] = ()) -> Settled:
        """
        Book a step at ``at_ns``, else before the messages held back.

        The earlier messages and ``strays`` count as if the new clock had stamped them.
        """
        messages, self._waiting = self._waiting, []
        at_ns = messages[0][1] if at_ns is None else at_ns
        messages = [(message[0] + size_ns, message[1]) if message in strays else message
                    for message in messages]
        self._restamp(at_ns, size_ns)
        self._history.extend(messages)
        self._last_stamp, self._last_receive = messages[-1]
        self._ordinary.step(size_ns)
        return Settled(messages, Step(at_ns, size_ns))

    def _restamp(self, before_ns: int, size_ns: int) -> None:
        history = [(stamp + size_ns if receive < before_ns else stamp, receive)
                   for stamp, receive in self._history]
        self._history.clear()
        self._history.extend(history)

    def _look_for_shift(self) -> Settled | None:
        """Look for a step among the messages that passed."""
        ordinary = self._ordinary
        self._until_shift = max(SHIFT_MESSAGES, int(SHIFT_NS / ordinary.period_ns))
        if not ordinary.floor_moved(self._history):
            return None
        history = self._recent(LOOK_BACK_NS)
        found = find_shift(history, ordinary, self._smallest_ns)
        if found is None:
            return None
        at_ns, size_ns = found
        self._restamp(at_ns, size_ns)
        ordinary.step(size_ns)
        self._learn()
        return Settled([history[-1]], Step(at_ns, size_ns))
