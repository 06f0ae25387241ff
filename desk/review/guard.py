"""Who may speak to the desk: this machine's own browser, with the address that was printed, once.

A page on the web can make a browser send requests to this machine. So every request must name this desk as its
host (a name that resolves to this machine does not), come from its own page, and bring the cookie that the
one-time token was exchanged for.
"""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any
from urllib.parse import parse_qs

from starlette.responses import PlainTextResponse, RedirectResponse, Response

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MAX_BODY_BYTES = 64_000
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cache-control", b"no-store"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"x-frame-options", b"DENY"),
)
CLOSED = (
    "This desk opens with the address that toeline review printed, once. Start toeline review again for a new one.\n"
)


class Guard:
    """ASGI application around another: turns away what does not come from the desk's own page."""

    def __init__(self, app: App, *, port: int, token: str) -> None:
        self._app = app
        self._port = port
        self._token: str | None = token
        self._secret = secrets.token_urlsafe(32)

    @property
    def cookie(self) -> str:
        """The cookie's name; cookies know no ports, so two desks must not share one."""
        return f"toeline_desk_{self._port}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        headers: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.lower(), []).append(value)
        answer = self._turned_away(scope, headers) or self._by_token(scope, headers)
        send = _with_headers(send)
        if answer is None:
            body = await _body(headers, receive)
            if body is None:
                answer = PlainTextResponse(f"More than {MAX_BODY_BYTES} bytes are not taken.\n", 413)
            else:
                await self._app(scope, _replay(body, receive), send)
                return
        await answer(scope, receive, send)

    def _turned_away(self, scope: Scope, headers: dict[bytes, list[bytes]]) -> Response | None:
        hosts = headers.get(b"host", [])
        own = [f"{name}:{self._port}".encode() for name in ("127.0.0.1", "localhost")]
        if len(hosts) != 1 or hosts[0] not in own:
            return PlainTextResponse("This desk does not answer to that name.\n", 403)
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return PlainTextResponse("Only GET and POST are answered.\n", 405)
        origins = headers.get(b"origin", [])
        if any(origin != b"http://" + hosts[0] for origin in origins) or (scope["method"] == "POST" and not origins):
            return PlainTextResponse("Only the desk's own page may ask.\n", 403)
        if any(site not in (b"same-origin", b"none") for site in headers.get(b"sec-fetch-site", [])):
            return PlainTextResponse("Only the desk's own page may ask.\n", 403)
        return None

    def _by_token(self, scope: Scope, headers: dict[bytes, list[bytes]]) -> Response | None:
        """Return what answers instead of the desk, None when the request brings the cookie."""
        given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [])
        if scope["path"] == "/" and scope["method"] == "GET" and given:
            if self._token is None or not secrets.compare_digest(given[0].encode(), self._token.encode()):
                return RedirectResponse("/", 303) if self._known(headers) else PlainTextResponse(CLOSED, 403)
            self._token = None
            answer = RedirectResponse("/", 303)
            answer.set_cookie(self.cookie, self._secret, httponly=True, samesite="strict", path="/")
            return answer
        return None if self._known(headers) else PlainTextResponse(CLOSED, 403)

    def _known(self, headers: dict[bytes, list[bytes]]) -> bool:
        wanted = f"{self.cookie}={self._secret}".encode()
        cookies = [part.strip() for line in headers.get(b"cookie", []) for part in line.split(b";")]
        return any(secrets.compare_digest(part, wanted) for part in cookies)


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            own = {name for name, _ in HEADERS}
            message["headers"] = [pair for pair in message.get("headers", []) if pair[0].lower() not in own]
            message["headers"] += HEADERS
        await send(message)

    return sending


async def _body(headers: dict[bytes, list[bytes]], receive: Receive) -> bytes | None:
    """Return the whole body, None when it is larger than any that the page sends."""
    for length in headers.get(b"content-length", []):
        if not length.isdigit() or len(length) > 12 or int(length) > MAX_BODY_BYTES:
            return None
    parts: list[bytes] = []
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return b""
        parts.append(message.get("body", b""))
        if sum(map(len, parts)) > MAX_BODY_BYTES:
            return None
        if not message.get("more_body", False):
            return b"".join(parts)


def _replay(body: bytes, receive: Receive) -> Receive:
    rest: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def receiving() -> Message:
        return rest.pop() if rest else await receive()

    return receiving
