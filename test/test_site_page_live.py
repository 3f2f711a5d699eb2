# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The page in a real browser, against the running nodes over DDS."""

import signal
import socket
import threading
import time

from browser import Browser, needs_chromium
from live_site import MONITORS, Site
import pytest
import yaml

pytest.importorskip('rclpy', reason='needs ROS 2')

DOMAIN = 170
SHOWN_S = 1.0
OPEN_S = 60.0
TOKENS = 'hold a-token-that-may-hold\nlook a-token-that-may-look\n'

OFF_DELAY_S = 1.0
PARAMETERS = {
    'streams': ['unit'],
    'unit': {'topic': '/unit/odometry', 'type': 'nav_msgs/msg/Odometry', 'role': 'pose',
             'rate_hz': 50.0},
    # So long that a busy machine is not taken for a fault.
    'timing': {'settle_s': 1.0, 'silence_s': 0.7, 'delay_limit_s': 0.5},
    'pose': {'stale_s': 0.7},
    'gate': {'off_delay_s': OFF_DELAY_S}}

WORD = 'document.getElementById("word").textContent'
STALE = 'document.body.classList.contains("stale")'
BUTTON = 'document.getElementById("hand-button")'
FETCH_FROM_ELSEWHERE = """fetch("http://127.0.0.1:%d/hold", {
  method: "POST", mode: "no-cors", headers: {"Content-Type": "text/plain"},
  body: '{"hold": true, "seen_by_hand": false}'}).catch(() => null)"""


def free_port():
    with socket.socket() as taken:
        taken.bind(('127.0.0.1', 0))
        return taken.getsockname()[1]


class Unit:
    """A mapping unit that drives straight on, in a thread of the test."""

    def __init__(self, context):
        from nav_msgs.msg import Odometry
        from rclpy.executors import SingleThreadedExecutor
        from rclpy.node import Node
        self._node = Node('unit', context=context)
        self._executor = SingleThreadedExecutor(context=context)
        self._executor.add_node(self._node)
        self._publisher = self._node.create_publisher(Odometry, '/unit/odometry', 10)
        self._message = Odometry()
        self._message.header.frame_id, self._message.child_frame_id = 'map', 'unit'
        self._message.pose.pose.orientation.w = 1.0
        self._message.twist.twist.linear.x = 0.2
        self._start_ns = time.time_ns()
        self._node.create_timer(0.02, self._step)
        self._driving = True
        self._thread = threading.Thread(target=self._drive)
        self._thread.start()

    def _step(self):
        now_ns, message = time.time_ns(), self._message
        message.header.stamp.sec, message.header.stamp.nanosec = divmod(now_ns, 10 ** 9)
        driven_m = 0.2 * (now_ns - self._start_ns) * 1e-9
        message.pose.pose.position.x = driven_m
        # One that never changes would be taken for a placeholder.
        message.pose.covariance = [1e-6 * (1.0 + 1e-2 * driven_m) * (place % 7 == 0)
                                   for place in range(36)]
        self._publisher.publish(message)

    def _drive(self):
        while self._driving:
            self._executor.spin_once(timeout_sec=0.1)

    def close(self):
        self._driving = False
        self._thread.join()
        self._executor.shutdown(timeout_sec=1.0)
        self._node.destroy_node()


class PageSite(Site):
    """A unit, and monitors, gate and page as processes."""

    def __init__(self, folder, monkeypatch):
        from rclpy.node import Node
        from robot_mapping_qa.messages.topics import HOLD_SERVICE
        from std_srvs.srv import SetBool
        super().__init__(folder, monkeypatch, DOMAIN)
        self.file = folder / 'streams.yaml'
        self.file.write_text(yaml.safe_dump({'/**': {'ros__parameters': PARAMETERS}}))
        self.port = free_port()
        self.unit = Unit(self.context)
        node = self.watch(Node('around', context=self.context))
        self._service, self._request = node.create_client(SetBool, HOLD_SERVICE), SetBool.Request
        for name in MONITORS:
            self.start(name)

    def start(self, node, *parameters):
        self.nodes.start(node, *parameters, parameter_files=(self.file,))

    def start_page(self):
        self.start('site_page', f'port:={self.port}')
        self.wait_for_page(self.port)

    def wait_for_page(self, port):
        start = time.monotonic()
        while time.monotonic() - start < OPEN_S:
            with socket.socket() as attempt:
                if attempt.connect_ex(('127.0.0.1', port)) == 0:
                    return
            time.sleep(0.05)
        pytest.fail(self.nodes.log('site_page'))

    def hold(self, held):
        """Hold or release by the service; return when the gate had answered."""
        answer = self._service.call_async(self._request(data=held))
        assert self.wait(answer.done, 5.0) is not None
        return time.monotonic()

    def close(self):
        self.unit.close()
        return super().close()


@pytest.fixture(scope='module')
def browser():
    needs_chromium()
    browser = Browser()
    yield browser
    browser.close()


@pytest.fixture(scope='module')
def site(tmp_path_factory, browser):
    with pytest.MonkeyPatch.context() as patch:
        site = PageSite(tmp_path_factory.mktemp('site'), patch)
        try:
            site.start_page()
            yield site
        finally:
            site.close()


@pytest.fixture
def page(site, browser):
    """Return the browser with the page before it and the gate open."""
    browser.open(f'http://127.0.0.1:{site.port}/')
    assert browser.wait(f'{WORD} === "OPEN"', OPEN_S) is not None, browser.text('main')
    browser.errors.clear()
    return browser


def confirm(page, button='yes'):
    page.click('#hand-button')
    assert page.wait('document.getElementById("confirm").open', 1.0) is not None
    said = page.text('#confirm')
    page.click(f'#confirm-{button}')
    return said


def test_gate_figures_and_path_are_on_the_page(site, page):
    assert page.wait('document.getElementById("gate").className === "open"', 1.0) is not None
    assert 'of 0.050 m' in page.text('#figures')
    assert 'no recorder' in page.text('#figures')
    # The robot drives 0.2 m/s, and a point of the path is kept each 0.1 m.
    assert page.wait('document.getElementById("event-list").children.length > 0', 5.0) is not None
    assert not page.value(STALE)
    assert page.errors == []


def test_a_hold_and_its_end_are_seen_within_a_second(site, page):
    for held, word in ((True, 'HELD'), (False, 'OPEN')):
        answered = site.hold(held)
        if not held:
            # The off-delay of the gate comes before.
            answered += OFF_DELAY_S
        assert page.wait(f'{WORD} === "{word}"', 5.0) is not None
        assert time.monotonic() - answered < SHOWN_S
    assert page.errors == []


def test_the_button_holds_and_releases_after_the_present_state_was_confirmed(site, page):
    said = confirm(page, 'no')
    assert 'Hold the gate?' in said and 'Now: Open' in said
    assert page.value(WORD) == 'OPEN'
    confirm(page)
    assert page.wait(f'{WORD} === "HELD"', SHOWN_S) is not None
    assert page.wait('document.getElementById("gate").className === "by_hand"', 1.0) is not None
    assert page.text('#hand-button') == 'Release'
    assert 'held by hand' in page.text('#reasons')
    said = confirm(page)
    assert 'Release the gate?' in said and 'held by hand' in said
    assert page.wait(f'{WORD} === "OPEN"', 10.0) is not None
    assert page.errors == []


def test_the_button_works_from_the_keyboard(site, page):
    page.value(f'{BUTTON}.focus()')
    page.key('Enter')
    assert page.wait('document.getElementById("confirm").open', 1.0) is not None
    # The safe choice comes first.
    assert page.value('document.activeElement.id') == 'confirm-no'
    page.key('Enter')
    assert not page.value('document.getElementById("confirm").open')
    assert page.value(WORD) == 'OPEN'


def test_a_state_that_has_changed_meanwhile_is_not_acted_on(site, page):
    page.click('#hand-button')
    site.hold(True)
    assert page.wait(f'{WORD} === "HELD"', SHOWN_S) is not None
    page.click('#confirm-yes')
    assert page.wait('document.getElementById("hand-answer").textContent.includes('
                     '"look again")', 2.0) is not None
    site.hold(False)


def test_another_site_in_the_same_browser_cannot_hold(site, page):
    page.open('about:blank')
    page.value(FETCH_FROM_ELSEWHERE % site.port)
    page.open(f'http://127.0.0.1:{site.port}/')
    assert page.wait(f'{WORD} === "OPEN"', 2.0) is not None
    site.spin(0.5)
    assert page.value(WORD) == 'OPEN'


def test_without_a_gate_the_page_says_held_within_a_second(site, page):
    process = site.nodes.process('capture_gate')
    process.send_signal(signal.SIGSTOP)
    try:
        assert page.wait(f'{WORD} === "HELD"', SHOWN_S + 0.1) is not None
        assert 'no word from the gate' in page.text('#meaning')
        assert page.value(f'{BUTTON}.disabled')
    finally:
        process.send_signal(signal.SIGCONT)
    assert page.wait(f'{WORD} === "OPEN"', OPEN_S) is not None, page.text('#gate')


def test_a_page_without_data_says_so_and_comes_back_by_itself(site, page):
    process = site.nodes.process('site_page')
    page.value('window.sameAsBefore = true')
    stopped = time.monotonic()
    process.send_signal(signal.SIGINT)
    assert process.wait(5.0) == 0
    assert time.monotonic() - stopped < 2.0
    assert page.wait(STALE, 3.0) is not None
    assert time.monotonic() - stopped < 2.0
    assert page.value(WORD) == ''
    assert 'NO DATA since' in page.text('#no-data')
    assert page.value(f'{BUTTON}.disabled')
    site.start_page()
    assert page.wait(f'!{STALE} && {WORD} === "OPEN"', 10.0) is not None
    assert page.value('window.sameAsBefore')
    # A robot that is not there cannot be reached: that alone may stand on the console.
    assert all('ERR_' in error for error in page.errors), page.errors


def test_a_stuck_node_is_taken_for_no_data(site, page):
    process = site.nodes.process('site_page')
    process.send_signal(signal.SIGSTOP)
    try:
        assert page.wait(STALE, 2.0) is not None
    finally:
        process.send_signal(signal.SIGCONT)
    assert page.wait(f'!{STALE}', 5.0) is not None


def test_a_token_is_needed_where_there_is_a_file_and_looking_is_not_holding(
        site, page, tmp_path):
    file = tmp_path / 'tokens'
    file.write_text(TOKENS)
    file.chmod(0o600)
    port = free_port()
    site.nodes.process('site_page').send_signal(signal.SIGINT)
    site.nodes.process('site_page').wait(5.0)
    site.start('site_page', f'port:={port}', f'token_file:={file}', 'listen_address:=0.0.0.0')
    site.wait_for_page(port)
    page.open(f'http://127.0.0.1:{port}/')
    assert page.wait('document.body.innerText.includes("needs its token")', 5.0) is not None
    for right, hidden in (('look', True), ('hold', False)):
        page.open(f'http://127.0.0.1:{port}/?token=a-token-that-may-{right}')
        assert page.wait(f'location.search === "" && {WORD} === "OPEN"', OPEN_S) is not None
        assert page.value('document.getElementById("hand").hidden') is hidden
        assert page.value('document.cookie') == ''
