# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Figures of one picture: clipped shares, sharpness, and corners that can be tracked.

A large picture is not looked at as a whole: a window at full resolution is taken out of the
middle of each cell of a grid. Thinning the pixels out, or averaging them, would hide the blur
that is looked for. Windows are (..., rows, columns) of grey levels; a whole picture will do too.
"""

from __future__ import annotations

from typing import Iterator, NamedTuple

import numpy as np
from robot_mapping_qa.pose.image_limits import ImageLimits

CELLS = (6, 8)
"""Rows and columns of cells: nearly square ones in a picture of 4:3."""

WINDOW_PX = 48
"""Largest side of a window: 48 of them are a third of a picture of 640 x 480."""

LEAST_CELL_PX = 32
"""Small pictures get fewer cells; the figures need pixels 12 px apart in each."""

_LEAST_WINDOW_PX = 16
_REBLUR_PX = 11
_BLOCK_PX = 4
# Sobel: weights of 1, 2, 1 and neighbours two pixels apart.
_SOBEL_SUM = 8.0
# Sharpness is told from edges; with fewer than this share of the pixels there are none.
_LEAST_EDGE_SHARE = 0.01
# Sum over a patch of the squared Sobel gradient of white noise of variance 1: 64 times 12 / 64.
_PATCH_OF_NOISE = 12.0
# The best of all patches of white noise in a window stays below three times the mean.
_ABOVE_NOISE = 3.0
# Slope of an edge that stands out from the noise after the blur, per grey level of noise: with
# more the sharpest edges alone would count, with less the noise passes for sharpness.
_EDGE_ABOVE_NOISE = 0.3


class PictureFigures(NamedTuple):
    """
    The figures of one picture.

    ``dark_share`` and ``bright_share`` of the pixels are clipped, ``texture`` is the share of
    cells with a corner to track; the last two are None where the picture does not tell.
    """

    dark_share: float
    bright_share: float
    sharpness: float | None
    texture: float | None


def picture_figures(windows: np.ndarray, limits: ImageLimits) -> PictureFigures:
    """Work the figures out from windows of float32 grey levels, 0 to 255."""
    dark, bright = clipped_shares(windows, limits.dark_level, limits.bright_level)
    noise = noise_levels(windows)
    sharp = sharpness(windows, np.maximum(limits.edge_slope, _EDGE_ABOVE_NOISE * noise))
    corners = corner_sigmas_px(windows, limits.pixel_noise, noise)
    return PictureFigures(dark, bright, sharp, None if corners is None else float(
        np.mean(corners <= limits.corner_sigma_px)))


def spread_windows(pixels: np.ndarray) -> np.ndarray:
    """
    Return a view (cell rows, cell columns, rows, columns) of windows spread over a picture.

    ``pixels`` is (rows, columns).
    """
    rows, columns = pixels.shape
    down, across = (max(1, min(most, size // LEAST_CELL_PX))
                    for most, size in zip(CELLS, (rows, columns)))
    high, wide = rows // down, columns // across
    top, left = max(0, (high - WINDOW_PX) // 2), max(0, (wide - WINDOW_PX) // 2)
    cells = pixels[:down * high, :across * wide].reshape(down, high, across, wide)
    return cells[:, top:top + WINDOW_PX, :, left:left + WINDOW_PX].swapaxes(1, 2)


def clipped_shares(windows: np.ndarray, dark_level: float,
                   bright_level: float) -> tuple[float, float]:
    """Return the shares of the pixels at ``dark_level`` or below, at ``bright_level`` or above."""
    return (int(np.count_nonzero(windows <= dark_level)) / windows.size,
            int(np.count_nonzero(windows >= bright_level)) / windows.size)


def noise_levels(windows: np.ndarray) -> np.ndarray:
    """
    Return the standard deviation (...) of the noise in each window, grey levels.

    Immerkaer 1996, "Fast noise variance estimation": the mean of what the difference of two
    Laplacians leaves. Detail as fine as a pixel counts as noise, so it is an upper bound. 0 for
    windows that are too small.
    """
    if min(windows.shape[-2:]) < _LEAST_WINDOW_PX:
        return np.zeros(windows.shape[:-2])
    means = [np.abs(_second_difference(_second_difference(part).swapaxes(-1, -2))).mean((-1, -2))
             for part, in _parts(windows)]
    return np.array(means).reshape(windows.shape[:-2]) * ((np.pi / 2.0) ** 0.5 / 6.0)


def sharpness(windows: np.ndarray, edge_slope: float | np.ndarray = 0.0) -> float | None:
    """
    Return how sharp the windows are, from 0 (smeared out) to 1; None where there is no edge.

    One less the blur metric of Crete, Dolmiere, Ladret and Nicolas 2007, "The blur effect:
    perception and estimation with a new no-reference perceptual blur metric" (equations 1 to 5):
    how much of the differences between neighbouring pixels a second blur leaves, along rows and
    columns, the worse of the two. It does not depend on contrast, so that a plain wall does not
    count as blurred. Differences are those of the Sobel operator.

    Only pixels are counted where the picture, blurred the second time, still slopes by more than
    ``edge_slope`` grey levels a pixel, a number or one for each window (...). Elsewhere the noise
    would be measured, which is always sharp; with 0 all pixels count.
    """
    if min(windows.shape[-2:]) < _LEAST_WINDOW_PX:
        return None
    sums = np.zeros((2, 3))
    for part, slopes in _parts(windows, edge_slope):
        sums[0] += _difference_sums(part, slopes)
        sums[1] += _difference_sums(part.swapaxes(-1, -2), slopes)
    left = [after / before for before, after, edges in sums.tolist()
            if before > 0.0 and edges >= _LEAST_EDGE_SHARE * windows.size]
    return 1.0 - max(left) if left else None


def _difference_sums(windows: np.ndarray, edge_slopes: np.ndarray) -> tuple[float, float, int]:
    """
    Return the sum of the differences along rows, what a blur leaves of it, and the edge pixels.

    Both sums are over the pixels that are part of an edge.
    """
    across = _smooth_columns(windows)
    reach = _REBLUR_PX // 2 + 1
    before = across[..., reach + 1:1 - reach] - across[..., reach - 1:-1 - reach]
    np.abs(before, out=before)
    # The same difference of the running mean of 11 pixels: all but its outermost ones cancel.
    after = across[..., 2 * reach:] + across[..., 2 * reach - 1:-1]
    after -= across[..., 1:1 - 2 * reach]
    after -= across[..., :-2 * reach]
    np.abs(after, out=after)
    after *= 1.0 / _REBLUR_PX
    is_edge = after >= _SOBEL_SUM * edge_slopes[..., None, None]
    before *= is_edge
    np.minimum(before, after, out=after)
    return float(before.sum()), float(after.sum()), int(np.count_nonzero(is_edge))


def corner_sigmas_px(windows: np.ndarray, pixel_noise: float,
                     found_noise: float | np.ndarray = 0.0) -> np.ndarray | None:
    """
    Return how exactly the best corner of each window (...) can be tracked, px; inf without one.

    The figure is the standard deviation of the corner's place, in its weakest direction, between
    two pictures whose pixels have noise of standard deviation ``pixel_noise``. The inverse of the
    structure tensor summed over a patch of 8 x 8 pixels is the covariance of that place for unit
    noise (Foerstner and Guelch 1987), so the smallest eigenvalue counts (Shi and Tomasi 1994,
    "Good features to track", section 4). Patches overlap by half. A patch that white noise like
    ``found_noise``, a number or one for each window, could have made is no corner. None if the
    windows are too small.
    """
    if min(windows.shape[-2:]) < _LEAST_WINDOW_PX:
        return None
    weakest = np.array([smallest_eigenvalues(part).max((-1, -2)) for part, in _parts(windows)])
    weakest = weakest.reshape(windows.shape[:-2])
    is_corner = weakest > _ABOVE_NOISE * _PATCH_OF_NOISE * np.square(found_noise)
    with np.errstate(divide='ignore'):
        return 2.0 ** 0.5 * pixel_noise / np.sqrt(np.where(is_corner, weakest, 0.0))


def smallest_eigenvalues(windows: np.ndarray) -> np.ndarray:
    """
    Return the smaller eigenvalue of the structure tensor of each 8 x 8 patch of the windows.

    Patches lie 4 px apart, the first one begins at pixel (1, 1). Gradients are those of the Sobel
    operator, in grey levels a pixel, summed over the patch.
    """
    down, across = _gradient(windows.swapaxes(-1, -2)).swapaxes(-1, -2), _gradient(windows)
    xx, xy, yy = (_patch_sums(product)
                  for product in (across * across, across * down, down * down))
    return 0.5 * (xx + yy) - np.sqrt(0.25 * (xx - yy) ** 2 + xy * xy)


def _gradient(windows: np.ndarray) -> np.ndarray:
    """Return the derivative along rows, without the outermost pixels all around."""
    smooth = _smooth_columns(windows)
    slope = smooth[..., 2:] - smooth[..., :-2]
    slope *= 1.0 / _SOBEL_SUM
    return slope


def _smooth_columns(windows: np.ndarray) -> np.ndarray:
    """Return the sums of three neighbours in a column with weights 1, 2, 1."""
    smooth = windows[..., :-2, :] + windows[..., 2:, :]
    smooth += windows[..., 1:-1, :]
    smooth += windows[..., 1:-1, :]
    return smooth


def _patch_sums(values: np.ndarray) -> np.ndarray:
    """Return the sums over patches of two by two blocks."""
    return _sums_along_rows(_sums_along_rows(values).swapaxes(-1, -2)).swapaxes(-1, -2)


def _sums_along_rows(values: np.ndarray) -> np.ndarray:
    values = values[..., :values.shape[-1] // _BLOCK_PX * _BLOCK_PX]
    # Slices: many times faster than a sum over an axis of four.
    blocks = values[..., ::_BLOCK_PX] + values[..., 1::_BLOCK_PX]
    blocks += values[..., 2::_BLOCK_PX]
    blocks += values[..., 3::_BLOCK_PX]
    return blocks[..., 1:] + blocks[..., :-1]


def _second_difference(values: np.ndarray) -> np.ndarray:
    """Return the second difference along rows."""
    found = values[..., :-2] + values[..., 2:]
    found -= values[..., 1:-1]
    found -= values[..., 1:-1]
    return found


def _parts(windows: np.ndarray, *of_each: float | np.ndarray) -> Iterator[tuple[np.ndarray, ...]]:
    """
    Yield the windows in portions whose intermediate results fit into a core's cache.

    With each portion the part of ``of_each`` that belongs to it, a number a window.
    """
    values = [np.broadcast_to(value, windows.shape[:-2]) for value in of_each]
    if windows.ndim > 3:
        yield from zip(windows, *values)
    else:
        yield (windows, *values)
