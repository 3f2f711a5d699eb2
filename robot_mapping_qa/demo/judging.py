# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Holding what the gate did against what the rig truly injected."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Iterable, Mapping, Sequence

_S = 1_000_000_000

CLOSE_WITHIN_S = 0.3
"""Longest time from the first message that carries a fault to the closed gate."""

CLOSE_WITHIN_AFTER_SILENCE_S = 0.7
"""The same for a silence, counted from the first message that did not come."""

OPEN_AGAIN_WITHIN_S = 2.0
"""Longest time that the gate may take to open beyond the off-delay, once a fault is over."""

REACH_NS = _S
"""A hold that begins later than this after the end of a fault is not its doing."""

FAULT_MARKS: Mapping[str, tuple[str, ...]] = {
    'clock_step': ('clock_moved', 'ahead'),
    'covariance_blowup': ('over_limit',),
    'silence': ('silent',),
    'pose_jump': ('jump',),
    'delay_rise': ('late',),
}
"""Kinds of faults that must close the gate, each with the kinds of conditions of which one must be
among the reasons."""


@dataclass(slots=True)
class GateHold:
    """A time during which the gate was seen held, with the reasons by condition key."""

    closed_ns: int
    opened_ns: int | None
    reasons: dict[str, str]


@dataclass(frozen=True, slots=True)
class FaultOutcome:
    """What the gate made of one fault; ``problem`` is None where it did what it should."""

    kind: str
    sensor: str
    first_message_ns: int
    over_ns: int
    closed_after_s: float | None
    opened_after_s: float | None
    reason: str
    problem: str | None


def judge_faults(faults: Iterable[Mapping[str, Any]], holds: Sequence[GateHold],
                 off_delay_s: float) -> list[FaultOutcome]:
    """
    Match each fault of a rig's truth that must close the gate with the hold that it has caused.

    ``closed_after_s`` counts from the first message that carried the fault, ``opened_after_s``
    from the end of the fault; both None where it did not happen.
    """
    return [_judge(fault, holds, off_delay_s) for fault in faults
            if fault['kind'] in FAULT_MARKS]


def _judge(fault: Mapping[str, Any], holds: Sequence[GateHold],
           off_delay_s: float) -> FaultOutcome:
    first_ns = fault['first_message_ns']
    # A fault that is over at once, such as a jump, is over with its first message.
    over_ns = fault['until_ns'] or first_ns
    limit_s = (CLOSE_WITHIN_AFTER_SILENCE_S if fault['kind'] == 'silence' else CLOSE_WITHIN_S)
    hold = next((h for h in holds if h.opened_ns is None or h.opened_ns > first_ns), None)
    closed_s = opened_s = None
    reason, problem = '', None
    if hold is None or hold.closed_ns > over_ns + REACH_NS:
        problem = 'missed: the gate did not close'
    else:
        closed_s = (hold.closed_ns - first_ns) / _S
        marks = FAULT_MARKS[fault['kind']]
        reasons = [text for key, text in hold.reasons.items() if key.partition('/')[2] in marks]
        reason = '; '.join(reasons or hold.reasons.values())
        if closed_s < 0.0:
            problem = 'the gate was held already'
        elif closed_s > limit_s:
            problem = f'the gate closed later than {limit_s} s'
        elif not reasons:
            problem = 'the gate closed for another reason'
        elif hold.opened_ns is None:
            problem = 'the gate never opened again'
        else:
            opened_s = (hold.opened_ns - over_ns) / _S
            if opened_s < off_delay_s - 0.1:
                problem = f'the gate opened before the off-delay of {off_delay_s} s'
            elif opened_s > off_delay_s + OPEN_AGAIN_WITHIN_S:
                problem = f'the gate took {opened_s:.1f} s to open again'
    return FaultOutcome(fault['kind'], fault['sensor'], first_ns, over_ns, closed_s, opened_s,
                        reason, problem)


def unexplained_holds(faults: Sequence[Mapping[str, Any]], holds: Iterable[GateHold],
                      settled_ns: int, end_ns: int) -> list[GateHold]:
    """
    Return holds that no fault explains.

    Only those between ``settled_ns``, when the gate first opened, and ``end_ns``, when the rig
    was to stop sending, are looked at.
    """
    def explained(hold: GateHold) -> bool:
        return any(
            fault['first_message_ns'] <= hold.closed_ns
            <= (fault['until_ns'] or fault['first_message_ns']) + REACH_NS for fault in faults)
    return [hold for hold in holds
            if settled_ns < hold.closed_ns < end_ns and not explained(hold)]
