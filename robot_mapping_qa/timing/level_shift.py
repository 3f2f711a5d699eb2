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

from robot_mapping_qa.timing.ordinary import SLEW
from robot_mapping_qa.timing.whole_periods import stepped_back, stepped_forward

AFTER_NS = 1_000_000_000
"""The second that is compared with the time before it."""
BEFORE_NS = 4_000_000_000
FEWEST = 8
"""Fewest messages on either side."""
UNLIKELY = 1e-4
"""Chance below which the smallest delay counts as moved."""
CERTAIN_SIGMAS = 5.0


def find_shift(history: list[tuple[int, int]], period_ns: float, smallest_ns: float,
               tolerance_ns: float, least_ns: int) -> tuple[int, int] | None:
    """
    Return receive time and size (ns) of a clock step within the last second, None without one.

    ``history`` holds (stamp, receive time) in order of arrival. ``tolerance_ns`` is how exactly a
    stamp keeps to the grid, ``least_ns`` the smallest delay of the last minute: one that falls
    back to it is no step forward by whole periods.
    """
    newest = history[-1][1]
    start = max(0, min(_place(history, newest - AFTER_NS), len(history) - FEWEST))
    after = history[start:]
    before = history[_place(history, newest - AFTER_NS - BEFORE_NS):start]
    if len(before) < 2 * FEWEST:
        return None
    # The change may lie anywhere in the last second: its later half is surely behind it.
    late = after[len(after) // 2:] if len(after) >= 2 * FEWEST else after
    delays_before = [receive - stamp for stamp, receive in before]
    delays_late = [receive - stamp for stamp, receive in late]
    moved = min(delays_late) - min(delays_before)
    if abs(moved) < 0.7 * smallest_ns:
        return None
    if moved > 0:
        chance = _chance(delays_before, moved, len(late))
    else:
        chance = _chance(delays_late, -moved, len(before))
    if chance > UNLIKELY:
        return None
    onset = _onset(after, min(delays_before), moved)
    if onset is None:
        return None
    changed = [message for message in after if message[1] >= onset]
    unchanged = before + [message for message in after if message[1] < onset]
    size = _explained_by_phase(unchanged, changed, period_ns, moved, smallest_ns)
    if size is None and (moved > 0 or min(delays_late) < least_ns - smallest_ns):
        size = _explained_by_count(unchanged, changed, period_ns, moved, tolerance_ns)
    return None if size is None else (onset, size)


def _place(history: list[tuple[int, int]], time_ns: int) -> int:
    """Return the place of the first message received after a time."""
    return bisect_right(history, time_ns, key=itemgetter(1))


def _chance(delays: list[int], excess_ns: int, count: int) -> float:
    """Return the chance that ``count`` such delays all lie this much above the smallest one."""
    ordered = sorted(delays)
    beyond = len(ordered) - bisect_left(ordered, ordered[0] + excess_ns)
    return ((beyond + 1) / (len(ordered) + 1)) ** count


def _onset(after: list[tuple[int, int]], floor_ns: int, moved_ns: int) -> int | None:
    """Return the receive time from which on no delay belongs to the time before."""
    if moved_ns < 0:
        return next((receive for stamp, receive in after
                     if receive - stamp < floor_ns + 0.5 * moved_ns), None)
    onset = None
    for stamp, receive in reversed(after):
        if receive - stamp < floor_ns + 0.7 * moved_ns:
            break
        onset = receive
    return onset


def _explained_by_phase(before: list[tuple[int, int]], after: list[tuple[int, int]],
                        period_ns: float, moved_ns: int, smallest_ns: float) -> int | None:
    """Return the size of a step that moved the stamps' grid, None where it has not moved."""
    base = before[-1][0]
    old = sorted(_phase(stamp - base, period_ns) for stamp, _ in before[-4 * FEWEST:])
    centre = old[len(old) // 2]
    old = sorted(_phase(phase - centre, period_ns) for phase in old)
    new = sorted(_phase(stamp - base - centre, period_ns) for stamp, _ in after)
    middle = new[len(new) // 2]
    new = sorted(_phase(phase - middle, period_ns) for phase in new)
    shift = _phase(middle + new[len(new) // 2] - old[len(old) // 2], period_ns)
    scatter = 1.4826 * sorted(map(abs, old))[len(old) // 2]
    if scatter > period_ns / 6.0:
        return None
    sigma = 1.25 * scatter * (1.0 / len(old) + 1.0 / len(new)) ** 0.5
    slewed = SLEW * (after[-1][1] - before[-len(old)][1])
    if abs(shift) < max(0.4 * smallest_ns, CERTAIN_SIGMAS * sigma, slewed):
        return None
    size = shift + round((-moved_ns - shift) / period_ns) * period_ns
    if abs(size) < 0.7 * smallest_ns or abs(size + moved_ns) > 0.4 * abs(moved_ns):
        return None
    # The phase is exact but for the stamps' scatter, the smallest delays for the delays'.
    return round(size) if 3.0 * sigma < smallest_ns else -moved_ns


def _explained_by_count(before: list[tuple[int, int]], after: list[tuple[int, int]],
                        period_ns: float, moved_ns: int, tolerance_ns: float) -> int | None:
    """Return the size of a step by whole periods, None where the stamps go on as they were."""
    periods = round(-moved_ns / period_ns)
    room = max(0.25 * period_ns, 0.1 * abs(moved_ns))
    if periods == 0 or abs(periods * period_ns + moved_ns) > room or \
            tolerance_ns > 0.4 * period_ns:
        return None
    if periods < 0:
        stepped = stepped_back(before, after, -periods, period_ns)
    else:
        delays = sorted(receive - stamp for stamp, receive in before)
        # One stamp is skipped by a lost message as well; where is not seen in such a scatter.
        told_apart = periods > 1 or delays[len(delays) // 2] - delays[0] < 0.5 * period_ns
        stepped = told_apart and stepped_forward(before, after, periods, period_ns,
                                                 delays[0] + 0.5 * moved_ns)
    return round(periods * period_ns) if stepped else None


def _phase(offset_ns: float, period_ns: float) -> float:
    """Return the distance from the nearest grid point."""
    return offset_ns - round(offset_ns / period_ns) * period_ns
