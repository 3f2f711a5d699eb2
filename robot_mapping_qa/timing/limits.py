# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What the timing monitor is told: the streams to watch and the thresholds."""

from __future__ import annotations

from dataclasses import dataclass

from robot_mapping_qa.settings import setting
from robot_mapping_qa.verdicts import Severity


@dataclass(frozen=True, slots=True)
class StreamSpec:
    """
    One stream to watch.

    ``role`` is the stream's role in the configuration; exactly one stream of a monitor may have
    the role 'pose', and the others' clocks are compared with its clock. ``rate_hz`` is a first
    idea of the rate, None where it must be learned. A condition of a stream that is neither
    ``required`` nor ``useful`` is only a notice. ``delay_limit_s`` and ``silence_s`` stand in for
    the limits of `TimingLimits` where given. ``clock_sigma_s`` is the standard deviation of the
    constant offset that its clock may have against the pose stream's.
    """

    name: str
    topic: str
    role: str = 'timing'
    rate_hz: float | None = None
    required: bool = True
    delay_limit_s: float | None = None
    silence_s: float | None = None
    useful: bool = False
    clock_sigma_s: float = 0.0

    @property
    def severity(self) -> Severity:
        """What it means for captures that something is wrong with the stream."""
        if self.required:
            return Severity.HARD
        return Severity.SOFT if self.useful else Severity.NOTICE


@dataclass(frozen=True, slots=True)
class TimingLimits:
    """What every stream's stamps and delays are held against."""

    settle_s: float = setting(
        2.0, 0.5, 600.0,
        'How long a stream is watched before it is judged, and at least 16 messages. At 10 Hz '
        'that is 20 messages, enough to know its period and its smallest delay. Longer is not '
        'safer: a clock that steps meanwhile counts as it is afterwards.')
    silence_s: float = setting(
        0.35, 0.05, 60.0,
        'Time without a message from which a stream counts as silent, and never less than five '
        'of its periods. Short pauses of a busy host stay below it.')
    delay_limit_s: float = setting(
        0.15, 0.001, 60.0,
        'Largest time from a stamp to its arrival. At 1 m/s the robot is 0.15 m further on.')
    ahead_limit_s: float = setting(
        0.05, 0.001, 60.0,
        'Furthest that stamps may lie ahead of the host. Delays are positive: a stamp from the '
        'future means that the clocks differ by more than this.')
    time_error_limit_s: float = setting(
        0.02, 0.0005, 10.0,
        "Furthest that a stream's clock may move against the pose stream's since it settled. At "
        '0.5 rad/s and 3 m that moves a point on the structure by 30 mm.')
    step_s: float = setting(
        0.001, 0.0002, 1.0,
        'Smallest clock step that is looked for. Smaller ones drown in the delay of a network.')
    malformed_hold_s: float = setting(
        1.0, 0.1, 60.0,
        'How long after its last unreadable message a stream counts as malformed.')
    set_slop_s: float = setting(
        0.05, 0.001, 1.0,
        'Stamps of a set of messages across the streams differ by less than this. Half the period '
        'of a 10 Hz lidar: every picture then has a scan.')
