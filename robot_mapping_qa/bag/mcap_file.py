# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
One MCAP file of a rosbag2 bag, written with the `mcap` library so that a crash costs little.

The format is that of mcap.dev/spec with the profile ros2; channels carry what rosbag2's own
storage plugin writes: the offered quality of service as YAML and the type hash.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, Mapping, NamedTuple, Sequence

from robot_mapping_qa.bag.definitions import Definition
from robot_mapping_qa.bag.space_reserve import FULL, SpaceReserve
import yaml

PROFILE = 'ros2'

CHUNK_BYTES = 1024 * 1024
"""A chunk is closed at this size: enough to compress well, little to unpack for one message."""


class RecordingError(RuntimeError):
    """A bag that cannot be written; the text says which and why."""


class Attachment(NamedTuple):
    """A file inside the bag."""

    name: str
    media_type: str
    data: bytes


class RecordedTopic(NamedTuple):
    """
    A topic of a bag.

    ``offered_qos`` holds a map for each publisher in the words of rosbag2's metadata.yaml.
    """

    name: str
    definition: Definition
    offered_qos: tuple[Mapping, ...] = ()

    @property
    def qos_text(self) -> str:
        """The offered quality of service as YAML, empty where it is not known."""
        profiles = [dict(profile) for profile in self.offered_qos]
        return yaml.safe_dump(profiles, sort_keys=False).strip() if profiles else ''


class McapFile:
    """A growing file; what was flushed survives the end of the process."""

    def __init__(self, path: Path, reserve: SpaceReserve, attachments: Sequence[Attachment] = (),
                 created_ns: int = 0) -> None:
        """Create the file; raises OSError, or `RecordingError` without the `mcap` library."""
        try:
            # No rosdep key brings it to a robot, so it may be missing there.
            from mcap.writer import CompressionType, Writer
        except ImportError:
            raise RecordingError('writing bags needs the Python package mcap, which is not '
                                 'installed: python3 -m pip install mcap') from None
        self.path = path
        self.message_count = 0
        self.start_ns: int | None = None
        self.end_ns: int | None = None
        # A kill between making a file and its first bytes would leave one that no reader opens:
        # it gets its name with its beginning in it.
        scratch = path.with_name(f'.{path.name}.unfinished')
        self._stream = _Stream(scratch, reserve)
        # The library asks for a whole file object, and uses of it what `_Stream` has.
        stream: Any = self._stream
        self._writer = Writer(stream, chunk_size=CHUNK_BYTES,
                              compression=CompressionType.ZSTD)
        self._schemas: dict[str, int] = {}
        self._channels: dict[str, int] = {}
        self._writer.start(profile=PROFILE)
        for item in attachments:
            self._writer.add_attachment(
                created_ns, created_ns, item.name, item.media_type, item.data)
        scratch.rename(path)

    @property
    def size(self) -> int:
        """Bytes written so far; a chunk counts when it is closed."""
        return self._stream.tell()

    @property
    def disk_is_full(self) -> bool:
        """Whether the disk was found full; what was written since lies in the reserve."""
        return self._stream.disk_is_full

    def write(self, topic: RecordedTopic, log_ns: int, publish_ns: int, data: bytes) -> None:
        """Append a serialized message."""
        channel = self._channels.get(topic.name)
        if channel is None:
            channel = self._channels[topic.name] = self._register(topic)
        self._writer.add_message(channel, log_ns, data, publish_ns)
        self.message_count += 1
        self.start_ns = log_ns if self.start_ns is None else min(self.start_ns, log_ns)
        self.end_ns = log_ns if self.end_ns is None else max(self.end_ns, log_ns)

    def note(self, name: str, values: Mapping[str, str]) -> None:
        """Append a metadata record."""
        self._writer.add_metadata(name, dict(values))

    def flush(self) -> None:
        """Close the chunk and see it onto the medium."""
        self._writer.flush()
        self._stream.sync()

    def finish(self) -> None:
        """Write the index and close the file."""
        self._writer.finish()
        self._stream.sync()
        self._stream.close()

    def abandon(self) -> None:
        """Close the file without an index, cut behind the last record that is complete."""
        self._stream.cut()
        self._stream.close()

    def _register(self, topic: RecordedTopic) -> int:
        definition = topic.definition
        schema = self._schemas.get(definition.type)
        if schema is None:
            schema = self._schemas[definition.type] = self._writer.register_schema(
                definition.type, definition.encoding, definition.text.encode())
        return self._writer.register_channel(
            topic.name, 'cdr', schema,
            {'offered_qos_profiles': topic.qos_text, 'topic_type_hash': definition.hash})


class _Stream:
    """
    The file under the `mcap` writer.

    On a full disk it gives the reserve back and goes on where it stopped, so that the writer
    never sees half a record.
    """

    def __init__(self, path: Path, reserve: SpaceReserve) -> None:
        self._file = path.open('xb', buffering=0)
        self._reserve = reserve
        self._position = 0
        self.disk_is_full = False

    def write(self, data: bytes) -> int:
        rest = memoryview(data)
        while rest:
            try:
                rest = rest[self._file.write(rest):]
            except OSError as error:
                if error.errno not in FULL or self._reserve.released:
                    raise
                self.disk_is_full = True
                self._reserve.release()
        self._position += len(data)
        return len(data)

    def tell(self) -> int:
        return self._position

    def flush(self) -> None:
        """Nothing is held back: the writer hands over whole records."""

    def sync(self) -> None:
        os.fsync(self._file.fileno())

    def cut(self) -> None:
        self._file.truncate(self._position)

    def close(self) -> None:
        self._file.close()
