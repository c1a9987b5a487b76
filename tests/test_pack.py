"""Packs: what is sent arrives, stays marked as the sender's, and nothing that a stranger could put in does harm."""

from __future__ import annotations

import hashlib
import io
import json
import stat
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from ledger_samples import postgres_url, sample
from PIL import Image

from inkstrain.scoring.judge.judge import judge
from inkstrain.scoring.ledger import Ledger, import_file, open_ledger, write_pack
from inkstrain.scoring.report import report_html
from inkstrain.scoring.results.crops import Crop
from inkstrain.scoring.results.schema import schemas
from inkstrain.targets.errors import LedgerError

Run = Callable[..., tuple[int, str, str]]
HOSTILE = '"><script>alert(1)</script><img src=x onerror=alert(2)>'
RING = "ring-to-white-blue"


def crop(shade: int = 90) -> Crop:
    pixels = np.full((40, 30, 3), shade, np.uint8)
    pixels[10:20] = 200
    return Crop(image=pixels, px_per_mm=8.0, origin_mm=(10.0, 20.0))


@pytest.fixture(params=["sqlite", "postgresql"])
def ledger(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Ledger]:
    if request.param == "sqlite":
        with open_ledger(tmp_path / "theirs.sqlite") as opened:
            yield opened
    else:
        with postgres_url() as url, open_ledger(url) as opened:
            yield opened


@pytest.fixture
def pack(tmp_path: Path) -> Path:
    """Return a pack of two scores with everything that a pack can hold."""
    with open_ledger(tmp_path / "mine.sqlite") as mine:
        mine.keep(sample(1, date="2026-01-05"), {RING: crop()}, judge(sample(1)), label="before")
        mine.keep(sample(2, note="dry for a day"), {RING: crop(60)})
        write_pack(mine.find("printer=Alder (invented)"), tmp_path / "pack.zip")
    return tmp_path / "pack.zip"


def rewritten(pack: Path, change: Callable[[dict[str, bytes]], None], *, honest: bool = True) -> Path:
    """Write the pack again with changed members; an honest one has right sizes and hashes for them."""
    with zipfile.ZipFile(pack) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    change(members)
    if honest and "pack.json" in members:
        listed = json.loads(members["pack.json"])
        listed["members"] = [
            {"name": name, "size": len(data), "sha256": hashlib.sha256(data).hexdigest()}
            for name, data in members.items()
            if name != "pack.json"
        ]
        members["pack.json"] = json.dumps(listed).encode()
    with zipfile.ZipFile(pack, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return pack


def edited(name_start: str, change: Callable[[Any], None]) -> Callable[[dict[str, bytes]], None]:
    """Return what changes the JSON of the first member whose name starts so."""

    def change_(members: dict[str, bytes]) -> None:
        name = next(name for name in members if name.startswith(name_start))
        document = json.loads(members[name])
        change(document)
        members[name] = json.dumps(document).encode()

    return change_


def test_what_is_sent_arrives_and_stays_theirs(pack: Path, ledger: Ledger) -> None:
    filed = import_file(ledger, pack, "Mira (invented)")
    assert [kept.already_there for kept in filed] == [False, False]
    first = ledger.find("before")[0]
    assert first.owner == "Mira (invented)"
    assert first.score == sample(1, date="2026-01-05")
    assert first.verdict == judge(sample(1))
    assert np.array_equal(first.crops()[RING].image, crop().image)
    assert (first.crops()[RING].px_per_mm, first.crops()[RING].origin_mm) == (8.0, (10.0, 20.0))
    assert {row.entry for row in ledger.readings(owner="Mira (invented)")} == {kept.id for kept in filed}
    assert list(ledger.entries(owner=None)) == []
    assert all(kept.already_there for kept in import_file(ledger, pack, "Mira (invented)"))
    assert len(list(ledger.entries())) == 2
    assert ledger.check() == ()


def test_the_same_scores_give_the_same_bytes_and_keep_to_the_schema(pack: Path, tmp_path: Path) -> None:
    with open_ledger(tmp_path / "mine.sqlite") as mine:
        write_pack(mine.find("printer=Alder (invented)"), tmp_path / "again.zip")
    assert (tmp_path / "again.zip").read_bytes() == pack.read_bytes()
    with zipfile.ZipFile(pack) as archive:
        jsonschema.Draft202012Validator(schemas()["pack"]).validate(json.loads(archive.read("pack.json")))
        assert archive.testzip() is None


def test_a_pack_passed_on_says_through_whom(pack: Path, tmp_path: Path) -> None:
    with open_ledger(tmp_path / "middle.sqlite") as middle:
        import_file(middle, pack, "Mira (invented)")
        write_pack(middle.find("before"), tmp_path / "on.zip")
    with open_ledger(tmp_path / "last.sqlite") as last:
        (kept,) = import_file(last, tmp_path / "on.zip", "Odo (invented)")
        assert kept.owner == "Mira (invented) (through Odo (invented))"


def test_someone_elses_measurement_of_my_scan_is_not_mine(pack: Path, ledger: Ledger) -> None:
    mine = ledger.keep(sample(1, date="2026-01-05"))
    import_file(ledger, pack, "Mira (invented)")
    assert not mine.already_there
    assert [entry.id for entry in ledger.entries(owner=None)] == [mine.id]
    assert len({entry.scan_set for entry in ledger.entries()}) == 2


def test_markup_in_names_stays_text(pack: Path, ledger: Ledger) -> None:
    def spoil(document: dict[str, Any]) -> None:
        document["conditions"].update(printer=HOSTILE, note=HOSTILE + "\x1b[31m\u202e")
        document["flags"] = [HOSTILE]

    rewritten(pack, edited("scores/", spoil))
    rewritten(pack, edited("pack.json", lambda document: document["entries"][0].update(label=HOSTILE)))
    import_file(ledger, pack, HOSTILE)
    (kept,) = ledger.find(f"printer={HOSTILE}")
    assert kept.score.conditions.note == HOSTILE + "[31m"
    page = report_html(kept.score, kept.crops(), kept.verdict, title=kept.label)
    assert "<script>alert" not in page
    assert "<img src=x" not in page
    assert "&lt;script&gt;alert(1)" in page


def test_a_label_cannot_hide_an_id(pack: Path, ledger: Ledger) -> None:
    mine = ledger.keep(sample(9))
    rewritten(pack, edited("pack.json", lambda document: document["entries"][0].update(label=mine.id)))
    import_file(ledger, pack, "Mira (invented)")
    assert [kept.id for kept in ledger.find(mine.id)] == [mine.id]


def _named(name: str, data: bytes = b"x") -> Callable[[Path], Path]:
    return lambda pack: rewritten(pack, lambda members: members.update({name: data}))


def _appended(info: zipfile.ZipInfo, data: bytes = b"x") -> Callable[[Path], Path]:
    def write(pack: Path) -> Path:
        with zipfile.ZipFile(pack, "a") as archive:
            archive.writestr(info, data)
        return pack

    return write


def _renamed(name: bytes, other: bytes) -> Callable[[Path], Path]:
    def write(pack: Path) -> Path:
        pack.write_bytes(pack.read_bytes().replace(name, other))
        return pack

    return write


def _link() -> zipfile.ZipInfo:
    info = zipfile.ZipInfo("recipes/AAAAAAAA.txt")
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    return info


def _twice(pack: Path) -> Path:
    return _renamed(b"pack.jsoX", b"pack.json")(_appended(zipfile.ZipInfo("pack.jsoX"), b"{}")(pack))


def _encrypted(pack: Path) -> Path:
    data = bytearray(pack.read_bytes())
    at = data.rfind(b"PK\x01\x02")
    data[at + 8] |= 1
    pack.write_bytes(bytes(data))
    return pack


def _bomb(pack: Path) -> Path:
    # 60 MB of one digit pack to 60 kB
    return rewritten(pack, lambda members: members.update(_score_of(members, b"1" * 60_000_000)))


def _score_of(members: dict[str, bytes], data: bytes) -> dict[str, bytes]:
    return {next(name for name in members if name.startswith("scores/")): data}


def _lying_size(pack: Path) -> Path:
    # the list says 10 bytes, the member has more
    def change(document: dict[str, Any]) -> None:
        for member in document["members"]:
            if member["name"].startswith("scores/"):
                member["size"] = 10

    return rewritten(pack, edited("pack.json", change), honest=False)


def _flipped(members: dict[str, bytes]) -> None:
    name = next(name for name in members if name.startswith("scores/"))
    members[name] = members[name].replace(b"100.0", b"900.0", 1)


def _wrong_hash(pack: Path) -> Path:
    return rewritten(pack, _flipped, honest=False)


def _huge_png() -> bytes:
    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    head = struct.pack(">IIBBBBB", 50_000, 50_000, 8, 2, 0, 0, 0)
    body = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(bytes(1000))) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


def _crops_become(data: bytes) -> Callable[[Path], Path]:
    def change(members: dict[str, bytes]) -> None:
        members.update({name: data for name in members if name.startswith("crops/")})

    return lambda pack: rewritten(pack, change)


def _lost(pack: Path) -> Path:
    def change(members: dict[str, bytes]) -> None:
        del members[next(name for name in members if name.startswith("crops/"))]

    return rewritten(pack, change)


def _cut(pack: Path) -> Path:
    pack.write_bytes(pack.read_bytes()[:-400])
    return pack


def _rotten(pack: Path) -> Path:
    data = bytearray(pack.read_bytes())
    data[200:400] = bytes(200)
    pack.write_bytes(bytes(data))
    return pack


def _many(pack: Path) -> Path:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        for n in range(65_000):
            archive.writestr(zipfile.ZipInfo(f"{n}"), b"")
    pack.write_bytes(stream.getvalue())
    return pack


def _score_edit(change: Callable[[Any], None]) -> Callable[[Path], Path]:
    return lambda pack: rewritten(pack, edited("scores/", change))


def _list_edit(change: Callable[[Any], None]) -> Callable[[Path], Path]:
    return lambda pack: rewritten(pack, edited("pack.json", change))


def _one_picture_for_all(document: Any) -> None:
    (crop_,) = document["entries"][0]["crops"]
    document["entries"][0]["crops"] = [{**crop_, "element": str(number)} for number in range(2000)]


def _large_png() -> bytes:
    stream = io.BytesIO()
    Image.new("RGB", (9_000, 9_000)).save(stream, "PNG")
    return stream.getvalue()


REFUSED: dict[str, tuple[Callable[[Path], Path], str]] = {
    "up and out": (_named("../../evil.json"), "not a name that a pack may hold"),
    "up and out, windows": (_named("..\\evil.json"), "not a name that a pack may hold"),
    "absolute": (_named("/etc/evil"), "not a name that a pack may hold"),
    "drive": (_named("C:/evil"), "not a name that a pack may hold"),
    "nul": (_renamed(b"pack.json", b"pack\x00json"), "not a name that a pack may hold"),
    "script as a name": (_named("<script>.json"), "not a name that a pack may hold"),
    "folder": (_appended(zipfile.ZipInfo("scores/"), b""), "not a name that a pack may hold"),
    "link": (_appended(_link(), b"/etc/passwd"), "is a link"),
    "twice": (_twice, "in it twice"),
    "encrypted": (_encrypted, "is encrypted"),
    "not on its list": (_appended(zipfile.ZipInfo("recipes/AAAAAAAA.txt")), "does not name exactly"),
    "lost member": (_lost, "is missing"),
    "bomb": (_bomb, "unpacks to more than it may"),
    "lying size": (_lying_size, "unpacks to more than it may"),
    "too many members": (_many, "more members"),
    "wrong hash": (_wrong_hash, "not what its hash says"),
    "huge picture": (_crops_become(_huge_png()), "is larger than a picture"),
    "large picture": (_crops_become(_large_png()), "is larger than a picture"),
    "one picture for all": (_list_edit(_one_picture_for_all), "one picture for several elements"),
    "no picture": (_crops_become(b"GIF89a" + bytes(100)), "is not a picture"),
    "cut": (_cut, "not a pack, or a damaged one"),
    "rotten": (_rotten, "damaged"),
    "newer pack": (_list_edit(lambda d: d.update(schema="inkstrain/pack/2")), "newer inkstrain"),
    "newer score": (_score_edit(lambda d: d.update(schema="inkstrain/score/3")), "newer inkstrain"),
    "not a score": (_score_edit(lambda d: d.pop("totals")), "not as its schema says"),
    "no number": (_score_edit(lambda d: d["totals"].update(evenness="NaN")), "not as its schema says"),
    "very long text": (_score_edit(lambda d: d["conditions"].update(note="x" * 300_000)), "not JSON as a pack has it"),
    "very deep": (
        lambda pack: rewritten(pack, lambda m: m.update(_score_of(m, b"[" * 100_000 + b"]" * 100_000))), "not JSON",
    ),
    "no scan": (_score_edit(lambda d: d["tiles"][0].update(scan_sha256="../../x")), "which scans it rests on"),
    "other chart": (_score_edit(lambda d: d.update(chart="AAAAAAAA")), "names chart AAAAAAAA"),
    "other recipe": (_score_edit(lambda d: d.update(recipe="rm -rf /")), "a recipe that cannot be read"),
    "no list": (lambda pack: rewritten(pack, lambda m: m.pop("pack.json") and None, honest=False), "no pack.json"),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_a_pack_that_is_not_to_be_trusted_is_refused_whole(case: str, pack: Path, tmp_path: Path, run: Run) -> None:
    make, reason = REFUSED[case]
    hostile = make(pack)
    before = {path.name for path in tmp_path.rglob("*")} | {"new.sqlite"}
    code, out, err = run("ledger", "import", hostile, "--from", "someone", "--ledger", tmp_path / "new.sqlite")
    assert (code, out) == (4, "")
    assert reason in err
    assert err.count("\n") == 1
    with open_ledger(tmp_path / "new.sqlite") as ledger:
        assert ledger.count() == 0
        assert ledger.check() == ()
    assert {path.name for path in tmp_path.rglob("*")} == before


def test_long_notes_and_labels_come_in_again(ledger: Ledger, tmp_path: Path) -> None:
    with open_ledger(tmp_path / "mine.sqlite") as mine:
        mine.keep(sample(1, note="n" * 131_000), {}, label="l" * 131_000)
        write_pack(mine.find("printer=Alder (invented)"), tmp_path / "pack.zip")
    (kept,) = import_file(ledger, tmp_path / "pack.zip", "Mira (invented)")
    assert (kept.score.conditions.note, kept.label) == ("n" * 131_000, "l" * 131_000)


def test_one_bad_score_keeps_all_others_out(pack: Path, ledger: Ledger) -> None:
    def spoil_last(members: dict[str, bytes]) -> None:
        members[[name for name in members if name.startswith("scores/")][-1]] = b"{}"

    with pytest.raises(LedgerError):
        import_file(ledger, rewritten(pack, spoil_last), "someone")
    assert ledger.count() == 0


def test_a_pack_goes_out_and_in_by_the_command_line(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("INKSTRAIN_LEDGER", str(tmp_path / "mine.sqlite"))
    with open_ledger() as mine:
        ids = [mine.keep(sample(n, printer=f"P{n % 2}")).id for n in range(4)]
    out = tmp_path / "out.zip"
    assert run("ledger", "export", "printer=P1", ids[0][:7], "--out", out)[0] == 0
    code, _, err = run("ledger", "import", out, "--ledger", tmp_path / "other.sqlite")
    assert code == 2
    assert "--from NAME" in err
    code, _, err = run("ledger", "import", out, "--from", "Mira (invented)", "--ledger", tmp_path / "other.sqlite")
    assert code == 0
    assert "Took in 3 scores from Mira (invented)" in err
    code, _, err = run("ledger", "export", "printer=P7", "--out", tmp_path / "none.zip")
    assert code == 4
    assert not (tmp_path / "none.zip").exists()


def test_a_score_file_is_filed_later(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("INKSTRAIN_LEDGER", str(tmp_path / "mine.sqlite"))
    path = tmp_path / "s.json"
    path.write_text(sample(1).model_dump_json(), encoding="utf-8")
    code, _, err = run("ledger", "import", path)
    assert code == 0
    assert "Took in 1 score; 0 kept before." in err
    with open_ledger() as mine:
        assert next(mine.entries()).owner is None
    for content in (b"", b"PK", b"\x00\xff", b"[1]", b'{"schema": "inkstrain/key/1"}'):
        path.write_bytes(content)
        assert run("ledger", "import", path)[0] == 4
    assert run("ledger", "import", tmp_path / "never")[0] == 4
