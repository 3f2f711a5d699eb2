# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Thresholds of the unit's motion: what lidar alone can follow."""

from __future__ import annotations

from dataclasses import dataclass

from robot_mapping_qa.settings import setting


@dataclass(frozen=True, slots=True)
class MotionLimits:
    """
    Up to where motion counts as gentle and level, and how far one lidar scan may sweep.

    A profile sets them for its robot: a body that sways at the step rate is not aggressive.
    """

    turn_rate_limit_radps: float = setting(
        0.8, 0.01, 100.0,
        'Turn rate about any axis above which the unit needs a camera. Steering along a path '
        'stays below 0.5 rad/s, turning on the spot is 1 to 2 rad/s.')
    tilt_rate_limit_radps: float = setting(
        0.5, 0.01, 100.0,
        'The same about horizontal axes only, as a lidar sees less far up and down than around. '
        'Driving onto a ramp of 0.2 rad within half a second is 0.4 rad/s.')
    acceleration_limit_mps2: float = setting(
        3.0, 0.1, 1000.0,
        'Acceleration above which the unit needs a camera. Over a scan of 0.1 s it moves the unit '
        '15 mm away from where constant speed leads: as much as the range noise of a lidar.')
    sweep_limit_rad: float = setting(
        0.2, 0.001, 6.3,
        'Largest turn during one scan. Undistorting leaves some per cent of it in the cloud '
        '(common practice, no source): 2 % move a point at 3 m by 12 mm.')
    sweep_limit_m: float = setting(
        0.3, 0.001, 100.0,
        'Largest way during one scan: 3 m/s at 10 scans a second, faster than any walk. The same '
        '2 % of it are 6 mm.')
    scan_s: float = setting(
        0.1, 0.001, 10.0,
        'Time of one lidar scan where no lidar stream gives its rate: most turn at 10 Hz (common '
        'practice, no source).')
    hold_s: float = setting(
        0.5, 0.1, 60.0,
        'How long motion beyond a limit is shown after it. Longer than half a step of a walking '
        'robot, so that swaying is one condition and not many.')
