# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Thresholds of the checks on the cameras' pictures."""

from __future__ import annotations

from dataclasses import dataclass

from robot_mapping_qa.settings import setting


@dataclass(frozen=True, slots=True)
class ImageLimits:
    """
    What the pictures of `aid` and `capture` cameras are held against.

    Grey levels are on the scale 0 to 255, whatever the depth of the picture. A profile sets them
    for its light: a tunnel, a bridge against the sky.
    """

    sample_rate_hz: float = setting(
        4.0, 0.1, 100.0,
        'Pictures of a camera looked at per second. Light and dirt change within seconds; two bad '
        'samples at this rate make a condition within half a second.')
    bad_samples: float = setting(
        2.0, 1.0, 100.0,
        'Bad samples one after the other that make a condition. A single one is a flash, a lamp '
        'or something that passed close by.')
    stale_s: float = setting(
        1.5, 0.1, 60.0,
        'Age of the newest sample beyond which nothing is known of a camera: six samples missed.')
    dark_level: float = setting(
        16.0, 0.0, 254.0,
        'Grey level up to which a pixel is black. ITU-R BT.601 puts black there; what lies below '
        'is mostly noise.')
    bright_level: float = setting(
        250.0, 1.0, 255.0,
        'Grey level from which a pixel is white. Below 255, as lossy compression moves saturated '
        'pixels by a few levels.')
    dark_share_limit: float = setting(
        0.6, 0.01, 1.0,
        'Largest share of black pixels. A lamp on the robot lights the middle of a picture and '
        'leaves up to half of it black; with still less lit the features crowd in one place '
        '(common practice, no source).')
    bright_share_limit: float = setting(
        0.5, 0.01, 1.0,
        'Largest share of white pixels. Sky beside a structure often fills a third of the '
        'picture and leaves enough of it (common practice, no source).')
    sharpness_limit: float = setting(
        0.43, 0.0, 1.0,
        'Smallest sharpness. Of 14 sharp sample photographs of scikit-image and scikit-learn, at '
        'full and half contrast and with pixel noise of 1 to 8 levels, all have 0.44 or more; '
        'smeared over 15 px, 88 % have less.')
    edge_slope: float = setting(
        1.0, 0.0, 50.0,
        'Slope, grey levels a pixel, from which an edge counts for the sharpness. What is fainter '
        'is lost in the noise of any camera; where more noise is found, more is asked for.')
    texture_limit: float = setting(
        0.2, 0.0, 1.0,
        'Smallest share of the cells of a picture that have a corner to track. A fifth of 48 '
        'cells is ten corners, spread out; a pose takes four, outliers come off '
        '(common practice, no source).')
    corner_sigma_px: float = setting(
        0.2, 0.01, 2.0,
        'Standard deviation, px, to which a corner must be tracked in its weakest direction. '
        'Feature trackers reach a tenth to a fifth of a pixel (common practice, no source).')
    pixel_noise: float = setting(
        2.0, 0.1, 50.0,
        'Standard deviation of the noise of a pixel, grey levels, for that figure: a small camera '
        'indoors (common practice, no source). More noise than that makes no corners: what noise '
        'of the strength found can explain is none.')
