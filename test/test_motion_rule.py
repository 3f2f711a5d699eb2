# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Gentle level motion may rely on lidar alone; rotating or aggressive motion needs a camera."""

from dataclasses import replace

import numpy as np
from open_data import evo_data
import pytest
from robot_mapping_qa.pose.image_health import ImageHealthMonitor
from robot_mapping_qa.pose.image_limits import ImageLimits
from robot_mapping_qa.pose.limits import PoseLimits
from robot_mapping_qa.pose.motion import MotionMonitor
from robot_mapping_qa.pose.motion_limits import MotionLimits
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.verdicts import Severity
from scipy.spatial.transform import Rotation

S = 1_000_000_000
START_NS = 1_700_000_000 * S
DELAY_NS = 4_000_000
NAME = 'unit_odometry'


class Camera:
    """An aiding camera in the state it is told."""

    def __init__(self, problem=None, name='front_camera'):
        self.name = name
        self.state = problem

    def problem(self, _now_ns):
        return self.state


def still(times):
    return np.zeros((len(times), 3)), Rotation.identity(len(times))


def about_z(angles):
    return Rotation.from_rotvec(angles[:, None] * np.array([0.0, 0.0, 1.0]))


def turning(rate, axis=(0.0, 0.0, 1.0), mount=None):
    """Return a motion on the spot about a fixed axis, of a unit that is mounted at an angle."""
    def at(times):
        turns = Rotation.from_rotvec(rate * times[:, None] * np.array(axis))
        return still(times)[0], turns if mount is None else turns * mount
    return at


def accelerating(mps2):
    return lambda times: (0.5 * mps2 * times[:, None] ** 2 * np.array([0.6, 0.0, 0.8]),
                          still(times)[1])


def circling(speed_mps, radius_m):
    """Return a drive around a circle: acceleration v^2 / r, turn rate v / r."""
    def at(times):
        angle = speed_mps / radius_m * times
        place = radius_m * np.stack([np.cos(angle), np.sin(angle), 0.0 * angle], axis=1)
        return place, about_z(angle + np.pi / 2)
    return at


def poses(motion, duration_s=1.0, rate_hz=100.0, noise_m=0.0, noise_rad=0.0, start_ns=START_NS):
    rng = np.random.default_rng(8)
    times = np.arange(round(duration_s * rate_hz)) / rate_hz
    places, turns = motion(times)
    places = places + noise_m * rng.standard_normal(places.shape)
    turns = turns * Rotation.from_rotvec(noise_rad * rng.standard_normal(places.shape))
    return [Odometry(start_ns + round(time_s * S), 'odom', 'unit', place, quaternion,
                     np.eye(6), None, None, None)
            for time_s, place, quaternion in zip(times, places, turns.as_quat())]


def monitor(*cameras, scan_rate_hz=None, **limits):
    return MotionMonitor(NAME, MotionLimits(**limits), cameras, scan_rate_hz)


def feed(unit, messages):
    """Give poses as they come; return what held at any time, by key, and the time after them."""
    seen = {}
    for odometry in messages:
        now_ns = odometry.stamp_ns + DELAY_NS
        unit.add(odometry, now_ns)
        for condition in unit.conditions(now_ns):
            seen.setdefault(condition.key, []).append(condition)
    return seen, now_ns


@pytest.mark.parametrize('motion', [
    still, circling(1.0, 2.0), accelerating(1.5), turning(0.6), turning(0.3, (0.0, 1.0, 0.0))])
def test_gentle_level_motion_needs_no_camera_and_noise_makes_no_alarm(motion):
    for cameras in ((), (Camera('front_camera is blurred'),)):
        unit = monitor(*cameras)
        messages = poses(motion, 2.0, noise_m=0.003, noise_rad=0.003)
        assert feed(unit, messages)[0] == {}


@pytest.mark.parametrize('motion, what', [
    (turning(1.8), 'turning at 1.8 rad/s'),
    (turning(-1.8), 'turning at 1.8 rad/s'),
    (turning(0.6, (0.0, 1.0, 0.0)), 'tilting at 0.6 rad/s'),
    (accelerating(5.0), 'accelerating at 5.0 m/s2'),
    (circling(2.0, 1.0), 'turning at 2.0 rad/s and accelerating at 4.0 m/s2'),
])
def test_rotating_or_aggressive_motion_needs_a_healthy_camera_and_both_are_named(motion, what):
    messages = poses(motion)
    limits = {'sweep_limit_rad': 1.0, 'sweep_limit_m': 1.0}
    healthy = monitor(Camera(), **limits)
    assert feed(healthy, messages)[0] == {}
    why = 'front_camera is too dark (82 % of the picture is black)'
    seen, _ = feed(monitor(Camera(why), **limits), messages)
    assert list(seen) == [f'{NAME}/unaided']
    condition = seen[f'{NAME}/unaided'][-1]
    assert condition.text == f'{NAME} is {what} without a healthy aiding camera: {why}'
    assert condition.severity is Severity.SOFT


def test_one_healthy_camera_of_two_will_do():
    bad = 'front_camera is blurred', 'no picture of rear_camera for 3.2 s'
    front, rear = Camera(bad[0]), Camera(bad[1], 'rear_camera')
    messages = poses(turning(1.2))
    seen, _ = feed(monitor(front, rear), messages)
    assert seen[f'{NAME}/unaided'][-1].text.endswith('aiding camera: ' + ' and '.join(bad))
    rear.state = None
    assert feed(monitor(front, rear), messages)[0] == {}


def test_without_any_aiding_camera_configured_it_is_a_notice():
    seen, _ = feed(monitor(), poses(turning(1.2)))
    condition = seen[f'{NAME}/unaided'][-1]
    assert condition.severity is Severity.NOTICE
    assert condition.text == (
        f'{NAME} is turning at 1.2 rad/s; no aiding camera is configured, so it is not known '
        'whether it can follow that')


def test_a_camera_that_really_is_in_the_dark():
    camera = ImageHealthMonitor('front_camera', ImageLimits(), captures=False)
    unit = monitor(camera)
    black = np.zeros((480, 640), dtype=np.uint8)
    pictures = iter(range(START_NS, START_NS + 10 * S, 250_000_000))
    messages = poses(turning(1.8), 1.5)
    texts, next_ns = [], next(pictures)
    for odometry in messages:
        while odometry.stamp_ns >= next_ns:
            camera.add(black, next_ns, next_ns)
            next_ns = next(pictures)
        unit.add(odometry, odometry.stamp_ns)
        texts += [condition.text for condition in unit.conditions(odometry.stamp_ns)]
    assert texts[-1] == (
        f'{NAME} is turning at 1.8 rad/s without a healthy aiding camera: front_camera is too '
        'dark (100 % of the picture is black)')


def test_turning_of_a_unit_that_is_mounted_at_an_angle_is_not_tilting():
    mount = Rotation.from_euler('y', 45.0, degrees=True)
    unit = monitor(Camera('front_camera is blurred'))
    seen, now_ns = feed(unit, poses(turning(0.7, mount=mount)))
    assert seen == {}
    motion = unit.motion(now_ns)
    assert motion.turn_rate_radps == pytest.approx(0.7, abs=1e-6)
    assert motion.tilt_rate_radps == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize('rate_hz', [5.0, 10.0, 30.0, 100.0, 400.0])
def test_figures_of_a_circle_are_those_of_mechanics(rate_hz):
    unit = monitor(scan_rate_hz=20.0)
    _, now_ns = feed(unit, poses(circling(1.5, 3.0), 2.0, rate_hz))
    motion = unit.motion(now_ns)
    # The chord of what was turned in 0.4 to 0.6 s is shorter than the arc by up to 1 %.
    assert motion.speed_mps == pytest.approx(1.5, rel=0.01)
    assert motion.acceleration_mps2 == pytest.approx(1.5 ** 2 / 3.0, rel=0.01)
    assert motion.turn_rate_radps == pytest.approx(0.5, rel=1e-6)
    figures = unit.figures(now_ns)
    assert figures['sweep_rad'] == pytest.approx(0.5 / 20.0, rel=1e-6)
    assert figures['sweep_m'] == pytest.approx(1.5 / 20.0, rel=0.01)


def test_figures_of_a_real_flight_agree_with_its_own_velocities():
    # EuRoC V1_02: stamp, position, quaternion w x y z, velocity as the data set's authors have it.
    table = np.loadtxt(evo_data() / 'V102_groundtruth.csv', delimiter=',')
    stamps, velocities = table[:, 0].astype(np.int64), table[:, 8:11]
    unit = monitor()
    found, expected = [], []
    for row, stamp_ns in enumerate(stamps.tolist()):
        unit.add(Odometry(stamp_ns, 'odom', 'unit', table[row, 1:4], table[row, [5, 6, 7, 4]],
                          np.eye(6), None, None, None), stamp_ns)
        motion = unit.motion(stamp_ns) if row >= 80 and row % 20 == 0 else None
        if motion is not None:
            # The figures belong to the middle of the last 0.4 s, 40 of 200 rows a second ago.
            found.append((motion.speed_mps, motion.acceleration_mps2))
            change = np.polyfit(np.arange(81) / 200.0, velocities[row - 80:row + 1], 1)[0]
            expected.append((np.linalg.norm(velocities[row - 40]), np.linalg.norm(change)))
    assert len(found) > 800
    errors = np.abs(np.array(found) - expected).mean(axis=0) / np.mean(expected, axis=0)
    assert errors[0] < 0.02
    assert errors[1] < 0.04


def test_noise_of_the_pose_leaves_the_figures_close_to_zero():
    unit = monitor()
    accelerations = []
    for odometry in poses(still, 12.0, noise_m=0.005):
        now_ns = odometry.stamp_ns + DELAY_NS
        unit.add(odometry, now_ns)
        motion = unit.motion(now_ns)
        accelerations.append(motion.acceleration_mps2 if motion else 0.0)
    # 0.13 m/s2 along each axis: sigma sqrt(720 / (n T^4)), the variance of the curvature of a
    # parabola fitted to n values over the time T (Taylor, An Introduction to Error Analysis,
    # section 8; the closed form from memory).
    assert np.sqrt(np.mean(np.square(accelerations)) / 3.0) == pytest.approx(0.13, rel=0.15)


def test_a_scan_that_sweeps_too_far_is_named_even_with_a_healthy_camera():
    seen, _ = feed(monitor(Camera(), scan_rate_hz=10.0), poses(turning(2.5)))
    assert list(seen) == [f'{NAME}/sweep']
    assert seen[f'{NAME}/sweep'][-1].text == (
        f'{NAME} turns 0.25 rad (limit 0.2 rad) during one lidar scan of 0.1 s')
    # Twice as many scans sweep half as far each.
    assert feed(monitor(Camera(), scan_rate_hz=20.0), poses(turning(2.5)))[0] == {}
    fast = poses(lambda times: (times[:, None] * np.array([4.0, 0.0, 0.0]), still(times)[1]))
    seen, _ = feed(monitor(Camera()), fast)
    assert seen[f'{NAME}/sweep'][-1].text == (
        f'{NAME} moves 0.40 m (limit 0.3 m) during one lidar scan of 0.1 s')


def test_turning_is_noticed_soon_shown_for_a_while_and_kept_at_its_worst():
    unit = monitor(Camera('front_camera is blurred'))
    shown = {}
    # Two seconds at rest, one of turning, two at rest.
    for odometry in poses(lambda times: (
            still(times)[0], about_z(1.8 * np.clip(times - 2.0, 0.0, 1.0))), 5.0):
        now_ns = odometry.stamp_ns + DELAY_NS
        unit.add(odometry, now_ns)
        for condition in unit.conditions(now_ns):
            shown[(odometry.stamp_ns - START_NS) / S] = condition
    assert 2.0 < min(shown) < 2.25
    assert 3.3 < max(shown) < 3.8
    # Without a pause, and one and the same.
    assert len(shown) == pytest.approx(100 * (max(shown) - min(shown)), abs=2)
    onset, = {condition.onset_ns for condition in shown.values()}
    assert 1.9 < (onset - START_NS) / S < 2.1
    last = shown[max(shown)]
    assert 'turning at 1.8 rad/s' not in last.text
    assert last.for_the_record == (
        f'{NAME} is turning at 1.8 rad/s without a healthy aiding camera: front_camera is '
        'blurred')


def test_a_jump_is_taken_for_motion_no_longer_than_it_holds_the_gate_by_itself():
    unit = monitor(Camera('front_camera is blurred'))
    shown_ns = set()
    for odometry in poses(lambda times: (
            0.5 * (times >= 1.0)[:, None] * np.array([1.0, 0.0, 0.0]), still(times)[1]), 4.0):
        now_ns = odometry.stamp_ns + DELAY_NS
        unit.add(odometry, now_ns)
        if unit.conditions(now_ns):
            shown_ns.add(odometry.stamp_ns - START_NS)
    assert S <= min(shown_ns) < 1.1 * S
    assert max(shown_ns) < (1.0 + PoseLimits().jump_hold_s) * S


def test_poses_that_are_none_or_out_of_order_change_nothing():
    unit, spoiled = monitor(), monitor()
    for odometry in poses(circling(1.0, 2.0)):
        now_ns = odometry.stamp_ns + DELAY_NS
        unit.add(odometry, now_ns)
        spoiled.add(odometry, now_ns)
        spoiled.add(replace(odometry, stamp_ns=odometry.stamp_ns - 15_000_000), now_ns)
        spoiled.add(replace(odometry, stamp_ns=odometry.stamp_ns + 1,
                            position_m=np.full(3, np.nan)), now_ns)
        spoiled.add(replace(odometry, stamp_ns=odometry.stamp_ns + 1,
                            quaternion=np.zeros(4)), now_ns)
    assert spoiled.motion(now_ns) == unit.motion(now_ns)


def test_host_time_that_is_set_back_leaves_nothing_hanging():
    unit = monitor(Camera('front_camera is blurred'))
    seen, _ = feed(unit, poses(turning(1.8)))
    assert seen
    assert feed(unit, poses(still, start_ns=START_NS - 1000 * S))[0] == {}


def test_what_is_not_known_is_none():
    unit = monitor()
    nothing = {'acceleration_mps2': None, 'tilt_rate_radps': None, 'sweep_rad': None,
               'sweep_m': None}
    assert unit.figures(START_NS) == nothing
    messages = poses(turning(0.5))
    feed(unit, messages[:3])
    assert unit.figures(messages[2].stamp_ns + DELAY_NS) == nothing
    _, now_ns = feed(unit, messages[3:])
    assert unit.figures(now_ns)['tilt_rate_radps'] == pytest.approx(0.0, abs=1e-6)
    # Silent for a second, and then in another frame or a second later: not one motion.
    assert unit.figures(now_ns + S) == nothing
    later = poses(turning(0.5), start_ns=START_NS + 10 * S)
    feed(unit, later[:3])
    assert unit.figures(later[2].stamp_ns + DELAY_NS) == nothing
    moved = [replace(pose, frame='map') for pose in later[3:6]]
    feed(unit, moved)
    assert unit.figures(moved[-1].stamp_ns + DELAY_NS) == nothing
    # Played again from the start.
    feed(unit, messages)
    assert unit.figures(now_ns)['sweep_rad'] == pytest.approx(0.05, rel=1e-6)
