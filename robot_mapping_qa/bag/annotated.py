# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The source bag and the judgement on it in one new bag, for looking at both side by side."""

from __future__ import annotations

from contextlib import ExitStack
import heapq
from pathlib import Path
import shutil
import sys
from typing import Any, Callable, Iterator, NamedTuple, Sequence

from robot_mapping_qa.bag.definitions import Definition, standard_definition, STORE
from robot_mapping_qa.bag.event_notes import event_notes
from robot_mapping_qa.bag.mcap_file import Attachment
from robot_mapping_qa.bag.recorder import Recorder, RecordingError, Split
from robot_mapping_qa.bag.truncated import is_truncated_mcap, TruncatedMcap
from robot_mapping_qa.messages.outputs import DIAGNOSTIC_PREFIX
from robot_mapping_qa.messages.topics import DIAGNOSTICS, EVENTS
from rosbags.interfaces import MessageDefinitionFormat
from rosbags.rosbag1 import Reader as Reader1
from rosbags.rosbag2 import Reader as Reader2
from rosbags.typesys import get_types_from_msg, get_typestore
from tqdm import tqdm

FILE_BYTES = 4_000_000_000
"""A new file from this size on: a file system for memory sticks (FAT32) takes none of 4 GiB."""

RECORDED = '/recorded'
"""Goes before the name of a topic on which both the source and the judgement speak."""

_ENCODINGS = {MessageDefinitionFormat.MSG: 'ros2msg', MessageDefinitionFormat.IDL: 'ros2idl'}
_DIAGNOSTICS_TYPE = DIAGNOSTICS.type


class _Topic(NamedTuple):
    """How the messages of a connection get into the new bag; ``convert`` may drop one."""

    name: str
    definition: Definition
    offered_qos: list[dict]
    convert: Callable[[bytes], bytes | None]


def check_free(path: Path) -> None:
    """Raise `RecordingError` where a new bag cannot be made at a path."""
    if path.exists():
        raise RecordingError(f'cannot write the bag {path}: it exists already')
    if not path.parent.is_dir():
        raise RecordingError(
            f'cannot write the bag {path}: the folder {path.parent} does not exist')


def write_annotated(source: Path, quality: Path, path: Path,
                    attachments: Sequence[Attachment] = (),
                    progress: bool = False) -> list[str]:
    """
    Write the new bag at ``path`` and return sentences about what could not be read.

    Every topic of the source is kept as it is, rosbag1 in its ROS 2 form. What it says on topics
    that the quality bag holds too is kept under `RECORDED` and their names, with one exception:
    of /diagnostics this package's own statuses are left out. Raises `RecordingError` or OSError;
    then, and on Ctrl-C, nothing is left behind.
    """
    check_free(path)
    warnings: list[str] = []
    with ExitStack() as stack:
        ours = stack.enter_context(Reader2(quality))
        taken = {connection.topic for connection in ours.connections}
        recorder = Recorder(path, split=Split(FILE_BYTES), attachments=attachments)
        try:
            sources = [_until_damage(reader, taken, recorder, warnings)
                       for reader in _opened(source, stack)]
            merged = heapq.merge(*sources, _quality_messages(ours, recorder),
                                 key=lambda message: message[1])
            for name, log_ns, data in tqdm(
                    merged, desc='annotating', unit=' messages', unit_scale=True, leave=False,
                    file=sys.stderr, disable=not progress):
                recorder.write(name, log_ns, data)
            recorder.close()
        except BaseException:
            recorder.abandon()
            shutil.rmtree(path, ignore_errors=True)
            raise
    return warnings


def _opened(source: Path, stack: ExitStack) -> list[Any]:
    """Open a bag that has been read before, also one whose recording was cut off."""
    if source.suffix == '.bag':
        return [stack.enter_context(Reader1(source))]
    files = [source] if source.is_file() else sorted(source.glob('*.mcap'))
    cut = [file for file in files if file.suffix == '.mcap' and is_truncated_mcap(file)]
    if source.is_file() or cut or not (source / 'metadata.yaml').is_file():
        files = files or sorted(source.glob('*.db3'))
        # rosbags asks for a path, and uses of it what `TruncatedMcap` has.
        given: list[Any] = [TruncatedMcap(file) if file in cut else file for file in files]
        return [stack.enter_context(Reader2(each)) for each in given]
    return [stack.enter_context(Reader2(source))]


def _until_damage(reader: Any, taken: set[str], recorder: Recorder,
                  warnings: list[str]) -> Iterator[tuple[str, int, bytes]]:
    """Announce the topics of a source, then yield name, log time and bytes in order."""
    topics = {}
    make = _Ros1Topics(reader) if isinstance(reader, Reader1) else _ros2_topic
    names = {connection.topic for connection in reader.connections}
    for connection in reader.connections:
        topic = make(connection)
        if topic.name == DIAGNOSTICS.name and topic.definition.type == _DIAGNOSTICS_TYPE:
            topic = topic._replace(convert=_without_own_statuses(topic.convert))
        elif topic.name in taken:
            recorded = RECORDED + topic.name
            if recorded in names:
                # The source is an annotated bag itself: this is the judgement in it.
                continue
            topic = topic._replace(name=recorded)
        recorder.add_topic(
            topic.name, topic.definition.type, topic.offered_qos, topic.definition)
        topics[connection.id] = topic

    def messages() -> Iterator[tuple[str, int, bytes]]:
        chosen = [each for each in reader.connections if each.id in topics]
        try:
            for connection, log_ns, data in reader.messages(chosen) if chosen else ():
                topic = topics[connection.id]
                converted = topic.convert(data)
                if converted is not None:
                    yield topic.name, log_ns, converted
        except Exception as error:
            # Damaged bytes raise whatever the place in the parser brings about.
            warnings.append(f'the annotated bag ends early, the source is damaged: {error}')
    return messages()


def _quality_messages(reader: Any, recorder: Recorder) -> Iterator[tuple[str, int, bytes]]:
    for connection in reader.connections:
        topic = _ros2_topic(connection)
        recorder.add_topic(
            topic.name, topic.definition.type, topic.offered_qos, topic.definition)
    store = get_typestore(STORE)

    def messages() -> Iterator[tuple[str, int, bytes]]:
        for connection, log_ns, data in reader.messages():
            if connection.topic == f'/{EVENTS.name}':
                for note in event_notes(store.deserialize_cdr(data, connection.msgtype)):
                    recorder.note(*note)
            yield connection.topic, log_ns, bytes(data)
    return messages()


def _ros2_topic(connection: Any) -> _Topic:
    text, kind = connection.msgdef.data, connection.msgtype
    encoding = _ENCODINGS.get(connection.msgdef.format, '')
    known = _standard(kind)
    if not encoding and known is not None:
        encoding, text = known.encoding, known.text
    type_hash = connection.digest or (known.hash if known else '')
    return _Topic(connection.topic, Definition(kind, encoding, text, type_hash),
                  [_qos(profile) for profile in connection.ext.offered_qos_profiles], bytes)


def _standard(type_name: str) -> Definition | None:
    try:
        return standard_definition(type_name)
    except LookupError:
        return None


class _Ros1Topics:
    """Makes ROS 2 topics of the connections of a rosbag1."""

    def __init__(self, reader: Any) -> None:
        self._store = get_typestore(STORE)
        for connection in reader.connections:
            found = get_types_from_msg(connection.msgdef.data, connection.msgtype)
            self._store.register({name: fields for name, fields in found.items()
                                  if name not in self._store.fielddefs})

    def __call__(self, connection: Any) -> _Topic:
        store, kind = self._store, connection.msgtype
        text, _ = store.generate_msgdef(kind, ros_version=2)
        name = connection.topic if connection.topic.startswith('/') else f'/{connection.topic}'
        return _Topic(name, Definition(kind, 'ros2msg', text, store.hash_rihs01(kind)), [],
                      lambda data: bytes(store.ros1_to_cdr(data, kind)))


def _without_own_statuses(convert: Callable[[bytes], bytes | None]
                          ) -> Callable[[bytes], bytes | None]:
    store = get_typestore(STORE)

    def strip(data: bytes) -> bytes | None:
        converted = convert(data)
        if converted is None:
            return None
        message: Any = store.deserialize_cdr(converted, _DIAGNOSTICS_TYPE)
        others = [status for status in message.status
                  if not status.name.startswith(DIAGNOSTIC_PREFIX)]
        if len(others) == len(message.status):
            return converted
        message.status[:] = others
        return bytes(store.serialize_cdr(message, _DIAGNOSTICS_TYPE)) if others else None
    return strip


def _qos(profile: Any) -> dict:
    """Return a profile of rosbags in the words of rosbag2's metadata.yaml."""
    def value(item: Any) -> Any:
        if hasattr(item, '_asdict'):
            return item._asdict()
        return item.name.lower() if hasattr(item, 'name') else item
    return {key: value(item) for key, item in profile._asdict().items()}
