# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Faults that a scenario puts into the rig, one class a kind.

A fault is in force for measurements made from at_s until, but not including, until_s after the
start; without until_s it lasts to the end. To add a kind: write its class, overriding the stages
of a message's life that it spoils, and list it in FAULTS.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
import math
from typing import ClassVar

import numpy as np
from robot_mapping_qa.rig.checks import above, at_least, ScenarioError
from robot_mapping_qa.rig.records import Message, OdometrySample, Payload
from robot_mapping_qa.rig.rotation import from_rotation_vector, multiply, rotate
from robot_mapping_qa.rig.sensor import SensorSpec


@dataclass(kw_only=True)
class Fault:
    """
    What all faults have: the sensor that is struck and the time.

    Each stage of a message's life is a method that a kind overrides; here they do nothing.
    A run works on a fresh copy (dataclasses.replace), so a fault may remember what it has seen.
    """

    kind: ClassVar[str]
    momentary: ClassVar[bool] = False
    """Whether it is over at once when until_s is not given, its mark remaining."""

    sensor: str
    at_s: float
    until_s: float | None = None

    def __post_init__(self) -> None:
        """Refuse times that are no interval."""
        at_least('at_s', self.at_s, 0.0)
        if self.until_s is not None:
            above('until_s', self.until_s, self.at_s)

    def check(self, spec: SensorSpec) -> None:
        """Refuse a sensor that cannot have this fault."""

    def active(self, time_s: float) -> bool:
        """Return whether a measurement at this time is struck."""
        return self.at_s <= time_s and (self.until_s is None or time_s < self.until_s)

    def clock_steps(self) -> tuple[tuple[float, float], ...]:
        """Return times and sizes of the clock's steps, seconds."""
        return ()

    def alter(self, payload: Payload, time_s: float, rng: np.random.Generator) -> Payload:
        """Return what a struck sensor measures instead."""
        return payload

    def least_delay_s(self, least_s: float) -> float:
        """Return the smallest delay of a struck measurement."""
        return least_s

    def deliver(self, messages: list[Message], struck: bool) -> list[Message]:
        """
        Return what is published of one measurement's messages, in order of publication.

        Called for every measurement of the sensor, struck or not. Times of publication that would
        break the order are put off afterwards.
        """
        return messages


@dataclass(kw_only=True)
class ClockStep(Fault):
    """The sensor's clock steps by size_s, and back at until_s."""

    kind: ClassVar[str] = 'clock_step'
    momentary: ClassVar[bool] = True

    size_s: float

    def __post_init__(self) -> None:
        """Refuse a step of no size."""
        Fault.__post_init__(self)
        if self.size_s == 0.0:
            raise ScenarioError('size_s: found 0.0, expected a step other than 0')

    def clock_steps(self) -> tuple[tuple[float, float], ...]:
        """Return times and sizes of the clock's steps, seconds."""
        steps = [(self.at_s, self.size_s)]
        if self.until_s is not None:
            steps.append((self.until_s, -self.size_s))
        return tuple(steps)


class _OdometryFault(Fault):
    """A fault of the pose that an odometry reports; a pose in the map is left alone."""

    def check(self, spec: SensorSpec) -> None:
        """Refuse a sensor that reports no pose."""
        if 'nav_msgs/msg/Odometry' not in spec.topics.values():
            raise ScenarioError(
                f'sensor: found {self.sensor!r} of kind {spec.kind}, '
                'expected one of kind odometry, lidar_odometry or wheel_odometry')


@dataclass(kw_only=True)
class CovarianceBlowup(_OdometryFault):
    """
    The reported pose covariance blows up.

    Either all standard deviations are multiplied by factor, or the position's are set to sigma_m.
    With real_error the pose wanders off accordingly, over about two seconds from nothing, and is
    back at until_s; without it the unit is only unsure of itself.
    """

    kind: ClassVar[str] = 'covariance_blowup'
    wander_s: ClassVar[float] = 2.0

    factor: float | None = None
    sigma_m: float | None = None
    real_error: bool = False
    _wander: list[float] = field(default_factory=lambda: [0.0] * 6, init=False, repr=False)
    _time_s: float | None = field(default=None, init=False, repr=False)

    def __post_init__(self) -> None:
        """Refuse anything but one way to blow up."""
        Fault.__post_init__(self)
        if (self.factor is None) == (self.sigma_m is None):
            raise ScenarioError('factor, sigma_m: expected exactly one of the two')
        if self.factor is not None:
            above('factor', self.factor, 1.0)
        if self.sigma_m is not None:
            above('sigma_m', self.sigma_m, 0.0)

    def alter(self, payload: Payload, time_s: float, rng: np.random.Generator) -> Payload:
        """Return the pose with the large covariance, and its error if there is one."""
        if not isinstance(payload, OdometrySample):
            return payload
        before = payload.pose_covariance.reshape(6, 6)
        after = before.copy()
        if self.factor is not None:
            after *= self.factor ** 2
        if self.sigma_m is not None:
            after[:3, :3] = self.sigma_m ** 2 * np.eye(3)
        if not self.real_error:
            return replace(payload, pose_covariance=after.ravel())

        # Gauss-Markov process of unit variance, started from zero.
        elapsed_s = 0.0 if self._time_s is None else time_s - self._time_s
        self._time_s = time_s
        keep = math.exp(-elapsed_s / self.wander_s)
        fresh = math.sqrt(1.0 - keep * keep)
        self._wander = [
            keep * w + fresh * n for w, n in zip(self._wander, rng.standard_normal(6).tolist())]
        added = np.sqrt(np.maximum(np.diag(after) - np.diag(before), 0.0)).tolist()
        ex, ey, ez, rx, ry, rz = (s * w for s, w in zip(added, self._wander))
        x, y, z = payload.position
        return replace(
            payload, pose_covariance=after.ravel(), position=(x + ex, y + ey, z + ez),
            quaternion=multiply(from_rotation_vector((rx, ry, rz)), payload.quaternion))


@dataclass(kw_only=True)
class PoseJump(_OdometryFault):
    """
    The reported pose jumps by x_m, y_m, z_m in its frame, turned by yaw_rad about where it was.

    As after a wrong match, everything that follows is displaced alike; the twist is not touched.
    """

    kind: ClassVar[str] = 'pose_jump'
    momentary: ClassVar[bool] = True

    x_m: float = 0.0
    y_m: float = 0.0
    z_m: float = 0.0
    yaw_rad: float = 0.0
    _pivot: tuple[float, float, float] | None = field(default=None, init=False, repr=False)

    def __post_init__(self) -> None:
        """Refuse a jump of no size."""
        Fault.__post_init__(self)
        if not any((self.x_m, self.y_m, self.z_m, self.yaw_rad)):
            raise ScenarioError('x_m, y_m, z_m, yaw_rad: found only 0, expected a jump')

    def alter(self, payload: Payload, time_s: float, rng: np.random.Generator) -> Payload:
        """Return the displaced pose."""
        if not isinstance(payload, OdometrySample):
            return payload
        if self._pivot is None:
            self._pivot = payload.position
        turn = from_rotation_vector((0.0, 0.0, self.yaw_rad))
        (x, y, z), (px, py, pz) = payload.position, self._pivot
        dx, dy, dz = rotate(turn, (x - px, y - py, z - pz))
        return replace(
            payload, position=(px + dx + self.x_m, py + dy + self.y_m, pz + dz + self.z_m),
            quaternion=multiply(turn, payload.quaternion))


@dataclass(kw_only=True)
class Silence(Fault):
    """The sensor publishes nothing."""

    kind: ClassVar[str] = 'silence'

    def deliver(self, messages: list[Message], struck: bool) -> list[Message]:
        """Return nothing of a struck measurement."""
        return [] if struck else messages


@dataclass(kw_only=True)
class DelayRise(Fault):
    """The smallest delay rises to to_s."""

    kind: ClassVar[str] = 'delay_rise'

    to_s: float

    def check(self, spec: SensorSpec) -> None:
        """Refuse a delay that does not rise."""
        above('to_s', self.to_s, spec.delay.least_s)

    def least_delay_s(self, least_s: float) -> float:
        """Return the risen delay."""
        return self.to_s


@dataclass(kw_only=True)
class _EveryNth(Fault):
    """Strikes one measurement in every, the first included."""

    every: int
    _count: int = field(default=-1, init=False, repr=False)

    def __post_init__(self) -> None:
        """Refuse a count that is none."""
        Fault.__post_init__(self)
        at_least('every', self.every, 1)

    def _hit(self, struck: bool) -> bool:
        if not struck:
            return False
        self._count += 1
        return self._count % self.every == 0


@dataclass(kw_only=True)
class Loss(_EveryNth):
    """One message in every is lost."""

    kind: ClassVar[str] = 'loss'

    def deliver(self, messages: list[Message], struck: bool) -> list[Message]:
        """Return nothing of a measurement whose turn it is."""
        return [] if self._hit(struck) else messages


@dataclass(kw_only=True)
class Duplicates(_EveryNth):
    """One message in every is published twice, after_s apart."""

    kind: ClassVar[str] = 'duplicates'

    after_s: float = 0.0002

    def __post_init__(self) -> None:
        """Refuse a second message before the first."""
        _EveryNth.__post_init__(self)
        at_least('after_s', self.after_s, 0.0)

    def check(self, spec: SensorSpec) -> None:
        """Refuse a second message that would come after the next measurement."""
        if self.after_s >= 1.0 / spec.rate_hz:
            raise ScenarioError(
                f'after_s: found {self.after_s!r}, expected less than one period, '
                f'{1.0 / spec.rate_hz:g}')

    def deliver(self, messages: list[Message], struck: bool) -> list[Message]:
        """Return the messages, twice if it is their turn."""
        if not self._hit(struck):
            return messages
        after_ns = round(self.after_s * 1e9)
        return messages + [
            replace(message, publish_ns=message.publish_ns + after_ns) for message in messages]


@dataclass(kw_only=True)
class Reordering(_EveryNth):
    """One message in every is overtaken by its successor."""

    kind: ClassVar[str] = 'reordering'

    _held: list[Message] = field(default_factory=list, init=False, repr=False)

    def __post_init__(self) -> None:
        """Refuse that each message be overtaken by the next."""
        _EveryNth.__post_init__(self)
        at_least('every', self.every, 2)

    def deliver(self, messages: list[Message], struck: bool) -> list[Message]:
        """Return the messages with those held back behind them, or hold them back."""
        if self._hit(struck):
            self._held = messages
            return []
        held, self._held = self._held, []
        return messages + held


FAULTS: dict[str, type[Fault]] = {kind.kind: kind for kind in (
    ClockStep, CovarianceBlowup, PoseJump, Silence, DelayRise, Loss, Duplicates, Reordering)}
"""Kinds of fault by the name that a scenario file calls them."""
