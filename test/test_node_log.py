# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What a node's log says: one line each, as serious as it is."""

import pytest
from robot_mapping_qa.resources import share_file
from robot_mapping_qa.verdicts import Event

rclpy = pytest.importorskip('rclpy', reason='needs ROS 2')

DOMAIN = 163
FILE = str(share_file('config/demo_streams.yaml'))


@pytest.fixture
def gate(monkeypatch, tmp_path):
    """Return a gate that hears nobody; ``gate.lines`` gathers what it writes to its log."""
    from robot_mapping_qa.nodes.base import QualityNode
    from robot_mapping_qa.nodes.capture_gate import CaptureGate
    monkeypatch.setenv('ROS_AUTOMATIC_DISCOVERY_RANGE', 'LOCALHOST')
    monkeypatch.setenv('ROS_HOME', str(tmp_path))
    lines = []
    write_log = QualityNode.write_log

    def written(node, severity, text):
        lines.append((severity.name, text))
        write_log(node, severity, text)
    monkeypatch.setattr(QualityNode, 'write_log', written)
    rclpy.init(args=['gate', '--ros-args', '--params-file', FILE], domain_id=DOMAIN)
    node = CaptureGate()
    node.lines = lines
    lines.clear()
    yield node
    node.destroy_node()
    rclpy.try_shutdown()


def event(kind, text):
    return Event(kind, 'gate', 0, 0, text)


def test_gate_says_that_it_is_held_and_why_and_when_it_is_open_again(gate):
    gate.log_events([event('hold', 'unit_odometry silent'),
                     event('suspect', 'captures of the 0.80 s before are suspect'),
                     event('release', 'open again after 3.2 s'),
                     event('manual_release', 'let go by hand')])
    assert gate.lines == [
        ('WARN', 'held: unit_odometry silent'),
        ('WARN', 'gate: suspect: captures of the 0.80 s before are suspect'),
        ('INFO', 'open again after 3.2 s'), ('INFO', 'gate: manual_release: let go by hand')]


def test_gate_that_never_opened_says_once_what_holds_it(gate):
    from robot_mapping_qa.nodes.capture_gate import STILL_HELD_S
    assert gate._still_held.timer_period_ns == STILL_HELD_S * 1e9 == 10e9
    gate._tell_that_it_never_opened()
    assert gate.lines == [(
        'WARN', 'held: no timing verdict yet: is sync_monitor running?; no pose verdict yet: is '
        'pose_monitor running?')]
    assert gate._still_held.is_canceled()


def test_gate_that_has_opened_in_time_says_nothing_of_that(gate):
    gate.log_events([event('release', 'open again after 3.2 s')])
    assert gate._still_held.is_canceled()


def test_the_gates_word_goes_before_its_lines(gate, monkeypatch):
    from dataclasses import replace
    done = []
    monkeypatch.setattr(gate._allowed, 'publish', lambda message: done.append('word'))
    monkeypatch.setattr(gate._status, 'publish', lambda message: done.append('status'))
    monkeypatch.setattr(gate, 'write_log', lambda severity, text: done.append(text))
    update = gate._gate.update
    monkeypatch.setattr(gate._gate, 'update', lambda now_ns: replace(
        update(now_ns), allowed=True, events=(event('hold', 'x'),)))
    gate._update()
    assert done == ['word', 'status', 'held: x']


def test_another_type_is_an_error_and_a_lesser_offer_a_warning(gate):
    # From one place in the code, which rclpy itself would refuse.
    for kind in ('type_mismatch', 'qos_mismatch', 'storm', 'type_mismatch'):
        gate.tell_of_publisher(kind, '/a', f'a: {kind}')
    assert gate.lines == [('ERROR', 'a: type_mismatch'), ('WARN', 'a: qos_mismatch'),
                          ('WARN', 'a: storm'), ('ERROR', 'a: type_mismatch')]


def test_a_topic_goes_by_the_name_and_the_type_that_the_file_gives_it(gate):
    camera = gate.configuration.with_role('capture')[0]
    unit = gate.configuration.pose_stream
    assert gate._asked_for(unit.topic, unit.type) == (unit.name, 'the file says')
    assert gate._asked_for(camera.topic, camera.type) == (camera.name, 'the file says')
    assert gate._asked_for(camera.timing_topic, camera.timing_type) == (camera.name, 'expected')
    assert gate._asked_for('mapping_qa/pose', 'x') == ('', 'expected')
