# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Cost of forming sets: against message_filters where it is installed, and over streams."""

from __future__ import annotations

import importlib.util
import random
from time import process_time
from types import SimpleNamespace

from robot_mapping_qa.timing.sets import ApproximateTimeMatcher

STREAMS, QUEUE, SLOP_S = 5, 50, 0.05


def messages(stream_count: int, late: bool) -> list[tuple[int, int]]:
    """
    Return (stream, stamp_ns) in order of receipt: 15 Hz, jitter 4 ms, 2 % lost, for 40 s.

    With ``late`` the last stream comes 1.5 s after the others, as a camera does whose driver
    compresses its pictures: the other queues then hold many stamps.
    """
    generator = random.Random(stream_count)
    events = []
    for stream in range(stream_count):
        phase = generator.random() * 0.02
        delay = 1.5 if late and stream == stream_count - 1 else 0.0
        for index in range(600):
            stamp = 100 + phase + index / 15 + (generator.random() - 0.5) * 0.004
            if generator.random() >= 0.02:
                events.append(
                    (stamp + delay + generator.random() * 0.03, stream, int(stamp * 1e9)))
    return [(stream, stamp_ns) for _, stream, stamp_ns in sorted(events)]


def our_cost(stream_count: int, late: bool) -> tuple[float, list]:
    """Return microseconds a message, the best of three runs, and the sets."""
    stream = messages(stream_count, late)
    best = float('inf')
    for _ in range(3):
        matcher = ApproximateTimeMatcher(stream_count, QUEUE, int(SLOP_S * 1e9))
        sets = []
        begin = process_time()
        for number, (index, stamp_ns) in enumerate(stream):
            sets += matcher.add(index, stamp_ns, number)
        best = min(best, process_time() - begin)
    return best / len(stream) * 1e6, sets


def real_cost(stream_count: int, late: bool) -> tuple[float, list] | None:
    """Return the same for message_filters; None where only a stand-in or nothing is there."""
    spec = importlib.util.find_spec('message_filters')
    if spec is None or 'robot_mapping_qa' in str(spec.origin):
        return None
    import message_filters
    from rclpy.time import Time
    inputs = [message_filters.SimpleFilter() for _ in range(stream_count)]
    synchronizer = message_filters.ApproximateTimeSynchronizer(inputs, QUEUE, SLOP_S)
    sets = []
    synchronizer.registerCallback(
        lambda *members: sets.append(tuple(member.number for member in members)))
    # Its stamps are made beforehand: both sides are timed on matching alone.
    stream = [
        (inputs[index], SimpleNamespace(
            header=SimpleNamespace(stamp=Time(nanoseconds=stamp_ns)), number=number))
        for number, (index, stamp_ns) in enumerate(messages(stream_count, late))]
    begin = process_time()
    for source, message in stream:
        source.signalMessage(message)
    return (process_time() - begin) / len(stream) * 1e6, sets


def run() -> list[tuple[str, float, str, float | None]]:
    """Return (what, figure, unit, goal): at least 10 times faster, at most 4 times for 4 times."""
    rows = []
    for late in (False, True):
        name = f'{STREAMS} streams, queue {QUEUE}' + (', one 1.5 s late' if late else '')
        cost, sets = our_cost(STREAMS, late)
        rows.append((f'sets: {name}', cost, 'us/message', None))
        real = real_cost(STREAMS, late)
        if real is not None:
            if real[1] != sets:
                raise AssertionError(f'{name}: other sets than those of message_filters')
            rows.append((f'sets: message_filters against ours, {name}', real[0] / cost,
                         'times', 10.0))
    four, sixteen = our_cost(4, False)[0], our_cost(16, False)[0]
    rows.append(('sets: 16 streams against 4', sixteen / four, 'times', 4.0))
    return rows


if __name__ == '__main__':
    for what, figure, unit, goal in run():
        print(f'{what}: {figure:.2f} {unit}' + (f' (goal {goal:g})' if goal else ''))
