# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Quality of service of what the nodes read and send."""

from __future__ import annotations

from rclpy.duration import Duration
from rclpy.qos import DurabilityPolicy, HistoryPolicy, QoSProfile, ReliabilityPolicy

_INFINITE_S = 9e9
"""The middlewares write no deadline as 0 or as some 292 years."""


def _profile(depth: int, reliable: bool, latched: bool = False,
             deadline: Duration | None = None) -> QoSProfile:
    return QoSProfile(
        history=HistoryPolicy.KEEP_LAST, depth=depth,
        reliability=ReliabilityPolicy.RELIABLE if reliable else ReliabilityPolicy.BEST_EFFORT,
        durability=DurabilityPolicy.TRANSIENT_LOCAL if latched else DurabilityPolicy.VOLATILE,
        deadline=deadline or Duration())


def stream_qos(rate_hz: float | None) -> QoSProfile:
    """
    Return the profile to watch a stream with, before it is known what its publishers offer.

    Best effort and volatile match every publisher; the depth covers half a second, so that a
    short pause of this process does not look like a loss on the robot.
    """
    return _profile(max(10, round(0.5 * (rate_hz or 20.0))), reliable=False)


def described(profile: QoSProfile) -> str:
    """Return the settings that decide whether two sides hear each other, for a person."""
    words = [profile.reliability.name.lower().replace('_', ' '),
             profile.durability.name.lower().replace('_', ' ')]
    deadline_s = profile.deadline.nanoseconds * 1e-9
    if 0.0 < deadline_s < _INFINITE_S:
        words.append(f'deadline {deadline_s:g} s')
    return ', '.join(words)


GATE_QOS = _profile(1, reliable=True, latched=True, deadline=Duration(seconds=0.5))
"""`capture_allowed`: no message within the deadline means false."""

LATCHED_QOS = _profile(1, reliable=True, latched=True)
VERDICT_QOS = _profile(1, reliable=True)
EVENT_QOS = _profile(100, reliable=True)
OUTPUT_QOS = _profile(10, reliable=True)
NEWEST_QOS = _profile(1, reliable=False)
"""For samples of a stream: what came while one was worked on is out of date."""
