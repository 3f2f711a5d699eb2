# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
How well the estimated pose error is calibrated: many runs of the rig's walk with random seeds.

    python test/bench/pose_calibration.py [--runs 200] [--variants walk,fast] [--first-seed 1000]

Each run passes through the configured pose monitor without DDS: odometry, map pose, clouds and
the health of the aiding camera. The pose that it publishes is compared with the truth once a
second. What is shortened, so that hundreds of runs take minutes: odometry at 2.5 Hz (the drift of
a run does not depend on it), no outlook for the limit; clouds are scanned 2.5 times a second,
which is as often as they are judged, and clouds and pictures are drawn once a variant, as they
depend on the place and not on the unit's drift. The motion streams, which only judge the reported
covariance, are left out; see `covariance_verdicts.py`.

The rig's unit errs by the same model as the estimate, so most variants say whether that is carried
on rightly from what the clouds tell, not whether the model is true of a unit. What it is worth for
one that errs otherwise, the variants of `other_errors.py` and those of other persistence say.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
import sys
from time import monotonic
from typing import Any, Callable
from unittest.mock import patch

import numpy as np
from other_errors import AlikeRegistrations, AlikeSmallerRegistrations, Slips
from robot_mapping_qa.configuration import load_configuration
from robot_mapping_qa.monitors import make_camera_monitor, make_pose_monitor
from robot_mapping_qa.pose.lidar_geometry import cloud_information
from robot_mapping_qa.pose.point_error import error_radius
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.resources import share_file
from robot_mapping_qa.rig import lidar_odometry, load_scenario, Rig
from robot_mapping_qa.rig.drift import DrawnError
from robot_mapping_qa.rig.records import Message, Picture
from robot_mapping_qa.rig.scenario import Scenario
from robot_mapping_qa.verdicts import Verdict

UNIT, LIDAR, CAMERA = 'unit_odometry', 'roof_lidar', 'aid_camera'
CLOUD_RATE_HZ, ODOMETRY_RATE_HZ, SAMPLE_S = 2.5, 2.5, 1.0
CONFIGURATION = replace(
    load_configuration(share_file('config/walk_streams.yaml')), point_error_limit_m=None)


def _route(scenario: Scenario, site: dict[str, Any] | None = None, **changes: Any) -> Scenario:
    route = scenario.route
    return replace(scenario, route=replace(
        route, site=replace(route.site, **(site or {})), **changes))


def _drift(scenario: Scenario, **changes: Any) -> Scenario:
    drift = scenario.sensors[UNIT].drift
    return scenario.with_sensor(UNIT, drift=replace(drift, **changes))


VARIANTS: dict[str, Callable[[Scenario], Scenario]] = {
    'walk': lambda walk: walk,
    'fast': lambda walk: replace(_route(walk, speed_m_s=1.1), duration_s=190.0),
    'slow': lambda walk: replace(_route(walk, speed_m_s=0.5), duration_s=420.0),
    'short passage': lambda walk: replace(
        _route(walk, {'passage_length_m': 40.0}), duration_s=230.0),
    'long passage': lambda walk: replace(
        _route(walk, {'passage_length_m': 90.0}), duration_s=400.0),
    'other hall': lambda walk: _route(walk, {'clutter': 20, 'clutter_seed': 5}),
    'wide passage': lambda walk: _route(walk, {'passage_width_m': 4.0}),
    'lit passage': lambda walk: _route(walk, {'passage_light_lux': 500.0}),
    'noisier dead reckoning': lambda walk: _drift(walk, speed_error=0.025),
    'quieter dead reckoning': lambda walk: _drift(walk, speed_error=0.015),
    'other lidar': lambda walk: walk.with_sensor(
        LIDAR, rings=32, columns=600, range_noise_m=0.02, range_m=40.0),
    'reckoning lasts 1 m': lambda walk: _drift(walk, speed_error_lasts_m=1.0),
    'reckoning lasts 10 m': lambda walk: _drift(walk, speed_error_lasts_m=10.0),
    'scale lasts 20 m': lambda walk: _drift(walk, scale_error_lasts_m=20.0),
    'scale lasts 1 km': lambda walk: _drift(walk, scale_error_lasts_m=1000.0),
}
"""Runs that differ from the packaged walk, as those of another judge may."""

ERRORS: dict[str, type[DrawnError]] = {
    'alike registrations': AlikeRegistrations,
    'alike smaller registrations': AlikeSmallerRegistrations,
    'slips': Slips,
}
"""The packaged walk of units whose errors are made otherwise than the estimate assumes."""


@dataclass(frozen=True)
class Seen:
    """What the lidar and the camera of a variant tell, by receive time (ns)."""

    scenario: Scenario
    clouds: list[tuple[int, np.ndarray]]
    camera: list[tuple[int, Verdict]]


@dataclass(frozen=True)
class Runs:
    """
    Samples of all runs of one variant.

    ``time_s`` (n,) after the start, ``stretch`` (n,) of the site, ``is_open`` (n,) whether the
    unit is really left open there, ``error_m`` and ``radius_m`` (runs, n).
    """

    time_s: np.ndarray
    stretch: np.ndarray
    is_open: np.ndarray
    error_m: np.ndarray
    radius_m: np.ndarray


def messages(scenario: Scenario, sensor: str, seed: int | None = None) -> list[Message]:
    """Return the messages of one sensor alone."""
    return list(Rig(scenario.only(sensor), seed=seed).messages())


def seen(scenario: Scenario) -> Seen:
    """Scan and photograph along the walk, once for all runs of a variant."""
    clouds = []
    for message in messages(scenario.with_sensor(LIDAR, rate_hz=CLOUD_RATE_HZ), LIDAR):
        points = np.stack([message.payload.points[axis].ravel() for axis in 'xyz'], axis=-1)
        clouds.append((message.publish_ns, cloud_information(points, CONFIGURATION.geometry)))
    cameras, verdicts = make_camera_monitor(CONFIGURATION), []
    rate_hz = CONFIGURATION.image.sample_rate_hz
    for message in messages(scenario.with_sensor(CAMERA, rate_hz=rate_hz), CAMERA):
        if isinstance(message.payload, Picture):
            now_ns = message.publish_ns
            cameras.add_picture(CAMERA, message.payload.pixels, message.stamp_ns, now_ns)
            verdicts.append((now_ns, cameras.verdict(now_ns)))
    return Seen(scenario, clouds, verdicts)


def odometry_of(message: Message) -> Odometry:
    """Return a message of the unit as the monitor takes it."""
    payload = message.payload
    linear = getattr(payload, 'linear', None)
    return Odometry(
        message.stamp_ns, message.frame, getattr(payload, 'child_frame', ''),
        np.array(payload.position), np.array(payload.quaternion),
        (payload.pose_covariance if linear is not None else payload.covariance).reshape(6, 6),
        None if linear is None else np.array(linear),
        None if linear is None else np.array(payload.angular),
        None if linear is None else payload.twist_covariance.reshape(6, 6))


def run(told: Seen, seed: int) -> list[tuple[float, float, float]]:
    """Return time (s), error (m) and estimated 95 % radius (m) of one run, once a second."""
    monitor = make_pose_monitor(CONFIGURATION)
    scenario = told.scenario
    rig = Rig(scenario.only(UNIT).with_sensor(UNIT, rate_hz=ODOMETRY_RATE_HZ, map_every=1),
              seed=seed)
    clouds, camera = list(reversed(told.clouds)), list(reversed(told.camera))
    samples, next_s = [], SAMPLE_S
    topic = scenario.sensors[UNIT].topic
    for message in rig.messages():
        now_ns = message.publish_ns
        while clouds and clouds[-1][0] <= now_ns:
            at_ns, information = clouds.pop()
            if monitor.wants_geometry(LIDAR, at_ns):
                monitor.add_geometry(LIDAR, information, at_ns)
        while camera and camera[-1][0] <= now_ns:
            at_ns, verdict = camera.pop()
            monitor.add_camera_verdict(verdict, at_ns)
        if message.topic == topic:
            monitor.add(odometry_of(message), now_ns)
            continue
        monitor.add_map_pose(odometry_of(message), now_ns)
        time_s = (message.measured_ns - rig.start_ns) * 1e-9
        if time_s >= next_s:
            next_s += SAMPLE_S
            published = monitor.corrected_pose()
            true = rig.true_motion(message.measured_ns).position
            samples.append((time_s, float(np.linalg.norm(published.position_m - true)),
                            float(error_radius(published.covariance[:3, :3]))))
    return samples


def all_runs(told: Seen, seeds: range) -> Runs:
    """Return the samples of many runs; those of a variant lie at the same seconds."""
    found = [run(told, seed) for seed in seeds]
    count = min(map(len, found))
    table = np.array([samples[:count] for samples in found])
    time_s = np.arange(1, count + 1) * SAMPLE_S
    scenario = told.scenario
    route = scenario.route
    stretch = np.array([route.site.stretch(route.at(t).position) for t in time_s])
    episodes = [e for e in scenario.sensors[UNIT].episodes(route, scenario.duration_s)
                if e.kind == 'left_open']
    is_open = np.array([any(e.from_s <= t <= e.until_s for e in episodes) for t in time_s])
    return Runs(time_s, stretch, is_open, table[:, :, 1], table[:, :, 2])


def figures(runs: Runs) -> list[tuple[str, float, float]]:
    """Return of each part of the walk its name, the coverage and the mean ratio."""
    covered = runs.error_m <= runs.radius_m
    ratio = runs.radius_m.mean(axis=0) / np.quantile(runs.error_m, 0.95, axis=0)
    parts = [('healthy', runs.stretch != 'passage'), ('degraded', runs.stretch == 'passage'),
             ('held', ~runs.is_open), ('left open', runs.is_open)]
    parts += [(str(name), runs.stretch == name) for name in dict.fromkeys(runs.stretch)]
    parts.append(('all', np.ones(len(runs.time_s), bool)))
    return [(name, float(covered[:, chosen].mean()), float(ratio[chosen].mean()))
            for name, chosen in parts if chosen.any()]


def main() -> int:
    """Print coverage (goal 0.93 to 0.98) and ratio (goal 1.6 at most) of each variant."""
    options = argparse.ArgumentParser(description=__doc__.strip().splitlines()[0])
    options.add_argument('--runs', type=int, default=200)
    options.add_argument('--first-seed', type=int, default=1000)
    options.add_argument('--variants', default='walk')
    options.add_argument('--keep', help='folder for the samples, as .npz')
    chosen = options.parse_args()
    names = [*VARIANTS, *ERRORS] if chosen.variants == 'all' else chosen.variants.split(',')
    seeds = range(chosen.first_seed, chosen.first_seed + chosen.runs)
    for name in names:
        start_s = monotonic()
        told = seen(VARIANTS[name if name in VARIANTS else 'walk'](load_scenario('walk')))
        with patch.object(lidar_odometry, 'DrawnError', ERRORS.get(name, DrawnError)):
            runs = all_runs(told, seeds)
        print(f'{name}: {chosen.runs} runs, {monotonic() - start_s:.0f} s', flush=True)
        for part, coverage, ratio in figures(runs):
            print(f'  {part:12} coverage {coverage:.3f}   ratio {ratio:.2f}', flush=True)
        if chosen.keep:
            np.savez(f'{chosen.keep}/{name.replace(" ", "_")}.npz', **vars(runs))
    return 0


if __name__ == '__main__':
    sys.exit(main())
