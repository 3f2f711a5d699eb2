# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""All streams together: whose clock moved against the unit's, and what the verdict says."""

import re

import numpy as np
import pytest
from robot_mapping_qa.timing.limits import StreamSpec, TimingLimits
from robot_mapping_qa.timing.monitor import TimingMonitor
from robot_mapping_qa.verdicts import Severity
from timing_streams import seconds, START_NS, stream, watch_together

ROLES = {'unit_odometry': 'pose'}


def robot(duration_s, camera=None, lidar=None, unit=None):
    """Return the streams of a small robot, healthy but for what is given."""
    rng = np.random.default_rng(1)
    return {
        'unit_odometry': stream(100.0, duration_s, rng, least_s=0.006, **(unit or {})),
        'front_camera': stream(15.0, duration_s, rng, least_s=0.018, **(camera or {})),
        'roof_lidar': stream(10.0, duration_s, rng, least_s=0.035, **(lidar or {})),
    }


def spans(verdicts, kind):
    """Return (key, from s, to s) of each run of verdicts with a condition of the kind."""
    found, running = [], {}
    for verdict in verdicts:
        keys = {condition.key for condition in verdict.conditions if condition.kind == kind}
        now_s = seconds(verdict.stamp_ns)
        for key in keys - running.keys():
            running[key] = now_s
        for key in running.keys() - keys:
            found.append((key, running.pop(key), now_s))
    return found + [(key, from_s, None) for key, from_s in running.items()]


def test_healthy_robot_has_no_condition_once_it_has_settled():
    _, events, verdicts = watch_together(robot(30.0), 30.0, ROLES)
    assert events == []
    unhealthy = [seconds(verdict.stamp_ns) for verdict in verdicts if verdict.conditions]
    assert max(unhealthy) < 3.2
    assert {c.kind for verdict in verdicts for c in verdict.conditions} == {
        'not_seen', 'settling'}


@pytest.mark.parametrize('size_s', [0.08, -0.08])
def test_camera_step_holds_until_it_comes_back(size_s):
    streams = robot(30.0, camera={'steps': [(12.0, size_s), (18.0, -size_s)]})
    _, events, verdicts = watch_together(streams, 30.0, ROLES)
    (key, from_s, to_s), = spans(verdicts, 'clock_moved')
    first_s = next(seconds(a) for s, a in zip(*streams['front_camera']) if seconds(a) > 12.018)
    assert key == 'front_camera/clock_moved'
    assert from_s - first_s < 0.25
    assert 18.0 < to_s < 18.35
    held = next(v for v in verdicts if 14.0 < seconds(v.stamp_ns))
    condition, = held.conditions
    assert condition.severity is Severity.HARD
    assert condition.onset_ns == pytest.approx(first_s * 1e9 + 1.7e18, abs=2e6)
    told_ms = re.match(r'front_camera clock stepped by ([+-][0-9.]+) ms', condition.text)[1]
    assert float(told_ms) == pytest.approx(1e3 * size_s, abs=1.0)
    assert "no longer match unit_odometry's" in condition.text
    assert [(event.kind, event.subject) for event in events] == [
        ('clock_step', 'front_camera')] * 2


def test_step_of_the_units_clock_is_laid_at_its_door():
    _, _, verdicts = watch_together(
        robot(20.0, unit={'steps': [(12.0, 0.06)]}), 20.0, ROLES)
    (key, from_s, to_s), = spans(verdicts, 'clock_moved')
    assert key == 'unit_odometry/clock_moved'
    assert 12.0 < from_s < 12.3 and to_s is None


@pytest.mark.parametrize('only_watched, severity', [
    ((), Severity.HARD), (('roof_lidar',), Severity.NOTICE)])
def test_clock_that_unit_and_camera_share_matters_by_who_does_not_follow_it(
        only_watched, severity):
    step = {'steps': [(12.0, 0.06)]}
    _, _, verdicts = watch_together(
        robot(20.0, camera=step, unit=step), 20.0, ROLES, only_watched=only_watched)
    condition, = verdicts[-1].conditions
    assert (condition.key, condition.severity) == ('unit_odometry/clock_moved', severity)
    # Where the step is found on one of the two first, it does not match the other for a moment.
    hard = [seconds(verdict.stamp_ns) for verdict in verdicts for condition in verdict.conditions
            if condition.kind == 'clock_moved' and condition.severity is Severity.HARD]
    assert only_watched == () or max(hard, default=12.0) < 12.4


def test_units_clock_has_moved_once_another_does_not_match_it_any_more():
    """Not as soon as it has moved by the limit against the host."""
    streams = robot(20.0, camera={'steps': [(9.0, 0.008)]}, unit={'steps': [(12.0, 0.025)]})
    del streams['roof_lidar']
    monitor, _, verdicts = watch_together(streams, 20.0, ROLES)
    assert spans(verdicts, 'clock_moved') == []
    error_s, _ = monitor.time_error('front_camera', verdicts[-1].stamp_ns)
    assert error_s == pytest.approx(-0.017, abs=1e-3)


def test_step_of_all_clocks_together_moves_none_against_the_other():
    step = {'steps': [(12.0, 0.3)]}
    monitor, _, verdicts = watch_together(robot(20.0, step, step, step), 20.0, ROLES)
    error_s, sigma_s = monitor.time_error('front_camera', verdicts[-1].stamp_ns)
    assert abs(error_s) < 2e-3 and sigma_s < 2e-3
    assert all(to_s is not None and to_s - from_s < 0.35
               for _, from_s, to_s in spans(verdicts, 'clock_moved'))


@pytest.mark.parametrize('size_s', [0.4, -0.4])
def test_step_of_the_hosts_clock_is_named_and_moves_no_stream(size_s):
    streams = robot(20.0)
    streams = {name: (stamps, [arrival + (round(size_s * 1e9) if seconds(arrival) > 12.0 else 0)
                               for arrival in arrivals])
               for name, (stamps, arrivals) in streams.items()}
    monitor, events, verdicts = watch_together(streams, 19.0, ROLES)
    assert spans(verdicts, 'clock_moved') == []
    steps = [event for event in events if event.kind == 'clock_step']
    assert [event.subject for event in steps] == ['host']
    assert steps[0].values['size_s'] == pytest.approx(size_s, abs=5e-3)
    assert verdicts[-1].conditions == ()
    # The stream's clock less the host's has changed by the step.
    assert monitor.figures('front_camera').offset_s == pytest.approx(-0.018 - size_s, abs=3e-3)


def test_skew_moves_a_clock_away_in_time():
    """200 ppm against the unit: 20 ms after 100 s."""
    streams = robot(140.0, camera={'skew_ppm': 200.0})
    _, _, verdicts = watch_together(streams, 140.0, ROLES)
    (key, from_s, to_s), = spans(verdicts, 'clock_moved')
    assert key == 'front_camera/clock_moved'
    assert from_s == pytest.approx(103.0, abs=6.0) and to_s is None
    text = verdicts[-1].conditions[0].text
    assert 'has moved by +' in text


def test_time_error_is_that_against_the_unit():
    streams = robot(30.0, camera={'steps': [(12.0, 0.015)]}, unit={'skew_ppm': 100.0})
    monitor, _, verdicts = watch_together(streams, 30.0, ROLES)
    error_s, sigma_s = monitor.time_error('front_camera', verdicts[-1].stamp_ns)
    assert error_s == pytest.approx(0.015 - 100e-6 * 27.0, abs=1e-3)
    assert 0.0 < sigma_s < 2e-3
    assert monitor.time_error('unit_odometry', verdicts[-1].stamp_ns) == (0.0, 0.0)
    figures = verdicts[-1].figures
    assert (figures['front_camera/time_error_s'],
            figures['front_camera/time_error_sigma_s']) == pytest.approx((error_s, sigma_s))
    assert figures['unit_odometry/time_error_sigma_s'] == 0.0
    assert verdicts[-1].conditions == ()


@pytest.mark.parametrize('camera_s, unit_s, expected_s', [
    (0.030, 0.0, 0.012), (0.0, 0.020, -0.014), (0.030, 0.020, 0.0), (-0.2, -0.1, 0.0)])
def test_stamps_from_the_future_are_a_time_error(camera_s, unit_s, expected_s):
    """What they lie ahead is clock whatever the delay; what they lie behind may be delay."""
    streams = robot(20.0, camera={'offset_s': camera_s}, unit={'offset_s': unit_s})
    monitor, _, verdicts = watch_together(streams, 20.0, ROLES)
    figures, now_ns = verdicts[-1].figures, verdicts[-1].stamp_ns
    assert figures['front_camera/time_error_s'] == pytest.approx(expected_s, abs=1e-3)
    assert figures['unit_odometry/time_error_s'] == 0.0
    assert abs(monitor.time_error('front_camera', now_ns)[0]) < 1e-3


def test_what_is_told_of_the_constant_offset_of_a_clock_is_part_of_its_sigma():
    figures = {}
    for sigma_s in (0.0, 0.004):
        monitor = TimingMonitor([
            StreamSpec('unit', '/unit', role='pose'),
            StreamSpec('camera', '/camera', clock_sigma_s=sigma_s)], TimingLimits())
        for index in range(200):
            now_ns = START_NS + index * 50_000_000
            for name in ('unit', 'camera'):
                monitor.add(name, now_ns - 10_000_000 - 1000 * (index * index % 7), now_ns)
            monitor.tick(now_ns)
        figures[sigma_s] = monitor.verdict(now_ns).figures
    without, told = (figures[sigma_s]['camera/time_error_sigma_s'] for sigma_s in (0.0, 0.004))
    assert told == pytest.approx(np.hypot(without, 0.004))
    assert figures[0.004]['unit/time_error_sigma_s'] == 0.0


@pytest.mark.parametrize('required, useful, severity', [
    (True, False, Severity.HARD), (False, True, Severity.SOFT), (False, False, Severity.NOTICE)])
def test_what_the_loss_of_a_stream_means_is_the_streams_own(required, useful, severity):
    monitor = TimingMonitor([
        StreamSpec('lidar', '/points', required=required, useful=useful)], TimingLimits())
    monitor.tick(10 ** 9)
    condition, = monitor.verdict(10 ** 9).conditions
    assert (condition.key, condition.severity) == ('lidar/not_seen', severity)


def test_time_error_is_unknown_before_both_have_settled():
    monitor, _, verdicts = watch_together(robot(2.0), 2.0, ROLES)
    assert monitor.time_error('front_camera', verdicts[-1].stamp_ns) is None


def test_same_messages_give_the_same_verdicts_whenever_the_ticks_fall():
    """Live and offline look at slightly different times."""
    streams = robot(25.0, camera={'steps': [(12.0, 0.08)]},
                    lidar={'delays': [(16.0, 19.0, 0.3)]}, unit={'silence': (20.0, 22.0)})
    first = watch_together(streams, 25.0, ROLES)
    again = watch_together(streams, 25.0, ROLES)
    assert [v.conditions for v in first[2]] == [v.conditions for v in again[2]]
    shifted = watch_together(streams, 25.0, ROLES, start_s=0.023)
    for kind in ('clock_moved', 'late', 'silent'):
        one, two = spans(first[2], kind), spans(shifted[2], kind)
        assert one and [key for key, _, _ in one] == [key for key, _, _ in two]
        for (_, from_one, to_one), (_, from_two, to_two) in zip(one, two):
            assert abs(from_one - from_two) < 0.1
            assert to_one is to_two is None or abs(to_one - to_two) < 0.1


def test_monitor_refuses_two_pose_streams_and_repeated_names():
    limits = TimingLimits()
    with pytest.raises(ValueError, match='b: a second stream of role pose'):
        TimingMonitor([StreamSpec('a', '/a', 'pose'), StreamSpec('b', '/b', 'pose')], limits)
    with pytest.raises(ValueError, match='a is given twice'):
        TimingMonitor([StreamSpec('a', '/a'), StreamSpec('a', '/b')], limits)
