# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The file metadata.yaml of a rosbag2 bag, version 9 (Jazzy and later)."""

from __future__ import annotations

import os
from pathlib import Path, PurePath
from typing import Any, Mapping, NamedTuple, Sequence

from robot_mapping_qa.bag.mcap_file import RecordedTopic
import yaml

METADATA_FILE = 'metadata.yaml'

BAG_VERSION = 9
"""Quality of service as words and a list; type hashes came with version 7."""


class FileFacts(NamedTuple):
    """What metadata.yaml says about a storage file; times in ns, None without a message."""

    name: str
    start_ns: int | None
    end_ns: int | None
    message_count: int


def bag_information(files: Sequence[FileFacts], topics: Sequence[RecordedTopic],
                    counts: Mapping[str, int]) -> dict[str, Any]:
    """Return what rosbag2 keeps about a bag; ``counts`` are messages by topic name."""
    starts = [file.start_ns for file in files if file.start_ns is not None]
    ends = [file.end_ns for file in files if file.end_ns is not None]
    return {
        'version': BAG_VERSION,
        'storage_identifier': 'mcap',
        'duration': {'nanoseconds': max(ends) - min(starts) if starts else 0},
        'starting_time': {'nanoseconds_since_epoch': min(starts, default=0)},
        'message_count': sum(file.message_count for file in files),
        'topics_with_message_count': [_topic(topic, counts[topic.name]) for topic in topics],
        'compression_format': '',
        'compression_mode': '',
        'relative_file_paths': [file.name for file in files],
        'files': [{
            'path': file.name,
            'starting_time': {'nanoseconds_since_epoch': file.start_ns or 0},
            'duration': {'nanoseconds': (file.end_ns or 0) - (file.start_ns or 0)},
            'message_count': file.message_count} for file in files],
        'custom_data': None,
        'ros_distro': os.environ.get('ROS_DISTRO', 'unknown'),
    }


METADATA_ERRORS = (OSError, yaml.YAMLError, KeyError, TypeError)
"""What `read_metadata` raises, and looking into what it returned."""


def read_metadata(folder: Path) -> dict[str, Any]:
    """Return what metadata.yaml in a bag's folder says; raises `METADATA_ERRORS`."""
    metadata = yaml.safe_load((folder / METADATA_FILE).read_text(encoding='utf-8'))
    return metadata['rosbag2_bagfile_information']


def missing_parts(folder: Path) -> list[str]:
    """List the files that metadata.yaml names and that are not in the bag's folder."""
    try:
        names = [PurePath(path).name for path in read_metadata(folder)['relative_file_paths']]
    except METADATA_ERRORS:
        return []
    return [name for name in names if not (folder / name).exists()]


def as_yaml(information: Mapping[str, Any]) -> str:
    """Return the information as text."""
    return yaml.safe_dump(information, sort_keys=False)


def write_metadata(folder: Path, information: Mapping[str, Any]) -> None:
    """Put metadata.yaml into the bag's folder, complete or not at all."""
    scratch = folder / f'.{METADATA_FILE}.unfinished'
    with scratch.open('w', encoding='utf-8') as file:
        file.write(as_yaml({'rosbag2_bagfile_information': information}))
        file.flush()
        os.fsync(file.fileno())
    scratch.replace(folder / METADATA_FILE)
    sync_folder(folder)


def sync_folder(folder: Path) -> None:
    """See the names of the files in a folder onto the medium."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _topic(topic: RecordedTopic, count: int) -> dict:
    return {
        'topic_metadata': {
            'name': topic.name,
            'type': topic.definition.type,
            'serialization_format': 'cdr',
            'offered_qos_profiles': [dict(profile) for profile in topic.offered_qos],
            'type_description_hash': topic.definition.hash},
        'message_count': count}
