"""Starting and ending the desk: on this machine only, at a port the system gives; a second start finds the first."""

from __future__ import annotations

import http.client
import json
import os
import secrets
import socket
import threading
import time
import webbrowser
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from typing import Final

import uvicorn

from ..files import print_data
from .guard import Guard, Keys, proof
from .pages import build_pages
from .work import Work

__all__ = ["serve"]

_FOLDERS: Final = ("charts", "scans", "reports")
_RUNNING: Final = ".desk.json"
_QUIET_S: Final = 900.0  # a report is read without asking for anything: a quarter of an hour without a page is an end


def serve(folder: Path, ledger: str | None, *, browser: bool, say: Callable[[str], None]) -> None:
    """Run the desk of a folder until it is ended; if one runs already, open that."""
    for name in _FOLDERS:
        (folder / name).mkdir(parents=True, exist_ok=True)
    address = _running(folder / _RUNNING)
    if address is not None:
        say("The desk is open already.")
        _open(address, browser)
        return
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        keys = Keys(port=listening.getsockname()[1])
        work = Work(folder, ledger)
        seen = [time.monotonic()]
        server: uvicorn.Server

        def end() -> None:
            server.should_exit = True

        pages = build_pages(folder, ledger, work, keys, seen=lambda: seen.__setitem__(0, time.monotonic()), end=end)
        server = uvicorn.Server(
            uvicorn.Config(
                Guard(pages, keys), log_level="warning", lifespan="off", ws="none", server_header=False,
                timeout_graceful_shutdown=2, http="h11",
            )
        )  # fmt: skip
        threading.Thread(target=_end_when_quiet, args=(seen, work, end), daemon=True).start()
        address = f"{keys.origin}/?token={keys.token}"
        try:
            _write_private(folder / _RUNNING, {"port": keys.port, "token": keys.token})
            listening.listen()
            work.resume()
            say(f"The desk of {folder} is open. Ctrl-C ends it.")
            _open(address, browser)
            with suppress(KeyboardInterrupt):
                server.run(sockets=[listening])
        finally:
            work.end()
            (folder / _RUNNING).unlink(missing_ok=True)
    say("The desk is closed.")


def _open(address: str, browser: bool) -> None:
    """Open the browser, or print the address: whoever has it has the desk."""
    if not browser or not webbrowser.open(address):
        print_data(f"{address}\n")


def _running(file: Path) -> str | None:
    """Return the address of the desk that a file speaks of, if it is alive and has the token."""
    challenge = secrets.token_hex(16)
    try:
        noted = json.loads(file.read_text(encoding="utf-8"))
        port, token = int(noted["port"]), str(noted["token"])
        with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=3.0)) as asking:
            asking.request("GET", f"/alive?{challenge}")
            answer = asking.getresponse().read(1000).decode("ascii")
    except (OSError, ValueError, KeyError, TypeError, http.client.HTTPException):
        return None
    ours = secrets.compare_digest(answer, proof(token, challenge))
    return f"http://127.0.0.1:{port}/?token={token}" if ours else None


def _write_private(path: Path, content: dict[str, object]) -> None:
    path.unlink(missing_ok=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
        json.dump(content, file)


def _end_when_quiet(seen: list[float], work: Work, end: Callable[[], None]) -> None:
    while time.monotonic() - seen[0] < _QUIET_S or work.busy:
        time.sleep(1.0)
    end()
