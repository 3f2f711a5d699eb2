# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
How an offset wanders: time deviation (TDEV) and maximum time interval error (MTIE).

Both are functions of the observation interval tau. TDEV(tau) is the root mean square change of
the offset's average between neighbouring intervals of length tau, insensitive to a constant
offset and a constant skew. MTIE(tau) is the largest peak-to-peak change of the offset within any
interval of length tau; a constant skew counts.

Sources: ITU-T G.810 (08/1996) appendix II, NIST Special Publication 1065 (Riley 2008), and for
the speed of MTIE the binary decomposition of Bregni and Maccabruni, IEEE Trans. Instrumentation
and Measurement 49 (2000).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Sequence

import numpy as np

# Beyond this the times hold a wrong stamp rather than a recording: 11 days at 10 Hz.
_MOST_CELLS = 10_000_000


@dataclass(frozen=True, slots=True)
class OffsetSeries:
    """
    An offset on a regular grid of cells.

    Cell k is centred at ``start_ns + k * interval_ns``. ``mean_s``, ``lowest_s`` and
    ``highest_s``, each (n,), describe the samples in each cell and are NaN where it has none.
    """

    start_ns: int
    interval_ns: int
    mean_s: np.ndarray
    lowest_s: np.ndarray
    highest_s: np.ndarray


@dataclass(frozen=True, slots=True)
class StabilityCurve:
    """
    A stability measure over the observation interval.

    ``tau_s`` and ``value_s`` (m,) in seconds; ``terms`` (m,) is the number of intervals or
    differences behind each value: few terms mean an uncertain value.
    """

    tau_s: np.ndarray
    value_s: np.ndarray
    terms: np.ndarray


def regular_series(
        times_ns: Sequence[int] | np.ndarray, offsets_s: Sequence[float] | np.ndarray,
        interval_ns: int | None = None) -> OffsetSeries:
    """
    Sort unevenly timed samples into the cells of a regular grid.

    ``times_ns`` and ``offsets_s``, both (n,), in any order. ``interval_ns`` is the width of a
    cell; None takes the median distance of successive times. Nothing is interpolated: a made-up
    sample would look more stable than a measured one. TDEV uses the mean of each cell, MTIE its
    extremes, so that averaging hides no excursion. Averaging several samples in a cell lowers
    TDEV as averaging in the instrument would; state the interval beside the result.

    Raises ValueError for fewer than two different times, unequal lengths, offsets that are not
    finite, an interval below 1 ns, or times so far apart that one of them must be wrong.
    """
    times = np.asarray(times_ns, dtype=np.int64)
    offsets = np.asarray(offsets_s, dtype=float)
    if times.ndim != 1 or times.shape != offsets.shape:
        raise ValueError(
            f'times_ns has shape {times.shape} and offsets_s {offsets.shape}, '
            'expected two equally long rows')
    if not np.isfinite(offsets).all():
        raise ValueError('offsets_s holds values that are not finite, expected seconds')
    order = np.argsort(times, kind='stable')
    times, offsets = times[order], offsets[order]
    distances = np.diff(times)
    distances = distances[distances > 0]
    if distances.size == 0:
        raise ValueError('times_ns holds fewer than two different times')
    if interval_ns is None:
        interval_ns = int(np.median(distances))
    if interval_ns < 1:
        raise ValueError(f'interval_ns is {interval_ns}, expected 1 or more')

    start = int(times[0])
    cells = (times - start + interval_ns // 2) // interval_ns
    count = int(cells[-1]) + 1
    if count > _MOST_CELLS:
        raise ValueError(
            f'times_ns spans {count} intervals of {interval_ns} ns, expected at most '
            f'{_MOST_CELLS}: a wrong stamp, or an interval too short')
    filled, first = np.unique(cells, return_index=True)
    mean, lowest, highest = (np.full(count, np.nan) for _ in range(3))
    mean[filled] = np.add.reduceat(offsets, first) / np.diff(first, append=len(cells))
    lowest[filled] = np.minimum.reduceat(offsets, first)
    highest[filled] = np.maximum.reduceat(offsets, first)
    return OffsetSeries(start, interval_ns, mean, lowest, highest)


def tdev(series: OffsetSeries, taus_s: Sequence[float] | None = None) -> StabilityCurve:
    """
    Return the time deviation of ``series``.

    With x the offsets and n = tau / interval, TDEV(tau)^2 is one sixth of the mean square, over
    all positions in the series, of the second difference of the averages of three neighbouring
    intervals of n cells (ITU-T G.810 appendix II; NIST SP 1065 equation 15).

    Gaps: an average uses the cells that have data and counts if at least half of them do; a
    second difference counts if its three averages do. A line fitted to the whole series is
    taken off first: TDEV of complete data does not depend on it, and without it an average over
    the first half of its interval would mistake skew for wander.

    ``taus_s`` are rounded to whole intervals; None takes 1, 2, 4, 8 ... intervals. A tau longer
    than a third of the series, or without a single second difference, gives no value.
    """
    valid = np.isfinite(series.mean_s)
    position = np.arange(valid.size)
    line = np.polynomial.Polynomial.fit(position[valid], series.mean_s[valid], 1)
    sums = _running_sum(np.where(valid, series.mean_s - line(position), 0.0))
    counts = _running_sum(valid)
    rows = []
    for width in _widths(series, taus_s, valid.size // 3):
        held = counts[width:] - counts[:-width]
        with np.errstate(invalid='ignore'):
            average = np.where(
                2 * held >= width, (sums[width:] - sums[:-width]) / np.maximum(held, 1), np.nan)
        second = average[2 * width:] - 2 * average[width:-width] + average[:-2 * width]
        second = second[np.isfinite(second)]
        if second.size:
            rows.append((width, np.sqrt(np.mean(second ** 2) / 6), second.size))
    return _curve(series, rows)


def mtie(series: OffsetSeries, taus_s: Sequence[float] | None = None) -> StabilityCurve:
    """
    Return the maximum time interval error of ``series``.

    MTIE(tau) is the largest difference between the highest and the lowest offset among the
    tau / interval + 1 neighbouring cells of any interval of length tau (ITU-T G.810 appendix
    II). Cells without data are passed over: a gap can hide an excursion but not make one, so
    with gaps MTIE is a lower bound.

    ``taus_s`` are rounded to whole intervals; None takes 1, 2, 4, 8 ... intervals. A tau longer
    than the series, or without an interval that holds two cells with data, gives no value.
    """
    held = _running_sum(np.isfinite(series.mean_s))
    # Extremes of every 2**level neighbouring cells. Two such spans, overlapping, cover any
    # interval up to twice as long.
    span = 1
    highest = np.where(np.isnan(series.highest_s), -np.inf, series.highest_s)
    lowest = np.where(np.isnan(series.lowest_s), np.inf, series.lowest_s)
    rows = []
    for width in _widths(series, taus_s, series.mean_s.size - 1):
        cells = width + 1
        while 2 * span <= cells:
            highest = np.maximum(highest[:-span], highest[span:])
            lowest = np.minimum(lowest[:-span], lowest[span:])
            span *= 2
        shift = cells - span
        positions = highest.size - shift
        change = (np.maximum(highest[:positions], highest[shift:])
                  - np.minimum(lowest[:positions], lowest[shift:]))
        change = change[held[cells:] - held[:-cells] >= 2]
        if change.size:
            rows.append((width, change.max(), change.size))
    return _curve(series, rows)


def _running_sum(values: np.ndarray) -> np.ndarray:
    return np.concatenate(([0], np.cumsum(values)))


def _widths(series: OffsetSeries, taus_s: Sequence[float] | None, longest: int) -> list[int]:
    """Return the observation intervals in cells, ascending, from 1 to ``longest``."""
    if taus_s is None:
        return [1 << level for level in range(longest.bit_length()) if 1 << level <= longest]
    widths = {round(tau * 1e9 / series.interval_ns) for tau in taus_s}
    return sorted(width for width in widths if 1 <= width <= longest)


def _curve(series: OffsetSeries, rows: list[tuple[int, float, int]]) -> StabilityCurve:
    table = np.array(rows, dtype=float).reshape(-1, 3)
    return StabilityCurve(
        table[:, 0] * (series.interval_ns * 1e-9), table[:, 1], table[:, 2].astype(np.int64))
