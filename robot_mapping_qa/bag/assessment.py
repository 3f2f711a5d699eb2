# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
The live judgement repeated over a bag: the same monitors and the same gate, by log time.

Nothing here reads a clock or a file, so two runs over the same messages give the same result.
"""

from __future__ import annotations

from typing import Callable, Protocol, Sequence

from robot_mapping_qa.bag.motion import RecordedMotion
from robot_mapping_qa.bag.operator_acts import OPERATOR, OperatorActs
from robot_mapping_qa.bag.traces import OffsetTrace, PathTrace, PeakTrace, SigmaTraces
from robot_mapping_qa.camera_inputs import picture_input
from robot_mapping_qa.capture.causes import CAMERAS, MONITORS
from robot_mapping_qa.capture.gate import (
    changes_the_gate, Decision, Gate, Hold, leaves_the_gate_alone)
from robot_mapping_qa.capture.ledger import Capture, Ledger
from robot_mapping_qa.capture.redo import redo_places, RedoPlace
from robot_mapping_qa.capture.time_error import time_error
from robot_mapping_qa.configuration import Configuration, Stream
from robot_mapping_qa.contents import at_once, Work
from robot_mapping_qa.messages.serialized import MalformedMessage, POSE_READERS, read_stamp
from robot_mapping_qa.monitors import (
    make_camera_monitor, make_pose_monitor, make_timing_monitor)
from robot_mapping_qa.pose_inputs import pose_input, Take
from robot_mapping_qa.rates import first_tick_ns, TICK_NS
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.restart import LEAP_NS
from robot_mapping_qa.timing.comparison import compare
from robot_mapping_qa.timing.cross_check import CrossCheck
from robot_mapping_qa.timing.motion_offset import MotionOffsetEstimate
from robot_mapping_qa.timing.sets import set_queue, SET_ROLES, SetStatistics, SetSummary
from robot_mapping_qa.verdicts import Event, Verdict
from robot_mapping_qa.views import capture_views

OFFSETS_NS = 1_000_000_000
"""Clock offsets are kept for the report this often: they move by microseconds a second."""

SILENCE_NS = 60_000_000_000
"""So much of a leap of the log time passes in ticks, which shows that all streams are silent."""

COMPARABLE_NS = 10_000_000_000
"""Clocks are compared at the end: one silent for longer may have drifted 0.5 ms at 50 ppm."""


class Observer(Protocol):
    """Someone who wants to see the judgement while it goes on, such as the annotated bag."""

    def happened(self, events: Sequence[Event], now_ns: int) -> None:
        """Take events at the host time at which they were found."""

    def decided(self, decision: Decision, hold: Hold | None) -> None:
        """Take the state of the gate after an update."""

    def ticked(self, assessment: Assessment, now_ns: int) -> None:
        """Look at everything once a tick."""


class Assessment:
    """
    The judgement of one recording.

    Feed the messages in the order of their log time: `take` for each, `finish` at the end. In
    between, time passes in the ticks of the live nodes, also where the bag holds nothing, so
    that silence shows.
    """

    def __init__(self, configuration: Configuration, start_ns: int,
                 observer: Observer | None = None, work: Work = at_once) -> None:
        """Begin at ``start_ns``, the log time of the first message; ``work`` reads contents."""
        self.configuration = configuration
        self._work = work
        self.start_ns = start_ns
        self.end_ns = start_ns
        self.timing = make_timing_monitor(configuration)
        self.pose = make_pose_monitor(configuration)
        self.cameras = make_camera_monitor(configuration) if configuration.check_cameras else None
        self.events: list[Event] = []
        self.path = PathTrace()
        self.point_error = PeakTrace()
        self.sigmas = SigmaTraces()
        self._observer = observer
        views = capture_views(configuration)
        self._gate = Gate(configuration.gate, configuration.point_error_limit_m, start_ns,
                          configuration.pose_stream.name, views,
                          {**MONITORS, **(CAMERAS if configuration.check_cameras else {})},
                          configuration.useful_streams)
        self.holds: list[Hold] = [
            hold for hold in (self._gate.hold_now,) if hold is not None]
        self.timing_verdict: Verdict | None = None
        self.pose_verdict: Verdict | None = None
        self._next_tick_ns = first_tick_ns(start_ns)
        self._last_ns = start_ns
        self._unit_pose: Odometry | None = None
        self.set_streams = configuration.with_role(*SET_ROLES)
        self.set_queue = set_queue(stream.rate_hz for stream in self.set_streams)
        self._sets = SetStatistics(len(self.set_streams), self.set_queue,
                                   round(configuration.timing.set_slop_s * 1e9), window=None)
        self.motion = RecordedMotion(configuration, self.timing)
        self.offsets = {stream.name: OffsetTrace() for stream in configuration.streams}
        self._next_offsets_ns = start_ns
        self._ledger = Ledger(
            configuration.point_error_limit_m, views, configuration.pose.stale_s)
        self._takers = {stream.name: self._taker(stream) for stream in configuration.streams}
        self._operator = OperatorActs(self._gate, self.pose)
        self._takers[OPERATOR.name] = self._take_acts
        self._let_cameras_be_seen()
        # Here the monitors are there from the start: none has to be waited for.
        for monitor in (self.timing, self.pose, self.cameras):
            if monitor is not None:
                self._gate.receive(monitor.verdict(start_ns))
        self._captures: list[Capture] | None = None
        self._motion_offsets: dict[str, MotionOffsetEstimate] = {}

    def take(self, stream: Stream, log_ns: int, data: bytes) -> None:
        """Take a serialized message; before it, the ticks up to its log time happen."""
        opens_ns = self._gate.opens_ns
        if log_ns >= self._next_tick_ns or opens_ns is not None and log_ns >= opens_ns:
            self._pass_time(log_ns)
        elif log_ns < self._last_ns - TICK_NS:
            # The log time went back: so does the time of the ticks.
            self._next_tick_ns = first_tick_ns(log_ns)
        self._last_ns = log_ns
        self._takers[stream.name](log_ns, data)

    def finish(self, end_ns: int) -> None:
        """Let the time up to the end of the bag pass."""
        self._pass_time(end_ns)
        self.end_ns = max(end_ns, self._last_ns)
        self.holds[-1].at_end = True
        self.timing.refresh()
        self.motion.finish()
        self._motion_offsets = self.motion.offsets(self.end_ns)

    @property
    def unreadable_acts(self) -> int:
        """Recorded events that cannot be read, which may have told what a person did."""
        return self._operator.unreadable

    @property
    def captures(self) -> list[Capture]:
        """The captures with their verdicts, in the order of receipt; after `finish`."""
        if self._captures is None:
            self._captures = self._ledger.finish(self.holds)
        return self._captures

    @property
    def without_pictures(self) -> list[str]:
        """The capture streams of which there was no picture."""
        return [name for name, count in self._ledger.counts.items() if not count]

    def redo(self) -> list[RedoPlace]:
        """Return the places to visit again; after `finish`."""
        limits = self.configuration.gate
        return redo_places(self.captures, limits.redo_distance_m, limits.redo_angle_rad,
                           limits.redo_merge_m, self.holds)

    def sets(self) -> SetSummary:
        """Return the figures of the sets across the pose, capture and geometry streams."""
        return self._sets.summary()

    def motion_offsets(self) -> dict[str, MotionOffsetEstimate]:
        """Return the offsets against the unit at the end, by stream; after `finish`."""
        return self._motion_offsets

    def cross_checks(self) -> dict[str, CrossCheck]:
        """Return how the estimates of each clock compare at the end; after `finish`."""
        figures = {name: stream.figures() for name, stream in self.timing.streams.items()
                   if not any(c.kind == 'silent' and self.end_ns - c.onset_ns > COMPARABLE_NS
                              for c in stream.conditions(self.end_ns))}
        return compare(self.configuration.pose_stream.name, figures, self._motion_offsets,
                       earlier=self.motion.first_checks())

    def _taker(self, stream: Stream) -> Callable[[int, bytes], object]:
        """Return the function that takes the messages of a stream."""
        if stream.role == 'pose':
            return self._pose_taker(stream)
        take_stamp = self._stamp_taker(stream)
        tell_pose = self._pose_input_taker(stream)
        if tell_pose is not None:
            time_alone = take_stamp

            def take_stamp(log_ns: int, data: bytes) -> int | None:
                stamp_ns = time_alone(log_ns, data)
                tell_pose(log_ns, data)
                return stamp_ns
        take_motion = self.motion.reader(stream)
        if take_motion is not None:
            return self._motion_taker(stream, take_stamp, take_motion)
        if stream.role == 'capture':
            name = stream.name

            def take_capture(log_ns: int, data: bytes) -> None:
                stamp_ns = take_stamp(log_ns, data)
                if stamp_ns is not None:
                    self._ledger.add_capture(
                        name, stamp_ns, log_ns, time_error(self.timing_verdict, name))
            return take_capture
        return take_stamp

    def _take_acts(self, log_ns: int, data: bytes) -> None:
        events = self._operator.take(log_ns, data)
        if events:
            self._happened(events, log_ns)
            self._update_gate(log_ns)

    def _let_cameras_be_seen(self) -> None:
        """Give the camera monitor, where there is one, the pictures that its node takes."""
        if self.cameras is None:
            return
        for camera in self.configuration.cameras:
            tell = picture_input(camera, self.configuration, self.cameras, self._work)
            name = camera.pictures.name
            self._takers[name] = _both(tell, self._takers.get(name))

    def _stamp_taker(self, stream: Stream) -> Callable[[int, bytes], int | None]:
        name, monitor = stream.name, self.timing
        place = self.set_streams.index(stream) if stream in self.set_streams else None

        def take(log_ns: int, data: bytes) -> int | None:
            try:
                stamp_ns = read_stamp(data)
            except MalformedMessage as error:
                self._happened(monitor.malformed(name, log_ns, str(error)), log_ns)
                return None
            events = monitor.add(name, stamp_ns, log_ns)
            if events:
                self._happened(events, log_ns)
            if place is not None:
                self._sets.add(place, stamp_ns, log_ns)
            return stamp_ns
        return take

    def _pose_taker(self, stream: Stream) -> Callable[[int, bytes], None]:
        take_stamp = self._stamp_taker(stream)
        read, monitor, cameras = POSE_READERS[stream.type], self.pose, self.cameras
        limit_m = self.configuration.point_error_limit_m

        def take(log_ns: int, data: bytes) -> None:
            take_stamp(log_ns, data)
            try:
                odometry = read(data)
            except MalformedMessage as error:
                events = monitor.malformed(log_ns, str(error))
            else:
                if cameras is not None:
                    cameras.add_pose(odometry, log_ns)
                events = monitor.add(odometry, log_ns)
            if events:
                self._happened(events, log_ns)
            newest = monitor.newest
            if newest is not self._unit_pose:
                self._unit_pose = newest
                judgement = monitor.judged_pose()
                if newest is not None and judgement is not None:
                    judged, is_known = judgement
                    self._ledger.set_distance(monitor.distance.metres)
                    self._ledger.add_pose(judged, monitor.path_length_m, is_known)
                    self.motion.add_unit(log_ns, newest)
            known = self.pose_verdict
            if known is not None and leaves_the_gate_alone(known, limit_m) \
                    and monitor.surely_within(log_ns, limit_m):
                return
            if known is None or changes_the_gate(known, monitor.gist(log_ns), limit_m):
                self.pose_verdict = monitor.verdict(log_ns)
                self._gate.receive(self.pose_verdict)
                self._update_gate(log_ns)
        return take

    def _pose_input_taker(self, stream: Stream) -> Callable[[int, bytes], None] | None:
        """Return what tells the pose monitor of another stream's messages, if they do."""
        if stream.timing_topic is not None:
            # The messages that are read are those of another topic.
            return None
        return pose_input(stream, self.configuration, self.pose,
                          lambda events: self._happened(events, self._last_ns), self._work)

    def _motion_taker(self, stream: Stream, take_stamp: Callable[[int, bytes], int | None],
                      take_motion: Callable[[int, bytes], None]) -> Callable[[int, bytes], None]:
        def take(log_ns: int, data: bytes) -> None:
            if take_stamp(log_ns, data) is None:
                return
            try:
                take_motion(log_ns, data)
            except MalformedMessage as error:
                self._happened(self.timing.malformed(stream.name, log_ns, str(error)), log_ns)
        return take

    def _pass_time(self, until_ns: int) -> None:
        """Let the time up to a host time pass: as live, not that over which the host's leapt."""
        if until_ns - self._last_ns > LEAP_NS:
            self._pass_ticks(min(self._last_ns + SILENCE_NS, until_ns - TICK_NS - LEAP_NS - 1))
            self._next_tick_ns = first_tick_ns(until_ns) - TICK_NS
        self._pass_ticks(until_ns)

    def _pass_ticks(self, until_ns: int) -> None:
        while True:
            tick_ns, opens_ns = self._next_tick_ns, self._gate.opens_ns
            if opens_ns is not None and opens_ns < tick_ns and opens_ns <= until_ns:
                self._update_gate(opens_ns)
            elif tick_ns <= until_ns:
                self._tick(tick_ns)
                self._next_tick_ns += TICK_NS
            else:
                return

    def _tick(self, now_ns: int) -> None:
        """Do what the live nodes do on their timers."""
        self._happened((*self.timing.tick(now_ns), *self.pose.tick(now_ns)), now_ns)
        self.timing_verdict = self.timing.verdict(now_ns)
        self.pose_verdict = self.pose.verdict(now_ns)
        self._gate.receive(self.timing_verdict)
        self._gate.receive(self.pose_verdict)
        if self.cameras is not None:
            self.cameras.tick(now_ns)
            cameras = self.cameras.verdict(now_ns)
            self._gate.receive(cameras)
            self.pose.add_camera_verdict(cameras, now_ns)
        self._update_gate(now_ns)
        self.point_error.add(now_ns, self.pose_verdict.figures['point_error_m'])
        self.sigmas.add(now_ns, self._unit_pose, self.pose_verdict.figures)
        if self._unit_pose is not None:
            self.path.add(now_ns, *self._unit_pose.position_m.tolist())
        self.motion.tick(now_ns)
        if now_ns >= self._next_offsets_ns:
            self._next_offsets_ns = now_ns + OFFSETS_NS
            for name, trace in self.offsets.items():
                trace.add(now_ns, self.timing.streams[name].clock_offset(now_ns))
        if self._observer is not None:
            self._observer.ticked(self, now_ns)

    def _update_gate(self, now_ns: int) -> None:
        decision = self._gate.update(now_ns)
        hold = self._gate.hold_now
        if hold is not None and hold is not self.holds[-1]:
            self.holds.append(hold)
        self._happened(decision.events, now_ns)
        if self._observer is not None:
            self._observer.decided(decision, hold)

    def _happened(self, events: Sequence[Event], now_ns: int) -> None:
        if not events:
            return
        self.events.extend(events)
        for event in events:
            self.motion.happened(event)
        if self._observer is not None:
            self._observer.happened(events, now_ns)


def _both(tell: Take,
          take: Callable[[int, bytes], object] | None) -> Callable[[int, bytes], object]:
    """Return what gives a message to both, if there are two."""
    if take is None:
        return tell

    def take_both(log_ns: int, data: bytes) -> None:
        tell(log_ns, data)
        take(log_ns, data)
    return take_both
