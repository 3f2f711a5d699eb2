# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Thresholds of the capture gate and of the ledger."""

from __future__ import annotations

from dataclasses import dataclass

from robot_mapping_qa.settings import setting


@dataclass(frozen=True, slots=True)
class GateLimits:
    """
    Delays and deadband of the gate, after the alarm terms of IEC 62682, and what is a place.

    On-delay: how long a soft condition must last before the gate closes. Off-delay: how long
    everything must be healthy before it opens again. Deadband: how far the point error must
    fall below its limit before it counts as healthy.
    """

    on_delay_s: float = setting(
        0.1, 0.0, 10.0,
        'How long a soft condition must last before the gate closes. Ten messages of a 100 Hz '
        'odometry: one odd message does not stop the work.')
    off_delay_s: float = setting(
        2.0, 0.0, 600.0,
        'How long everything must be healthy before the gate opens. Long enough for a person to '
        'see the change, short against the walk between two captures.')
    useful_delay_s: float = setting(
        5.0, 0.0, 600.0,
        'How long something may be wrong with a stream that is useful, not required, before the '
        'gate closes: time to finish what is being looked at.')
    deadband_fraction: float = setting(
        0.1, 0.0, 0.9,
        'Share of the limit that the point error must fall below it before the gate may open, '
        'so that an error hovering at the limit does not make the gate flutter.')
    verdict_timeout_s: float = setting(
        0.5, 0.1, 10.0,
        'Age from which a monitor counts as dead. Monitors speak at least ten times a second.')
    warn_before_s: float = setting(
        10.0, 0.0, 600.0,
        'A notice is given so long before the point error reaches its limit at the present '
        'trend: time to finish a picture series or to turn back. 0 for none.')
    warn_before_m: float = setting(
        5.0, 0.0, 1000.0,
        'The same for the way to go: a few steps back to where the pose was good. 0 for none.')
    redo_distance_m: float = setting(
        0.5, 0.0, 100.0,
        'A later trusted picture taken this near makes up for one that is not trusted. At 3 m '
        'it is a sixth of the distance, and neighbouring pictures overlap by far more (common '
        'practice, no source).')
    redo_angle_rad: float = setting(
        0.35, 0.0, 3.2,
        'And it must look the same way within this: 20 degrees, half of the field of view of a '
        'usual lens.')
    redo_merge_m: float = setting(
        1.0, 0.0, 1000.0,
        'Places to visit again that are nearer to each other along the path are one visit.')
