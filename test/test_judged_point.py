# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Which point error counts: of several cameras the worst, of report and estimate the larger."""

from itertools import permutations

import numpy as np
import pytest
from robot_mapping_qa.capture.gate import Gate
from robot_mapping_qa.capture.ledger import Ledger
from robot_mapping_qa.capture.time_error import TimeError
from robot_mapping_qa.configuration import configuration_from_parameters
from robot_mapping_qa.monitors import make_pose_monitor
from robot_mapping_qa.pose.degradation_limits import DegradationLimits
from robot_mapping_qa.pose.error_estimate import ErrorEstimate
from robot_mapping_qa.pose.point_error import point_error_m
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.verdicts import Verdict
from robot_mapping_qa.views import capture_views
from scipy.spatial.transform import Rotation

MS = 1_000_000
LIMIT_M = 0.05
LEVEL = np.array([0.0, 0.0, 0.0, 1.0])


def configuration(cameras, limit_m=LIMIT_M):
    """Return that of a unit and cameras, given by name and roll, pitch, yaw of their mounts."""
    parameters = {
        'streams': ['unit', *cameras], 'working_distance_m': 3.0, 'point_error_limit_m': limit_m,
        'unit.topic': '/unit', 'unit.type': 'nav_msgs/msg/Odometry', 'unit.role': 'pose',
        'unit.rate_hz': 100.0}
    for name, mount_rpy_rad in cameras.items():
        parameters |= {
            f'{name}.topic': f'/{name}', f'{name}.type': 'sensor_msgs/msg/Image',
            f'{name}.role': 'capture', f'{name}.mount_rpy_rad': mount_rpy_rad}
    return configuration_from_parameters(parameters)


def pose(i, rotation_sigmas_rad, position_m=None, speed_mps=0.2):
    """Return a pose on a straight way; its covariance grows a little, so that it is trusted."""
    covariance = np.diag([1e-6] * 3 + [sigma ** 2 for sigma in rotation_sigmas_rad])
    if position_m is None:
        position_m = np.array([0.01 * speed_mps * i, 0.0, 0.0])
    return Odometry(10 * MS * i + 1, 'map', 'unit', position_m, LEVEL,
                    covariance * (1.0 + 1e-5 * i), np.array([speed_mps, 0.0, 0.0]), np.zeros(3),
                    1e-4 * np.eye(6))


class Run:
    """The pose monitor, the gate and the ledger over a number of poses."""

    def __init__(self, configured, poses):
        self.monitor = monitor = make_pose_monitor(configured)
        views = capture_views(configured)
        gate = Gate(configured.gate, configured.point_error_limit_m, 0, 'unit', views)
        ledger = Ledger(configured.point_error_limit_m, views, configured.pose.stale_s)
        timing = {f'{name}/{figure}': 0.0 for name in views
                  for figure in ('time_error_s', 'time_error_sigma_s')}
        for number, odometry in enumerate(poses):
            now_ns = odometry.stamp_ns
            monitor.add(odometry, now_ns)
            ledger.add_pose(monitor.judged_pose()[0], monitor.path_length_m, True)
            self.verdict = monitor.verdict(now_ns)
            gate.receive(self.verdict)
            gate.receive(Verdict('timing', now_ns, (), timing))
            self.decision = gate.update(now_ns)
            if number == len(poses) - 5:
                for name in views:
                    ledger.add_capture(name, now_ns, now_ns, TimeError(0.0, 0.0))
        self.captures = {capture.stream: capture for capture in ledger.finish([])}


@pytest.mark.parametrize('order', list(permutations(('front', 'up'))))
def test_gate_judges_by_the_camera_that_is_worst_off_whatever_its_place_in_the_file(order):
    # Unsure of its roll, which moves what is above and nothing that is ahead.
    mounts = {'front': [0.0, 0.0, 0.0], 'up': [0.0, -0.5 * np.pi, 0.0]}
    run = Run(configuration({name: mounts[name] for name in order}),
              [pose(i, (0.02, 1e-4, 1e-4)) for i in range(400)])
    assert not run.decision.allowed
    assert run.captures['front'].point_error_m < 0.01
    assert run.captures['up'].point_error_m == pytest.approx(1.96 * 0.02 * 3.0, rel=0.01)
    error_m = run.decision.figures['point_error_m']
    assert error_m >= max(c.point_error_m for c in run.captures.values()) * 0.999


def test_report_of_a_rotation_that_moves_no_point_does_not_hide_what_the_unit_has_lost():
    held = {}
    for roll_rad in (0.001, 0.01, 0.1):
        run = Run(configuration({'front': [0.0, 0.0, 0.0]}, limit_m=0.01),
                  [pose(i, (roll_rad, 1e-4, 1e-4), speed_mps=0.5) for i in range(3000)])
        held[roll_rad] = run.decision.allowed, run.verdict.figures['point_error_m']
    assert [allowed for allowed, _ in held.values()] == [False] * 3
    assert [error_m for _, error_m in held.values()] == pytest.approx([held[0.001][1]] * 3)


def test_believed_is_the_covariance_with_the_larger_error_at_the_worst_point():
    random = np.random.default_rng(5)
    reports = 0
    for number in range(300):
        levers = [tuple(3.0 * lever) for lever in random.standard_normal((1 + number % 3, 3))]
        attitude = Rotation.random(random_state=random)
        estimate = ErrorEstimate('unit', DegradationLimits(
            start_sigma_m=10.0 ** random.uniform(-4, -1),
            start_sigma_rad=10.0 ** random.uniform(-5, -1)), levers)
        reported = np.diag(10.0 ** random.uniform(-8, -2, 6))
        quaternion = tuple(attitude.as_quat())
        estimate.report(reported)
        estimate.add(1, (0.0, 0.0, 0.0), quaternion, 0.0, 1)
        expected_m = max(
            point_error_m(covariance, attitude.apply(lever))
            for covariance in (reported, estimate.degradation.covariance_of_late)
            for lever in levers)
        covariance, error_m = estimate.believed()
        assert error_m == pytest.approx(expected_m, rel=1e-9)
        assert error_m <= estimate.bound_m() * (1.0 + 1e-9)
        reports += covariance is reported
    assert 50 < reports < 250


def test_rebase_needs_a_present_pose():
    monitor = make_pose_monitor(configuration({'front': [0.0, 0.0, 0.0]}))
    monitor.tick(0)
    assert monitor.no_pose_because(MS) == 'unit not seen yet'
    for i in range(50):
        monitor.add(pose(i, (1e-4,) * 3), pose(i, (1e-4,) * 3).stamp_ns)
    assert monitor.no_pose_because(pose(50, (1e-4,) * 3).stamp_ns) == ''
    assert monitor.no_pose_because(12_490 * MS + 1) == 'unit silent for 12.0 s'


def test_budget_of_a_robot_that_stands_does_not_take_the_noise_of_its_poses_for_motion():
    pytest.importorskip('rclpy', reason='needs ROS 2')
    from robot_mapping_qa.nodes.live_budget import LiveBudget
    views = capture_views(configuration({'front': [0.0, 0.0, 0.0]}))
    budget = LiveBudget(views)
    random = np.random.default_rng(2)
    budget.take_verdict(Verdict('timing', 0, (), {
        'front/time_error_s': 0.02, 'front/time_error_sigma_s': 0.001}))
    budget.take_verdict(Verdict('pose', 0, (), {
        'point_error_m': 0.01, 'working_distance_m': 3.0}))
    radii_m = set()
    for i in range(100):
        budget.take_judged_pose(
            pose(0, (1e-4,) * 3, 5e-3 * random.standard_normal(3), speed_mps=0.0), True)
        budget.take_judged_pose(
            pose(1, (1e-4,) * 3, 5e-3 * random.standard_normal(3), speed_mps=0.0), True)
        radii_m.add(round(budget.figures()['budget/front/radius_m'], 6))
    assert len(radii_m) == 1
