# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Verdicts and gate messages keep every figure on their way."""

from dataclasses import replace
import math

import numpy as np
import pytest
from robot_mapping_qa.capture.gate import changes_the_gate, Gate
from robot_mapping_qa.capture.limits import GateLimits
from robot_mapping_qa.messages.factory import RosbagsFactory
from robot_mapping_qa.messages.outputs import events_message, gate_status, light_message
from robot_mapping_qa.messages.verdict_message import (
    number_text, verdict_from_message, verdict_to_message)
from robot_mapping_qa.verdicts import Condition, Event, Severity, Verdict
from rosbags.typesys import get_typestore, Stores

STORE = get_typestore(Stores.ROS2_JAZZY)
FACTORY = RosbagsFactory(STORE)
VERDICT = Verdict(
    'pose', 1_795_597_457_224_057_257,
    (Condition('unit_odometry/silent', 'unit_odometry silent for 0.8 s', Severity.HARD, 17),
     Condition('roof_lidar/late', 'roof_lidar is 0.31 s late', Severity.SOFT, -3),
     Condition('unit_odometry/jump', 'it jumped', Severity.HARD, 5, seen_ns=7),
     Condition('spare/silent', 'spare silent', Severity.NOTICE, 0)),
    {'point_error_m': 0.1 + 0.2, 'tiny': 5e-324, 'unknown': None, 'age_s': 1 / 3})


def over_the_wire(message):
    """Serialize and read back, as the middleware and a bag do."""
    data = STORE.serialize_cdr(message, message.__msgtype__)
    return STORE.deserialize_cdr(data, message.__msgtype__)


def test_a_verdict_comes_back_exactly():
    again = verdict_from_message(over_the_wire(verdict_to_message(FACTORY, VERDICT)))
    assert again == VERDICT


@pytest.mark.parametrize('value, text', [
    (None, ''), (3, '3'), (0.1, '0.1'), (np.float64(0.1), '0.1'), (np.float32(0.5), '0.5'),
    (math.inf, 'inf')])
def test_numbers_travel_as_plain_text(value, text):
    assert number_text(value) == text


def test_a_message_that_is_no_verdict_is_refused():
    message = verdict_to_message(FACTORY, VERDICT)
    message.status[1].values.clear()
    with pytest.raises(ValueError, match='not a verdict'):
        verdict_from_message(message)
    message.status.clear()
    with pytest.raises(ValueError, match='not a verdict'):
        verdict_from_message(message)


def test_a_figure_that_is_no_number_is_refused():
    # It is over no limit: the gate would take it for none.
    message = verdict_to_message(FACTORY, replace(VERDICT, figures={'point_error_m': math.nan}))
    with pytest.raises(ValueError, match="'point_error_m' is not a number"):
        verdict_from_message(over_the_wire(message))


def test_events_are_stamped_with_the_onset():
    events = (Event('hold', 'gate', 2_500_000_000, 3_000_000_000, 'because'),
              Event('clock_step', 'front_camera', 1_000_000_007, 3_000_000_000, 'stepped',
                    {'size_s': 0.08}))
    message = over_the_wire(events_message(FACTORY, events, 9))
    assert (message.header.stamp.sec, message.header.stamp.nanosec) == (1, 7)
    step = message.status[1]
    assert (step.name, step.hardware_id, step.message) == ('clock_step', 'front_camera', 'stepped')
    assert {v.key: v.value for v in step.values} == {
        'onset_ns': '1000000007', 'detected_ns': '3000000000', 'size_s': '0.08'}


def test_the_gate_says_its_state_reasons_and_figures():
    gate = Gate(GateLimits(), 0.05, 0)
    gate.receive(VERDICT)
    decision = gate.update(VERDICT.stamp_ns)
    status = over_the_wire(gate_status(FACTORY, decision, gate.hold_now))
    values = {v.key: v.value for v in status.values}
    assert status.message.startswith('held: ')
    assert values['state'] == 'held'
    assert values['reason/unit_odometry/silent'] == 'unit_odometry silent for 0.8 s'
    assert values['notice/spare/silent'] == 'spare silent'
    assert float(values['point_error_m']) == 0.1 + 0.2
    lamp = light_message(FACTORY, decision)
    assert (lamp.r, lamp.g, lamp.b) == (1.0, 0.0, 0.0)


def test_only_what_can_move_the_gate_is_sent_at_once():
    def verdict(error_m, *conditions):
        return Verdict('pose', 0, conditions, {'point_error_m': error_m})
    soft, hard = (Condition('a/b', 'text', s, 0) for s in (Severity.SOFT, Severity.HARD))
    assert not changes_the_gate(verdict(0.01), verdict(0.04), 0.05)
    assert changes_the_gate(verdict(0.04), verdict(0.06), 0.05)
    assert changes_the_gate(verdict(0.04), verdict(None), 0.05)
    assert changes_the_gate(verdict(0.04), verdict(0.04, soft), 0.05)
    assert changes_the_gate(verdict(0.04, soft), verdict(0.04, hard), 0.05)
    assert not changes_the_gate(verdict(0.04, hard), verdict(0.04, hard), 0.05)
