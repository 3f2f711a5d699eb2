# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Made-up streams with known clocks and delays, for the tests of the timing core."""

from __future__ import annotations

import numpy as np

from robot_mapping_qa.timing.limits import StreamSpec, TimingLimits
from robot_mapping_qa.timing.monitor import TimingMonitor
from robot_mapping_qa.timing.stream import StreamTiming

START_NS = 1_700_000_000_000_000_000
TICK_NS = 50_000_000


def queueing(kind, count, rate_hz, rng):
    """Return what is added to the smallest delay, seconds (count,)."""
    if kind == 'none':
        return np.zeros(count)
    if kind == 'exponential':
        return rng.exponential(2e-3, count)
    if kind == 'gamma':
        return rng.gamma(2.0, 1e-3, count)
    if kind == 'slow':
        return rng.gamma(2.0, 3e-3, count)
    if kind == 'bimodal':
        return np.where(rng.random(count) < 0.4, 0.0, 25e-3) + rng.gamma(2.0, 0.5e-3, count)
    delay = rng.exponential(1e-3, count)
    time = np.arange(count) / rate_hz
    start = rng.exponential(15.0)
    while start < time[-1]:
        length = rng.exponential(3.0)
        struck = (time >= start) & (time < start + length)
        if kind == 'bursty':
            delay[struck] += rng.exponential(20e-3) + rng.exponential(5e-3, struck.sum())
        elif kind == 'paused':
            delay[struck] += np.maximum(0.0, start + min(length, 0.5) - time[struck])
        elif kind == 'two ways':
            delay[struck] += 40e-3
        start += length + rng.exponential(15.0)
    return delay


def stream(rate_hz, duration_s, rng, *, kind='gamma', least_s=0.02, offset_s=0.0, skew_ppm=0.0,
           drift_ppm_per_min=0.0, steps=(), slew=None, delays=(), silence=None, loss=0.0,
           reordered=0.0, duplicated=0.0, in_order=False):
    """
    Return stamps and receive times (n,) in ns, in order of arrival.

    ``steps`` are (at_s, size_s) of the clock, ``slew`` is (from_s, to_s, ppm), ``delays`` are
    (from_s, to_s, smallest delay), ``silence`` is (from_s, to_s).
    """
    count = round(rate_hz * duration_s)
    time = np.arange(count) / rate_hz
    offset = offset_s + skew_ppm * 1e-6 * time + 0.5 * drift_ppm_per_min * 1e-6 / 60.0 * time ** 2
    for at_s, size_s in steps:
        offset += np.where(time >= at_s, size_s, 0.0)
    if slew is not None:
        offset += slew[2] * 1e-6 * np.clip(time - slew[0], 0.0, slew[1] - slew[0])
    least = np.full(count, least_s)
    for from_s, to_s, delay_s in delays:
        least[(time >= from_s) & (time < to_s)] = delay_s
    delay = least + queueing(kind, count, rate_hz, rng)
    struck = rng.random(count) < reordered
    delay[struck] += rng.uniform(1.0, 3.0, struck.sum()) / rate_hz
    arrival = time + delay
    if in_order:
        arrival = np.maximum.accumulate(arrival)
    keep = rng.random(count) >= loss
    if silence is not None:
        keep &= (time < silence[0]) | (time >= silence[1])
    stamps = np.rint((time + offset)[keep] * 1e9).astype(np.int64) + START_NS
    arrivals = np.rint(arrival[keep] * 1e9).astype(np.int64) + START_NS
    twice = rng.random(len(stamps)) < duplicated
    stamps = np.concatenate([stamps, stamps[twice]])
    arrivals = np.concatenate([arrivals, arrivals[twice] + 300_000])
    order = np.argsort(arrivals, kind='stable')
    return stamps[order].tolist(), arrivals[order].tolist()


def seconds(time_ns):
    """Return host time in seconds after the start."""
    return (time_ns - START_NS) * 1e-9


def watch(stamps, arrivals, **spec):
    """Feed one stream; return its `StreamTiming` and the events in order."""
    watched = StreamTiming(StreamSpec('camera', '/camera', **spec), TimingLimits())
    events = []
    tick = START_NS
    for stamp, arrival in zip(stamps, arrivals):
        while tick < arrival:
            events += watched.tick(tick)
            tick += TICK_NS
        events += watched.add(stamp, arrival)
    return watched, events


def watch_together(streams, until_s, roles=(), limits=TimingLimits(), start_s=0.0,
                   only_watched=()):
    """
    Feed {name: (stamps, arrivals)} to a monitor, merged by time of arrival.

    All are required but those that are ``only_watched``. Return the monitor, the events, and a
    verdict for each tick.
    """
    roles = dict(roles)
    monitor = TimingMonitor([StreamSpec(name, '/' + name, roles.get(name, 'timing'),
                                        required=name not in only_watched)
                             for name in streams], limits)
    merged = sorted((arrival, name, stamp) for name, (stamps, arrivals) in streams.items()
                    for stamp, arrival in zip(stamps, arrivals))
    events, verdicts = [], []
    place = 0
    for tick in range(START_NS + round(start_s * 1e9), START_NS + round(until_s * 1e9), TICK_NS):
        while place < len(merged) and merged[place][0] <= tick:
            arrival, name, stamp = merged[place]
            events += monitor.add(name, stamp, arrival)
            place += 1
        events += monitor.tick(tick)
        verdicts.append(monitor.verdict(tick))
    return monitor, events, verdicts
