# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
A recorder in a thread of its own, so that a slow disk holds nobody up and a full one harms nobody.

Messages wait in memory for their turn. Everything is seen onto the medium every `FLUSH_S`: of a
process that is killed, a disk that keeps up has all but the last second.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from functools import partial
import os
import queue
import threading
import time
from typing import Callable, Mapping, NamedTuple, Sequence

from robot_mapping_qa.bag.definitions import Define
from robot_mapping_qa.bag.disk_space import DiskLimits, RateOfGrowth, remaining_s
from robot_mapping_qa.bag.recorder import Recorder, RecordingError

FLUSH_S = 0.5
"""Half of the second that may be lost: the other half is for the disk to do it."""

LARGEST_BACKLOG_BYTES = 256 * 1024 * 1024
"""Messages waiting for the disk: some three seconds of a raw camera stream of 90 MB/s."""

CLOSE_S = 10.0
"""A disk that finishes nothing for so long at the end is not waited for any longer."""


@dataclass(frozen=True, slots=True)
class RecordingState:
    """
    What a recording is doing.

    ``stopped`` says in words why it ended of itself, None while it goes on. Unknown figures are
    None; ``lost`` counts messages that came and were not recorded, ``behind_s`` is how long
    messages lately waited to be written, or wait now. ``turn_s`` is for how long the writing
    thread has finished nothing: at most about `FLUSH_S` where the disk answers.
    """

    free_bytes: int | None = None
    written_bytes: int = 0
    rate_bytes_per_s: float | None = None
    remaining_s: float | None = None
    messages: int = 0
    lost: int = 0
    behind_s: float = 0.0
    turn_s: float = 0.0
    stopped: str | None = None


class _Message(NamedTuple):
    topic: str
    log_time_ns: int
    data: bytes
    publish_time_ns: int | None


class BackgroundRecorder:
    """Takes messages from one thread and writes them in another."""

    def __init__(self, recorder: Recorder, define: Define, limits: DiskLimits,
                 backlog_bytes: int = LARGEST_BACKLOG_BYTES) -> None:
        """Own the recorder from now on; ``define`` finds the definitions of message types."""
        self._recorder = recorder
        self._define = define
        self._limits = limits
        self._backlog_bytes = backlog_bytes
        self._queue: queue.SimpleQueue = queue.SimpleQueue()
        # Each is written by one thread only: their difference is what waits.
        self._put_bytes = self._taken_bytes = 0
        self._overflowed = self._discarded = 0
        self._behind_s = 0.0
        # When each message was given that is not written yet, in the order of the queue.
        self._given_s: deque[float] = deque()
        self._growth = RateOfGrowth()
        self._state = RecordingState()
        self._measure()
        self._turn_s = time.monotonic()
        self._thread = threading.Thread(target=self._run, name='recording', daemon=True)
        self._thread.start()

    @property
    def state(self) -> RecordingState:
        """
        What the recording is doing.

        What a hanging disk would keep from being told is found out now, by the caller; the rest
        is at most `FLUSH_S` old while the disk answers.
        """
        now_s = time.monotonic()
        try:
            waiting_s = now_s - self._given_s[0]
        except IndexError:
            waiting_s = 0.0
        state = self._state
        return replace(
            state, lost=self._overflowed + self._discarded,
            behind_s=max(state.behind_s, waiting_s), turn_s=now_s - self._turn_s)

    def add_topic(self, topic: str, type_name: str, offered_qos: Sequence[Mapping] = ()) -> None:
        """Announce a topic, see `Recorder.add_topic`; raises `RecordingError`."""
        try:
            definition = self._define(type_name)
        except LookupError as error:
            raise RecordingError(f'{topic}: {error}') from error
        self._queue.put(lambda: self._recorder.add_topic(
            topic, type_name, offered_qos, definition))

    def write(self, topic: str, log_time_ns: int, data: bytes,
              publish_time_ns: int | None = None) -> None:
        """Append a message, or count it as lost where too much is waiting for the disk."""
        size = len(data)
        if self._put_bytes - self._taken_bytes + size > self._backlog_bytes:
            self._overflowed += 1
            return
        self._put_bytes += size
        self._given_s.append(time.monotonic())
        self._queue.put(_Message(topic, log_time_ns, data, publish_time_ns))

    def note(self, name: str, values: Mapping[str, str]) -> None:
        """Append an MCAP metadata record."""
        self._queue.put(lambda: self._recorder.note(name, values))

    def close(self) -> bool:
        """
        Write what is waiting and finish the bag; return whether it came to that.

        False where the disk finishes nothing for `CLOSE_S`: what was flushed is kept, without an
        index. The thread ends with the process.
        """
        self._queue.put(None)
        while self._thread.is_alive():
            left_s = self._turn_s + CLOSE_S - time.monotonic()
            if left_s <= 0.0:
                return False
            self._thread.join(left_s)
        return True

    def _run(self) -> None:
        flush_s = time.monotonic() + FLUSH_S
        while True:
            try:
                work = self._queue.get(timeout=max(0.0, flush_s - time.monotonic()))
            except queue.Empty:
                pass
            else:
                if work is None:
                    break
                self._take(work)
            if time.monotonic() >= flush_s:
                if self._state.stopped is None:
                    self._try(self._flush)
                else:
                    self._measure(self._state.stopped)
                flush_s = time.monotonic() + FLUSH_S
            self._turn_s = time.monotonic()
        if self._state.stopped is None:
            self._end(None)

    def _take(self, work: _Message | Callable[[], None]) -> None:
        job: Callable[[], object]
        if isinstance(work, _Message):
            self._taken_bytes += len(work.data)
            job = partial(self._recorder.write, work.topic, work.log_time_ns, work.data,
                          work.publish_time_ns)
        else:
            job = work
        if self._state.stopped is None:
            self._try(job)
        else:
            self._discarded += isinstance(work, _Message)
        if isinstance(work, _Message):
            self._behind_s = max(self._behind_s, time.monotonic() - self._given_s.popleft())

    def _try(self, work: Callable[[], object]) -> None:
        try:
            work()
        except Exception as error:
            # Whatever it is, the node goes on, and what was written before is kept.
            self._give_up(error)
        else:
            if self._recorder.disk_is_full and self._state.stopped is None:
                self._end('the disk is full')

    def _flush(self) -> None:
        self._recorder.flush()
        self._measure()
        free, least = self._state.free_bytes, self._limits.stop_bytes
        if free is not None and free < least:
            self._end(f'{free / 1e6:.0f} MB are left on the disk (limit {least / 1e6:.0f} MB)')

    def _end(self, reason: str | None) -> None:
        try:
            self._recorder.close()
        except Exception as error:
            self._give_up(error)
        else:
            self._measure(reason)

    def _give_up(self, error: Exception) -> None:
        said = getattr(error, 'strerror', None) or str(error) or type(error).__name__
        try:
            self._recorder.abandon()
        except OSError:
            # The disk is gone: there is nothing left to close.
            pass
        self._measure(f'the bag cannot be written: {said}')

    def _measure(self, stopped: str | None = None) -> None:
        try:
            disk = os.statvfs(self._recorder.path)
            free = disk.f_bavail * disk.f_frsize
        except OSError:
            free = None
        written = self._recorder.written_bytes
        self._growth.add(time.monotonic(), written)
        rate = self._growth.bytes_per_s
        self._state = RecordingState(
            free, written, rate, remaining_s(free, rate, self._limits),
            self._recorder.message_count, behind_s=self._behind_s, stopped=stopped)
        self._behind_s = 0.0
