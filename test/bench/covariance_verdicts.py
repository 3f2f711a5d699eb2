# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
How often a right covariance is condemned, and how soon one that is too small: many walks.

    python test/bench/covariance_verdicts.py [--runs 20] [--first-seed 1] [--seconds 120]

Runs of the rig's walk with random seeds pass through the configured pose monitor without DDS:
odometry at 25 Hz, IMU and wheels at full rate; clouds as in `pose_calibration.py`, or none.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
import sys
from time import monotonic

import numpy as np
from pose_calibration import CONFIGURATION, LIDAR, odometry_of, Seen, seen, UNIT
from robot_mapping_qa.monitors import make_pose_monitor
from robot_mapping_qa.rig import load_scenario, Rig
from robot_mapping_qa.rig.records import ImuSample
from robot_mapping_qa.rig.scenario import Scenario

IMU, WHEELS = 'body_imu', 'wheels'
ODOMETRY_RATE_HZ = 25.0
SOURCES = {'IMU and wheels': (IMU, WHEELS), 'IMU': (IMU,), 'wheels': (WHEELS,)}
SLIP = {'slip_at_s': 3.0, 'slip_every_s': 30.0, 'slip_length_s': 15.0, 'slip_ratio': 0.3}


def states(scenario: Scenario, told: Seen | None, seed: int,
           ) -> list[tuple[float, bool, float | None]]:
    """Return time (s), whether it is found optimistic, and the inflation, once a second."""
    names = [*scenario.sensors, *([] if told is None else [LIDAR])]
    clouds = [] if told is None else list(reversed(told.clouds))
    configuration = replace(CONFIGURATION, check_cameras=False, streams=tuple(
        stream for stream in CONFIGURATION.streams if stream.name in names))
    monitor = make_pose_monitor(configuration)
    rig = Rig(scenario, seed=seed)
    found, next_s = [], 1.0
    for message in rig.messages():
        payload, now_ns = message.payload, message.publish_ns
        while clouds and clouds[-1][0] <= now_ns:
            at_ns, information = clouds.pop()
            monitor.add_geometry(LIDAR, information, at_ns)
        if message.sensor == UNIT:
            monitor.add(odometry_of(message), now_ns)
        elif isinstance(payload, ImuSample):
            monitor.add_motion(message.sensor, message.stamp_ns, now_ns, payload.angular)
        else:
            monitor.add_motion(message.sensor, message.stamp_ns, now_ns,
                               (*payload.angular, *payload.linear))
        time_s = (message.measured_ns - rig.start_ns) * 1e-9
        if time_s >= next_s:
            next_s += 1.0
            verdict = monitor.verdict(now_ns)
            found.append((time_s, any(c.kind == 'covariance_optimistic'
                                      for c in verdict.conditions), verdict.figures['inflation']))
    return found


def main() -> int:
    """Print the share of condemned windows (goal 0.01) and the times until it was named."""
    options = argparse.ArgumentParser(description=__doc__.strip().splitlines()[0])
    options.add_argument('--runs', type=int, default=20)
    options.add_argument('--first-seed', type=int, default=1)
    options.add_argument('--seconds', type=float, default=120.0)
    options.add_argument('--only', default='', help='cases with this in their name')
    chosen = options.parse_args()
    seeds = range(chosen.first_seed, chosen.first_seed + chosen.runs)
    walk = replace(load_scenario('walk'), duration_s=chosen.seconds).with_sensor(
        UNIT, rate_hz=ODOMETRY_RATE_HZ, map_topic=None)
    told = seen(walk)
    slipping = walk.with_sensor(WHEELS, **SLIP)
    cases = [(f'{name}, {reports}', walk.only(UNIT, *sources), told, reports)
             for name, sources in SOURCES.items() for reports in ('honest', 'optimistic')]
    cases += [
        (f'IMU and wheels, no clouds, {reports}', walk.only(UNIT, IMU, WHEELS), None, reports)
        for reports in ('honest', 'optimistic')]
    cases.append(
        ('wheels that slip for 15 s, honest', slipping.only(UNIT, WHEELS), told, 'honest'))
    for name, scenario, clouds, reports in cases:
        if chosen.only in name:
            start_s = monotonic()
            scenario = scenario.with_sensor(UNIT, reports=reports)
            runs = [states(scenario, clouds, seed) for seed in seeds]
            named = np.array([[state for _, state, _ in found] for found in runs])
            first = [next((t for t, state, _ in found if state), None) for found in runs]
            factors = [f for found in runs for _, _, f in found if f is not None]
            print(f'{name}: named in {named.mean():.4f} of the windows, first after '
                  + ' '.join('never' if t is None else f'{t:.0f}' for t in first)
                  + f' s; inflation {np.median(factors) if factors else float("nan"):.2f}; '
                  f'{monotonic() - start_s:.0f} s', flush=True)
    return 0


if __name__ == '__main__':
    sys.exit(main())
