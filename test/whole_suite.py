# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Run the whole suite: first what may share the machine, on all cores; then what may not.

``python test/whole_suite.py [arguments of pytest]``. The tests with real processes measure how
soon something happens, which nothing beside them may disturb. The first part uses pytest-xdist
where it is installed. Ends with the first status that is not 0.
"""

import importlib.util
import subprocess
import sys

ALONE = 'live or kill'
"""Names of the tests that need the machine for themselves, as an expression for ``pytest -k``."""


def main(arguments):
    workers = ['-n', 'logical'] if importlib.util.find_spec('xdist') else []
    parts = ([*workers, '-k', f'not ({ALONE})'], ['-k', ALONE])
    statuses = [subprocess.run([sys.executable, '-m', 'pytest', *part, *arguments]).returncode
                for part in parts]
    return next((status for status in statuses if status), 0)


if __name__ == '__main__':
    sys.exit(main(sys.argv[1:]))
