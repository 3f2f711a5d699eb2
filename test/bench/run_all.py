# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Run every benchmark of this folder, or those named, and print one table."""

import importlib
from pathlib import Path
import sys


def main():
    """Print label, value, unit and goal of each row; the exit status is 0 whatever the values."""
    folder = Path(__file__).parent
    sys.path.insert(0, str(folder))
    names = sys.argv[1:] or sorted(path.stem for path in folder.glob('bench_*.py'))
    for name in names:
        print(f'{name}', flush=True)
        for label, value, unit, goal in importlib.import_module(name).run():
            wanted = '' if goal is None else f'   goal {goal:g}'
            print(f'  {label:58} {value:10.3f} {unit}{wanted}', flush=True)
    return 0


if __name__ == '__main__':
    sys.exit(main())
