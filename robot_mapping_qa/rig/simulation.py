# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The rig: the sensors of a scenario at work, their messages in order of publication."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, replace
from functools import cached_property
from heapq import merge
from typing import Any
import zlib

import numpy as np
from robot_mapping_qa.rig.clock import Clock
from robot_mapping_qa.rig.delay import Delay
from robot_mapping_qa.rig.faults import Fault
from robot_mapping_qa.rig.records import Message, Picture
from robot_mapping_qa.rig.scenario import Scenario
from robot_mapping_qa.rig.sensor import SensorSpec
from robot_mapping_qa.rig.trajectory import MotionState

DEFAULT_START_NS = 1_750_000_000_000_000_000
"""Host time at which a run starts unless told otherwise; any other would do as well."""

TRUE_PATH_RATE_HZ = 20.0
"""Rate of the true path: between its poses a line is within 1 mm of the gait's motion."""


class Rig:
    """
    A simulated run of a scenario.

    Everything is drawn from the seed: two rigs of equal scenario, seed and start yield equal
    messages, and a sensor's draws do not depend on which other sensors there are.
    """

    def __init__(
            self, scenario: Scenario, start_ns: int = DEFAULT_START_NS, seed: int | None = None,
            pictures: bool = True) -> None:
        """
        Prepare a run that starts at host time start_ns.

        seed overrides the scenario's; without pictures the messages that carry them are left out.
        """
        self.scenario = scenario
        self.start_ns = start_ns
        self.seed = scenario.seed if seed is None else seed
        self.pictures = pictures
        self.clocks = {name: self._clock(name) for name in scenario.sensors}
        self._first_message_ns: list[int | None] = [None] * len(scenario.faults)
        self._reached_s = 0.0

    @property
    def topics(self) -> dict[str, str]:
        """Message type of every topic that the run publishes."""
        return {
            topic: kind for spec in self.scenario.sensors.values()
            for topic, kind in spec.topics.items()
            if self.pictures or kind != 'sensor_msgs/msg/Image'}

    def messages(self, until_s: float | None = None) -> Iterator[Message]:
        """
        Yield the messages in order of publication, computed as they are asked for.

        Ends with the scenario, or before the first message to be published until_s or more after
        the start. Each call is the whole run anew.
        """
        self._first_message_ns = [None] * len(self.scenario.faults)
        self._reached_s = 0.0
        streams = [self._stream(name, spec) for name, spec in self.scenario.sensors.items()]
        for message in merge(*streams, key=lambda message: message.publish_ns):
            if until_s is not None and message.publish_ns >= self.start_ns + round(until_s * 1e9):
                return
            self._reached_s = (message.measured_ns - self.start_ns) * 1e-9
            yield message
        self._reached_s = self.scenario.duration_s

    def first_message_ns(self, fault: int) -> int | None:
        """
        Return when the first message struck by a fault was due for publication.

        fault is its place in the scenario's list. None while the run has not come to it.
        """
        return self._first_message_ns[fault]

    def truth(self) -> dict[str, Any]:
        """
        Return what was put into the run, as plain values that JSON can hold.

        On a route also the stretches of the walk, and each sensor's episodes as far as the run
        has come.
        """
        scenario = self.scenario
        sensors = {}
        for name, spec in scenario.sensors.items():
            sensors[name] = {
                'kind': spec.kind, 'topics': list(spec.topics), 'rate_hz': spec.rate_hz,
                'clock': {**asdict(spec.clock), 'steps': [
                    {'at_ns': at_ns, 'size_s': size_ns * 1e-9}
                    for at_ns, size_ns in self.clocks[name].steps]},
                'delay': asdict(spec.delay)}
            if scenario.route is not None:
                sensors[name]['episodes'] = [
                    {'kind': episode.kind, 'settings': dict(episode.settings),
                     'from_ns': self._host_ns(episode.from_s),
                     'until_ns': self._host_ns(episode.until_s)}
                    for episode in spec.episodes(scenario.route, self._reached_s)]
        faults = []
        for index, fault in enumerate(scenario.faults):
            settings = {
                key: value for key, value in asdict(fault).items()
                if not key.startswith('_') and key not in ('sensor', 'at_s', 'until_s')}
            faults.append({
                'kind': fault.kind, 'sensor': fault.sensor, 'settings': settings,
                'from_ns': self._host_ns(fault.at_s),
                'until_ns': None if fault.until_s is None else self._host_ns(fault.until_s),
                'first_message_ns': self._first_message_ns[index]})
        truth = {
            'schema': 1, 'scenario': scenario.name, 'seed': self.seed, 'start_ns': self.start_ns,
            'end_ns': self._host_ns(scenario.duration_s), 'sensors': sensors, 'faults': faults}
        if scenario.route is not None:
            truth['stretches'] = self._stretches
        return truth

    def true_motion(self, host_ns: int) -> MotionState:
        """Return the true motion of the body in the map frame at a host time, exactly."""
        return self.scenario.motion.at((host_ns - self.start_ns) * 1e-9)

    def true_path(self, rate_hz: float = TRUE_PATH_RATE_HZ) -> dict[str, list[Any]]:
        """
        Return the true poses at regular times, as plain values that JSON can hold.

        time_ns, position (x, y, z; m) and quaternion (x, y, z, w) of the body in the map frame.
        """
        count = int(self.scenario.duration_s * rate_hz) + 1
        times_ns = [self.start_ns + round(n / rate_hz * 1e9) for n in range(count)]
        states = [self.true_motion(time_ns) for time_ns in times_ns]
        return {'time_ns': times_ns, 'position': [list(s.position) for s in states],
                'quaternion': [list(s.quaternion) for s in states]}

    @cached_property
    def _stretches(self) -> list[dict[str, Any]]:
        scenario, route = self.scenario, self.scenario.route
        if route is None:
            return []
        return [
            {'name': stretch.name, 'from_ns': self._host_ns(stretch.from_s),
             'until_ns': self._host_ns(stretch.until_s)}
            for stretch in route.stretches(scenario.duration_s)]

    def _host_ns(self, time_s: float) -> int:
        return self.start_ns + round(time_s * 1e9)

    def _rng(self, *purpose: str) -> np.random.Generator:
        """Return a generator of its own for one purpose."""
        return np.random.default_rng([self.seed, *(zlib.crc32(p.encode()) for p in purpose)])

    def _clock(self, sensor: str) -> Clock:
        steps = tuple(
            (self._host_ns(at_s), round(size_s * 1e9))
            for fault in self.scenario.faults if fault.sensor == sensor
            for at_s, size_s in fault.clock_steps())
        return Clock(self.scenario.sensors[sensor].clock, self.start_ns, steps)

    def _stream(self, name: str, spec: SensorSpec) -> Iterator[Message]:
        """Yield one sensor's messages in order of publication."""
        faults: list[tuple[int, Fault, np.random.Generator]] = [
            (index, replace(fault), self._rng(name, f'fault {index}'))
            for index, fault in enumerate(self.scenario.faults) if fault.sensor == name]
        sensor = spec.start(self.scenario.motion, self._rng(name, 'errors'))
        delay = Delay(spec.delay, self._rng(name, 'delay'))
        period_ns = 1e9 / spec.rate_hz
        # Sensors are not triggered together unless somebody wires them so.
        phase_ns = int(self._rng(name, 'phase').integers(int(period_ns)))
        duration_ns = round(self.scenario.duration_s * 1e9)
        last_ns, count = self.start_ns, 0
        while (elapsed_ns := phase_ns + round(count * period_ns)) < duration_ns:
            count += 1
            time_s = elapsed_ns * 1e-9
            struck = [entry for entry in faults if entry[1].active(time_s)]
            messages = self._measure(name, spec, sensor, delay, struck, elapsed_ns)
            due_ns = max(messages[0].publish_ns, last_ns)
            for index, fault, _ in faults:
                active = fault.active(time_s)
                messages = fault.deliver(messages, active)
                if active and self._first_message_ns[index] is None:
                    self._first_message_ns[index] = due_ns
            for message in messages:
                # What waits behind a late message is late too: transports keep the order.
                if message.publish_ns < last_ns:
                    message = replace(message, publish_ns=last_ns)
                last_ns = message.publish_ns
                yield message

    def _measure(
            self, name: str, spec: SensorSpec, sensor: Any, delay: Delay,
            struck: list[tuple[int, Fault, np.random.Generator]],
            elapsed_ns: int) -> list[Message]:
        """Return the messages of one measurement as they would be published."""
        time_s = elapsed_ns * 1e-9
        measured_ns = self.start_ns + elapsed_ns
        stamp_ns = self.clocks[name].stamp_ns(measured_ns)
        least_s = spec.delay.least_s
        for _, fault, _ in struck:
            least_s = fault.least_delay_s(least_s)
        publish_ns = measured_ns + round(delay.draw_s(time_s, least_s) * 1e9)
        numbers = tuple(index for index, _, _ in struck)
        messages = []
        for topic, payload in sensor.measure(time_s):
            if isinstance(payload, Picture) and not self.pictures:
                continue
            for _, fault, rng in struck:
                payload = fault.alter(payload, time_s, rng)
            messages.append(Message(
                name, topic, spec.frame_of(topic), measured_ns, stamp_ns, publish_ns, payload,
                numbers))
        return messages
