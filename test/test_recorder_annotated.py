# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""`assess_bag --annotated`: the source and the judgement on it in one bag."""

from hand_made_bags import CAMERA, CONFIGURATION, drive, ODOMETRY, Sent, START_NS, write
from mcap.reader import make_reader
import pytest
from robot_mapping_qa.bag.assess_bag import main as assess_bag
from robot_mapping_qa.messages.factory import RosbagsFactory
from robot_mapping_qa.messages.outputs import diagnostics_message
from robot_mapping_qa.messages.verdict_message import make_status
from rosbags.rosbag2 import Reader
from rosbags.typesys import get_typestore, Stores

S = 1_000_000_000
STORE = get_typestore(Stores.ROS2_JAZZY)
DIAGNOSTICS, ALLOWED, NOTES = '/diagnostics', '/mapping_qa/capture_allowed', '/notes'
TYPES = {DIAGNOSTICS: 'diagnostic_msgs/msg/DiagnosticArray', ALLOWED: 'std_msgs/msg/Bool'}


@pytest.fixture
def configuration(tmp_path):
    file = tmp_path / 'streams.yaml'
    file.write_text(CONFIGURATION)
    return file


def annotate(tmp_path, bag, configuration):
    """Assess a bag; return its annotated copy and the bag with the judgement alone."""
    copy = tmp_path / 'annotated'
    assert assess_bag([str(bag), '--config', str(configuration), '--out', str(tmp_path / 'out'),
                       '--annotated', str(copy)]) == 0
    return copy, tmp_path / 'out' / 'quality'


def contents(bag):
    """Return log times and bytes of a bag's messages by topic, and its types."""
    found = {}
    with Reader(bag) as reader:
        types = {connection.topic: connection.msgtype for connection in reader.connections}
        for connection, log_ns, data in reader.messages():
            found.setdefault(connection.topic, []).append((log_ns, bytes(data)))
    return found, types


def statuses(*names):
    """Return a serialized message with statuses on /diagnostics."""
    factory = RosbagsFactory(STORE)
    message = diagnostics_message(
        factory, [make_status(factory, name, 0, 'fine', {}) for name in names], START_NS)
    return bytes(STORE.serialize_cdr(message, TYPES[DIAGNOSTICS]))


@pytest.mark.parametrize('storage', ['mcap', 'sqlite3'])
def test_copy_holds_every_message_of_both_in_the_order_of_time(tmp_path, configuration, storage):
    sent = drive() + [Sent(NOTES, START_NS, START_NS + 3 * S)]
    bag = write(tmp_path / 'bag', sorted(sent, key=lambda message: message.log_ns), storage,
                topics=(ODOMETRY, CAMERA, NOTES))
    copy, quality = annotate(tmp_path, bag, configuration)
    found, types = contents(copy)
    assert found == {**contents(bag)[0], **contents(quality)[0]}
    assert types == {**contents(bag)[1], **contents(quality)[1]}
    with (copy / 'annotated_0.mcap').open('rb') as stream:
        reader = make_reader(stream, validate_crcs=True)
        times = [message.log_time for _, _, message in reader.iter_messages()]
        schemas = {schema.name: schema for schema in reader.get_summary().schemas.values()}
        attachments = [item.name for item in reader.iter_attachments()]
        notes = [record.metadata['kind'] for record in reader.iter_metadata()
                 if record.name.startswith('mapping_qa/')]
    assert times == sorted(times)
    assert len(times) == sum(map(len, found.values()))
    assert schemas['std_msgs/msg/String'].encoding == 'ros2msg'
    assert attachments == ['streams.yaml']
    assert notes[0] == 'release'


def test_rosbag1_is_copied_in_its_ros2_form(tmp_path, configuration):
    bag = write(tmp_path / 'run.bag', drive(), 'rosbag1')
    copy, _ = annotate(tmp_path, bag, configuration)
    twin = write(tmp_path / 'twin', drive())
    found, types = contents(copy)
    assert types[CAMERA] == 'sensor_msgs/msg/CameraInfo'
    for topic in (ODOMETRY, CAMERA):
        assert found[topic] == contents(twin)[0][topic]


def test_what_a_live_run_said_is_kept_beside_the_judgement_and_so_is_the_word_of_other_nodes(
        tmp_path, configuration):
    ours, theirs = 'robot_mapping_qa: gate', 'battery: main'
    sent = drive() + [
        Sent(ALLOWED, START_NS, START_NS + S, data=b'\0\1\0\0\1'),
        Sent(DIAGNOSTICS, START_NS, START_NS + S, data=statuses(ours)),
        Sent(DIAGNOSTICS, START_NS, START_NS + 2 * S, data=statuses(theirs)),
        Sent(DIAGNOSTICS, START_NS, START_NS + 3 * S, data=statuses(ours, theirs))]
    bag = write(tmp_path / 'bag', sorted(sent, key=lambda message: message.log_ns),
                topics=(ODOMETRY, CAMERA, ALLOWED, DIAGNOSTICS), types=TYPES)
    copy, quality = annotate(tmp_path, bag, configuration)
    found, judged = contents(copy)[0], contents(quality)[0]
    assert found[ALLOWED] == judged[ALLOWED]
    assert found['/recorded' + ALLOWED] == [(START_NS + S, b'\0\1\0\0\1')]
    kept = [message for message in found[DIAGNOSTICS] if message not in judged[DIAGNOSTICS]]
    assert kept == [(START_NS + 2 * S, statuses(theirs)), (START_NS + 3 * S, statuses(theirs))]


def test_copy_of_a_copy_holds_the_newer_judgement_and_the_first_recording(tmp_path, configuration):
    sent = drive() + [Sent(ALLOWED, START_NS, START_NS + S, data=b'\0\1\0\0\1')]
    bag = write(tmp_path / 'bag', sorted(sent, key=lambda message: message.log_ns),
                topics=(ODOMETRY, CAMERA, ALLOWED), types=TYPES)
    first, _ = annotate(tmp_path, bag, configuration)
    again = tmp_path / 'again'
    again.mkdir()
    copy, quality = annotate(again, first, configuration)
    found = contents(copy)[0]
    assert found['/recorded' + ALLOWED] == [(START_NS + S, b'\0\1\0\0\1')]
    assert found[ALLOWED] == contents(quality)[0][ALLOWED]


def test_bag_that_was_cut_off_is_copied_as_far_as_it_goes(tmp_path, configuration):
    sent = drive(40.0)
    bag = write(tmp_path / 'bag', sent)
    file, = bag.glob('*.mcap')
    whole = file.read_bytes()
    # The writer of this bag closes a chunk at 1 MB: what is left is the first one.
    file.write_bytes(whole[:int(len(whole) * 0.9)])
    copy, _ = annotate(tmp_path, bag, configuration)
    kept = contents(copy)[0][ODOMETRY]
    assert kept == contents(write(tmp_path / 'whole', sent))[0][ODOMETRY][:len(kept)]
    assert len(kept) > 100


@pytest.mark.parametrize('place, said', [
    ('none/copy', 'none does not exist'), ('bag', 'exists already')])
def test_impossible_place_is_refused_before_the_work(
        tmp_path, configuration, capsys, place, said):
    bag = write(tmp_path / 'bag', drive(1.0))
    assert assess_bag([str(bag), '--config', str(configuration), '--out', str(tmp_path / 'out'),
                       '--annotated', str(tmp_path / place)]) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / 'out').exists()
