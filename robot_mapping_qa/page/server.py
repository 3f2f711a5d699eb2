# Copyright 2026 The robot_mapping_qa authors
# SPDX-License-Identifier: Apache-2.0
"""The page over HTTP: a few named files, one stream of events, and one request that changes."""

from __future__ import annotations

import asyncio
from html import escape
from importlib import resources
import json
from typing import Awaitable, Callable, NamedTuple, Sequence

from aiohttp import web
from robot_mapping_qa.page.access import (
    host_name, is_our_name, is_same_origin, Right, Tokens)
from robot_mapping_qa.page.feed import event_text, Feed, Viewer

FILES = {
    '/': ('index.html', 'text/html'),
    '/page.css': ('page.css', 'text/css'),
    '/page.js': ('page.js', 'text/javascript'),
    '/plan.js': ('plan.js', 'text/javascript'),
    '/icon.svg': ('icon.svg', 'image/svg+xml'),
}
"""All there is to fetch; nothing is looked up by what a request names."""

NO_ICON = '/favicon.ico'
"""Is answered with nothing: the page names an icon of its own."""

HEADERS = {
    'Cache-Control': 'no-store',
    'Content-Security-Policy': (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"),
    'Cross-Origin-Opener-Policy': 'same-origin',
    'Cross-Origin-Resource-Policy': 'same-origin',
    'Referrer-Policy': 'no-referrer',
    'X-Content-Type-Options': 'nosniff',
}
"""On every answer, also on refusals."""

MOST_VIEWERS = 8
"""Tablets and phones of a crew; each costs the robot a little."""

SLOWEST_WRITE_S = 10.0
"""A viewer that takes nothing for so long is let go; its page comes back by itself."""

LONGEST_BODY = 1024
COOKIE_AGE_S = 30 * 86400

_NO_TOKEN = ('This page needs its token: open it once with /?token=TOKEN behind the address, '
             'then this browser is known.')
_WRONG_TOKEN = "This token is not in the robot's token file."
# Without the width a phone shows it as small as on a desk.
_REFUSAL = ('<!doctype html><html lang="en"><meta charset="utf-8">'
            '<meta name="viewport" content="width=device-width, initial-scale=1">'
            '<title>robot</title><h2>{}</h2></html>\n')
# The page goes on by itself, as a browser sends a strict cookie only with what came from here.
_WELCOME = ('<!doctype html><meta charset="utf-8"><meta http-equiv="refresh" content="0;url=/">'
            '<title>robot</title><a href="/">go on</a>\n')

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


class HoldAnswer(NamedTuple):
    """What came of a request to hold or release; ``text`` is for the person who asked."""

    done: bool
    text: str


class HoldRequest(NamedTuple):
    """
    To hold the gate by hand or to let it go.

    ``seen_by_hand`` is whether the page showed it as held by hand when the person confirmed.
    """

    hold: bool
    seen_by_hand: bool


Ask = Callable[[HoldRequest], Awaitable[HoldAnswer]]


class PageServer:
    """The application: who may do what, and the answers."""

    def __init__(self, ask: Ask, tokens: Tokens | None = None, names: Sequence[str] = (),
                 cookie_name: str = 'mapping_qa_page') -> None:
        """
        Serve what is put into ``feed``; ``ask`` passes a hold or release to the gate.

        Without ``tokens`` every visitor may do everything: for this computer alone. ``names``
        are further names by which this computer is reached.
        """
        self.feed = Feed()
        self.viewers = 0
        self.refused = 0
        self._ask = ask
        self._tokens = tokens
        self._names = {name.lower() for name in names}
        self._cookie_name = cookie_name
        folder = resources.files(__package__) / 'files'
        self._files = {path: ((folder / name).read_bytes(), kind)
                       for path, (name, kind) in FILES.items()}
        self.application = web.Application(
            client_max_size=LONGEST_BODY, middlewares=[self._guard])
        for path in FILES:
            self.application.router.add_get(path, self._file, allow_head=False)
        self.application.router.add_get(NO_ICON, self._no_icon, allow_head=False)
        self.application.router.add_get('/stream', self._stream, allow_head=False)
        self.application.router.add_post('/hold', self._hold)

    @web.middleware
    async def _guard(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Refuse what does not come from the page or from somebody with a right to it."""
        try:
            if request.method not in ('GET', 'POST'):
                raise web.HTTPMethodNotAllowed(request.method, ['GET', 'POST'])
            self._check_origin(request)
            welcome = self._admit(request)
            # Not by its truth: an answer is also a mapping, and an empty one.
            response = await handler(request) if welcome is None else welcome
        except web.HTTPException as error:
            self.refused += 1
            # A person opens the page, its script fetches the rest.
            response = web.Response(
                status=error.status, text=_REFUSAL.format(escape(error.text or '')),
                content_type='text/html') if request.path == '/' else web.Response(
                    status=error.status, text=f'{error.text}\n')
            if error.status == 401:
                response.headers['WWW-Authenticate'] = 'Bearer'
        if not response.prepared:
            response.headers.update(HEADERS)
        return response

    def _check_origin(self, request: web.Request) -> None:
        transport = request.transport
        local = transport.get_extra_info('sockname')[0] if transport else ''
        name = host_name(request.headers.get('Host', ''))
        if name is None or not is_our_name(name, local, self._names):
            raise web.HTTPMisdirectedRequest(
                text='This name is not known as one of this robot: add it to host_names.')
        # A link to the page may stand anywhere; the rest is for the page alone.
        if request.path != '/' and not is_same_origin(request.headers):
            raise web.HTTPForbidden(text='Only for the page itself.')

    def _admit(self, request: web.Request) -> web.Response | None:
        """Refuse who has no right; return an answer where a token was given in the address."""
        if request.path == NO_ICON:
            # Browsers ask for it by themselves, also where they were refused.
            return None
        if self._tokens is not None and request.path == '/' and 'token' in request.query:
            token = request.query['token']
            if self._tokens.right_of_token(token) is not Right.NOTHING:
                response = web.Response(text=_WELCOME, content_type='text/html')
                response.set_cookie(self._cookie_name, self._tokens.cookie(token),
                                    max_age=COOKIE_AGE_S, httponly=True, samesite='Strict')
                return response
        if self._right(request) is Right.NOTHING:
            given = request.query.get('token') or request.headers.get(
                'Authorization') or request.cookies.get(self._cookie_name)
            raise web.HTTPUnauthorized(text=_WRONG_TOKEN if given else _NO_TOKEN)
        return None

    def _right(self, request: web.Request) -> Right:
        if self._tokens is None:
            return Right.HOLD
        right = self._tokens.right_of_cookie(request.cookies.get(self._cookie_name, ''))
        kind, _, token = request.headers.get('Authorization', '').partition(' ')
        if kind.lower() == 'bearer':
            right = max(right, self._tokens.right_of_token(token.strip()))
        return right

    async def _file(self, request: web.Request) -> web.Response:
        body, kind = self._files[request.path]
        return web.Response(body=body, content_type=kind, charset='utf-8')

    async def _no_icon(self, _request: web.Request) -> web.Response:
        return web.Response(status=204)

    async def _stream(self, request: web.Request) -> web.StreamResponse:
        if self.viewers >= MOST_VIEWERS:
            raise web.HTTPServiceUnavailable(
                text=f'{MOST_VIEWERS} viewers look at this page already.')
        self.viewers += 1
        try:
            response = web.StreamResponse(
                headers={**HEADERS, 'Content-Type': 'text/event-stream; charset=utf-8'})
            await response.prepare(request)
            await response.write(b'retry: 1000\n\n' + event_text(
                'welcome', {'may_hold': self._right(request) is Right.HOLD}))
            viewer = Viewer(self.feed)
            while not self.feed.closed:
                change = self.feed.change
                news = viewer.news()
                if news:
                    # Waits while the viewer's connection is full; meanwhile the feed goes on.
                    await asyncio.wait_for(response.write(news), SLOWEST_WRITE_S)
                await change.wait()
        except (ConnectionError, asyncio.TimeoutError):
            if request.transport is not None:
                request.transport.abort()
        finally:
            self.viewers -= 1
        return response

    async def _hold(self, request: web.Request) -> web.Response:
        if self._right(request) is not Right.HOLD:
            raise web.HTTPForbidden(text='This token is for looking only.')
        if request.content_type != 'application/json':
            raise web.HTTPUnsupportedMediaType(text='Expected JSON.')
        try:
            asked = json.loads(await request.text())
            wanted = HoldRequest(asked['hold'], asked['seen_by_hand'])
            if not all(isinstance(value, bool) for value in wanted):
                raise ValueError(wanted)
        except (ValueError, KeyError, TypeError, RecursionError):
            raise web.HTTPBadRequest(
                text='Expected {"hold": true or false, "seen_by_hand": true or false}.'
            ) from None
        answer = await self._ask(wanted)
        return web.json_response(answer._asdict(), status=200 if answer.done else 409)
