# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Quality of service of what the nodes read and send."""

from __future__ import annotations

from rclpy.duration import Duration
from rclpy.qos import DurabilityPolicy, HistoryPolicy, QoSProfile, ReliabilityPolicy


def _profile(depth: int, reliable: bool, latched: bool = False, **more: object) -> QoSProfile:
    return QoSProfile(
        history=HistoryPolicy.KEEP_LAST, depth=depth,
        reliability=ReliabilityPolicy.RELIABLE if reliable else ReliabilityPolicy.BEST_EFFORT,
        durability=DurabilityPolicy.TRANSIENT_LOCAL if latched else DurabilityPolicy.VOLATILE,
        **more)


def stream_qos(rate_hz: float | None) -> QoSProfile:
    """
    Return the profile to watch a stream with.

    Best effort and volatile match every publisher; the depth covers half a second, so that a
    short pause of this process does not look like a loss on the robot.
    """
    return _profile(max(10, round(0.5 * (rate_hz or 20.0))), reliable=False)


GATE_QOS = _profile(1, reliable=True, latched=True, deadline=Duration(seconds=0.5))
"""`capture_allowed`: no message within the deadline means false."""

LATCHED_QOS = _profile(1, reliable=True, latched=True)
VERDICT_QOS = _profile(1, reliable=True)
EVENT_QOS = _profile(100, reliable=True)
OUTPUT_QOS = _profile(10, reliable=True)
