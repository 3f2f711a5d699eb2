# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Thresholds of the capture gate."""

from __future__ import annotations

from dataclasses import dataclass

from robot_mapping_qa.settings import setting


@dataclass(frozen=True, slots=True)
class GateLimits:
    """
    Delays and deadband of the gate, after the alarm terms of IEC 62682.

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
    deadband_fraction: float = setting(
        0.1, 0.0, 0.9,
        'Share of the limit that the point error must fall below it before the gate may open, '
        'so that an error hovering at the limit does not make the gate flutter.')
    verdict_timeout_s: float = setting(
        0.5, 0.1, 10.0,
        'Age from which a monitor counts as dead. Monitors speak at least ten times a second.')
