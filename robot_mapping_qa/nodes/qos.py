# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Quality of service of what the nodes read and send."""

from __future__ import annotations

from typing import Iterable, NamedTuple

from rclpy.duration import Duration
from rclpy.event_handler import SubscriptionEventCallbacks
from rclpy.qos import DurabilityPolicy, HistoryPolicy, QoSProfile, ReliabilityPolicy

NO_EVENTS = SubscriptionEventCallbacks(use_default_callbacks=False)
"""
For subscriptions that need no word of a mismatch: each event costs time at every turn.

The graph says of publishers what the middleware's events would, see `WatchedTopic`.
"""

_INFINITE_S = 9e9
"""The middlewares write no deadline as 0 or as some 292 years."""


def _profile(depth: int, reliable: bool, latched: bool = False,
             deadline: Duration | None = None) -> QoSProfile:
    return QoSProfile(
        history=HistoryPolicy.KEEP_LAST, depth=depth,
        reliability=ReliabilityPolicy.RELIABLE if reliable else ReliabilityPolicy.BEST_EFFORT,
        durability=DurabilityPolicy.TRANSIENT_LOCAL if latched else DurabilityPolicy.VOLATILE,
        deadline=deadline or Duration())


class Offer(NamedTuple):
    """What every publisher of a topic can be asked for."""

    reliable: bool
    latched: bool


def common_offer(profiles: Iterable[QoSProfile]) -> Offer:
    """
    Return what all of some publishers offer.

    A subscription that asks for more than one of them offers hears nothing from that one.
    """
    profiles = tuple(profiles)
    return Offer(all(p.reliability is ReliabilityPolicy.RELIABLE for p in profiles),
                 all(p.durability is DurabilityPolicy.TRANSIENT_LOCAL for p in profiles))


def stream_qos(rate_hz: float | None, reliable: bool = False,
               latched: bool = False) -> QoSProfile:
    """
    Return the profile to watch a stream with.

    Best effort and volatile match every publisher; the depth covers half a second, so that a
    short pause of this process does not look like a loss on the robot.
    """
    return _profile(max(10, round(0.5 * (rate_hz or 20.0))), reliable, latched)


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
