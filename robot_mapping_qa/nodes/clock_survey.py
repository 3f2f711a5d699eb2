# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What `sync_monitor` learns of the clocks beyond one-way data: motion, time server, host."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
import time
from typing import Any, Callable, Iterable, Mapping

from robot_mapping_qa.configuration import Configuration, Stream
from robot_mapping_qa.host.host_clock import HostClockWatch
from robot_mapping_qa.host.time_server_client import TimeServerClient
from robot_mapping_qa.messages.angular_velocity import (
    angular_velocity_reader, AngularVelocity)
from robot_mapping_qa.messages.clock_outputs import (
    comparison_diagnostic, host_diagnostic, sets_diagnostic, time_server_diagnostic)
from robot_mapping_qa.messages.factory import MessageFactory
from robot_mapping_qa.messages.serialized import MalformedMessage
from robot_mapping_qa.timing.angular_velocity import PeakTurnRate
from robot_mapping_qa.timing.comparison import compare, offset_sentence
from robot_mapping_qa.timing.cross_check import CrossCheck
from robot_mapping_qa.timing.figures import StreamFigures
from robot_mapping_qa.timing.motion_offset import MotionOffset, MotionOffsetEstimate
from robot_mapping_qa.timing.sets import set_queue, SET_ROLES, SetStatistics
from robot_mapping_qa.timing.two_way import Sample
from robot_mapping_qa.verdicts import Event

WINDOW_S = 40.0
"""Long enough to hold some turns, short enough to follow two drifting clocks."""

ESTIMATE_EVERY_S = 5.0
"""The offset of a clock does not move faster."""

EARLIER_S = 60.0
"""A comparison is held against that of a minute before, to see a delay that changed."""


class ClockSurvey:
    """The two further ways of measuring an offset, and how the three agree."""

    def __init__(self, configuration: Configuration, simulated_time: bool) -> None:
        """
        Start the background threads of the time server and the host clock.

        Under simulated time neither says anything about the stamps: both are left out.
        """
        self._configuration = configuration
        unit = configuration.pose_stream
        self._unit_name = unit.name
        self._client = (TimeServerClient(unit.time_server)
                        if unit.time_server and not simulated_time else None)
        self._server_said = ''
        self._host = None if simulated_time else HostClockWatch()
        # A stream that is timed by another topic shows no motion there.
        self._motion = {s.name: MotionOffset(WINDOW_S) for s in configuration.with_role('motion')
                        if s.timing_topic is None}
        self._estimates: dict[str, MotionOffsetEstimate] = {}
        self._due_s = 0.0
        # An estimate takes tens of milliseconds, on a busy computer far more: the verdicts, for
        # which the gate waits, must not wait for it.
        self._worker = ThreadPoolExecutor(1, 'motion_offset')
        self._running: dict[str, Future[MotionOffsetEstimate]] = {}
        self._set_streams = configuration.with_role(*SET_ROLES)
        self._sets = (SetStatistics(len(self._set_streams),
                                    set_queue(s.rate_hz for s in self._set_streams),
                                    round(configuration.timing.set_slop_s * 1e9))
                      if len(self._set_streams) > 1 else None)
        self._peak_turn_rate = PeakTurnRate(configuration.pose.max_turn_rate_radps)
        self._checks: dict[str, CrossCheck] = {}
        self._former: list[tuple[float, Mapping[str, CrossCheck]]] = []

    def taker(self, stream: Stream) -> Callable[[int, int, bytes], None]:
        """Return what to call with (stamp, receive time, bytes) of each message of a stream."""
        takers: list[Callable[[int, int, bytes], None]] = []
        if self._sets is not None and stream in self._set_streams:
            place, sets = self._set_streams.index(stream), self._sets
            takers.append(lambda stamp_ns, receive_ns, _data: sets.add(
                place, stamp_ns, receive_ns))
        if stream.role == 'pose':
            takers.append(self._unit_taker(stream))
        elif stream.name in self._motion:
            takers.append(self._motion_taker(stream))

        def take(stamp_ns: int, receive_ns: int, data: bytes) -> None:
            for one in takers:
                one(stamp_ns, receive_ns, data)
        return take

    def _motion_taker(self, stream: Stream) -> Callable[[int, int, bytes], None]:
        offset, read = self._motion[stream.name], _rate_reader(stream)

        def take(_stamp_ns: int, _receive_ns: int, data: bytes) -> None:
            rate = read(data)
            if rate is not None:
                offset.add_stream(*rate)
        return take

    def _unit_taker(self, stream: Stream) -> Callable[[int, int, bytes], None]:
        read = _rate_reader(stream)

        def take(_stamp_ns: int, _receive_ns: int, data: bytes) -> None:
            rate = read(data)
            if rate is None:
                return
            for offset in self._motion.values():
                offset.add_reference(*rate)
            self._peak_turn_rate.add(*rate)
        return take

    def happened(self, events: Iterable[Event]) -> None:
        """Forget the motion of a clock that stepped: stamps before and after do not compare."""
        for event in events:
            if event.kind in ('clock_step', 'time_restarted'):
                for name, offset in self._motion.items():
                    if event.subject in (name, self._unit_name, 'host'):
                        offset.clear()
                        self._estimates.pop(name, None)
                        self._running.pop(name, None)

    def update(self, figures: Mapping[str, StreamFigures], silent: Iterable[str]) -> None:
        """Compare what is known now; call about once a second with every stream's figures."""
        now_s = time.monotonic()
        for name in [name for name, future in self._running.items() if future.done()]:
            self._estimates[name] = self._running.pop(name).result()
        if now_s >= self._due_s and not self._running:
            self._due_s = now_s + ESTIMATE_EVERY_S
            self._running = {name: self._worker.submit(offset.snapshot())
                             for name, offset in self._motion.items()}
        two_way = None
        if self._client is not None:
            for event in self._client.take_events():
                self._server_said = '' if isinstance(event, Sample) else event.text
            two_way = self._client.figures()
        earlier = next(
            (checks for at_s, checks in self._former if now_s - at_s >= EARLIER_S), None)
        quiet = set(silent)
        self._checks = compare(
            self._unit_name, {n: f for n, f in figures.items() if n not in quiet},
            self._estimates, two_way, motion_age_s=0.5 * WINDOW_S, earlier=earlier)
        # Newest first; nothing older than the one that is still wanted is kept.
        self._former.insert(0, (now_s, self._checks))
        while len(self._former) > 1 and now_s - self._former[-2][0] >= EARLIER_S:
            self._former.pop()

    def sentence(self, name: str, figures: StreamFigures) -> str | None:
        """Say where a stream's stamps lie and what that costs on the structure."""
        return offset_sentence(name, figures, self._peak_turn_rate.radps,
                               self._configuration.working_distance_m, self._checks.get(name))

    def statuses(self, factory: MessageFactory) -> list[Any]:
        """Return comparison, time server, host and sets for /diagnostics."""
        statuses = [comparison_diagnostic(factory, check) for check in self._checks.values()]
        if self._client is not None:
            statuses.append(time_server_diagnostic(
                factory, str(self._client.address), self._client.figures(), self._client.reach,
                self._server_said))
        host = self._host.latest() if self._host is not None else None
        if host is not None:
            statuses.append(host_diagnostic(factory, host))
        if self._sets is not None:
            statuses.append(sets_diagnostic(
                factory, [s.name for s in self._set_streams], self._sets.summary()))
        return statuses

    def close(self) -> None:
        """End the background threads."""
        self._worker.shutdown(cancel_futures=True)
        if self._client is not None:
            self._client.close()
        if self._host is not None:
            self._host.close()


def _rate_reader(stream: Stream) -> Callable[[bytes], AngularVelocity | None]:
    """Return what reads stamp and angular velocity; None where they are not known."""
    read = angular_velocity_reader(stream.type)

    def rate(data: bytes) -> AngularVelocity | None:
        try:
            return read(data)
        except MalformedMessage:
            # Counted where the stamp is read.
            return None
    return rate
