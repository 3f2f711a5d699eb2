# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
How honest the standard deviations of offset and skew are: 200 simulated runs a case.

    python test/bench/clock_coverage.py [--runs 200] [--case WORD] [--first-seed 1000]

Each run passes through `StreamTiming` as a live stream does. The truth that offsets are compared
with is the clock's true offset less the smallest delay that the way allows. All cases lose 5 % of
the messages and deliver 3 % of them late and out of order.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
import sys
from typing import Iterator

import numpy as np
from robot_mapping_qa.timing.limits import StreamSpec, TimingLimits
from robot_mapping_qa.timing.stream import StreamTiming

START_NS = 1_700_000_000_000_000_000
LEAST_S = 0.005
LOST, LATE = 0.05, 0.03
RUNS, FIRST_SEED = 200, 1000
SKEW_LIMIT, OFFSET_LIMIT_S = 1e-6, 0.5e-3


@dataclass(frozen=True)
class Case:
    """Queueing delays of a kind, and what the clock does, over a time."""

    name: str
    kind: str
    duration_s: float = 600.0
    rate_hz: float = 15.0
    drift_ppm_per_min: float = 0.0
    warm_up_ppm: float = 0.0
    warm_up_s: float = 300.0
    step_s: float = 0.0
    slew_s: float = 0.0
    longer_s: float = 0.0


CASES = (
    Case('exponential', 'exponential'),
    Case('exponential, 1 ppm/min', 'exponential', drift_ppm_per_min=1.0),
    Case('gamma', 'gamma'),
    Case('gamma, 1 ppm/min', 'gamma', drift_ppm_per_min=1.0),
    Case('gamma, warm-up by 5 ppm', 'gamma', warm_up_ppm=5.0),
    Case('gamma, warm-up by 20 ppm in 20 min', 'gamma', warm_up_ppm=20.0, warm_up_s=1200.0),
    Case('slow gamma, 10 Hz, warm-up by 20 ppm', 'slow', rate_hz=10.0, warm_up_ppm=20.0),
    Case('lognormal, warm-up by 20 ppm', 'lognormal', warm_up_ppm=20.0),
    Case('slow gamma, 10 Hz', 'slow', rate_hz=10.0),
    Case('slow gamma, 10 Hz, 1 ppm/min', 'slow', rate_hz=10.0, drift_ppm_per_min=1.0),
    Case('lognormal', 'lognormal'),
    Case('lognormal, 1 ppm/min', 'lognormal', drift_ppm_per_min=1.0),
    Case('bimodal', 'bimodal'),
    Case('bimodal, 1 ppm/min', 'bimodal', drift_ppm_per_min=1.0),
    Case('bimodal, 2 Hz', 'bimodal', rate_hz=2.0),
    Case('bursts', 'bursts'),
    Case('bursts, 1 ppm/min', 'bursts', drift_ppm_per_min=1.0),
    Case('gamma, step of 5 to 100 ms', 'gamma', step_s=0.1),
    Case('bimodal, step of 5 to 100 ms', 'bimodal', step_s=0.1),
    Case('gamma, slew of 15 ms at 500 ppm', 'gamma', slew_s=0.015),
    Case('gamma, way 40 ms longer for 100 s', 'gamma', longer_s=0.04),
    Case('gamma, 2 min', 'gamma', duration_s=120.0),
    Case('bursts, 2 min, 1 ppm/min', 'bursts', duration_s=120.0, drift_ppm_per_min=1.0),
)
SLEW_RATE = 500e-6


def queueing(case: Case, times: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return what is added to the smallest delay of messages at ``times`` (n,), s (n,)."""
    count = len(times)
    if case.kind == 'exponential':
        return rng.exponential(2e-3, count)
    if case.kind == 'gamma':
        return rng.gamma(2.0, 1e-3, count)
    if case.kind == 'slow':
        return rng.gamma(2.0, 3e-3, count)
    if case.kind == 'lognormal':
        return rng.lognormal(np.log(2e-3), 0.8, count)
    if case.kind == 'bimodal':
        return 25e-3 * (rng.random(count) > 0.4) + rng.gamma(2.0, 0.5e-3, count)
    delay = rng.exponential(1e-3, count)
    begin = rng.exponential(15.0)
    while begin < times[-1]:
        length = rng.exponential(3.0)
        struck = (times >= begin) & (times < begin + length)
        delay[struck] += rng.exponential(20e-3) + rng.exponential(5e-3, struck.sum())
        begin += length + rng.exponential(15.0)
    return delay


class Truth:
    """A clock: its offset and skew at times (n,), s since the start."""

    def __init__(self, case: Case, rng: np.random.Generator) -> None:
        """Draw the clock."""
        self._case = case
        self._offset_s = rng.uniform(-0.1, 0.1)
        self._skew = rng.uniform(-50e-6, 50e-6)
        self._drift = rng.choice((-1.0, 1.0)) * case.drift_ppm_per_min * 1e-6 / 60.0
        self._warm_up = rng.choice((-1.0, 1.0)) * case.warm_up_ppm * 1e-6
        size_s = np.exp(rng.uniform(np.log(0.005), np.log(max(case.step_s, 0.006))))
        self._size_s = rng.choice((-1.0, 1.0)) * size_s if case.step_s else 0.0
        self._at_s = rng.uniform(0.3, 0.7) * case.duration_s
        self._slew = rng.choice((-1.0, 1.0)) * SLEW_RATE if case.slew_s else 0.0

    def offset_s(self, times: np.ndarray) -> np.ndarray:
        """Return the clock less the host's clock, seconds."""
        slewed = np.clip(times - 200.0, 0.0, self._case.slew_s / SLEW_RATE)
        lasts_s = self._case.warm_up_s
        return (self._offset_s + self._skew * times + 0.5 * self._drift * times ** 2
                - self._warm_up * lasts_s * np.exp(-times / lasts_s)
                + self._size_s * (times >= self._at_s) + self._slew * slewed)

    def skew(self, time_s: float) -> float:
        """Return the growth of the offset, seconds per second, after any slew."""
        return float(self._skew + self._drift * time_s
                     + self._warm_up * np.exp(-time_s / self._case.warm_up_s))


def stream(case: Case, seed: int) -> tuple[np.ndarray, np.ndarray, Truth]:
    """Return stamps and receive times (n,), ns, in order of arrival, and the truth."""
    rng = np.random.default_rng(seed)
    truth = Truth(case, rng)
    times = np.arange(rng.uniform(), case.rate_hz * case.duration_s) / case.rate_hz
    delay = LEAST_S + queueing(case, times, rng)
    delay += case.longer_s * ((times >= 250.0) & (times < 350.0))
    late = rng.random(len(times)) < LATE
    delay[late] += rng.uniform(1.0, 3.0, late.sum()) / case.rate_hz
    kept = rng.random(len(times)) >= LOST
    times, delay = times[kept], delay[kept]
    order = np.argsort(times + delay, kind='stable')
    stamps, arrivals = ((START_NS + np.rint(1e9 * part[order]).astype(np.int64))
                        for part in (times + truth.offset_s(times), times + delay))
    return stamps, arrivals, truth


def errors(case: Case, seed: int) -> tuple[float, float, float, float] | None:
    """Return the errors of offset (s) and skew at the end and their sigmas, None if unknown."""
    stamps, arrivals, truth = stream(case, seed)
    watched = StreamTiming(StreamSpec('clock', '/clock', rate_hz=case.rate_hz), TimingLimits())
    for stamp, arrival in zip(stamps.tolist(), arrivals.tolist()):
        watched.add(stamp, arrival)
    watched.refresh()
    figures = watched.figures()
    if figures.skew_ppm is None or figures.skew_sigma_ppm is None:
        return None
    assert figures.offset_s is not None and figures.offset_sigma_s is not None
    now_s = (arrivals[-1] - START_NS) * 1e-9
    true_s = float(truth.offset_s(np.array([now_s]))[0]) - LEAST_S
    return (figures.offset_s - true_s, 1e-6 * figures.skew_ppm - truth.skew(now_s),
            figures.offset_sigma_s, 1e-6 * figures.skew_sigma_ppm)


def shares(case: Case, runs: int, first_seed: int) -> tuple[float, float, float, float]:
    """
    Return per cent of offsets and skews within two sigma, and of those within their limits.

    A run that gives no skew counts as wrong in everything.
    """
    found = [error for seed in range(first_seed, first_seed + runs)
             if (error := errors(case, seed)) is not None]
    offset, skew, offset_sigma, skew_sigma = np.array(found).reshape(-1, 4).T
    return (100.0 / runs * float(np.sum(np.abs(offset) < 2.0 * offset_sigma)),
            100.0 / runs * float(np.sum(np.abs(skew) < 2.0 * skew_sigma)),
            100.0 / runs * float(np.sum(np.abs(offset) < OFFSET_LIMIT_S)),
            100.0 / runs * float(np.sum(np.abs(skew) < SKEW_LIMIT)))


def run() -> Iterator[tuple[str, float, str, float | None]]:
    """Yield (what, figure, unit, goal); between 90 and 99 % are wanted within two sigma."""
    for case in CASES:
        offset, skew, near, close = shares(case, RUNS, FIRST_SEED)
        yield f'{case.name}: offset within 2 sigma', offset, '%', 90.0
        yield f'{case.name}: skew within 2 sigma', skew, '%', 90.0
        yield f'{case.name}: offset within 0.5 ms', near, '%', None
        yield f'{case.name}: skew within 1 ppm', close, '%', None


def main() -> int:
    """Print one line a case."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[1])
    parser.add_argument('--runs', type=int, default=RUNS)
    parser.add_argument('--first-seed', type=int, default=FIRST_SEED)
    parser.add_argument('--case', default='', help='only cases with this in their name')
    given = parser.parse_args()
    print(f'{given.runs} runs a case, 5 % lost, 3 % out of order; per cent of runs')
    print(f'{"":36} within 2 sigma     within limits')
    print(f'{"case":36} {"offset":>7} {"skew":>7}   {"0.5 ms":>7} {"1 ppm":>7}')
    for case in CASES:
        if given.case in case.name:
            row = shares(case, given.runs, given.first_seed)
            print(f'{case.name:36} {row[0]:7.1f} {row[1]:7.1f}   {row[2]:7.1f} {row[3]:7.1f}',
                  flush=True)
    return 0


if __name__ == '__main__':
    sys.exit(main())
