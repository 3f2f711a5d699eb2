# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""One topic on its way to ``<topic>/inspection``, and what became of its messages."""

from __future__ import annotations

from collections import Counter
from typing import Callable, Mapping

from rclpy.event_handler import PublisherEventCallbacks
from rclpy.node import Node
from rclpy.publisher import Publisher
from rclpy.subscription import Subscription
from rclpy.topic_endpoint_info import TopicEndpointInfo
from robot_mapping_qa.capture.relay import Reason
from robot_mapping_qa.messages.factory import has_header, message_class
from robot_mapping_qa.nodes.qos import common_offer, NO_EVENTS, Offer, stream_qos

SUFFIX = '/inspection'
"""What is put behind the name of a topic or service for its gated twin."""

NO_OFFERS = PublisherEventCallbacks(use_default_callbacks=False)
"""What `NO_EVENTS` is, for publishers."""


class RelayedTopic:
    """
    A raw subscription and its gated twin, made once the source's type and QoS are known.

    ``type`` may be None: it is then that of the publishers. ``take(topic, data, info)`` gets
    every serialized message with the middleware's times.
    """

    def __init__(self, node: Node, topic: str, type_name: str | None, rate_hz: float | None,
                 delay_limit_s: float,
                 take: Callable[[RelayedTopic, bytes, Mapping[str, int]], None]) -> None:
        """Wait for `connect`; raises LookupError where the type is given and not installed."""
        if type_name is not None:
            message_class(type_name)
        self.topic = topic
        self.type = type_name
        self.rate_hz = rate_hz
        self.delay_limit_ns = round(delay_limit_s * 1e9)
        self.trouble: str | None = f'no publisher on {topic}'
        """Why the topic cannot be relayed as things are, for a person."""
        self.has_header = False
        """Whether the messages begin with a std_msgs/Header."""
        self.passed = 0
        self.withheld: Counter[Reason] = Counter()
        self._told: Counter[Reason] = Counter()
        self._node = node
        self._take = take
        self._offer: tuple[str, Offer] | None = None
        self._subscription: Subscription | None = None
        self._publisher: Publisher | None = None

    def connect(self) -> None:
        """Follow the publishers on the graph; `trouble` says what hinders."""
        offer = self._offered(self._node.get_publishers_info_by_topic(self.topic))
        if offer is None or offer == self._offer:
            return
        type_name, (reliable, latched) = offer
        try:
            kind = message_class(type_name)
        except LookupError as error:
            self.trouble = f'{self.topic}: {error}'
            return
        self.has_header = has_header(type_name)
        self._offer = offer
        if self._subscription is not None:
            self._node.destroy_subscription(self._subscription)
        if self._publisher is not None:
            self._node.destroy_publisher(self._publisher)
        # What the source offers, so that whoever reads the source can read its twin. Its deadline
        # is not promised: in a hold there are no messages.
        self._publisher = self._node.create_publisher(
            kind, self.topic + SUFFIX, stream_qos(self.rate_hz, reliable, latched),
            event_callbacks=NO_OFFERS)
        # Only what is sent from now on: a message kept for latecomers is too old to judge.
        self._subscription = self._node.create_subscription(
            kind, self.topic, lambda data, info: self._take(self, data, info),
            stream_qos(self.rate_hz, reliable), raw=True, event_callbacks=NO_EVENTS)

    def lately_withheld(self) -> Counter[Reason]:
        """Return how many messages were withheld for each reason since the last call."""
        lately, self._told = self.withheld - self._told, self.withheld.copy()
        return lately

    def send(self, data: bytes) -> None:
        """Pass a message on, once connected."""
        if self._publisher is not None:
            self._publisher.publish(data)
            self.passed += 1

    def _offered(self, publishers: list[TopicEndpointInfo]) -> tuple[str, Offer] | None:
        types = sorted({info.topic_type for info in publishers})
        self.trouble = self._type_trouble(types)
        if self.trouble is not None:
            return None
        name = self.type or types[0]
        return name, common_offer(
            info.qos_profile for info in publishers if info.topic_type == name)

    def _type_trouble(self, types: list[str]) -> str | None:
        if not types:
            return f'no publisher on {self.topic}'
        if self.type is None and len(types) > 1:
            return f'{self.topic} carries {" and ".join(types)}: name the type to relay'
        if self.type is not None and self.type not in types:
            return f'{self.topic} carries {types[0]}, expected {self.type}'
        return None
