"""What every request and socket must pass: Host, Origin, pairing, sizes; and the headers every answer carries.

Addresses are names with ports as a browser writes them (``localhost:8765``). A request of another site, or one sent to
this machine under a name it does not serve, is refused before anything of it is read.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Any

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MOST_JSON = 64 * 1024
"""Largest body of a request, bytes."""
MOST_UPLOAD = 200 * 1024 * 1024
"""Largest recording taken as an upload, bytes."""
UPLOAD = "/api/upload"
COOKIE = "drumtune"
TRIES, WINDOW = 5, 60.0
"""Wrong codes in so many seconds after which every code is refused for as long."""
MOST_PAIRED = 32
OPEN_PATHS = ("/pair", "/static/pair.html", "/static/pair.js", "/static/style.css")
"""What a page may fetch before it is paired."""

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self' {sockets}; img-src 'self' data:; "
    "worker-src 'self'; manifest-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)


@dataclass(slots=True)
class Pairing:
    """One-time codes and the browsers that have shown one.

    Parameters
    ----------
    clock
        Seconds that only grow.
    tell
        Called with each new code, to show it in the terminal.
    """

    clock: Callable[[], float]
    tell: Callable[[str], None]
    code: str = ""
    wrong: list[float] = field(default_factory=list)
    tokens: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._renew()

    def _renew(self) -> None:
        self.code = f"{secrets.randbelow(10**8):08d}"
        self.tell(self.code)

    @property
    def closed(self) -> bool:
        """Whether too many wrong codes came in lately."""
        now = self.clock()
        self.wrong = [then for then in self.wrong if now - then < WINDOW]
        return len(self.wrong) >= TRIES

    def token_for(self, code: str) -> str | None:
        """A token for the right code, which is then spent; None for a wrong one, or while closed."""
        if self.closed:
            return None
        if not hmac.compare_digest(code.encode("utf-8", "surrogatepass"), self.code.encode()):
            self.wrong.append(self.clock())
            return None
        token = secrets.token_urlsafe(32)
        self.tokens = [*self.tokens, token][-MOST_PAIRED:]
        self._renew()
        return token

    def knows(self, token: str) -> bool:
        """Whether a browser is paired; every token is compared, each in constant time."""
        return any([hmac.compare_digest(token.encode(), known.encode()) for known in self.tokens])


class TooLargeError(Exception):
    """A body that goes on beyond its limit."""


@dataclass(frozen=True, slots=True)
class Guard:
    """The outermost layer.

    Parameters
    ----------
    app
        What is guarded.
    hosts
        Names with ports this server is reached under.
    scheme
        ``http`` or ``https``.
    pairing
        Codes and tokens, or None where only this machine can reach the server.
    """

    app: App
    hosts: frozenset[str]
    scheme: str
    pairing: Pairing | None = None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request or socket on, or refuse it."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        headers = _headers(scope)
        status, why = self._fault(scope, headers)
        if status:
            await _refuse(scope, send, receive, status, why)
            return
        await self._passed(scope, receive, send, headers)

    def _fault(self, scope: Scope, headers: dict[str, list[str]]) -> tuple[int, str]:
        """Status and reason of a refusal, or 0."""
        host = headers.get("host", [])
        if len(host) != 1 or host[0].lower() not in self.hosts:
            return 421, "this server does not go by that name"
        if self._foreign(scope, headers, host[0].lower()):
            return 403, "requests of other sites, and such without Origin, are refused"
        if self.pairing and scope["path"] not in OPEN_PATHS and not self.pairing.knows(_token(headers)):
            return 401, "pair this browser first"
        return (413, "too large") if _stated(headers) > _most(scope) else (0, "")

    def _foreign(self, scope: Scope, headers: dict[str, list[str]], host: str) -> bool:
        """Whether a request comes of another site, or may: one that changes something says where it comes from."""
        origin = [value.lower() for value in headers.get("origin", [])]
        reading = scope["type"] == "http" and scope["method"] in ("GET", "HEAD")
        if origin != [f"{self.scheme}://{host}"] and (origin or not reading):
            return True
        return headers.get("sec-fetch-site") == ["cross-site"] and not _opened(scope, headers)

    async def _passed(self, scope: Scope, receive: Receive, send: Send, headers: dict[str, list[str]]) -> None:
        begun = False
        got = 0

        async def counted() -> MutableMapping[str, Any]:
            nonlocal got
            message = await receive()
            if message["type"] == "http.request":
                got += len(message.get("body", b""))
                if got > _most(scope):
                    raise TooLargeError
            return message

        async def dressed(message: MutableMapping[str, Any]) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                message["headers"] = [*message.get("headers", []), *self._dress(headers["host"][0])]
            await send(message)

        try:
            await self.app(scope, counted, dressed)
        except TooLargeError:
            if not begun:
                await _refuse(scope, send, receive, 413, "too large")

    def _dress(self, host: str) -> list[tuple[bytes, bytes]]:
        """Headers of every answer."""
        sockets = f"{'wss' if self.scheme == 'https' else 'ws'}://{host.lower()}"
        pairs = {
            "content-security-policy": _POLICY.format(sockets=sockets),
            "x-content-type-options": "nosniff",
            "referrer-policy": "no-referrer",
            "cross-origin-opener-policy": "same-origin",
            "cross-origin-resource-policy": "same-origin",
            "permissions-policy": "microphone=(self), camera=(), geolocation=()",
            "cache-control": "no-store",
        }
        return [(name.encode(), value.encode()) for name, value in pairs.items()]


def _headers(scope: Scope) -> dict[str, list[str]]:
    """Headers by lower-case name, every value kept."""
    found: dict[str, list[str]] = {}
    for name, value in scope["headers"]:
        found.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1"))
    return found


def _opened(scope: Scope, headers: dict[str, list[str]]) -> bool:
    """Whether the player followed a link to the page itself: it is read, and nothing else."""
    return scope["type"] == "http" and scope["path"] == "/" and headers.get("sec-fetch-mode") == ["navigate"]


def _token(headers: dict[str, list[str]]) -> str:
    try:
        cookies = SimpleCookie("; ".join(headers.get("cookie", [])))
    except CookieError:
        return ""
    return cookies[COOKIE].value if COOKIE in cookies else ""


def _stated(headers: dict[str, list[str]]) -> int:
    """Length of the body as stated; one that is not a number counts as endless."""
    text = headers.get("content-length", ["0"])[0]
    return int(text) if text.isascii() and text.isdigit() and len(text) < 16 else 1 << 60


def _most(scope: Scope) -> int:
    return MOST_UPLOAD if scope["path"] == UPLOAD else MOST_JSON


async def _refuse(scope: Scope, send: Send, receive: Receive, status: int, why: str) -> None:
    """Answer a refusal."""
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008, "reason": why})
        return
    location = [(b"location", b"/pair")] if status == 401 and scope["path"] == "/" else []
    body = why.encode()
    plain = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    secure = [(b"x-content-type-options", b"nosniff"), (b"connection", b"close"), (b"cache-control", b"no-store")]
    start = {"type": "http.response.start", "status": 303 if location else status}
    await send({**start, "headers": [*plain, *secure, *location]})
    await send({"type": "http.response.body", "body": body})
