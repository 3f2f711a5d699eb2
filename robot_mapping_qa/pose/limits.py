# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Thresholds of the checks on the unit's pose."""

from __future__ import annotations

from dataclasses import dataclass

from robot_mapping_qa.settings import setting


@dataclass(frozen=True, slots=True)
class PoseLimits:
    """
    What the unit's pose is held against.

    The limits on motion describe the carrier, not the unit: what it cannot do, so that a pose
    which does it is wrong. A profile sets them for its robot.
    """

    jump_limit_m: float = setting(
        0.05, 0.001, 10.0,
        'Smallest step of the position, beyond what the motion explains, that must be found. As '
        'large as the point error that a close inspection usually allows.')
    jump_limit_rad: float = setting(
        0.05, 0.001, 3.0,
        'The same for the orientation: 0.05 rad moves a point at 1 m by the 0.05 m above.')
    jump_hold_s: float = setting(
        1.0, 0.1, 600.0,
        'How long after the last jump the pose counts as jumping. A unit that finds its place '
        'again often needs several corrections within a second. The off-delay of the gate counts '
        'from the last jump as well: the longer of the two decides.')
    max_acceleration_mps2: float = setting(
        10.0, 0.1, 1000.0,
        'Largest acceleration of the unit. About one g: footfalls and bumps of a robot, not its '
        'drive. It sets how far the motion between two poses can stray from the prediction.')
    max_angular_acceleration_radps2: float = setting(
        20.0, 0.1, 1000.0,
        'Largest angular acceleration of the unit: from rest to 2 rad/s in a tenth of a second.')
    max_speed_mps: float = setting(
        5.0, 0.1, 200.0,
        'Speed that the carrier cannot reach. Inspection robots walk or drive at up to 2 m/s.')
    max_turn_rate_radps: float = setting(
        4.0, 0.1, 100.0,
        'Turn rate that the carrier cannot reach. Turning on the spot is about 1 to 2 rad/s.')
    pose_noise_m: float = setting(
        0.005, 0.0, 1.0,
        'Largest random difference between the positions of two neighbouring poses, without '
        'drift. Units smooth their pose: it is millimetres.')
    pose_noise_rad: float = setting(
        0.01, 0.0, 1.0,
        'The same for the orientation.')
    twist_error_fraction: float = setting(
        0.05, 0.0, 1.0,
        'Largest error of the reported twist as a share of it: wheel radius, late stamps.')
    stale_s: float = setting(
        0.35, 0.05, 10.0,
        'Silence after which the pose counts as lost, or five periods of the stream where those '
        'are longer. Long enough for a hiccup of the network, short against a picture interval.')
    distance_stale_s: float = setting(
        1.0, 0.05, 60.0,
        'How long a reading of a range finder (role distance) counts. A robot walks a metre on '
        'in it; single readings that find nothing are usual.')
    placeholder_after_m: float = setting(
        5.0, 0.1, 1000.0,
        'Distance over which the reported covariance must have changed at least once. One that '
        'stays the same bit for bit while the robot moves is a placeholder.')
    placeholder_after_s: float = setting(
        10.0, 0.1, 3600.0,
        'Time for the same test; both must have passed.')
    fault_hold_s: float = setting(
        0.5, 0.1, 60.0,
        'How long a fault carried by one message is shown after it. Longer than the time between '
        'two verdicts, so that none passes unseen.')
