# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What the monitors say: conditions that hold now, events that happened, and verdicts."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from typing import Mapping


class Severity(IntEnum):
    """What a condition does to the gate."""

    NOTICE = 0
    """Shown, never closes the gate."""
    SOFT = 1
    """Closes the gate when it lasts longer than the on-delay."""
    HARD = 2
    """Closes the gate at once."""


@dataclass(frozen=True, slots=True)
class Condition:
    """
    One thing that is wrong at the time of a verdict.

    ``key`` names the condition for programs, as ``subject/kind`` (for example
    ``unit_odometry/silent``), and stays the same while the condition lasts. ``text`` is the
    sentence a person reads; its figures change from verdict to verdict. ``onset_ns`` is the
    host time at which the condition began, which may lie before it was found. ``record`` is the
    sentence as it is kept once the condition is over: with its worst figures, and without those
    that only count the time. Empty where the text will do. ``seen_ns`` is when what it tells of
    was last seen, for a condition that is kept up for a while afterwards; None where it goes on.
    """

    key: str
    text: str
    severity: Severity
    onset_ns: int
    record: str = ''
    seen_ns: int | None = None

    @property
    def for_the_record(self) -> str:
        """The sentence to keep: it must read right when the condition is over."""
        return self.record or self.text

    @property
    def subject(self) -> str:
        """The stream or monitor that the condition is about."""
        return self.key.partition('/')[0]

    @property
    def kind(self) -> str:
        """The sort of condition, without its subject."""
        return self.key.partition('/')[2]


@dataclass(frozen=True, slots=True)
class Event:
    """
    Something that happened once.

    ``kind`` is one of the words of `EVENT_KINDS`; ``subject`` the stream, monitor or topic;
    ``onset_ns`` when it began and ``detected_ns`` when it was found, both host time;
    ``values`` carries plain numbers with their unit in the key, e.g. ``{'size_s': 0.08}``.
    """

    kind: str
    subject: str
    onset_ns: int
    detected_ns: int
    text: str
    values: Mapping[str, float] = field(default_factory=dict)


EVENT_KINDS = (
    'hold', 'release', 'suspect', 'limit_near', 'manual_hold', 'manual_release', 'rebased',
    'parameter_changed', 'clock_step', 'stream_lost', 'stream_back', 'time_restarted',
    'delay_rose', 'delay_normal', 'pose_jump', 'loop_closure', 'covariance_distrusted',
    'covariance_trusted', 'message_malformed', 'frame_changed', 'qos_mismatch', 'type_mismatch',
    'storm',
)


@dataclass(frozen=True, slots=True)
class Verdict:
    """
    A monitor's judgement at one instant.

    ``source`` is 'timing', 'pose', 'camera' or 'recording'. An empty ``conditions`` means that
    everything needed has been seen and is healthy: a stream not yet seen or still settling is a
    condition too.
    ``figures`` holds plain numbers (SI, unit at the end of the key) or None where unknown.
    """

    source: str
    stamp_ns: int
    conditions: tuple[Condition, ...]
    figures: Mapping[str, float | None] = field(default_factory=dict)
