# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A recorded bag is one that rosbag2 could have written, and any MCAP reader opens it."""

import json
from pathlib import Path
import sys

from mcap.reader import make_reader
import pytest
from robot_mapping_qa.bag import definitions
from robot_mapping_qa.bag.definitions import installed_definition, standard_definition
from robot_mapping_qa.bag.mcap_file import Attachment
from robot_mapping_qa.bag.recorder import Recorder, RecordingError, Split
from robot_mapping_qa.bag.truncated import is_truncated_mcap, TruncatedMcap
from rosbags.interfaces import MessageDefinitionFormat
from rosbags.rosbag2 import Reader
import yaml

S = 1_000_000_000
START_NS = 1_760_000_000 * S
TRUE = b'\0\1\0\0\1'
ARM = 'arm_msgs'
"""A package that is nowhere installed; apart, so that its types do not look like imports."""

LATCHED = {
    'history': 'keep_last', 'depth': 1, 'reliability': 'reliable',
    'durability': 'transient_local', 'deadline': {'sec': 0, 'nsec': 500_000_000},
    'lifespan': {'sec': 9223372036, 'nsec': 854775807}, 'liveliness': 'automatic',
    'liveliness_lease_duration': {'sec': 9223372036, 'nsec': 854775807},
    'avoid_ros_namespace_conventions': False}


def recorded(path, count=50, **options):
    """Record a flag ten times a second, a number that never comes, and close the bag."""
    recorder = Recorder(path, **options)
    recorder.add_topic('/flag', 'std_msgs/msg/Bool', [LATCHED])
    recorder.add_topic('/number', 'std_msgs/msg/Float64')
    for number in range(count):
        log_ns = START_NS + number * S // 10
        recorder.write('/flag', log_ns, TRUE, log_ns - 1000)
    recorder.close()
    return path


def records(file):
    with file.open('rb') as stream:
        reader = make_reader(stream, validate_crcs=True)
        return (reader.get_header(), reader.get_summary(), list(reader.iter_messages()),
                list(reader.iter_attachments()), list(reader.iter_metadata()))


def test_bag_is_read_back_by_rosbags_with_types_hashes_and_qos(tmp_path):
    with Reader(recorded(tmp_path / 'bag')) as reader:
        flag, number = reader.connections
        messages = list(reader.messages())
    assert (flag.topic, flag.msgtype, flag.msgcount) == ('/flag', 'std_msgs/msg/Bool', 50)
    # The hash of std_msgs/msg/Bool in the installations of Jazzy and Kilted.
    assert flag.digest == (
        'RIHS01_feb91e995ff9ebd09c0cb3d2aed18b11077585839fb5db80193b62d74528f6c9')
    assert flag.msgdef.format is MessageDefinitionFormat.MSG
    profile, = flag.ext.offered_qos_profiles
    assert (profile.durability.name, profile.deadline.nsec) == ('TRANSIENT_LOCAL', 500_000_000)
    assert (number.topic, number.msgcount) == ('/number', 0)
    assert [(log_ns, data) for _, log_ns, data in messages] == [
        (START_NS + number * S // 10, TRUE) for number in range(50)]


def test_file_is_read_back_by_the_mcap_library_with_what_rosbag2_puts_there(tmp_path):
    header, summary, messages, _, notes = records(recorded(tmp_path / 'bag') / 'bag_0.mcap')
    assert header.profile == 'ros2'
    assert summary.statistics.message_count == len(messages) == 50
    assert {index.compression for index in summary.chunk_indexes} == {'zstd'}
    schema, channel, message = messages[0]
    assert (schema.name, schema.encoding) == ('std_msgs/msg/Bool', 'ros2msg')
    assert channel.message_encoding == 'cdr'
    # Keys of the channel's metadata: rosbag2_storage_mcap/src/mcap_storage.cpp, create_topic.
    assert yaml.safe_load(channel.metadata['offered_qos_profiles']) == [LATCHED]
    assert channel.metadata['topic_type_hash'].startswith('RIHS01_feb91e99')
    assert (message.log_time, message.publish_time) == (START_NS, START_NS - 1000)
    note, = notes
    assert note.name == 'rosbag2'
    assert yaml.safe_load(note.metadata['serialized_metadata'])['message_count'] == 50


def test_metadata_file_is_that_of_version_9(tmp_path):
    # Fields and their order of nesting: rosbag2_storage/src/rosbag2_storage/metadata_io.cpp and
    # yaml.hpp of Jazzy, from memory; the reader of rosbags above checks their meaning.
    document = yaml.safe_load((recorded(tmp_path / 'bag') / 'metadata.yaml').read_text())
    information = document['rosbag2_bagfile_information']
    assert information['version'] == 9
    assert information['storage_identifier'] == 'mcap'
    assert information['starting_time'] == {'nanoseconds_since_epoch': START_NS}
    assert information['duration'] == {'nanoseconds': 49 * S // 10}
    assert information['topics_with_message_count'][0]['topic_metadata'] == {
        'name': '/flag', 'type': 'std_msgs/msg/Bool', 'serialization_format': 'cdr',
        'offered_qos_profiles': [LATCHED],
        'type_description_hash': standard_definition('std_msgs/msg/Bool').hash}


def test_bag_goes_on_in_a_new_file_after_a_time(tmp_path):
    bag = recorded(tmp_path / 'bag', split=Split(span_ns=2 * S))
    files = [f'bag_{number}.mcap' for number in range(3)]
    assert sorted(file.name for file in bag.iterdir()) == [*files, 'metadata.yaml']
    assert [len(records(bag / file)[2]) for file in files] == [20, 20, 10]
    information = yaml.safe_load((bag / 'metadata.yaml').read_text())[
        'rosbag2_bagfile_information']
    assert information['relative_file_paths'] == files
    assert [file['message_count'] for file in information['files']] == [20, 20, 10]
    with Reader(bag) as reader:
        assert sum(1 for _ in reader.messages()) == 50


def test_bag_goes_on_in_a_new_file_at_a_size(tmp_path):
    recorder = Recorder(tmp_path / 'bag', split=Split(size_bytes=5_000))
    recorder.add_topic('/flag', 'std_msgs/msg/Bool')
    for number in range(100):
        recorder.write('/flag', START_NS + number, TRUE)
        # The size of a file is that of its closed chunks.
        recorder.flush()
    recorder.close()
    sizes = [file.stat().st_size for file in (tmp_path / 'bag').glob('*.mcap')]
    assert len(sizes) > 2
    # Over the limit by a chunk and the index.
    assert max(sizes) < 5_000 * 2
    with Reader(tmp_path / 'bag') as reader:
        assert reader.message_count == 100


def test_every_file_holds_the_attachments_and_notes_are_metadata_records(tmp_path):
    attachment = Attachment('configuration.yaml', 'application/yaml', b'a: 1\n')
    recorder = Recorder(tmp_path / 'bag', split=Split(span_ns=S), attachments=[attachment],
                        created_ns=START_NS)
    recorder.add_topic('/flag', 'std_msgs/msg/Bool')
    recorder.write('/flag', START_NS, TRUE)
    recorder.note('mapping_qa/hold', {'text': 'front_camera silent'})
    recorder.write('/flag', START_NS + 2 * S, TRUE)
    recorder.close()
    first, second = (records(tmp_path / 'bag' / f'bag_{number}.mcap') for number in range(2))
    for _, _, _, attachments, _ in (first, second):
        assert [(item.name, item.data, item.create_time) for item in attachments] == [
            ('configuration.yaml', b'a: 1\n', START_NS)]
    assert [(note.name, note.metadata.get('text')) for note in first[4]] == [
        ('mapping_qa/hold', 'front_camera silent'), ('rosbag2', None)]
    assert [note.name for note in second[4]] == ['rosbag2']


def test_what_was_flushed_is_in_the_file_at_once(tmp_path):
    recorder = Recorder(tmp_path / 'bag')
    recorder.add_topic('/flag', 'std_msgs/msg/Bool')
    recorder.write('/flag', START_NS, TRUE)
    file = tmp_path / 'bag' / 'bag_0.mcap'
    before = file.stat().st_size
    recorder.flush()
    assert file.stat().st_size == recorder.written_bytes > before
    recorder.close()


def test_file_that_holds_no_message_yet_does_not_hide_the_others(tmp_path):
    recorder = Recorder(tmp_path / 'bag', split=Split(span_ns=S))
    recorder.add_topic('/flag', 'std_msgs/msg/Bool')
    recorder.write('/flag', START_NS, TRUE)
    recorder.write('/flag', START_NS + 2 * S, TRUE)
    # As after a kill: nothing of the second file was flushed.
    first, second = sorted((tmp_path / 'bag').iterdir())
    with Reader(first) as reader:
        assert reader.message_count == 1
    assert is_truncated_mcap(second)
    with Reader(TruncatedMcap(second)) as reader:
        assert reader.message_count == 0
        assert list(reader.messages()) == []
    recorder.close()


def test_quality_of_service_counts_until_the_first_message(tmp_path):
    recorder = Recorder(tmp_path / 'bag')
    recorder.add_topic('/flag', 'std_msgs/msg/Bool')
    recorder.add_topic('/flag', 'std_msgs/msg/Bool', [LATCHED])
    recorder.write('/flag', START_NS, TRUE)
    recorder.add_topic('/flag', 'std_msgs/msg/Bool')
    recorder.close()
    with Reader(tmp_path / 'bag') as reader:
        assert len(reader.connections[0].ext.offered_qos_profiles) == 1


def test_missing_parent_folder_is_refused_and_not_made(tmp_path):
    with pytest.raises(RecordingError, match=r'none/bag: the folder .*none does not exist'):
        Recorder(tmp_path / 'none' / 'bag')
    assert list(tmp_path.iterdir()) == []


def test_existing_folder_is_refused_and_left_alone(tmp_path):
    (tmp_path / 'notes.txt').write_text('mine')
    with pytest.raises(RecordingError, match='exists already'):
        Recorder(tmp_path)
    assert [file.name for file in tmp_path.iterdir()] == ['notes.txt']


def test_unknown_type_is_refused(tmp_path):
    recorder = Recorder(tmp_path / 'bag')
    with pytest.raises(RecordingError, match=rf'/reach: the definition of {ARM}/msg/Reach is not'):
        recorder.add_topic('/reach', f'{ARM}/msg/Reach')


def test_missing_mcap_library_is_told_in_a_sentence(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, 'mcap.writer', None)
    with pytest.raises(RecordingError, match='python3 -m pip install mcap'):
        Recorder(tmp_path / 'bag')
    assert list(tmp_path.iterdir()) == []


class TestInstalledDefinition:
    """Definitions of any type, from the files that come with its package."""

    @pytest.fixture
    def share(self, tmp_path, monkeypatch):
        """Return the share folder of an installation with a package of one's own."""
        definitions.installed_definition.cache_clear()
        monkeypatch.setattr(definitions, '_share_folder', lambda package: tmp_path / package)
        self.add(tmp_path, f'{ARM}/msg/Reach.msg',
                 '# A comment with geometry_msgs/Pose in it\n'
                 'uint8 MOST=3\nstring<=10 name "x"\narm_msgs/Joint[] joints\nJoint[<=2] more\n'
                 'std_msgs/Header header\n')
        self.add(tmp_path, f'{ARM}/msg/Joint.msg', 'builtin_interfaces/Time stamp\n')
        self.add(tmp_path, 'std_msgs/msg/Header.msg', 'builtin_interfaces/Time stamp\n')
        self.add(tmp_path, 'builtin_interfaces/msg/Time.msg', 'int32 sec\nuint32 nanosec\n')
        self.add(tmp_path, f'{ARM}/msg/Reach.json', json.dumps({'type_hashes': [
            {'type_name': f'{ARM}/msg/Joint', 'hash_string': 'RIHS01_11'},
            {'type_name': f'{ARM}/msg/Reach', 'hash_string': 'RIHS01_22'}]}))
        self.add(tmp_path, f'{ARM}/msg/Grip.idl',
                 '#include "builtin_interfaces/msg/Time.idl"\nmodule arm_msgs {};\n')
        self.add(tmp_path, 'builtin_interfaces/msg/Time.idl', 'module builtin_interfaces {};\n')
        yield tmp_path
        definitions.installed_definition.cache_clear()

    @staticmethod
    def add(share, name, text):
        (share / name).parent.mkdir(parents=True, exist_ok=True)
        (share / name).write_text(text)

    def test_parts_follow_each_behind_its_name_and_once(self, share):
        found = installed_definition(f'{ARM}/msg/Reach')
        assert (found.encoding, found.hash) == ('ros2msg', 'RIHS01_22')
        parts = found.text.split('=' * 80 + '\n')
        assert [part.partition('\n')[0] for part in parts[1:]] == [
            'MSG: arm_msgs/Joint', 'MSG: builtin_interfaces/Time', 'MSG: std_msgs/Header']
        assert parts[0] == (share / f'{ARM}/msg/Reach.msg').read_text() + '\n'

    def test_type_written_as_idl_is_kept_as_idl(self, share):
        found = installed_definition(f'{ARM}/msg/Grip')
        assert (found.encoding, found.hash) == ('ros2idl', '')
        assert [line for line in found.text.splitlines() if line.startswith('IDL: ')] == [
            f'IDL: {ARM}/msg/Grip', 'IDL: builtin_interfaces/msg/Time']

    def test_type_that_is_not_there_is_named(self, share):
        with pytest.raises(LookupError, match=rf'{ARM}/msg/Push is not installed: there is no '
                                              r'.*Push\.idl'):
            installed_definition(f'{ARM}/msg/Push')


@pytest.mark.parametrize('type_name', [
    'nav_msgs/msg/Odometry', 'sensor_msgs/msg/CameraInfo', 'visualization_msgs/msg/MarkerArray',
    'diagnostic_msgs/msg/DiagnosticArray', 'sensor_msgs/msg/PointCloud2'])
def test_installation_and_rosbags_give_the_same_hash(type_name):
    pytest.importorskip('rclpy', reason='needs the message packages of ROS 2')
    installed = installed_definition(type_name)
    standard = standard_definition(type_name)
    assert installed.hash == standard.hash
    assert installed.text.count('=' * 80) == standard.text.count('=' * 80)


def test_package_that_is_not_installed_is_named():
    with pytest.raises(LookupError, match='the package arm_msgs is not installed'):
        installed_definition(f'{ARM}/msg/Reach')


def test_path_may_be_a_text(tmp_path):
    assert recorded(str(tmp_path / 'bag')) == str(tmp_path / 'bag')
    assert Path(tmp_path / 'bag' / 'metadata.yaml').is_file()
