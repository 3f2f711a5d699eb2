# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Clock steps that hide in the delay's own scatter.

Where delays scatter by more than a period, or stamps by more than the step, no single message
shows a step. The smallest delay of a second does: it moves by the step, and so does either the
phase of the stamps' grid, or, where the step is a whole number of periods, the count of stamps:
a step back repeats some, a step forward skips some.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from operator import itemgetter

from robot_mapping_qa.timing.ordinary import longest_run, Message, Ordinary, SLEW
from robot_mapping_qa.timing.whole_periods import numbers, stepped_back, stepped_forward

LOOKS_NS = (1_000_000_000, 2_500_000_000)
"""The last second is compared with the time before it; where that does not show the smallest
delay, a longer time is."""
BEFORE_NS = 4_000_000_000
FEWEST, MOST = 8, 64
"""Fewest messages on either side, and most that the grid is read from."""
UNLIKELY = 1e-4
"""Chance below which the smallest delay counts as moved."""
CERTAIN_SIGMAS = 5.0


def find_shift(history: list[Message], ordinary: Ordinary, smallest_ns: float
               ) -> tuple[int, int] | None:
    """
    Return receive time and size (ns) of a clock step in the newest messages, None without one.

    ``history`` holds (stamp, receive time) in order of arrival.
    """
    for look_ns in LOOKS_NS:
        newest = history[-1][1]
        start = max(0, min(_place(history, newest - look_ns), len(history) - FEWEST))
        after = history[start:]
        before = history[_place(history, newest - look_ns - BEFORE_NS):start]
        if len(before) < 2 * FEWEST:
            return None
        period_ns = _period(before, ordinary.period_ns)
        found = _by_phase(before, after, period_ns, smallest_ns) or _by_count(
            before, after, ordinary, period_ns, smallest_ns)
        if found is not None:
            return found
    return None


def _place(history: list[Message], time_ns: int) -> int:
    """Return the place of the first message received after a time."""
    return bisect_right(history, time_ns, key=itemgetter(1))


def _delays(messages: list[Message]) -> list[int]:
    return [receive - stamp for stamp, receive in messages]


def _period(messages: list[Message], period_ns: float) -> float:
    """Return the period over all of the messages, from one that is nearly right."""
    slots = numbers(messages, period_ns)
    offs = [stamp - slot * period_ns for slot, (stamp, _) in zip(slots, messages)]
    quarter = len(offs) // 4
    early, late = sorted(offs[:quarter]), sorted(offs[-quarter:])
    apart = slots[-1 - quarter // 2] - slots[quarter // 2]
    if apart <= 0:
        return period_ns
    return period_ns + (late[quarter // 2] - early[quarter // 2]) / apart


# -- steps that move the grid ----------------------------------------------------------------

def _by_phase(before: list[Message], after: list[Message], period_ns: float, smallest_ns: float
              ) -> tuple[int, int] | None:
    """Return a step that moved the stamps' grid, None where it has not moved."""
    last = before[-min(MOST, len(before) // 2):]
    newest = after[-min(MOST, max(FEWEST // 2, len(after) // 2)):]
    base = before[-1][0]
    centre, scatter = _grid(last, base, period_ns)
    phase_now, new_scatter = _grid(newest, base, period_ns)
    scatter = max(scatter, new_scatter)
    if scatter > period_ns / 6.0:
        return None
    moved = _phase(phase_now - centre, period_ns)
    # How far ahead the grid of the time before is carried on, as a share of that time.
    ahead = (newest[-1][1] - last[0][1]) / max(1, before[-1][1] - before[0][1])
    sigma = 1.25 * scatter * (
        1.0 / len(last) + 1.0 / len(newest) + 16.0 * ahead ** 2 / len(before)) ** 0.5
    slewed = SLEW * (newest[-1][1] - last[0][1])
    if abs(moved) < max(0.4 * smallest_ns, CERTAIN_SIGMAS * sigma, slewed):
        return None
    old = list(before)
    new: list[Message] = []
    if abs(moved) > 4.0 * scatter:
        # Every message shows whose it is.
        for message in after:
            phase = _phase(message[0] - base - centre, period_ns)
            near = abs(phase) < abs(_phase(phase - moved, period_ns))
            (old if near else new).append(message)
    else:
        new = newest
    if len(new) < FEWEST // 2:
        return None
    delays_old, delays_new = _delays(old), _delays(new)
    floor_moved = min(delays_new) - min(delays_old)
    size = moved + round((-floor_moved - moved) / period_ns) * period_ns
    if min(abs(size), abs(floor_moved)) < 0.7 * smallest_ns or \
            abs(size + floor_moved) > 0.4 * abs(floor_moved):
        return None
    # So many messages are needed to see the smallest delay within half a period.
    needed = longest_run(delays_old, min(delays_old) + 0.5 * period_ns)
    if len(new) <= needed and new[-1][1] - new[0][1] < 0.8 * LOOKS_NS[-1]:
        return None
    # The phase is exact but for the stamps' scatter, the smallest delays for the delays'.
    return new[0][1], round(size) if 3.0 * sigma < smallest_ns else -floor_moved


def _grid(messages: list[Message], base: float, period_ns: float) -> tuple[float, float]:
    """Return the middle of the stamps' phases against ``base`` and how widely they scatter."""
    first = messages[0][0] - base
    offs = sorted(_phase(stamp - base - first, period_ns) for stamp, _ in messages)
    centre = first + offs[len(offs) // 2]
    offs = sorted(_phase(stamp - base - centre, period_ns) for stamp, _ in messages)
    middle = offs[len(offs) // 2]
    return (_phase(centre + middle, period_ns),
            1.4826 * sorted(abs(off - middle) for off in offs)[len(offs) // 2])


def _phase(offset_ns: float, period_ns: float) -> float:
    """Return the distance from the nearest grid point."""
    return offset_ns - round(offset_ns / period_ns) * period_ns


# -- steps by whole periods ------------------------------------------------------------------

def _by_count(before: list[Message], after: list[Message], ordinary: Ordinary, period_ns: float,
              smallest_ns: float) -> tuple[int, int] | None:
    """Return a step by whole periods, None where the stamps go on as they were."""
    if ordinary.tolerance_ns > 0.4 * period_ns:
        return None
    # The change may lie anywhere in the time after: its later half is surely behind it.
    late = after[len(after) // 2:] if len(after) >= 2 * FEWEST else after
    delays_before, delays_late = sorted(_delays(before)), sorted(_delays(late))
    old_floor, new_floor = delays_before[0], delays_late[0]
    moved = new_floor - old_floor
    periods = round(-moved / period_ns)
    spread = delays_late[len(delays_late) // 2] - new_floor
    if periods == 0 or abs(periods * period_ns + moved) > min(
            0.25 * period_ns, 0.05 * period_ns + 0.5 * spread):
        return None
    # The smallest delay of the time before must have held, not have changed within it.
    quarter = len(before) // 4
    floors = sorted(min(_delays(before[start:start + quarter]))
                    for start in range(0, 4 * quarter, quarter))
    if floors[1] - old_floor > 0.25 * period_ns:
        return None

    def chance(excess_ns: float, count: int) -> float:
        return _chance(delays_before, excess_ns, count)

    room = max(0.4 * smallest_ns, min(0.1 * abs(moved), 0.25 * period_ns))
    if periods < 0:
        if chance(moved, len(late)) > UNLIKELY:
            return None
        if not stepped_back(before + after, -periods, period_ns, new_floor, room):
            return None
        onset = _onset(after, old_floor + 0.7 * moved)
    else:
        if _chance(delays_late, -moved, len(before)) > UNLIKELY or \
                new_floor > ordinary.least_before(after[0][1]) - smallest_ns:
            # What falls back to where it was a minute ago is the delay.
            return None
        onset = stepped_forward(before + after, periods, period_ns, old_floor, room, chance)
    return None if onset is None else (onset, round(periods * period_ns))


def _chance(delays: list[int], excess_ns: float, count: int) -> float:
    """Return the chance that ``count`` such delays all lie this much above the smallest one."""
    beyond = len(delays) - bisect_left(delays, delays[0] + excess_ns)
    return ((beyond + 1) / (len(delays) + 1)) ** count


def _onset(after: list[Message], limit_ns: float) -> int | None:
    """Return the receive time from which on all delays lie above a limit."""
    onset = None
    for stamp, receive in reversed(after):
        if receive - stamp < limit_ns:
            break
        onset = receive
    return onset
