# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The estimate of the pose error grows where nothing holds the unit, as fast as the error does."""

from dataclasses import replace

import numpy as np
import pytest
from robot_mapping_qa.capture.gate import Gate
from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.pose import se3
from robot_mapping_qa.pose.degradation import DegradationEstimate
from robot_mapping_qa.pose.degradation_limits import DegradationLimits
from robot_mapping_qa.pose.geometry_limits import GeometryLimits
from robot_mapping_qa.pose.lidar_geometry import cloud_information
from robot_mapping_qa.pose.limits import PoseLimits
from robot_mapping_qa.pose.map_correction import MapCorrection, Pose
from robot_mapping_qa.pose.monitor import PoseMonitor
from robot_mapping_qa.pose.point_error import error_radius
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.rig.drift import DriftSpec, ErrorGrowth
from robot_mapping_qa.rig.route import Route
from robot_mapping_qa.rig.scanner import Scanner, ScannerSpec
from robot_mapping_qa.rig.site import Site
from robot_mapping_qa.verdicts import Condition, EVENT_KINDS, Severity, Verdict

S = 1_000_000_000
START_NS = 1_700_000_000 * S
NAME = 'unit_odometry'
LIMITS = DegradationLimits()
UPRIGHT = (0.0, 0.0, 0.0, 1.0)
# Inverse covariances of one cloud: held everywhere to a millimetre, or nowhere along x.
HELD = np.diag([1e6] * 3 + [1e7] * 3)
OPEN_ALONG_X = np.diag([0.0, 1e6, 1e6] + [1e7] * 3)


def walk(estimate, way_m, information=None, start_m=0.0, speed_mps=1.0, lidar='lidar'):
    """Walk along x, the cloud of every 0.4 s telling the same; return the time at the end."""
    clouds = -1
    for i in range(round(way_m * 50.0 / speed_mps)):
        time_s = (start_m + i * speed_mps / 50.0) / speed_mps
        now_ns = START_NS + round(time_s * S)
        if information is not None and int(time_s / 0.4) != clouds:
            clouds = int(time_s / 0.4)
            estimate.add_geometry(lidar, information, now_ns)
        estimate.add_pose((start_m + i * speed_mps / 50.0, 0.0, 0.0), UPRIGHT, now_ns)
    return now_ns


def sigmas(covariance):
    return np.sqrt(np.diag(covariance))


# Against a simulated unit whose error really grows, by the same model from what its own scans
# hold; what the estimate knows of that, it has from the clouds of another lidar.


@pytest.fixture(scope='module')
def rig_walk():
    """
    Walk the rig's site from the open through a passage into the hall.

    Return the estimate's covariances, since the start and of late, with times and the stretch,
    and the rig's growth of the error. Clouds are those of a scanner of the robot, which is not
    the unit's.
    """
    route = Route(site=Site(passage_length_m=30.0))
    scanner = Scanner(
        ScannerSpec(topic='/p', frame='f', rate_hz=5.0, columns=600), route,
        np.random.default_rng(3))
    estimate = DegradationEstimate(LIMITS, {'lidar': np.eye(4)})
    found = []
    for i in range(round(80.0 * 25)):
        time_s = i / 25.0
        now_ns = START_NS + round(time_s * S)
        if i % 10 == 0:
            (_, cloud), = scanner.measure(time_s)
            points = np.stack([cloud.points[axis].ravel() for axis in 'xyz'], axis=-1)
            estimate.add_geometry(
                'lidar', cloud_information(points, GeometryLimits()), now_ns)
        true = route.at(time_s)
        estimate.add_pose(true.position, true.quaternion, now_ns)
        if i % 10 == 0:
            found.append((time_s, route.site.stretch(true.position), estimate.covariance,
                          estimate.growth()[0], estimate.open_since_ns))
    return found, ErrorGrowth(route, DriftSpec())


def test_radius_holds_the_error_in_95_of_100_cases_and_is_not_merely_huge(rig_walk):
    found, growth = rig_walk
    # The rig follows its error to first order: it is normal, with a covariance known exactly.
    draws = np.random.default_rng(0).standard_normal((3, 2000))
    held, ratios = {}, []
    for time_s, stretch, covariance, *_ in found:
        true = growth.keyframe(round(time_s / growth.period_s)).covariance[:3, :3]
        errors = np.linalg.norm(np.linalg.cholesky(true) @ draws, axis=0)
        radius_m = float(error_radius(covariance[:3, :3]))
        held.setdefault(stretch == 'passage', []).append(np.mean(errors <= radius_m))
        ratios.append(radius_m / np.quantile(errors, 0.95))
    for in_passage, shares in held.items():
        assert 0.93 <= np.mean(shares) <= 0.98, in_passage
    assert np.mean(ratios) <= 1.6


def test_error_grows_along_the_passage_and_not_across(rig_walk):
    found, _ = rig_walk
    times = [time_s for time_s, stretch, *_ in found if stretch == 'passage']
    inside = [item for item in found if times[0] + 6.0 <= item[0] <= times[-1] - 6.0]
    gained = sigmas(inside[-1][2])[:3] - sigmas(inside[0][2])[:3]
    assert gained[0] > 5.0 * abs(gained[1])
    assert gained[0] > 5.0 * abs(gained[2])
    # Fact of the trade: 1 to 2 % of the way, less over longer ones.
    assert all(0.015 < growth < 0.03 for _, _, _, growth, _ in inside)


def test_open_direction_is_known_as_soon_as_it_matters_and_over_soon_after_the_passage(rig_walk):
    found, growth = rig_walk
    mine = [time_s for time_s, *_, since_ns in found if since_ns is not None]
    frames = [growth.keyframe(number) for number in range(round(80.0 / growth.period_s))]
    true = [frame.time_s for frame in frames if frame.open_direction is not None]
    inside = [time_s for time_s, stretch, *_ in found if stretch == 'passage']
    # The rig's unit and the robot's lidar lose sight of the approach a little apart.
    assert mine[0] <= min(true[0], inside[0]) + 1.0
    assert mine[0] >= inside[0] - 3.0
    assert mine[-1] <= inside[-1] + 1.0
    assert mine[-1] <= true[-1] + 1.0


def test_sigma_grows_along_the_passage_within_a_second_of_entering_and_no_more_after_it(rig_walk):
    found, _ = rig_walk
    inside = [time_s for time_s, stretch, *_ in found if stretch == 'passage']

    def gained(from_s):
        # What a second adds to the variance of each axis, as a standard deviation.
        before, after = (next(np.diag(covariance)[:3] for time_s, _, covariance, *_ in found
                              if time_s >= since_s) for since_s in (from_s, from_s + 1.0))
        return np.sqrt(np.maximum(after - before, 0.0))

    entered = gained(inside[0] + 1.0)
    assert entered[0] >= 5.0 * max(entered[1:])
    # What the next metre adds in the worst direction.
    after = [growth for time_s, *_, growth, _ in found if time_s >= inside[-1] + 1.0]
    assert max(after[:20]) < 0.4 * 0.02


# What the estimate does by itself


def test_good_state_grows_by_about_a_thousandth_of_the_way():
    estimate = DegradationEstimate(LIMITS)
    walk(estimate, 100.0)
    assert not estimate.watches_geometry
    # Fact of the trade: 0.1 % of the distance, here 0.1 m.
    assert 0.07 < sigmas(estimate.covariance)[0] < 0.13
    assert estimate.open_since_ns is None


def test_only_the_open_direction_grows():
    estimate = DegradationEstimate(LIMITS, {'lidar': np.eye(4)})
    walk(estimate, 10.0, OPEN_ALONG_X)
    x, y, z = sigmas(estimate.covariance)[:3]
    assert x > 0.1
    assert x > 8.0 * max(y, z)
    growth, direction = estimate.growth()
    assert growth == pytest.approx(0.02, rel=0.1)
    assert abs(direction[0]) > 0.99
    assert estimate.open_since_ns <= START_NS + S


def test_lidar_that_is_mounted_askew_tells_of_the_same_direction():
    mount = se3.pose_matrix(
        np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]), np.array([0.2, 0.0, 0.5]))
    estimate = DegradationEstimate(LIMITS, {'lidar': mount})
    # The sensor's y axis is the unit's x axis turned back: open along it.
    walk(estimate, 10.0, np.diag([1e6, 0.0, 1e6] + [1e7] * 3))
    x, y, z = sigmas(estimate.covariance)[:3]
    assert x > 5.0 * max(y, z)


def test_clouds_that_stop_leave_every_direction_open():
    estimate = DegradationEstimate(LIMITS, {'lidar': np.eye(4)})
    walk(estimate, 10.0, HELD)
    before = sigmas(estimate.covariance)
    assert not estimate.is_blind
    walk(estimate, 10.0, start_m=10.0)
    assert estimate.is_blind
    assert np.all(sigmas(estimate.covariance)[:3] > before[:3] + 0.08)


def test_camera_that_sees_holds_where_the_lidar_does_not():
    blind, aided = (DegradationEstimate(LIMITS, {'lidar': np.eye(4)}) for _ in range(2))
    for estimate in (blind, aided):
        for start_m in range(10):
            aided.set_camera(True, START_NS + start_m * S)
            walk(estimate, 1.0, OPEN_ALONG_X, start_m=float(start_m))
    assert sigmas(aided.covariance)[0] < 0.5 * sigmas(blind.covariance)[0]


def test_camera_that_sees_fewer_corners_holds_less():
    found = []
    for corners in (1.0, 0.5, 0.1):
        estimate = DegradationEstimate(LIMITS, {'lidar': np.eye(4)})
        for start_m in range(10):
            estimate.set_camera(True, START_NS + start_m * S, corners)
            walk(estimate, 1.0, OPEN_ALONG_X, start_m=float(start_m))
        found.append(estimate.constraint.open_translation()[0])
    # Pictures against dead reckoning between two registrations.
    ratio = (LIMITS.visual_sigma_m / (LIMITS.dead_reckoning_error * LIMITS.registration_m)) ** 2
    assert found == pytest.approx([ratio / (corners + ratio) for corners in (1.0, 0.5, 0.1)])


def test_error_of_late_is_forgotten_and_the_one_since_the_start_is_not():
    estimate = DegradationEstimate(LIMITS, {'lidar': np.eye(4)})
    walk(estimate, 20.0, OPEN_ALONG_X)
    since_start, of_late = (
        sigmas(c)[0] for c in (estimate.covariance, estimate.covariance_of_late))
    walk(estimate, 20.0, HELD, start_m=20.0)
    assert sigmas(estimate.covariance)[0] == pytest.approx(since_start, rel=0.1)
    assert sigmas(estimate.covariance_of_late)[0] < 0.2 * of_late
    assert estimate.open_since_ns is None


def test_rebase_and_loop_closure_pull_the_error_down():
    estimate = DegradationEstimate(LIMITS)
    walk(estimate, 100.0)
    estimate.close_loop()
    assert sigmas(estimate.covariance)[0] == pytest.approx(LIMITS.closure_sigma_m)
    walk(estimate, 100.0, start_m=100.0)
    estimate.start((200.0, 0.0, 0.0), UPRIGHT, START_NS + 200 * S)
    assert sigmas(estimate.covariance)[0] == pytest.approx(LIMITS.start_sigma_m)


def test_way_until_the_limit_comes_true():
    estimate = DegradationEstimate(LIMITS, {'lidar': np.eye(4)})
    walk(estimate, 5.0, HELD)
    assert estimate.metres_until(lambda c: float(error_radius(c[:3, :3])), 0.05) is None
    walk(estimate, 1.0, OPEN_ALONG_X, start_m=5.0)
    ahead_m = estimate.metres_until(lambda c: float(error_radius(c[:3, :3])), 0.05)
    assert 0.3 < ahead_m < 3.0
    walk(estimate, ahead_m, OPEN_ALONG_X, start_m=6.0)
    radius_m = float(error_radius(estimate.covariance_of_late[:3, :3]))
    assert radius_m == pytest.approx(0.05, rel=0.06)
    walk(estimate, 2.0, OPEN_ALONG_X, start_m=6.0 + ahead_m)
    assert estimate.metres_until(lambda c: float(error_radius(c[:3, :3])), 0.05) == 0.0


def test_error_at_a_right_angle_to_the_frame_is_open_there():
    # The passage lies along the frame's y axis; the body faces along it.
    turned = (0.0, 0.0, np.sqrt(0.5), np.sqrt(0.5))
    estimate = DegradationEstimate(LIMITS, {'lidar': np.eye(4)})
    for i in range(500):
        estimate.add_geometry('lidar', OPEN_ALONG_X, START_NS + i * S // 50)
        estimate.add_pose((0.0, i * 0.02, 0.0), turned, START_NS + i * S // 50)
    x, y, z = sigmas(estimate.covariance)[:3]
    assert y > 8.0 * max(x, z)


# The corrected pose


def test_jump_of_the_correction_is_a_loop_closure_and_drift_is_none():
    correction = MapCorrection(0.03, 0.01)
    closures = []
    for i in range(400):
        stamp_ns = i * S // 100
        x = 0.01 * i
        closures += correction.add_odometry(stamp_ns, Pose((x, 0.0, 0.0), UPRIGHT))
        if i % 10 == 5:
            # Between two odometry stamps, late; the map creeps, and jumps once.
            shift = 0.0002 * i + (0.4 if i > 200 else 0.0)
            in_map = Pose((7.0 - shift, x + 0.005, 0.0), (0.0, 0.0, np.sqrt(0.5), np.sqrt(0.5)))
            closures += correction.add_map_pose(stamp_ns + S // 200, in_map)
    closure, = closures
    assert closure.stamp_ns == 205 * S // 100 + S // 200
    assert closure.shift_m == pytest.approx((-0.402, 0.0, 0.0), abs=1e-6)
    assert closure.size_rad == pytest.approx(0.0, abs=1e-9)


# What the monitor makes of it


def message(i, covariance=np.zeros((6, 6)), rate_hz=50.0, speed_mps=1.0):
    time_s = i / rate_hz
    return Odometry(
        START_NS + round(time_s * S), 'odom', 'unit', np.array([speed_mps * time_s, 0.0, 0.0]),
        np.array(UPRIGHT), covariance, np.array([speed_mps, 0.0, 0.0]), np.zeros(3),
        np.diag([1e-4] * 6))


def monitor(**more):
    return PoseMonitor(
        NAME, PoseLimits(), 3.0, rate_hz=50.0, mounts={'lidar': np.eye(4)},
        point_error_limit_m=0.05, **more)


def feed(unit, messages, information=HELD):
    events = []
    for number, odometry in enumerate(messages):
        if unit.wants_geometry('lidar', odometry.stamp_ns):
            unit.add_geometry('lidar', information, odometry.stamp_ns)
        events += unit.add(odometry, odometry.stamp_ns)
    assert {event.kind for event in events} <= set(EVENT_KINDS)
    return events


def test_unit_without_covariance_is_judged_by_the_estimate():
    unit = monitor()
    feed(unit, [message(i) for i in range(500)])
    verdict = unit.verdict(message(499).stamp_ns)
    condition, = verdict.conditions
    assert (condition.kind, condition.severity) == ('covariance_missing', Severity.NOTICE)
    assert 0.005 < verdict.figures['point_error_m'] < 0.03
    assert verdict.figures['geometry_known'] == 1.0
    assert verdict.figures['until_limit_m'] is None
    assert unit.surely_within(message(499).stamp_ns, 1.0) is False
    odometry, is_known = unit.judged_pose()
    assert is_known
    assert odometry.covariance[0, 0] > 0.0


def test_without_a_geometry_stream_the_figures_say_so():
    unit = PoseMonitor(NAME, PoseLimits(), 3.0)
    for i in range(100):
        unit.add(message(i), message(i).stamp_ns)
    assert unit.verdict(message(99).stamp_ns).figures['geometry_known'] == 0.0


class Watched:
    """A unit with an honest covariance, and the gate with the limit that it was started with."""

    def __init__(self):
        self.unit = monitor()
        self.count = 0
        self.gate = Gate(GateLimits(), 0.05, START_NS, NAME)

    def walk(self, messages, information):
        """Walk on; return the gate's decision and the pose verdict after each message."""
        found = []
        for i in range(self.count, self.count + messages):
            covariance = np.diag([1e-6] * 3 + [1e-8] * 3) * (1.0 + 1e-6 * i)
            feed(self.unit, [message(i, covariance)], information)
            now_ns = message(i).stamp_ns
            verdict = self.unit.verdict(now_ns)
            self.gate.receive(verdict)
            self.gate.receive(Verdict('timing', now_ns, ()))
            found.append((self.gate.update(now_ns), verdict))
        self.count += messages
        return found


def test_open_direction_warns_first_and_closes_the_gate_with_its_onset():
    watched = Watched()
    assert watched.walk(500, HELD)[-1][0].allowed
    inside = watched.walk(250, OPEN_ALONG_X)
    told = [[c.key for c in verdict.conditions] for _, verdict in inside]
    first = told.index([f'{NAME}/open_direction'])
    assert not any(told[:first]) and all(keys == told[first] for keys in told[first:])
    onset_ns, = {verdict.conditions[0].onset_ns for _, verdict in inside[first:]}
    # The passage began at 10 s; a cloud is judged every 0.4 s.
    assert 0 <= onset_ns - message(500).stamp_ns <= 0.6 * S
    assert inside[first][0].allowed and inside[first][0].notices[0].kind == 'open_direction'
    over, verdict = next(each for each in inside if each[0].conditions)
    assert verdict.figures['point_error_m'] == pytest.approx(0.05, abs=0.005)
    assert [c.key for c in over.conditions] == [
        f'{NAME}/open_direction', 'point_error/over_limit']
    assert over.conditions[0].text.startswith(
        'the surroundings do not hold unit_odometry along its x axis')
    last, verdict = inside[-1]
    assert not last.allowed
    growth, ahead_m, ahead_s = (verdict.figures[key] for key in (
        'growth_m_per_m', 'until_limit_m', 'until_limit_s'))
    assert growth == pytest.approx(0.02, rel=0.1)
    assert ahead_m == ahead_s == 0.0


def test_limit_that_was_changed_is_the_one_that_holds_in_a_passage():
    watched = Watched()
    watched.walk(500, HELD)
    held, verdict = watched.walk(300, OPEN_ALONG_X)[-1]
    assert not held.allowed and 0.05 < verdict.figures['point_error_m'] < 0.5
    watched.gate.change('point_error_limit_m', 0.5, held.stamp_ns)
    assert watched.walk(150, OPEN_ALONG_X)[-1][0].allowed
    # And back again: the error is over the lower limit.
    watched.gate.change('point_error_limit_m', 0.05, message(watched.count).stamp_ns)
    held, _ = watched.walk(50, OPEN_ALONG_X)[-1]
    assert not held.allowed
    assert [c.kind for c in held.conditions] == ['open_direction', 'over_limit']


def test_error_that_is_not_known_is_given_in_no_condition():
    unit = monitor()
    feed(unit, [message(i) for i in range(500)])
    feed(unit, [message(i) for i in range(500, 750)], OPEN_ALONG_X)

    def open_direction(now_ns):
        verdict = unit.verdict(now_ns)
        condition, = (c for c in verdict.conditions if c.kind == 'open_direction')
        assert condition.severity is Severity.NOTICE
        return verdict.figures['point_error_m'], condition.text
    end_ns = message(749).stamp_ns
    error_m, text = open_direction(end_ns)
    assert text.endswith(f', a point on the structure is only known to {error_m:.3f} m')
    error_m, text = open_direction(end_ns + 2 * S)
    assert error_m is None
    assert text.endswith(' mm a metre')


def test_reported_covariance_counts_where_it_is_the_larger_one():
    unit = monitor()
    covariance = np.diag([0.04 ** 2] * 3 + [1e-6] * 3)
    feed(unit, [message(i, covariance * (1.0 + 1e-6 * i)) for i in range(100)])
    figures = unit.verdict(message(99).stamp_ns).figures
    assert figures['sigma_position_m'] == pytest.approx(0.04, rel=1e-3)
    assert figures['estimated_sigma_m'] < 0.01
    # What is published is the estimate, not the report.
    assert np.sqrt(unit.corrected_pose().covariance[0, 0]) < 0.01


def reporting(way_m, sigma_m, start=0):
    """Return messages on a way along x, each with a sigma along it by the way, at 1 m/s."""
    found = []
    for i in range(start, start + round(50 * way_m)):
        along_m = sigma_m(i / 50.0)
        found.append(message(i, np.diag([along_m ** 2, 1e-6, 1e-6, 1e-8, 1e-8, 1e-8])))
    return found


def passage_then_hall(unit, sigma_m):
    """Walk 5 m held, 20 m with the way left open, 15 m held; return the verdict after each."""
    verdicts, start = [], 0
    for way_m, information in ((5.0, HELD), (20.0, OPEN_ALONG_X), (15.0, HELD)):
        messages = reporting(way_m, sigma_m, start)
        feed(unit, messages, information)
        start += len(messages)
        verdicts.append(unit.verdict(messages[-1].stamp_ns))
    return verdicts


# What an honest unit says in a passage from 5 to 25 m: what dead reckoning of 2 % loses, with an
# error that lasts for 3 m (variance of an integrated Gauss-Markov process, any textbook).
def honest_sigma_m(way_m):
    open_m = min(max(way_m - 5.0, 0.0), 20.0)
    lasts_m = LIMITS.dead_reckoning_lasts_m
    variance = 2.0 * LIMITS.dead_reckoning_error ** 2 * (
        lasts_m * open_m - lasts_m ** 2 * (1.0 - np.exp(-open_m / lasts_m)))
    return (0.001 ** 2 + 1e-9 * way_m + variance) ** 0.5


def test_what_an_honest_unit_lost_in_a_passage_counts_until_the_pose_is_declared_good():
    unit = monitor()
    _, inside, after = passage_then_hall(unit, honest_sigma_m)
    assert inside.figures['point_error_m'] > 0.05
    assert [c.kind for c in inside.conditions] == ['open_direction']
    assert after.conditions == ()
    # It stands where it stood wrong when it came out.
    assert after.figures['sigma_position_m'] == pytest.approx(honest_sigma_m(40.0), rel=0.1)
    unit.rebase(message(2000).stamp_ns)
    feed(unit, reporting(1.0, honest_sigma_m, 2000))
    assert unit.verdict(message(2049).stamp_ns).figures['point_error_m'] < 0.05


def test_report_that_rises_at_once_counts_in_full():
    unit = monitor()
    messages = reporting(20.0, lambda way_m: 0.001 if way_m < 5.0 else 0.5 + 1e-6 * way_m)
    feed(unit, messages)
    # No way explains it: 15 m later the unit still says that it is lost.
    figures = unit.verdict(messages[-1].stamp_ns).figures
    assert figures['sigma_position_m'] == pytest.approx(0.5, rel=0.02)


def test_rebase_forgives_what_was_reported_before():
    unit = monitor()
    messages = reporting(6.0, lambda way_m: 0.5 + 1e-6 * way_m)
    feed(unit, messages)
    assert unit.verdict(messages[-1].stamp_ns).figures['sigma_position_m'] > 0.4
    feed(unit, reporting(1.0, lambda way_m: 0.6 + 1e-6 * way_m, len(messages)))
    unit.rebase(message(350).stamp_ns)
    feed(unit, reporting(1.0, lambda way_m: 0.6 + 1e-6 * way_m, 350))
    # What was the least from the start on, is the noise of a pose.
    assert unit.verdict(message(399).stamp_ns).figures['sigma_position_m'] == pytest.approx(
        0.5, rel=0.02)


def seen_by(aid, now_ns):
    """Return the verdict on the cameras: dark, silent, or none that aids the unit."""
    silent = Condition('aid/no_picture', 'no picture of aid', Severity.NOTICE, now_ns)
    return Verdict('camera', now_ns, (silent,) if aid == 'silent' else (),
                   {'aid_sees': None if aid == 'none' else 0.0})


def walk_into_passage(aid, sigma_m):
    """Return the monitor, the messages, and what came of those in the passage, up to an event."""
    unit = monitor()
    messages = reporting(25.0, sigma_m)
    feed(unit, messages[:250])
    for number, odometry in enumerate(messages[250:], 251):
        unit.add_camera_verdict(seen_by(aid, odometry.stamp_ns), odometry.stamp_ns)
        events = feed(unit, [odometry], OPEN_ALONG_X)
        if events:
            break
    return unit, messages[:number], events


def test_report_that_does_not_grow_where_nothing_holds_is_named_and_enlarged():
    unit, messages, events = walk_into_passage('dark', lambda m: honest_sigma_m(m) / 3.0)
    odometry = messages[-1]
    event, = events
    assert event.kind == 'covariance_distrusted'
    assert 'is too small: the error is about 2.9 times what it says' in event.text
    assert event.detected_ns - messages[250].stamp_ns < 4 * S
    assert unit.verdict(odometry.stamp_ns).figures['inflation'] == pytest.approx(3.0, rel=0.3)


@pytest.mark.parametrize('aid', ['none', 'silent'])
def test_unit_that_may_see_by_itself_is_not_condemned_where_the_lidar_does_not_hold_it(aid):
    # With a camera of its own it loses a third of that, and says so.
    unit, messages, events = walk_into_passage(aid, lambda m: honest_sigma_m(m) / 3.0)
    assert len(messages) == 1250
    assert events == []
    # The estimate does not count on it.
    assert unit.verdict(messages[-1].stamp_ns).figures['estimated_sigma_of_late_m'] > 0.05


def test_jump_is_added_to_the_error_since_the_start_but_not_to_that_of_late():
    unit = monitor()
    feed(unit, [message(i) for i in range(300)])
    jumped = [replace(message(i), position_m=message(i).position_m + np.array([0.0, 0.4, 0.0]))
              for i in range(300, 400)]
    kinds = [event.kind for event in feed(unit, jumped)]
    assert kinds == ['pose_jump']
    figures = unit.verdict(jumped[-1].stamp_ns).figures
    assert figures['estimated_sigma_m'] == pytest.approx(0.4, rel=0.02)
    assert figures['estimated_sigma_of_late_m'] < 0.02
    unit.rebase(jumped[-1].stamp_ns)
    assert unit.verdict(jumped[-1].stamp_ns).figures['estimated_sigma_m'] == pytest.approx(
        LIMITS.start_sigma_m)


def test_loop_closure_is_an_event_and_the_published_pose_is_the_corrected_one():
    unit = monitor()
    events = []
    for i in range(2500):
        odometry = message(i)
        events += feed(unit, [odometry])
        if i % 10 == 0:
            shift = np.array([0.0, 0.15 if i >= 2000 else 0.0, 0.0])
            events += unit.add_map_pose(
                replace(odometry, frame='map', position_m=odometry.position_m + shift),
                odometry.stamp_ns + S // 20)
    kinds = [event.kind for event in events]
    assert kinds == ['covariance_distrusted', 'loop_closure']
    closure = events[-1]
    assert closure.values['size_m'] == pytest.approx(0.15)
    assert closure.values['y_m'] == pytest.approx(0.15)
    assert closure.values['percent_of_distance'] == pytest.approx(100 * 0.15 / 40.0, rel=1e-3)
    assert closure.text == (
        'unit_odometry: a loop was closed, the map moved by 0.15 m, 0.38 % of the 40 m travelled')
    assert closure.values['estimated_sigma_m'] > 0.035
    published = unit.corrected_pose()
    assert published.frame == 'map'
    assert published.position_m[1] == pytest.approx(0.15)
    # Ten metres after the closure: its own accuracy and a little more.
    assert 0.01 < np.sqrt(published.covariance[1, 1]) < 0.02


def test_two_kilometres_in_the_good_state_lose_two_metres_until_the_loop_is_closed():
    # Fact of the trade (common practice, no source): about 0.1 % of the distance.
    unit = PoseMonitor(NAME, PoseLimits(), 3.0, rate_hz=2.5)
    radius_m = 2000.0 / (2.0 * np.pi)
    for i in range(5001):
        angle = 0.4 * i / radius_m
        odometry = replace(
            message(i, rate_hz=2.5),
            position_m=radius_m * np.array([np.sin(angle), 1.0 - np.cos(angle), 0.0]),
            quaternion=np.array([0.0, 0.0, np.sin(angle / 2.0), np.cos(angle / 2.0)]),
            angular_radps=np.array([0.0, 0.0, 1.0 / radius_m]))
        unit.add(odometry, odometry.stamp_ns)
        # It finds its start again at the end of the round.
        shift_m = 1.5 if i == 5000 else 0.0
        unit.add_map_pose(
            replace(odometry, frame='map', position_m=odometry.position_m + shift_m),
            odometry.stamp_ns)
        if i == 4999:
            before_m = np.linalg.norm(sigmas(unit.corrected_pose().covariance)[:3])
    assert 1.6 < before_m < 2.6
    after = sigmas(unit.corrected_pose().covariance)[:3]
    assert after == pytest.approx([LIMITS.closure_sigma_m] * 3, rel=0.05)


def test_error_is_known_from_the_first_pose_on():
    unit = monitor()
    unit.add(message(0), message(0).stamp_ns)
    figures = unit.verdict(message(0).stamp_ns).figures
    assert figures['estimated_sigma_m'] == pytest.approx(LIMITS.start_sigma_m)
    assert figures['estimated_sigma_of_late_m'] == pytest.approx(LIMITS.start_sigma_m)
