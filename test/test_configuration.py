# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""One parameter file for live and offline, refused with a precise message when wrong."""

import pytest
from robot_mapping_qa.configuration import (
    configuration_from_parameters, ConfigurationError, load_configuration, parameter_sections,
    read_parameters)

GOOD = """
/**:
  ros__parameters:
    streams: [unit_odometry, body_imu, front_camera, roof_lidar]
    unit_odometry: {topic: /unit/odometry, type: nav_msgs/msg/Odometry, role: pose, rate_hz: 100.0}
    body_imu:      {topic: /body/imu, type: sensor_msgs/msg/Imu, role: motion, rate_hz: 200.0}
    front_camera:  {topic: /front/image_raw, timing_topic: /front/camera_info,
                    type: sensor_msgs/msg/Image, role: capture, aids_unit: false, rate_hz: 15.0}
    roof_lidar:    {topic: /roof/points, type: sensor_msgs/msg/PointCloud2, role: geometry,
                    rate_hz: 10.0}
    working_distance_m: 3.0
    point_error_limit_m: 0.05
"""


@pytest.fixture
def written(tmp_path):
    """Return a function that writes a text to a file and gives its path."""
    def write(text, name='streams.yaml'):
        path = tmp_path / name
        path.write_text(text)
        return path
    return write


def problems(text, written, **options):
    """Return the sentences with which a file is refused."""
    with pytest.raises(ConfigurationError) as refusal:
        load_configuration(written(text), **options)
    return list(refusal.value.problems)


def changed(old, new):
    """Return the good file with one place changed, which must be there."""
    assert old in GOOD
    return GOOD.replace(old, new)


def test_the_documented_file_is_read_whole(written):
    configuration = load_configuration(written(GOOD))
    assert [s.name for s in configuration.streams] == [
        'unit_odometry', 'body_imu', 'front_camera', 'roof_lidar']
    assert configuration.pose_stream.name == 'unit_odometry'
    camera = configuration.streams[2]
    assert (camera.watched_topic, camera.watched_type) == (
        '/front/camera_info', 'sensor_msgs/msg/CameraInfo')
    assert [s.required for s in configuration.streams] == [True, False, True, True]
    assert configuration.point_error_limit_m == 0.05


def test_the_same_file_as_ros_gives_it_to_a_node_is_the_same_configuration(written):
    path = written(GOOD)
    live = {**read_parameters(path), 'use_sim_time': False,
            'start_type_description_service': True, 'bag': 'x'}
    assert configuration_from_parameters(live, also_known=['bag']) == load_configuration(path)


@pytest.mark.parametrize('old, new, expected', [
    ('rate_hz: 100.0', 'rate_hz: fast',
     "unit_odometry.rate_hz: found the text 'fast', expected a number above 0 Hz to 100000 Hz"),
    ('rate_hz: 15.0', 'rate_hz: -15.0',
     'front_camera.rate_hz: found -15.0, expected a number above 0 Hz to 100000 Hz'),
    ('aids_unit: false', 'aids_unit: 1',
     'front_camera.aids_unit: found 1, expected true or false'),
    ('role: geometry', 'role: lidar',
     "roof_lidar.role: found the text 'lidar', expected one of pose, motion, geometry, capture, "
     'aid, timing, map_pose, distance'),
    ('topic: /body/imu', 'topic: body imu',
     "body_imu.topic: found the text 'body imu', expected a topic name such as "
     '/front/image_raw'),
    ('topic: /body/imu', 'topic: ~imu',
     "body_imu.topic: found the text '~imu', expected a topic name such as /front/image_raw"),
    ('topic: /roof/points, ', '',
     'roof_lidar.topic: missing; every stream needs it'),
    ('role: capture', 'rolle: capture, role: capture',
     'front_camera.rolle: unknown key of a stream; did you mean role?'),
    ('working_distance_m: 3.0', 'working_distance_m: -3.0',
     'working_distance_m: found -3.0, expected a number above 0 m to 1000 m'),
    ('working_distance_m: 3.0', 'working_distance_m: .nan',
     'working_distance_m: found nan, expected a number above 0 m to 1000 m'),
    ('working_distance_m: 3.0', 'working_distance: 3.0',
     'working_distance: unknown key; did you mean working_distance_m?'),
    ('working_distance_m: 3.0', 'gate: {on_delay_s: -1.0}',
     'gate.on_delay_s: found -1.0, expected a number from 0 to 10'),
    ('working_distance_m: 3.0', 'gate: {on_delay: 1.0}',
     'gate.on_delay: unknown key; did you mean gate.on_delay_s?'),
    ('role: motion', 'role: pose',
     'streams: found 2 streams with the role pose (unit_odometry, body_imu), expected exactly '
     'one: the mapping unit'),
    ('role: pose', 'role: timing',
     'streams: found 0 streams with the role pose (none), expected exactly one: the mapping unit'),
    ('type: sensor_msgs/msg/PointCloud2', 'type: sensor_msgs/msg/LaserScan',
     "roof_lidar.type: found the text 'sensor_msgs/msg/LaserScan', expected "
     'sensor_msgs/msg/PointCloud2 for the role geometry'),
    ('topic: /roof/points', 'topic: /body/imu',
     'roof_lidar: watches /body/imu, which body_imu watches already'),
    ('body_imu, front', 'body_imu, body_imu, front', 'streams: body_imu is listed twice'),
    ('[unit_odometry', '[gate, unit_odometry',
     'streams: the name gate is taken by a group of settings'),
    ('body_imu, front_camera', 'front_camera',
     "body_imu: a group (topic, type, role, rate_hz) that is not listed in 'streams'"),
    ('roof_lidar]', 'roof_lidr]',
     "roof_lidar: a group (topic, type, role, rate_hz) that is not listed in 'streams'; did you "
     'mean roof_lidr?'),
    ('roof_lidar]', 'roof_lidr]',
     "roof_lidr: listed in 'streams', but there is no group of this name; did you mean "
     'roof_lidar?'),
    ('rate_hz: 15.0', 'rate: 15.0',
     'front_camera.rate: unknown key of a stream; did you mean rate_hz?'),
    ('rate_hz: 15.0', 'required: 5', 'front_camera.required: found 5, expected true or false'),
    ('working_distance_m: 3.0', 'use_sim_time: 5',
     'use_sim_time: found 5, expected true or false'),
    ('working_distance_m: 3.0', 'lens: 3.0', 'lens: unknown key'),
    ('working_distance_m: 3.0', 'start: 2020-02-31', 'start: unknown key'),
    ('rate_hz: 10.0', 'useful: true, required: true',
     'roof_lidar.useful: found true, expected false: the stream is required, which is more'),
    ('rate_hz: 100.0', 'useful: true',
     'unit_odometry.useful: found true, expected false: nothing works without the pose'),
    ('rate_hz: 10.0', 'rate_hz: 10.0, mount_xyz_m: [0.0, 1.0]',
     'roof_lidar.mount_xyz_m: found [0.0, 1.0], expected three numbers in m'),
    ('rate_hz: 10.0', 'rate_hz: 10.0, time_server: "unit.local:123"',
     'roof_lidar.time_server: only the pose stream (the unit) may have one'),
    ('/roof/points', '~/points',
     "roof_lidar.topic: found the text '~/points', expected a topic name such as "
     '/front/image_raw'),
    ('rate_hz: 10.0', 'rate_hz: 10.0, mount_xyz_m: [0, 0.3, 1]',
     'roof_lidar.mount_xyz_m: found [0, 0.3, 1], of which ROS 2 cannot take different kinds '
     'in one list: write 1.0, not 1, beside 2.5'),
    ('rate_hz: 10.0', 'rate_hz: 10.0, clock_sigma_s: 0.005',
     'roof_lidar.clock_sigma_s: only a capture stream may have one'),
    ('rate_hz: 100.0', 'rate_hz: 100.0, time_server: unit.local',
     "unit_odometry.time_server: found the text 'unit.local', expected host:port, such as "
     'unit.local:123 or [fd00::2]:123'),
])
def test_a_wrong_value_is_named_with_what_was_found_and_expected(old, new, expected, written):
    found = problems(changed(old, new), written)
    assert expected in found


def test_every_problem_is_reported_at_once(written):
    text = changed('rate_hz: 100.0', 'rate_hz: fast').replace('/roof/points', 'no topic')
    assert len(problems(text, written)) == 2


def test_a_group_that_no_stream_goes_by_is_one_problem(written):
    text = changed('body_imu, front_camera', 'front_camera')
    assert len(problems(text, written)) == 1


def test_numbers_are_those_that_ros_reads(written):
    # rcl reads 1e2 as a number, YAML 1.1 (and PyYAML with it) as a text.
    for number in ('1e2', '+1.0E2', '100', '100.', '.1e3'):
        text = changed('rate_hz: 100.0', f'rate_hz: {number}')
        assert load_configuration(written(text)).streams[0].rate_hz == 100.0


@pytest.mark.parametrize('text, expected', [
    ('/**:\n  ros__parameters:\n    a: 1\n    b: 2\n    a: 3',
     'line 5: a is given twice, first in line 3'),
    ('/**: {ros__parameters: {a: 1}}\n/**: {ros__parameters: {b: 1}}',
     'line 2: /** is given twice, first in line 1'),
    ('/**: {ros__parameters: {gate.on_delay_s: 1.0, gate: {on_delay_s: 2.0}}}',
     'gate.on_delay_s is given twice'),
    ('/**: {ros__parameters: {a: &x [1], b: *x}}', 'line 1: aliases (*name) are not read'),
    ('/**: {ros__parameters: &x {b: *x}}', 'line 1: aliases (*name) are not read'),
    ('/**: {ros__parameters: {a: !!int b}}', 'line 1: the tag tag:yaml.org,2002:int is not read'),
    ('/**: {ros__parameters: {a: 0x_}}', 'not valid YAML: invalid literal'),
    ('/**: {ros__parameters: {a: 1\x00}}', 'not valid YAML'),
    ('/**: ' + '{a: ' * 2000, 'not valid YAML: nested too deeply'),
    ('', "found nothing, expected a ROS 2 parameter file that starts with '/**:'"),
    ('just words', "found the text 'just words', expected a ROS 2 parameter file"),
    ('/**: {ros__parameters: [', 'not valid YAML'),
    ('/monitor: {ros__parameters: {}}', "has no section '/**' (found /monitor)"),
    ('/**: {parameters: {}}', "section '/**' has no group 'ros__parameters' below it"),
    ('/**: {ros__parameters: {working_distance_m: 3.0}}',
     'streams: found nothing, expected a list of stream names'),
    ('/**: {ros__parameters: {streams: []}}',
     'streams: found [], expected at least the stream with the role pose'),
    ('/**: {ros__parameters: {streams: unit}}',
     "streams: found the text 'unit', expected a list of stream names"),
])
def test_a_file_that_is_not_a_parameter_file_is_refused(text, expected, written):
    assert any(expected in problem for problem in problems(text, written))


def test_the_refusal_names_the_file(written, tmp_path):
    path = written('')
    with pytest.raises(ConfigurationError, match=str(path)):
        load_configuration(path)
    missing = tmp_path / 'missing.yaml'
    with pytest.raises(ConfigurationError, match=f'{missing}: cannot be read: No such file'):
        load_configuration(missing)


def test_live_nodes_refuse_what_ros_itself_would_read_without_a_word(written):
    assert {('streams', '/**'), ('front_camera.rate_hz', '/**')} < parameter_sections(
        written(GOOD)).items()
    assert parameter_sections(written('/gate: {ros__parameters: {a: 1e3, b: {c: [1, 2]}}}')) == {
        'a': '/gate', 'b.c': '/gate'}
    assert parameter_sections(written('')) == {}
    for text, expected in (
            (changed('rate_hz: 15.0', 'rate_hz: 15.0, rate_hz: 1.0'), 'line 8: rate_hz is given'),
            ('/capture_relay: {ros__parameters: {sub: {topics: []}}}',
             'sub.topics: found an empty list, to which ROS 2 can give no type'),
            ('/**:\n  ros__parameters:\n\tstreams: [a]\n', 'line 3: not valid YAML: found charac'),
            ('streams: [unit]', "streams: stands outside of 'ros__parameters:', which must be "),
            ('/**: {ros__parameters: }', 'ros__parameters: stands outside of'),
            ('/**: {ros_parameters: {a: 1, b: 2}}',
             r"^\S+: /\*\*.ros_parameters.a: stands outside of .* a node's name$"),
            ('/**: {ros__parameters: {a: }}', ': a: found nothing, expected a value'),
            ('/**: {ros__parameters: {a: [1, 2.5]}}', r'a: found \[1, 2.5\], of which ROS 2 '
             'cannot take different kinds'),
            ('just words', "found the text 'just words', expected a ROS 2 parameter file")):
        with pytest.raises(ConfigurationError, match=expected):
            parameter_sections(written(text))


def test_a_profile_overrides_thresholds_and_nothing_else(written):
    profile = written(
        '/**: {ros__parameters: {point_error_limit_m: 0.1, gate: {off_delay_s: 5.0}}}', 'p.yaml')
    configuration = load_configuration(written(GOOD), profile)
    assert configuration.point_error_limit_m == 0.1
    assert configuration.gate.off_delay_s == 5.0
    bad = written('/**: {ros__parameters: {roof_lidar: {topic: /other}}}', 'bad.yaml')
    assert problems(GOOD, written, profile=bad) == [
        'roof_lidar.topic: a profile may only set thresholds']
