# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""All streams' time together: each clock against the pose stream's, and one verdict."""

from __future__ import annotations

from math import hypot
from statistics import median
from types import MappingProxyType
from typing import Iterable, Mapping

from robot_mapping_qa.timing.figures import StreamFigures
from robot_mapping_qa.timing.limits import StreamSpec, TimingLimits
from robot_mapping_qa.timing.stream import StreamTiming
from robot_mapping_qa.verdicts import Condition, Event, Severity, Verdict


HOST_STEP_S = 0.02
"""Smaller steps of the host's clock are left to the streams' delays."""
HOST_STEP_SPREAD_S = 0.01
"""How far delays may scatter and still count as changed alike."""
HOST_STEP_LASTS_NS, DISPUTED_LASTS_NS = 500_000_000, 4_000_000_000
"""How long all delays must be changed alike; and where some streams take it for a step of their
own clock, which may be found late by the others."""
PAUSE_NS = 250_000_000
"""Ticks further apart than this: the monitor itself stood still."""


class TimingMonitor:
    """
    Watches the time of several streams.

    A picture is placed with the pose of its stamp: what matters is that the clocks of the stream
    and of the unit keep together, not what each of them reads against the host.
    """

    def __init__(self, specs: Iterable[StreamSpec], limits: TimingLimits) -> None:
        """Watch the streams of ``specs``; ValueError for a repeated name or two pose streams."""
        self._limits = limits
        self.streams: dict[str, StreamTiming] = {}
        self._pose: StreamTiming | None = None
        for spec in specs:
            if spec.name in self.streams:
                raise ValueError(f'stream {spec.name} is given twice')
            stream = StreamTiming(spec, limits)
            self.streams[spec.name] = stream
            if spec.role == 'pose':
                if self._pose is not None:
                    raise ValueError(f'{spec.name}: a second stream of role pose')
                self._pose = stream
        self._moved_since_ns: dict[str, int] = {}
        self._most_moved_s: dict[str, float] = {}
        self._host_since_ns: int | None = None
        self._last_tick_ns: int | None = None

    def add(self, name: str, stamp_ns: int, receive_ns: int, source_ns: int | None = None,
            callback_ns: int | None = None) -> tuple[Event, ...]:
        """Take one message, see `StreamTiming.add`; KeyError for an unknown stream."""
        return self.streams[name].add(stamp_ns, receive_ns, source_ns, callback_ns)

    def malformed(self, name: str, receive_ns: int, why: str) -> tuple[Event, ...]:
        """Take an unreadable message, see `StreamTiming.malformed`."""
        return self.streams[name].malformed(receive_ns, why)

    def tick(self, now_ns: int) -> tuple[Event, ...]:
        """Look at all streams at host time ``now_ns``; about twenty times a second."""
        events: tuple[Event, ...] = ()
        for stream in self.streams.values():
            events += stream.tick(now_ns)
        return events + self._look_for_host_step(now_ns)

    def verdict(self, now_ns: int) -> Verdict:
        """Return everything that is wrong at host time ``now_ns``."""
        limit_s = self._limits.time_error_limit_s
        movements = {name: movement for name, stream in self.streams.items()
                     if (movement := stream.clock_moved(now_ns)) is not None}
        moved = {name: movement[0] for name, movement in movements.items()}
        pose = self._pose.spec.name if self._pose is not None else None
        pose_sigma_s = movements[pose][1] if pose in movements else 0.0
        pose_s = 0.0 if pose is None else moved.get(pose, 0.0)
        pose_lead_s = 0.0 if self._pose is None else self._pose.lead_s
        found: list[Condition] = []
        figures: dict[str, float | None] = {}
        for name, stream in self.streams.items():
            conditions = stream.conditions(now_ns)
            known = name in moved and (pose is None or pose in moved)
            relative_s = moved[name] - pose_s if known else None
            figures[f'{name}/time_error_s'] = None if relative_s is None else (
                relative_s + _lead_s(stream.lead_s, pose_lead_s))
            figures[f'{name}/time_error_sigma_s'] = None if not known else (
                0.0 if name == pose else
                hypot(movements[name][1], pose_sigma_s, stream.spec.clock_sigma_s))
            severity = stream.spec.severity
            if name == pose:
                # Where another clock stood still and it does not match that any more, it is the
                # pose stream that moved. It means for captures what it means to that other one.
                left = [self.streams[other].spec.severity for other, other_s in moved.items()
                        if abs(other_s) <= limit_s < abs(other_s - pose_s)]
                severity = max(left, default=severity)
                off_s = pose_s if left else 0.0
            elif abs(moved.get(name, 0.0)) <= limit_s < abs(pose_s):
                off_s = 0.0
            else:
                off_s = relative_s or 0.0
            if abs(off_s) > limit_s:
                conditions = tuple(c for c in conditions if c.kind != 'ahead') + (
                    self._clock_moved(stream, off_s, severity, now_ns),)
            else:
                self._moved_since_ns.pop(name, None)
                self._most_moved_s.pop(name, None)
            found.extend(conditions)
        return Verdict('timing', now_ns, tuple(found), figures)

    def time_error(self, name: str, now_ns: int) -> tuple[float, float] | None:
        """
        Return how far a stream's clock has moved against the pose stream's, seconds.

        Since both settled, with its standard deviation; 0 for the pose stream itself, and None
        where it is not known.
        """
        moved = self.streams[name].clock_moved(now_ns)
        if moved is None or self._pose is None:
            return moved
        if self.streams[name] is self._pose:
            return 0.0, 0.0
        reference = self._pose.clock_moved(now_ns)
        if reference is None:
            return None
        return moved[0] - reference[0], hypot(moved[1], reference[1])

    def refresh(self) -> None:
        """See `StreamTiming.refresh`: it takes too long to be done on the way."""
        for stream in self.streams.values():
            stream.refresh()

    def figures(self, name: str) -> StreamFigures:
        """Return one stream's figures."""
        return self.streams[name].figures()

    def _look_for_host_step(self, now_ns: int) -> tuple[Event, ...]:
        """
        Tell a step of the host's clock: all delays change by the same amount and stay there.

        A host that pauses delays everything too, but each message by another time.
        """
        paused = self._last_tick_ns is None or now_ns - self._last_tick_ns > PAUSE_NS
        self._last_tick_ns = now_ns
        if paused:
            # What was known before the pause has not lasted: nobody looked.
            self._host_since_ns = None
        running = [stream for stream in self.streams.values() if stream.running]
        booked_s = median(stream.host_s for stream in running) if running else 0.0
        if booked_s:
            back = [back_ns for stream in running
                    if (back_ns := stream.host_back_ns(now_ns)) is not None]
            if len(back) == len(running):
                return self._book_host_step(min(back), now_ns, -booked_s)
        if any(stream.uncertain for stream in running):
            return ()
        shifts = {name: shift for name, stream in self.streams.items()
                  if stream.running and (shift := stream.delay_shift(now_ns)) is not None}
        delays = [delay_s for delay_s, _ in shifts.values()]
        alike = len(delays) > 1 and max(delays) - min(delays) < HOST_STEP_SPREAD_S and \
            min(map(abs, delays)) > HOST_STEP_S
        own = {name: own_s for name, (delay_s, own_s) in shifts.items()
               if abs(delay_s + own_s) < HOST_STEP_SPREAD_S}
        # Where all clocks say that they stepped, they did.
        if not alike or len(own) == len(shifts):
            self._host_since_ns = None
            return ()
        if self._host_since_ns is None:
            self._host_since_ns = now_ns
        if now_ns - self._host_since_ns < (DISPUTED_LASTS_NS if own else HOST_STEP_LASTS_NS):
            return ()
        size_s = median(delays)
        if abs(booked_s + size_s) < HOST_STEP_SPREAD_S:
            size_s = -booked_s
        return self._book_host_step(self._host_since_ns, now_ns, size_s, own)

    def _book_host_step(self, since_ns: int, now_ns: int, size_s: float,
                        own: Mapping[str, float] = MappingProxyType({})) -> tuple[Event, ...]:
        self._host_since_ns = None
        for name, stream in self.streams.items():
            stream.book_host_step(since_ns, size_s, own.get(name))
        return (Event('clock_step', 'host', since_ns, now_ns,
                      f"the host's clock stepped by {size_s * 1e3:+.1f} ms: all streams' delays "
                      'changed by that', {'size_s': size_s}),)

    def _clock_moved(self, stream: StreamTiming, moved_s: float, severity: Severity,
                     now_ns: int) -> Condition:
        name = stream.spec.name
        step = stream.last_step
        since_ns = self._moved_since_ns.get(name)
        against = self._pose.spec.name if self._pose is not None and stream is not self._pose \
            else 'the other streams'
        most_s = max(moved_s, self._most_moved_s.get(name, 0.0), key=abs)
        self._most_moved_s[name] = most_s
        if step is not None and abs(step.size_s) > 0.5 * abs(moved_s):
            if since_ns is None:
                since_ns = step.at_ns
            ago_s = max(0.0, (now_ns - since_ns) * 1e-9)
            what = (f'{name} clock stepped by {moved_s * 1e3:+.1f} ms {ago_s:.1f} s ago and has '
                    f'not come back')
            record = f'{name} clock stepped by {most_s * 1e3:+.1f} ms'
        else:
            if since_ns is None:
                since_ns = now_ns
            what = f'{name} clock has moved by {moved_s * 1e3:+.1f} ms since it settled'
            record = f'{name} clock moved by {most_s * 1e3:+.1f} ms'
        self._moved_since_ns[name] = since_ns
        return Condition(
            f'{name}/clock_moved',
            f"{what}: its stamps no longer match {against}'s. Check its time synchronization; "
            'restart the monitor once it is right', severity, since_ns,
            f"{record}: its stamps did not match {against}'s")


def _lead_s(own_s: float, pose_s: float) -> float:
    """Return what stamps from the future tell of a clock against the pose stream's, seconds."""
    # Where both lie ahead it is the host that is behind, and what differs are the delays.
    return 0.0 if own_s and pose_s else own_s - pose_s
