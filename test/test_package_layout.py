# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The package installs completely, declares what it uses, and its files have one form."""

import ast
from importlib import metadata
import importlib.util
from pathlib import Path
import re
import subprocess
import sys
from xml.etree import ElementTree

import pytest
from robot_mapping_qa import resources

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = 'robot_mapping_qa'
HEADER = ['# Copyright 2026 The robot_mapping_qa authors', '# SPDX-License-Identifier: Apache-2.0']

# The rosdep key of an import where the two names differ.
KEYS = {
    'aiohttp': 'python3-aiohttp', 'flake8': 'python3-flake8', 'jinja2': 'python3-jinja2',
    'matplotlib': 'python3-matplotlib', 'numpy': 'python3-numpy', 'PIL': 'python3-pil',
    'pytest': 'python3-pytest', 'rosbags': 'python3-rosbags-pip', 'scipy': 'python3-scipy',
    'tqdm': 'python3-tqdm', 'yaml': 'python3-yaml'}
# Declared, but not for an import of this package: for what the user or the tests start.
STARTED = {
    'ros2bag': 'replay.launch.py starts `ros2 bag play`',
    'ros2launch': '`ros2 launch` starts the nodes',
    'python3-flake8': 'the test below starts flake8',
    'python3-flake8-docstrings': 'a plugin of flake8',
    'python3-flake8-import-order': 'a plugin of flake8',
    'python3-flake8-quotes': 'a plugin of flake8',
    'python3-mypy': 'a test starts mypy',
    'python3-types-pyyaml': 'mypy reads it',
}
# Used where it is installed, without a rosdep key: `evo` by tests, `distributed` (the extra
# `cluster`) to spread bags over several machines.
OPTIONAL = {'distributed', 'evo'}
# Imported by the package and without a rosdep key: pip brings it, and the package says so
# where it is missing.
NO_KEY = {'mcap'}
# Comes with another declared package, as a part of it.
PARTS = {'builtin_interfaces': 'std_msgs', 'lz4': 'python3-rosbags-pip',
         'rosidl_runtime_py': 'rclpy', 'zstandard': 'mcap'}


def python_files(*folders):
    return [path for folder in folders for path in sorted((ROOT / folder).rglob('*.py'))]


def setup_call():
    tree = ast.parse((ROOT / 'setup.py').read_text(encoding='utf-8'))
    call = next(node for node in ast.walk(tree)
                if isinstance(node, ast.Call) and getattr(node.func, 'id', '') == 'setup')
    return {keyword.arg: keyword.value for keyword in call.keywords}


def declared(*tags):
    root = ElementTree.parse(ROOT / 'package.xml').getroot()
    return {element.text for tag in tags for element in root.iter(tag)}


def imported(paths):
    """Return for each package from outside the standard library the files that import it."""
    importers = {}
    for path in paths:
        for node in ast.walk(ast.parse(path.read_text(encoding='utf-8'), str(path))):
            names = []
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                # A message or service type named in a string is imported when it is needed.
                names = re.findall(r'\b([a-z][a-z0-9_]*)/(?:msg|srv)/[A-Z]', node.value)
            elif isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and not node.level:
                names = [node.module]
            for name in names:
                top = name.split('.')[0]
                if top not in sys.stdlib_module_names and top != PACKAGE:
                    key = KEYS.get(top, PARTS.get(top, top))
                    importers.setdefault(key, set()).add(path.relative_to(ROOT).as_posix())
    return importers


def package_files():
    # The stand-ins replace what a ROS installation has; package.xml describes that installation.
    return [path for path in python_files(PACKAGE, 'launch')
            if path.parent.name != 'stand_ins']


def test_version_is_the_same_everywhere():
    module = (ROOT / PACKAGE / '__init__.py').read_text(encoding='utf-8')
    in_module = re.search(r"^__version__ = '([^']+)'$", module, re.MULTILINE).group(1)
    assert declared('version') == {in_module}
    assert ast.literal_eval(setup_call()['version']) == in_module


def console_scripts():
    return ast.literal_eval(setup_call()['entry_points'])['console_scripts']


def test_every_executable_of_the_package_is_installed():
    names = {line.split('=')[0].strip() for line in console_scripts()}
    assert names >= {'sync_monitor', 'pose_monitor', 'capture_gate', 'rig', 'assess_bag', 'demo'}


@pytest.mark.parametrize('line', console_scripts())
def test_executable_has_a_main_function(line):
    module, function = line.split('=')[1].strip().split(':')
    path = ROOT / (module.replace('.', '/') + '.py')
    assert path.is_file(), f'{line}: there is no {path.relative_to(ROOT)}'
    tree = ast.parse(path.read_text(encoding='utf-8'))
    functions = {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}
    assert function in functions


def test_every_package_folder_is_a_python_package():
    bare = [path.parent for path in package_files()
            if path.parts[len(ROOT.parts)] == PACKAGE
            and not (path.parent / '__init__.py').is_file()]
    assert bare == []


def test_every_file_of_the_package_that_is_not_python_is_installed():
    folder = ROOT / PACKAGE
    patterns = next(ast.literal_eval(value) for value in setup_call()['package_data'].values)
    installed = {path for pattern in patterns for path in folder.glob(pattern)}
    present = {path for path in folder.rglob('*')
               if path.is_file() and path.suffix not in ('.py', '.pyc')}
    assert len(present) >= 3
    assert present - installed == set()


def test_every_import_is_declared():
    missing = {name: sorted(files) for name, files in imported(package_files()).items()
               if name not in declared('depend', 'exec_depend') | NO_KEY | OPTIONAL}
    assert missing == {}


def test_every_import_of_the_tests_is_declared():
    helpers = {path.stem for path in python_files('test')}
    known = declared('depend', 'exec_depend', 'test_depend') | OPTIONAL | NO_KEY
    missing = {name: sorted(files) for name, files in imported(python_files('test')).items()
               if name not in known and name not in helpers}
    assert missing == {}


def test_nothing_is_declared_that_nothing_uses():
    used = set(imported(package_files())) | set(STARTED)
    assert declared('depend', 'exec_depend') - used == set()
    assert declared('test_depend') - used - set(imported(python_files('test'))) == set()


def test_pip_installs_what_is_imported_besides_ros():
    debian = {'pyyaml': 'yaml', 'pillow': 'pil'}
    names = {re.split('[<>=]', line)[0].lower()
             for line in ast.literal_eval(setup_call()['install_requires'])} - NO_KEY
    by_key = {'python3-' + debian.get(name, name) for name in names}
    python_keys = {key.replace('-pip', '') for key in declared('depend', 'exec_depend')
                   if key.startswith('python3-')}
    assert by_key == python_keys


@pytest.mark.parametrize('release', ['kilted', 'jazzy'])
def test_wheels_are_pinned_for_every_message_package(release):
    lines = (ROOT / PACKAGE / 'standalone' / f'requirements-{release}.txt').read_text().split('\n')
    pinned = {line.split('==')[0] for line in lines if '==' in line}
    packages = {'rclpy', 'rmw_fastrtps_cpp'} | {
        name for name in declared('exec_depend')
        if name.endswith('_msgs') or name == 'std_srvs'}
    assert {'ros-' + name.replace('_', '-') for name in packages} - pinned == set()
    loose = [line for line in lines if line and not line.startswith('#') and '==' not in line]
    assert loose == []


def test_every_python_file_has_the_copyright_header():
    files = python_files(PACKAGE, 'launch', 'test') + [ROOT / 'setup.py']
    without = [path.relative_to(ROOT).as_posix() for path in files
               if path.read_text(encoding='utf-8').splitlines()[:2] != HEADER]
    assert len(files) > 10
    assert without == []


def test_flake8_has_nothing_to_say():
    if importlib.util.find_spec('flake8') is None:
        pytest.skip('flake8 is not installed here')
    result = subprocess.run(
        [sys.executable, '-m', 'flake8', PACKAGE, 'launch', 'test', 'setup.py'], cwd=ROOT,
        capture_output=True, text=True)
    assert result.returncode == 0, result.stdout + result.stderr


def test_mypy_has_nothing_to_say():
    if importlib.util.find_spec('mypy') is None:
        pytest.skip('mypy is not installed here')
    if importlib.util.find_spec('rclpy') is None or \
            int(metadata.version('rclpy').partition('.')[0]) < 9:
        pytest.skip('the type hints of rclpy are those of Kilted')
    result = subprocess.run(
        [sys.executable, '-m', 'mypy'], cwd=ROOT, capture_output=True, text=True)
    assert result.returncode == 0, result.stdout + result.stderr


def test_share_file_finds_what_belongs_to_this_source_tree():
    path = resources.share_file('config/fastdds_large_messages.xml')
    assert path.is_absolute()
    assert path.read_bytes() == (ROOT / 'config' / 'fastdds_large_messages.xml').read_bytes()


def test_share_file_says_where_it_looked():
    with pytest.raises(FileNotFoundError, match=r'no file config/none\.yaml; looked in .+'):
        resources.share_file('config/none.yaml')
