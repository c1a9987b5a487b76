"""The desk is safe: only its own user's browser, from its own pages, and nothing from a request opens a file."""

from __future__ import annotations

import http.client
import json
import re
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import NamedTuple
from urllib.parse import urlencode

import pytest

from inkstrain.cli.desk import intake, pages, serving
from inkstrain.cli.setupfile import CONFIG_NAME, read_setups
from inkstrain.scoring.ledger import open_ledger
from inkstrain.targets.errors import LedgerError

PATIENCE_S = 120.0
GLOSS = '[setups.gloss]\npaper = "gloss 290 (invented)"\n'
CHANGES = ("/setups", "/scans", "/cancel", "/charts", "/end")
LOOKS = (
    "/", "/favicon.ico", "/work", "/here", "/asset/desk.js", "/prints/x", "/pictures/x",
    "/compare?print=x", "/charts/x",
)  # fmt: skip


class Answer(NamedTuple):
    status: int
    headers: http.client.HTTPMessage
    text: str


class Desk:
    """A desk at work, and one browser's side of it."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.said = folder, []
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()
        until(lambda: (folder / ".desk.json").exists() and self._answers())
        noted = json.loads((folder / ".desk.json").read_text(encoding="utf-8"))
        self.port, self.token = noted["port"], noted["token"]
        first = self.ask("GET", f"/?token={self.token}", cookie=False)
        self.first = first
        self.cookie = first.headers["set-cookie"].split(";")[0]

    def _serve(self) -> None:
        serving.serve(self.folder, str(self.folder / "ledger.sqlite"), browser=False, say=self.said.append)

    def _answers(self) -> bool:
        return serving._running(self.folder / ".desk.json") is not None

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def ask(self, method: str, path: str, body: bytes = b"", cookie: bool = True, **headers: str) -> Answer:
        """Ask as the desk's own page does, but for the headers given; an empty one is left out."""
        usual = {"Host": self.origin[7:], "Cookie": self.cookie if cookie else ""}
        usual |= {"Origin": self.origin if method == "POST" else ""}
        usual |= {name.replace("_", "-"): value for name, value in headers.items()}
        usual.setdefault("Content-Length", str(len(body)))
        with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)) as asking:
            asking.putrequest(method, path, skip_host=True)
            for name, value in usual.items():
                if value:
                    asking.putheader(name, value)
            asking.endheaders(body)
            answer = asking.getresponse()
            return Answer(answer.status, answer.headers, answer.read().decode("utf-8", "replace"))

    def drop(self, *files: tuple[str, bytes], setup: str = "gloss", **headers: str) -> Answer:
        """Drop scans, each a name and its content."""
        headers["Content_Type"] = "multipart/form-data; boundary=XX"
        return self.ask("POST", "/scans", form(files, setup), **headers)

    def kept(self) -> int:
        try:
            with open_ledger(str(self.folder / "ledger.sqlite"), create=False) as ledger:
                return ledger.count()
        except LedgerError:
            return 0

    def close(self) -> None:
        if self._thread.is_alive():
            assert self.ask("POST", "/end").status == 200
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive()


def form(files: tuple[tuple[str, bytes], ...], setup: str) -> bytes:
    parts = [b'--XX\r\nContent-Disposition: form-data; name="setup"\r\n\r\n' + setup.encode()]
    for name, content in files:
        head = f'--XX\r\nContent-Disposition: form-data; name="scan"; filename="{name}"\r\n\r\n'
        parts.append(head.encode() + content)
    return b"\r\n".join([*parts, b"--XX--\r\n"])


def until(done) -> None:
    end = time.monotonic() + PATIENCE_S
    while not done():
        assert time.monotonic() < end
        time.sleep(0.05)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    folder = tmp_path / "home"
    folder.mkdir()
    (folder / CONFIG_NAME).write_text(GLOSS, encoding="utf-8")
    opened = Desk(folder)
    yield opened
    opened.close()


def scans_of(desk: Desk) -> list[str]:
    return sorted(path.name for path in (desk.folder / "scans").iterdir())


def test_the_first_address_becomes_a_cookie_and_leaves_the_address_bar(desk: Desk) -> None:
    assert desk.first.status == 303
    assert desk.first.headers["location"] == "/"
    cookie = desk.first.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert desk.token not in desk.first.headers["set-cookie"]
    answer = desk.ask("GET", "/")
    assert answer.status == 200
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert not re.search(r'(src|href|action)="(https?:)?//', answer.text)
    assert (desk.folder / ".desk.json").stat().st_mode & 0o077 == 0


def test_nothing_is_shown_or_done_without_the_key(desk: Desk) -> None:
    paths = {route.path for route in pages.build_pages(desk.folder, None, None, None, seen=None, end=None).routes}
    asked = {path.partition("?")[0] for path in (*CHANGES, *LOOKS)}
    assert {re.sub(r"\{\w+\}", "x", path) for path in paths} <= {*asked, "/alive", "/asset/x"}
    for path in LOOKS:
        assert desk.ask("GET", path, cookie=False).status == 403
        assert desk.ask("GET", path, Cookie=f"{desk.cookie[:-1]}").status == 403
    for path in CHANGES:
        assert desk.ask("POST", path, cookie=False).status == 403
    assert desk.ask("GET", "/?token=wrong", cookie=False).status == 403
    assert desk.token not in desk.ask("GET", "/alive?x", cookie=False).text


def test_another_host_or_another_page_is_refused(desk: Desk) -> None:
    for host in ("evil.example", f"evil.example:{desk.port}", f"localhost:{desk.port}", "127.0.0.1", ""):
        assert desk.ask("GET", "/", Host=host).status in (400, 421)
    assert desk.ask("GET", "/", Sec_Fetch_Site="cross-site").status == 403
    for path in CHANGES:
        for origin in ("http://evil.example", "null", "", "http://127.0.0.1:1", f"http://localhost:{desk.port}"):
            assert desk.ask("POST", path, Origin=origin).status == 403
    assert desk.ask("GET", "/").status == 200  # /end did not end it


def test_it_listens_to_this_machine_only(desk: Desk) -> None:
    # another address of the loopback network (RFC 1122, 3.2.1.3): a server on all addresses would answer
    with socket.socket() as other, pytest.raises(OSError):  # noqa: PT011 the system's own words
        other.connect(("127.0.0.2", desk.port))


@pytest.mark.parametrize("name", ["../../../etc/passwd", "..%2f..%2fetc%2fpasswd", "..\\x", "%2e%2e/x", ".desk.json"])
def test_no_path_from_an_address_is_opened(desk: Desk, name: str) -> None:
    (desk.folder / "x").write_text("secret", encoding="utf-8")
    for place in ("charts", "prints", "pictures", "asset"):
        answer = desk.ask("GET", f"/{place}/{name}")
        assert answer.status in (400, 404)
        assert "secret" not in answer.text
        assert "root:" not in answer.text
    assert desk.ask("GET", f"/compare?print={name}&print={name}").status == 400


def test_scans_get_names_of_our_own_and_a_bad_one_is_said_by_name(desk: Desk, scan: Path) -> None:
    before = {path for path in desk.folder.parent.rglob("*") if "ledger" not in path.name}
    hostile = "../../<b>evil.tif"
    files = ((hostile, scan.read_bytes()), ("..\\..\\no.tif", b"no picture"), ("a.exe", b"MZ"), ("e.tif", b""))
    assert desk.drop(*files).status == 303
    until(lambda: desk.ask("GET", "/work").status == 303)
    new = {path for path in desk.folder.parent.rglob("*") if "ledger" not in path.name} - before
    assert {path.parent.name for path in new} == {"scans", "reports"}
    assert all(re.fullmatch(r"[0-9a-f]{16}\.tif", name) for name in scans_of(desk))
    assert desk.kept() == 1
    page = desk.ask("GET", "/").text
    assert "<b>evil" not in page
    for said in ("&lt;b&gt;evil", "no.tif", "a.exe is no scan", "e.tif is empty"):
        assert said in page
    [id_] = re.findall(r'href="/prints/(\w+)">Read', page)
    report = desk.ask("GET", f"/prints/{id_}")
    assert report.status == 200
    assert "frame-ancestors 'none'" in report.headers["content-security-policy"]
    assert desk.ask("GET", f"/pictures/{id_}").headers["content-type"] == "image/png"


def test_too_much_is_refused_before_it_comes(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pages, "room", lambda _: 5 * 10**9)
    begun = time.monotonic()
    assert desk.drop(("a.tif", b"x"), Content_Length=str(10 * 10**9)).status == 413
    assert time.monotonic() - begun < 10
    assert scans_of(desk) == []
    assert desk.ask("POST", "/setups", b"paper=" + b"x" * 20_000).status == 413


def test_one_scan_beyond_the_limit_is_let_go_of_and_a_full_disk_stops_all(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(intake, "FILE_LIMIT", 1000)
    assert desk.drop(("large.tif", b"x" * 1001)).status == 303
    until(lambda: desk.ask("GET", "/work").status == 303)
    assert "large.tif is larger" in desk.ask("GET", "/").text
    assert scans_of(desk) == []
    monkeypatch.setattr(intake, "_LOOK", 10)
    monkeypatch.setattr(intake, "room", lambda _: -1)
    assert desk.drop(("a.tif", b"x" * 100)).status == 413
    assert scans_of(desk) == []


def half_sent(desk: Desk) -> socket.socket:
    """Begin to drop a scan, and stop halfway."""
    body = form((("a.tif", b"x" * 1000),), "gloss")
    head = (
        f"POST /scans HTTP/1.1\r\nHost: {desk.origin[7:]}\r\nOrigin: {desk.origin}\r\nCookie: {desk.cookie}\r\n"
        f"Content-Type: multipart/form-data; boundary=XX\r\nContent-Length: {len(body)}\r\n\r\n"
    )
    line = socket.create_connection(("127.0.0.1", desk.port))
    line.sendall(head.encode() + body[:500])
    until(lambda: scans_of(desk))
    return line


def test_a_dropped_connection_leaves_nothing_and_a_second_page_waits_its_turn(desk: Desk) -> None:
    line = half_sent(desk)
    answer = desk.drop(("b.tif", b"no picture"))
    assert answer.status == 400
    assert "Other scans are being measured" in answer.text
    line.close()
    until(lambda: not scans_of(desk))
    until(lambda: desk.drop(("b.tif", b"no picture")).status == 303)
    until(lambda: desk.ask("GET", "/work").status == 303)
    assert "b.tif" in desk.ask("GET", "/").text


def test_a_form_that_is_none_leaves_the_desk_free(desk: Desk) -> None:
    assert desk.ask("POST", "/scans", b"x", Content_Type="text/plain").status == 413
    assert desk.ask("POST", "/scans", b"rubbish", Content_Type="multipart/form-data; boundary=XX").status == 400
    assert desk.drop(("a.tif", b"x"), setup="gone").status == 400
    assert scans_of(desk) == []
    assert desk.drop(("a.tif", b"x")).status == 303


def test_a_restart_takes_up_what_was_not_measured(tmp_path: Path, scan: Path) -> None:
    folder = tmp_path / "home"
    folder.mkdir()
    (folder / CONFIG_NAME).write_text(GLOSS, encoding="utf-8")
    first = Desk(folder)
    assert first.drop(("mine.tif", scan.read_bytes())).status == 303
    first.close()
    assert (folder / "scans" / "waiting.json").exists()
    assert first.kept() == 0
    second = Desk(folder)
    until(lambda: second.kept() == 1)
    until(lambda: second.ask("GET", "/work").status == 303)
    assert "mine.tif" in second.ask("GET", "/").text
    second.close()
    assert not (folder / "scans" / "waiting.json").exists()
    assert not (folder / ".desk.json").exists()


def test_cancel_lets_go_of_what_is_not_measured(desk: Desk, scan: Path) -> None:
    assert desk.drop(*((f"{number}.tif", scan.read_bytes()) for number in range(3))).status == 303
    assert desk.ask("POST", "/cancel").status == 303
    until(lambda: desk.ask("GET", "/work").status == 303)
    assert "2.tif Cancelled." in desk.ask("GET", "/").text
    assert len(scans_of(desk)) == desk.kept()


def test_a_second_start_finds_the_first(desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    said: list[str] = []
    capsys.readouterr()
    serving.serve(desk.folder, None, browser=False, say=said.append)
    assert said == ["The desk is open already."]
    assert capsys.readouterr().out == f"{desk.origin}/?token={desk.token}\n"


def test_what_was_left_by_a_killed_desk_stops_no_start(tmp_path: Path) -> None:
    with socket.socket() as other:  # someone else has the port now, and has not the token
        other.bind(("127.0.0.1", 0))
        (tmp_path / ".desk.json").write_text(json.dumps({"port": other.getsockname()[1], "token": "x"}))
        assert serving._running(tmp_path / ".desk.json") is None
    for text in ("", "[]", '{"port": "x"}'):
        (tmp_path / ".desk.json").write_text(text)
        assert serving._running(tmp_path / ".desk.json") is None


def test_setups_and_charts_are_made(desk: Desk) -> None:
    body = urlencode({"printer": "Alder (invented)", "paper": 'rag "warm"', "ink": ""}).encode()
    assert desk.ask("POST", "/setups", body).status == 303
    assert 'Alder (invented) · rag "warm"' in read_setups(desk.folder / CONFIG_NAME)
    assert desk.ask("POST", "/setups", b"printer=&paper=").status == 400
    assert desk.ask("POST", "/charts", urlencode({"sheet": "a9"}).encode()).status == 400
    assert desk.ask("POST", "/charts", urlencode({"sheet": "120x130", "hues": "1"}).encode()).status == 303
    names = re.findall(r'href="/charts/([^"]+)"', desk.ask("GET", "/").text)
    assert {Path(name).suffix for name in names} == {".tif", ".json"}
    assert desk.ask("GET", f"/charts/{names[0]}").status == 200


def test_the_desk_ends_when_no_page_was_open_for_a_while(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serving, "_QUIET_S", 2.0)
    opened = Desk(tmp_path)
    opened._thread.join(PATIENCE_S)
    assert opened.said[-1] == "The desk is closed."
