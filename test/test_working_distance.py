# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The distance to the structure from a range finder: what counts, for how long, and for what."""

from math import inf, nan

import numpy as np
import pytest
from robot_mapping_qa.capture.gate import Gate
from robot_mapping_qa.capture.ledger import Ledger
from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.capture.time_error import TimeError
from robot_mapping_qa.capture.view import View
from robot_mapping_qa.configuration import ConfigurationError, load_configuration
from robot_mapping_qa.messages.factory import make_header, RosbagsFactory
from robot_mapping_qa.messages.serialized import MalformedMessage, read_range
from robot_mapping_qa.monitors import make_pose_monitor
from robot_mapping_qa.pose.working_distance import Sight, WorkingDistance
from robot_mapping_qa.records import Odometry, Range
from robot_mapping_qa.verdicts import Severity, Verdict
from robot_mapping_qa.views import capture_views
from rosbags.typesys import get_typestore, Stores
from scipy.stats import chi2

S = 1_000_000_000
MS = 1_000_000
FINDER = 'range_finder'
SIGMA_RAD = 0.004
TWO_AXES = chi2.ppf(0.95, 2) ** 0.5
"""95 % of a normal error on two equal axes lie within so many standard deviations."""

STREAMS = """
/**:
  ros__parameters:
    streams: [unit, range_finder]
    unit: {topic: /unit/odometry, type: nav_msgs/msg/Odometry, role: pose, rate_hz: 50.0}
    range_finder: {topic: /front/range, type: sensor_msgs/msg/Range, role: distance}
    working_distance_m: 3.0
    degradation: {registration_sigma_rad: 0.000001, start_sigma_rad: 0.0,
                  start_sigma_m: 0.0, scale_error: 0.0}
"""


def reading(range_m, least_m=0.2, most_m=10.0):
    return Range(0, 'front', least_m, most_m, range_m)


def finder(**options):
    return WorkingDistance(3.0, finder=FINDER, **options)


# The readings


def test_configured_distance_counts_where_there_is_no_range_finder():
    distance = WorkingDistance(3.0, [Sight((0.0, 2.0, 0.0))])
    distance.tick(100 * S)
    assert (distance.metres, distance.levers_m) == (3.0, ((0.0, 3.0, 0.0),))
    assert distance.conditions(100 * S) == []


def test_configured_distance_never_stands_in_for_a_reading():
    distance = finder()
    distance.tick(1 * S)
    assert distance.metres is None
    condition, = distance.conditions(3 * S)
    assert (condition.key, condition.severity, condition.onset_ns) == (
        'range_finder/no_distance', Severity.SOFT, 1 * S)
    assert condition.text == (
        'the distance to the structure is not known yet from range_finder: it sends nothing')
    distance.add(reading(4.5), 4 * S)
    assert distance.metres == 4.5 and distance.conditions(4 * S) == []


@pytest.mark.parametrize('bad, told', [
    (reading(inf), 'it sees nothing within its 0.2 to 10 m'),
    (reading(-inf), 'something is nearer than its 0.2 to 10 m'),
    (reading(nan), 'it reads no number'),
    (reading(12.0), 'it reads 12.00 m, which is outside its 0.2 to 10 m'),
    (reading(0.0, 0.0, 10.0), 'it reads 0.00 m, which is outside its 0 to 10 m'),
    (reading(2.0, nan, nan), 'it reads 2.00 m, which is outside its nan to nan m'),
    (None, 'it sends nothing')])
def test_reading_counts_for_a_second_and_then_the_reason_is_told(bad, told):
    """What infinite readings mean is REP 117's."""
    distance = finder()
    distance.add(reading(2.0), 10 * S)
    for now_ns in range(10 * S, 11 * S + 1, 100 * MS):
        if bad is not None:
            distance.add(bad, now_ns)
        distance.tick(now_ns)
        assert distance.metres == 2.0 and distance.conditions(now_ns) == []
    later_ns = 11 * S + 400 * MS
    if bad is not None:
        distance.add(bad, later_ns)
    distance.tick(later_ns)
    assert distance.metres is None
    condition, = distance.conditions(later_ns)
    assert condition.text == (
        f'the distance to the structure is not known from range_finder for 1.4 s: {told}')
    assert condition.onset_ns == 10 * S
    distance.add(reading(3.0), later_ns)
    assert distance.metres == 3.0


@pytest.mark.parametrize('store', [Stores.ROS2_HUMBLE, Stores.ROS2_JAZZY, Stores.ROS2_KILTED])
@pytest.mark.parametrize('frame', ['', 'a', 'front_range'])
def test_range_message_is_read(store, frame):
    """Against the serializer of rosbags; newer releases have a variance at the end."""
    store = get_typestore(store)
    factory = RosbagsFactory(store)
    fields = {'variance': 0.5} if any(
        name == 'variance' for name, _ in store.fielddefs['sensor_msgs/msg/Range'][1]) else {}
    message = factory.make('sensor_msgs/msg/Range', header=make_header(factory, 7 * S, frame),
                           radiation_type=1, field_of_view=0.125, min_range=0.25, max_range=8.0,
                           range=2.5, **fields)
    for little_endian in (True, False):
        data = bytes(store.serialize_cdr(message, message.__msgtype__,
                                         little_endian=little_endian))
        assert read_range(data) == Range(7 * S, frame, 0.25, 8.0, 2.5)
    with pytest.raises(MalformedMessage, match='expected at least'):
        read_range(data[:len(data) - 8])


# What follows from it


@pytest.fixture
def configuration(tmp_path):
    file = tmp_path / 'streams.yaml'
    file.write_text(STREAMS)
    return load_configuration(file)


@pytest.mark.parametrize('rpy_rad, way_m', [
    ('[0.0, 0.0, 0.0]', (1.0, 0.0, 0.0)), ('[0.7, 0.0, 1.5707963267948966]', (0.0, 1.0, 0.0)),
    ('[0.0, -1.5707963267948966, 0.7]', (0.0, 0.0, 1.0))])
def test_camera_looks_from_its_place_along_its_x_axis(tmp_path, rpy_rad, way_m):
    """Worked by hand, as REP 103 has it: yaw to the left, negative pitch upwards."""
    file = tmp_path / 'streams.yaml'
    file.write_text(STREAMS.replace('[unit, range', '[unit, camera, range').replace(
        '    range_finder:', '    camera: {topic: /camera, type: sensor_msgs/msg/Image, role: '
        f'capture, mount_xyz_m: [0.2, -0.1, 0.4], mount_rpy_rad: {rpy_rad}}}\n    range_finder:'))
    view = capture_views(load_configuration(file))['camera']
    for distance_m, seen in ((3.0, view), (5.0, view.at(5.0))):
        line_m = distance_m * np.array(way_m)
        assert seen.line_of_sight_m == pytest.approx(line_m, abs=1e-12)
        assert seen.lever_m == pytest.approx(line_m + [0.2, -0.1, 0.4], abs=1e-12)


def pose(stamp_ns, x_m=0.0):
    covariance = np.diag([1e-12] * 4 + [SIGMA_RAD ** 2 * (1.0 + 1e-12 * stamp_ns)] * 2)
    return Odometry(stamp_ns, 'map', 'unit', np.array([x_m, 0.0, 0.0]),
                    np.array([0.0, 0.0, 0.0, 1.0]), covariance, np.zeros(3), np.zeros(3),
                    np.zeros((6, 6)))


def test_point_error_follows_the_reading_and_is_unknown_without(configuration):
    monitor = make_pose_monitor(configuration)
    monitor.add(pose(1 * S), 1 * S)
    verdict = monitor.verdict(1 * S)
    assert verdict.figures['point_error_m'] is verdict.figures['working_distance_m'] is None
    assert verdict.figures['sigma_rotation_rad'] == pytest.approx(SIGMA_RAD, rel=1e-2)
    assert [c.key for c in verdict.conditions] == ['range_finder/no_distance']
    for distance_m in (2.0, 6.0):
        monitor.add_range(reading(distance_m), 1 * S)
        figures = monitor.verdict(1 * S).figures
        assert figures['working_distance_m'] == distance_m
        assert figures['point_error_m'] == pytest.approx(
            TWO_AXES * SIGMA_RAD * distance_m, rel=0.01)
    assert not monitor.surely_within(1 * S, 0.05)
    monitor.add_range(reading(2.0), 1 * S)
    assert monitor.surely_within(1 * S, 0.05)


def test_gate_adds_clock_and_mounting_at_the_measured_distance():
    """At 6 m a camera's rotation of 3 mrad is 18 mm on two axes, at the 3 m configured half."""
    gate = Gate(GateLimits(), 0.2, 0, 'unit', {'camera': View(Sight(), 3.0, 0.0, 0.003)})
    for distance_m in (3.0, 6.0):
        gate.receive(Verdict('pose', 0, (), {
            'point_error_m': 0.0, 'working_distance_m': distance_m, 'turn_rate_radps': 0.5}))
        gate.receive(Verdict('timing', 0, (), {
            'camera/time_error_s': 0.01, 'camera/time_error_sigma_s': 0.0}))
        figures = gate.update(0).figures
        assert figures['extrinsics_part_m'] == pytest.approx(0.003 * distance_m * TWO_AXES)
        assert figures['time_part_m'] == pytest.approx(0.5 * distance_m * 0.01)


def test_ledger_places_each_capture_at_the_distance_of_its_time():
    book = Ledger(0.05, {'camera': View(Sight(camera_m=(0.5, 0.0, 0.0)), 3.0)}, 0.35)
    for number, distance_m in enumerate((2.0, 2.0, None, None, 5.0, 5.0)):
        book.set_distance(distance_m)
        book.add_pose(pose(number * 100 * MS), 0.0, True)
    for number in (0, 2, 4):
        book.add_capture('camera', number * 100 * MS + 50 * MS, 600 * MS, TimeError(0.0, 0.0))
    near, unknown, far = book.finish([])
    # The camera sits 0.5 m before the unit.
    assert near.point_error_m == pytest.approx(TWO_AXES * SIGMA_RAD * 2.5, rel=1e-3)
    assert far.point_error_m == pytest.approx(TWO_AXES * SIGMA_RAD * 5.5, rel=1e-3)
    assert (unknown.point_error_m, unknown.verdict, unknown.reasons) == (
        None, 'suspect', ('the distance to the structure is not known',))


def test_two_range_finders_are_refused(tmp_path):
    file = tmp_path / 'streams.yaml'
    file.write_text(STREAMS.replace('[unit, range', '[unit, other, range').replace(
        '    range_finder:', '    other: {topic: /back/range, type: sensor_msgs/msg/Range, '
        'role: distance}\n    range_finder:'))
    with pytest.raises(ConfigurationError, match='found 2 streams with the role distance '):
        load_configuration(file)
