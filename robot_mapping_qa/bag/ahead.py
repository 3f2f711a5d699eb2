# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
A second process that reads clouds and pictures while the messages before them are judged.

Messages wait in a short queue, in their order. The oldest of them whose contents will be wanted is
sent to the process as soon as that is free; what it has not begun when its turn comes is read
here. So is everything at first: for a few small clouds the process is not worth its start. The
same function on the same bytes gives the same numbers in both, so that the result does not depend
on who was faster.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import inf
from multiprocessing import Pipe
from multiprocessing.connection import Connection
import subprocess
import sys
from time import process_time
from typing import Any, Callable, Iterable, Iterator, Mapping, NamedTuple

from robot_mapping_qa.configuration import Configuration, Stream
from robot_mapping_qa.contents import cloud_reader, picture_reader, Reader

MOST_BYTES = 64_000_000
"""No more than this waits, but for a single message that is larger."""

LONGEST_NS = 500_000_000
"""No message waits for longer ones than this, in log time."""

WORTH_IT_S = 1.0
"""So much computing time they are read here first: the process needs 0.6 s for its start alone."""

_BROKEN = (EOFError, OSError)


class Content(NamedTuple):
    """How the contents of a stream are read, and how much time lies between those wanted."""

    read: Reader
    every_ns: int


@dataclass(slots=True, eq=False)
class _Waiting:
    """A message in the queue; ``is_due`` while its contents will be wanted and nobody began."""

    stream: Stream
    log_ns: int
    data: bytes
    is_due: bool = False
    is_known: bool = False
    told: Any = None


def contents_of(configuration: Configuration) -> dict[str, Content]:
    """Return what is read of clouds and pictures, by the names of their streams."""
    every_ns = round(configuration.degradation.geometry_every_s * 1e9)
    contents = {
        lidar.name: Content(cloud_reader(configuration.geometry), every_ns)
        for lidar in configuration.with_role('geometry') if lidar.timing_topic is None}
    if configuration.check_cameras:
        limits = configuration.image
        contents.update({
            camera.pictures.name: Content(
                picture_reader(camera.type, limits), round(1e9 / limits.sample_rate_hz))
            for camera in configuration.cameras})
    return contents


class Ahead:
    """
    Passes messages on, and has contents read by a process beside this one.

    Use as a context manager: at its end, whatever the reason, the process is gone. ``work`` is
    for `pose_input` and `picture_input`, `messages` goes around what is read from the bag.
    """

    def __init__(self, contents: Mapping[str, Content], after_s: float = 0.0) -> None:
        """
        Take what is read of which stream.

        The process starts with the first of them once reading here has taken ``after_s``.
        """
        self._contents = contents
        self._after_s = after_s if contents else inf
        self._taken_s = 0.0
        self._last_ns: dict[str, int] = {}
        # Less than what lies between two wanted messages: what was wanted otherwise than foreseen
        # is known before the next one is foreseen.
        self._span_ns = min((content.every_ns for content in contents.values()
                             if content.every_ns), default=LONGEST_NS)
        self._span_ns = min(self._span_ns, LONGEST_NS)
        self._queue: deque[_Waiting] = deque()
        self._bytes = 0
        self._due: deque[_Waiting] = deque()
        self._sent: _Waiting | None = None
        self._now: _Waiting | None = None
        self._process: subprocess.Popen | None = None
        self._connection: Connection | None = None
        self._is_started = self._is_ready = False

    def __enter__(self) -> Ahead:
        return self

    def __exit__(self, *error: object) -> None:
        self._end()

    def messages(self, source: Iterable[tuple[Stream, int, bytes]],
                 ) -> Iterator[tuple[Stream, int, bytes]]:
        """Yield the same messages in the same order, those behind already begun with."""
        queue = self._queue
        for stream, log_ns, data in source:
            if self._taken_s < self._after_s:
                yield stream, log_ns, data
                continue
            while queue and (not 0 <= log_ns - queue[0].log_ns < self._span_ns
                             or self._bytes + len(data) > MOST_BYTES):
                yield self._next()
            self._add(_Waiting(stream, log_ns, data))
        while queue:
            yield self._next()

    def work(self, data: bytes, read: Reader, done: Callable[[Any], None]) -> None:
        """Hand over what the message tells that was passed on last."""
        now = self._now
        if now is None or now.data is not data:
            done(self._read(data, read))
            return
        if now is self._sent:
            self._receive()
        if now.is_known:
            done(now.told)
            return
        # The process is busy, or this one was not foreseen.
        self._last_ns[now.stream.name] = now.log_ns
        done(self._read(data, read))

    def _read(self, data: bytes, read: Reader) -> Any:
        begin_s = process_time()
        told = read(data)
        self._taken_s += process_time() - begin_s
        return told

    def _add(self, message: _Waiting) -> None:
        self._queue.append(message)
        self._bytes += len(message.data)
        name = message.stream.name
        content = self._contents.get(name)
        if content is not None:
            last_ns = self._last_ns.get(name)
            if last_ns is None or not 0 <= message.log_ns - last_ns < content.every_ns:
                self._last_ns[name] = message.log_ns
                message.is_due = True
                self._due.append(message)
        if self._due:
            self._send()

    def _next(self) -> tuple[Stream, int, bytes]:
        """Take the oldest message out of the queue."""
        self._now = message = self._queue.popleft()
        self._bytes -= len(message.data)
        if message.is_due:
            self._due.popleft()
            message.is_due = False
        return message.stream, message.log_ns, message.data

    def _send(self) -> None:
        """Send the oldest message that is due, if the process is free."""
        if not self._is_started:
            self._start()
        connection = self._connection
        try:
            if connection is None or not self._is_free(connection):
                return
            message = self._due.popleft()
            message.is_due = False
            connection.send(message.stream.name)
            connection.send_bytes(message.data)
            self._sent = message
        except _BROKEN:
            self._do_without()

    def _is_free(self, connection: Connection) -> bool:
        if self._is_ready and self._sent is None:
            return True
        if not connection.poll():
            return False
        self._receive()
        return self._connection is not None

    def _receive(self) -> None:
        """Wait for what the process says: first that it has started, then what messages tell."""
        connection, sent = self._connection, self._sent
        if connection is None:
            return
        try:
            told = connection.recv()
        except _BROKEN:
            self._do_without()
            return
        self._is_ready, self._sent = True, None
        if sent is not None:
            sent.told, sent.is_known = told, True

    def _start(self) -> None:
        self._is_started = True
        try:
            self._connection, theirs = Pipe()
            with theirs:
                # In a session of its own, so that Ctrl-C is for this process alone, which ends it.
                self._process = subprocess.Popen(
                    [sys.executable, '-m', 'robot_mapping_qa.bag.ahead'], stdin=theirs.fileno(),
                    stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True)
            self._connection.send(
                {name: content.read for name, content in self._contents.items()})
        except _BROKEN:
            self._do_without()

    def _do_without(self) -> None:
        """Read everything here: there is no process, as where memory is short."""
        self._sent = None
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _end(self) -> None:
        self._do_without()
        if self._process is not None:
            self._process.kill()
            self._process.wait()


def serve(connection: Connection) -> None:
    """Read what is sent until the other end is closed."""
    readers = connection.recv()
    connection.send(None)
    while True:
        read = readers[connection.recv()]
        connection.send(read(connection.recv_bytes()))


if __name__ == '__main__':
    try:
        # One end of a pair of sockets stands in for the standard input.
        serve(Connection(0))
    except _BROKEN:
        sys.exit(0)
