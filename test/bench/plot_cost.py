# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Draw how the cost of the live monitors grows with streams and rate, for DEVELOPERS.md."""

from pathlib import Path
import sys

import matplotlib
matplotlib.use('Agg')
import bench_live  # noqa: E402, I100
import matplotlib.pyplot as plt  # noqa: E402

PICTURE = Path(__file__).resolve().parents[2] / 'resource' / 'monitor_cost.png'
TIMES = (0.25, 0.5, 1.0, 2.0)
LINES = {
    'both monitors': ('sync_monitor', 'pose_monitor'),
    'bare subscribers to the same topics': ('bare', 'bare pose'),
    'gate': ('capture_gate',),
}


def rate_hz(fleet, times):
    """Return the messages a second that the monitors watch."""
    return times * sum(count * bench_live.KINDS[role][2] for role, count in fleet.items())


def main():
    """Measure, which takes about three minutes, and draw."""
    bench_live.MEASURED_S = 15.0
    fleets = bench_live.FLEETS
    # The rates are varied with the streams of the middle one.
    by_rate = {times: bench_live.measure(fleets[6], times) for times in TIMES}
    by_size = {count: by_rate[1.0] if count == 6 else bench_live.measure(fleet)
               for count, fleet in fleets.items()}
    figure, (left, right) = plt.subplots(1, 2, figsize=(10.0, 3.8), sharey=True)
    for name, processes in LINES.items():
        for axes, places, measured in (
                (left, list(by_size), by_size.values()),
                (right, [rate_hz(fleets[6], times) for times in TIMES], by_rate.values())):
            axes.plot(places, [100.0 * sum(used[process][0] for process in processes)
                               for used in measured], 'o-', label=name)
    left.set(xlabel='streams at their usual rates', ylabel='CPU, % of a core', ylim=(0.0, None))
    right.set(xlabel='messages a second of six streams')
    for axes in (left, right):
        axes.grid(alpha=0.3)
    left.legend(fontsize='small')
    figure.tight_layout()
    figure.savefig(PICTURE, dpi=110)
    for what, measured in (('streams', by_size), ('times the rate', by_rate)):
        for place, used in measured.items():
            print(place, what, {name: round(100.0 * share, 1)
                                for name, (share, _) in used.items()})
    return 0


if __name__ == '__main__':
    sys.exit(main())
