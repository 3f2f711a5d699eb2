# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The files for RViz and for the diagnostics aggregator fit what the nodes send."""

from pathlib import Path
import re

import pytest
from robot_mapping_qa.messages import markers, topics
from robot_mapping_qa.messages.outputs import DIAGNOSTIC_PREFIX
from robot_mapping_qa.resources import share_file
import yaml

PACKAGE = Path(__file__).resolve().parents[1] / 'robot_mapping_qa'
DISPLAYED = {'rviz_default_plugins/MarkerArray': 'visualization_msgs/msg/MarkerArray',
             'rviz_default_plugins/PoseWithCovariance':
                 'geometry_msgs/msg/PoseWithCovarianceStamped'}


def contents(name):
    return yaml.safe_load(share_file(f'config/{name}').read_text())


def displays():
    return {display['Class']: display
            for display in contents('view.rviz')['Visualization Manager']['Displays']}


def test_rviz_shows_topics_of_the_package_by_their_types():
    declared = {topic.name: topic.type for topic in topics.QUALITY_TOPICS}
    shown = {display['Topic']['Value']: DISPLAYED[display['Class']]
             for display in displays().values() if 'Topic' in display}
    assert set(shown) == {topics.MARKERS.name, topics.POSE.name}
    assert all(declared[topic] == kind for topic, kind in shown.items())
    assert all(display['Enabled'] for display in displays().values())


def test_rviz_asks_for_what_the_topics_offer():
    pytest.importorskip('rclpy', reason='needs ROS 2')
    from robot_mapping_qa.nodes.qos import OUTPUT_QOS
    for display in displays().values():
        if 'Topic' in display:
            assert display['Topic']['Reliability Policy'].upper() == OUTPUT_QOS.reliability.name
            assert display['Topic']['Durability Policy'].upper() == OUTPUT_QOS.durability.name


def test_rviz_shows_every_namespace_of_the_markers():
    shown = displays()['rviz_default_plugins/MarkerArray']['Namespaces']
    assert shown == dict.fromkeys(
        (markers.PATH, markers.POSITION, markers.REDO, markers.REDO_NUMBER), True)


def status_names():
    """Return the names of all statuses that the sources make, without the package's prefix."""
    names = set()
    for file in PACKAGE.rglob('*.py'):
        text = file.read_text(encoding='utf-8')
        names |= set(re.findall(r"DIAGNOSTIC_PREFIX \+ '([^']+)'", text))
        names |= {name.replace('{', '').split('}')[0] for name in re.findall(
            r"\{DIAGNOSTIC_PREFIX\}([^'{]+\{?)", text)}
    return names


def test_the_names_of_statuses_are_found():
    assert status_names() >= {'gate', 'redo', 'recording', 'host', 'stream ', 'pose ', 'page'}


@pytest.mark.parametrize('robot', ['', 'north/'])
def test_every_status_belongs_to_one_group_of_the_aggregator(robot):
    groups = {name: group['contains'] for name, group in contents(
        'diagnostic_aggregator.yaml')['analyzers']['ros__parameters'].items() if name != 'path'}
    used = set()
    for name in status_names():
        # Followed by a name, as of a stream.
        status = f'{robot}{DIAGNOSTIC_PREFIX}{name}' + ('unit' if name.endswith(' ') else '')
        found = [(group, part) for group, parts in groups.items()
                 for part in parts if part in status]
        assert len(found) == 1, (status, found)
        used.add(found[0][1])
    assert used == {part for parts in groups.values() for part in parts}
    assert {'streams', 'pose', 'gate', 'host', 'recorder'} <= set(groups)


def test_the_aggregator_waits_longer_than_a_status_may_take():
    pytest.importorskip('rclpy', reason='needs ROS 2')
    from robot_mapping_qa.nodes import pose_monitor, quality_log, site_page, sync_monitor
    groups = contents('diagnostic_aggregator.yaml')['analyzers']['ros__parameters']
    assert groups['pose']['timeout'] > 2.0 * pose_monitor.DETAILS_S
    assert groups['recorder']['timeout'] > 2.0 * quality_log.TELL_S
    assert groups['inspection']['timeout'] > 2.0 * site_page.TELL_S
    assert min(groups[name]['timeout'] for name in ('streams', 'host')) > (
        2.0 * sync_monitor.DETAILS_S)
    assert all(group['type'] == 'diagnostic_aggregator/GenericAnalyzer'
               for name, group in groups.items() if name != 'path')
