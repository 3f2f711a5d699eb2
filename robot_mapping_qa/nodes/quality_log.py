# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The node that records the watched streams with what was thought of them."""

from __future__ import annotations

import sys

from rclpy.qos import QoSProfile
from robot_mapping_qa.bag.recorder import Recorder, RecordingError
from robot_mapping_qa.configuration import ConfigurationError
from robot_mapping_qa.messages.factory import message_class
from robot_mapping_qa.messages.topics import QUALITY_TOPICS
from robot_mapping_qa.nodes.base import QualityNode
from robot_mapping_qa.nodes.qos import EVENT_QOS, LATCHED_QOS, OUTPUT_QOS
from robot_mapping_qa.nodes.running import run_node


class QualityLog(QualityNode):
    """Every watched topic and every topic of the package into one bag."""

    def __init__(self) -> None:
        """Create the bag named by the parameter ``bag``; raises `ConfigurationError`."""
        super().__init__('quality_log', {'bag': '', 'pictures': False})
        path = self.get_parameter('bag').value
        if not isinstance(path, str) or not path:
            raise ConfigurationError(
                ['bag: found nothing, expected the folder of the new bag, such as '
                 '-p bag:=run_1'], 'parameters of quality_log')
        self._pictures = bool(self.get_parameter('pictures').value)
        try:
            self._recorder = Recorder(path)
            self._subscribe()
        except RecordingError as error:
            raise ConfigurationError([str(error)], 'parameters of quality_log') from error

    def _subscribe(self) -> None:
        for stream in self.configuration.streams:
            self._record_stream(stream.watched_topic, stream.watched_type, stream.rate_hz)
            if self._pictures and stream.timing_topic:
                self._record_stream(stream.topic, stream.type, stream.rate_hz)
        for topic in QUALITY_TOPICS:
            name = self.resolve_topic_name(topic.name)
            qos = LATCHED_QOS if topic.latched else (
                EVENT_QOS if topic.name.endswith('events') else OUTPUT_QOS)
            self._record(name, topic.type, qos)

    def _record_stream(self, topic: str, type_name: str, rate_hz: float | None) -> None:
        name = self.resolve_topic_name(topic)
        self._recorder.add_topic(name, type_name)
        self.watch(name, type_name, rate_hz,
                   lambda data, receive_ns, _source_ns, _callback_ns:
                   self._recorder.write(name, receive_ns, data))

    def _record(self, name: str, type_name: str, qos: QoSProfile) -> None:
        self._recorder.add_topic(name, type_name)

        def received(data: bytes, info: dict) -> None:
            receive_ns = self.now_ns() if self.simulated_time else info['received_timestamp']
            self._recorder.write(name, receive_ns, data)
        self.create_subscription(message_class(type_name), name, received, qos, raw=True)

    def close(self) -> None:
        """Finish the bag."""
        self._recorder.close()


def main() -> int:
    """Run the node; the exit status is 2 where its parameters were refused."""
    return run_node(QualityLog)


if __name__ == '__main__':
    sys.exit(main())
