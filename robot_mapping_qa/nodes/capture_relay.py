# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The node that lets inspection data through while the gate is open, and nothing otherwise."""

from __future__ import annotations

import sys
import time
from typing import Any, Mapping

from diagnostic_msgs.msg import DiagnosticStatus
from rclpy.callback_groups import ReentrantCallbackGroup
from rclpy.client import Client
from rclpy.event_handler import (
    QoSRequestedIncompatibleQoSInfo, SubscriptionEventCallbacks)
from rclpy.task import Future
from robot_mapping_qa.capture.relay import FAULTS, GateListener, Reason
from robot_mapping_qa.configuration.validation import TOPIC_NAME
from robot_mapping_qa.messages.factory import make_header
from robot_mapping_qa.messages.outputs import DIAGNOSTIC_PREFIX
from robot_mapping_qa.messages.serialized import MalformedMessage, read_stamp
from robot_mapping_qa.messages.topics import CAPTURE_ALLOWED, GATE
from robot_mapping_qa.messages.verdict_message import ERROR, make_status, OK, WARN
from robot_mapping_qa.nodes.base import QualityNode
from robot_mapping_qa.nodes.own_parameters import OwnParameters
from robot_mapping_qa.nodes.qos import GATE_QOS, LATCHED_QOS, NO_EVENTS
from robot_mapping_qa.nodes.relayed_sets import Member, RelayedSets
from robot_mapping_qa.nodes.relayed_topic import RelayedTopic, SUFFIX
from robot_mapping_qa.nodes.running import run_node
from robot_mapping_qa.timing.sets import SET_ROLES
from std_msgs.msg import Bool
from std_srvs.srv import Trigger

LOOK_S = 0.5
"""
How often the node looks at the graph and at the gate when nothing else makes it look.

It decides on each message when that comes and looks for a second gate at each word of the first,
so this only delays how soon a new topic is found and a silent gate is told.
"""

LOOKS_TO_TELL = 2
"""Diagnostics are sent at every second look, and when the state changes."""

TRIGGER_S = 10.0
"""A capture service that has not answered for so long is given up."""

_READ_NS = 1_000_000


class CaptureRelay(QualityNode):
    """
    Topics and a capture service in, their gated twins ``<name>/inspection`` out.

    Parameters: ``topics`` (more topics than the capture streams, each as 'topic' or
    'topic type'), ``trigger_service`` (a std_srvs/Trigger service to gate), ``sets`` (true, or
    the names of the streams whose messages pass only in complete sets).
    """

    def __init__(self) -> None:
        """Pass nothing yet; raises `ConfigurationError` or LookupError."""
        super().__init__(
            'capture_relay', {'topics': [], 'trigger_service': '', 'sets': False})
        configuration = self.configuration
        self._own = OwnParameters(self)
        self._gate = GateListener(configuration.gate.off_delay_s,
                                  configuration.timing.ahead_limit_s, self.simulated_time)
        self._gate_topics = [
            self.resolve_topic_name(topic.name) for topic in (CAPTURE_ALLOWED, GATE)]
        self._state: Reason | None = Reason.NO_GATE
        self._set_count = 0
        self._without_set = 0
        self._breaks = 0
        # The executor serves subscriptions in the order in which they were made: the gate first.
        self.create_subscription(
            Bool, CAPTURE_ALLOWED.name, self._take_allowed, GATE_QOS,
            event_callbacks=SubscriptionEventCallbacks(
                deadline=self._miss_deadline, incompatible_qos=self._refuse_gate,
                use_default_callbacks=False))
        self.create_subscription(
            DiagnosticStatus, GATE.name, self._take_status, LATCHED_QOS,
            event_callbacks=NO_EVENTS)
        self._topics: dict[str, RelayedTopic] = {}
        self._sets: RelayedSets | None = None
        self._add_topics()
        self._triggers: list[tuple[int, Future]] = []
        self._triggers_passed = 0
        self._triggers_withheld = 0
        self._add_trigger_service()
        # Silence is noticed while simulated time stands still.
        self.create_timer(LOOK_S, self._look_around, clock=self.steady_clock)
        self._looks = 0

    def _add_topics(self) -> None:
        configuration = self.configuration
        wanted = configuration.with_role('capture')
        members = self._set_streams()
        for stream in (*wanted, *(each for each in members if each not in wanted)):
            self._add_topic(
                stream.topic, stream.type, stream.rate_hz,
                stream.delay_limit_s or configuration.timing.delay_limit_s)
        for topic, type_name in self._own.topics('topics').items():
            self._add_topic(topic, type_name, None, configuration.timing.delay_limit_s)
        if not self._topics:
            raise self._own.refused('streams: found none with the role capture and no topics, '
                                    'expected something to relay')
        if members:
            self._sets = RelayedSets(
                [self._topics[self.resolve_topic_name(stream.topic)] for stream in members],
                configuration.timing.set_slop_s, self._complete)

    def _add_topic(self, topic: str, type_name: str | None, rate_hz: float | None,
                   delay_limit_s: float) -> None:
        name = self.resolve_topic_name(topic)
        if name not in self._topics:
            self._topics[name] = RelayedTopic(
                self, name, type_name, rate_hz, delay_limit_s, self._take)

    def _set_streams(self) -> tuple:
        sets = self.get_parameter('sets').value
        if sets is False:
            return ()
        if sets is True:
            chosen = self.configuration.with_role(*SET_ROLES)
        else:
            by_name = {stream.name: stream for stream in self.configuration.streams}
            unknown = [name for name in sets if name not in by_name] if isinstance(
                sets, (list, tuple)) else [sets]
            if unknown:
                raise self._own.refused(
                    f'sets: found {unknown[0]}, expected true, false, or names of streams '
                    f'({", ".join(by_name)})')
            chosen = tuple(by_name[name] for name in dict.fromkeys(sets))
        if len(chosen) < 2:
            found = 'one stream' if chosen else 'no stream'
            raise self._own.refused(f'sets: found {found}, expected two or more')
        return chosen

    def _add_trigger_service(self) -> None:
        name = self._own.get(
            'trigger_service', str,
            'the name of a std_srvs/srv/Trigger service such as /front/trigger',
            lambda value: value == '' or TOPIC_NAME.fullmatch(value))
        if name == '':
            return
        # A group of their own: a pending call must neither wait for itself nor stop the rest.
        group = ReentrantCallbackGroup()
        name = self.resolve_service_name(name)
        self._trigger: Client = self.create_client(Trigger, name, callback_group=group)
        self.create_service(Trigger, name + SUFFIX, self._take_trigger, callback_group=group)

    def _clocks(self) -> tuple[int, int]:
        """Return host (or simulated) and steady time of one instant."""
        while True:
            before_ns = time.monotonic_ns()
            now_ns = self.now_ns()
            # Put to sleep in between, the two would look as if the host had been stepped.
            if time.monotonic_ns() - before_ns < _READ_NS:
                return now_ns, before_ns

    def _take_allowed(self, message: Bool, info: Mapping[str, Any]) -> None:
        waited_ns = max(0, time.time_ns() - info['received_timestamp'])
        self._count_gates()
        self._gate.hear(message.data, *self._clocks(), waited_ns)
        self._note_state()

    def _take_status(self, status: DiagnosticStatus) -> None:
        values = {item.key: item.value for item in status.values}
        try:
            onset = values.get('onset_ns')
            self._gate.learn(values['state'] != 'open', int(values['since_ns']),
                             int(onset) if onset else None, status.message)
        except (KeyError, ValueError) as error:
            self.get_logger().error(f'{GATE.name} refused: {error!r}', throttle_duration_sec=1.0)

    def _miss_deadline(self, _info: Any) -> None:
        self._gate.miss_deadline()
        self._note_state()

    def _refuse_gate(self, _info: QoSRequestedIncompatibleQoSInfo) -> None:
        self.get_logger().error(
            f'a publisher on {self._gate_topics[0]} is not heard: a gate is reliable, transient '
            'local, and promises a deadline of 0.5 s')

    def _count_gates(self) -> None:
        word, status = map(self.count_publishers, self._gate_topics)
        self._gate.count_publishers(max(word, status) if word else 0)

    def _take(self, topic: RelayedTopic, data: bytes, info: Mapping[str, int]) -> None:
        now_ns, steady_ns = self._clocks()
        # The middleware's times are the host's: they say nothing about simulated stamps.
        receive_ns = now_ns if self.simulated_time else info['received_timestamp']
        sent_ns = now_ns if self.simulated_time else info['source_timestamp']
        try:
            # Without a header, when it was sent is the nearest to when it was taken.
            stamp_ns = read_stamp(data) if topic.has_header else sent_ns
        except MalformedMessage as error:
            topic.withheld[Reason.UNREADABLE] += 1
            self.get_logger().error(f'{topic.topic}: {error}', throttle_duration_sec=1.0)
            return
        reason = self._gate.judge(
            stamp_ns, receive_ns, topic.delay_limit_ns, now_ns, steady_ns)
        if reason is not None:
            topic.withheld[reason] += 1
        elif self._sets is None or topic not in self._sets:
            topic.send(data)
        else:
            self._add_to_sets(self._sets, steady_ns, Member(
                make_header(self.factory, stamp_ns), data, topic, stamp_ns))

    def _add_to_sets(self, sets: RelayedSets, steady_ns: int, member: Member) -> None:
        if self._gate.breaks != self._breaks:
            # Time may have gone back: what waits could keep the new messages out for ever.
            self._breaks = self._gate.breaks
            sets.clear()
        self._without_set += 1
        sets.add(member, steady_ns)

    def _complete(self, *members: Member) -> None:
        now_ns, steady_ns = self._clocks()
        self._without_set -= len(members)
        # The gate may have closed while the first members waited for the last.
        reasons = [self._gate.judge_stamp(member.stamp_ns, now_ns, steady_ns)
                   for member in members]
        worst = next((reason for reason in reasons if reason is not None), None)
        self._set_count += worst is None
        for member in members:
            if worst is None:
                member.topic.send(member.data)
            else:
                member.topic.withheld[worst] += 1

    async def _take_trigger(self, request: Trigger.Request,
                            response: Trigger.Response) -> Trigger.Response:
        response.success = False
        state = self._gate.state(*self._clocks())
        if state is not None:
            self._triggers_withheld += 1
            response.message = self._sentence(state)
        elif not self._trigger.service_is_ready():
            response.message = f'there is no service {self._trigger.srv_name}'
        else:
            self._triggers_passed += 1
            answer = self._trigger.call_async(request)
            self._triggers.append((time.monotonic_ns() + round(TRIGGER_S * 1e9), answer))
            answered = await answer
            if answered is not None:
                return answered
            response.message = f'{self._trigger.srv_name} did not answer for {TRIGGER_S:g} s'
        return response

    def _look_around(self) -> None:
        self._count_gates()
        self._note_state()
        for topic in self._topics.values():
            topic.connect()
        now_ns = time.monotonic_ns()
        for deadline_ns, answer in self._triggers:
            if now_ns > deadline_ns:
                answer.set_result(None)
        self._triggers = [each for each in self._triggers if not each[1].done()]
        self._looks += 1
        if self._looks % LOOKS_TO_TELL == 0:
            self._send_diagnostics()

    def _note_state(self) -> None:
        state = self._gate.state(*self._clocks())
        if state is not self._state:
            self._state = state
            if self._sets is not None:
                self._sets.wait_anew()
            self.get_logger().info(self._sentence(state))
            self._send_diagnostics()

    def _sentence(self, state: Reason | None) -> str:
        """Return in words what passes and why not."""
        off_delay_s = self.configuration.gate.off_delay_s
        name, status_name = self._gate_topics
        faults = {
            Reason.NO_GATE: f'no gate speaks on {name}',
            Reason.GATE_SILENT: f'the gate on {name} fell silent',
            Reason.SEVERAL_GATES:
                f'more than one publisher on {name} or {status_name} (one that was killed counts '
                'until the middleware forgets it)',
            Reason.CLOCK_STEPPED: 'the clock was stepped',
        }
        if state is None:
            return 'the gate is open'
        if state in FAULTS:
            return f'nothing passes: {faults[state]}'
        if state is Reason.SETTLING:
            return (f'nothing passes yet: {faults[self._gate.last_fault]}; the gate must be heard '
                    f'for {off_delay_s:g} s without a break')
        return f'nothing passes: {self._gate.gate_text or "the gate is held"}'

    def _lately_withheld(self, topic: RelayedTopic) -> list[str]:
        """Return in words what of a topic was withheld since the last status for its own sake."""
        lately = topic.lately_withheld()
        limits = {
            Reason.STAMP_OLD: f'with stamps more than {topic.delay_limit_ns * 1e-9:g} s old',
            Reason.STAMP_AHEAD: 'with stamps more than '
                                f'{self.configuration.timing.ahead_limit_s:g} s ahead of the host',
            Reason.UNREADABLE: 'that could not be read'}
        return [f'{topic.topic}: {lately[reason]} messages withheld {text}'
                for reason, text in limits.items() if lately[reason]]

    def _send_diagnostics(self) -> None:
        topics = self._topics.values()
        sentences = [self._sentence(self._state)]
        sentences += [topic.trouble for topic in topics if topic.trouble]
        sentences += [text for topic in topics for text in self._lately_withheld(topic)]
        if self._sets is not None and (incomplete := self._sets.trouble(time.monotonic_ns())):
            sentences.append(incomplete)
        level = OK if self._state is None and len(sentences) == 1 else (
            ERROR if self._state in FAULTS else WARN)
        values: dict[str, Any] = {
            'passed': sum(topic.passed for topic in topics),
            'withheld': sum(sum(topic.withheld.values()) for topic in topics)}
        for reason in Reason:
            values[f'withheld_{reason.value}'] = sum(topic.withheld[reason] for topic in topics)
        if self._sets is not None:
            values['sets'] = self._set_count
            values['without_set'] = self._without_set
        values['triggers_passed'] = self._triggers_passed
        values['triggers_withheld'] = self._triggers_withheld
        for topic in topics:
            values[f'passed{topic.topic}'] = topic.passed
            values[f'withheld{topic.topic}'] = sum(topic.withheld.values())
        self.publish_diagnostics([make_status(
            self.factory, DIAGNOSTIC_PREFIX + 'relay', level, '; '.join(sentences), values)])


def main() -> int:
    """Run the node; the exit status is 2 where its parameters were refused."""
    return run_node(CaptureRelay)


if __name__ == '__main__':
    sys.exit(main())
