# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Offsets from motion between the unit and every stream of a recording that shows its turns."""

from __future__ import annotations

from math import hypot
from typing import Callable

from robot_mapping_qa.configuration import Configuration, Stream
from robot_mapping_qa.messages.angular_velocity import angular_velocity_reader, TurnRates
from robot_mapping_qa.records import Odometry
from robot_mapping_qa.timing.angular_velocity import PeakTurnRate
from robot_mapping_qa.timing.cross_check import cross_check, CrossCheck, Estimate
from robot_mapping_qa.timing.monitor import TimingMonitor
from robot_mapping_qa.timing.motion_offset import MotionOffsetEstimate
from robot_mapping_qa.timing.motion_windows import MotionWindows
from robot_mapping_qa.verdicts import Event

ROLES = ('motion', 'map_pose')
"""Roles whose messages carry an angular velocity, or orientations that it follows from."""


class RecordedMotion:
    """The turns of the unit and of the other streams, and how their stamps compare."""

    def __init__(self, configuration: Configuration, timing: TimingMonitor) -> None:
        """Prepare for the streams of `ROLES`; ``timing`` knows how their clocks drift."""
        # A stream that is timed by another topic shows no motion there.
        self._streams = {stream.name: stream for stream in configuration.with_role(*ROLES)
                         if stream.timing_topic is None}
        self._windows = MotionWindows(self._streams)
        self._unit_rates = TurnRates()
        self.peak_turn_rate = PeakTurnRate(configuration.pose.max_turn_rate_radps)
        self._timing = timing
        self._unit = configuration.pose_stream.name

    def reader(self, stream: Stream) -> Callable[[int, bytes], None] | None:
        """
        Return what takes log time and bytes of a stream's messages, None where they tell nothing.

        It raises `MalformedMessage`.
        """
        if stream.name not in self._streams:
            return None
        read, add = angular_velocity_reader(stream.type), self._windows.adder(stream.name)

        def take(log_ns: int, data: bytes) -> None:
            rate = read(data)
            if rate is not None:
                add(log_ns, *rate)
        return take

    def add_unit(self, log_ns: int, pose: Odometry) -> None:
        """Take an accepted pose of the unit."""
        rate = self._unit_rates.of(pose)
        if rate is None:
            return
        self.peak_turn_rate.add(*rate)
        if self._streams:
            self._windows.add_reference(log_ns, *rate)

    def tick(self, now_ns: int) -> None:
        """Close the window when it is full."""
        if self._windows.due(now_ns):
            self._windows.close(self._apart)

    def happened(self, event: Event) -> None:
        """Forget what was found before a step of a clock."""
        if event.kind not in ('clock_step', 'time_restarted'):
            return
        before_ns = event.onset_ns if event.kind == 'clock_step' else None
        if event.subject == self._unit:
            self._windows.forget(None, before_ns)
        elif event.subject in self._streams:
            self._windows.forget(event.subject, before_ns)

    def finish(self) -> None:
        """Close the last window."""
        self._windows.close(self._apart)

    def offsets(self, at_ns: int) -> dict[str, MotionOffsetEstimate]:
        """Return the offset of each stream at a host time; after `finish`."""
        return {name: self._windows.offset(name, at_ns, self._apart) for name in self._streams}

    def first_checks(self) -> dict[str, CrossCheck]:
        """Return how motion and one-way offsets compared in each stream's first window."""
        checks = {}
        for name, windows in self._windows.windows.items():
            window = next((item for item in windows if item.estimate.usable), None)
            if window is not None:
                # Only the difference of the two one-way offsets is known, and needed.
                checks[name] = cross_check(
                    name, Estimate(window.apart_s, window.apart_sigma_s),
                    motion=Estimate(window.estimate.value_s, window.estimate.sigma_s),
                    unit_one_way=Estimate(0.0, 0.0))
        return checks

    def _apart(self, name: str, at_ns: int) -> tuple[float, float] | None:
        own = self._timing.streams[name].clock_offset(at_ns)
        unit = self._timing.streams[self._unit].clock_offset(at_ns)
        if own is None or unit is None:
            return None
        return own[0] - unit[0], hypot(own[1], unit[1])
