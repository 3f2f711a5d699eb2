# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The page on the network: to whom it speaks, and what it costs the robot."""

import asyncio
import json
import socket

from aiohttp import ClientSession, ClientTimeout
from aiohttp.test_utils import TestServer
import pytest
from robot_mapping_qa.page.access import is_our_name, read_tokens, Right, TokenFileError, Tokens
from robot_mapping_qa.page.feed import Feed, Viewer
from robot_mapping_qa.page.listening import ListeningError, open_port
from robot_mapping_qa.page.server import HEADERS, HoldAnswer, MOST_VIEWERS, PageServer
from robot_mapping_qa.page.serving import ServerThread

HOLD, LOOK = 'a-token-that-may-hold', 'a-token-that-may-look'
TOKENS = Tokens({HOLD: Right.HOLD, LOOK: Right.LOOK})
JSON_HOLD = '{"hold": true, "seen_by_hand": false}'


class Visit:
    """A server and a client that gives exactly the headers it is told to."""

    def __init__(self, server, test_server, session):
        self.server, self._test_server, self._session = server, test_server, session
        self.host = f'127.0.0.1:{test_server.port}'

    def request(self, method, path, **options):
        return self._session.request(
            method, f'http://{self.host}{path}', allow_redirects=False, **options)

    async def status(self, method, path, headers=None, **options):
        async with self.request(method, path, headers=headers, **options) as answer:
            assert {key: answer.headers.get(key) for key in HEADERS} == HEADERS
            return answer.status

    async def hold(self, headers=None, data=JSON_HOLD):
        return await self.status('POST', '/hold', data=data, headers={
            'Content-Type': 'application/json', **(headers or {})})


def visit(scenario, tokens=None, names=()):
    """Run a scenario with a visit; return what was asked of the gate."""
    asked = []

    async def ask(wanted):
        asked.append(wanted)
        return HoldAnswer(True, 'held: held by hand')

    async def run():
        server = PageServer(ask, tokens, names)
        async with TestServer(server.application) as test_server, ClientSession(
                timeout=ClientTimeout(total=5.0)) as session:
            try:
                await scenario(Visit(server, test_server, session))
            finally:
                server.feed.close()
    asyncio.run(run())
    return asked


async def events_of(answer, count):
    """Return the next events of a stream, each as its kind and content."""
    found = []
    kind = None
    while len(found) < count:
        line = await asyncio.wait_for(answer.content.readline(), 5.0)
        assert line, 'the stream has ended'
        name, _, value = line.decode().rstrip('\n').partition(': ')
        if name == 'event':
            kind = value
        elif name == 'data':
            found.append((kind, json.loads(value)))
    return found


def test_the_page_and_its_files_are_served_and_nothing_else():
    async def scenario(page):
        for path, kind in {'/': 'text/html', '/page.css': 'text/css', '/icon.svg': 'image/svg+xml',
                           '/page.js': 'text/javascript', '/plan.js': 'text/javascript'}.items():
            async with page.request('GET', path) as answer:
                assert (answer.status, answer.content_type) == (200, kind)
                assert len(await answer.read()) > 100
        for path in ('/page.py', '/files/page.js', '/../server.py', '/%2e%2e/server.py',
                     '/page.js/../../server.py', '/..%2f..%2fsetup.py', '//etc/passwd',
                     '/%00', '/page.js%00'):
            assert await page.status('GET', path) in (400, 404), path
        for method in ('PUT', 'DELETE', 'OPTIONS', 'HEAD', 'PATCH'):
            assert await page.status(method, '/') == 405
        assert await page.status('GET', '/hold') == 405
        assert await page.status('POST', '/') == 405
    visit(scenario)


@pytest.mark.parametrize('tokens', [None, TOKENS])
def test_the_icon_that_browsers_ask_for_is_no_fault_of_theirs(tokens):
    async def scenario(page):
        assert await page.status('GET', '/favicon.ico') == 204
        assert await page.status('GET', '/favicon.ico', {'Host': 'elsewhere.example'}) == 421
        assert page.server.refused == 1
    visit(scenario, tokens)


def test_a_wrong_token_is_called_wrong_and_none_is_asked_for_on_a_page_that_a_phone_can_show():
    wrong = 'wrong-wrong-wrong-wrong'

    async def scenario(page):
        async def refusal(path, **headers):
            async with page.request('GET', path, headers=headers) as answer:
                assert answer.status == 401
                text = await answer.text()
                assert wrong not in text
                return answer.content_type, text
        for path, headers in (('/', {}), ('/?token=', {})):
            kind, text = await refusal(path, **headers)
            assert kind == 'text/html' and '<meta name="viewport" content="width=device' in text
            assert 'This page needs its token: open it once with /?token=TOKEN behind' in text
        for headers in ({'Authorization': f'Bearer {wrong}'},
                        {'Cookie': f'mapping_qa_page={wrong}'}):
            assert 'This token is not in the robot' in (await refusal('/', **headers))[1]
        kind, text = await refusal(f'/?token={wrong}')
        assert kind == 'text/html' and 'This token is not in the robot&#x27;s token file.' in text
        # The script of the page shows it as it comes.
        assert await refusal('/stream', Cookie=f'mapping_qa_page={wrong}') == (
            'text/plain', "This token is not in the robot's token file.\n")
    visit(scenario, TOKENS)


def test_the_page_needs_nothing_from_elsewhere_and_has_nothing_inline():
    async def scenario(page):
        async with page.request('GET', '/') as answer:
            html = await answer.text()
            policy = answer.headers['Content-Security-Policy']
        assert 'http' not in html and '<style' not in html and ' style=' not in html
        assert html.count('<script') == 1 and ' onclick' not in html
        assert "default-src 'none'" in policy and 'unsafe' not in policy
        for path in ('/page.css', '/page.js', '/plan.js'):
            async with page.request('GET', path) as answer:
                text = await answer.text()
            assert 'http' not in text and 'innerHTML' not in text and 'url(' not in text
    visit(scenario)


def test_without_a_token_nothing_is_shown_where_one_is_asked_for():
    async def scenario(page):
        for path in ('/', '/page.js', '/stream', '/?token=', '/?token=wrong-wrong-wrong',
                     f'/stream?token={HOLD}'):
            assert await page.status('GET', path) == 401, path
        for headers in ({'Authorization': f'Basic {HOLD}'}, {'Authorization': 'Bearer '},
                        {'Authorization': f'Bearer {HOLD}x'}, {'Authorization': 'Bearer ä'},
                        {'Cookie': f'mapping_qa_page={HOLD}'}, {'Cookie': 'mapping_qa_page='}):
            assert await page.status('GET', '/', headers) == 401, headers
            assert await page.hold(headers) == 401
    assert visit(scenario, TOKENS) == []


def test_a_token_in_the_address_is_exchanged_for_a_cookie_that_scripts_cannot_read():
    async def scenario(page):
        async with page.request('GET', f'/?token={HOLD}') as answer:
            assert answer.status == 200
            cookie = answer.headers['Set-Cookie']
            assert HOLD not in await answer.text() and HOLD not in cookie
        assert 'HttpOnly' in cookie and 'SameSite=Strict' in cookie
        headers = {'Cookie': cookie.partition(';')[0]}
        assert await page.status('GET', '/', headers) == 200
        assert await page.hold(headers) == 200
    assert len(visit(scenario, TOKENS)) == 1


def test_who_may_look_may_not_hold_and_is_offered_no_button():
    async def scenario(page):
        for token, may_hold, status in ((LOOK, False, 403), (HOLD, True, 200)):
            headers = {'Authorization': f'Bearer {token}'}
            async with page.request('GET', '/stream', headers=headers) as answer:
                assert answer.content_type == 'text/event-stream'
                assert await events_of(answer, 1) == [('welcome', {'may_hold': may_hold})]
            assert await page.hold(headers) == status
    assert len(visit(scenario, TOKENS)) == 1


@pytest.mark.parametrize('headers', [
    {'Origin': 'http://elsewhere.example'}, {'Origin': 'null'}, {'Sec-Fetch-Site': 'cross-site'},
    {'Sec-Fetch-Site': 'same-site'}, {'Origin': 'http://127.0.0.1:1'}, {'Origin': 'http://['}])
def test_the_page_of_another_site_can_neither_hold_nor_listen(headers):
    async def scenario(page):
        assert await page.hold(headers) == 403
        assert await page.status('GET', '/stream', headers) == 403
        assert await page.hold({'Origin': f'http://{page.host}',
                                'Sec-Fetch-Site': 'same-origin'}) == 200
    assert len(visit(scenario)) == 1


@pytest.mark.parametrize('host', [
    'rebound.example', 'rebound.example:8642', '192.0.2.7', '127.0.0.1.example', '', '[',
    '0.0.0.0', 'localhost.example'])
def test_a_foreign_name_that_leads_here_is_refused(host):
    async def scenario(page):
        for path in ('/', '/stream', '/page.js'):
            assert await page.status('GET', path, {'Host': host}) in (400, 421)
        assert await page.hold({'Host': host, 'Origin': f'http://{host}'}) in (400, 421)
    assert visit(scenario) == []


def test_names_of_this_robot_are_known():
    async def scenario(page):
        for host in ('localhost:9000', 'robot.lan', 'ROBOT.lan:8642'):
            assert await page.status('GET', '/', {'Host': host}) == 200
    visit(scenario, names=['Robot.lan'])
    assert is_our_name('192.0.2.7', '192.0.2.7', ())
    assert is_our_name('192.0.2.7', '::ffff:192.0.2.7', ())
    assert is_our_name('fe80::1', 'fe80::1%eth0', ())
    assert not is_our_name('192.0.2.7', '192.0.2.8', ())


@pytest.mark.parametrize('kind, body, status', [
    ('text/plain', JSON_HOLD, 415), ('application/x-www-form-urlencoded', 'hold=true', 415),
    ('application/json', '{"hold": true}', 400), ('application/json', '[]', 400),
    ('application/json', '{"hold": 1, "seen_by_hand": false}', 400),
    ('application/json', 'true', 400), ('application/json', '{', 400),
    ('application/json', '[' * 1000, 400), ('application/json', b'\xff\xfe', 400),
    ('application/json', JSON_HOLD + ' ' * 2000, 413)])
def test_only_a_proper_request_reaches_the_gate(kind, body, status):
    async def scenario(page):
        assert await page.hold({'Content-Type': kind}, body) == status
    assert visit(scenario) == []


def test_a_request_to_hold_says_what_the_person_had_seen():
    async def scenario(page):
        async with page.request('POST', '/hold', data=JSON_HOLD, headers={
                'Content-Type': 'application/json'}) as answer:
            assert await answer.json() == {'done': True, 'text': 'held: held by hand'}
    assert visit(scenario) == [(True, False)]


def test_viewers_get_everything_at_first_and_then_what_is_new():
    async def scenario(page):
        page.server.feed.put({'state': b'event: state\ndata: 1\n\n',
                              'path/0': b'event: path\ndata: 2\n\n'})
        async with page.request('GET', '/stream') as answer:
            first = await events_of(answer, 3)
            page.server.feed.put({'state': b'event: state\ndata: 3\n\n'})
            assert await events_of(answer, 1) == [('state', 3)]
        assert first[1:] == [('state', 1), ('path', 2)]
    visit(scenario)


def test_one_viewer_too_many_is_told_so_and_a_place_becomes_free_again():
    async def scenario(page):
        answers = [await page.request('GET', '/stream') for _ in range(MOST_VIEWERS)]
        async with page.request('GET', '/stream') as refused:
            assert refused.status == 503
            assert 'viewers look at this page already' in await refused.text()
        answers[0].close()
        for _ in range(100):
            page.server.feed.put({'state': b'event: state\ndata: 1\n\n'})
            await asyncio.sleep(0.01)
            if page.server.viewers < MOST_VIEWERS:
                break
        assert await events_of(await page.request('GET', '/stream'), 1)
        assert page.server.refused == 1
    visit(scenario)


def test_a_viewer_that_reads_nothing_costs_no_memory_and_misses_only_the_past():
    text = b'event: state\ndata: "' + b'x' * 100_000 + b'"\n\n'

    async def scenario(page):
        answer = await page.request('GET', '/stream')
        for number in range(300):
            page.server.feed.put({'state': text, 'last': f'event: last\ndata: {number}\n\n'
                                  .encode()})
            await asyncio.sleep(0)
        assert len(page.server.feed.newest) == 2
        kinds, last = [], None
        while last != 299:
            kind, content = (await events_of(answer, 1))[0]
            kinds.append(kind)
            last = content if kind == 'last' else last
        assert kinds.count('state') < 200
        answer.close()
    visit(scenario)


def test_a_feed_keeps_only_the_newest_of_each():
    feed = Feed()
    quick, slow = Viewer(feed), Viewer(feed)
    for number in range(1000):
        feed.put({'state': b'%d;' % number, f'path/{number % 3}': b'p%d;' % number})
        assert quick.news()
    assert len(feed.newest) == 4
    assert slow.news() == b'999;p999;p997;p998;'
    assert slow.news() == b''


def test_what_is_no_request_is_answered_and_fills_no_log(caplog):
    async def ask(wanted):
        return HoldAnswer(True, '')
    with open_port('127.0.0.1', 0, False) as listener:
        thread = ServerThread(PageServer(ask), listener)
        try:
            for target in ('/?token=\u00fc', '/?token=' + 'x' * 9000):
                with socket.create_connection(listener.getsockname(), 5.0) as connection:
                    connection.sendall(f'GET {target} HTTP/1.1\r\nHost: x\r\n\r\n'.encode())
                    assert connection.recv(100).startswith(b'HTTP/1.0 400')
        finally:
            thread.close()
    assert caplog.records == []


def test_the_thread_ends_at_once_even_with_viewers():
    import threading
    import time
    import urllib.request

    async def ask(wanted):
        return HoldAnswer(True, '')
    listener = open_port('127.0.0.1', 0, False)
    port = listener.getsockname()[1]
    thread = ServerThread(PageServer(ask), listener)
    thread.put({'state': b'event: state\ndata: 1\n\n'})
    with urllib.request.urlopen(f'http://127.0.0.1:{port}/stream', timeout=5) as stream:
        assert stream.read(5) == b'retry'
        before = time.monotonic()
        thread.close()
        assert time.monotonic() - before < 2.0
    assert 'page' not in [each.name for each in threading.enumerate()]


def test_other_addresses_need_a_token():
    with pytest.raises(ListeningError, match='listen_address: found 0.0.0.0, which others can '
                       'reach; expected token_file'):
        open_port('0.0.0.0', 0, guarded=False)
    with pytest.raises(ListeningError, match="listen_address: found 'robot', expected an IP"):
        open_port('robot', 0, guarded=True)
    with open_port('127.0.0.1', 0, guarded=False) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(ListeningError, match=f'port: {port} of 127.0.0.1 cannot be used'):
            open_port('127.0.0.1', port, guarded=False)
    with open_port('0.0.0.0', 0, guarded=True) as listener:
        assert listener.getsockname()[1] > 0


@pytest.mark.parametrize('text, mode, problem', [
    (f'# crew\nhold {HOLD}\n\nlook {LOOK}\n', 0o600, None),
    (f'\ufeffhold {HOLD}\nlook {LOOK}\n', 0o600, None),
    (f'hold {HOLD}\n', 0o644, 'can be read by others than its owner: chmod 600'),
    ('', 0o600, 'holds no token'),
    ('hold short\n', 0o600, 'line 1: expected a token of 16 ASCII characters or more, found 5;'),
    (f'{HOLD}\n', 0o600, "line 1: expected 'look TOKEN' or 'hold TOKEN', found 1 word$"),
    (f'hold {HOLD} x\n', 0o600, "'hold TOKEN', found 3 words$"),
    (f'admin {HOLD}\n', 0o600, "line 1: expected .*, found 'admin' in front$"),
    (f'{HOLD} hold\n', 0o600, 'found them the other way round$'),
    (f'{HOLD} {LOOK}\n', 0o600, 'found another word in front$'),
    ('hold ' + 'ä' * 20, 0o600, 'expected a token of 16 ASCII characters or more, found others')])
def test_token_files_are_read_or_refused_without_giving_them_away(
        tmp_path, text, mode, problem):
    file = tmp_path / 'tokens'
    file.write_text(text)
    file.chmod(mode)
    if problem is None:
        assert read_tokens(file) == TOKENS
        return
    with pytest.raises(TokenFileError, match=problem) as refusal:
        read_tokens(file)
    assert HOLD not in str(refusal.value) and 'short' not in str(refusal.value)


def test_a_token_file_that_is_missing_is_named(tmp_path):
    with pytest.raises(TokenFileError, match='no_such cannot be read: No such file'):
        read_tokens(tmp_path / 'no_such')
