# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Settings of the judgement of a lidar cloud: what counts as a surface, what as constrained."""

from __future__ import annotations

from dataclasses import dataclass

from robot_mapping_qa.settings import setting


@dataclass(frozen=True, slots=True)
class GeometryLimits:
    """How a cloud is thinned to planar patches, and from when on a direction is constrained."""

    min_range_m: float = setting(
        0.5, 0.0, 10.0,
        'Nearer points are left out: the robot itself, and the zeros that many drivers send for '
        'a beam without return.')
    max_range_m: float = setting(
        80.0, 1.0, 500.0,
        'Farther points are left out: beams there are so far apart that they show no surface.')
    range_noise_m: float = setting(
        0.02, 0.001, 0.5,
        'Standard deviation of one range, independent from point to point. Data sheets of robot '
        'lidars say 0.01 to 0.03 m (common practice, no source).')
    unevenness: float = setting(
        0.03, 0.0, 0.3,
        'How far a surface strays from the plane of a patch in the smallest voxel, as a share of '
        'its edge; in larger ones it grows with the square root of the edge. All points of the '
        'patch share this error: it does not average out over them, so a dense cloud does not '
        'pretend to micrometres, and large patches count less than small ones (common practice, '
        'no source).')
    voxel_m: float = setting(
        0.3, 0.1, 5.0,
        'Edge of the smallest voxel. Fifteen times the range noise, so that the plane in it is '
        'wider than its noise is thick. What makes no plane is pooled in voxels of 2, 4 and 8 '
        'times this.')
    normal_sigma_rad: float = setting(
        0.1, 0.005, 0.5,
        'Largest standard deviation of the normal of a patch. Points on one line have a larger '
        'one, whatever their number.')
    noise_margin: float = setting(
        1.0, 0.0, 10.0,
        'The information that noisy normals feign is taken off; so many times as much is taken '
        'off beside it, because the noise is not known exactly.')
    stray_share: float = setting(
        0.008, 0.0, 0.5,
        'This share of all information is taken off every direction as well: a leaf, or a corner '
        'that looks like a plane. In simulated straight corridors, 16 to 128 rings at any tilt, '
        'such patches feigned up to 0.0074 along the corridor.')
    chance_share: float = setting(
        0.02, 0.0, 1.0,
        'Points that lie on no plane, as in vegetation, do form one by chance: about one in a '
        'hundred in random clouds of 20,000 points and more. Taken off: this share of the points '
        'on no plane, over those on planes.')
