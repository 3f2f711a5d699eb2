# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""What the pages for people say is what the code does."""

import ast
import importlib
from pathlib import Path
import re

import hand_made_bags as bags
import page_stage as stage
import pytest
from robot_mapping_qa.bag.ledger_file import CAPTURE_COLUMNS, REDO_COLUMNS
from robot_mapping_qa.configuration import load_configuration
from robot_mapping_qa.configuration.model import ROLE_TYPES
from robot_mapping_qa.configuration.reference import reference
from robot_mapping_qa.configuration.validation import GROUPS, STREAM_KEYS, TOP_KEYS
from robot_mapping_qa.messages import outputs, topics
from robot_mapping_qa.settings import settings_of

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / 'README.md').read_text(encoding='utf-8')
NODES = ROOT / 'robot_mapping_qa' / 'nodes'


def table(first_cell):
    """Return the rows of the README's table whose heading begins with a cell."""
    start = README.index(f'| {first_cell} |')
    rows = README[start:README.index('\n\n', start)].split('\n')
    return [[cell.strip() for cell in row.strip('|').split('|')] for row in rows[2:]]


def quoted(text):
    """Return what stands in back quotes."""
    return re.findall(r'`([^`]+)`', text)


def bullet(name):
    """Return what stands in back quotes in the list entry of a file."""
    return quoted(re.search(rf'^- `{re.escape(name)}`(.*)$', README, re.MULTILINE).group(1))


def test_the_page_of_all_keys_is_the_one_that_the_code_gives():
    assert (ROOT / 'config/PARAMETERS.md').read_text(encoding='utf-8') == reference(), (
        'write it anew: python -m robot_mapping_qa.configuration.reference > config/PARAMETERS.md')


def test_the_page_of_all_keys_has_every_key_with_its_default():
    page = reference()
    for group, limits in GROUPS.items():
        section = page[page.index(f'\n## `{group}`\n'):]
        for item in settings_of(limits):
            row = re.search(rf'^\| `{item.name}` \|.*$', section, re.MULTILINE).group(0)
            assert f'| {item.default:g} | {item.metadata["low"]:g} to ' in row
    for name in (*STREAM_KEYS, *TOP_KEYS):
        assert f'| `{name}` |' in page


def test_the_readme_lists_the_keys_of_a_stream():
    listed = [name for row in table('key') for name in quoted(row[0])]
    assert sorted(listed) == sorted(STREAM_KEYS)
    needed = {name for row in table('key') if row[2] == 'needed' for name in quoted(row[0])}
    assert needed == {name for name, key in STREAM_KEYS.items() if key.needed}
    assert all(f'`{name}`' in README for name in TOP_KEYS)


def test_the_readme_lists_the_roles_with_their_types():
    listed = {quoted(row[0])[0]: tuple(quoted(row[2])) or None for row in table('role')}
    assert listed == ROLE_TYPES


def test_the_readme_lists_the_topics_with_their_types():
    listed = {}
    for names, kind, _ in table('topic (below `mapping_qa/`)'):
        for name in quoted(names):
            full = name if name.startswith('/') else f'{topics.NAMESPACE}/{name}'
            listed[full] = quoted(kind)[0].replace('/', '/msg/')
    declared = {topic.name: topic.type for topic in vars(topics).values()
                if isinstance(topic, topics.Topic)}
    assert listed == declared


def test_the_readme_lists_the_services_with_their_types():
    created = {}
    for file in NODES.glob('*.py'):
        text = file.read_text(encoding='utf-8')
        for kind, name in re.findall(r'create_service\((\w+), (\w+_SERVICE),', text):
            created[getattr(topics, name)] = f'std_srvs/{kind}'
    assert len(created) >= 2
    assert all(f'`{name}` (`{kind}`)' in README for name, kind in created.items())


def own_parameters(file):
    """Return the names of the parameters that a node has besides the configuration."""
    tree = ast.parse(file.read_text(encoding='utf-8'))
    for call in (node for node in ast.walk(tree) if isinstance(node, ast.Call)):
        if ast.unparse(call.func) == 'super().__init__' and len(call.args) == 2:
            given = call.args[1]
            if isinstance(given, ast.Dict):
                return set(ast.literal_eval(given))
            return set(getattr(importlib.import_module(f'robot_mapping_qa.nodes.{file.stem}'),
                               given.id))
    return set()


def test_the_readme_lists_the_own_parameters_of_every_node():
    pytest.importorskip('rclpy', reason='needs ROS 2')
    from robot_mapping_qa.nodes.node_help import NODES as HELP
    from robot_mapping_qa.nodes.rig import PARAMETERS
    listed = {node: quoted(row[1]) for row in table('node') for node in quoted(row[0])}
    nodes = {line.split('=')[0].strip(): line.split('.')[-1].split(':')[0] for line in re.findall(
        r"'(\w+ = robot_mapping_qa\.nodes\.\w+:main)'", (ROOT / 'setup.py').read_text())}
    assert set(listed) == set(nodes)
    for node, module in nodes.items():
        own = own_parameters(NODES / f'{module}.py') if node != 'rig' else set(PARAMETERS)
        assert own == set(listed[node]), node
        assert own == set(HELP[node].own), node
        assert HELP[node].reads_streams == (node != 'rig')
    assert set(HELP) == set(nodes)


def test_help_gives_the_defaults_of_the_nodes():
    pytest.importorskip('rclpy', reason='needs ROS 2')
    from robot_mapping_qa.nodes import quality_log, site_page
    from robot_mapping_qa.nodes.node_help import NODES as HELP
    for node, defaults in (('quality_log', quality_log.PARAMETERS),
                           ('site_page', site_page.PARAMETERS)):
        for name, default in defaults.items():
            if default not in ('', []):
                shown = f'{default:g}' if isinstance(default, float) else str(default).lower()
                assert f'({shown}' in HELP[node].own[name], name


def test_the_readme_names_the_scenarios_that_there_are():
    from robot_mapping_qa.nodes.node_help import NODES
    scenarios = {file.stem for file in (ROOT / 'robot_mapping_qa/rig/scenarios').glob('*.yaml')}
    sentence = re.search(r'^The rig plays the scenario (.*)$', README, re.MULTILINE).group(1)
    assert set(quoted(sentence.partition(';')[0])) == scenarios
    assert set(NODES['rig'].own['scenario'].partition(' or ')[0].strip(',').split(', ')) == (
        scenarios)
    for name in quoted(sentence.partition('copy ')[2]):
        assert (ROOT / 'robot_mapping_qa/rig' / Path(name).name).is_file() or (
            ROOT / name).is_file(), name


def test_the_readmes_table_of_the_lamp_is_what_the_gate_shows():
    colours = {outputs.GREEN: 'green', outputs.YELLOW: 'yellow', outputs.RED: 'red',
               outputs.BLUE: 'blue'}
    shown = {}
    for decision in (stage.OPEN, stage.NEAR, stage.OVER, stage.WAITING, stage.BROKEN,
                     stage.BY_HAND):
        colour, flashes = outputs.lamp(decision)
        shown.setdefault(colours[colour] + ', flashing' * flashes, []).append(decision)
    assert shown == {'green': [stage.OPEN], 'yellow, flashing': [stage.NEAR],
                     'yellow': [stage.OVER, stage.WAITING], 'red, flashing': [stage.BROKEN],
                     'blue': [stage.BY_HAND]}
    # The last row is for a gate that does not run.
    assert [row[0] for row in table('lamp (`light`)')][:-1] == list(shown)


def test_the_readme_lists_the_columns_of_the_ledger():
    assert tuple(bullet('captures.csv')) == CAPTURE_COLUMNS
    assert tuple(bullet('redo.csv')) == REDO_COLUMNS


def test_the_readme_lists_the_keys_of_the_summary(tmp_path):
    file = tmp_path / 'streams.yaml'
    file.write_text(bags.CONFIGURATION)
    bag = bags.write(tmp_path / 'bag', bags.drive(4.0))
    _, summary, _ = bags.judge(bag, load_configuration(file))
    named = bullet('summary.json')
    assert [name for name in named if name in summary] == list(summary)
    assert set(named) <= set(summary) | set(summary['bag']) | set(summary['gate'])


def test_the_readmes_table_of_faults_is_the_one_that_is_tried():
    pytest.importorskip('rclpy', reason='needs ROS 2')
    import test_fault_table_live as live
    rows = {row[0]: row[1].startswith('held') for row in table('what happens')}
    assert rows == {**{row[0]: True for row in live.HELD}, **{row[0]: False for row in live.OPEN}}
    for fault, _, _, text in live.HELD:
        example = next(row[2] for row in table('what happens') if row[0] == fault)
        # The limits of the test differ from the defaults.
        assert re.search(text.replace('500 ms', r'\d+ ms'), quoted(example)[0].replace(
            ' ...', ' has not come back')), fault
