# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The recording's word for the gate: pictures that are not recorded need not be taken."""

from __future__ import annotations

from robot_mapping_qa.bag.background_recorder import RecordingState
from robot_mapping_qa.bag.disk_space import DiskLimits
from robot_mapping_qa.verdicts import Condition, Severity, Verdict

SOURCE = 'recording'
"""Source of the verdicts."""

LOSING_HOLD_NS = 5_000_000_000
"""Messages count as being lost for so long after the last: the disk is at its limit."""

BEHIND_S = 0.5
"""Messages that wait longer, besides the time between two flushes, can be lost by a kill."""

HANGING_S = 2.0
"""
A disk that finishes nothing for so long is taken for one that hangs.

Four flushes; the longest that a healthy disk took for one is far less (common practice, no
source).
"""


class RecordingWatch:
    """Turns the state of a recording into verdicts; remembers since when a trouble lasts."""

    def __init__(self, limits: DiskLimits) -> None:
        """Begin without trouble."""
        self._limits = limits
        self._onsets_ns: dict[str, int] = {}
        self._lost = 0
        self._lost_ns: int | None = None

    def verdict(self, state: RecordingState, now_ns: int) -> Verdict:
        """Return the verdict on a state at ``now_ns`` (host time)."""
        found = [self._condition(*trouble, now_ns) for trouble in self._troubles(state, now_ns)]
        keys = {condition.key for condition in found}
        self._onsets_ns = {key: ns for key, ns in self._onsets_ns.items() if key in keys}
        return Verdict(SOURCE, now_ns, tuple(found), {
            'disk_free_bytes': None if state.free_bytes is None else float(state.free_bytes),
            'recording_remaining_s': state.remaining_s})

    def _condition(self, kind: str, text: str, severity: Severity, now_ns: int) -> Condition:
        key = f'{SOURCE}/{kind}'
        return Condition(key, text, severity, self._onsets_ns.setdefault(key, now_ns))

    def _troubles(self, state: RecordingState, now_ns: int) -> list[tuple[str, str, Severity]]:
        if state.stopped is not None:
            return [('stopped', f'the recording has stopped: {state.stopped}', Severity.HARD)]
        troubles = []
        if state.turn_s > HANGING_S:
            troubles.append(('hanging', 'the recording hangs: the disk has not answered for '
                             f'{state.turn_s:.0f} s', Severity.HARD))
        if state.lost > self._lost:
            self._lost, self._lost_ns = state.lost, now_ns
        if self._lost_ns is not None and now_ns - self._lost_ns < LOSING_HOLD_NS:
            troubles.append(('losing', f'the disk is too slow: {state.lost} messages were not '
                             'recorded', Severity.SOFT))
        if state.behind_s > BEHIND_S:
            troubles.append(('behind', f'the recording is {state.behind_s:.1f} s behind: a kill '
                             'would cost more than a second', Severity.NOTICE))
        if state.remaining_s is not None and state.remaining_s < self._limits.warn_s:
            troubles.append(('disk_low', f'the disk is full in {state.remaining_s / 60:.0f} min '
                             'at the present rate', Severity.NOTICE))
        return troubles


def recording_text(state: RecordingState) -> str:
    """Return one line for a person on a healthy recording."""
    if state.free_bytes is None:
        return 'recording; the free space on the disk is not known'
    text = f'recording, {state.free_bytes / 1e9:.1f} GB free'
    if state.rate_bytes_per_s is None:
        return text
    text += f', {state.rate_bytes_per_s / 1e6:.2f} MB/s'
    return text if state.remaining_s is None else text + f', {state.remaining_s / 60:.0f} min left'
