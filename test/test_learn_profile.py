# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""`learn_profile`: thresholds for a robot and its environment from a good run."""

from dataclasses import replace
import random

from hand_made_bags import between, CAMERA, CONFIGURATION, drive, in_order, judge, write
import pytest
from robot_mapping_qa.bag.learn_profile import main as learn_profile
from robot_mapping_qa.bag.proposals import SHARE, TIGHTEST
from robot_mapping_qa.bag.run_figures import Figure
from robot_mapping_qa.configuration import load_configuration, read_parameters
from robot_mapping_qa.configuration.profiles import profile_file
from robot_mapping_qa.configuration.validation import GROUPS
from robot_mapping_qa.pose.limits import PoseLimits
from robot_mapping_qa.settings import settings_of
from robot_mapping_qa.timing.limits import TimingLimits

PROFILES = ('aerial', 'bridge_underside', 'corridor', 'industrial_hall', 'legged',
            'open_outdoor', 'vegetation_and_water')
LASTS_S = 64.0


def late_run():
    """Return a run whose camera comes 180 to 200 ms late: too late for the defaults."""
    rng = random.Random(5)
    return in_order([
        replace(each, log_ns=each.stamp_ns + round(rng.uniform(0.18, 0.2) * 1e9))
        if each.topic == CAMERA else each for each in drive(LASTS_S)])


@pytest.fixture(scope='module')
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp('learning')
    (folder / 'streams.yaml').write_text(CONFIGURATION)
    write(folder / 'run', late_run())
    return folder


def learn(folder, out, *more):
    return learn_profile([str(folder / 'run'), '--config', str(folder / 'streams.yaml'),
                          '--out', str(out), *more])


@pytest.fixture(scope='module')
def learned(folder):
    """Return the learned profile."""
    assert learn(folder, folder / 'site.yaml') == 0
    return folder / 'site.yaml'


def test_run_that_the_defaults_hold_is_not_held_by_what_is_learned_from_it(folder, learned):
    streams = folder / 'streams.yaml'
    before, _, _ = judge(folder / 'run', load_configuration(streams))
    after, _, _ = judge(folder / 'run', load_configuration(streams, learned))
    # By the defaults the camera is late for the whole run, so that the gate never opens.
    assert before.holds[-1].released_ns is None
    assert len(after.holds) == 1
    assert after.holds[0].released_ns is not None


def test_each_threshold_stands_below_the_figure_behind_it(learned):
    lines = learned.read_text().splitlines()
    place = next(at for at, line in enumerate(lines) if 'delay_limit_s' in line)
    reason = ' '.join(line.strip(' #') for line in lines[place - 2:place])
    assert reason.startswith('Time from stamp to arrival: 0.2 s for front_camera (99.9 % of 640')
    assert reason.endswith('times 2. Default 0.15.')
    for at, line in enumerate(lines):
        if line.startswith('      ') and ':' in line and '#' not in line:
            assert lines[at - 1].strip().startswith('# ')


def test_thresholds_hold_the_figures_of_the_run(learned):
    values = read_parameters(learned)
    assert values['timing.delay_limit_s'] == pytest.approx(0.4, rel=0.03)
    # Poses come every 20 ms, pictures every 100 ms and up to 20 ms later.
    assert 0.2 <= values['timing.silence_s'] <= 0.25
    # 0.5 m/s: half of the default, as tight as it gets.
    assert values['pose.max_speed_mps'] == TIGHTEST * PoseLimits().max_speed_mps
    assert values['pose.stale_s'] == TIGHTEST * PoseLimits().stale_s
    # What the inspection needs, and when the gate opens, is not for a run to say.
    assert not [name for name in values if name.startswith('gate.') or '.' not in name]


def test_threshold_that_the_run_tells_nothing_about_is_left_alone_with_a_word(learned):
    assert 'timing.ahead_limit_s' not in read_parameters(learned)
    assert ('# ahead_limit_s: no stamp lay ahead of its arrival; the default '
            f'{TimingLimits().ahead_limit_s:g} stays.') in learned.read_text()


def test_run_that_was_held_is_told(folder, tmp_path, capsys):
    sent = [replace(each, x_m=each.x_m + (0.5 if each.x_m > 10.0 else 0.0))
            for each in drive(LASTS_S)]
    write(tmp_path / 'jumped', sent)
    assert learn_profile([str(tmp_path / 'jumped'), '--config', str(folder / 'streams.yaml'),
                          '--out', str(tmp_path / 'site.yaml')]) == 0
    said = capsys.readouterr().out
    assert 'the run as configured: held once after its start' in said
    assert 'unit_odometry jumped 0.5' in said
    assert 'the run was held once after its start' in ' '.join(
        (tmp_path / 'site.yaml').read_text().replace('#', '').split())
    # One jump in thousands of poses does not become the robot's ordinary motion.
    assert read_parameters(tmp_path / 'site.yaml')['pose.pose_noise_m'] < 0.01


def test_run_with_faults_is_refused_unless_that_is_wanted(folder, tmp_path, capsys):
    def late(each):
        return between(each, CAMERA, 30.0, 33.0)
    sent = [replace(each, stamp_ns=each.stamp_ns - 80_000_000)
            if between(each, CAMERA, 40.0, 45.0) else each
            for each in drive(LASTS_S) if not late(each)]
    write(tmp_path / 'faulty', sent)
    command = [str(tmp_path / 'faulty'), '--config', str(folder / 'streams.yaml'),
               '--out', str(tmp_path / 'site.yaml')]
    assert learn_profile(command) == 2
    said = capsys.readouterr().err
    assert 'not a good run' in said and 'front_camera silent for 3.0 s at 30.0 s' in said
    assert 'front_camera clock stepped by -80.0 ms at 40.0 s' in said
    assert not (tmp_path / 'site.yaml').exists()
    assert learn_profile([*command, '--anyway']) == 0
    assert 'warning: learned from a fault as well: front_camera silent' in capsys.readouterr().err


def test_of_many_faults_the_first_are_told(folder, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr('robot_mapping_qa.bag.learn_profile.faults_in',
                        lambda _: [f'fault {number}' for number in range(300)])
    write(tmp_path / 'faulty', drive(LASTS_S))
    assert learn_profile([str(tmp_path / 'faulty'), '--config', str(folder / 'streams.yaml'),
                          '--out', str(tmp_path / 'site.yaml')]) == 2
    assert 'fault 3; fault 4; and 295 more. Take another run' in capsys.readouterr().err


def test_short_run_is_refused(folder, tmp_path, capsys):
    write(tmp_path / 'short', drive(20.0))
    assert learn_profile([str(tmp_path / 'short'), '--config', str(folder / 'streams.yaml'),
                          '--out', str(tmp_path / 'site.yaml')]) == 2
    assert 'lasts 20.0 s, expected a good run of at least 60 s' in capsys.readouterr().err
    assert not (tmp_path / 'site.yaml').exists()


@pytest.mark.parametrize('name, said', [
    ('site.txt', 'expected a name that ends in .yaml'),
    ('none/site.yaml', 'none does not exist'),
    ('mine.yaml', 'exists already, and may have been edited by hand')])
def test_impossible_output_is_refused_before_the_work(folder, tmp_path, capsys, name, said):
    (tmp_path / 'mine.yaml').write_text('# mine')
    assert learn(folder, tmp_path / name) == 2
    assert said in capsys.readouterr().err
    assert [file.name for file in tmp_path.iterdir()] == ['mine.yaml']


def test_wrong_bag_and_wrong_configuration_are_refused(folder, tmp_path, capsys):
    out = ['--out', str(tmp_path / 'site.yaml')]
    assert learn_profile(['/no/bag', '--config', str(folder / 'streams.yaml'), *out]) == 2
    assert learn_profile([str(folder / 'run'), '--config', '/no/file.yaml', *out]) == 2
    said = capsys.readouterr().err
    assert '/no/bag: there is no such file or folder' in said
    assert '/no/file.yaml: cannot be read' in said


def test_figure_keeps_quantiles_to_one_percent():
    figure = Figure()
    values = [0.001 * number for number in range(1, 10001)]
    for value in values:
        figure.add(value)
    # The rank definition of a quantile: the smallest value with that share at or below it.
    assert figure.quantile(SHARE) == pytest.approx(9.99, rel=0.01)
    assert figure.largest == 10.0
    assert Figure().quantile(SHARE) is None


@pytest.mark.parametrize('name', PROFILES)
def test_shipped_profile_is_valid_and_gives_a_reason_for_each_value(folder, name):
    file = profile_file(name)
    load_configuration(folder / 'streams.yaml', file)
    values = read_parameters(file)
    defaults = {f'{group}.{item.name}': item.default for group, limits in GROUPS.items()
                for item in settings_of(limits)}
    assert values
    # A value that is the default would only look like a decision.
    assert [key for key, value in values.items() if defaults.get(key) == value] == []
    lines = file.read_text().splitlines()
    for at, line in enumerate(lines):
        if line.startswith('      ') and not line.strip().startswith('#'):
            assert lines[at - 1].strip().startswith('# '), f'{name}: {line.strip()}: no reason'


def test_every_shipped_profile_is_known_here(folder):
    assert sorted(file.stem for file in profile_file('aerial').parent.glob('*.yaml')) == sorted(
        PROFILES)


def test_profiles_leave_to_the_user_what_the_inspection_needs():
    for name in PROFILES:
        assert not {'point_error_limit_m', 'working_distance_m'} & set(
            read_parameters(profile_file(name)))
