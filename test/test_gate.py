# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The gate: verdicts in, leave to capture out."""

from dataclasses import replace
import math
from random import Random

import numpy as np
import pytest
from robot_mapping_qa.capture.causes import MONITORS, RECORDER
from robot_mapping_qa.capture.gate import Gate
from robot_mapping_qa.capture.holds import Cause, Hold
from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.capture.moments import HEALTHY_AGAIN, merged
from robot_mapping_qa.capture.view import View
from robot_mapping_qa.messages.factory import RosbagsFactory
from robot_mapping_qa.messages.hold_values import course_values, hold_from_values, hold_values
from robot_mapping_qa.messages.outputs import BLUE, gate_status, GREEN, lamp, RED, YELLOW
from robot_mapping_qa.pose.point_motion import motion_figures
from robot_mapping_qa.pose.working_distance import Sight
from robot_mapping_qa.verdicts import Condition, Severity, Verdict
from rosbags.typesys import get_typestore, Stores
from scipy.stats import chi2

MS = 1_000_000
S = 1_000_000_000
STEP = 50 * MS
LIMITS = GateLimits(on_delay_s=0.1, off_delay_s=2.0, deadband_fraction=0.1,
                    verdict_timeout_s=0.5)


class Robot:
    """Two monitors that speak every 50 ms, and the gate that listens."""

    def __init__(self, start_ns=0):
        """Begin with healthy monitors and a gate that has heard nothing."""
        self.gate = Gate(LIMITS, point_error_limit_m=0.05, start_ns=start_ns)
        self.now_ns = start_ns
        self.conditions = {'timing': (), 'pose': ()}
        self.point_error_m = 0.01
        self.path_m = 0.0
        self.time_error_s = self.time_error_sigma_s = 0.0
        self.pose_figures = {}
        self.silent = set()
        self.events = []

    def run(self, seconds):
        """Let time pass and return the decisions made meanwhile."""
        decisions = []
        for _ in range(round(seconds * S / STEP)):
            self.now_ns += STEP
            for source, conditions in self.conditions.items():
                if source not in self.silent:
                    figures = {'camera/time_error_s': self.time_error_s,
                               'camera/time_error_sigma_s': self.time_error_sigma_s}
                    if source == 'pose':
                        figures = {'point_error_m': self.point_error_m,
                                   'path_length_m': self.path_m, **self.pose_figures}
                    self.gate.receive(Verdict(source, self.now_ns, conditions, figures))
            decisions.append(self.gate.update(self.now_ns))
            self.events += decisions[-1].events
        return decisions

    def opened(self):
        """Run until well after the gate should be open, and forget what happened."""
        assert self.run(3.0)[-1].allowed
        self.events.clear()
        return self


def hard(key='unit_odometry/silent', text='unit_odometry silent for 0.8 s', onset_ns=0):
    return Condition(key, text, Severity.HARD, onset_ns)


def soft(key='roof_lidar/late', text='roof_lidar is late', onset_ns=0):
    return Condition(key, text, Severity.SOFT, onset_ns)


def closing_delay_s(decisions, start_ns):
    """Return after how long the gate closed, None where it never did."""
    return next(((d.stamp_ns - start_ns) / S for d in decisions if not d.allowed), None)


def test_held_until_both_monitors_have_spoken_and_the_off_delay_is_over():
    robot = Robot()
    robot.silent = {'timing', 'pose'}
    assert not robot.run(5.0)[-1].allowed
    robot.silent = {'pose'}
    last = robot.run(5.0)[-1]
    assert not last.allowed
    assert [c.text for c in last.conditions] == [
        'no pose verdict yet: is pose_monitor running?']
    robot.silent = set()
    start_ns = robot.now_ns
    opened = next(d for d in robot.run(3.0) if d.allowed)
    # The first healthy update starts the off-delay.
    assert (opened.stamp_ns - start_ns) / S == pytest.approx(2.05)
    assert robot.events[-1].kind == 'release'


def test_hard_condition_closes_at_once_and_names_its_reason_and_onset():
    robot = Robot().opened()
    start_ns = robot.now_ns
    robot.conditions['pose'] = (hard(onset_ns=start_ns - 300 * MS),)
    first = robot.run(0.05)[0]
    assert not first.allowed
    assert first.text == 'held: unit_odometry silent for 0.8 s'
    event = robot.events[0]
    assert (event.kind, event.onset_ns, event.detected_ns) == (
        'hold', start_ns - 300 * MS, start_ns + STEP)


def test_soft_condition_needs_the_on_delay():
    robot = Robot().opened()
    robot.conditions['timing'] = (soft(),)
    start_ns = robot.now_ns
    # Seen first after 50 ms, it must have lasted 100 ms more.
    assert closing_delay_s(robot.run(1.0), start_ns) == pytest.approx(0.15)


def test_soft_condition_shorter_than_the_on_delay_does_not_close():
    robot = Robot().opened()
    for _ in range(10):
        robot.conditions['timing'] = (soft(),)
        robot.run(0.1)
        robot.conditions['timing'] = ()
        robot.run(0.1)
    assert robot.events == []


def test_useful_stream_may_be_missing_for_its_own_delay_and_is_told_meanwhile():
    robot = Robot()
    robot.gate = Gate(LIMITS, 0.05, 0, 'unit_odometry', useful={'roof_lidar'})
    robot.opened()
    robot.conditions['timing'] = (soft(),)
    meanwhile = robot.run(4.0)[-1]
    assert meanwhile.allowed and meanwhile.text == 'open, about to hold: roof_lidar is late'
    assert lamp(meanwhile) == (YELLOW, True)
    # Others keep their on-delay, and one that comes back in time leaves no trace.
    robot.conditions['timing'] = ()
    assert robot.run(1.0)[-1].text == 'open' and robot.events == []
    robot.conditions['timing'] = (soft(),)
    start_ns = robot.now_ns
    assert closing_delay_s(robot.run(8.0), start_ns) == pytest.approx(
        LIMITS.useful_delay_s + 0.05)
    robot.conditions['timing'] = ()
    robot.run(3.0)
    robot.conditions['timing'] = (soft('camera/late', 'camera is late'),)
    start_ns = robot.now_ns
    assert closing_delay_s(robot.run(1.0), start_ns) == pytest.approx(0.15)


def test_notice_is_shown_and_never_closes():
    robot = Robot().opened()
    robot.conditions['timing'] = (
        Condition('spare/silent', 'spare silent', Severity.NOTICE, 0),)
    last = robot.run(5.0)[-1]
    assert last.allowed and [c.text for c in last.notices] == ['spare silent']


def test_reopening_needs_the_full_off_delay_again_after_every_relapse():
    robot = Robot().opened()
    robot.conditions['pose'] = (hard(),)
    robot.run(0.1)
    for _ in range(3):
        robot.conditions['pose'] = ()
        assert not any(d.allowed for d in robot.run(1.9))
        robot.conditions['pose'] = (hard(),)
        robot.run(0.05)
    robot.conditions['pose'] = ()
    start_ns = robot.now_ns
    opened = next(d for d in robot.run(3.0) if d.allowed)
    assert (opened.stamp_ns - start_ns) / S == pytest.approx(2.05)


def test_off_delay_runs_while_a_stream_settles():
    robot = Robot()
    settling = hard('camera/settling', 'camera settling: 1.0 of 3.0 s')
    robot.conditions['timing'] = (settling,)
    held = robot.run(3.0)
    assert not any(d.allowed for d in held)
    assert {(d.text, d.waiting_s) for d in held[2:]} == {('held: ' + settling.text, None)}
    robot.conditions['timing'] = ()
    assert robot.run(0.05)[0].allowed


@pytest.mark.parametrize('trouble, source', [
    (hard('camera/late', 'camera is late'), 'timing'), (hard(), 'pose')])
def test_trouble_beside_a_stream_that_settles_starts_the_off_delay_again(trouble, source):
    robot = Robot()
    settling = hard('camera/settling', 'camera settling: 1.0 of 3.0 s')
    robot.conditions['timing'] = (settling,)
    robot.run(2.5)
    before = robot.conditions[source]
    robot.conditions[source] = (*before, trouble)
    robot.run(0.05)
    robot.conditions[source] = before
    assert not robot.run(0.4)[-1].allowed
    robot.conditions['timing'] = ()
    start_ns = robot.now_ns
    opened = next(d for d in robot.run(3.0) if d.allowed)
    assert (opened.stamp_ns - start_ns) / S == pytest.approx(2.05 - 0.4)


def shown_until(robot, seen_ns, until_ns, severity=Severity.HARD):
    """Let a jump be shown until a time after it was last seen; return the decisions."""
    jump = Condition('unit/jump', 'unit jumped', severity, seen_ns, seen_ns=seen_ns)
    robot.conditions['pose'] = (jump,)
    decisions = robot.run((until_ns - robot.now_ns) / S)
    robot.conditions['pose'] = ()
    return decisions


@pytest.mark.parametrize('shown_s, opens_s', [(1.0, 2.0), (1.95, 2.0), (4.0, 4.05)])
def test_off_delay_counts_from_when_the_cause_was_last_seen(shown_s, opens_s):
    robot = Robot().opened()
    jumped_ns = robot.now_ns + STEP
    held = shown_until(robot, jumped_ns, jumped_ns + round(shown_s * S))
    assert not any(d.allowed for d in held)
    # The word of the monitor stands until its next one.
    opened = next(d for d in robot.run(3.0) if d.allowed)
    assert (opened.stamp_ns - jumped_ns) / S == pytest.approx(opens_s)


def test_what_is_seen_again_starts_the_off_delay_again():
    robot = Robot().opened()
    first_ns = robot.now_ns + STEP
    shown_until(robot, first_ns, first_ns + S)
    assert robot.run(0.9)[-1].waiting_s == pytest.approx(0.1)
    again_ns = robot.now_ns + STEP
    shown_until(robot, again_ns, again_ns + S)
    opened = next(d for d in robot.run(3.0) if d.allowed)
    assert (opened.stamp_ns - again_ns) / S == pytest.approx(2.0)


def test_trouble_beside_what_is_only_shown_starts_the_off_delay_again():
    robot = Robot().opened()
    robot.conditions['timing'] = (hard('camera/silent', 'camera silent'),)
    jumped_ns = robot.now_ns + STEP
    shown_until(robot, jumped_ns, jumped_ns + S)
    robot.run(3.0)
    robot.conditions['timing'] = ()
    healed_ns = robot.now_ns + STEP
    opened = next(d for d in robot.run(3.0) if d.allowed)
    assert (opened.stamp_ns - healed_ns) / S == pytest.approx(2.0)


def test_point_error_closes_above_the_limit_and_opens_below_the_deadband_only():
    robot = Robot().opened()
    robot.point_error_m = 0.049
    assert robot.run(3.0)[-1].allowed
    robot.point_error_m = 0.051
    start_ns = robot.now_ns
    decisions = robot.run(1.0)
    assert closing_delay_s(decisions, start_ns) == pytest.approx(0.15)
    assert 'only known to 0.051 m (limit 0.050 m)' in decisions[-1].text
    robot.point_error_m = 0.047
    last = robot.run(5.0)[-1]
    assert not last.allowed and 'opens below 0.045 m' in last.text
    robot.point_error_m = 0.044
    assert robot.run(3.0)[-1].allowed


def test_unknown_point_error_is_not_taken_for_a_good_one():
    robot = Robot().opened()
    robot.point_error_m = None
    last = robot.run(0.5)[-1]
    assert not last.allowed
    assert last.conditions[0].text == 'the error on the structure is not known'


@pytest.mark.parametrize('source, node', [
    ('timing', 'sync_monitor'), ('pose', 'pose_monitor')])
def test_dead_monitor_closes_after_half_a_second(source, node):
    robot = Robot().opened()
    robot.silent = {source}
    start_ns = robot.now_ns
    decisions = robot.run(2.0)
    assert closing_delay_s(decisions, start_ns) == pytest.approx(0.55)
    assert f'{node} has stopped or is stuck' in decisions[-1].text


def test_verdict_from_a_stopped_monitor_that_speaks_of_the_past_does_not_open():
    robot = Robot().opened()
    robot.silent = {'pose'}
    robot.run(5.0)
    stale = Verdict('pose', robot.now_ns - 2 * S, (), {'point_error_m': 0.01})
    robot.gate.receive(stale)
    assert not robot.run(3.0)[-1].allowed


def test_verdict_dated_ahead_closes():
    robot = Robot().opened()
    robot.silent = {'timing'}
    robot.gate.receive(Verdict('timing', robot.now_ns + 10 * S, (), {}))
    last = robot.run(0.1)[-1]
    assert not last.allowed and 'dated 9.' in last.text


def test_clock_that_goes_back_never_shortens_the_off_delay():
    robot = Robot(start_ns=100 * S).opened()
    robot.conditions['pose'] = (hard(),)
    robot.run(0.1)
    robot.conditions['pose'] = ()
    robot.run(1.5)
    robot.now_ns -= 50 * S
    assert not any(d.allowed for d in robot.run(1.9))
    assert robot.run(0.3)[-1].allowed


def test_manual_hold_and_its_withdrawal():
    robot = Robot().opened()
    robot.gate.set_manual_hold(True, robot.now_ns)
    assert robot.run(0.05)[-1].text == 'held: held by hand'
    robot.gate.set_manual_hold(False, robot.now_ns)
    assert not robot.run(1.9)[-1].allowed
    assert robot.run(0.3)[-1].allowed


def test_a_second_publisher_of_the_gate_holds_it():
    robot = Robot().opened()
    robot.gate.set_publishers(1, robot.now_ns)
    assert robot.run(0.05)[-1].allowed
    robot.gate.set_publishers(2, robot.now_ns)
    assert robot.run(0.05)[-1].text.startswith('held: 2 nodes publish the gate: end all but one')
    robot.gate.set_publishers(1, robot.now_ns)
    assert not robot.run(1.9)[-1].allowed
    assert robot.run(0.3)[-1].allowed


def test_a_monitor_that_runs_twice_holds_the_gate():
    robot = Robot().opened()
    for _ in range(20):
        # Its twin agrees with it, and even so.
        robot.gate.receive(Verdict('pose', robot.now_ns, (), {'point_error_m': 0.01}), 'twin')
        held = robot.run(0.05)[-1]
    assert held.text == 'held: 2 processes speak as pose_monitor (, twin): end all but one'
    assert [event.kind for event in robot.events] == ['hold']
    # The twin has ended: its last word ages, then the off-delay passes.
    assert not robot.run(2.3)[-1].allowed
    assert robot.run(0.4)[-1].allowed


def test_same_cause_from_two_monitors_is_one_reason_and_the_harder_stands():
    robot = Robot().opened()
    robot.conditions['timing'] = (soft('unit_odometry/silent', 'soft wording'),)
    robot.conditions['pose'] = (hard('unit_odometry/silent', 'hard wording'),)
    last = robot.run(0.05)[-1]
    assert [c.text for c in last.conditions] == ['hard wording']


def test_hold_record_reads_right_when_the_hold_is_over():
    robot = Robot().opened()
    start_ns = robot.now_ns
    moved = Condition(
        'camera/clock_moved', 'camera clock stepped by +80 ms 0.0 s ago and has not come back',
        Severity.HARD, start_ns, 'camera clock stepped by +80 ms')
    late = soft(text='roof_lidar late: 300 ms', onset_ns=start_ns + S)
    robot.conditions['timing'] = (moved,)
    robot.run(1.0)
    hold = robot.gate.hold_now
    assert hold.reasons == ('camera clock stepped by +80 ms (for 1.0 s so far)',)
    robot.conditions['timing'] = (moved, late)
    robot.run(2.0)
    robot.conditions['timing'] = (replace(late, text='roof_lidar late: 160 ms'),)
    robot.run(0.5)
    robot.conditions['timing'] = ()
    robot.run(2.5)
    assert robot.gate.allowed
    assert hold.reasons == ('camera clock stepped by +80 ms (for 3.0 s)',
                            'roof_lidar late: 300 ms (for 2.5 s)')


def test_hold_record_counts_what_came_and_went_several_times():
    robot = Robot().opened()
    for _ in range(3):
        robot.conditions['pose'] = (hard(text='x', onset_ns=robot.now_ns),)
        robot.run(0.5)
        robot.conditions['pose'] = ()
        robot.run(0.5)
    assert robot.gate.hold_now.reasons == ('x (3 times, for 1.6 s in all)',)


def test_hold_record_keeps_the_worst_point_error():
    robot = Robot().opened()
    hold = None
    for robot.point_error_m in (0.06, 0.15, 0.047):
        robot.run(1.0)
        hold = hold or robot.gate.hold_now
    robot.point_error_m = 0.01
    robot.run(3.0)
    assert hold.reasons == ('a point on the structure was only known to 0.150 m at worst '
                            '(limit 0.050 m) (for 3.0 s)',)


def test_worst_point_error_of_a_hold_is_told_although_it_was_met_in_between():
    robot = Robot().opened()
    for error_m in (0.15, 0.02, 0.049):
        robot.point_error_m = error_m
        decision = robot.run(1.0)[-1]
    assert not decision.allowed
    hold = robot.gate.hold_now
    assert [cause.times for cause in hold.causes.values()] == [2]
    assert '0.150 m at worst' in hold.reasons[0]
    robot.point_error_m = 0.01
    robot.opened()
    robot.point_error_m = 0.06
    robot.run(1.0)
    assert '0.060 m at worst' in robot.gate.hold_now.reasons[0]


def test_each_time_over_the_limit_has_its_own_onset_and_its_own_deadband():
    robot = Robot().opened()
    for error_m in (0.06, 0.01):
        robot.point_error_m = error_m
        robot.run(3.0)
    # Within the deadband: no reason to close a gate that is open.
    robot.point_error_m = 0.048
    assert robot.run(1.0)[-1].allowed
    robot.point_error_m = 0.06
    over_ns = robot.now_ns + STEP
    robot.run(1.0)
    assert robot.gate.hold_now.onset_ns == over_ns


def test_dead_unit_is_one_reason_with_its_consequences():
    robot = Robot().opened()
    gate = robot.gate = Gate(LIMITS, 0.05, robot.now_ns, unit='unit')
    robot.run(3.0)
    died_ns = robot.now_ns
    silent = Condition('unit/silent', 'unit silent for 0.4 s', Severity.HARD, died_ns,
                       'unit silent')
    no_pose = Condition('unit/no_pose', 'unit has given no pose', Severity.HARD, died_ns)
    robot.point_error_m = 0.06
    robot.conditions['timing'], robot.conditions['pose'] = (silent,), (no_pose,)
    last = robot.run(1.0)[-1]
    assert last.text == 'held: unit silent for 0.4 s'
    assert last.reasons == {'unit/silent': ['unit/no_pose', 'point_error/over_limit']}
    hold = gate.hold_now
    # It comes back and has to settle: that still follows from the silence.
    settling = Condition('unit/settling', 'unit settling: 1 of 3 s', Severity.HARD, robot.now_ns,
                         'unit settling')
    robot.point_error_m = 0.01
    robot.conditions['timing'], robot.conditions['pose'] = (settling,), ()
    assert robot.run(1.0)[-1].text == 'held: unit settling: 1 of 3 s'
    robot.conditions['timing'] = ()
    robot.run(3.0)
    reason, = hold.reasons
    assert reason.startswith('unit silent (for 1.1 s), and so: unit has given no pose (for')
    assert ', unit settling (for 1.1 s), a point on the structure was only known' in reason


def test_what_outlasts_its_cause_by_more_than_settling_is_a_cause_of_its_own():
    hold = Hold(0, 0, unit='unit', causes={
        'unit/pose_invalid': Cause('unit gave no numbers', 0, S),
        'point_error/over_limit': Cause('it was off', 0, 7 * S),
        'unit/no_pose': Cause('unit has given no pose', S // 2, S)}, released_ns=10 * S)
    assert hold.reasons == (
        'it was off (for 7.0 s)',
        'unit gave no numbers (for 1.0 s), and so: unit has given no pose (for 0.5 s)')
    # Where the unit had to settle meanwhile, it is one thing.
    del hold.causes['unit/pose_invalid']
    hold.causes['unit/silent'] = Cause('unit silent', 0, S)
    hold.causes['unit/settling'] = Cause('unit settling', S, 7 * S)
    assert hold.reasons == (
        'unit silent (for 1.0 s), and so: it was off (for 7.0 s), unit settling (for 6.0 s), '
        'unit has given no pose (for 0.5 s)',)


def test_streams_that_settle_are_one_phrase_and_the_longest_cause_comes_first():
    hold = Hold(0, 0, released_ns=9 * S, causes={
        'lidar/not_seen': Cause('lidar: no message yet on /lidar', 0, S // 10),
        'unit/settling': Cause('unit settling', 0, 3 * S),
        'lidar/settling': Cause('lidar settling', S // 10, 3 * S),
        'imu/silent': Cause('imu silent', S, 9 * S)})
    assert hold.reasons == ('imu silent (for 8.0 s)', 'settling: unit, lidar (for 3.0 s)')
    hold.causes['lidar/not_seen'].last_ns = 2 * S
    assert hold.reasons[-2:] == (
        'unit settling (for 3.0 s)',
        'lidar: no message yet on /lidar (for 2.0 s), and so: lidar settling (for 2.9 s)')


def test_record_of_a_hold_that_the_recording_does_not_outlive():
    robot = Robot().opened()
    robot.conditions['pose'] = (hard(text='x', onset_ns=robot.now_ns),)
    robot.run(1.0)
    hold = robot.gate.hold_now
    assert hold.reasons == ('x (for 1.0 s so far)',)
    hold.at_end = True
    assert hold.reasons == ('x (for 1.0 s, until the end)',)


def test_moments_of_a_hold_know_each_cause_in_its_own_time():
    robot = Robot().opened()
    began_ns = robot.now_ns
    for _ in range(2):
        robot.conditions['pose'] = (hard(text='x', onset_ns=robot.now_ns),)
        robot.run(1.0)
        robot.conditions['pose'] = ()
        robot.run(1.0)
    hold = robot.gate.hold_now
    at = [hold.moments.at(began_ns + round(s * S), began_ns + round(s * S))
          for s in (0.5, 1.5, 2.5, 3.5)]
    assert at == [('x',), (HEALTHY_AGAIN,)] * 2


def test_what_the_status_tells_of_a_hold_is_read_back_whole():
    robot = Robot().opened()
    told = {}
    for number in range(30):
        robot.conditions['pose'] = (hard(text='x, y; z', onset_ns=robot.now_ns),)
        robot.run(0.2)
        robot.conditions['pose'] = ()
        robot.run(0.2)
        if number % 10 == 9:
            hold = robot.gate.hold_now
            values = {key: '' if value is None else str(value) for key, value in {
                **hold_values(hold), **course_values(hold)}.items()}
            read = hold_from_values(values)
            told = merged(told, read.courses)
    assert read[:4] == (hold.onset_ns, hold.closed_ns, None, hold.reasons)
    assert told == {key: (course.text, tuple(course.spans))
                    for key, course in hold.courses.items()}
    assert len(told[next(iter(told))].spans) == 30


def test_dead_monitor_is_one_reason_and_its_last_words_are_not_repeated():
    robot = Robot().opened()
    robot.conditions['pose'] = (hard(), soft('unit_odometry/x', 'x'))
    robot.run(0.2)
    robot.silent = {'pose'}
    assert [c.key for c in robot.run(1.0)[-1].conditions] == ['pose_monitor/no_verdict']


# Look-back


def test_time_between_onset_and_closing_is_told_as_suspect():
    robot = Robot().opened()
    closing_ns = robot.now_ns + STEP
    robot.conditions['pose'] = (hard(onset_ns=closing_ns - 350 * MS),)
    robot.run(0.1)
    suspect = next(e for e in robot.events if e.kind == 'suspect')
    assert (suspect.onset_ns, suspect.detected_ns) == (closing_ns - 350 * MS, closing_ns)
    assert suspect.values == {'from_ns': closing_ns - 350 * MS, 'to_ns': closing_ns}
    assert 'captures of the 0.35 s before the gate closed are suspect' in suspect.text


def test_cause_found_during_the_hold_may_set_its_onset_back():
    robot = Robot().opened()
    closing_ns = robot.now_ns + STEP
    robot.conditions['pose'] = (hard(onset_ns=closing_ns),)
    robot.run(0.2)
    assert [e.kind for e in robot.events] == ['hold']
    robot.conditions['timing'] = (hard('camera/clock_moved', 'moved', closing_ns - S),)
    robot.run(0.2)
    assert robot.gate.hold_now.onset_ns == closing_ns - S
    suspect, = (e for e in robot.events if e.kind == 'suspect')
    assert (suspect.values['from_ns'], suspect.values['to_ns']) == (closing_ns - S, closing_ns)


def test_time_in_which_a_condition_was_only_a_notice_is_not_suspect():
    robot = Robot().opened()
    begun_ns = robot.now_ns
    growing = Condition('unit_odometry/open_direction', 'its place gets worse', Severity.NOTICE,
                        begun_ns)
    robot.conditions['pose'] = (growing,)
    assert robot.run(2.0)[-1].allowed
    worse_ns = robot.now_ns + STEP
    robot.point_error_m = 0.06
    held = robot.run(1.0)[-1]
    assert not held.allowed
    assert (robot.gate.hold_now.onset_ns, robot.gate.hold_now.closed_ns) == (
        worse_ns, worse_ns + 100 * MS)
    # Where it is a cause from the beginning, its own onset counts.
    robot.conditions['pose'] = ()
    robot.point_error_m = 0.01
    robot.run(3.0)
    begun_ns = robot.now_ns
    robot.conditions['pose'] = (replace(growing, onset_ns=begun_ns - S),)
    robot.point_error_m = 0.06
    robot.run(1.0)
    assert robot.gate.hold_now.onset_ns == begun_ns - S


def test_open_direction_is_the_cause_while_the_error_is_over_the_limit_of_now():
    robot = Robot().opened()
    way = 'nothing holds unit along its x axis: its place gets worse by 20 mm a metre'
    robot.conditions['pose'] = (Condition(
        'unit/open_direction', f'{way}, the limit is 0.4 m ahead', Severity.NOTICE, robot.now_ns,
        way),)
    notice, = robot.run(1.0)[-1].notices
    assert notice.text == f'{way}, the limit is 0.4 m ahead'
    robot.point_error_m = 0.134
    held = robot.run(1.0)[-1]
    # Without the monitor's outlook, which is by the limit that it was started with.
    assert held.text == (f'held: {way}; a point on the structure is only known to 0.134 m '
                         '(limit 0.050 m)')
    assert list(robot.gate.hold_now.causes) == ['unit/open_direction', 'point_error/over_limit']
    robot.gate.change('point_error_limit_m', 0.5, robot.now_ns)
    last = robot.run(3.0)[-1]
    assert last.allowed and [c.key for c in last.notices] == ['unit/open_direction']


# Prediction


def grow(robot, per_s, seconds, from_m=0.01):
    decisions = []
    for step in range(round(seconds * 20)):
        robot.point_error_m = from_m + per_s * step / 20
        robot.path_m = 0.5 * step / 20
        decisions += robot.run(0.05)
    return decisions


def test_growing_error_is_announced_with_time_and_way_before_the_gate_closes():
    robot = Robot().opened()
    decisions = grow(robot, per_s=0.001, seconds=45.0)
    closed = next(d for d in decisions if not d.allowed)
    warned = next(d for d in decisions if d.notices)
    assert (closed.stamp_ns - warned.stamp_ns) / S == pytest.approx(10.0, abs=1.0)
    assert warned.text.startswith('open, limit of 0.050 m in about 10 s or 4.9 m at the present')
    assert [e.kind for e in robot.events] == ['limit_near', 'hold', 'suspect']
    for decision in decisions[100:700]:
        truth_s = (0.05 - decision.figures['point_error_m']) / 0.001
        assert decision.figures['until_limit_s'] == pytest.approx(truth_s, abs=0.3)
        assert decision.figures['until_limit_m'] == pytest.approx(0.5 * truth_s, abs=0.2)


def test_neither_noise_nor_a_step_announces_anything():
    robot = Robot().opened()
    random = Random(4)
    decisions = []
    # It begins with a step up from 10 mm.
    for _ in range(4000):
        robot.point_error_m = 0.040 + random.gauss(0.0, 0.001)
        decisions += robot.run(0.05)
    assert all(d.allowed for d in decisions)
    assert not any(d.notices for d in decisions)


def test_outlook_of_the_pose_monitor_goes_before_the_trend():
    robot = Robot().opened()
    robot.pose_figures = {'until_limit_s': 4.0, 'until_limit_m': 2.5}
    last = robot.run(1.0)[-1]
    assert last.allowed and 'in about 4 s or 2.5 m' in last.text
    # A robot that stands has a way to go, but no time.
    robot.pose_figures = {'until_limit_s': None, 'until_limit_m': 2.5}
    assert 'limit of 0.050 m in about 2.5 m at' in robot.run(0.1)[-1].text
    robot.pose_figures['until_limit_m'] = 40.0
    assert robot.run(0.1)[-1].text == 'open'


def test_error_of_a_monitor_that_stopped_is_not_told_as_that_of_now():
    robot = Robot().opened()
    robot.pose_figures = {'until_limit_s': 4.0, 'until_limit_m': 2.5}
    robot.path_m = 7.0
    assert robot.run(0.1)[-1].figures['until_limit_m'] == 2.5
    robot.silent = {'pose'}
    figures = robot.run(1.0)[-1].figures
    assert [figures[key] for key in (
        'point_error_m', 'pose_part_m', 'until_limit_s', 'until_limit_m')] == [None] * 4
    assert (figures['path_length_m'], figures['pose_verdict_age_s']) == (7.0, 1.0)
    robot.silent = set()
    assert robot.run(0.1)[-1].figures['point_error_m'] == robot.point_error_m


# What the camera adds


def test_clock_and_mounting_of_the_camera_count_for_the_limit():
    """
    Worked by hand: the point moves at 1 + 0.5 x 3 = 2.5 m/s; 3 m x 5 mrad on two axes.

    A clock that is known to have moved by 6 ms shifts it by 15 mm, one that may have with a
    standard deviation of 6 ms by 1.96 times that in 95 of 100 cases.
    """
    robot = Robot()
    robot.gate = Gate(LIMITS, 0.05, 0, 'unit',
                      {'camera': View(Sight(), 3.0, mount_sigma_rad=0.005)})
    robot.point_error_m = 0.020
    robot.pose_figures = {'speed_mps': 1.0, 'turn_rate_radps': 0.5}
    last = robot.run(3.0)[-1]
    mount_m = 0.015 * chi2.ppf(0.95, 2) ** 0.5
    assert last.figures['extrinsics_part_m'] == pytest.approx(mount_m, rel=1e-3)
    assert last.figures['point_error_m'] == pytest.approx(np.hypot(0.02, mount_m), rel=1e-3)
    assert last.allowed
    robot.time_error_s = -0.006
    last = robot.run(1.0)[-1]
    assert last.figures['time_part_m'] == pytest.approx(0.015)
    assert last.figures['point_error_m'] == pytest.approx(np.hypot(0.02, mount_m) + 0.015)
    assert not last.allowed and 'only known to 0.057 m' in last.text
    robot.time_error_s, robot.time_error_sigma_s = 0.0, 0.006
    last = robot.run(1.0)[-1]
    assert last.figures['time_part_m'] == pytest.approx(0.0294, rel=1e-3)
    assert last.figures['point_error_m'] == pytest.approx(
        np.linalg.norm([0.02, mount_m, 0.0294]), rel=1e-3)


def test_time_error_that_is_no_number_is_not_taken_for_none():
    robot = Robot()
    robot.gate = Gate(LIMITS, 0.05, 0, 'unit', {'camera': View(Sight(), 3.0)})
    robot.pose_figures = {'speed_mps': 1.0, 'turn_rate_radps': 0.5}
    robot.opened()
    robot.time_error_sigma_s = math.nan
    last = robot.run(1.0)[-1]
    assert last.text == 'held: the error on the structure is not known'
    assert last.figures['point_error_m'] is None


@pytest.mark.parametrize('direction, speed_mps', [
    ((1.0, 0.0, 0.0), np.hypot(1.0, 1.5)), ((0.0, 1.0, 0.0), 0.5), ((0.0, -1.0, 0.0), 2.5),
    ((0.0, 0.0, 1.0), 1.0)])
def test_clock_moves_the_point_by_its_velocity_where_the_direction_is_known(direction, speed_mps):
    """Worked by hand: 1 m/s ahead and 0.5 rad/s to the left, so (1 - 0.5 y, 0.5 x, 0) m/s."""
    robot = Robot()
    robot.gate = Gate(LIMITS, 0.05, 0, 'unit', {'camera': View(Sight(direction), 3.0)})
    robot.pose_figures = motion_figures((1.0, 0.0, 0.0), (0.0, 0.0, 0.5))
    robot.time_error_s = 0.006
    last = robot.run(1.0)[-1]
    assert last.figures['time_part_m'] == pytest.approx(0.006 * speed_mps)
    assert last.figures['point_error_m'] == pytest.approx(0.01 + 0.006 * speed_mps)


# Policy


def test_hold_by_hand_has_a_reason_of_its_own():
    robot = Robot().opened()
    robot.gate.set_manual_hold(True, robot.now_ns, 'scaffold in view')
    assert robot.run(0.05)[-1].text == 'held: held by hand: scaffold in view'


def test_a_reason_given_by_hand_is_one_reason():
    # A semicolon stands between the reasons in the tables, a line break between their rows.
    robot = Robot().opened()
    told, = robot.gate.set_manual_hold(True, robot.now_ns, 'scaffold; in view\nof it')
    assert told.text == 'held by hand: scaffold, in view of it'
    robot.run(0.05)
    assert [cause.text for cause in robot.gate.hold_now.causes.values()] == [told.text]


def test_limits_may_change_while_running():
    robot = Robot().opened()
    robot.point_error_m = 0.04
    assert robot.run(1.0)[-1].allowed
    robot.gate.point_error_limit_m = 0.03
    assert 'limit 0.030 m' in robot.run(0.3)[-1].text
    robot.gate.point_error_limit_m = 0.05
    robot.gate.limits = replace(LIMITS, off_delay_s=0.5)
    start_ns = robot.now_ns
    opened = next(d for d in robot.run(3.0) if d.allowed)
    assert (opened.stamp_ns - start_ns) / S == pytest.approx(0.55)


def test_off_delay_counts_from_what_the_monitor_judged_not_from_when_its_word_arrived():
    robot = Robot().opened()
    robot.conditions['timing'] = (hard(),)
    robot.run(0.05)
    robot.conditions['timing'] = ()
    judged_ns = robot.now_ns + STEP
    for source in ('timing', 'pose'):
        robot.gate.receive(Verdict(source, judged_ns, (), {'point_error_m': 0.01}))
    robot.gate.update(judged_ns + 30 * MS)
    robot.now_ns = judged_ns
    decisions = robot.run(2.0)
    assert [d.allowed for d in decisions[-2:]] == [False, True]
    assert decisions[-1].stamp_ns == judged_ns + 2 * S


def test_off_delay_after_a_hold_by_hand_counts_from_its_withdrawal():
    robot = Robot().opened()
    robot.gate.set_manual_hold(True, robot.now_ns)
    robot.run(1.0)
    withdrawn_ns = robot.now_ns + 30 * MS
    robot.gate.set_manual_hold(False, withdrawn_ns)
    robot.gate.update(withdrawn_ns)
    opened_ns = next(d.stamp_ns for d in robot.run(3.0) if d.allowed)
    assert withdrawn_ns + 2 * S <= opened_ns <= withdrawn_ns + 2 * S + STEP


# What is shown


def test_lamp_calls_for_attention_by_flashing_and_for_a_hand_by_blue():
    """Colours after IEC 60073: green normal, yellow abnormal, red faulty, blue mandatory."""
    robot = Robot().opened()
    assert lamp(robot.run(0.1)[-1]) == (GREEN, False)
    robot.conditions['timing'] = (soft(onset_ns=robot.now_ns),)
    assert lamp(robot.run(0.05)[-1]) == (YELLOW, True)
    assert lamp(robot.run(1.0)[-1]) == (YELLOW, False)
    robot.conditions['pose'] = (hard(),)
    assert lamp(robot.run(0.1)[-1]) == (RED, True)
    robot.conditions['timing'] = robot.conditions['pose'] = ()
    assert lamp(robot.run(0.1)[-1]) == (YELLOW, False)
    robot.gate.set_manual_hold(True, robot.now_ns)
    assert lamp(robot.run(0.1)[-1]) == (BLUE, False)


def test_status_lists_consequences_under_their_cause_and_keeps_the_last_hold():
    robot = Robot()
    robot.gate = Gate(LIMITS, 0.05, 0, unit='unit')
    robot.run(3.0)
    robot.conditions['timing'] = (hard('unit/silent', 'unit silent for 1 s'),)
    robot.conditions['pose'] = (hard('unit/no_pose', 'unit gives no pose'),)
    decision = robot.run(0.2)[-1]
    factory = RosbagsFactory(get_typestore(Stores.ROS2_JAZZY))
    values = {item.key: item.value for item in gate_status(
        factory, decision, robot.gate.hold_now).values}
    assert values['reason/unit/silent'] == 'unit silent for 1 s'
    assert values['consequence/unit/no_pose'] == (
        'unit gives no pose (follows from unit/silent)')
    assert 'reason/unit/no_pose' not in values
    robot.conditions['timing'] = robot.conditions['pose'] = ()
    decision = robot.run(3.0)[-1]
    values = {item.key: item.value for item in gate_status(
        factory, decision, None, robot.gate.last_hold).values}
    assert values['state'] == 'open'
    assert values['hold/reason_1'].endswith('and so: unit gives no pose (for 3.2 s)')
    assert int(values['hold/released_ns']) > int(values['hold/closed_ns'])


def test_gate_that_needs_the_recording_is_held_when_it_stops_and_when_its_word_stays_away():
    robot = Robot()
    robot.gate = Gate(LIMITS, 0.05, 0, monitors={**MONITORS, **RECORDER})
    robot.run(3.0)
    assert [c.key for c in robot.run(0.05)[-1].conditions] == ['quality_log/no_verdict']
    robot.conditions['recording'] = ()
    robot.opened()
    robot.conditions['recording'] = (
        hard('recording/stopped', 'the recording has stopped: the disk is full'),)
    held = robot.run(0.05)[-1]
    assert held.text == 'held: the recording has stopped: the disk is full'
    robot.conditions['recording'] = ()
    robot.opened()
    robot.silent = {'recording'}
    assert not robot.run(0.6)[-1].allowed


def test_gate_that_does_not_need_the_recording_never_waits_for_it():
    assert Robot().run(3.0)[-1].allowed
