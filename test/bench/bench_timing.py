# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Cost of the timing core: time a message, and the share of a CPU that the ticks take."""

from __future__ import annotations

from random import Random
from time import process_time

from robot_mapping_qa.timing.limits import StreamSpec, TimingLimits
from robot_mapping_qa.timing.monitor import TimingMonitor
from robot_mapping_qa.timing.stream import StreamTiming

START_NS = 1_700_000_000_000_000_000
TICK_HZ = 20.0


def _messages(rate_hz: float, duration_s: float, seed: int) -> list[tuple[int, int, int, int]]:
    """Return (stamp, receive, source, callback) with a few per cent of late messages."""
    random = Random(seed)
    period_ns = round(1e9 / rate_hz)
    made = []
    for number in range(round(rate_hz * duration_s)):
        stamp = START_NS + number * period_ns
        source = stamp + 5_000_000 + round(random.expovariate(1.0) * 1e6)
        receive = source + 200_000 + round(random.expovariate(1.0) * 1e5)
        made.append((stamp, receive, source, receive + 50_000))
    made.sort(key=lambda message: message[1])
    return made


def _per_message(rate_hz: float, duration_s: float) -> float:
    """Return the best of three runs, microseconds a message."""
    messages = _messages(rate_hz, duration_s, 1)
    best = float('inf')
    for _ in range(3):
        stream = StreamTiming(StreamSpec('camera', '/camera', rate_hz=rate_hz), TimingLimits())
        add = stream.add
        start = process_time()
        for stamp, receive, source, callback in messages:
            add(stamp, receive, source, callback)
        best = min(best, (process_time() - start) / len(messages))
    return best * 1e6


def _tick_share() -> float:
    """Return the share of one CPU that ticks and verdicts of five streams take, per cent."""
    names = ('unit', 'imu', 'camera', 'lidar', 'rear_camera')
    monitor = TimingMonitor(
        [StreamSpec(name, '/' + name, 'pose' if name == 'unit' else 'timing') for name in names],
        TimingLimits())
    for name in names:
        for stamp, receive, source, callback in _messages(20.0, 30.0, 2):
            monitor.add(name, stamp, receive, source, callback)
    now_ns = START_NS + 30_000_000_000
    rounds = 500
    start = process_time()
    for _ in range(rounds):
        monitor.tick(now_ns)
        monitor.verdict(now_ns)
    return (process_time() - start) / rounds * TICK_HZ * 100.0


def run() -> list[tuple[str, float, str, float]]:
    """Return (what, figure, unit, goal) for each measurement."""
    return [
        ('timing of one message at 200 Hz', _per_message(200.0, 100.0), 'us', 10.0),
        ('timing of one message at 15 Hz', _per_message(15.0, 600.0), 'us', 10.0),
        ('ticks and verdicts of 5 streams', _tick_share(), '% of a CPU', 1.0),
    ]


if __name__ == '__main__':
    for what, figure, unit, goal in run():
        print(f'{what}: {figure:.2f} {unit} (goal {goal:g})')
