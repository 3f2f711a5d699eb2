# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Reading the watched topics of a bag: rosbag2 (MCAP, SQLite3) and rosbag1, through `rosbags`.

Messages are handed on as the bytes that the bag holds: whoever wants a picture or a cloud decodes
it.
"""

from __future__ import annotations

from contextlib import ExitStack
import heapq
from pathlib import Path, PurePath
import struct
from typing import Any, Callable, Iterator, Sequence

from robot_mapping_qa.bag.bag_metadata import (
    METADATA_ERRORS, METADATA_FILE, missing_parts, read_metadata)
from robot_mapping_qa.bag.definitions import lacks_header
from robot_mapping_qa.bag.indexed_mcap import by_time, IndexedMcap
from robot_mapping_qa.bag.missing_topics import no_pose, no_stream, Topic
from robot_mapping_qa.bag.truncated import is_truncated_mcap, MAGIC, TruncatedMcap
from robot_mapping_qa.configuration.model import Stream
from rosbags.rosbag1 import Reader as Reader1
from rosbags.rosbag2 import Reader as Reader2
from rosbags.serde import SerdeError
from rosbags.typesys import get_typestore, Stores

STORAGE_SUFFIXES = ('.mcap', '.db3')
"""Storage files of rosbag2."""

ROSBAG1_SUFFIX = '.bag'

BACK_NS = 1_000_000_000
"""A recorder with several threads and full queues writes messages late, but not by so much."""

HEADER_ROLES = ('capture', 'aid', 'timing')
"""Roles of whose messages nothing but the stamp is read; all others are read whole."""

STAMP_BYTES = 12
"""Encapsulation and stamp, with which every message that has a header begins."""

_CDR_LITTLE_ENDIAN = b'\x00\x01\x00\x00'
_ROS1_STAMP = slice(4, 12)


class BagError(ValueError):
    """A bag that cannot be assessed; the text tells the user why and what to do."""


_AFTER_A_CUT = {
    '.bag': '. If the recording was cut off, `rosbag reindex` mends the file',
    '.db3': '. If the recording was cut off, `sqlite3 FILE .recover` saves what is left'}

_NOT_THERE = Topic('', (), 0)


class Recording:
    """
    An open bag with the streams of the configuration that it holds.

    ``start_ns`` and ``end_ns`` are the log times of its first and last message and
    ``message_count`` counts the messages of all topics. ``absent`` are the streams whose topic
    is not in the bag and ``warnings`` sentences about what is missing or damaged; reading may
    add to both. ``namespace`` is the robot's, which topics without a slash in front lie in.
    """

    def __init__(self, path: str | Path, streams: Sequence[Stream],
                 cameras: Sequence[Stream] = (), others: Sequence[Stream] = ()) -> None:
        """
        Open the bag; use as a context manager.

        ``path`` is a bag folder, a single storage file or a rosbag1 file. ``cameras`` are
        streams whose pictures are handed over as well (`Stream.pictures`), ``others`` streams
        that need not be there. Raises `BagError` where the bag cannot be read, is empty, lacks
        the pose, holds it in several namespaces, or has other types than configured.
        """
        self.path = Path(path)
        self.warnings: list[str] = []
        self._stack = ExitStack()
        self._is_rosbag1 = self.path.suffix == ROSBAG1_SUFFIX
        try:
            self._readers = self._open()
            self.message_count = sum(reader.message_count for reader in self._readers)
            if not self.message_count:
                cut = any(isinstance(file, TruncatedMcap) for file in self._files)
                raise BagError(f'{self.path}: ' + (
                    'cut off before its first complete message' if cut else
                    'the bag is empty, it holds no messages'))
            filled = [reader for reader in self._readers if reader.message_count]
            self.start_ns = min(reader.start_time for reader in filled)
            self.end_ns = max(reader.end_time for reader in filled) - 1
            self._compare_with_metadata()
            self._topics = _topics(self._readers)
            self.namespace = self._find_namespace(streams)
            self.watched_count = 0
            self._read_whole = {
                stream.name for stream in streams if stream.role not in HEADER_ROLES}
            self._read_whole.update(camera.pictures.name for camera in cameras)
            self.absent = self._match(streams)
            self._streams: dict[str, list[Stream]] = {}
            for stream in (*streams, *self._pictures(cameras), *self._there(others)):
                if stream not in self.absent:
                    self._streams.setdefault(self._key(stream.watched_topic), []).append(stream)
        except BaseException:
            self._stack.close()
            raise

    def __enter__(self) -> Recording:
        """Return the open recording."""
        return self

    def __exit__(self, *error: object) -> None:
        """Close the files."""
        self._stack.close()

    def has_messages_on(self, topic: str) -> bool:
        """Return whether the bag holds messages of a topic, watched or not, in any namespace."""
        ending = '/' + topic.lstrip('/')
        return any(f'/{name}'.endswith(ending) and known.messages
                   for name, known in self._topics.items())

    def messages(self) -> Iterator[tuple[Stream, int, bytes]]:
        """
        Yield stream, log time in ns and the serialized (CDR) bytes, in the order of log time.

        Of a message whose contents are not needed the bytes may end behind the stamp. A bag that
        turns out to be damaged ends early, with a sentence in ``warnings``.
        """
        sources = []
        for file, reader in zip(self._files, self._readers):
            connections = [connection for connection in reader.connections
                           if _plain(connection.topic) in self._streams]
            if connections:
                sources.append(self._from(file, reader, connections))
        return sources[0] if len(sources) == 1 else heapq.merge(
            *sources, key=lambda message: message[1])

    def _from(self, file: Any, reader: Any,
              connections: list) -> Iterator[tuple[Stream, int, bytes]]:
        streams = {connection.id: self._streams[_plain(connection.topic)]
                   for connection in connections}
        needed = {connection.topic: None if any(
            stream.name in self._read_whole for stream in streams[connection.id]) else STAMP_BYTES
            for connection in connections}
        by_topic = {connection.topic: streams[connection.id] for connection in connections}
        last_ns = None
        try:
            indexed = self._indexed(file)
            if indexed is not None:
                back_ns = max(part.back_ns for part in indexed)
                if back_ns > BACK_NS:
                    self.warnings.append(
                        f'{self.path}: log times go back by {back_ns * 1e-9:.1f} s or more: the '
                        'clock of the computer was set back while it recorded. What came after '
                        'is read in between what came before: record again, or cut the bag there')
                for topic, last_ns, data in by_time(indexed, needed):
                    for stream in by_topic[topic]:
                        yield stream, last_ns, data
            elif self._is_rosbag1:
                convert = {stream.name: self._ros1_converter(stream)
                           for those in streams.values() for stream in those}
                for connection, last_ns, data in reader.messages(connections):
                    for stream in streams[connection.id]:
                        yield stream, last_ns, convert[stream.name](data)
            else:
                for connection, last_ns, data in reader.messages(connections):
                    for stream in streams[connection.id]:
                        yield stream, last_ns, data
        except Exception as error:
            # Damaged bytes raise whatever the place in the parser brings about.
            seconds = 0.0 if last_ns is None else (last_ns - self.start_ns) * 1e-9
            self.warnings.append(
                f'{self.path}: the bag is damaged and could be read up to {seconds:.1f} s from '
                f'its start only: {_said(error)}')

    def _indexed(self, file: Any) -> list[IndexedMcap] | None:
        """Return the parts of a bag if all have an index to read by, else None."""
        parts = []
        try:
            for path in _mcap_files(file):
                part = IndexedMcap(path)
                self._stack.callback(part.close)
                parts.append(part)
        except Exception:
            # `rosbags` reads what has no index, and says what is wrong with what is damaged.
            return None
        return parts or None

    def _open(self) -> list:
        try:
            self._files = self._find_files()
            return [self._opened(file) for file in self._files]
        except BagError:
            raise
        except Exception as error:
            # Any kind of file may be given, and the parsers raise all kinds of errors on it.
            raise BagError(
                f'{self.path}: cannot be read as a bag (rosbag2 with MCAP or SQLite3, or '
                f'rosbag1): {_said(error)}{_AFTER_A_CUT.get(self.path.suffix, "")}') from error

    def _opened(self, file: Any) -> Any:
        try:
            reader = Reader1(file) if self._is_rosbag1 else Reader2(file)
            reader.open()
        except Exception as error:
            parts = self._storage_files() if self.path.is_dir() else []
            if not parts or 'metadata' not in str(error):
                raise
            raise BagError(
                f'{self.path}: {_said(error)}; name the {parts[0].suffix} file itself to read it '
                f'without') from error
        self._stack.callback(reader.close)
        return reader

    def _find_files(self) -> list:
        """List what to give to a reader each: the bag, or its files where it is not closed."""
        path = self.path
        if not path.exists():
            raise BagError(f'{path}: there is no such file or folder')
        if path.is_file():
            if path.suffix not in (*STORAGE_SUFFIXES, ROSBAG1_SUFFIX):
                raise BagError(
                    f'{path}: not a bag; expected a bag folder or a file that ends in '
                    f'{", ".join(STORAGE_SUFFIXES)} or {ROSBAG1_SUFFIX}')
            files = [path]
        else:
            files = self._storage_files()
            has_metadata = (path / METADATA_FILE).is_file()
            if not files and not has_metadata:
                raise BagError(
                    f'{path}: not a bag; the folder holds neither metadata.yaml nor a file that '
                    f'ends in {" or ".join(STORAGE_SUFFIXES)}')
            cut = any(file.suffix == '.mcap' and is_truncated_mcap(file) for file in files)
            missing = missing_parts(path) if has_metadata and files else []
            if has_metadata and not cut and not missing:
                return [path]
            if missing:
                self.warnings.append(
                    f'{path}: {", ".join(missing)} is named in {METADATA_FILE} and not there: the '
                    'files that are there are read')
            elif not has_metadata:
                self.warnings.append(
                    f'{path}: metadata.yaml is missing, so the recording was not closed; every '
                    'file in the folder is read')
        return [self._whole_or_repaired(file) for file in self._begun(files)]

    def _begun(self, files: list[Path]) -> list[Path]:
        """Leave out files that a power cut left empty, as long as another remains."""
        empty = [file for file in files if file.stat().st_size <= len(MAGIC)]
        if len(empty) == len(files):
            return files
        self.warnings += [f'{file}: is empty, so the recording was cut off as it was begun; it is '
                          'left out' for file in empty]
        return [file for file in files if file not in empty]

    def _storage_files(self) -> list[Path]:
        """List the storage files in the bag's folder."""
        return sorted(file for suffix in STORAGE_SUFFIXES for file in self.path.glob(f'*{suffix}'))

    def _compare_with_metadata(self) -> None:
        """Say of a bag that was cut how much of its time is read, where metadata.yaml tells."""
        if not any(isinstance(file, TruncatedMcap) for file in self._files):
            return
        try:
            whole_ns = read_metadata(self.path)['duration']['nanoseconds']
            read_s, whole_s = (self.end_ns - self.start_ns) * 1e-9, whole_ns * 1e-9
        except METADATA_ERRORS:
            return
        if read_s < whole_s:
            self.warnings.append(
                f'{self.path}: the first {read_s:.1f} s are read of the {whole_s:.1f} s that it '
                f'lasts by {METADATA_FILE}')

    def _whole_or_repaired(self, file: Path) -> Path | TruncatedMcap:
        if file.suffix != '.mcap' or not is_truncated_mcap(file):
            return file
        repaired = TruncatedMcap(file)
        self.warnings.append(
            f'{file}: the end of the file is missing, so the recording was cut off; what is '
            f'complete is read and the last {repaired.lost_bytes} bytes are left out')
        return repaired

    def _find_namespace(self, streams: Sequence[Stream]) -> str:
        """Return the namespace that holds the pose, '' where its topic tells or none does."""
        pose = next((stream.topic for stream in streams if stream.role == 'pose'), '/')
        if pose.startswith('/') or self._topics.get(pose, _NOT_THERE).messages:
            return ''
        found = sorted(name.removesuffix('/' + pose) for name, topic in self._topics.items()
                       if name.endswith('/' + pose) and topic.messages)
        if len(found) > 1:
            raise BagError(
                f'{self.path}: {pose} is there in the namespaces {" and ".join(found)}: give the '
                f'topics of one robot with a slash in front, such as /{found[0]}/{pose}')
        return found[0] if found else ''

    def _key(self, topic: str) -> str:
        """Return a configured topic's name among `_topics`."""
        inside = self.namespace and not topic.startswith('/')
        return f'{self.namespace}/{topic}' if inside else _plain(topic)

    def _there(self, others: Sequence[Stream]) -> Iterator[Stream]:
        for stream in others:
            topic = self._topics.get(self._key(stream.topic), _NOT_THERE)
            if topic.messages and topic.types == (stream.type,):
                self._read_whole.add(stream.name)
                self.watched_count += topic.messages
                yield stream

    def _match(self, streams: Sequence[Stream]) -> tuple[Stream, ...]:
        """Return the streams that are not in the bag; BagError where the bag does not fit."""
        problems = []
        absent = []
        taken = {self._key(stream.watched_topic) for stream in streams}
        for stream in streams:
            topic = self._topics.get(self._key(stream.watched_topic), _NOT_THERE)
            wrong = [found for found in topic.types if found != stream.watched_type]
            if wrong:
                problems.append(
                    f'{stream.watched_topic}: the bag holds {" and ".join(wrong)}, but the '
                    f'stream {stream.name} is configured as {stream.watched_type}')
            elif lacks_header(stream.watched_type):
                problems.append(
                    f'{stream.watched_topic}: found the type {stream.watched_type} (stream '
                    f'{stream.name}), expected one that begins with a header, whose stamp is '
                    'what is watched')
            elif not topic.messages:
                absent.append(stream)
                if stream.role == 'pose':
                    problems.append(no_pose(stream, self._topics.values()))
                else:
                    others = [known for key, known in self._topics.items() if key not in taken]
                    picture = self._topics.get(self._key(stream.topic), _NOT_THERE)
                    self.warnings.append(f'{self.path}: ' + no_stream(
                        stream, others, picture if stream.timing_topic and picture.messages
                        else None))
            else:
                self.watched_count += topic.messages
        if problems:
            raise BagError('\n'.join(f'{self.path}: {problem}' for problem in problems))
        return tuple(absent)

    def _pictures(self, cameras: Sequence[Stream]) -> Iterator[Stream]:
        """Yield those on topics of their own; BagError where the bag holds another type."""
        for camera in cameras:
            if camera.timing_topic is None:
                continue
            topic = self._topics.get(self._key(camera.topic), _NOT_THERE)
            if any(found != camera.type for found in topic.types):
                raise BagError(
                    f'{self.path}: {camera.topic}: the bag holds {" and ".join(topic.types)}, but '
                    f'the stream {camera.name} is configured as {camera.type}')
            if topic.messages:
                self.watched_count += topic.messages
                yield camera.pictures
            else:
                self.warnings.append(
                    f'{self.path}: no messages on {camera.topic}: the pictures of {camera.name} '
                    'cannot be judged, so they count as missing (without check_cameras they are '
                    'not looked for; the recorder takes them with its parameter pictures)')

    def _ros1_converter(self, stream: Stream) -> Callable[[bytes], bytes]:
        """
        Return a function from ROS 1 bytes to CDR, as far as the stream needs it.

        A ROS 1 header begins with a sequence number, which ROS 2 no longer has.
        """
        if stream.name not in self._read_whole:
            return lambda data: _CDR_LITTLE_ENDIAN + data[_ROS1_STAMP]
        store = get_typestore(Stores.ROS2_HUMBLE)

        def convert(data: bytes) -> bytes:
            try:
                return bytes(store.ros1_to_cdr(data, stream.type))
            except (SerdeError, struct.error):
                # One bad message is the monitor's to count, not the end of the bag.
                return _CDR_LITTLE_ENDIAN
        return convert


def _mcap_files(file: Any) -> list[Path]:
    """Return the MCAP files of a bag in their order, none for another kind of bag."""
    if not isinstance(file, Path):
        return []
    if file.is_file():
        return [file] if file.suffix == '.mcap' else []
    bag = read_metadata(file)
    if bag['storage_identifier'] != 'mcap' or bag.get('compression_format'):
        return []
    return [file / PurePath(path).name for path in bag['relative_file_paths']]


def _plain(topic: str) -> str:
    """Return the name without its slash, which many rosbag1 recordings leave out."""
    return topic.lstrip('/')


def _topics(readers: list) -> dict[str, Topic]:
    """Return what the bag says about its topics, by their plain names."""
    topics: dict[str, Topic] = {}
    for reader in readers:
        for connection in reader.connections:
            key = _plain(connection.topic)
            known = topics.get(key, _NOT_THERE)
            types = dict.fromkeys((*known.types, connection.msgtype))
            topics[key] = Topic(
                connection.topic, tuple(types), known.messages + connection.msgcount)
    return topics


def _said(error: Exception) -> str:
    """Return an error's text in one line, without the place that yaml draws."""
    text = ' '.join(str(error).partition('\n  in "')[0].split())
    return text.rstrip('.') or type(error).__name__
