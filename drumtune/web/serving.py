"""The server: which addresses it is bound to and goes by, and how it starts and stops."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

import uvicorn

from drumtune.errors import DrumtuneError
from drumtune.web.app import build
from drumtune.web.certificate import make
from drumtune.web.drumside import Work
from drumtune.web.guard import Pairing

LOOPBACK = ("localhost", "127.0.0.1")
MOST_MESSAGE = 128 * 1024
"""Largest message of a socket, bytes."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Port (0: a free one), whether the local network is let in, taps per rod, a folder for the key, how to tell.

    `drum` is the one the page opens with; it lets the player choose when None.
    """

    port: int
    lan: bool
    per_rod: int
    folder: Path
    tell: Callable[[str], None]
    drum: str | None = None


def run(work: Work, settings: Settings) -> None:
    """Serve until stopped.

    Raises
    ------
    DrumtuneError
        If the port is taken or the network refuses.
    """
    bound = _bound("0.0.0.0" if settings.lan else "127.0.0.1", settings.port)
    port = bound.getsockname()[1]
    names = (*LOOPBACK, *_network_names()) if settings.lan else LOOPBACK
    certificate = key = None
    pairing = None
    if settings.lan:
        certificate, key, fingerprint = make(settings.folder, names)
        settings.tell(f"Certificate of our own; compare its SHA-256 where the browser asks: {fingerprint}")
        pairing = Pairing(time.monotonic, lambda code: settings.tell(f"Pairing code for the next browser: {code}"))
    scheme = "https" if settings.lan else "http"
    hosts = frozenset(f"{name}:{port}" for name in names) | frozenset(names if port in (80, 443) else ())
    app = build(work, hosts, scheme=scheme, per_rod=settings.per_rod, pairing=pairing)
    opened = "" if settings.drum is None else "#" + quote(settings.drum, safe="")
    for name in names if settings.lan else names[:1]:
        settings.tell(f"Open {scheme}://{name}:{port}/{opened}")
    settings.tell("Ctrl-C stops.")
    config = uvicorn.Config(
        app, log_level="warning", server_header=False, proxy_headers=False, ws_max_size=MOST_MESSAGE,
        ws_per_message_deflate=False, timeout_keep_alive=20, limit_concurrency=200, timeout_graceful_shutdown=2,
        ssl_certfile=certificate, ssl_keyfile=key,
    )  # fmt: skip
    try:
        uvicorn.Server(config).run(sockets=[bound])
    finally:
        bound.close()


def _bound(host: str, port: int) -> socket.socket:
    """A listening socket."""
    bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind((host, port))
        bound.listen(128)  # whoever is quick waits until the server is up
    except OSError as cause:
        bound.close()
        raise DrumtuneError(f"cannot serve at port {port}: {cause.strerror or cause}; choose another --port") from cause
    return bound


def _network_names() -> tuple[str, ...]:
    """Name and addresses of this machine in its network."""
    names = [socket.gethostname().lower()]
    try:
        found = socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET, socket.SOCK_STREAM)
        names += [str(address[4][0]) for address in found]
    except OSError:
        pass
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:  # sends nothing: only asks which way out there is
        try:
            probe.connect(("192.0.2.1", 9))
            names.append(str(probe.getsockname()[0]))
        except OSError:
            pass
    return tuple(dict.fromkeys(name for name in names if name not in LOOPBACK))
