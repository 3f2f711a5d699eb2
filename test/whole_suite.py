# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Run the whole suite in three parts, by how much company the tests bear.

``python test/whole_suite.py [arguments of pytest]``. Tests without processes of their own share
all cores. Those with real processes mostly wait, so two files of them run side by side. The last
few measure how soon something happens, which nothing beside them may disturb. Without
pytest-xdist everything runs one after the other. Ends with the first status that is not 0.
"""

import importlib.util
import subprocess
import sys

LIVE = 'live or kill'
"""Names of the tests with real processes, as an expression for ``pytest -k``."""
ALONE = 'faults_live or fault_table_live or fail_safe_live or composed_live or monitors_live'
"""Names of those that need the machine for themselves."""


def main(arguments):
    shared, paired = [], []
    if importlib.util.find_spec('xdist'):
        shared = ['-n', 'logical']
        # By file, as the tests of one share a DDS domain.
        paired = ['-n', '2', '--dist', 'loadfile']
    parts = ([*shared, '-k', f'not ({LIVE})'],
             [*paired, '-k', f'({LIVE}) and not ({ALONE})'],
             ['-k', ALONE])
    statuses = [subprocess.run([sys.executable, '-m', 'pytest', *part, *arguments]).returncode
                for part in parts]
    return next((status for status in statuses if status), 0)


if __name__ == '__main__':
    sys.exit(main(sys.argv[1:]))
