# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
What the pose that is published says of its error on a walk through a bare passage.

The standard deviations are the square roots of the diagonal of its covariance: the passage lies
along the x axis of its frame. The configuration is the packaged one, the clouds and pictures those
of the rig, whose lidar and camera see the approach and the daylight until some way inside.
"""

from dataclasses import replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import pytest
from robot_mapping_qa.configuration import load_configuration
from robot_mapping_qa.monitors import make_camera_monitor, make_pose_monitor
from robot_mapping_qa.pose.lidar_geometry import cloud_information
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.resources import share_file
from robot_mapping_qa.rig import load_scenario, Rig
from robot_mapping_qa.rig.records import Cloud, OdometrySample, Picture

UNIT, LIDAR, CAMERA = 'unit_odometry', 'roof_lidar', 'aid_camera'
LENGTH_M, BEYOND_M = 20.0, 6.0
WALK = load_configuration(share_file('config/walk_streams.yaml'))
# In the odometry's frame: here nobody tells the monitor of the map.
CONFIGURATION = replace(WALK, point_error_limit_m=None, streams=tuple(
    stream for stream in WALK.streams if stream.role != 'map_pose'))


class Walk(NamedTuple):
    """
    Variances (n, 3) of the published position at times (n,), with the share that is left open.

    Beside them when the unit passed the portals, and from when on its error really grew.
    """

    time_s: np.ndarray
    variance_m2: np.ndarray
    open_share: np.ndarray
    entered_s: float
    left_s: float
    really_open_s: float

    def variance(self, time_s):
        """Return the variances (3,) at a time."""
        return np.array([np.interp(time_s, self.time_s, axis) for axis in self.variance_m2.T])

    def gained(self, from_s, until_s):
        """Return what the standard deviations (3,) gain."""
        return np.sqrt(self.variance(until_s)) - np.sqrt(self.variance(from_s))


def scenario(speed_mps, rings, has_camera):
    walk = load_scenario('walk')
    route = replace(walk.route, speed_m_s=speed_mps, site=replace(
        walk.route.site, passage_length_m=LENGTH_M))
    walk = replace(walk, route=route, duration_s=(6.0 + LENGTH_M + BEYOND_M) / speed_mps)
    if not has_camera:
        walk = walk.with_sensor(UNIT, drift=replace(
            walk.sensors[UNIT].drift, visual_sigma_m=0.0, visual_sigma_rad=0.0))
    # A revolution of the dense lidar has as many points as one of the other.
    walk = walk.with_sensor(LIDAR, rings=rings, columns=round(14400 / rings))
    walk = walk.with_sensor(UNIT, rate_hz=25.0)
    return walk.with_sensor(CAMERA, rate_hz=CONFIGURATION.image.sample_rate_hz)


def messages(walk, has_camera):
    """Return rig and messages of unit, lidar and camera in the order of their arrival."""
    rig = Rig(walk)
    sensors = [UNIT, LIDAR, CAMERA] if has_camera else [UNIT, LIDAR]
    found = [message for name in sensors for message in Rig(walk.only(name)).messages()]
    return rig, sorted(found, key=lambda message: message.publish_ns)


@lru_cache
def walked(speed_mps, rings, has_camera):
    walk = scenario(speed_mps, rings, has_camera)
    rig, found = messages(walk, has_camera)
    monitor, cameras = make_pose_monitor(CONFIGURATION), make_camera_monitor(CONFIGURATION)
    times, variances, shares, places = [], [], [], []
    for message in found:
        payload, now_ns = message.payload, message.publish_ns
        if isinstance(payload, Cloud):
            if monitor.wants_geometry(LIDAR, now_ns):
                points = np.stack([payload.points[axis].ravel() for axis in 'xyz'], axis=-1)
                monitor.add_geometry(
                    LIDAR, cloud_information(points, CONFIGURATION.geometry), now_ns)
        elif isinstance(payload, Picture):
            cameras.add_picture(CAMERA, payload.pixels, message.stamp_ns, now_ns)
            monitor.add_camera_verdict(cameras.verdict(now_ns), now_ns)
        elif isinstance(payload, OdometrySample):
            monitor.add(Odometry(
                message.stamp_ns, message.frame, payload.child_frame, np.array(payload.position),
                np.array(payload.quaternion), payload.pose_covariance.reshape(6, 6),
                np.array(payload.linear), np.array(payload.angular),
                payload.twist_covariance.reshape(6, 6)), now_ns)
            times.append((message.measured_ns - rig.start_ns) * 1e-9)
            variances.append(monitor.corrected_pose().covariance.diagonal()[:3])
            shares.append(monitor.verdict(now_ns).figures['open_share'])
            places.append(rig.true_motion(message.measured_ns).position[0])
    times, places = np.array(times), np.array(places)
    really_open_s = next(
        episode.from_s for episode in walk.sensors[UNIT].episodes(walk.route, walk.duration_s)
        if episode.kind == 'left_open')
    return Walk(times, np.array(variances), np.array(shares), times[np.argmax(places >= 0.0)],
                times[np.argmax(places >= LENGTH_M)], really_open_s)


@pytest.mark.parametrize('speed_mps, rings, has_camera', [
    (0.7, 16, True), (1.5, 16, True), (0.7, 64, True), (0.7, 16, False)])
def test_sigma_along_a_passage_grows_within_a_second_of_entering_and_no_more_once_out(
        speed_mps, rings, has_camera):
    walk = walked(speed_mps, rings, has_camera)
    along, *across = walk.gained(walk.entered_s, walk.entered_s + 1.0)
    assert along >= 5.0 * max(across)
    inside = walk.gained(walk.entered_s + 2.0, walk.left_s - 2.0)
    assert inside[0] >= 5.0 * max(inside[1:])
    # As a variance: what is gained beside so much that was lost hardly shows in the sigma.
    middle_s = (walk.entered_s + walk.left_s) / 2.0
    in_the_middle, once_out = (
        walk.variance(time_s + 1.0)[0] - walk.variance(time_s)[0]
        for time_s in (middle_s, walk.left_s + 1.0))
    assert once_out <= 0.1 * in_the_middle
    # What was lost stays lost.
    assert walk.variance(walk.left_s + 3.0)[0] >= walk.variance(walk.left_s)[0]


@pytest.mark.parametrize('speed_mps', [0.7, 1.5])
def test_direction_counts_as_open_a_quarter_of_a_second_after_the_fading_light_leaves_it_so(
        speed_mps):
    walk = walked(speed_mps, 16, True)
    open_s = walk.time_s[np.argmax(walk.open_share > 0.5)]
    assert abs(open_s - walk.really_open_s) <= 0.25
