# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The node that records the watched streams with what was thought of them."""

from __future__ import annotations

import json
import os
import platform
import sys
import time
from typing import Any, Callable, Mapping

from diagnostic_msgs.msg import DiagnosticArray
from rclpy.node import Node
from rclpy.qos import (
    DurabilityPolicy, HistoryPolicy, LivelinessPolicy, QoSProfile, ReliabilityPolicy)
from rclpy.serialization import deserialize_message
from rclpy.subscription import Subscription
from robot_mapping_qa import __version__
from robot_mapping_qa.bag.background_recorder import BackgroundRecorder, CLOSE_S
from robot_mapping_qa.bag.definitions import installed_definition
from robot_mapping_qa.bag.disk_space import DiskLimits
from robot_mapping_qa.bag.event_notes import event_notes
from robot_mapping_qa.bag.mcap_file import Attachment
from robot_mapping_qa.bag.recorder import Recorder, RecordingError, Split
from robot_mapping_qa.bag.recording_verdict import recording_text, RecordingWatch
from robot_mapping_qa.configuration.validation import NODE_PARAMETERS, Range
from robot_mapping_qa.messages.factory import message_class
from robot_mapping_qa.messages.outputs import DIAGNOSTIC_PREFIX
from robot_mapping_qa.messages.topics import (
    EVENTS, QUALITY_TOPICS, RECORDING_VERDICT)
from robot_mapping_qa.messages.verdict_message import ERROR, make_status, OK, WARN
from robot_mapping_qa.nodes.base import (
    ERROR as LOG_ERROR, INFO as LOG_INFO, QualityNode, WARN as LOG_WARN)
from robot_mapping_qa.nodes.own_parameters import OwnParameters
from robot_mapping_qa.nodes.qos import (
    common_offer, EVENT_QOS, LATCHED_QOS, NO_EVENTS, Offer, OUTPUT_QOS, stream_qos, VERDICT_QOS)
from robot_mapping_qa.nodes.running import run_node
from robot_mapping_qa.nodes.ticks import on_every_tick
from robot_mapping_qa.verdicts import Severity
import yaml

TELL_S = 1.0
"""How often the node looks for further topics and tells how it is."""

PARAMETERS: Mapping[str, Any] = {
    'bag': '',
    'pictures': False,
    'topics': [],
    # A file system for memory sticks (FAT32) takes no file of 4 GiB.
    'split_mb': 4000.0,
    # What one damaged file can cost, and a size that is copied in a coffee break (common
    # practice, no source).
    'split_minutes': 10.0,
    # Time to walk back to where the disk can be changed (common practice, no source).
    'disk_warn_minutes': 10.0,
    # Linux itself gets into trouble without (common practice, no source).
    'disk_stop_mb': 500.0,
}
"""The node's own parameters with their defaults."""

SIZE_MB, MINUTES = Range(1.0, 1e12), Range(0.01, 1e6)
FREE_MB, WARN_MINUTES = Range(0.0, 1e12), Range(0.0, 1e6)
"""Up to more than any disk or run has, and no further than counts in bytes and ns can go."""

FURTHER_HZ = 200.0
"""Stands for the rate of a further topic, which is not known: a longer queue loses nothing."""

_S = 1_000_000_000


class QualityLog(QualityNode):
    """
    Every watched topic and every topic of the package into one bag.

    Parameters: ``bag`` (the folder of the new bag), ``pictures`` (also the heavy topics that are
    timed by a light one), ``topics`` (more topics, each as 'topic' or 'topic type', recorded as
    they are), ``split_mb`` and ``split_minutes`` (a new file from there on), ``disk_warn_minutes``
    and ``disk_stop_mb`` (what must be left on the disk).
    """

    def __init__(self) -> None:
        """Create the bag; raises `ConfigurationError` or LookupError."""
        super().__init__('quality_log', PARAMETERS)
        own = OwnParameters(self)
        path = own.needed_path(
            'bag', 'the folder of the new bag, such as -p bag:=run_1').absolute()
        pictures = own.flag('pictures')
        split = Split(round(own.number('split_mb', SIZE_MB) * 1e6),
                      round(own.number('split_minutes', MINUTES) * 60 * _S))
        limits = DiskLimits(own.number('disk_warn_minutes', WARN_MINUTES) * 60.0,
                            round(own.number('disk_stop_mb', FREE_MB) * 1e6))
        streams = self._streams(pictures)
        self._wanted = own.topics('topics')
        self._further: dict[str, FurtherTopic] = {}
        self._offered: set[str] = set()
        self._told = ''
        try:
            self._recorder = BackgroundRecorder(
                Recorder(path, installed_definition, split, self._attachments(), time.time_ns()),
                installed_definition, limits)
            for stream in streams:
                self._record_stream(*stream)
            for topic in QUALITY_TOPICS:
                self.create_subscription(
                    message_class(topic.type), topic.name,
                    self._receiver(topic.name, topic.type), LATCHED_QOS if topic.latched else (
                        EVENT_QOS if topic is EVENTS else OUTPUT_QOS), raw=True)
        except RecordingError as error:
            raise own.refused(str(error)) from error
        self.write_log(LOG_INFO, f'recording to {path}')
        self._watch = RecordingWatch(limits)
        self._verdict = self.advertise(RECORDING_VERDICT, VERDICT_QOS)
        on_every_tick(self, self.now_ns, self._tick)
        self.create_timer(TELL_S, self._tell_state)

    def _attachments(self) -> list[Attachment]:
        software = {
            'robot_mapping_qa': __version__, 'python': platform.python_version(),
            'ros_distro': os.environ.get('ROS_DISTRO'), 'system': platform.platform()}
        return [
            Attachment('configuration.yaml', 'application/yaml', self._parameter_file().encode()),
            Attachment('software.json', 'application/json', json.dumps(software).encode())]

    def _parameter_file(self) -> str:
        """Return the configuration as a parameter file: the bag can be assessed with it."""
        groups: dict[str, Any] = {}
        for name, parameter in sorted(self.get_parameters_by_prefix('').items()):
            head, _, key = name.partition('.')
            if name in PARAMETERS or head in NODE_PARAMETERS:
                continue
            value = parameter.value
            value = value if isinstance(value, (bool, int, float, str)) else list(value)
            (groups.setdefault(head, {}) if key else groups)[key or head] = value
        return yaml.safe_dump({'/**': {'ros__parameters': groups}}, sort_keys=False)

    def _streams(self, pictures: bool) -> list[tuple[str, str, float | None]]:
        """Return topic, type and rate of what is watched; raises as `watch` does."""
        streams = []
        for stream in self.configuration.streams:
            streams.append((stream.watched_topic, stream.watched_type, stream.rate_hz))
            if pictures and stream.timing_topic:
                streams.append((stream.topic, stream.type, stream.rate_hz))
        # Before there is a bag.
        for topic, type_name, _ in streams:
            self.check_header(topic, type_name)
        return streams

    def _record_stream(self, topic: str, type_name: str, rate_hz: float | None) -> None:
        write = self._writer(topic, type_name)
        self.watch(topic, type_name, rate_hz, lambda data, receive_ns, source_ns, _callback_ns:
                   write(data, receive_ns, source_ns))

    def _receiver(self, topic: str, type_name: str) -> Callable[..., None]:
        """Announce a topic to the bag; return what takes its messages with the info on them."""
        write = self._writer(topic, type_name)

        def received(data: bytes, info: Mapping[str, Any]) -> None:
            if self.simulated_time:
                write(data, self.now_ns(), None)
            else:
                write(data, info['received_timestamp'], info['source_timestamp'])
            if topic == EVENTS.name:
                for note in event_notes(deserialize_message(data, DiagnosticArray)):
                    self._recorder.note(*note)
        return received

    def _writer(self, topic: str, type_name: str) -> Callable[[bytes, int, int | None], None]:
        """Announce a topic to the bag; return the function that writes its messages."""
        name = self.resolve_topic_name(topic)
        self._recorder.add_topic(name, type_name)
        self._wanted.pop(name, None)

        def write(data: bytes, receive_ns: int, source_ns: int | None) -> None:
            if name not in self._offered:
                self._tell_offer(name, type_name)
            self._recorder.write(name, receive_ns, data, source_ns)
        return write

    def _tell_offer(self, name: str, type_name: str) -> None:
        """Tell the bag, with the first message, what the publishers of a topic offer."""
        self._offered.add(name)
        self._recorder.add_topic(name, type_name, [
            offered_qos(info.qos_profile) for info in self.get_publishers_info_by_topic(name)])

    def _tick(self) -> None:
        self.publish_verdict(
            self._verdict, self._watch.verdict(self._recorder.state, self.now_ns()), tick=True)

    def _tell_state(self) -> None:
        for topic in self._further.values():
            topic.follow()
        troubles = [trouble for name in tuple(self._wanted)
                    if (trouble := self._find(name)) is not None]
        state = self._recorder.state
        conditions = self._watch.verdict(state, self.now_ns()).conditions
        text = '; '.join([*(c.text for c in conditions), *troubles]) or recording_text(state)
        level = ERROR if any(c.severity is Severity.HARD for c in conditions) else (
            WARN if conditions or troubles else OK)
        self.publish_diagnostics([make_status(
            self.factory, DIAGNOSTIC_PREFIX + 'recording', level, text, {
                'free_bytes': state.free_bytes, 'rate_bytes_per_s': state.rate_bytes_per_s,
                'remaining_minutes': None if state.remaining_s is None
                else state.remaining_s / 60.0,
                'written_bytes': state.written_bytes, 'messages': state.messages,
                'lost': state.lost, 'behind_s': state.behind_s})])
        kinds = ' '.join(c.key for c in conditions)
        if kinds and kinds != self._told:
            # Not by one call of the logger: rclpy would refuse the other severity from then on.
            self.write_log(LOG_ERROR if level == ERROR else LOG_WARN, text)
        self._told = kinds

    def _find(self, name: str) -> str | None:
        """Begin to record a further topic once it is there; return what hinders."""
        publishers = self.get_publishers_info_by_topic(name)
        types = sorted({info.topic_type for info in publishers})
        type_name = self._wanted[name] or (types[0] if types else None)
        if not types:
            return f'no publisher on {name}'
        if type_name not in types:
            return f'{name} carries {types[0]}, expected {type_name}'
        if len(types) > 1 and not self._wanted[name]:
            return f'{name} carries {" and ".join(types)}: name the type to record'
        try:
            topic = FurtherTopic(
                self, name, type_name, self._receiver(name, type_name))
        except (LookupError, RecordingError) as error:
            return f'{name} is not recorded: {error}'
        topic.follow()
        self._further[name] = topic
        return None

    def close(self) -> None:
        """Finish the bag, unless the disk hangs."""
        if not self._recorder.close():
            self.get_logger().error(
                f'the disk has not answered for {CLOSE_S:g} s: the bag is not finished; what had '
                'reached the disk is kept')


class FurtherTopic:
    """
    A subscription that asks for no more than each publisher of the topic offers.

    It asks for less, by another one, where a publisher comes later that offers less and would
    not be heard. What was latched is kept by that time. It never asks for more again: what is
    latched would come a second time.
    """

    def __init__(self, node: Node, name: str, type_name: str,
                 received: Callable[..., None]) -> None:
        """Prepare for `follow`; raises LookupError where the type is not installed."""
        self._class = message_class(type_name)
        self._node = node
        self._name = name
        self._type = type_name
        self._received = received
        self._asked = Offer(True, True)
        self._subscription: Subscription | None = None

    def follow(self) -> None:
        """Subscribe, or again where there is a publisher that offers less."""
        offer = common_offer(
            info.qos_profile for info in self._node.get_publishers_info_by_topic(self._name)
            if info.topic_type == self._type)
        asked = Offer(self._asked.reliable and offer.reliable,
                      self._asked.latched and offer.latched)
        if self._subscription is not None:
            if asked == self._asked:
                return
            self._node.destroy_subscription(self._subscription)
        self._asked = asked
        self._subscription = self._node.create_subscription(
            self._class, self._name, self._received, stream_qos(FURTHER_HZ, *asked), raw=True,
            event_callbacks=NO_EVENTS)


def offered_qos(profile: QoSProfile) -> dict[str, Any]:
    """Return what a publisher offers in the words of rosbag2's metadata.yaml."""
    def parts(duration: Any) -> dict[str, int]:
        return dict(zip(('sec', 'nsec'), divmod(duration.nanoseconds, _S)))
    return {
        'history': HistoryPolicy(profile.history).name.lower(), 'depth': profile.depth,
        'reliability': ReliabilityPolicy(profile.reliability).name.lower(),
        'durability': DurabilityPolicy(profile.durability).name.lower(),
        'deadline': parts(profile.deadline), 'lifespan': parts(profile.lifespan),
        'liveliness': LivelinessPolicy(profile.liveliness).name.lower(),
        'liveliness_lease_duration': parts(profile.liveliness_lease_duration),
        'avoid_ros_namespace_conventions': profile.avoid_ros_namespace_conventions}


def main() -> int:
    """Run the node; the exit status is 2 where its parameters were refused."""
    return run_node(QualityLog)


if __name__ == '__main__':
    sys.exit(main())
