# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""How the error of the unit's pose grows with the way: what the degradation estimate assumes."""

from __future__ import annotations

from dataclasses import dataclass

from robot_mapping_qa.settings import setting


@dataclass(frozen=True, slots=True)
class DegradationLimits:
    """
    Errors of the unit's motion, from its data sheet or from walks with a known end.

    All are standard deviations. The defaults describe a lidar-inertial unit that drifts by about
    0.1 % of the distance while the lidar holds it.
    """

    start_sigma_m: float = setting(
        0.002, 0.0, 10.0,
        'Error of the position, per axis, at the start and after a rebase. The start defines the '
        'frame: what is left is the noise of a single pose.')
    start_sigma_rad: float = setting(
        0.0002, 0.0, 1.0,
        'The same for the orientation.')
    scale_error: float = setting(
        0.001, 0.0, 0.1,
        'Error of the way in the good state as a share of it: 0.1 % of the distance (common '
        'practice, no source).')
    scale_error_lasts_m: float = setting(
        100.0, 1.0, 100000.0,
        'Way over which that error keeps its sign; over longer ones the parts partly cancel.')
    dead_reckoning_error: float = setting(
        0.0205, 0.0001, 0.5,
        'Error of the way, as a share of it and on each axis, where neither lidar nor camera '
        'holds the unit: inertial dead reckoning between footfalls or wheels, 1 to 2 % (common '
        'practice, no source), and a fortieth more: over 200 walks of a unit with 2 % the 95 % '
        'radius then seldom holds less than 93 % of the errors by chance.')
    dead_reckoning_lasts_m: float = setting(
        3.0, 0.1, 1000.0,
        'Way over which that error keeps its sign.')
    turn_walk_rad: float = setting(
        0.0001, 0.000001, 0.1,
        'Random walk of the orientation per square root of the metre: a gyroscope at walking '
        'speed, with its bias estimated.')
    turn_noise_rad: float = setting(
        0.00005, 0.0, 0.1,
        'The same per square root of the radian turned.')
    gravity_holds_m: float = setting(
        5.0, 0.1, 1000.0,
        'Way over which gravity takes an error of roll and pitch back.')
    registration_m: float = setting(
        0.25, 0.01, 10.0,
        'Way between two registrations of a scan in the map whose errors are independent: the '
        'distance of keyframes.')
    registration_sigma_m: float = setting(
        0.001, 0.00001, 1.0,
        'Error of one registration, per axis, where no lidar stream of the robot tells how well '
        'the surroundings hold it: those of the good state are assumed.')
    registration_sigma_rad: float = setting(
        0.0003, 0.000001, 1.0,
        'The same for the orientation.')
    registration_efficiency: float = setting(
        5.0, 0.001, 1000.0,
        'What the unit makes of its surroundings: the information of a registration, in clouds '
        'of the lidar stream of the robot. At 10 Hz and a walking speed of 0.7 m/s four clouds '
        'are taken on the way between two registrations, and the lidar of a mapping unit has two '
        'to three times as many points; half of it counts, as clouds taken so close together '
        'share what is wrong with them.')
    geometry_every_s: float = setting(
        0.4, 0.0, 60.0,
        'Clouds are judged this often, not each: the surroundings change with the way, and a '
        'judgement takes milliseconds.')
    geometry_stale_s: float = setting(
        1.5, 0.1, 60.0,
        'A judged cloud counts for so long; then nothing is known to hold the unit. Three lost in '
        'a row.')
    geometry_bridge_m: float = setting(
        10.0, 0.0, 1000.0,
        'Longest way without clouds on which what held the unit before and after counts as having '
        'held it in between, once clouds come again. Less than half of how far a lidar sees. 0 '
        'for never: what was assumed at the worst then stays.')
    visual_sigma_m: float = setting(
        0.003, 0.00001, 1.0,
        'Error of the motion between two registrations, per axis, from a camera that aids the '
        'unit and sees corners all over its pictures. With fewer the information is less, in '
        'proportion.')
    visual_sigma_rad: float = setting(
        0.0003, 0.000001, 1.0,
        'The same for the orientation.')
    closure_sigma_m: float = setting(
        0.01, 0.0, 10.0,
        'Error of the position, per axis, after a loop closure.')
    closure_sigma_rad: float = setting(
        0.001, 0.0, 1.0,
        'The same for the orientation.')
    closure_limit_m: float = setting(
        0.03, 0.001, 100.0,
        'Smallest correction of the map that counts as a loop closure. Below it the unit only '
        'smooths.')
    closure_limit_rad: float = setting(
        0.01, 0.0001, 3.0,
        'The same for the orientation.')
    agree_over_m: float = setting(
        5.0, 0.0, 100000.0,
        'Way over which the places of points must agree with each other: about as far as a '
        'picture and the map around it reach. The point error of the gate counts what the unit '
        'is estimated to have lost over so many metres; of a unit that does not tell its error, '
        'or not rightly, also all that it lost where clouds showed that nothing held it. 0 counts '
        'all since the start, the last rebase or loop closure: for coordinates that must hold on '
        'the whole structure.')
