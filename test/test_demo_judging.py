# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The demo's own judge: it must see a fault that was missed, late, or mistaken."""

import pytest
from robot_mapping_qa.demo.judging import (
    FAULT_MARKS, GateHold, judge_faults, unexplained_holds)
from robot_mapping_qa.demo.run import fault_table, hold_differences, main
from robot_mapping_qa.rig.faults import FAULTS

S = 1_000_000_000
SILENT = {'unit_odometry/silent': 'unit_odometry silent for 0.8 s'}


def fault(kind='silence', first_s=10.0, until_s=12.0):
    return {'kind': kind, 'sensor': 'unit_odometry', 'first_message_ns': round(first_s * S),
            'until_ns': None if until_s is None else round(until_s * S)}


def hold(closed_s, opened_s, reasons=None):
    return GateHold(round(closed_s * S), None if opened_s is None else round(opened_s * S),
                    SILENT if reasons is None else reasons)


START = hold(0.0, 5.0, {})


def outcome(one_fault, *holds):
    found, = judge_faults([one_fault], [START, *holds], off_delay_s=2.0)
    return found


def test_a_fault_that_was_found_in_time():
    found = outcome(fault(), hold(10.4, 14.1))
    assert found.problem is None
    assert found.closed_after_s == pytest.approx(0.4)
    assert found.opened_after_s == pytest.approx(2.1)
    assert found.reason == 'unit_odometry silent for 0.8 s'


@pytest.mark.parametrize('one_fault, holds, problem', [
    (fault(), [], 'missed: the gate did not close'),
    (fault(), [hold(20.0, 25.0)], 'missed: the gate did not close'),
    (fault(), [hold(10.8, 14.1)], 'the gate closed later than 0.7 s'),
    (fault('pose_jump', 10.0, None), [hold(10.2, 13.0)], 'the gate closed for another reason'),
    (fault(), [hold(9.0, 14.1)], 'the gate was held already'),
    (fault(), [hold(10.4, None)], 'the gate never opened again'),
    (fault(), [hold(10.4, 13.0)], 'the gate opened before the off-delay of 2.0 s'),
    (fault(), [hold(10.4, 18.0)], 'the gate took 6.0 s to open again'),
])
def test_what_is_wrong_is_said(one_fault, holds, problem):
    assert outcome(one_fault, *holds).problem == problem


def test_other_faults_must_be_found_faster_than_a_silence():
    reasons = {'unit_odometry/jump': 'unit_odometry jumped 0.40 m'}
    assert outcome(fault('pose_jump', 10.0, None), hold(10.25, 13.0, reasons)).problem is None
    assert outcome(fault('pose_jump', 10.0, None), hold(10.35, 13.0, reasons)).problem == (
        'the gate closed later than 0.3 s')


def test_faults_for_which_the_gate_need_not_close_are_not_judged_but_explain_a_hold():
    others = [fault(kind) for kind in FAULTS if kind not in FAULT_MARKS]
    assert {each['kind'] for each in others} == {'loss', 'duplicates', 'reordering'}
    assert set(FAULT_MARKS) < set(FAULTS)
    assert judge_faults(others, [START], off_delay_s=2.0) == []
    assert unexplained_holds(others, [START, hold(10.4, 14.1)], 5 * S, 30 * S) == []


def test_a_hold_without_a_fault_is_seen_and_those_at_both_ends_are_not():
    holds = [START, hold(8.0, 9.5), hold(10.4, 14.1), hold(30.5, None)]
    assert unexplained_holds([fault()], holds, 5 * S, 30 * S) == [holds[1]]


def test_the_table_says_when_why_and_until_when():
    line = fault_table([outcome(fault(), hold(10.4, 14.1))], 5 * S)[1]
    assert line.split() == ['silence', 'of', 'unit_odometry', '5.0', 's', '+0.400', 's', '9.1',
                            's', 'unit_odometry', 'silent', 'for', '0.8', 's']


def test_holds_of_the_bag_are_held_against_those_seen_live():
    def offline(closed_s, released_s):
        return {'closed_ns': round(closed_s * S),
                'released_ns': None if released_s is None else round(released_s * S)}
    live = [START, hold(10.4, 14.1), hold(20.0, None)]
    same = [offline(1.0, 5.05), offline(10.35, 14.15), offline(20.05, None)]
    assert hold_differences(live, same, 90 * S) == []
    assert hold_differences(live, [*same, offline(90.5, None)], 90 * S) == []
    assert hold_differences(live, same[:2], 90 * S) == ['3 holds live, 2 offline']
    late = [same[0], offline(10.6, 14.1), offline(20.0, 25.0)]
    assert hold_differences(live, late, 90 * S) == [
        'hold 2 closed: offline against live +0.200 s',
        'hold 3 opened: offline against live never']


def test_the_demo_does_not_touch_a_folder_that_is_not_its_own(tmp_path, capsys):
    (tmp_path / 'thesis.txt').write_text('precious')
    assert main(['--out', str(tmp_path)]) == 2
    assert 'is not the output of a demo' in capsys.readouterr().err
    assert (tmp_path / 'thesis.txt').read_text() == 'precious'
