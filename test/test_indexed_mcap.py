# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Reading by the index gives what `rosbags` gives, and unpacks no more than is needed."""

from mcap.writer import CompressionType, IndexType, Writer
import pytest
from robot_mapping_qa.bag.indexed_mcap import by_time, IndexedMcap, McapError
from rosbags.rosbag2 import Reader

POSE, PICTURE, NOTE = '/pose', '/picture', '/note'
HEAD = 12


def write(path, compression=CompressionType.ZSTD, chunk_size=4000, later_ns=0, **options):
    """Write 300 messages on three topics, some out of order and some at one time."""
    with path.open('wb') as file:
        writer = Writer(file, chunk_size=chunk_size, compression=compression, **options)
        writer.start(profile='ros2')
        schema = writer.register_schema('std_msgs/msg/String', 'ros2msg', b'string data')
        channels = {topic: writer.register_channel(topic, 'cdr', schema, {})
                    for topic in (POSE, PICTURE, NOTE)}
        for number in range(300):
            topic = (POSE, POSE, NOTE, PICTURE)[number % 4]
            # Every seventh message comes late, and every third shares its time with the next.
            log_ns = 1000 * (number - 5 * (number % 7 == 0) - (number % 3 == 1))
            size = 3000 if topic == PICTURE else 40
            data = bytes((number + step) % 251 for step in range(size))
            log_ns = max(log_ns, 0) + later_ns
            writer.add_message(channels[topic], log_ns, data, log_ns)
        writer.finish()
    return path


def by_rosbags(path):
    with Reader(path) as reader:
        return [(connection.topic, log_ns, bytes(data))
                for connection, log_ns, data in reader.messages()]


def by_index(path, wanted):
    opened = IndexedMcap(path)
    try:
        return list(opened.messages(wanted))
    finally:
        opened.close()


@pytest.mark.parametrize('compression', list(CompressionType))
def test_messages_and_their_order_are_those_of_rosbags(tmp_path, compression):
    path = write(tmp_path / 'bag.mcap', compression)
    everything = by_rosbags(path)
    assert len(everything) == 300
    assert by_index(path, dict.fromkeys((POSE, PICTURE, NOTE))) == everything


def test_of_a_topic_that_is_not_needed_whole_the_beginning_is_given(tmp_path):
    path = write(tmp_path / 'bag.mcap')
    expected = [(topic, log_ns, data[:HEAD] if topic == PICTURE else data)
                for topic, log_ns, data in by_rosbags(path) if topic != NOTE]
    assert by_index(path, {POSE: None, PICTURE: HEAD}) == expected


def test_a_picture_that_is_not_needed_is_not_unpacked(tmp_path, monkeypatch):
    path = write(tmp_path / 'bag.mcap')
    unpacked = []
    whole = IndexedMcap._unpacked

    def counted(self, chunk, needed):
        unpacked.append((needed, chunk.bytes))
        return whole(self, chunk, needed)
    monkeypatch.setattr(IndexedMcap, '_unpacked', counted)
    by_index(path, {POSE: None, PICTURE: HEAD})
    # Each chunk ends with the picture that filled it, of 3000 bytes.
    assert all(needed < size - 2900 for needed, size in unpacked[:-1])
    assert len(unpacked) > 30


def test_parts_whose_times_overlap_are_merged_each_when_its_time_has_come(tmp_path, monkeypatch):
    # As a recorder leaves them that writes what came a little late into the next file.
    paths = [write(tmp_path / f'bag_{number}.mcap', later_ns=number * 290_000)
             for number in range(3)]
    wanted = dict.fromkeys((POSE, PICTURE, NOTE))
    expected = sorted((log_ns for path in paths for _, log_ns, _ in by_rosbags(path)))
    parts = [IndexedMcap(path) for path in paths]
    unpacked = set()
    whole = IndexedMcap._unpacked

    def noted(self, chunk, needed):
        unpacked.add(parts.index(self))
        return whole(self, chunk, needed)
    monkeypatch.setattr(IndexedMcap, '_unpacked', noted)
    merged = by_time(parts, wanted)
    found = [next(merged) for _ in range(100)]
    assert unpacked == {0}
    found += merged
    assert [log_ns for _, log_ns, _ in found] == expected
    assert unpacked == {0, 1, 2}
    for part in parts:
        part.close()


def test_file_without_an_index_is_refused(tmp_path):
    path = write(tmp_path / 'bag.mcap', index_types=IndexType.NONE)
    with pytest.raises(McapError):
        IndexedMcap(path)


def test_file_that_is_cut_off_is_refused(tmp_path):
    path = write(tmp_path / 'bag.mcap')
    path.write_bytes(path.read_bytes()[:-50])
    with pytest.raises(McapError):
        IndexedMcap(path)


def test_damage_in_a_chunk_is_found(tmp_path):
    path = write(tmp_path / 'bag.mcap', CompressionType.NONE)
    data = bytearray(path.read_bytes())
    place = data.index(bytes((100 + step) % 251 for step in range(40)))
    data[place + 3] ^= 0xff
    path.write_bytes(data)
    with pytest.raises(McapError, match='checksum'):
        by_index(path, dict.fromkeys((POSE, PICTURE, NOTE)))
