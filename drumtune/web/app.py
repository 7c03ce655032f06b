"""Addresses of the live page: the page and its parts, questions and answers, uploads, and the socket of a round."""

from __future__ import annotations

import asyncio
import json
import tempfile
from collections.abc import AsyncIterator, Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.datastructures import UploadFile
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.websockets import WebSocket, WebSocketDisconnect

from drumtune.errors import DrumtuneError
from drumtune.web.drumside import Answer, Drumside, Page, Work, refusal
from drumtune.web.guard import COOKIE, Guard, Pairing, TooLargeError

STATIC = Path(__file__).with_name("static")
MOST_DRUMS = 64
"""Most rounds open at once."""
MOST_PAGES = 64
"""Most pages open at once."""
MOST_FAULTS = 50
"""A page that sends more that makes no sense is let go."""
UPLOAD_S, ASK_S = 120.0, 60.0
"""Time limits of an uploaded recording and of other questions, s."""


@dataclass(slots=True)
class Hall:
    """All rounds that are open."""

    work: Work
    per_rod: int = 3
    sides: dict[str, Drumside] = field(default_factory=dict)
    uploading: bool = False

    def side(self, name: str) -> Drumside:
        """The round of a drum.

        Raises
        ------
        DrumtuneError
            If there is no such drum, or too many rounds are open.
        """
        if name not in self.sides:
            rods = self.work.rods(name)
            if len(self.sides) >= MOST_DRUMS:
                raise DrumtuneError("too many drums are open at once: start the server again")
            self.sides[name] = Drumside(name, rods, self.per_rod, self.work)
        return self.sides[name]

    @property
    def pages(self) -> int:
        """Pages that are open."""
        return sum(len(side.pages) for side in self.sides.values())


def build(work: Work, hosts: frozenset[str], *, scheme: str = "http", per_rod: int = 3, pairing: Pairing | None = None
          ) -> Guard:  # fmt: skip
    """The whole application, guarded.

    Parameters
    ----------
    work
        What is done behind it.
    hosts, scheme, pairing
        As for `drumtune.web.guard.Guard`.
    per_rod
        Taps at each rod.
    """
    hall = Hall(work, per_rod)
    routes = [
        Route("/", _file("index.html")),
        Route("/pair", _pairing(pairing), methods=["GET", "POST"]),
        Route("/api/drums", _drums(hall), methods=["GET", "POST"]),
        Route("/api/log", _asked(hall, lambda name: (work.log, name))),
        Route("/api/pair", _asked(hall, lambda name: (work.pair, name))),
        Route("/api/kit", _asked(hall, lambda name: (work.kit,))),
        Route("/api/upload", _upload(hall), methods=["POST"]),
        WebSocketRoute("/live", _socket(hall)),
        Mount("/static", StaticFiles(directory=STATIC)),
    ]

    @asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        # Threads only wait for the workers; those that wait must not keep a free worker waiting.
        asyncio.get_running_loop().set_default_executor(ThreadPoolExecutor(MOST_PAGES + MOST_DRUMS))
        yield
        for side in hall.sides.values():
            with suppress(DrumtuneError):
                side.session.keep()

    app = Starlette(routes=routes, lifespan=life, exception_handlers={DrumtuneError: _failed, TooLargeError: _large})
    app.state.hall = hall
    return Guard(app, hosts, scheme, pairing)


Handler = Callable[[Request], Awaitable[Response]]


async def _failed(request: Request, failure: Exception) -> Response:
    return JSONResponse({"trouble": " ".join(str(failure).split())}, 422)


async def _large(request: Request, failure: Exception) -> Response:
    return JSONResponse({"trouble": "too large"}, 413, {"connection": "close"})


def _file(name: str) -> Handler:
    async def page(request: Request) -> Response:
        return FileResponse(STATIC / name)

    return page


def _pairing(pairing: Pairing | None) -> Handler:
    async def pair(request: Request) -> Response:
        if request.method == "GET" or pairing is None:
            return FileResponse(STATIC / "pair.html")
        token = pairing.token_for(str((await _json(request)).get("code", ""))[:32])
        if token is None:
            trouble = "too many wrong codes: wait a minute" if pairing.closed else "that is not the code"
            return JSONResponse({"trouble": trouble}, 429 if pairing.closed else 403)
        answer = JSONResponse({})
        answer.set_cookie(COOKIE, token, httponly=True, secure=True, samesite="strict", max_age=12 * 3600)
        return answer

    return pair


async def _json(request: Request) -> dict[str, Any]:
    """Body as a JSON object.

    Raises
    ------
    DrumtuneError
        If it is none.
    """
    try:
        plain = json.loads(await request.body())
    except (ValueError, RecursionError) as cause:
        raise DrumtuneError("a JSON object was expected") from cause
    if not isinstance(plain, dict):
        raise DrumtuneError("a JSON object was expected")
    return plain


def _drums(hall: Hall) -> Handler:
    async def drums(request: Request) -> Response:
        if request.method == "POST":
            told = await _json(request)
            return JSONResponse({"name": await asyncio.to_thread(hall.work.call, ASK_S, hall.work.describe, told)})
        return JSONResponse({"drums": await asyncio.to_thread(hall.work.drums), "per_rod": hall.per_rod})

    return drums


def _asked(hall: Hall, what: Callable[[str], tuple[Any, ...]]) -> Handler:
    async def answer(request: Request) -> Response:
        name = request.query_params.get("drum", "")[:200]
        return JSONResponse(await asyncio.to_thread(hall.work.call, ASK_S, *what(name)))

    return answer


def _upload(hall: Hall) -> Handler:
    async def upload(request: Request) -> Response:
        side = hall.side(request.query_params.get("drum", "")[:200])
        if hall.uploading:  # so that one worker at least stays free for the rounds
            raise DrumtuneError("another recording is being read: hand this one in again in a moment")
        hall.uploading = True
        try:
            found = await _read_upload(request, hall, side)
        finally:
            hall.uploading = False
        side.uploaded(found)
        return JSONResponse(found.document)

    return upload


async def _read_upload(request: Request, hall: Hall, side: Drumside) -> Answer:
    """Reading of the recording in a request.

    Raises
    ------
    DrumtuneError
        If there is none in it, or none can be made of it.
    """
    async with request.form(max_files=1, max_fields=4) as form:
        file = form.get("take")
        if not isinstance(file, UploadFile):
            raise DrumtuneError("choose a recording first")
        with tempfile.TemporaryDirectory(prefix="drumtune-") as folder:
            path = Path(folder) / "upload"  # the name the file had is not used
            with path.open("wb") as out:
                while block := await file.read(1 << 20):
                    out.write(block)
            words = (side.name, path, hall.per_rod, side.turned)
            found: Answer = await asyncio.to_thread(hall.work.call, UPLOAD_S, hall.work.upload, *words)
            return found


def _socket(hall: Hall) -> Callable[[WebSocket], Awaitable[None]]:
    async def live(socket: WebSocket) -> None:
        await socket.accept()
        try:
            side = hall.side(socket.query_params.get("drum", "")[:200])
            if hall.pages >= MOST_PAGES:
                raise DrumtuneError("too many pages are open: close some")
        except DrumtuneError as failure:
            await socket.send_text(json.dumps({"error": refusal(failure), "final": True}))
            await socket.close(1008)
            return
        page = Page()
        side.join(page)
        teller = asyncio.get_running_loop().create_task(_tell(socket, page))
        try:
            await _listen(socket, side, page)
        finally:
            side.leave(page)
            teller.cancel()
            side.tell()

    return live


async def _tell(socket: WebSocket, page: Page) -> None:
    """Pass on what a page is told, until it is let go."""
    with suppress(WebSocketDisconnect, RuntimeError):
        while (text := await page.waiting.get()) is not None:
            await socket.send_text(text)
        await socket.close(1013)


async def _listen(socket: WebSocket, side: Drumside, page: Page) -> None:
    """Take what a page sends, until it goes or sends too much that makes no sense."""
    faults = 0
    while faults < MOST_FAULTS:
        message = await socket.receive()
        await asyncio.sleep(0)  # sound that waited comes in one go: the others have their turn meanwhile
        if message["type"] == "websocket.disconnect":
            return
        try:
            if message.get("bytes") is not None:
                side.hear(page, message["bytes"])
            else:
                side.do(page, _object(message.get("text") or ""))
        except (ValueError, DrumtuneError) as failure:
            faults += 1
            page.tell(error=refusal(failure))
    with suppress(RuntimeError):
        await socket.close(1008)


def _object(text: str) -> dict[str, Any]:
    try:
        plain = json.loads(text)
    except (ValueError, RecursionError) as cause:
        raise ValueError("a JSON object was expected") from cause
    if not isinstance(plain, dict):
        raise ValueError("a JSON object was expected")
    return plain
