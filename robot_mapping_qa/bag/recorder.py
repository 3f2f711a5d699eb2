# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Writing serialized messages to a rosbag2 MCAP bag as they come."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
import shutil
from typing import Any, Mapping, Sequence

from robot_mapping_qa.bag.bag_metadata import (
    as_yaml, bag_information, FileFacts, sync_folder, write_metadata)
from robot_mapping_qa.bag.definitions import Define, Definition, standard_definition
from robot_mapping_qa.bag.mcap_file import Attachment, McapFile, RecordedTopic, RecordingError
from robot_mapping_qa.bag.space_reserve import SpaceReserve

__all__ = ['Recorder', 'RecordingError', 'Split']


@dataclass(frozen=True, slots=True)
class Split:
    """When a bag goes on in a new file: at a size in bytes or a span of log time in ns."""

    size_bytes: int | None = None
    span_ns: int | None = None


class Recorder:
    """
    One rosbag2 bag that grows by serialized messages; close it to finish its index.

    ``disk_is_full`` says that the disk was found full: the recorder has then written what it was
    given into space that it had kept back, and must be closed. After an OSError from any call,
    `abandon` keeps what was written before.
    """

    def __init__(self, path: str | Path, define: Define = standard_definition,
                 split: Split = Split(), attachments: Sequence[Attachment] = (),
                 created_ns: int = 0) -> None:
        """
        Create the bag's folder; each of its files holds the attachments, dated ``created_ns``.

        ``define`` finds message definitions. Raises `RecordingError` where the folder exists
        already or cannot be made.
        """
        self.path = Path(path)
        self.message_count = 0
        self._define = define
        self._split = split
        self._attachments = tuple(attachments)
        self._created_ns = created_ns
        self._topics: dict[str, RecordedTopic] = {}
        self._counts: dict[str, int] = {}
        self._finished: list[FileFacts] = []
        self._finished_bytes = 0
        self._file: McapFile | None = None
        self.disk_is_full = False
        self._create()

    def _create(self) -> None:
        if not self.path.parent.is_dir():
            raise RecordingError(f'cannot write the bag {self.path}: the folder '
                                 f'{self.path.parent} does not exist')
        try:
            self.path.mkdir()
        except FileExistsError:
            raise RecordingError(
                f'cannot write the bag {self.path}: it exists already') from None
        except OSError as error:
            raise RecordingError(
                f'cannot write the bag {self.path}: {error.strerror}') from error
        try:
            self._reserve = SpaceReserve(self.path)
            self._file = self._new_file()
        except (OSError, RecordingError) as error:
            # It holds nothing yet that could be lost.
            shutil.rmtree(self.path, ignore_errors=True)
            said = error.strerror if isinstance(error, OSError) else error
            raise RecordingError(f'cannot write the bag {self.path}: {said}') from error

    @property
    def written_bytes(self) -> int:
        """How many bytes the bag's files hold."""
        return self._finished_bytes + (self._file.size if self._file else 0)

    def add_topic(self, topic: str, type_name: str, offered_qos: Sequence[Mapping] = (),
                  definition: Definition | None = None) -> None:
        """
        Announce a topic, or tell the quality of service that its publishers offer.

        The latter counts until the topic's first message. ``definition`` stands in for the
        recorder's own way to find it. Raises `RecordingError` where that finds nothing.
        """
        known = self._topics.get(topic)
        if known is not None and self._counts[topic]:
            return
        if definition is None:
            try:
                definition = known.definition if known else self._define(type_name)
            except LookupError as error:
                raise RecordingError(f'{topic}: {error}') from error
        self._topics[topic] = RecordedTopic(topic, definition, tuple(offered_qos))
        self._counts.setdefault(topic, 0)

    def write(self, topic: str, log_time_ns: int, data: bytes,
              publish_time_ns: int | None = None) -> None:
        """Append a serialized message of an announced topic; its times are host time in ns."""
        file = self._file_for(log_time_ns)
        file.write(self._topics[topic], log_time_ns,
                   log_time_ns if publish_time_ns is None else publish_time_ns, data)
        self._counts[topic] += 1
        self.message_count += 1
        self.disk_is_full |= file.disk_is_full

    def note(self, name: str, values: Mapping[str, str]) -> None:
        """Append an MCAP metadata record."""
        if self._file is None:
            self._file = self._new_file()
        self._file.note(name, values)
        self.disk_is_full |= self._file.disk_is_full

    def flush(self) -> None:
        """See everything onto the medium: neither a kill nor a power cut takes it back."""
        if self._file is not None:
            self._file.flush()
            self.disk_is_full |= self._file.disk_is_full

    def close(self) -> None:
        """Write the index and ``metadata.yaml``."""
        # The index is what the space was kept for.
        self._reserve.release()
        self._finish_file()
        write_metadata(self.path, self._information())

    def abandon(self) -> None:
        """Close a bag that can be written no more; what was flushed is kept, without an index."""
        self._reserve.release()
        if self._file is not None:
            self._file.abandon()
            self._file = None

    def _information(self, *more: FileFacts) -> dict[str, Any]:
        return bag_information(
            [*self._finished, *more], list(self._topics.values()), self._counts)

    def _file_for(self, log_time_ns: int) -> McapFile:
        file = self._file
        if file is not None and file.message_count and self._is_over(file, log_time_ns):
            self._finish_file()
            file = None
        if file is None:
            file = self._file = self._new_file()
        return file

    def _is_over(self, file: McapFile, log_time_ns: int) -> bool:
        size, span_ns = self._split.size_bytes, self._split.span_ns
        return (size is not None and file.size >= size) or (
            span_ns is not None and file.start_ns is not None
            and log_time_ns - file.start_ns >= span_ns)

    def _new_file(self) -> McapFile:
        # rosbag2 numbers the files of a bag like this.
        name = f'{self.path.name}_{len(self._finished)}.mcap'
        file = McapFile(self.path / name, self._reserve, self._attachments, self._created_ns)
        sync_folder(self.path)
        return file

    def _finish_file(self) -> None:
        if self._file is None:
            return
        file = self._file
        facts = FileFacts(file.path.name, file.start_ns, file.end_ns, file.message_count)
        file.note('rosbag2', {'serialized_metadata': as_yaml(self._information(facts))})
        file.finish()
        self._finished.append(facts)
        self._finished_bytes += file.size
        self._file = None
