# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What the package's nodes have in common: configuration, time and events."""

from __future__ import annotations

import os
import platform
import secrets
import time
from typing import Any, Callable, Iterable, Mapping, Sequence

from rclpy.callback_groups import CallbackGroup
from rclpy.clock import Clock, ClockType
from rclpy.event_handler import PublisherEventCallbacks
from rclpy.logging import LoggingSeverity
from rclpy.node import Node
from rclpy.publisher import Publisher
from rclpy.qos import QoSProfile
from rclpy.timer import Timer
from robot_mapping_qa.capture.gate import changes_the_gate
from robot_mapping_qa.configuration import (
    Configuration, configuration_from_parameters, ConfigurationError)
from robot_mapping_qa.configuration.model import CAMERA_INFO
from robot_mapping_qa.messages.factory import has_header, message_class, RclpyFactory
from robot_mapping_qa.messages.outputs import BAD_NEWS, diagnostics_message, events_message
from robot_mapping_qa.messages.topics import DIAGNOSTICS, EVENTS, Topic
from robot_mapping_qa.messages.verdict_message import verdict_to_message
from robot_mapping_qa.nodes.live_settings import LiveSettings
from robot_mapping_qa.nodes.qos import EVENT_QOS, NEWEST_QOS, NO_EVENTS, OUTPUT_QOS
from robot_mapping_qa.nodes.watched_topic import (
    arrival_ns, LOOK_S, TYPE_MISMATCH, WatchedTopic)
from robot_mapping_qa.rates import VERDICT_TICKS
from robot_mapping_qa.verdicts import Event, Verdict

INFO, WARN, ERROR = LoggingSeverity.INFO, LoggingSeverity.WARN, LoggingSeverity.ERROR

Take = Callable[[bytes, int, int | None, int], None]
"""Takes the bytes of a message with three times, see `QualityNode.watch`."""


def new_speaker() -> str:
    """
    Return what tells a node from any other of the same name, for a person and for the gate.

    Each container on a robot may have a process 1, under the robot's own name: hence the number.
    """
    return f'process {os.getpid()} on {platform.node()} #{secrets.token_hex(4)}'


class QualityNode(Node):
    """A node that is driven by the package's one parameter file."""

    def __init__(self, name: str, own_parameters: Mapping[str, Any] | None = None) -> None:
        """
        Read the parameters; ``own_parameters`` are the node's own ones with their defaults.

        Raises `ConfigurationError` where the file is wrong.
        """
        super().__init__(name, allow_undeclared_parameters=True,
                         automatically_declare_parameters_from_overrides=True)
        own = dict(own_parameters or {})
        for key, default in own.items():
            if not self.has_parameter(key):
                self.declare_parameter(key, default)
        given = {key: parameter.value
                 for key, parameter in self.get_parameters_by_prefix('').items()}
        self.configuration: Configuration = configuration_from_parameters(
            given, f'parameters of {name}', own)
        self.settings = LiveSettings(self)
        self.factory = RclpyFactory()
        self.simulated_time = bool(self.get_parameter('use_sim_time').value)
        self.steady_clock = Clock(clock_type=ClockType.STEADY_TIME)
        """Nobody sets it, and it goes on while simulated time stands still."""
        self._speaker = new_speaker()
        self.last_sent: Verdict | None = None
        self._ticks_since_sent = 0
        self._watched: list[WatchedTopic] = []
        self.create_timer(LOOK_S, self._look, clock=self.steady_clock)
        self._events = self.advertise(EVENTS, EVENT_QOS)
        self._diagnostics = self.advertise(DIAGNOSTICS, OUTPUT_QOS)
        # Also pays for the first line of a log, which takes rclpy up to 0.2 s to look up its
        # caller: that must not strike when the gate has to close.
        self.write_log(INFO, 'streams: ' + ', '.join(
            stream.name for stream in self.configuration.streams))

    def now_ns(self) -> int:
        """Return the host time, or the simulated time where the node is told to use it."""
        return self.get_clock().now().nanoseconds if self.simulated_time else time.time_ns()

    def create_timer(
            self, timer_period_sec: float, callback: Any,
            callback_group: CallbackGroup | None = None, clock: Clock | None = None,
            autostart: bool = True) -> Timer:
        """
        Create a timer that goes on when the host's clock is set.

        rcl waits by a clock until it shows the time of the next call: on the host's, set back by
        an hour, nothing would happen for an hour. Simulated time is seen by rcl to start again.
        """
        if clock is None and not self.simulated_time:
            clock = self.steady_clock
        return super().create_timer(
            timer_period_sec, callback, callback_group, clock, autostart)

    def advertise(self, topic: Topic, qos: QoSProfile) -> Publisher:
        """
        Return a publisher for one of the package's topics.

        It has no events: those of six publishers are a third of what a turn of the executor costs.
        A subscription that asks for more than is offered is told so on its own side.
        """
        return self.create_publisher(
            message_class(topic.type), topic.name, qos,
            event_callbacks=PublisherEventCallbacks(use_default_callbacks=False))

    def watch(self, topic: str, type_name: str, rate_hz: float | None, take: Take) -> None:
        """
        Hand every serialized message of a topic to ``take(data, receive, source, callback)``.

        The three times are host time in ns: when the middleware received the message, when it
        was sent, and now. Under simulated time the middleware's wall-clock times say nothing
        about the stamps: the message counts as received now and its sending is unknown.
        Raises LookupError where the type is not installed, `ConfigurationError` where its
        messages carry no time stamp.
        """
        self.check_header(topic, type_name)
        self._watched.append(WatchedTopic(
            self, topic, type_name, rate_hz, self._timed(take), self.tell_of_publisher,
            *self._asked_for(topic, type_name)))

    def _asked_for(self, topic: str, type_name: str) -> tuple[str, str]:
        """Return the name that the file gives a topic, and what says which type it has."""
        for stream in self.configuration.streams:
            if topic == stream.topic or topic == stream.timing_topic:
                by_default = topic == stream.timing_topic and type_name == CAMERA_INFO
                return stream.name, 'expected' if by_default else 'the file says'
        return '', 'expected'

    def check_header(self, topic: str, type_name: str) -> None:
        """Refuse a type that `watch` refuses, with the same errors."""
        try:
            known = has_header(type_name)
        except LookupError as error:
            raise LookupError(f'{topic}: {error}') from error
        if not known:
            raise ConfigurationError(
                [f'{topic}: found the type {type_name}, expected one that begins with a header, '
                 'whose stamp is what is watched'], f'parameters of {self.get_name()}')

    def watch_newest(self, topic: str, type_name: str, take: Take) -> None:
        """Hand over serialized messages as `watch`, but only the newest of those that wait."""
        self.create_subscription(
            message_class(type_name), topic, self._timed(take), NEWEST_QOS, raw=True,
            event_callbacks=NO_EVENTS)

    def _timed(self, take: Take) -> Callable[..., None]:
        """Return the callback of a raw subscription that gives ``take`` its times."""
        latest_ns = 0

        def received(data: bytes, info: Mapping[str, int]) -> None:
            nonlocal latest_ns
            now_ns = self.now_ns()
            if self.simulated_time:
                # Before the first /clock the time is 0: a message would count as received long
                # before it was stamped.
                if now_ns:
                    take(data, now_ns, None, now_ns)
                return
            latest_ns = arrival_ns(info['received_timestamp'], latest_ns, now_ns)
            take(data, latest_ns, info['source_timestamp'], now_ns)
        return received

    def _look(self) -> None:
        for topic in self._watched:
            topic.look()

    def tell_of_publisher(self, kind: str, topic: str, text: str) -> None:
        """Write to the log that what a publisher offers is not what was asked for."""
        self.write_log(ERROR if kind == TYPE_MISMATCH else WARN, text)

    def write_log(self, severity: LoggingSeverity, text: str) -> None:
        """
        Write a line to the node's log.

        rclpy refuses two severities from one place in the code; and the lines of a file that has
        written one before cost it least.
        """
        if severity is ERROR:
            self.get_logger().error(text)
        elif severity is WARN:
            self.get_logger().warning(text)
        else:
            self.get_logger().info(text)

    def publish_events(self, events: Iterable[Event]) -> None:
        """Send events, where there are any, and write them to the node's log."""
        events = tuple(events)
        self.send_events(events)
        self.log_events(events)

    def send_events(self, events: Sequence[Event]) -> None:
        """Send events, where there are any."""
        if events:
            self._events.publish(events_message(self.factory, events, self.now_ns()))

    def log_events(self, events: Iterable[Event]) -> None:
        """Write events to the node's log, one line each."""
        for event in events:
            self.write_log(WARN if event.kind in BAD_NEWS else INFO,
                           f'{event.subject}: {event.kind}: {event.text}')

    def publish_verdict(self, publisher: Publisher, verdict: Verdict, tick: bool) -> None:
        """
        Send a verdict to the gate at once where it can move it, else at every second tick.

        Called with every verdict that was made; ``tick`` says that it was made by the timer.
        """
        self._ticks_since_sent += tick
        if self.last_sent is None or self._ticks_since_sent >= VERDICT_TICKS or changes_the_gate(
                self.last_sent, verdict, self.configuration.point_error_limit_m):
            self.last_sent = verdict
            self._ticks_since_sent = 0
            message = verdict_to_message(self.factory, verdict)
            message.header.frame_id = self._speaker
            publisher.publish(message)

    def publish_diagnostics(self, statuses: Iterable[Any]) -> None:
        """Send statuses on /diagnostics, which all robots of a network share."""
        statuses = list(statuses)
        robot = self.get_namespace().strip('/')
        if robot:
            for status in statuses:
                status.name = f'{robot}/{status.name}'
        self._diagnostics.publish(
            diagnostics_message(self.factory, statuses, self.now_ns()))
