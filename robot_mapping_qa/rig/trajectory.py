# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The true motion of the robot: a smooth inspection walk, known exactly at any time."""

from __future__ import annotations

from dataclasses import dataclass
import math
from typing import Protocol

from robot_mapping_qa.rig.checks import above, at_least
from robot_mapping_qa.rig.rotation import (
    conjugate, from_roll_pitch_yaw, Quaternion, rotate, Vector)


@dataclass(frozen=True, slots=True)
class MotionState:
    """
    True motion of the body at one time.

    position (m) and quaternion place the body in the map frame; yaw (rad) is its heading there;
    linear (m/s), angular (rad/s) and acceleration (m/s^2, without gravity) are in the body frame
    of REP 103 (x forward, y left, z up).
    """

    position: Vector
    quaternion: Quaternion
    yaw: float
    pitch: float
    linear: Vector
    angular: Vector
    acceleration: Vector


@dataclass(frozen=True, slots=True)
class Walk:
    """
    A walk in loops, the body turning aside to look as it goes.

    The path is a figure of eight, half_length_m along X and half_width_m along Y, one loop in
    loop_s. The body faces along the path and pans from it by pan_rad over pan_s, and again by
    glance_rad over glance_s; its gait lifts it by heave_m and tilts it by sway_rad at gait_hz.
    All of it is made of sines, so that velocity and acceleration are exact derivatives.

    Raises ScenarioError for sizes or times that are not positive, or negative amplitudes.
    """

    half_length_m: float = 8.0
    half_width_m: float = 2.5
    loop_s: float = 80.0
    pan_rad: float = 0.5
    pan_s: float = 9.0
    glance_rad: float = 0.12
    glance_s: float = 3.7
    heave_m: float = 0.01
    sway_rad: float = 0.015
    gait_hz: float = 1.3

    def __post_init__(self) -> None:
        """Refuse a walk that stands still or has no path to face along."""
        for name in ('half_length_m', 'half_width_m', 'loop_s', 'pan_s', 'glance_s', 'gait_hz'):
            above(name, getattr(self, name), 0.0)
        for name in ('pan_rad', 'glance_rad', 'heave_m', 'sway_rad'):
            at_least(name, getattr(self, name), 0.0)

    def at(self, time_s: float) -> MotionState:
        """Return the true motion time_s seconds after the start."""
        # Figure of eight (lemniscate of Gerono): its speed never vanishes, so the heading along
        # it is defined everywhere.
        loop = 2 * math.pi / self.loop_s
        u = loop * time_s
        x, y = self.half_length_m * math.sin(u), self.half_width_m * math.sin(2 * u)
        vx = self.half_length_m * loop * math.cos(u)
        vy = 2 * self.half_width_m * loop * math.cos(2 * u)
        ax = -self.half_length_m * loop ** 2 * math.sin(u)
        ay = -4 * self.half_width_m * loop ** 2 * math.sin(2 * u)
        return on_foot(self, time_s, (x, vx, ax), (y, vy, ay))


class Gait(Protocol):
    """How a body sways and looks aside; see `Walk`."""

    @property
    def pan_rad(self) -> float:
        """Amplitude of the slow turning aside, rad."""

    @property
    def pan_s(self) -> float:
        """Its period, s."""

    @property
    def glance_rad(self) -> float:
        """Amplitude of the quick turning aside, rad."""

    @property
    def glance_s(self) -> float:
        """Its period, s."""

    @property
    def heave_m(self) -> float:
        """How far the gait lifts the body, m."""

    @property
    def sway_rad(self) -> float:
        """How far it tilts it, rad."""

    @property
    def gait_hz(self) -> float:
        """Steps a second."""


def on_foot(body: Gait, time_s: float, along_x: Vector, along_y: Vector) -> MotionState:
    """
    Return the motion of a body that faces along its path, sways, and turns aside to look.

    ``along_x`` and ``along_y`` are the path's place (m), velocity (m/s) and acceleration (m/s^2)
    at ``time_s`` in the map frame; the velocity must not vanish.
    """
    (x, vx, ax), (y, vy, ay) = along_x, along_y
    gait = 2 * math.pi * body.gait_hz
    z, vz, az = sine(body.heave_m, gait, 0.0, time_s)
    roll, roll_rate, _ = sine(body.sway_rad, gait / 2, 0.0, time_s)
    pitch, pitch_rate, _ = sine(body.sway_rad, gait, 1.0, time_s)
    pan, pan_rate, _ = sine(body.pan_rad, 2 * math.pi / body.pan_s, 0.0, time_s)
    glance, glance_rate, _ = sine(body.glance_rad, 2 * math.pi / body.glance_s, 0.5, time_s)
    yaw = math.atan2(vy, vx) + pan + glance
    yaw_rate = (vx * ay - vy * ax) / (vx * vx + vy * vy) + pan_rate + glance_rate

    quaternion = from_roll_pitch_yaw(roll, pitch, yaw)
    to_body = conjugate(quaternion)
    return MotionState(
        position=(x, y, z), quaternion=quaternion, yaw=yaw, pitch=pitch,
        linear=rotate(to_body, (vx, vy, vz)),
        angular=body_rates(roll, pitch, roll_rate, pitch_rate, yaw_rate),
        acceleration=rotate(to_body, (ax, ay, az)))


def body_rates(
        roll: float, pitch: float, roll_rate: float, pitch_rate: float,
        yaw_rate: float) -> Vector:
    """
    Turn rate in the body frame, rad/s, from roll, pitch and yaw rates.

    Diebel, Representing Attitude (2006).
    """
    return (
        roll_rate - yaw_rate * math.sin(pitch),
        pitch_rate * math.cos(roll) + yaw_rate * math.cos(pitch) * math.sin(roll),
        -pitch_rate * math.sin(roll) + yaw_rate * math.cos(pitch) * math.cos(roll))


def sine(amplitude: float, rate: float, phase: float, time_s: float) -> Vector:
    """Value, first and second derivative of a sine."""
    angle = rate * time_s + phase
    value = amplitude * math.sin(angle)
    return value, amplitude * rate * math.cos(angle), -rate * rate * value
