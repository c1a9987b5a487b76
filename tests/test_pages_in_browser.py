"""Pages in a real browser: heights, the divider by keys and by pointer, the switch, sorting, motion."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from report_samples import sample_print

from inkstrain.scoring.jobs.comparing import compare_prints
from inkstrain.scoring.report import compare_html, report_html
from inkstrain.scoring.results.score import Conditions

CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium here; .ci/run has one")

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--hide-scrollbars",
)  # fmt: skip

HELPERS = """
const seen = {};
const by = (id) => document.getElementById(id);
const press = (key) => new KeyboardEvent("keydown", {key, bubbles: true, cancelable: true});
const key = (node, name) => node.dispatchEvent(press(name));
const now = () => Number(by("over-divider").getAttribute("aria-valuenow"));
const cut = () => by("over-right").style.clipPath;
const done = () => { document.body.dataset.seen = JSON.stringify(seen); };
"""


@pytest.fixture(scope="module")
def page() -> str:
    prints = [
        sample_print(amount, conditions=Conditions(printer=f"{name} (invented)", paper="Cotton rag, warm"))
        for name, amount in (("Alder", 1.0), ("Rowan", 0.2), ("Sorrel", 0.6))
    ]
    scores = [score for score, *_ in prints]
    comparison = compare_prints([[score] for score in scores])
    return compare_html(comparison, scores, [crops for _, crops, _ in prints])


@pytest.fixture(scope="module")
def score_page() -> str:
    score, crops, _ = sample_print()
    return report_html(score, crops)


MEASURE = """
    onload = () => {
        const frame = document.getElementById("page"), doc = frame.contentDocument;
        const box = (one) => one.getBoundingClientRect();
        const all = (what) => [...doc.querySelectorAll(what)];
        const pictures = all("main img, main svg.ring-picture").filter((one) => box(one).height > 60);
        const nameless = all("a, button, input, select, summary, [role=slider], [tabindex='0']")
            .filter((one) => !(one.textContent.trim() || one.getAttribute("aria-label") || one.labels?.length));
        const figures = all("figure").filter((one) => !one.querySelector("figcaption, svg title, [alt]"));
        document.body.dataset.seen = JSON.stringify({
            height: doc.documentElement.scrollHeight, wide: doc.documentElement.scrollWidth,
            first: Math.min(...pictures.map((one) => box(one).top)),
            nameless: nameless.map((one) => one.outerHTML.slice(0, 80)), figures: figures.length,
        });
    };
"""


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize(("name", "most_px"), [("score_page", 6000), ("page", 9000)])
def test_a_page_answers_on_its_first_screen(
    name: str, most_px: int, width: int, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """Height with all folded, first picture, no sideways scroll, names; a phone's page may be twice as high."""
    (tmp_path / "inner.html").write_text(request.getfixturevalue(name), encoding="utf-8")
    outer = tmp_path / "outer.html"
    frame = f'<iframe id="page" src="inner.html" style="width:{width}px;height:900px;border:0"></iframe>'
    outer.write_text(f"<!doctype html><body>{frame}<script>{MEASURE}</script></body>", encoding="utf-8")
    words = [str(CHROMIUM), *FLAGS, "--allow-file-access-from-files", f"--user-data-dir={tmp_path / 'profile'}"]
    words += ["--window-size=1400,1000", "--virtual-time-budget=8000", "--dump-dom", outer.as_uri()]
    shown = subprocess.run(words, capture_output=True, text=True, timeout=120, check=True).stdout
    found = re.search(r'data-seen="([^"]*)"', shown)
    assert found, "the page was not measured"
    seen = json.loads(html.unescape(found[1]))
    times = 1 if width == 1280 else 2
    assert seen["height"] <= times * most_px
    assert seen["first"] <= times * 400
    assert seen["wide"] <= width
    assert seen["nameless"] == []
    assert seen["figures"] == 0


def run(page: str, folder: Path, script: str, *flags: str) -> dict:
    """Open a page with a script of the test's own, which its policy has to be told of, and return what it saw."""
    source = f"{{{HELPERS}{script}}}"
    digest = base64.b64encode(hashlib.sha256(source.encode()).digest()).decode()
    page = page.replace("script-src ", f"script-src 'sha256-{digest}' ", 1)
    path = folder / "page.html"
    path.write_text(page.replace("</body>", f"<script>{source}</script></body>"), encoding="utf-8")
    words = [str(CHROMIUM), *FLAGS, f"--user-data-dir={folder / 'profile'}", *flags]
    run_ = subprocess.run(
        [*words, "--enable-logging=stderr", "--virtual-time-budget=8000", "--dump-dom", path.as_uri()],
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    assert ":CONSOLE" not in run_.stderr, run_.stderr
    found = re.search(r'data-seen="([^"]*)"', run_.stdout)
    assert found, "the test's own script did not finish"
    return json.loads(found[1].replace("&quot;", '"'))


def test_the_divider_moves_by_keys_and_says_where_it_is(page: str, tmp_path: Path) -> None:
    seen = run(page, tmp_path, """
        const divider = by("over-divider");
        divider.focus();
        seen.focus = document.activeElement === divider;
        seen.role = divider.getAttribute("role");
        seen.start = now();
        for (const [name, one] of [
            ["right", "ArrowRight"], ["page", "PageUp"], ["left", "ArrowLeft"], ["home", "Home"],
            ["under", "ArrowLeft"], ["end", "End"], ["over", "ArrowRight"],
        ]) {
            key(divider, one);
            seen[name] = now();
        }
        seen.text = divider.getAttribute("aria-valuetext");
        seen.cut = cut();
        done();
    """)
    assert (seen["focus"], seen["role"], seen["start"]) == (True, "slider", 50)
    steps = [seen[name] for name in ("right", "page", "left", "home", "under", "end", "over")]
    assert steps == [52, 62, 60, 0, 0, 100, 100]
    assert "Alder (invented)" in seen["text"]
    assert seen["cut"] == "inset(0px 0px 0px 100%)"


def test_the_divider_is_dragged_by_hand(page: str, tmp_path: Path) -> None:
    seen = run(page, tmp_path, """
        const stage = by("over-stage");
        stage.setPointerCapture = () => {};
        const box = stage.getBoundingClientRect();
        const at = (kind, share) => stage.dispatchEvent(new PointerEvent(kind, {
            pointerId: 1, bubbles: true, cancelable: true,
            clientX: box.left + share * box.width, clientY: box.top + 5,
        }));
        at("pointerdown", 0.25); seen.down = now();
        at("pointermove", 0.8); seen.moved = now();
        at("pointermove", 1.7); seen.beyond = now();
        at("pointermove", 0.4); at("pointerup", 0.4); at("pointermove", 0.9); seen.released = now();
        seen.square = Math.abs(box.width - box.height) < 1;
        done();
    """)
    assert seen == {"down": 25, "moved": 80, "beyond": 100, "released": 40, "square": True}


def test_any_two_prints_and_any_ring_can_be_laid_over_each_other(page: str, tmp_path: Path) -> None:
    seen = run(page, tmp_path, """
        const pick = (id, value) => { by(id).value = value; by(id).dispatchEvent(new Event("change")); };
        const shown = (id) => by(id).querySelector("image").getAttribute("href");
        const source = (id) => document.querySelector(`#${id} image`).getAttribute("href");
        pick("over-ring", "ring-5"); pick("over-a", "3"); pick("over-b", "2");
        seen.left = shown("over-left") === source("ring-5-3-crop");
        seen.right = shown("over-right") === source("ring-5-2-crop");
        seen.names = [by("over-name-left").textContent, by("over-name-right").textContent];
        seen.view = by("over-left").firstChild.getAttribute("viewBox").split(" ")[2]
            === by("over-right").firstChild.getAttribute("viewBox").split(" ")[2];
        const ids = [...document.querySelectorAll("[id]")].map((one) => one.id);
        seen.twice = ids.length - new Set(ids).size;
        document.querySelector("a[data-over=ring-9]").click();
        seen.link = by("over-ring").value;
        done();
    """)
    assert seen["left"]
    assert seen["right"]
    assert seen["view"]
    assert seen["names"] == ["3: Sorrel (invented)", "2: Rowan (invented)"]
    assert seen["twice"] == 0
    assert seen["link"] == "ring-9"


def test_the_switch_shows_one_print_alone_then_the_other(page: str, tmp_path: Path) -> None:
    seen = run(page, tmp_path, """
        const button = by("over-switch");
        seen.focusable = button.tabIndex === 0;
        seen.cuts = [cut()];
        for (let i = 0; i < 3; i += 1) { button.click(); seen.cuts.push(cut()); }
        seen.hidden = by("over-divider").hidden;
        document.querySelector("input[value=divider]").click();
        seen.cuts.push(cut());
        done();
    """)
    cuts = [re.search(r"([\d.]+)(%|px)\)$", cut)[1] for cut in seen["cuts"]]
    assert cuts == ["50", "100", "0", "100", "50"]
    assert seen["hidden"]
    assert seen["focusable"]


def test_alternation_is_off_slow_and_stopped_by_escape(page: str, tmp_path: Path) -> None:
    seen = run(page, tmp_path, """
        seen.off = !by("over-auto").checked;
        seen.offered = !by("over-auto-line").hidden;
        const times = [];
        let last = cut();
        const watch = setInterval(() => { if (cut() !== last) { last = cut(); times.push(performance.now()); } }, 20);
        by("over-auto").click();
        setTimeout(() => {
            key(document.body, "Escape");
            seen.changes = times.length;
            seen.shortest = Math.min(...times.slice(1).map((time, i) => time - times[i]));
            seen.stopped = !by("over-auto").checked;
            setTimeout(() => { seen.after = times.length - seen.changes; clearInterval(watch); done(); }, 2500);
        }, 5200);
    """)
    assert seen["off"]
    assert seen["offered"]
    assert seen["changes"] == 3
    # never faster than once a second
    assert seen["shortest"] >= 1000
    assert seen["stopped"]
    assert seen["after"] == 0


def test_alternation_is_not_offered_to_those_who_want_less_motion(page: str, tmp_path: Path) -> None:
    seen = run(page, tmp_path, """
        seen.offered = !by("over-auto-line").hidden;
        const before = cut();
        by("over-auto").click();
        setTimeout(() => { seen.still = cut() === before; done(); }, 3500);
    """, "--force-prefers-reduced-motion")  # fmt: skip
    assert seen == {"offered": False, "still": True}


def test_tables_are_sorted_by_the_buttons_in_their_heads(page: str, tmp_path: Path) -> None:
    seen = run(page, tmp_path, """
        const table = document.querySelector("table.ranked");
        const heads = [...table.tHead.rows[0].cells];
        const at = heads.findIndex((head) => head.textContent.includes("reach"));
        const column = () => [...table.tBodies[0].rows].map((row) => Number(row.cells[at].dataset.v));
        const sorted = () => heads[at].getAttribute("aria-sort");
        heads[at].querySelector("button").click(); seen.up = column(); seen.first = sorted();
        heads[at].querySelector("button").click(); seen.down = column(); seen.then = sorted();
        heads[0].querySelector("button").click();
        seen.names = [...table.tBodies[0].rows].map((row) => row.cells[0].textContent[0]);
        seen.one = table.querySelectorAll("[aria-sort]").length;
        seen.buttons = heads.every((head) => head.querySelector("button").tabIndex === 0);
        done();
    """)
    assert seen["up"] == sorted(seen["up"])
    assert seen["down"] == sorted(seen["up"], reverse=True)
    assert len(set(seen["up"])) == 3
    assert (seen["first"], seen["then"]) == ("ascending", "descending")
    assert seen["names"] == ["1", "2", "3"]
    assert (seen["one"], seen["buttons"]) == (1, True)


def test_the_two_halves_of_the_picture_are_of_the_two_prints(page: str, tmp_path: Path) -> None:
    """A screenshot of one large and one small gamut: left of the divider the first print, right of it the other."""
    style = "<style>body > *:not(main), main > *:not(#over) { display: none } #over { margin: 0; border: 0 }</style>"
    path = tmp_path / "page.html"
    path.write_text(page.replace("</head>", f"{style}</head>"), encoding="utf-8")
    shot = tmp_path / "shot.png"
    words = [str(CHROMIUM), *FLAGS, f"--user-data-dir={tmp_path / 'profile'}", "--window-size=1200,760"]
    subprocess.run([*words, f"--screenshot={shot}", path.as_uri()], capture_output=True, timeout=120, check=True)
    pixels = np.asarray(Image.open(shot).convert("RGB")).astype(int)
    white_line = np.all(pixels == 255, axis=-1).sum(axis=0)
    middle = int(np.argmax(white_line))
    assert 500 < middle < 900
    left, right = (pixels[100:600, middle + side * 40].mean(axis=0) for side in (-1, 1))
    # the same radius of the same ring, in inks of unlike gamut
    assert np.abs(left - right).max() > 4
