# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The unit's pose stream is judged: what is wrong with it, in words, and what it is good for."""

from dataclasses import replace

import numpy as np
import pytest
from robot_mapping_qa.pose.degradation_limits import DegradationLimits
from robot_mapping_qa.pose.limits import PoseLimits
from robot_mapping_qa.pose.monitor import PoseMonitor
from robot_mapping_qa.pose.working_distance import Sight
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.verdicts import EVENT_KINDS, Severity

S = 1_000_000_000
START_NS = 1_700_000_000 * S
DELAY_NS = 4_000_000
NAME = 'unit_odometry'


def message(i, rate_hz=100.0, speed_mps=1.0):
    """Return message i of a unit that goes straight along x with a covariance that grows."""
    time_s = i / rate_hz
    return Odometry(
        START_NS + round(time_s * S), 'odom', 'unit',
        np.array([speed_mps * time_s, 0.0, 0.0]), np.array([0.0, 0.0, 0.0, 1.0]),
        np.diag([1e-4 + 1e-8 * i] * 3 + [1e-6] * 3),
        np.array([speed_mps, 0.0, 0.0]), np.zeros(3), np.diag([1e-4] * 6))


def monitor(**limits):
    return PoseMonitor(NAME, PoseLimits(**limits), working_distance_m=3.0, rate_hz=100.0)


def feed(unit, messages):
    """Give messages to a monitor as they arrive; return its events."""
    events = []
    for odometry in messages:
        events += unit.add(odometry, odometry.stamp_ns + DELAY_NS)
    assert {event.kind for event in events} <= set(EVENT_KINDS)
    return events


def verdict_after(unit, odometry, wait_s=0.01):
    return unit.verdict(odometry.stamp_ns + DELAY_NS + round(wait_s * S))


def conditions_of(verdict):
    return {condition.key: condition for condition in verdict.conditions}


def test_healthy_unit_has_no_condition_and_all_figures():
    unit = monitor()
    messages = [message(i) for i in range(3000)]
    assert feed(unit, messages) == []
    verdict = verdict_after(unit, messages[-1])
    assert verdict.source == 'pose'
    assert verdict.conditions == ()
    figures = verdict.figures
    assert figures['path_length_m'] == pytest.approx(29.99)
    assert figures['speed_mps'] == pytest.approx(1.0)
    assert figures['turn_rate_radps'] == pytest.approx(0.0)
    assert [figures[f'velocity_{axis}_mps'] for axis in 'xyz'] == pytest.approx([1.0, 0.0, 0.0])
    assert [figures[f'turning_{axis}_radps'] for axis in 'xyz'] == pytest.approx([0.0] * 3)
    assert figures['age_s'] == pytest.approx(0.01)
    assert figures['sigma_position_m'] == pytest.approx(1.3e-4 ** 0.5, rel=1e-3)
    assert figures['sigma_rotation_rad'] == pytest.approx(1e-3)
    # Three axes of 11.4 mm, two of them with 1 mrad x 3 m on top: nearly equal, so sqrt(7.815)
    # (chi-square, 3 degrees of freedom) times their root mean square.
    expected_m = (7.815 * (1.3e-4 + 2.0 / 3.0 * 9e-6)) ** 0.5
    assert figures['point_error_m'] == pytest.approx(expected_m, rel=2e-3)
    assert unit.summary() == {
        'path_length_m': pytest.approx(29.99), 'reported_covariance': 'trusted',
        'reported_covariance_share': 1.0,
        'inflation': None, 'jumps': []}


def test_unit_that_was_never_seen_is_a_condition_and_no_figure_is_made_up():
    unit = monitor()
    unit.tick(START_NS)
    verdict = unit.verdict(START_NS + S)
    condition = conditions_of(verdict)[f'{NAME}/not_seen']
    assert condition.text == 'unit_odometry not seen yet'
    assert condition.severity is Severity.HARD
    assert condition.onset_ns == START_NS
    assert verdict.figures['point_error_m'] is None
    assert verdict.figures['age_s'] is None
    assert unit.corrected_pose() is None
    assert unit.summary()['reported_covariance'] is None


def test_silence_is_said_with_its_length_and_ends_with_the_next_message():
    unit = monitor()
    messages = [message(i) for i in range(100)]
    feed(unit, messages)
    last_ns = messages[-1].stamp_ns + DELAY_NS
    assert unit.verdict(last_ns + round(0.34 * S)).conditions == ()
    verdict = unit.verdict(last_ns + round(0.8 * S))
    condition = conditions_of(verdict)[f'{NAME}/silent']
    assert condition.text == 'unit_odometry silent for 0.8 s'
    assert (condition.severity, condition.onset_ns) == (Severity.HARD, last_ns)
    assert verdict.figures['point_error_m'] is None
    again = message(180)
    feed(unit, [again])
    assert verdict_after(unit, again).conditions == ()


def test_slow_stream_is_given_five_periods():
    unit = PoseMonitor(NAME, PoseLimits(), working_distance_m=3.0, rate_hz=4.0)
    odometry = message(0)
    feed(unit, [odometry])
    assert verdict_after(unit, odometry, 1.2).conditions == ()
    assert f'{NAME}/silent' in conditions_of(verdict_after(unit, odometry, 1.3))


def not_definite():
    covariance = np.eye(6)
    covariance[0, 1] = covariance[1, 0] = 1.3
    return covariance


def not_symmetric():
    covariance = np.eye(6)
    covariance[0, 5] = 0.2
    return covariance


BAD_COVARIANCES = {
    'not a number': (
        np.full((6, 6), np.nan), 'invalid',
        'covariance of unit_odometry holds values that are not finite numbers'),
    'negative eigenvalue': (
        not_definite(), 'invalid',
        'covariance of unit_odometry is not positive semi-definite: smallest eigenvalue -0.3'),
    'meaningless variance': (
        np.diag([1.0, 1.0, 1e155, 1.0, 1.0, 1.0]), 'invalid',
        'covariance of unit_odometry has a variance beyond any meaning: z 1e+155'),
    'negative variance': (
        np.diag([1.0, 1.0, -0.5, 1.0, 1.0, 1.0]), 'invalid',
        'covariance of unit_odometry has a negative variance: z -0.5'),
    'not symmetric': (
        not_symmetric(), 'invalid',
        'covariance of unit_odometry is not symmetric: 0.2 and 0 for x with rotation about Z'),
    'all zero': (
        np.zeros((6, 6)), 'missing', 'covariance of unit_odometry is missing: all zero'),
    'no rotation': (
        np.diag([1.0, 1.0, 1.0, 0.0, 0.0, 0.0]), 'missing',
        'covariance of unit_odometry is missing for the rotation: all zero'),
}


@pytest.mark.parametrize('case', BAD_COVARIANCES)
def test_bad_covariance_is_named_with_its_figure(case):
    covariance, state, text = BAD_COVARIANCES[case]
    unit = monitor()
    feed(unit, [message(i) for i in range(100)])
    bad = replace(message(100), covariance=covariance)
    event, = feed(unit, [bad])
    assert (event.kind, event.text) == ('covariance_distrusted', text)
    verdict = verdict_after(unit, bad)
    condition = conditions_of(verdict)[f'{NAME}/covariance_{state}']
    assert condition.text == text
    if state == 'invalid':
        assert condition.severity is Severity.HARD
        assert verdict.figures['point_error_m'] is None
    else:
        # The estimate takes its place: after one metre in the good state a few millimetres.
        assert condition.severity is Severity.NOTICE
        assert 0.004 < verdict.figures['point_error_m'] < 0.015
    # One bad message is shown for a while, then the covariance is trusted again.
    events = feed(unit, [message(i) for i in range(101, 200)])
    assert [event.kind for event in events] == ['covariance_trusted']
    assert verdict_after(unit, message(199)).conditions == ()
    assert unit.summary()['reported_covariance'] == state


def test_planar_and_nearly_singular_covariances_are_valid():
    planar = np.zeros((6, 6))
    planar[0, 0] = planar[1, 1] = 1e-4
    planar[5, 5] = 1e-6
    direction = np.array([[1.0, 2.0, 3.0, 0.1, 0.2, 0.3]])
    singular = (1e-3 * direction.T @ direction).astype(np.float32).astype(float)
    unmeasured = np.diag([1e-6, 1e-6, 1e9, 1e9, 1e9, 1e-8])
    for covariance in (planar, singular, unmeasured):
        unit = monitor()
        assert feed(unit, [replace(message(0), covariance=covariance)]) == []
        assert verdict_after(unit, message(0)).conditions == ()


def test_constant_covariance_is_a_placeholder_only_once_the_robot_has_moved():
    constant = np.diag([1e-4] * 3 + [1e-6] * 3)
    still = monitor()
    feed(still, [replace(message(i, speed_mps=0.0), covariance=constant) for i in range(3000)])
    assert verdict_after(still, message(2999)).conditions == ()
    moving = monitor()
    events = feed(moving, [replace(message(i), covariance=constant) for i in range(3000)])
    assert [event.kind for event in events] == ['covariance_distrusted']
    # Both 5 m and 10 s must have passed; at 1 m/s the time is the later one.
    assert events[0].onset_ns == START_NS + 10 * S + DELAY_NS
    verdict = verdict_after(moving, message(2999))
    condition = conditions_of(verdict)[f'{NAME}/covariance_placeholder']
    assert condition.text == (
        'covariance of unit_odometry is a placeholder: the same bit for bit for 30 m')
    assert condition.severity is Severity.NOTICE
    # 0.1 % of the last metres, and the noise of registration; not of all 30 m.
    assert 0.005 < verdict.figures['point_error_m'] < 0.025
    assert moving.summary()['reported_covariance'] == 'placeholder'


def test_jump_is_reported_with_size_direction_and_share_of_the_way():
    unit = monitor()
    messages = [message(i) for i in range(3101)]
    messages[-1] = replace(messages[-1], position_m=np.array([31.0, 0.4, 0.0]))
    event, = feed(unit, messages)
    assert event.kind == 'pose_jump'
    assert event.text == 'unit_odometry jumped 0.40 m, 1.3 % of the 31 m travelled'
    assert event.onset_ns == messages[-1].stamp_ns + DELAY_NS
    assert event.values['y_m'] == pytest.approx(0.4)
    condition = conditions_of(verdict_after(unit, messages[-1]))[f'{NAME}/jump']
    assert (condition.text, condition.severity) == (event.text, Severity.HARD)
    assert unit.summary()['jumps'] == [{
        'at_ns': event.onset_ns, 'size_m': pytest.approx(0.4), 'size_rad': pytest.approx(0.0),
        'percent_of_distance': pytest.approx(100.0 * 0.4 / 30.99)}]
    # The step that jumped is no way travelled.
    assert unit.summary()['path_length_m'] == pytest.approx(30.99)
    assert unit.brief(messages[-1].stamp_ns) == {'reported_covariance': 'trusted', 'jumps': 1}
    now_ns = messages[-1].stamp_ns + DELAY_NS
    limits = PoseLimits(stale_s=2.0)
    patient = PoseMonitor(NAME, limits, working_distance_m=3.0)
    feed(patient, messages)
    shown = conditions_of(patient.verdict(now_ns + round(0.99 * S)))[f'{NAME}/jump']
    assert shown.seen_ns == event.onset_ns
    assert patient.verdict(now_ns + round(1.01 * S)).conditions == ()


def test_jump_of_a_slow_unit_without_twist_is_reported_with_the_next_pose():
    unit = PoseMonitor(NAME, PoseLimits(), working_distance_m=3.0, rate_hz=10.0)
    messages = [replace(message(i, rate_hz=10.0), linear_mps=None, angular_radps=None)
                for i in range(52)]
    for i in (50, 51):
        messages[i] = replace(
            messages[i], position_m=messages[i].position_m + np.array([0.0, 0.08, 0.0]))
    event, = feed(unit, messages)
    assert event.kind == 'pose_jump'
    assert event.onset_ns == messages[50].stamp_ns + DELAY_NS
    assert event.detected_ns == messages[51].stamp_ns + DELAY_NS
    assert event.values['y_m'] == pytest.approx(0.08)
    assert unit.summary()['jumps'][0]['at_ns'] == event.onset_ns
    # 51 periods of 0.1 m, without the one that jumped.
    assert unit.summary()['path_length_m'] == pytest.approx(5.0)


def test_rebase_ends_the_jump():
    unit = monitor()
    feed(unit, [message(0), message(1)])
    moved = message(2)
    feed(unit, [replace(moved, position_m=moved.position_m + 1.0)])
    assert f'{NAME}/jump' in conditions_of(verdict_after(unit, moved))
    unit.rebase(moved.stamp_ns + DELAY_NS)
    assert verdict_after(unit, moved).conditions == ()


@pytest.mark.parametrize('field, value, text', [
    ('position_m', [np.nan, 0.0, 0.0],
     'unit_odometry gives a position that is not finite: [nan, 0.0, 0.0]'),
    ('position_m', [0.0, 1e200, 0.0],
     'unit_odometry gives a position that is nowhere near: [0.0, 1e+200, 0.0]'),
    ('quaternion', [0.0, 0.0, 0.0, 0.0],
     'unit_odometry gives a quaternion of length 0, expected 1'),
    ('quaternion', [0.0, 0.0, 0.0, 2.0],
     'unit_odometry gives a quaternion of length 2, expected 1'),
    ('quaternion', [0.0, 0.0, np.nan, 1.0],
     'unit_odometry gives a quaternion of length nan, expected 1'),
])
def test_unusable_pose_is_refused_and_the_good_one_before_kept(field, value, text):
    unit = monitor()
    feed(unit, [message(i) for i in range(100)])
    bad = [replace(message(i), **{field: np.array(value)}) for i in (100, 101)]
    events = feed(unit, bad)
    # One event, though two messages were bad.
    assert [(event.kind, event.text) for event in events] == [('message_malformed', text)]
    condition = conditions_of(verdict_after(unit, bad[-1]))[f'{NAME}/pose_invalid']
    assert (condition.text, condition.severity) == (text, Severity.HARD)
    assert unit.corrected_pose().stamp_ns == message(99).stamp_ns
    assert feed(unit, [message(i) for i in range(102, 200)]) == []
    assert verdict_after(unit, message(199)).conditions == ()


def test_unreadable_message_is_a_condition():
    unit = monitor()
    feed(unit, [message(0)])
    now_ns = START_NS + S // 10
    event, = unit.malformed(now_ns, 'ends after 12 bytes')
    assert event.text == 'unit_odometry sent a message that cannot be read: ends after 12 bytes'
    assert f'{NAME}/malformed' in conditions_of(unit.verdict(now_ns))
    assert unit.malformed(now_ns + 1, 'ends after 12 bytes') == ()


def test_twist_that_is_not_finite_is_told_and_counted_and_does_not_disturb_the_pose():
    unit = monitor()
    messages = [replace(message(i), linear_mps=np.full(3, np.nan)) for i in range(300)]
    event, = feed(unit, messages)
    verdict = verdict_after(unit, messages[-1])
    condition, = verdict.conditions
    assert condition.text == 'unit_odometry gives a twist that is not finite: it is not used'
    assert (event.kind, condition.severity) == ('message_malformed', Severity.NOTICE)
    assert verdict.figures['speed_mps'] == pytest.approx(1.0)
    assert verdict.figures[f'{NAME}/unusable'] == 300.0
    judged, _ = unit.judged_pose()
    assert (judged.linear_mps, judged.angular_radps, judged.twist_covariance) == (
        None, None, None)


@pytest.mark.parametrize('speed_mps, believed', [(1.0, True), (0.0, False), (3.0, False)])
def test_pose_is_judged_with_the_twist_only_where_the_poses_go_by_it(speed_mps, believed):
    """The unit drives at 1 m/s; one that says 0 has filled in nothing."""
    unit = monitor()
    feed(unit, [replace(message(i), linear_mps=np.array([speed_mps, 0.0, 0.0]))
                for i in range(500)])
    judged, _ = unit.judged_pose()
    assert (judged.linear_mps is not None) is believed
    if believed:
        assert judged.linear_mps == pytest.approx([1.0, 0.0, 0.0])
    assert unit.verdict(message(499).stamp_ns).figures['speed_mps'] == pytest.approx(1.0)


def test_changed_frame_holds_until_it_is_back_or_rebased():
    unit = monitor()
    feed(unit, [message(i) for i in range(100)])
    other = [replace(message(i), frame='map', position_m=np.array([50.0, 0.0, 0.0]))
             for i in range(100, 110)]
    events = feed(unit, other)
    # Positions of two frames are not compared: no jump.
    assert [event.kind for event in events] == ['frame_changed']
    assert events[0].text == 'unit_odometry changed its frames from odom -> unit to map -> unit'
    condition = conditions_of(verdict_after(unit, other[-1]))[f'{NAME}/frame']
    assert condition.text == (
        'unit_odometry is given in map -> unit, not odom -> unit as before: rebase if that is '
        'meant')
    assert condition.onset_ns == events[0].onset_ns
    unit.rebase(other[-1].stamp_ns)
    assert verdict_after(unit, other[-1]).conditions == ()
    back = feed(unit, [message(i) for i in range(110, 120)])
    assert [event.kind for event in back] == ['frame_changed']
    assert f'{NAME}/frame' in conditions_of(verdict_after(unit, message(119)))


def test_repeated_and_late_stamps_are_no_motion():
    unit = monitor()
    order = [0, 1, 2, 2, 1, 3, 3, 5, 4, 6]
    messages = [message(i) for i in order]
    events = []
    for arrival, odometry in enumerate(messages):
        events += unit.add(odometry, START_NS + arrival * S // 100)
    assert events == []
    verdict = unit.verdict(START_NS + S // 10)
    assert verdict.conditions == ()
    assert verdict.figures['path_length_m'] == pytest.approx(0.06)


def test_stamps_that_stand_still_are_no_new_pose():
    unit = monitor()
    feed(unit, [message(0)])
    for i in range(100):
        unit.add(message(0), START_NS + DELAY_NS + i * S // 100)
    verdict = unit.verdict(START_NS + DELAY_NS + S)
    assert conditions_of(verdict)[f'{NAME}/no_pose'].text == (
        'unit_odometry has given no new pose for 1.0 s')


def test_bag_played_again_starts_anew_and_says_so():
    unit = monitor()
    messages = [message(i) for i in range(500)]
    feed(unit, messages)
    events = feed(unit, messages)
    assert [event.kind for event in events] == ['time_restarted']
    assert events[0].text == (
        'host time and the stamps of unit_odometry went back by 5.0 s: the pose is judged anew')
    assert verdict_after(unit, messages[-1]).conditions == ()
    # The way of the whole run.
    assert unit.summary()['path_length_m'] == pytest.approx(2 * 4.99)


def test_unit_whose_stamps_go_back_goes_on_in_its_new_time():
    unit = monitor()
    feed(unit, [message(i) for i in range(500)])
    now_ns = message(500).stamp_ns
    event, = unit.add(message(0), now_ns)
    assert event.kind == 'time_restarted'
    assert event.text == (
        'the stamps of unit_odometry went back by 5.0 s: what unit_odometry has lost still counts')
    assert unit.verdict(now_ns).conditions == ()


def test_impossible_motion_is_a_condition():
    unit = monitor()
    messages = [message(i, speed_mps=12.0) for i in range(100)]
    feed(unit, messages)
    condition = conditions_of(verdict_after(unit, messages[-1]))[f'{NAME}/speed']
    assert condition.severity is Severity.HARD
    assert condition.text == (
        'unit_odometry gives a speed of 12.0 m/s, more than the 5.0 m/s that the carrier can '
        'reach')


def test_point_error_follows_the_view_direction_through_the_attitude():
    # Sure about everything but its yaw; looks at 3 m along its y axis, or along its z axis.
    covariance = np.diag([1e-12] * 3 + [1e-12, 1e-12, 1e-4])
    roll_90 = np.array([np.sqrt(0.5), 0.0, 0.0, np.sqrt(0.5)])
    errors = {}
    for direction in ('y', 'z'):
        view = (0.0, 1.0, 0.0) if direction == 'y' else (0.0, 0.0, 1.0)
        for attitude, quaternion in (('level', message(0).quaternion), ('rolled', roll_90)):
            unit = PoseMonitor(NAME, PoseLimits(), 3.0, sights=[Sight(view)],
                               degradation=DegradationLimits(start_sigma_m=0.0,
                                                             start_sigma_rad=0.0))
            odometry = replace(message(0), covariance=covariance, quaternion=quaternion)
            feed(unit, [odometry])
            errors[direction, attitude] = verdict_after(unit, odometry).figures['point_error_m']
    # 1.96 sigma of 0.01 rad at 3 m; rolled by 90 degrees y looks up the vertical axis.
    assert errors['y', 'level'] == pytest.approx(0.0588, rel=1e-3)
    assert errors['y', 'rolled'] < 1e-4
    assert errors['z', 'level'] < 1e-4
    assert errors['z', 'rolled'] == pytest.approx(0.0588, rel=1e-3)


@pytest.mark.parametrize('seed', range(3))
def test_bound_never_calls_an_error_within_a_limit_that_the_verdict_puts_beyond(seed):
    rng = np.random.default_rng(seed)
    sure = 0
    for _ in range(300):
        unit = monitor()
        scale = np.array([0.01] * 3 + [0.003] * 3) * 10.0 ** rng.uniform(-1.0, 0.5, 6)
        root = scale[:, None] * rng.standard_normal((6, rng.integers(1, 7)))
        feed(unit, [replace(message(0), covariance=root @ root.T)])
        now_ns = START_NS + DELAY_NS
        verdict = unit.verdict(now_ns)
        limit_m = 10.0 ** rng.uniform(-2.5, 0.0)
        if unit.surely_within(now_ns, limit_m):
            sure += 1
            assert not verdict.conditions
            assert verdict.figures['point_error_m'] <= limit_m
    assert sure > 20


def test_bound_is_not_trusted_where_something_is_wrong():
    unit = monitor()
    assert not unit.surely_within(0, 1e9)
    feed(unit, [message(0)])
    now_ns = START_NS + DELAY_NS
    assert unit.surely_within(now_ns, 10.0)
    assert not unit.surely_within(now_ns + 10 ** 10, 10.0), 'silent'
    unit.malformed(now_ns + 1, 'cut')
    assert not unit.surely_within(now_ns + 1, 10.0)
