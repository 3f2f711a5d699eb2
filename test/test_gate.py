# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The gate: verdicts in, leave to capture out."""

import pytest
from robot_mapping_qa.capture.gate import Gate
from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.verdicts import Condition, Severity, Verdict

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
        self.silent = set()
        self.events = []

    def run(self, seconds):
        """Let time pass and return the decisions made meanwhile."""
        decisions = []
        for _ in range(round(seconds * S / STEP)):
            self.now_ns += STEP
            for source, conditions in self.conditions.items():
                if source not in self.silent:
                    figures = {'point_error_m': self.point_error_m} if source == 'pose' else {}
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
    event, = robot.events
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
    assert robot.run(0.05)[-1].text == 'held: 2 nodes publish the gate: end all but one'
    robot.gate.set_publishers(1, robot.now_ns)
    assert not robot.run(1.9)[-1].allowed
    assert robot.run(0.3)[-1].allowed


def test_same_cause_from_two_monitors_is_one_reason_and_the_harder_stands():
    robot = Robot().opened()
    robot.conditions['timing'] = (soft('unit_odometry/silent', 'soft wording'),)
    robot.conditions['pose'] = (hard('unit_odometry/silent', 'hard wording'),)
    last = robot.run(0.05)[-1]
    assert [c.text for c in last.conditions] == ['hard wording']


def test_hold_record_keeps_every_cause_with_its_last_figures():
    robot = Robot().opened()
    robot.conditions['pose'] = (hard(text='unit_odometry silent for 0.4 s'),)
    robot.run(0.05)
    robot.conditions['pose'] = (hard(text='unit_odometry silent for 2.0 s'), soft())
    robot.run(0.05)
    assert robot.gate.hold_now.reasons == (
        'unit_odometry silent for 2.0 s', 'roof_lidar is late')


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
