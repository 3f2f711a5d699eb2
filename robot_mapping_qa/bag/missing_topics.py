# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What a bag holds in place of a topic that is not in it, in words."""

from __future__ import annotations

from typing import Collection, Iterable, NamedTuple

from robot_mapping_qa.configuration.model import ROLE_TYPES, Stream


class Topic(NamedTuple):
    """A topic of a bag with the types that it has there."""

    name: str
    types: tuple[str, ...]
    messages: int


def no_pose(stream: Stream, topics: Iterable[Topic]) -> str:
    """Return that the pose is missing and which topics could be it."""
    types = ROLE_TYPES['pose'] or ()
    fitting = _fitting(topics, types)
    found = f'topics that could be it: {fitting}' if fitting else (
        'it has no topic of the type ' + ' or '.join(types))
    return (f'no messages on {stream.topic}, the pose of the mapping unit (stream {stream.name}); '
            f'{found}')


def no_stream(stream: Stream, topics: Iterable[Topic], picture: Topic | None) -> str:
    """
    Return that a stream is missing and which of the topics could be it.

    ``topics`` are those that no other stream takes; ``picture`` is the heavy topic of a stream
    that is timed by a light one, where the bag holds it.
    """
    text = (f'no messages on {stream.watched_topic} (stream {stream.name}); it is assessed as '
            'never seen')
    fitting = _fitting(topics, (stream.watched_type,))
    if fitting:
        text += f'; topics that could be it: {fitting}'
    if picture is not None:
        text += (f'. The bag does hold {picture.name}: without the key timing_topic the stream is '
                 'timed by that')
    return text


def _fitting(topics: Iterable[Topic], types: Collection[str]) -> str:
    return ', '.join(
        f'{topic.name} ({kind}, {topic.messages} messages)'
        for topic in sorted(topics) if topic.messages for kind in topic.types if kind in types)
