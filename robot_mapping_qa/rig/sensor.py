# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What every simulated sensor has: a topic, a rate, a frame, a clock and a delay."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Protocol

import numpy as np
from robot_mapping_qa.rig.checks import above, ScenarioError, topic_name
from robot_mapping_qa.rig.clock import ClockSpec
from robot_mapping_qa.rig.delay import DelaySpec
from robot_mapping_qa.rig.records import Payload
from robot_mapping_qa.rig.route import Route
from robot_mapping_qa.rig.trajectory import Walk


@dataclass(frozen=True, slots=True)
class Episode:
    """Something in a sensor's run that is known beforehand: from when until when, s, and what."""

    kind: str
    from_s: float
    until_s: float
    settings: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class SensorSpec:
    """
    Settings common to all sensors; each kind adds its own.

    Raises ScenarioError for a bad topic name or a rate that is not above 0.
    """

    kind: ClassVar[str]

    topic: str
    rate_hz: float
    frame: str
    clock: ClockSpec = field(default_factory=ClockSpec)
    delay: DelaySpec = field(default_factory=DelaySpec)

    def __post_init__(self) -> None:
        """Refuse what no sensor can have."""
        topic_name('topic', self.topic)
        above('rate_hz', self.rate_hz, 0.0)
        if not self.frame:
            raise ScenarioError("frame: found '', expected a frame name")

    @property
    def topics(self) -> dict[str, str]:
        """Each topic's message type, in the order of publication."""
        raise NotImplementedError

    def frame_of(self, topic: str) -> str:
        """Return the frame of a topic's messages."""
        return self.frame

    def check(self, motion: Walk | Route) -> None:
        """Refuse a motion that the sensor cannot measure."""

    def start(self, motion: Walk | Route, rng: np.random.Generator) -> Sensor:
        """Return the sensor, ready to measure the motion with errors drawn from rng."""
        raise NotImplementedError

    def episodes(self, motion: Walk | Route, duration_s: float) -> list[Episode]:
        """Return what a run has in store until duration_s, whatever is drawn, for its truth."""
        return []


class Sensor(Protocol):
    """A sensor at work."""

    def measure(self, time_s: float) -> list[tuple[str, Payload]]:
        """Return topics and what they carry, measured time_s after the start; times increase."""
