# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Where a picture was taken, how well that is known, and where to go again."""

from dataclasses import replace

import numpy as np
import pytest
from robot_mapping_qa.capture.holds import Cause, Hold
from robot_mapping_qa.capture.ledger import Capture, Ledger, POSES_KEPT
from robot_mapping_qa.capture.redo import redo_places
from robot_mapping_qa.capture.time_error import TimeError
from robot_mapping_qa.capture.unit_motion import unit_motion
from robot_mapping_qa.capture.view import View
from robot_mapping_qa.pose.working_distance import Sight
from robot_mapping_qa.records import Odometry
from scipy.spatial.transform import Rotation, Slerp
from scipy.stats import chi2

S = 1_000_000_000
MS = 1_000_000
LIMIT_M = 0.05
NO_ERROR = TimeError(0.0, 0.0)


def pose(stamp_ns, position=(0.0, 0.0, 0.0), rotation=None, covariance=None, linear=None,
         angular=None):
    rotation = Rotation.identity() if rotation is None else rotation
    covariance = np.zeros((6, 6)) if covariance is None else covariance
    return Odometry(
        stamp_ns, 'map', 'unit', np.array(position, dtype=float), rotation.as_quat(), covariance,
        None if linear is None else np.array(linear, dtype=float),
        None if linear is None else np.array(angular or (0.0, 0.0, 0.0), dtype=float), None)


def ledger(direction=(1.0, 0.0, 0.0), distance_m=3.0, **mount):
    return Ledger(LIMIT_M, {'camera': View(Sight(direction), distance_m, **mount)}, 0.35)


def one_capture(book, stamp_ns=50 * MS, receive_ns=None, time_error=NO_ERROR, holds=()):
    receive_ns = stamp_ns + 20 * MS if receive_ns is None else receive_ns
    book.add_capture('camera', stamp_ns, receive_ns, time_error)
    capture, = book.finish(holds)
    return capture


# The pose at a stamp


@pytest.mark.parametrize('share', [0.0, 0.25, 0.5, 0.9, 1.0])
def test_pose_at_the_stamp_lies_between_its_neighbours(share):
    """Against scipy's spherical interpolation."""
    first, second = Rotation.from_rotvec([[0.1, -0.2, 0.3], [0.18, -0.1, 0.42]])
    book = ledger()
    book.add_pose(pose(0, (1.0, 2.0, 3.0), first), 5.0, True)
    book.add_pose(pose(100 * MS, (1.2, 2.0, 2.9), second), 5.3, True)
    capture = one_capture(book, stamp_ns=round(share * 100 * MS))
    expected = Slerp([0.0, 1.0], Rotation.concatenate([first, second]))(share)
    assert (Rotation.from_quat(capture.quaternion) * expected.inv()).magnitude() < 1e-6
    assert capture.position_m == pytest.approx((1.0 + 0.2 * share, 2.0, 3.0 - 0.1 * share))
    assert capture.path_m == pytest.approx(5.0 + 0.3 * share)


def test_pose_that_comes_after_the_picture_is_used():
    book = ledger()
    book.add_pose(pose(0, (0.0, 0.0, 0.0)), 0.0, True)
    book.add_capture('camera', 50 * MS, 60 * MS, NO_ERROR)
    book.add_pose(pose(100 * MS, (1.0, 0.0, 0.0)), 1.0, True)
    assert book.finish([])[0].position_m == pytest.approx((0.5, 0.0, 0.0))


@pytest.mark.parametrize('stamps_ms, known', [
    ((0, 100), True), ((0, 400), False), ((60, 100), False), ((0, 40), True),
    ((-200, -60), False)])
def test_pose_is_not_known_across_a_gap_or_outside_the_poses(stamps_ms, known):
    """Only at the end of a recording the last motion is carried on, for a tenth of a second."""
    book = ledger()
    for stamp_ms in stamps_ms:
        book.add_pose(pose(stamp_ms * MS, (stamp_ms * 1e-3, 0.0, 0.0)), 0.0, True)
    capture = one_capture(book)
    assert (capture.position_m is not None) is known
    if known:
        assert capture.position_m[0] == pytest.approx(0.05)
    else:
        assert (capture.verdict, capture.point_error_m) == ('suspect', None)
        assert capture.reasons == ('no pose around the time of its stamp',)


def test_poses_of_a_bag_that_starts_again_replace_the_old_ones():
    book = ledger()
    for stamp_ns in (10 * S, 10 * S + 100 * MS):
        book.add_pose(pose(stamp_ns, (9.0, 0.0, 0.0)), 0.0, True)
    for stamp_ns in (0, 100 * MS):
        book.add_pose(pose(stamp_ns, (1.0, 0.0, 0.0)), 0.0, True)
    assert one_capture(book).position_m == pytest.approx((1.0, 0.0, 0.0))


def test_pose_out_of_order_changes_nothing():
    book = ledger()
    for stamp_ms in (0, 100, 200, 40):
        book.add_pose(pose(stamp_ms * MS, (stamp_ms * 1e-3, 0.0, 0.0)), 0.0, True)
    assert one_capture(book, stamp_ns=150 * MS).position_m == pytest.approx((0.15, 0.0, 0.0))


def test_poses_are_kept_for_a_while_and_not_for_ever():
    book = ledger()
    last = 2 * POSES_KEPT
    for number in range(last + 1):
        book.add_pose(pose(number * MS), 0.001 * number, True)
    for ago in (POSES_KEPT - 1, 2 * POSES_KEPT - 1):
        book.add_capture('camera', (last - ago) * MS, last * MS, NO_ERROR)
    known = [capture.position_m is not None for capture in book.finish([])]
    assert known == [True, False]


# The error of a point on the structure


def test_point_error_adds_pose_time_and_mounting():
    """
    Worked by hand for independent parts, each along or about one axis.

    At 3 m ahead: yaw error s moves the point sideways by 3 s; at 0.5 m/s forward with 0.2 rad/s
    of yaw, a time error of 20 ms moves it by 10 mm forward and 12 mm sideways, together; the
    camera's place adds its variance to every axis and its rotation 3 m times its sigma to the
    two across. Checked against samples.
    """
    sigma_yaw, sigma_x, sigma_t, mount_m, mount_rad = 0.004, 0.006, 0.02, 0.002, 0.001
    covariance = np.diag([sigma_x ** 2, 0.0, 0.0, 0.0, 0.0, sigma_yaw ** 2])
    book = ledger(mount_sigma_m=mount_m, mount_sigma_rad=mount_rad)
    for stamp_ns in (0, 100 * MS):
        book.add_pose(pose(stamp_ns, covariance=covariance, linear=(0.5, 0.0, 0.0),
                           angular=(0.0, 0.0, 0.2)), 0.0, True)
    capture = one_capture(book, time_error=TimeError(0.0, sigma_t))
    random = np.random.default_rng(5)
    count = 400_000
    error = np.zeros((count, 3))
    error[:, 0] += sigma_x * random.standard_normal(count)
    error[:, 1] += 3.0 * sigma_yaw * random.standard_normal(count)
    error += sigma_t * random.standard_normal((count, 1)) * np.array([0.5, 0.6, 0.0])
    error += mount_m * random.standard_normal((count, 3))
    error[:, 1:] += 3.0 * mount_rad * random.standard_normal((count, 2))
    sampled = np.quantile(np.linalg.norm(error, axis=1), 0.95)
    assert capture.point_error_m == pytest.approx(sampled, rel=0.01)
    assert capture.sigma_position_m == pytest.approx(sigma_x)
    assert capture.sigma_rotation_rad == pytest.approx(sigma_yaw)


def test_lever_turns_with_the_unit():
    """A side-looking camera on a unit turned by 90 degrees looks along -x: roll error counts."""
    covariance = np.diag([0.0, 0.0, 0.0, 0.0, 0.01 ** 2, 0.0])
    book = ledger((0.0, 1.0, 0.0), 2.0)
    for stamp_ns in (0, 100 * MS):
        book.add_pose(pose(stamp_ns, rotation=Rotation.from_euler('z', 90, degrees=True),
                           covariance=covariance), 0.0, True)
    # One axis: 95 % of a normal deviate lie within 1.96 sigma.
    assert one_capture(book).point_error_m == pytest.approx(
        2.0 * 0.01 * np.sqrt(chi2.ppf(0.95, 1)), rel=1e-3)


@pytest.mark.parametrize('stamp_ms', [50, 100])
def test_speed_is_worked_out_where_there_is_no_twist(stamp_ms):
    """Also where a pose has the very stamp of the picture."""
    book = ledger()
    for number in range(2):
        book.add_pose(pose(number * 100 * MS, (0.0, 0.1 * number, 0.0)), 0.0, True)
    capture = one_capture(book, stamp_ms * MS, time_error=TimeError(0.0, 0.01))
    assert capture.point_error_m == pytest.approx(1.0 * 0.01 * np.sqrt(chi2.ppf(0.95, 1)),
                                                  rel=1e-3)


@pytest.mark.parametrize('stamps_ms', [(500,), (0, 500), (0, 500, 600)])
def test_speed_without_a_step_before_is_not_made_up(stamps_ms):
    """Of a unit without twist, where the first pose after a gap has the picture's stamp."""
    errors = {}
    for linear in (None, (1.0, 0.0, 0.0)):
        book = ledger()
        for stamp_ms in stamps_ms:
            book.add_pose(pose(stamp_ms * MS, (1.0, 0.0, 0.0), linear=linear), 2.0, True)
        capture = one_capture(book, 500 * MS, time_error=TimeError(-0.02, 0.0))
        assert (capture.position_m, capture.path_m) == ((1.0, 0.0, 0.0), 2.0)
        errors[linear] = capture.point_error_m, capture.verdict
    assert errors == {None: (None, 'suspect'), (1.0, 0.0, 0.0): (pytest.approx(0.02), 'trusted')}


@pytest.mark.parametrize('stamp_ms, first, second, known_before, sigma_m', [
    (25, 0.01, 0.02, True, np.sqrt(0.75 * 1e-4 + 0.25 * 4e-4)),
    (100, 0.03, 0.01, True, 0.01),
    # What is wrong with the pose before does not touch the one at the stamp.
    (100, np.nan, 0.01, False, 0.01),
    # Beyond the last pose nothing gets better, however fast it did before.
    (190, 0.03, 0.01, True, 0.01)])
def test_covariance_at_the_stamp(stamp_ms, first, second, known_before, sigma_m):
    """
    Share by share between the poses, never less than the error of the interpolated pose.

    The square of a weighted mean is at most the weighted mean of the squares, whatever the
    correlation.
    """
    book = ledger()
    book.add_pose(pose(0, covariance=first ** 2 * np.eye(6)), 0.0, known_before)
    book.add_pose(pose(100 * MS, covariance=second ** 2 * np.eye(6)), 0.0, True)
    assert one_capture(book, stamp_ms * MS).sigma_position_m == pytest.approx(sigma_m)


@pytest.mark.parametrize('has_twist', [True, False])
def test_motion_is_along_the_axes_of_the_header(has_twist):
    """A unit that is yawed by 90 degrees, leans and turns about an axis of its own."""
    attitude = Rotation.from_euler('zyx', [90, 20, -30], degrees=True)
    linear, angular, seconds = np.array([0.7, -0.2, 0.1]), (0.1, -0.3, 0.5), 0.01
    twist = {'linear': linear, 'angular': angular} if has_twist else {}
    first = pose(0, (1.0, 2.0, 3.0), attitude, **twist)
    second = pose(10 * MS, first.position_m + seconds * attitude.apply(linear),
                  attitude * Rotation.from_rotvec(seconds * np.array(angular)), **twist)
    velocity, rate = unit_motion(first, second, tuple(attitude.as_quat()))
    assert velocity == pytest.approx(attitude.apply(linear))
    assert rate == pytest.approx(attitude.apply(angular))


@pytest.mark.parametrize('known, time_error, reason', [
    (False, NO_ERROR, 'the error of its pose is not known'),
    (True, None, 'the time error of camera is not known')])
def test_what_is_not_known_is_not_made_up(known, time_error, reason):
    book = ledger()
    for stamp_ns in (0, 100 * MS):
        book.add_pose(pose(stamp_ns), 0.0, known)
    capture = one_capture(book, time_error=time_error)
    assert capture.point_error_m is None
    assert (capture.verdict, capture.reasons) == ('suspect', (reason,))


def test_capture_with_too_large_an_error_of_its_own_is_suspect():
    book = ledger()
    for stamp_ns in (0, 100 * MS):
        book.add_pose(pose(stamp_ns, linear=(1.0, 0.0, 0.0)), 0.0, True)
    capture = one_capture(book, time_error=TimeError(-0.06, 0.0))
    assert capture.point_error_m == pytest.approx(0.06)
    assert capture.time_error_s == pytest.approx(0.06)
    assert capture.point_error_m > LIMIT_M
    assert (capture.verdict, capture.reasons) == (
        'suspect', ('point error at its stamp above the limit of 0.050 m',))


# The verdict


HOLD = Hold(onset_ns=10 * S, closed_ns=11 * S, released_ns=15 * S,
            causes={'a/b': Cause('it was bad', 10 * S, 13 * S)})


@pytest.mark.parametrize('stamp_s, receive_s, verdict', [
    (9.5, 9.9, 'trusted'),
    (9.9, 10.1, 'suspect'),
    (10.5, 10.6, 'suspect'),
    (10.9, 11.1, 'held'),
    (14.9, 15.1, 'held'),
    (15.0, 15.1, 'trusted'),
    # A clock that is ahead: between the stamp and the receipt lies the doubt.
    (11.2, 10.8, 'held'),
    # Stamps that are far off say nothing; the receipt counts.
    (12.0, 20.0, 'trusted'),
    (3.0, 12.0, 'held'),
    (1000.0, 10.5, 'suspect')])
def test_verdict_follows_the_hold(stamp_s, receive_s, verdict):
    book = ledger()
    for number in range(220):
        book.add_pose(pose(number * 100 * MS), 0.0, True)
    book.add_pose(pose(1000 * S, linear=(0.0, 0.0, 0.0)), 0.0, True)
    capture = one_capture(book, round(stamp_s * S), round(receive_s * S), holds=[HOLD])
    assert capture.verdict == verdict
    assert capture.reasons == (
        () if verdict == 'trusted' else
        ('healthy again, waiting for the off-delay',) if stamp_s > 13.0 and receive_s > 13.0 else
        ('it was bad',))


def test_each_capture_has_the_causes_of_its_own_moment():
    book = ledger()
    for number in range(220):
        book.add_pose(pose(number * 100 * MS), 0.0, True)
    hold = Hold(10 * S, 11 * S, 19 * S, 'unit', {
        'camera/clock_moved': Cause('its clock stepped', 10 * S, 12 * S),
        'unit/silent': Cause('unit silent', 14 * S, 15 * S, 2, S, [(12 * S, 13 * S)]),
        'unit/no_pose': Cause('no pose', 14 * S, 15 * S),
        'unit/settling': Cause('unit settling', 15 * S, 17 * S),
        'lidar/settling': Cause('lidar settling', 16 * S, 17 * S)})
    stamps_s = [10.5, 11.5, 12.5, 13.5, 14.5, 15.5, 16.5, 18.0]
    for stamp_s in stamps_s:
        book.add_capture('camera', round(stamp_s * S), round(stamp_s * S), NO_ERROR)
    captures = book.finish([hold])
    assert [capture.verdict for capture in captures] == ['suspect'] + ['held'] * 7
    well = 'healthy again, waiting for the off-delay'
    assert [capture.reasons for capture in captures] == [
        ('its clock stepped',), ('its clock stepped',), ('unit silent',), (well,),
        ('unit silent, and so: no pose',), ('unit settling',), ('settling: unit, lidar',),
        (well,)]
    # What is to be taken again is told by the hold as a whole.
    place, = redo_places(captures, holds=[hold])
    assert place.reasons == hold.reasons


def test_hold_that_goes_on_at_the_end_holds():
    book = ledger()
    hold = replace(HOLD, released_ns=None)
    assert one_capture(book, 900 * S, holds=[hold]).verdict == 'held'


# Places to visit again


def drive(bad, stream='camera', start=(0.0, 0.0), heading=0.0, step_m=0.1, count=100, first=1):
    """Return captures along a line; ``bad`` are the numbers that are not trusted."""
    turn = Rotation.from_euler('z', heading)
    made = []
    for number in range(first, first + count):
        way_m = step_m * (number - first)
        x, y, _ = turn.apply((way_m, 0.0, 0.0))
        made.append(Capture(
            stream, number, number * S, number * S, (start[0] + x, start[1] + y, 0.0),
            tuple(turn.as_quat().tolist()), (number - 1) * step_m, 0.0, 0.0, 0.0, 0.0,
            'held' if number in bad else 'trusted', ('why',) if number in bad else ()))
    return made


def test_place_spans_its_captures():
    place, = redo_places(drive(bad=range(31, 51)), same_place_m=0.05)
    assert (place.path_from_m, place.path_to_m) == pytest.approx((3.0, 4.9))
    assert place.captures == 20
    assert place.position_m == pytest.approx((4.0, 0.0, 0.0))
    assert place.reasons == ('why',)


@pytest.mark.parametrize('gap, places', [(8, 1), (12, 2)])
def test_places_near_each_other_are_one(gap, places):
    bad = {*range(20, 30), *range(30 + gap - 1, 50)}
    assert len(redo_places(drive(bad), same_place_m=0.05)) == places


@pytest.mark.parametrize('offset_m, heading, stream, made_up', [
    (0.4, 0.0, 'camera', True),
    (0.6, 0.0, 'camera', False),
    (0.0, np.radians(15.0), 'camera', True),
    (0.0, np.radians(25.0), 'camera', False),
    (0.0, 0.0, 'other_camera', False)])
def test_later_pass_makes_up_for_a_place_if_it_sees_the_same(offset_m, heading, stream, made_up):
    first = drive(bad=range(1, 101), count=1)
    start = (first[0].position_m[0], offset_m)
    later = drive((), stream, start, heading, count=1, first=2 if stream == 'camera' else 1)
    assert (redo_places([*first, *later]) == []) is made_up


def test_earlier_pass_does_not_make_up_for_a_place():
    assert len(redo_places(drive(bad={100}))) == 1


def test_slow_robot_is_not_taken_for_a_standing_one():
    """At 1 mm a picture, later pictures half a metre on still count from where they are."""
    captures = drive(bad=range(1, 301), step_m=0.001, count=2000)
    place = redo_places(captures, same_place_m=0.1)
    assert len(place) == 1
    assert place[0].path_to_m == pytest.approx(0.2, abs=0.01)


def test_place_without_a_pose_has_none():
    captures = [replace(capture, position_m=None, quaternion=None)
                for capture in drive(bad=range(1, 5), count=4)]
    place, = redo_places(captures)
    assert (place.position_m, place.captures) == (None, 4)
