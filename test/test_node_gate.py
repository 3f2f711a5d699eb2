# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What the gate believes, keeps and is set to, one node in the test's own process."""

import pytest
from robot_mapping_qa.messages.verdict_message import verdict_to_message
from robot_mapping_qa.resources import share_file
from robot_mapping_qa.verdicts import Verdict

rclpy = pytest.importorskip('rclpy', reason='needs ROS 2')

DOMAIN = 176
FILE = str(share_file('config/demo_streams.yaml'))
POSE, CAMERA = 'pose_verdict', 'camera_verdict'


@pytest.fixture
def make(monkeypatch, tmp_path):
    """Return a function that makes a node with parameters; the nodes are ended at the end."""
    monkeypatch.setenv('ROS_AUTOMATIC_DISCOVERY_RANGE', 'LOCALHOST')
    monkeypatch.setenv('ROS_HOME', str(tmp_path))
    nodes = []

    def made(node_type, *rules):
        given = [item for rule in rules for item in ('-p', rule)]
        rclpy.init(args=['node', '--ros-args', '--params-file', FILE, *given], domain_id=DOMAIN)
        nodes.append(node_type())
        return nodes[-1]
    yield made
    for node in nodes:
        node.destroy_node()
    rclpy.try_shutdown()


@pytest.fixture
def gate(make):
    from robot_mapping_qa.nodes.capture_gate import CaptureGate
    return make(CaptureGate, 'check_cameras:=true')


def say(node, topic, source):
    """Hand a node a good verdict of a source, as if it had come on a topic."""
    from robot_mapping_qa.messages.factory import RclpyFactory
    subscription, = (each for each in node.subscriptions
                     if each.topic_name == f'/mapping_qa/{topic}')
    subscription.callback(verdict_to_message(
        RclpyFactory(), Verdict(source, node.now_ns(), (), {'point_error_m': 0.01})))


def test_gate_believes_a_source_on_its_own_topic_only(gate):
    missing = 'no pose verdict yet'
    say(gate, CAMERA, 'pose')
    assert missing in gate._sent.text
    say(gate, POSE, 'camera')
    assert missing in gate._sent.text and 'no camera verdict yet' in gate._sent.text
    say(gate, POSE, 'pose')
    assert missing not in gate._sent.text and 'no camera verdict yet' in gate._sent.text


def test_gate_that_starts_during_a_walk_makes_no_place_of_the_way_before(gate):
    import numpy as np
    from rclpy.serialization import serialize_message
    from robot_mapping_qa.messages.factory import RclpyFactory
    from robot_mapping_qa.messages.outputs import pose_message
    from robot_mapping_qa.records import Odometry
    factory = RclpyFactory()

    def stand_at(path_m):
        gate._take_pose(serialize_message(pose_message(factory, Odometry(
            gate.now_ns(), 'odom', '', np.array([path_m, 0.0, 0.0]),
            np.array([0.0, 0.0, 0.0, 1.0]), np.zeros((6, 6)), None, None, None))),
            gate.now_ns(), None, gate.now_ns())
    stand_at(500.0)
    for path_m in (500.0, 500.4, 500.8, 501.2):
        gate._take_verdict('pose', verdict_to_message(factory, Verdict(
            'pose', gate.now_ns(), (), {'point_error_m': 0.01, 'path_length_m': path_m})))
        stand_at(path_m)
    place, = gate._redo.places
    assert (place.path_from_m, place.path_to_m) == (500.0, 501.2)


def test_ledger_believes_a_source_on_its_own_topic_only(make, tmp_path):
    from robot_mapping_qa.nodes.capture_ledger import CaptureLedger
    ledger = make(CaptureLedger, f'folder:={tmp_path / "ledger"}')
    say(ledger, 'timing_verdict', 'pose')
    say(ledger, POSE, 'timing')
    assert (ledger._pose_verdict, ledger._timing_verdict) == (None, None)
    say(ledger, 'timing_verdict', 'timing')
    say(ledger, POSE, 'pose')
    assert (ledger._pose_verdict.source, ledger._timing_verdict.source) == ('pose', 'timing')


def test_pose_monitor_believes_the_camera_on_its_own_topic_only(make, monkeypatch):
    from robot_mapping_qa.nodes.pose_monitor import PoseMonitor
    monitor = make(PoseMonitor, 'check_cameras:=true')
    heard = []
    monkeypatch.setattr(monitor._monitor, 'add_camera_verdict',
                        lambda verdict, now_ns: heard.append(verdict.source))
    say(monitor, CAMERA, 'timing')
    say(monitor, CAMERA, 'camera')
    assert heard == ['camera']


def test_a_hold_is_on_the_disk_before_anybody_hears_of_it(gate, monkeypatch):
    from std_srvs.srv import SetBool
    kept = gate._kept_hold
    found = []
    monkeypatch.setattr(gate, 'send_events', lambda events: found.extend(
        (event.kind, kept.path.exists()) for event in events))
    gate.set_parameters([rclpy.parameter.Parameter('hold_reason', value='rain')])
    answer = gate._hold(SetBool.Request(data=True), SetBool.Response())
    assert answer.success and 'held by hand: rain' in answer.message
    assert kept.read() == 'rain'
    gate._hold(SetBool.Request(data=False), SetBool.Response())
    assert kept.read() is None
    # Let go only when that is known: killed in between, a gate comes back held.
    assert [each for each in found if each[0].startswith('manual')] == [
        ('manual_hold', True), ('manual_release', True)]


def test_a_hold_that_cannot_be_kept_holds_all_the_same(gate, monkeypatch):
    from std_srvs.srv import SetBool

    def full(_why):
        raise OSError(28, 'No space left on device')
    monkeypatch.setattr(gate._kept_hold, 'keep', full)
    answer = gate._hold(SetBool.Request(data=True), SetBool.Response())
    assert answer.success and 'held by hand' in answer.message


def test_the_limit_has_one_range_at_the_start_and_while_the_gate_runs(make):
    from rclpy.parameter import Parameter
    from robot_mapping_qa.configuration.reference import reference
    from robot_mapping_qa.nodes.capture_gate import CaptureGate
    gate = make(CaptureGate, 'point_error_limit_m:=0.0005')
    assert gate._gate.point_error_limit_m == 0.0005

    def put(value):
        result, = gate.set_parameters([Parameter('point_error_limit_m', value=value)])
        return result
    assert put(0.0001).successful and gate._gate.point_error_limit_m == 0.0001
    refused = put(0.0)
    assert refused.reason == (
        'point_error_limit_m: found 0.0, expected a number above 0 m to 100 m')
    assert not refused.successful and not put(100.5).successful
    assert gate._gate.point_error_limit_m == 0.0001
    row, = (line for line in reference().splitlines() if '`point_error_limit_m`' in line)
    assert row.endswith('| 0.05 | above 0 to 100 |')


@pytest.mark.parametrize('module, name', [
    ('sync_monitor', 'SyncMonitor'), ('pose_monitor', 'PoseMonitor'),
    ('camera_monitor', 'CameraMonitorNode'), ('capture_gate', 'CaptureGate'),
    ('capture_ledger', 'CaptureLedger'), ('capture_relay', 'CaptureRelay'),
    ('quality_log', 'QualityLog'), ('site_page', 'SitePage')])
def test_no_timer_waits_for_a_host_clock_that_may_be_set_back(make, tmp_path, module, name):
    from importlib import import_module

    from rclpy.clock import ClockType
    own = {'capture_ledger': [f'folder:={tmp_path / "run"}'], 'site_page': ['port:=0'],
           'quality_log': [f'bag:={tmp_path / "run"}'], 'camera_monitor': ['check_cameras:=true']}
    node = make(getattr(import_module(f'robot_mapping_qa.nodes.{module}'), name),
                *own.get(module, []))
    try:
        clocks = {timer.clock.clock_type for timer in node.timers}
    finally:
        if hasattr(node, 'close'):
            node.close()
    assert clocks == {ClockType.STEADY_TIME}


def test_under_simulated_time_the_ticks_are_those_of_the_simulation(make):
    from robot_mapping_qa.nodes.sync_monitor import SyncMonitor
    monitor = make(SyncMonitor, 'use_sim_time:=true')
    try:
        clocks = [timer.clock for timer in monitor.timers]
    finally:
        monitor.close()
    # Looking for publishers goes on while simulated time stands still.
    assert sum(clock is monitor.get_clock() for clock in clocks) == len(clocks) - 1 == 2
