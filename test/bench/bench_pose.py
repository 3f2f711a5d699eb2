# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Cost of the pose core: time a message of the unit's odometry, alone and with a verdict each."""

from __future__ import annotations

from time import process_time

import numpy as np
from robot_mapping_qa.pose.limits import PoseLimits
from robot_mapping_qa.pose.monitor import PoseMonitor
from robot_mapping_qa.records import Odometry

START_NS = 1_700_000_000_000_000_000
RATE_HZ = 100.0


def _messages(count: int) -> list[Odometry]:
    """Return those of a unit that goes straight on with a covariance that grows."""
    return [Odometry(
        START_NS + round(i * 1e9 / RATE_HZ), 'odom', 'unit', np.array([i / RATE_HZ, 0.0, 0.0]),
        np.array([0.0, 0.0, 0.0, 1.0]), np.diag([1e-4 + 1e-8 * i] * 3 + [1e-6] * 3),
        np.array([1.0, 0.0, 0.0]), np.zeros(3), np.diag([1e-4] * 6)) for i in range(count)]


def _per_message_us(with_verdict: bool) -> float:
    """Return the best of three runs, microseconds a message."""
    messages, best_s = _messages(3000), float('inf')
    for _ in range(3):
        monitor = PoseMonitor('unit', PoseLimits(), 3.0, rate_hz=RATE_HZ)
        start_s = process_time()
        for message in messages:
            monitor.add(message, message.stamp_ns)
            if with_verdict:
                monitor.verdict(message.stamp_ns)
        best_s = min(best_s, process_time() - start_s)
    return best_s / len(messages) * 1e6


def run() -> list[tuple[str, float, str, float | None]]:
    """Return (what, figure, unit, goal) for each measurement; a period at 100 Hz is 10,000 us."""
    return [('odometry message judged', _per_message_us(False), 'us', 1000.0),
            ('odometry message judged, with a verdict', _per_message_us(True), 'us', 1000.0)]


if __name__ == '__main__':
    for what, figure, unit, goal in run():
        print(f'{what}: {figure:.1f} {unit} (goal {goal:g})')
