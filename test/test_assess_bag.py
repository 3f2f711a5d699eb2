# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""A recorded bag goes in, the verdict on its captures comes out."""

import csv
from dataclasses import replace
import json
import re
import signal
import subprocess
import sys
import time

from hand_made_bags import (
    between, CAMERA, CONFIGURATION, drive, in_order, judge, MS, ODOMETRY, S, Sent, START_NS, write)
import pytest
from robot_mapping_qa.bag import annotated, results
from robot_mapping_qa.bag.assess_bag import main
from robot_mapping_qa.bag.reading import BagError, Recording
from robot_mapping_qa.bag.recorder import RecordingError
from robot_mapping_qa.bag.results import assess
from robot_mapping_qa.bag.summary import write_summary
from robot_mapping_qa.configuration import load_configuration, Stream
from robot_mapping_qa.rates import TICK_NS
from rosbags.highlevel import AnyReader


@pytest.fixture(scope='session')
def configuration_file(tmp_path_factory):
    path = tmp_path_factory.mktemp('configuration') / 'robot.yaml'
    path.write_text(CONFIGURATION)
    return path


@pytest.fixture(scope='session')
def configuration(configuration_file):
    return load_configuration(configuration_file)


@pytest.fixture(scope='session')
def healthy_bag(tmp_path_factory):
    return write(tmp_path_factory.mktemp('bags') / 'healthy', drive())


@pytest.fixture(scope='session')
def healthy_output(tmp_path_factory, healthy_bag, configuration_file):
    """Run the tool as a user does and return its output folder."""
    out = tmp_path_factory.mktemp('out') / 'healthy'
    assert main([str(healthy_bag), '--config', str(configuration_file), '--out', str(out)]) == 0
    return out


def run(*arguments):
    """Run the tool as a process of its own."""
    return subprocess.run(
        [sys.executable, '-m', 'robot_mapping_qa.bag.assess_bag', *map(str, arguments)],
        capture_output=True, text=True)


def rows(path):
    with path.open(newline='') as file:
        return list(csv.DictReader(file))


# What a healthy recording gives


def test_healthy_run_has_only_trusted_captures_once_the_gate_has_opened(healthy_output):
    summary = json.loads((healthy_output / 'summary.json').read_text())
    hold, = summary['gate']['holds']
    assert hold['closed_ns'] == summary['bag']['start_ns']
    # Settling takes 2 s, and the off-delay of 2 s runs meanwhile.
    assert 2.0 * S <= hold['released_ns'] - hold['closed_ns'] < 2.2 * S
    captures = rows(healthy_output / 'captures.csv')
    assert len(captures) == summary['captures']['total'] == 240
    for capture in captures:
        opened = int(capture['stamp_ns']) >= hold['released_ns']
        if opened:
            assert capture['verdict'] == 'trusted'
        elif int(capture['stamp_ns']) < hold['released_ns'] - 100 * MS:
            assert capture['verdict'] == 'held'


def test_the_gate_opens_the_off_delay_after_what_healed_it_whatever_the_ticks(
        tmp_path, configuration):
    sent = [replace(message, sigma_m=0.2) if between(message, ODOMETRY, 12.0, 14.0) else message
            for message in drive()]
    assessment, _, _ = judge(write(tmp_path / 'bag', sent), configuration)
    _, hold = assessment.holds
    healed_ns = next(message.log_ns for message in sent
                     if message.topic == ODOMETRY and message.stamp_ns >= START_NS + 14 * S)
    assert healed_ns % TICK_NS != 0
    assert hold.released_ns == healed_ns + 2 * S


def test_captures_made_up_for_later_from_the_same_place_need_no_second_visit(healthy_output):
    """The robot stands while the gate is still held, and goes on standing when it is open."""
    assert rows(healthy_output / 'redo.csv') == []


def test_captures_carry_the_pose_at_their_stamp(healthy_output):
    for capture in rows(healthy_output / 'captures.csv'):
        moved_s = max(0.0, (int(capture['stamp_ns']) - START_NS) / S - 8.0)
        assert float(capture['x']) == pytest.approx(0.5 * moved_s, abs=0.002)


def test_a_clock_that_may_be_off_costs_where_the_robot_moves(configuration, healthy_bag):
    """50 ms at 0.5 m/s are 25 mm, 49 mm with 95 %: over the limit together with the pose."""
    unit, camera = configuration.streams
    unsure = replace(configuration, streams=(unit, replace(camera, clock_sigma_s=0.05)))
    assessment, _, _ = judge(healthy_bag, unsure)
    captures = assessment.captures
    standing, driving = ([capture for capture in captures if from_s * S <= capture.stamp_ns
                          - START_NS < to_s * S] for from_s, to_s in ((3.0, 7.9), (10.0, 24.0)))
    assert {capture.verdict for capture in standing} == {'trusted'}
    assert {capture.verdict for capture in driving} == {'held'}
    assert all(capture.time_error_s == pytest.approx(0.05, abs=1e-3) for capture in driving)
    assert all(0.05 < capture.point_error_m < 0.06 for capture in driving)


def test_summary_has_the_keys_that_are_promised(healthy_output):
    summary = json.loads((healthy_output / 'summary.json').read_text())
    assert list(summary) == ['schema', 'bag', 'streams', 'motion_offset', 'sets', 'pose', 'gate',
                             'captures', 'software', 'configuration']
    assert summary['schema'] == 1
    assert list(summary['bag']) == ['start_ns', 'end_ns', 'messages']
    assert list(summary['streams']) == ['unit_odometry', 'front_camera']
    for stream in summary['streams'].values():
        assert list(stream) == [
            'topic', 'messages', 'rate_hz', 'offset_s', 'offset_sigma_s', 'skew_ppm',
            'skew_sigma_ppm', 'latency_p50_s', 'latency_p95_s', 'latency_p99_s', 'jitter_s',
            'lost', 'duplicated', 'reordered', 'malformed', 'clock_steps', 'silences']
    assert set(summary['sets']) == {'yield', 'spread_p95_s'}
    assert set(summary['pose']) == {
        'path_length_m', 'reported_covariance', 'reported_covariance_share', 'inflation', 'jumps'}
    assert set(summary['gate']) == {'held_fraction', 'holds'}
    assert set(summary['captures']) == {'total', 'trusted', 'suspect', 'held'}


def test_figures_are_those_of_the_recording(healthy_output):
    summary = json.loads((healthy_output / 'summary.json').read_text())
    assert summary['bag'] == {
        'start_ns': START_NS + 5 * MS, 'end_ns': START_NS + 24 * S - 15 * MS, 'messages': 1440}
    unit, camera = summary['streams']['unit_odometry'], summary['streams']['front_camera']
    assert (unit['messages'], camera['messages']) == (1200, 240)
    assert unit['rate_hz'] == pytest.approx(50.0, rel=0.01)
    # One way: the offset includes the smallest delay, here the only one.
    assert camera['offset_s'] == pytest.approx(-0.020, abs=1e-4)
    assert camera['latency_p50_s'] == pytest.approx(0.020, abs=1e-3)
    assert summary['pose']['path_length_m'] == pytest.approx(0.5 * 15.98, abs=0.01)
    assert summary['pose']['reported_covariance'] == 'trusted'
    assert summary['motion_offset'] == {}
    assert summary['gate']['held_fraction'] == pytest.approx(
        (summary['gate']['holds'][0]['released_ns'] - START_NS - 5 * MS) / (23.98 * S))


def test_figures_that_are_not_numbers_are_unknown(tmp_path):
    write_summary({'a': [1.0, float('nan')], 'b': {'c': float('inf'), 'd': 2}}, tmp_path)
    assert json.loads((tmp_path / 'summary.json').read_text()) == {
        'a': [1.0, None], 'b': {'c': None, 'd': 2}}


def test_tables_have_the_columns_that_are_promised(healthy_output):
    assert (healthy_output / 'captures.csv').read_text().splitlines()[0] == (
        'capture,stamp_ns,x,y,z,sigma_position_m,sigma_rotation_rad,time_error_s,point_error_m,'
        'verdict,reasons,path_m,qx,qy,qz,qw,share_position,share_rotation,share_correlation,'
        'share_time,share_extrinsics')
    assert (healthy_output / 'redo.csv').read_text().splitlines()[0] == (
        'x,y,z,path_from_m,path_to_m,captures,reasons')


def test_report_does_not_blame_a_gate_that_was_not_running(healthy_output):
    page = (healthy_output / 'report.html').read_text()
    assert 'they would have been held' in page
    assert 'although the gate was closed' not in page


# What goes wrong is found


def camera_clock_steps(sent):
    if between(sent, CAMERA, 14.0, 17.0):
        return replace(sent, stamp_ns=sent.stamp_ns + 80 * MS)
    return sent


def covariance_grows(sent):
    return replace(sent, sigma_m=0.2) if between(sent, ODOMETRY, 14.0, 17.0) else sent


def odometry_falls_silent(sent):
    return None if between(sent, ODOMETRY, 14.0, 17.0) else sent


def pose_jumps(sent):
    if between(sent, ODOMETRY, 14.0, 99.0):
        return replace(sent, x_m=sent.x_m + 0.4)
    return sent


def camera_is_late(sent):
    return sent.late(0.3) if between(sent, CAMERA, 14.0, 17.0) else sent


# The second figure: seconds from the fault to the message that carries it, on the way late.
@pytest.mark.parametrize('fault, reason, carried_after_s, closes_within_s', [
    (camera_clock_steps, 'front_camera clock', 0.03, 0.3),
    (covariance_grows, 'a point on the structure was only known to', 0.005, 0.3),
    (odometry_falls_silent, 'unit_odometry silent', 0.005, 0.7),
    (pose_jumps, 'unit_odometry jumped 0.40 m', 0.005, 0.3),
    (camera_is_late, 'front_camera late', 0.327, 0.3)])
def test_fault_closes_the_gate_and_spoils_only_its_captures(
        tmp_path, configuration, fault, reason, carried_after_s, closes_within_s):
    sent = in_order(message for message in map(fault, drive()) if message is not None)
    assessment, summary, _ = judge(write(tmp_path / 'bag', sent), configuration)
    _, hold = assessment.holds
    assert any(reason in text for text in hold.reasons), hold.reasons
    began_ns = START_NS + 14 * S
    carried_ns = began_ns + round(carried_after_s * S)
    # A silence begins with the last message before it.
    assert -100 * MS < hold.onset_ns - carried_ns <= 0
    assert hold.closed_ns - carried_ns < closes_within_s * S
    assert hold.released_ns < START_NS + 21 * S
    for capture in assessment.captures:
        shown_ns = capture.receive_ns
        if hold.closed_ns < shown_ns < hold.released_ns:
            assert capture.verdict == 'held'
            assert capture.reasons == hold.moments.at(capture.stamp_ns, capture.receive_ns)
        elif hold.onset_ns < shown_ns < hold.closed_ns:
            assert capture.verdict in ('suspect', 'held')
        elif began_ns - 6 * S < shown_ns < began_ns - S or shown_ns > hold.released_ns + S:
            assert capture.verdict == 'trusted'
    counts = summary['captures']
    assert counts['trusted'] + counts['suspect'] + counts['held'] == counts['total']
    place, = assessment.redo()
    # It drives at 0.5 m/s from 8 s on; the last half metre is seen again from where it is good.
    assert place.path_from_m == pytest.approx(3.0, abs=0.15)
    assert place.path_to_m == pytest.approx(
        0.5 * ((hold.released_ns - START_NS) / S - 8.0) - 0.5, abs=0.1)
    assert place.reasons[0] in hold.reasons


def test_after_a_jump_the_off_delay_runs_while_the_jump_is_shown(tmp_path, configuration):
    sent = list(map(pose_jumps, drive()))
    assessment, _, _ = judge(write(tmp_path / 'bag', sent), configuration)
    _, hold = assessment.holds
    assert hold.released_ns == hold.closed_ns + 2 * S
    # A picture between the pose before the jump and the one behind it is at neither place.
    assert hold.closed_ns - hold.onset_ns == round(S / 50)
    assert hold.reasons == (
        'unit_odometry jumped 0.40 m, 13.4 % of the 3 m travelled (for 1.0 s)',)


def test_captures_between_the_onset_and_the_closing_are_suspect(tmp_path, configuration):
    sent = [message for message in map(odometry_falls_silent, drive()) if message is not None]
    assessment, _, _ = judge(write(tmp_path / 'bag', sent), configuration)
    hold = assessment.holds[-1]
    verdicts = {capture.verdict for capture in assessment.captures
                if hold.onset_ns <= capture.stamp_ns and capture.receive_ns < hold.closed_ns}
    assert verdicts == {'suspect'}


def test_a_gap_of_the_whole_recording_shows_as_silence(tmp_path, configuration):
    sent = [message for message in drive()
            if not START_NS + 14 * S <= message.log_ns < START_NS + 18 * S]
    _, summary, _ = judge(write(tmp_path / 'bag', sent), configuration)
    hold = summary['gate']['holds'][-1]
    assert hold['closed_ns'] - (START_NS + 14 * S) < 0.7 * S
    assert any(text.startswith(('unit_odometry silent (for 4.0 s)',
                                'unit_odometry silent (for 3.9 s)')) for text in hold['reasons'])
    silence, = summary['streams']['front_camera']['silences']
    assert silence['to_ns'] - silence['from_ns'] == pytest.approx(4.0 * S, abs=0.3 * S)


def test_malformed_messages_are_counted_and_hold_the_gate(tmp_path, configuration):
    sent = [replace(message, data=b'\x00\x01\x00\x00\x05')
            if between(message, ODOMETRY, 14.0, 14.1) else message for message in drive()]
    _, summary, _ = judge(write(tmp_path / 'bag', sent), configuration)
    assert summary['streams']['unit_odometry']['malformed'] == 5
    assert len(summary['gate']['holds']) == 2


def test_stream_that_is_not_in_the_bag_is_never_seen(tmp_path, configuration):
    sent = [message for message in drive(8.0) if message.topic == ODOMETRY]
    _, summary, recording = judge(write(tmp_path / 'bag', sent), configuration)
    warning, = recording.warnings
    assert '/front/camera_info (stream front_camera)' in warning
    camera = summary['streams']['front_camera']
    assert camera['messages'] == 0
    assert camera['rate_hz'] is camera['offset_s'] is camera['latency_p50_s'] is None
    assert summary['captures']['total'] == 0
    assert summary['gate']['held_fraction'] == 1.0


# Every kind of bag


def test_storage_makes_no_difference(tmp_path, healthy_bag, configuration):
    _, expected, _ = judge(healthy_bag, configuration)
    for storage, name in (('sqlite3', 'bag'), ('rosbag1', 'run.bag')):
        _, summary, _ = judge(write(tmp_path / name, drive(), storage), configuration)
        assert summary == expected, storage


def test_storage_file_without_its_folder_is_read(healthy_bag, configuration):
    file, = healthy_bag.glob('*.mcap')
    _, summary, recording = judge(file, configuration)
    assert summary['bag']['messages'] == 1440
    assert recording.warnings == []


def test_recording_that_was_not_closed_is_read(tmp_path, configuration):
    bag = write(tmp_path / 'bag', drive(8.0))
    (bag / 'metadata.yaml').unlink()
    _, summary, recording = judge(bag, configuration)
    assert summary['bag']['messages'] == 480
    assert 'metadata.yaml is missing' in recording.warnings[0]


@pytest.mark.parametrize('left', [b'', b'\x89MCAP'])
@pytest.mark.parametrize('storage', ['mcap', 'sqlite3'])
def test_file_that_was_just_begun_at_a_power_cut_is_left_out(
        tmp_path, configuration, storage, left):
    bag = write(tmp_path / 'bag', drive(8.0), storage=storage)
    (bag / 'metadata.yaml').unlink()
    begun = bag / f'bag_1.{"mcap" if storage == "mcap" else "db3"}'
    begun.write_bytes(left)
    _, summary, recording = judge(bag, configuration)
    assert summary['bag']['messages'] == 480
    assert any(str(begun) in warning and 'left out' in warning for warning in recording.warnings)


@pytest.mark.parametrize('storage', ['mcap', 'sqlite3'])
def test_a_bag_whose_second_file_is_lost_is_read_as_far_as_it_goes(
        tmp_path, configuration, storage):
    bag = write(tmp_path / 'bag', drive(8.0), storage=storage)
    file, = bag.glob('bag*.*')
    metadata = (bag / 'metadata.yaml').read_text()
    listed = f'- {file.name}\n'
    assert listed in metadata
    lost = file.name.replace('bag', 'bag_1')
    (bag / 'metadata.yaml').write_text(metadata.replace(
        listed, f'{listed}  {listed.replace(file.name, lost)}'))
    _, summary, recording = judge(bag, configuration)
    assert summary['bag']['messages'] == 480
    assert recording.warnings == [f'{bag}: {lost} is named in metadata.yaml and not there: the '
                                  'files that are there are read']


def test_log_times_that_go_back_are_told(tmp_path, configuration):
    """The computer's clock was set back by 8 s while it recorded; pictures fill the chunks."""
    sent = [replace(message, log_ns=message.log_ns - 8 * S * (message.stamp_ns
                                                              > START_NS + 12 * S))
            for message in in_order([*drive(), *(Sent(
                '/notes', START_NS + n * S, START_NS + n * S + MS, data=bytes(600_000))
                for n in range(24))])]
    bag = write(tmp_path / 'bag', sent, topics=(ODOMETRY, CAMERA, '/notes'))
    warning, = judge(bag, configuration)[2].warnings
    told = re.search(r'log times go back by (.*) s or more: the clock of the computer', warning)
    # A chunk lasts two seconds here.
    assert 6.0 <= float(told[1]) <= 8.0


def test_a_path_that_the_shell_left_with_its_tilde_is_in_the_home_folder(
        tmp_path, monkeypatch, configuration_file):
    monkeypatch.setenv('HOME', str(tmp_path))
    write(tmp_path / 'bag', drive(6.0))
    assert main(['~/bag', f'--config={configuration_file}', '--out=~/out']) == 0
    assert (tmp_path / 'out' / 'summary.json').exists()


def test_cut_off_recording_is_read_as_far_as_it_goes(tmp_path, configuration):
    notes = [Sent('/notes', START_NS + n * S, START_NS + n * S, data=bytes(600_000))
             for n in range(24)]
    bag = write(tmp_path / 'bag', in_order(drive() + notes), topics=(ODOMETRY, CAMERA, '/notes'))
    file, = bag.glob('*.mcap')
    whole = file.read_bytes()
    file.write_bytes(whole[:len(whole) // 2])
    _, summary, recording = judge(bag, configuration)
    assert 'the end of the file is missing' in recording.warnings[0]
    # Chunks are of a megabyte: at most two seconds of this bag are lost with the last one.
    seconds = (summary['bag']['end_ns'] - summary['bag']['start_ns']) / S
    assert 9.5 < seconds < 12.5
    unit = summary['streams']['unit_odometry']
    assert unit['messages'] == pytest.approx(50 * seconds, abs=2)
    assert unit['lost'] == 0


def test_damaged_recording_is_read_up_to_the_damage(tmp_path, configuration):
    notes = [Sent('/notes', START_NS + n * S, START_NS + n * S, data=bytes(600_000))
             for n in range(24)]
    bag = write(tmp_path / 'bag', in_order(drive() + notes), topics=(ODOMETRY, CAMERA, '/notes'))
    file, = bag.glob('*.mcap')
    data = bytearray(file.read_bytes())
    # The length of some record in the middle becomes impossible.
    place = data.index(b'front_camera', len(data) // 2) - 60
    data[place:place + 60] = b'\xff' * 60
    file.write_bytes(data)
    _, summary, recording = judge(bag, configuration)
    warning, = recording.warnings
    assert 'the bag is damaged and could be read up to' in warning
    assert 300 < summary['streams']['unit_odometry']['messages'] < 900


def test_pictures_are_not_needed_where_the_stream_has_a_timing_topic(tmp_path, configuration):
    picture = Sent('/front/image_raw', START_NS, START_NS + S, data=bytes(100))
    bag = write(tmp_path / 'bag', in_order([*drive(8.0), picture]),
                topics=(ODOMETRY, CAMERA, '/front/image_raw'),
                types={'/front/image_raw': 'sensor_msgs/msg/Image'})
    _, summary, _ = judge(bag, configuration)
    assert summary['streams']['front_camera']['messages'] == 80
    assert summary['streams']['front_camera']['malformed'] == 0


# What is refused


def empty_bag(folder):
    return write(folder / 'bag', [])


def bag_without_pose(folder):
    sent = [replace(message, topic='/odom') if message.topic == ODOMETRY else message
            for message in drive(1.0)]
    return write(folder / 'bag', sent, topics=('/odom', CAMERA),
                 types={'/odom': 'nav_msgs/msg/Odometry'})


def bag_with_another_type(folder):
    note = Sent(CAMERA, START_NS, START_NS, data=bytes(8))
    sent = [message for message in drive(1.0) if message.topic == ODOMETRY]
    return write(folder / 'bag', in_order([*sent, note]), types={CAMERA: 'std_msgs/msg/String'})


def text_file(folder):
    (folder / 'notes.mcap').write_text('these are notes')
    return folder / 'notes.mcap'


def empty_file(folder):
    (folder / 'run.bag').write_bytes(b'')
    return folder / 'run.bag'


def database_of_something_else(folder):
    (folder / 'run.db3').write_bytes(b'SQLite format 3\x00' + bytes(100))
    return folder / 'run.db3'


def folder_of_something_else(folder):
    (folder / 'photos').mkdir()
    return folder / 'photos'


def broken_metadata(folder):
    bag = write(folder / 'bag', drive(1.0))
    (bag / 'metadata.yaml').write_text('rosbag2_bagfile_information: [')
    return bag


@pytest.mark.parametrize('make_bag, words', [
    (lambda folder: folder / 'nowhere', ['nowhere', 'there is no such file']),
    (empty_bag, ['the bag is empty']),
    (bag_without_pose, ['no messages on /unit/odometry', '/odom (nav_msgs/msg/Odometry, 50']),
    (bag_with_another_type, [
        '/front/camera_info', 'std_msgs/msg/String', 'sensor_msgs/msg/CameraInfo',
        'front_camera']),
    (text_file, ['notes.mcap', 'cannot be read as a bag']),
    (empty_file, ['run.bag', 'empty']),
    (database_of_something_else, ['run.db3', 'cannot be read as a bag']),
    (folder_of_something_else, ['photos', 'not a bag', 'metadata.yaml']),
    (broken_metadata, ['metadata.yaml', 'name the .mcap file itself'])])
def test_unusable_bag_is_refused_in_a_sentence(
        tmp_path, configuration_file, capsys, make_bag, words):
    out = tmp_path / 'out'
    status = main([str(make_bag(tmp_path)), '--config', str(configuration_file),
                   '--out', str(out)])
    said = capsys.readouterr()
    assert status == 2
    assert said.out == ''
    assert 'Traceback' not in said.err
    for word in words:
        assert word in said.err
    assert not out.exists()


def test_every_type_that_does_not_fit_is_named(tmp_path, configuration):
    sent = [Sent(ODOMETRY, START_NS, START_NS, data=bytes(8)),
            Sent(CAMERA, START_NS, START_NS, data=bytes(8))]
    bag = write(tmp_path / 'bag', sent, types={
        CAMERA: 'std_msgs/msg/String', ODOMETRY: 'std_msgs/msg/String'})
    with pytest.raises(BagError) as refusal:
        Recording(bag, configuration.streams)
    assert len(str(refusal.value).splitlines()) == 2


def test_a_stream_without_a_header_is_refused(tmp_path, healthy_bag, configuration):
    velocity = Stream('velocity', '/cmd_vel', 'geometry_msgs/msg/Twist', 'timing')
    with pytest.raises(BagError, match=r': /cmd_vel: found the type geometry_msgs/msg/Twist '
                       r'\(stream velocity\), expected one that begins with a header'):
        Recording(healthy_bag, (*configuration.streams, velocity))


def test_wrong_configuration_is_refused(tmp_path, healthy_bag, capsys):
    (tmp_path / 'robot.yaml').write_text(CONFIGURATION.replace('role: pose', 'role: pos'))
    out = tmp_path / 'out'
    assert main([str(healthy_bag), '--config', str(tmp_path / 'robot.yaml'),
                 '--out', str(out)]) == 2
    assert 'unit_odometry.role' in capsys.readouterr().err
    assert not out.exists()


def test_a_threshold_for_one_node_alone_is_refused(tmp_path, healthy_bag, capsys):
    """The live node would obey it, and this tool judge by another."""
    own = '/**/capture_gate:\n  ros__parameters: {gate: {off_delay_s: 9.0}, hold_reason: crane}\n'
    (tmp_path / 'robot.yaml').write_text(CONFIGURATION + own)
    assert main([str(healthy_bag), '--config', str(tmp_path / 'robot.yaml'),
                 '--out', str(tmp_path / 'out')]) == 2
    said = capsys.readouterr().err
    assert "gate.off_delay_s: stands under '/**/capture_gate'" in said
    assert 'hold_reason' not in said


def test_unknown_profile_is_refused(tmp_path, healthy_bag, configuration_file, capsys):
    assert main([str(healthy_bag), '--config', str(configuration_file), '--out',
                 str(tmp_path / 'out'), '--profile', 'moon']) == 2
    assert 'moon' in capsys.readouterr().err


def test_profile_overrides_thresholds(tmp_path, configuration_file, capsys):
    bag = write(tmp_path / 'bag', drive(12.0))
    profile = tmp_path / 'strict.yaml'
    profile.write_text('/**: {ros__parameters: {point_error_limit_m: 0.001}}')
    out = tmp_path / 'out'
    assert main([str(bag), '--config', str(configuration_file), '--out', str(out),
                 '--profile', str(profile)]) == 0
    assert json.loads((out / 'summary.json').read_text())['captures']['trusted'] == 0
    assert 'limit 0.001 m' in capsys.readouterr().out


def test_folder_of_someone_else_is_left_alone(tmp_path, healthy_bag, configuration_file, capsys):
    out = tmp_path / 'photos'
    out.mkdir()
    (out / 'summary.json').write_text('["my own"]')
    assert main([str(healthy_bag), '--config', str(configuration_file), '--out', str(out)]) == 2
    assert 'a former output of this tool; it is left' in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ['photos']
    assert (out / 'summary.json').read_text() == '["my own"]'


def test_notes_that_a_user_put_beside_a_former_output_are_not_lost(
        tmp_path, healthy_bag, configuration_file, capsys):
    out = tmp_path / 'out'
    arguments = [str(healthy_bag), '--config', str(configuration_file), '--out', str(out)]
    assert main(arguments) == 0
    (out / 'notes.txt').write_text('crack at the third joint')
    assert main(arguments) == 2
    assert (out / 'notes.txt').read_text() == 'crack at the third joint'


def test_output_that_cannot_be_written_is_refused(
        tmp_path, healthy_bag, configuration_file, capsys):
    (tmp_path / 'file').write_text('')
    assert main([str(healthy_bag), '--config', str(configuration_file),
                 '--out', str(tmp_path / 'file' / 'out')]) == 2
    said = capsys.readouterr().err
    assert 'cannot be written' in said
    assert len(said.splitlines()) == 1


# Interruption


def test_interruption_leaves_nothing_and_spares_the_former_output(
        tmp_path, healthy_bag, configuration_file, capsys, monkeypatch):
    out = tmp_path / 'out'
    arguments = [str(healthy_bag), '--config', str(configuration_file), '--out', str(out)]
    messages = Recording.messages

    def interrupted(recording):
        for number, message in enumerate(messages(recording)):
            if number == 700:
                raise KeyboardInterrupt
            yield message
    monkeypatch.setattr(Recording, 'messages', interrupted)
    assert main(arguments) == 130
    assert capsys.readouterr().err == 'interrupted: nothing was written\n'
    assert list(tmp_path.iterdir()) == []

    monkeypatch.undo()
    assert main(arguments) == 0
    former = (out / 'summary.json').read_bytes()
    monkeypatch.setattr(results, 'write_report', lambda *_: (_ for _ in ()).throw(
        KeyboardInterrupt))
    assert main(arguments) == 130
    assert [path.name for path in tmp_path.iterdir()] == ['out']
    assert (out / 'summary.json').read_bytes() == former


@pytest.mark.parametrize('number', [signal.SIGINT, signal.SIGTERM])
def test_signal_ends_the_process_quietly(tmp_path, healthy_bag, configuration_file, number):
    process = subprocess.Popen(
        [sys.executable, '-m', 'robot_mapping_qa.bag.assess_bag', str(healthy_bag), '--config',
         str(configuration_file), '--out', str(tmp_path / 'out')],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    deadline = time.monotonic() + 180.0
    while not list(tmp_path.iterdir()) and time.monotonic() < deadline:
        time.sleep(0.005)
    assert list(tmp_path.iterdir()), 'it has not begun to write'
    process.send_signal(number)
    said, complained = process.communicate(timeout=60)
    # A signal that meets code which a library compiles at run time ends CPython by that signal,
    # even if the exception was handled. A shell calls both 130.
    assert process.returncode in (130, -number)
    assert said == ''
    assert complained == 'interrupted: nothing was written\n'
    assert list(tmp_path.iterdir()) == []


def test_former_output_is_replaced(tmp_path, configuration_file, capsys):
    out = tmp_path / 'out'
    for duration_s, captures in ((6.0, 60), (7.0, 70)):
        bag = write(tmp_path / f'bag_{captures}', drive(duration_s))
        assert main([str(bag), '--config', str(configuration_file), '--out', str(out)]) == 0
        summary = json.loads((out / 'summary.json').read_text())
        assert summary['captures']['total'] == captures
    assert sorted(path.name for path in tmp_path.iterdir()) == ['bag_60', 'bag_70', 'out']


# Everything else a user relies on


def test_two_runs_give_the_same_files(tmp_path, healthy_bag, healthy_output, configuration):
    assess(healthy_bag, configuration, tmp_path / 'again')
    for name in ('summary.json', 'captures.csv', 'redo.csv'):
        assert (tmp_path / 'again' / name).read_bytes() == (healthy_output / name).read_bytes()


def test_tool_runs_without_ros_and_prints_the_verdict(tmp_path, healthy_bag, configuration_file):
    code = ('import sys; sys.modules["rclpy"] = None; '
            'from robot_mapping_qa.bag.assess_bag import main; sys.exit(main())')
    out = tmp_path / 'out'
    done = subprocess.run(
        [sys.executable, '-c', code, str(healthy_bag), '--config', str(configuration_file),
         '--out', str(out)], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, '')
    assert done.stdout.splitlines()[0].startswith('captures: 240, of which')
    assert str(out / 'report.html') in done.stdout


def test_process_refuses_with_status_2_and_one_line(tmp_path, configuration_file):
    done = run(tmp_path / 'nowhere', '--config', configuration_file, '--out', tmp_path / 'out')
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1


def test_where_the_annotated_bag_finds_no_room_the_assessment_stands(
        tmp_path, monkeypatch, healthy_bag, configuration_file, capsys):
    def full(*_, **__):
        raise RecordingError('cannot write the bag copy: No space left on device')
    monkeypatch.setattr(annotated, 'write_annotated', full)
    out = tmp_path / 'out'
    assert main([str(healthy_bag), '--config', str(configuration_file), '--out', str(out),
                 '--annotated', str(tmp_path / 'copy')]) == 2
    said = capsys.readouterr()
    assert said.out.startswith('captures: 240')
    assert said.err == ('cannot write the bag copy: No space left on device (the assessment in '
                        f'{out} is complete)\n')
    assert (out / 'summary.json').exists()


def test_annotated_bag_tells_the_same_story(tmp_path, configuration):
    sent = [message for message in map(odometry_falls_silent, drive()) if message is not None]
    bag = write(tmp_path / 'bag', sent)
    outcome = assess(bag, configuration, tmp_path / 'out')
    allowed, events, errors = [], [], []
    with AnyReader([tmp_path / 'out' / 'quality']) as reader:
        types = {connection.topic: connection.msgtype for connection in reader.connections}
        for connection, log_ns, data in reader.messages():
            message = reader.deserialize(data, connection.msgtype)
            if connection.topic == '/mapping_qa/capture_allowed':
                allowed.append((log_ns, message.data))
            elif connection.topic == '/mapping_qa/events':
                events += [status.name for status in message.status]
            elif connection.topic == '/mapping_qa/point_error':
                errors.append(message.data)
            elif connection.topic == '/diagnostics':
                names = {status.name for status in message.status}
    assert {
        '/mapping_qa/capture_allowed': 'std_msgs/msg/Bool',
        '/mapping_qa/gate': 'diagnostic_msgs/msg/DiagnosticStatus',
        '/mapping_qa/events': 'diagnostic_msgs/msg/DiagnosticArray',
        '/mapping_qa/pose': 'geometry_msgs/msg/PoseWithCovarianceStamped',
        '/mapping_qa/point_error': 'std_msgs/msg/Float64',
        '/mapping_qa/clock_offset': 'sensor_msgs/msg/TimeReference',
        '/mapping_qa/light': 'std_msgs/msg/ColorRGBA',
        '/diagnostics': 'diagnostic_msgs/msg/DiagnosticArray'}.items() <= types.items()
    changes = [(log_ns, now) for (_, before), (log_ns, now) in zip(allowed, allowed[1:])
               if before != now]
    first, second = outcome.summary['gate']['holds']
    assert changes == [(first['released_ns'], True), (second['closed_ns'], False),
                       (second['released_ns'], True)]
    assert max(b[0] - a[0] for a, b in zip(allowed, allowed[1:])) <= 200 * MS
    assert {'hold', 'release'} <= set(events)
    assert 0.0 < min(errors) < max(errors) < 0.05
    assert len(names) == 4
