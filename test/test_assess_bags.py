# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""Several bags give one table, and each what it gives alone."""

import csv
from dataclasses import replace
import sys

from hand_made_bags import between, CONFIGURATION, drive, ODOMETRY, write
import pytest
from robot_mapping_qa.bag import several
from robot_mapping_qa.bag.assess_bag import main

FILES = ('summary.json', 'captures.csv', 'redo.csv', 'report.html')


@pytest.fixture(scope='module')
def site(tmp_path_factory):
    """Write a good bag, one with a fault, one that is none, and the configuration."""
    folder = tmp_path_factory.mktemp('site')
    (folder / 'robot.yaml').write_text(CONFIGURATION)
    sent = drive(12.0)
    write(folder / 'good', sent)
    write(folder / 'jumped', [
        replace(message, x_m=message.x_m + 0.4) if between(message, ODOMETRY, 9.0, 99.0)
        else message for message in sent])
    (folder / 'broken').mkdir()
    return folder


@pytest.fixture(scope='module')
def alone(site):
    """Assess the two bags one by one."""
    for name in ('good', 'jumped'):
        assert main(arguments(site, [name], f'alone_{name}')) == 0
    return site


def test_an_unknown_profile_is_told_as_for_one_bag(site, capsys):
    said = []
    for names in (['good'], ['good', 'jumped']):
        assert main(arguments(site, names, 'none', '--profile', 'moon')) == 2
        said.append(capsys.readouterr().err)
    assert said[0] == said[1] and 'moon' in said[0]


def arguments(site, names, out, *more):
    return [*(str(site / name) for name in names), '--config', str(site / 'robot.yaml'),
            '--out', str(site / out), *more]


def rows(folder):
    with (folder / 'comparison.csv').open(newline='') as file:
        return {row['bag']: row for row in csv.DictReader(file)}


def check_same_as_alone(site, out):
    for name in ('good', 'jumped'):
        for file in FILES:
            assert (site / out / name / file).read_bytes() == (
                site / f'alone_{name}' / file).read_bytes(), (name, file)


def test_one_table_and_each_bag_as_alone_while_one_fails(alone, capsys):
    site = alone
    status = main(arguments(site, ['good', 'broken', 'jumped'], 'many', '--workers', '2'))
    assert status == 1
    said = capsys.readouterr()
    assert '2 of 3 bags assessed' in said.out
    assert 'not a bag' in said.err
    check_same_as_alone(site, 'many')
    table = rows(site / 'many')
    assert list(table) == ['good', 'broken', 'jumped']
    assert 'not a bag' in table['broken']['failed']
    assert table['broken']['trusted'] == ''
    jumped = table['jumped']
    assert (jumped['failed'], jumped['jumps'], table['good']['jumps']) == ('', '1', '0')
    assert float(jumped['largest_jump_m']) == pytest.approx(0.4, abs=0.01)
    assert float(jumped['duration_s']) == pytest.approx(11.99, abs=0.05)
    assert jumped['worst_offset_stream'] == 'front_camera'
    assert float(jumped['worst_offset_s']) == pytest.approx(-0.020, abs=1e-3)
    assert int(jumped['captures']) == 120 == sum(
        int(jumped[verdict]) for verdict in ('trusted', 'suspect', 'held'))
    page = (site / 'many' / 'comparison.html').read_text()
    assert 'href="jumped/report.html"' in page
    assert 'Not assessed' in page


def test_workers_of_a_cluster_give_the_same(alone):
    distributed = pytest.importorskip('distributed', reason='the extra "cluster" is not there')
    site = alone
    with distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None,
            host='127.0.0.1') as cluster:
        assert main(arguments(site, ['good', 'jumped'], 'cluster', '--scheduler',
                              cluster.scheduler_address)) == 0
    check_same_as_alone(site, 'cluster')
    assert {row['failed'] for row in rows(site / 'cluster').values()} == {''}


def test_scheduler_that_does_not_answer_is_told(site, monkeypatch, capsys):
    pytest.importorskip('distributed', reason='the extra "cluster" is not there')
    monkeypatch.setattr(several, 'SCHEDULER_WAIT_S', 0.5)
    assert main(arguments(site, ['good', 'jumped'], 'no', '--scheduler', 'tcp://127.0.0.1:9')) == 2
    assert '--scheduler tcp://127.0.0.1:9' in capsys.readouterr().err


def test_cluster_without_its_package_says_what_to_install(site, monkeypatch, capsys):
    monkeypatch.setitem(sys.modules, 'distributed', None)
    assert main(arguments(site, ['good', 'jumped'], 'no', '--scheduler', 'tcp://127.0.0.1:9')) == 2
    assert "pip install 'robot_mapping_qa[cluster]'" in capsys.readouterr().err


def test_configuration_is_refused_once_and_not_by_every_bag(site, tmp_path, capsys):
    (tmp_path / 'robot.yaml').write_text(CONFIGURATION.replace('working_distance_m', 'distance'))
    bags = [str(site / name) for name in ('good', 'jumped')]
    assert main([*bags, '--config', str(tmp_path / 'robot.yaml'), '--out', str(tmp_path)]) == 2
    assert capsys.readouterr().err.count('distance: unknown') == 1


def test_annotated_copies_are_made_one_by_one(site, capsys):
    assert main(arguments(site, ['good', 'jumped'], 'no', '--annotated', 'copy')) == 2
    assert '--annotated' in capsys.readouterr().err


def test_bags_of_one_name_get_folders_of_their_own(tmp_path):
    bags = ['/day_1/run', '/day_2/run', '/day_2/other.mcap']
    tasks = several.tasks_for(bags, tmp_path, 'c', None)
    assert [task.folder.name for task in tasks] == ['day_1_run', 'day_2_run', 'other.mcap']
    with pytest.raises(several.SeveralError, match='would both be called day_1_run'):
        several.tasks_for(['/a/day_1/run', '/b/day_1/run'], tmp_path, 'c', None)


def test_process_that_is_killed_is_a_bag_that_failed(site, monkeypatch):
    monkeypatch.setattr(several.sys, 'executable', str(site / 'killed'))
    (site / 'killed').write_text('#!/bin/sh\nkill -9 $$\n')
    (site / 'killed').chmod(0o755)
    task, = several.tasks_for([str(site / 'good')], site / 'no', str(site / 'robot.yaml'), None)
    assert several.run_task(task).reason == 'its process was ended by signal 9'
