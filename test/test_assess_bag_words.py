# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What the offline tool says where a bag, the disk or the run itself falls short."""

import errno
import os
from pathlib import Path

from hand_made_bags import CONFIGURATION, drive, in_order, S, Sent, START_NS, write
import pytest
from robot_mapping_qa.bag import assess_bag, results, several
from robot_mapping_qa.bag.assess_bag import main
from robot_mapping_qa.bag.recorder import RecordingError
from robot_mapping_qa.bag.results import assess
from robot_mapping_qa.configuration import load_configuration


@pytest.fixture
def site(tmp_path):
    (tmp_path / 'robot.yaml').write_text(CONFIGURATION)
    write(tmp_path / 'bag', drive(8.0))
    return tmp_path


def run(site, *bags, out='out'):
    return main([*(str(site / bag) for bag in bags), '--config', str(site / 'robot.yaml'),
                 '--out', str(site / out), '--workers', '1'])


def test_first_reason_of_a_run_is_no_artefact_of_the_tool(site):
    summary = assess(site / 'bag', load_configuration(site / 'robot.yaml'), site / 'out').summary
    reason, = summary['gate']['holds'][0]['reasons']
    assert reason.startswith('settling: unit_odometry, front_camera (for 2.')


def test_camera_that_is_not_there_is_named_with_what_could_be_it(site, capsys):
    text = CONFIGURATION.replace('/front/camera_info', '/left/camera_info')
    (site / 'robot.yaml').write_text(text)
    assert run(site, 'bag') == 0
    said = capsys.readouterr()
    assert ('topics that could be it: /front/camera_info (sensor_msgs/msg/CameraInfo, '
            '80 messages)') in said.err
    assert 'taken while held; no pictures of front_camera were judged' in said.out
    assert 'gate: held once, 100.0 %' in said.out


def test_headline_names_the_camera_of_which_nothing_was_judged(site):
    text = CONFIGURATION.replace('front_camera]', 'front_camera, left]').replace(
        '    working', '    left: {topic: /left, type: sensor_msgs/msg/Image, role: capture}\n'
        '    working')
    (site / 'robot.yaml').write_text(text)
    outcome = assess(site / 'bag', load_configuration(site / 'robot.yaml'), site / 'out')
    assert ('captures can be trusted; no pictures of left were judged</h1>'
            in outcome.report.read_text(encoding='utf-8'))


@pytest.mark.parametrize('fault', ['bag', 'table'])
def test_full_disk_is_told_by_the_folder_that_was_asked_for(site, monkeypatch, capsys, fault):
    full = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def fail(path, *_):
        if fault == 'table':
            raise full
        raise RecordingError(f'cannot write the bag {path}: {full.strerror}') from full
    monkeypatch.setattr(results, 'QualityBag' if fault == 'bag' else 'write_summary', fail)
    assert run(site, 'bag') == 2
    assert capsys.readouterr().err == (
        f'{site / "out"}: no space left on the disk; nothing was written\n')
    assert sorted(path.name for path in site.iterdir()) == ['bag', 'robot.yaml']


def test_other_trouble_with_a_file_does_not_name_a_folder_that_nobody_knows(
        site, monkeypatch, capsys):
    def fail(path):
        raise RecordingError(f'cannot write the bag {path}: the disk is gone')
    monkeypatch.setattr(results, 'QualityBag', fail)
    assert run(site, 'bag') == 2
    assert capsys.readouterr().err == (
        f'cannot write the bag {site / "out" / "quality"}: the disk is gone\n')


@pytest.mark.parametrize('done, said', [
    (0, 'interrupted: none of the 3 bags was done, nothing was written'),
    (1, 'interrupted: 1 of 3 bags was done: '), (2, 'interrupted: 2 of 3 bags were done: ')])
def test_interrupted_run_over_several_bags_says_how_many_are_done(
        site, monkeypatch, capsys, done, said):
    def run_some(tasks, _workers):
        for task in tasks[:done]:
            task.folder.mkdir()
            yield several.Result(task, None)
        raise KeyboardInterrupt
    monkeypatch.setattr(several, 'run_here', run_some)
    assert run(site, 'bag', 'one', 'two') == assess_bag.INTERRUPTED
    assert capsys.readouterr().err.strip().startswith(said)
    assert (site / 'out').exists() == bool(done)


def test_bag_that_fails_among_several_is_named_once(site, capsys):
    (site / 'broken').mkdir()
    assert run(site, 'bag', 'broken') == assess_bag.SOME_FAILED
    line, = (line for line in capsys.readouterr().err.splitlines() if 'broken' in line)
    assert line.startswith(f'{site / "broken"}: not assessed: not a bag')


def test_bag_that_is_given_twice_is_refused_in_these_words(site, capsys):
    assert run(site, 'bag', 'bag') == 2
    assert capsys.readouterr().err == f'{site / "bag"}: given twice\n'


def test_broken_metadata_beside_a_good_file_says_how_to_do_without(site, capsys):
    (site / 'bag' / 'metadata.yaml').write_text('rosbag2_bagfile_information: [')
    assert run(site, 'bag') == 2
    line, = capsys.readouterr().err.splitlines()
    assert line.endswith('; name the .mcap file itself to read it without')
    file, = (site / 'bag').glob('*.mcap')
    assert run(site, file) == 0


def test_file_that_was_cut_before_its_first_message_is_not_called_empty(site, capsys):
    file, = (site / 'bag').glob('*.mcap')
    file.write_bytes(file.read_bytes()[:500])
    assert run(site, file) == 2
    assert capsys.readouterr().err == f'{file}: cut off before its first complete message\n'


def test_cut_bag_tells_how_much_of_its_time_is_read(site, capsys):
    notes = [Sent('/notes', START_NS + n * S, START_NS + n * S, data=bytes(600_000))
             for n in range(12)]
    bag = write(site / 'long', in_order(drive(12.0) + notes),
                topics=('/unit/odometry', '/front/camera_info', '/notes'))
    file, = bag.glob('*.mcap')
    file.write_bytes(file.read_bytes()[:file.stat().st_size // 2])
    assert run(site, 'long') == 0
    said = capsys.readouterr()
    assert 's are read of the 12.0 s that it lasts by metadata.yaml' in said.err


def test_no_figure_of_a_ledger_is_a_negative_zero(site):
    assess(site / 'bag', load_configuration(site / 'robot.yaml'), site / 'out')
    for row in Path(site / 'out' / 'captures.csv').read_text().splitlines()[1:]:
        assert not [field for field in row.split(',') if field.startswith('-')
                    and not field.strip('-0.')]
