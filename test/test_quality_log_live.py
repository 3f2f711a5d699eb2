# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The recording node over real DDS: what is sent is in the bag, with all that belongs to it."""

import json
import signal

from live_site import Site
from mcap.reader import make_reader
import pytest
from robot_mapping_qa.bag.reading import Recording
from robot_mapping_qa.configuration import load_configuration
from robot_mapping_qa.messages.topics import CAPTURE_ALLOWED, EVENTS
from robot_mapping_qa.messages.verdict_message import verdict_from_message
from robot_mapping_qa.resources import share_file
from robot_mapping_qa.verdicts import Severity
from rosbags.rosbag2 import Reader
from rosbags.typesys import get_typestore, Stores

pytest.importorskip('rclpy', reason='needs ROS 2')

CONFIGURATION = share_file('config/demo_streams.yaml')
DOMAIN = 118
SENT = 20


@pytest.fixture
def site(tmp_path, monkeypatch):
    site = Site(tmp_path, monkeypatch, DOMAIN)
    yield site
    site.close()


def publishers(site):
    """Return a node of the test with what it publishes."""
    from diagnostic_msgs.msg import DiagnosticArray
    from nav_msgs.msg import Odometry
    from rclpy.node import Node
    from robot_mapping_qa.nodes.qos import EVENT_QOS, GATE_QOS
    from std_msgs.msg import Bool, String
    node = site.watch(Node('sender', context=site.context))
    return node, {
        'pose': node.create_publisher(Odometry, '/unit/odometry', 10),
        'allowed': node.create_publisher(Bool, CAPTURE_ALLOWED.name, GATE_QOS),
        'events': node.create_publisher(DiagnosticArray, EVENTS.name, EVENT_QOS),
        'note': node.create_publisher(String, '/inspector/note', 10)}


def send(site, sender):
    from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue
    from nav_msgs.msg import Odometry
    from std_msgs.msg import Bool, String
    sender['allowed'].publish(Bool(data=True))
    sender['events'].publish(DiagnosticArray(status=[
        DiagnosticStatus(name='hold', hardware_id='gate', message='front_camera silent',
                         values=[KeyValue(key='onset_ns', value='17')]),
        DiagnosticStatus(name='clock_step', hardware_id='roof_lidar', message='by 80 ms')]))
    for number in range(SENT):
        pose = Odometry()
        pose.header.stamp.sec = number
        sender['pose'].publish(pose)
        sender['note'].publish(String(data=f'note {number}'))
        site.spin(0.01)


def test_what_is_sent_is_recorded_with_configuration_notes_and_a_verdict(site, tmp_path):
    from diagnostic_msgs.msg import DiagnosticArray
    bag = tmp_path / 'bag'
    site.nodes.start('quality_log', f'bag:={bag}', 'topics:=[/inspector/note, /nobody]',
                     parameter_files=(CONFIGURATION,))
    node, sender = publishers(site)
    verdicts, statuses = [], []
    node.create_subscription(
        DiagnosticArray, 'mapping_qa/recording_verdict',
        lambda message: verdicts.append(verdict_from_message(message)), 10)
    node.create_subscription(
        DiagnosticArray, '/diagnostics', lambda message: statuses.extend(message.status), 10)
    assert site.wait(lambda: all(each.get_subscription_count() for each in sender.values()),
                     30.0) is not None
    send(site, sender)
    site.spin(2.0)
    process = site.nodes.process('quality_log')
    process.send_signal(signal.SIGINT)
    assert process.wait(20.0) == 0, site.nodes.log('quality_log')

    # The gate is told ten times a second that all is well.
    assert len(verdicts) > 5
    assert verdicts[-1].source == 'recording'
    assert verdicts[-1].conditions == ()
    status = next(each for each in reversed(statuses)
                  if each.name == 'robot_mapping_qa: recording')
    assert status.message == 'no publisher on /nobody'
    values = {item.key: item.value for item in status.values}
    assert int(values['free_bytes']) > 0
    assert int(values['messages']) >= 2 * SENT

    with Reader(bag) as reader:
        topics = {connection.topic: connection for connection in reader.connections}
        store = get_typestore(Stores.ROS2_JAZZY)
        notes = [store.deserialize_cdr(data, connection.msgtype).data for connection, _, data in
                 reader.messages([topics['/inspector/note']])]
    assert topics['/unit/odometry'].msgcount == SENT
    assert notes == [f'note {number}' for number in range(SENT)]
    profile, = topics['/mapping_qa/capture_allowed'].ext.offered_qos_profiles
    assert (profile.reliability.name, profile.durability.name, profile.deadline.nsec) == (
        'RELIABLE', 'TRANSIENT_LOCAL', 500_000_000)
    with (bag / 'bag_0.mcap').open('rb') as stream:
        reader = make_reader(stream)
        records = {record.name: record.metadata for record in reader.iter_metadata()}
        attachments = {item.name: item.data for item in reader.iter_attachments()}
    assert records['mapping_qa/hold'] == {
        'kind': 'hold', 'subject': 'gate', 'text': 'front_camera silent', 'onset_ns': '17'}
    assert records['mapping_qa/event']['kind'] == 'clock_step'
    assert json.loads(attachments['software.json'])['robot_mapping_qa']
    # The bag can be assessed with the configuration that it carries.
    carried = tmp_path / 'carried.yaml'
    carried.write_bytes(attachments['configuration.yaml'])
    assert load_configuration(carried) == load_configuration(CONFIGURATION)
    with Recording(bag, load_configuration(carried).streams) as recording:
        assert sum(1 for _ in recording.messages()) == SENT


def test_a_publisher_that_comes_later_and_offers_less_is_recorded_as_well(site, tmp_path):
    from rclpy.qos import DurabilityPolicy, QoSProfile, ReliabilityPolicy
    from std_msgs.msg import String
    bag = tmp_path / 'bag'
    site.nodes.start('quality_log', f'bag:={bag}', 'topics:=[/inspector/note]',
                     parameter_files=(CONFIGURATION,))
    node, sender = publishers(site)
    kept = node.create_publisher(String, '/inspector/note', QoSProfile(
        depth=1, durability=DurabilityPolicy.TRANSIENT_LOCAL))
    node.destroy_publisher(sender.pop('note'))
    kept.publish(String(data='kept'))
    assert site.wait(kept.get_subscription_count, 30.0) is not None
    site.spin(1.0)
    late = node.create_publisher(String, '/inspector/note', QoSProfile(
        depth=10, reliability=ReliabilityPolicy.BEST_EFFORT))
    assert site.wait(late.get_subscription_count, 10.0) is not None
    site.spin(1.0)
    for publisher in (late, kept):
        publisher.publish(String(data='late' if publisher is late else 'again'))
    site.spin(1.0)
    process = site.nodes.process('quality_log')
    process.send_signal(signal.SIGINT)
    assert process.wait(20.0) == 0, site.nodes.log('quality_log')
    with Reader(bag) as reader:
        store = get_typestore(Stores.ROS2_JAZZY)
        notes = [store.deserialize_cdr(data, connection.msgtype).data
                 for connection, _, data in reader.messages()
                 if connection.topic == '/inspector/note']
    assert sorted(notes) == ['again', 'kept', 'late']


def test_recording_stops_before_the_disk_is_full_and_the_gate_is_told_why(site, tmp_path):
    from diagnostic_msgs.msg import DiagnosticArray
    from rclpy.node import Node
    bag = tmp_path / 'bag'
    # More than any disk has left.
    site.nodes.start('quality_log', f'bag:={bag}', 'disk_stop_mb:=1e12',
                     parameter_files=(CONFIGURATION,))
    node = site.watch(Node('listener', context=site.context))
    verdicts = []
    node.create_subscription(
        DiagnosticArray, 'mapping_qa/recording_verdict',
        lambda message: verdicts.append(verdict_from_message(message)), 10)
    assert site.wait(lambda: verdicts and verdicts[-1].conditions, 30.0) is not None
    condition, = verdicts[-1].conditions
    assert (condition.key, condition.severity) == ('recording/stopped', Severity.HARD)
    assert condition.text.startswith('the recording has stopped: ')
    assert condition.text.endswith('MB are left on the disk (limit 1000000000000 MB)')
    # The node stays and says so until it is ended; the bag is complete.
    told = len(verdicts)
    site.spin(0.5)
    assert len(verdicts) > told
    assert (bag / 'metadata.yaml').is_file()
    assert site.nodes.stop() == {'quality_log': 0}


@pytest.fixture
def refused(monkeypatch, capsys):
    """Return a function that starts the node in this process and returns why it was refused."""
    def start(*parameters):
        from robot_mapping_qa.nodes.quality_log import QualityLog
        from robot_mapping_qa.nodes.running import run_node
        monkeypatch.setenv('ROS_DOMAIN_ID', str(DOMAIN + 1))
        before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
        given = ['quality_log', '--ros-args', '--params-file', str(CONFIGURATION)]
        try:
            assert run_node(QualityLog, [
                *given, *(part for text in parameters for part in ('-p', text))]) == 2
        finally:
            for number, handler in zip((signal.SIGINT, signal.SIGTERM), before):
                signal.signal(number, handler)
        return capsys.readouterr().err.strip().splitlines()[-1]
    return start


def test_wrong_parameters_are_refused_by_name_and_leave_nothing_behind(tmp_path, refused):
    bag = f'bag:={tmp_path / "bag"}'
    start = 'parameters of quality_log: '
    assert refused() == start + (
        'bag: found nothing, expected the folder of the new bag, such as -p bag:=run_1')
    assert refused(bag, 'pictures:=5') == start + 'pictures: found 5, expected true or false'
    assert refused(bag, 'split_mb:=0') == start + (
        'split_mb: found 0, expected a number from 1 to 1e+12')
    assert refused(bag, 'disk_stop_mb:=true') == start + (
        'disk_stop_mb: found true, expected a number from 0 to 1e+12')
    assert "topics: found the text '/a b', expected a list of topics" in refused(
        bag, 'topics:=["/a b"]')
    assert refused(f'bag:={tmp_path}/none/bag') == start + (
        f'cannot write the bag {tmp_path}/none/bag: the folder {tmp_path}/none does not exist')
    assert list(tmp_path.iterdir()) == []
