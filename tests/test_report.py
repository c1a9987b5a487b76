"""The report: self-contained, hostile words harmless, marks on the right pixels, words that fit the numbers."""

from __future__ import annotations

import base64
import io
import re
from html.parser import HTMLParser
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image
from report_samples import RECIPE, sample_key, sample_print

from inkstrain.scoring.judge.health import ADVICE
from inkstrain.scoring.judge.judge import judge
from inkstrain.scoring.report import report_html
from inkstrain.scoring.report.overlay import ring_picture
from inkstrain.scoring.report.pictures import lab_to_srgb8
from inkstrain.scoring.report.ringplot import unwrapped_hue
from inkstrain.scoring.report.ringview import ring_view
from inkstrain.scoring.report.svg import ticks
from inkstrain.scoring.results.crops import Crop
from inkstrain.scoring.results.figures import fault_figure, figure, number
from inkstrain.scoring.results.score import Conditions, Course, DeltaEPair, Flag, Score
from inkstrain.scoring.words.phrases import cast_direction, flag_words, ring_state
from inkstrain.scoring.words.score import summarise
from inkstrain.targets.colorimetry import delta_e00, lab_to_xyz
from inkstrain.targets.rings import ring_lab
from inkstrain.targets.spaces import rgb_to_lab, screen_rgb, xyz_to_rgb

# HTML elements without an end tag (HTML Living Standard, 13.1.2)
VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}
HOSTILE = '"><script>alert(1)</script><img src=x onerror=alert(2)>{{ 1234*5678 }}\'&lt;'
FLAG = Flag(code=HOSTILE, text=HOSTILE)
MOST_BYTES = 4_000_000


class Outline(HTMLParser):
    """Checks that every element is closed where it was opened; keeps what the tests ask about."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.headings: list[int] = []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag


def outline(html: str) -> Outline:
    parser = Outline()
    parser.feed(html)
    parser.close()
    assert parser.open == []
    return parser


def svgs(html: str) -> list[ElementTree.Element]:
    return [ElementTree.fromstring(text) for text in re.findall(r"<svg.*?</svg>", html, re.DOTALL)]


@pytest.fixture(scope="module")
def sample():
    return sample_print()


@pytest.fixture(scope="module")
def html(sample) -> str:
    score, crops, _ = sample
    return report_html(score, crops, judge(score))


def test_the_page_is_balanced_has_one_main_heading_and_skips_no_level(html):
    page = outline(html)
    assert page.headings.count(1) == 1
    assert all(deeper - higher <= 1 for higher, deeper in zip(page.headings, page.headings[1:], strict=False))
    assert dict(page.tags[0][1]) == {"lang": "en"}


def test_the_page_asks_nothing_from_elsewhere_and_runs_no_script(html):
    page = outline(html)
    assert not re.search(r"https?:|//[a-z]", re.sub(r"data:image/[a-z]+;base64,[A-Za-z0-9+/=]+", "", html))
    assert "@import" not in html
    assert "url(" not in re.sub(r"url\(#[a-z0-9-]+\)", "", html)
    assert not {"script", "link", "iframe", "object", "form"} & {tag for tag, _ in page.tags}
    for tag, attributes in page.tags:
        assert not [name for name in attributes if name.startswith("on")]
        for name in ("src", "href"):
            assert (attributes.get(name) or "#").startswith(("#", "data:image/")), (tag, attributes)
    policy = next(a["content"] for t, a in page.tags if a.get("http-equiv") == "Content-Security-Policy")
    assert "default-src 'none'" in policy
    assert "script" not in policy


def test_the_page_stays_small(html):
    assert len(html.encode()) < MOST_BYTES


def test_ids_are_unique_and_every_reference_has_its_target(html):
    page = outline(html)
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    wanted = {a["href"][1:] for t, a in page.tags if t == "a"} | {a["for"] for t, a in page.tags if t == "label"}
    wanted |= {part for _, a in page.tags for part in (a.get("aria-labelledby") or "").split()}
    wanted |= set(re.findall(r"url\(#([a-z0-9-]+)\)", html))
    assert wanted <= set(ids)


def test_every_drawing_has_a_title_and_every_picture_a_text(html):
    drawings = svgs(html)
    assert len(drawings) > 16 * 3
    for drawing in drawings:
        assert drawing[0].tag == "title"
        assert drawing[0].text
        assert drawing.get("aria-hidden") == "true" or drawing.get("aria-labelledby")
    assert all("alt" in attributes for tag, attributes in outline(html).tags if tag == "img")


@pytest.mark.parametrize("place", ["conditions", "title", "flags", "scan", "hue"])
def test_hostile_words_stay_words(sample, place):
    score, crops, _ = sample
    title = HOSTILE if place == "title" else None
    if place == "conditions":
        texts = Conditions.model_fields.keys() - {"black_point_compensation", "drying_h"}
        words = dict.fromkeys(texts, HOSTILE)
        score = score.model_copy(update={"conditions": Conditions(**words)})
    if place == "flags":
        score = score.model_copy(update={"flags": (FLAG,)})
    if place == "scan":
        tile = score.tiles[0].model_copy(update={"scan": HOSTILE, "flags": (FLAG,)})
        score = score.model_copy(update={"tiles": (tile,)})
    if place == "hue":
        ring = score.rings()[0].model_copy(update={"hue": HOSTILE, "id": HOSTILE, "flags": (FLAG,)})
        score = score.model_copy(update={"elements": (ring, *score.elements[1:])})
    page = report_html(score, crops, judge(score), title=title)
    parsed = outline(page)
    assert "script" not in {tag for tag, _ in parsed.tags}
    assert "<img src=x" not in page
    assert "onerror=alert(2)&gt;" in page
    assert "7006652" not in page


def test_the_same_score_read_back_gives_the_same_page(sample, html):
    score, crops, key = sample
    kept = Score.model_validate_json(score.model_dump_json(by_alias=True))
    assert report_html(kept, crops, judge(kept)) == html
    assert report_html(kept, crops, judge(kept), key=key) == html


def test_a_measured_value_brings_its_own_crops(sample, html):
    class Measured:
        def __init__(self, score, crops):
            self.score, self.crops = score, crops

    score, crops, _ = sample
    assert report_html(Measured(score, crops), verdict=judge(score)) == html


def test_a_key_of_another_chart_is_refused(sample):
    score, crops, key = sample
    with pytest.raises(ValueError, match="OTHER"):
        report_html(score, crops, key=key.model_copy(update={"chart": "OTHER"}))


def test_without_scans_the_rings_are_redrawn_and_it_is_said(sample):
    page = report_html(sample[0])
    outline(page)
    # sixteen fades, the three worst of them on the first screen, too
    assert page.count("Redrawn from the measured course") == 16 + 3


def test_marks_land_on_the_pixel_that_was_measured(sample):
    """A disc with an edge at a known radius, off-centre: the drawn circle passes through the edge's pixels."""
    score, _, _ = sample
    px_per_mm, edge_mm = 10.0, 9.3
    centre_mm, origin_mm = (61.37, 48.12), (40.25, 30.5)
    ys, xs = np.mgrid[0:400, 0:430]
    # sheet mm of every pixel's centre: pixel (0, 0) has its centre at (0.5, 0.5)
    x_mm, y_mm = origin_mm[0] + (xs + 0.5) / px_per_mm, origin_mm[1] + (ys + 0.5) / px_per_mm
    inside = np.hypot(x_mm - centre_mm[0], y_mm - centre_mm[1]) < edge_mm
    image = np.repeat(np.where(inside, 40, 220).astype(np.uint8)[..., None], 3, axis=-1)
    crop = Crop(image=image, px_per_mm=px_per_mm, origin_mm=origin_mm)
    ring = next(r for r in score.rings() if r.id == "ring-to-black-violet")
    contour = ring.contours[0].model_copy(update={"inner_mm": edge_mm, "outer_mm": edge_mm, "radius_mm": edge_mm})
    ring = ring.model_copy(update={"contours": (contour,), "flat_bands": ()})
    for half_mm in (None, 12.0):
        drawing = ElementTree.fromstring(ring_picture("p", ring, crop, centre_mm, half_mm=half_mm))
        picture = next(e for e in drawing.iter("image"))
        left, top = float(picture.get("x")), float(picture.get("y"))
        wide, high = float(picture.get("width")), float(picture.get("height"))
        shown = np.asarray(Image.open(io.BytesIO(base64.b64decode(picture.get("href").split(",")[1]))).convert("L"))
        circle = next(e for e in drawing.iter("circle"))
        x, y, radius = (float(circle.get(name)) for name in ("cx", "cy", "r"))
        for angle in np.deg2rad(np.arange(0, 360, 10)):
            values = []
            for step_mm in (-0.15, 0.15):
                at_x = x + (radius + step_mm) * np.cos(angle)
                at_y = y + (radius + step_mm) * np.sin(angle)
                column = int((at_x - left) / wide * shown.shape[1])
                row = int((at_y - top) / high * shown.shape[0])
                values.append(int(shown[row, column]))
            assert values[0] < 100 < 160 < values[1]


def test_bands_on_the_plot_stand_at_their_radii(html):
    plot = next(d for d in svgs(html) if d[0].text == "blue to black against radius")
    ticks_at = {t.text: float(t.get("x")) for t in plot.iter("text") if t.get("text-anchor") == "middle"}
    scale = (ticks_at["14"] - ticks_at["4"]) / 10.0
    ring = next(e for e in plot.iter("rect") if e.get("class") == "band-ring")
    flat = next(e for e in plot.iter("rect") if e.get("class") == "band-flat")
    for rect, (inner, outer) in ((ring, (9.05, 9.55)), (flat, (10.1, 11.9))):
        assert float(rect.get("x")) == pytest.approx(ticks_at["4"] + (inner - 4.0) * scale, abs=0.02)
        assert float(rect.get("width")) == pytest.approx((outer - inner) * scale, abs=0.02)


def test_states_name_the_ring_and_the_merged_tones(sample):
    states = {ring.id: ring_state(ring)[1].replace("\u2060", "").replace("\u00a0", " ") for ring in sample[0].rings()}
    assert states["ring-to-black-violet"] == "ring at 9.3 mm"
    assert states["ring-to-black-red"] == "ring at 9.3 mm, not seen"
    assert states["ring-to-black-blue"] == "ring at 9.3 mm, merged tones 10.1–11.9 mm"
    assert states["ring-to-white-green"] == "faint ring at 8.0 mm"
    assert states["ring-to-white-magenta"] == "even"


def test_the_summary_counts_what_the_score_holds(sample):
    summary = summarise(sample[0])
    assert summary.headline == (
        "Two of the sixteen fades break into a visible ring, and three lose tones along the way."
    )
    words = {paragraph.lead: paragraph.text for paragraph in summary.paragraphs}
    assert "violet to black" in words["Rings"].split(";")[0]
    assert "two cannot be seen apart from the one before (2 and 3)" in words["Black and white"]
    assert "runs back from step 3 to 4" in words["Black and white"]
    assert "how this scanner sees is not known" in words["Not known"]
    assert "green to white at 8.0\u00a0mm (plain to the eye)" in words["Rings"]
    ring = next(r for r in sample[0].rings() if r.contours)
    unknown = ring.model_copy(update={"contours": (ring.contours[0].model_copy(update={"visibility": None}),)})
    assert "visible" not in summarise(sample[0].model_copy(update={"elements": (unknown,)})).headline
    trusted = summarise(sample_print(basis="scanner-profile")[0])
    assert "how this scanner sees" not in {p.lead: p.text for p in trusted.paragraphs}["Not known"]


def test_a_printer_that_is_not_healthy_is_said_before_any_ring(sample):
    flag = Flag(code="missing-lines", text="1 without ink in the flat fields; this printer may not be healthy")
    summary = summarise(sample[0].model_copy(update={"flags": (flag,)}))
    titles = [paragraph.lead for paragraph in summary.paragraphs]
    assert titles.index("Printer") < titles.index("Rings")
    (printer,) = (p for p in summary.paragraphs if p.lead == "Printer")
    assert "1 without ink" in printer.text
    assert all("without ink" not in p.text for p in summary.paragraphs if p.lead != "Printer")


def test_two_signs_of_a_printer_that_is_not_healthy_give_its_advice_once(sample):
    flags = (
        Flag(code="head-banding", text=f"stripes along the sheet; {ADVICE}"),
        Flag(code="missing-lines", text=f"1 without ink; {ADVICE}"),
    )
    summary = summarise(sample[0].model_copy(update={"flags": flags}))
    (printer,) = (p for p in summary.paragraphs if p.lead == "Printer")
    assert printer.text.count("may not be healthy") == 1
    assert printer.text.endswith("before comparing.")


@pytest.mark.parametrize(("width", "what"), [(0.3, "edge"), (0.5, "ring"), (2.0, "drop-off")])
def test_rings_are_called_by_their_width(sample, width, what):
    ring = next(ring for ring in sample[0].rings() if ring.contours)
    changed = ring.model_copy(update={"contours": (ring.contours[0].model_copy(update={"width_mm": width}),)})
    view = ring_view("ring", changed, None, None, 100.0)
    assert view.findings[0].what == what


def test_a_cause_is_split_between_profile_and_print():
    ring = next(ring for ring in sample_print(attainable=True)[0].rings() if ring.contours)
    (row,) = ring_view("ring", ring, None, None, 100.0).findings
    assert re.fullmatch(r"print \d\.\d, profile none shown", row.cause)


def test_a_limit_passed_by_less_than_its_error_is_said_to_be_so(sample):
    score, crops, _ = sample
    ring = score.rings()[0].model_copy(update={"evenness": 0.749, "evenness_noise": 0.01})
    near = score.model_copy(update={"elements": (ring,)})
    page = report_html(near, crops, judge(near))
    assert "Within the tolerances" in page
    assert "by less than the error of measuring" in page


def test_a_clean_print_is_called_clean(sample):
    score = sample[0]
    clean = tuple(
        r.model_copy(
            update={"evenness": 0.97, "contours": (), "flat_bands": (), "faint_rings": (), "hue_swings": (),
                    "reversals": (), "ripples": ()}
        )
        for r in score.rings()
    )  # fmt: skip
    summary = summarise(score.model_copy(update={"elements": clean}))
    assert summary.headline == "None of the sixteen fades breaks or loses tones."
    assert {p.lead: p.text for p in summary.paragraphs}["Even fades"] == "Every fade is even from end to end."


def test_what_was_not_measured_is_said_and_not_drawn_as_a_number(sample):
    score, crops, _ = sample
    ring = score.rings()[0]
    unknown = ring.model_copy(
        update=dict.fromkeys(("reach", "evenness", "evenness_second_metric", "core_mm", "fall_off_mm"))
    )
    gone = {name: () for name in Course.model_fields if name != "attainable_lab"}
    bare = unknown.model_copy(update={"id": "bare", "course": Course(**gone), "delta_e00": DeltaEPair(intended=None)})
    page = report_html(score.model_copy(update={"elements": (unknown, bare), "black": None}), crops)
    outline(page)
    assert "no course was measured" in page
    assert page.count("not measured") >= 4
    assert "None" not in re.sub(r"<style>.*?</style>|base64,[A-Za-z0-9+/=]+|None of the", "", page, flags=re.DOTALL)


def test_the_palette_is_neutral_and_its_text_has_contrast():
    """WCAG 2.1, 1.4.3: 4.5 to 1 for text; the page adds no hue of its own beside the print's colours."""
    from importlib import resources

    css = resources.files("inkstrain.scoring.report").joinpath("page.css").read_text(encoding="utf-8")
    assert all(_neutral(colour) for colour in re.findall(r"#([0-9a-f]{3,6})\b", css))
    for block in re.findall(r":root \{(.*?)\}", css, re.DOTALL):
        named = dict(re.findall(r"--([a-z]+): #([0-9a-f]{3,6})\b", block))
        for text in ("ink", "soft"):
            for ground in ("page", "sheet"):
                assert _contrast(named[text], named[ground]) >= 4.5


def _channels(colour: str) -> list[int]:
    if len(colour) in (3, 4):
        return [int(c * 2, 16) for c in colour[:3]]
    return [int(colour[i : i + 2], 16) for i in (0, 2, 4)]


def _neutral(colour: str) -> bool:
    return len(set(_channels(colour))) == 1


def _contrast(one: str, other: str) -> float:
    # relative luminance of a neutral, WCAG 2.1
    light = []
    for colour in (one, other):
        value = _channels(colour)[0] / 255
        light.append(value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4)
    return (max(light) + 0.05) / (min(light) + 0.05)


def test_lab_becomes_srgb_as_published():
    # sRGB primaries for D50 (Bradford), from memory: red is L* 54.29, a* 80.81, b* 69.89, of luminance 0.2225. It lies
    # on the edge of sRGB (d = 1) and so is shown a tenth of the way to its grey: 0.9223, 0.0223, 0.0223 in linear light
    assert lab_to_srgb8([54.29, 80.81, 69.89]).tolist() == pytest.approx([246, 41, 41], abs=1)
    assert lab_to_srgb8([100.0, 0.0, 0.0]).tolist() == [255, 255, 255]
    # CIE 15: L* 50 is Y 0.1842, encoded 0.466 by IEC 61966-2-1
    assert lab_to_srgb8([50.0, 0.0, 0.0]).tolist() == pytest.approx([119, 119, 119], abs=1)


@pytest.mark.parametrize("hue", ["green", "cyan"])
def test_a_screen_draws_no_rim_into_an_even_fade(hue):
    """A fade moves on to its rim as shown; clipped channel by channel it stands still there, which is seen as a rim."""
    key = sample_key()
    ring = next(e for e in key.sheets[0].tiles[0].elements if e.id == f"ring-to-white-{hue}")
    xyz = lab_to_xyz(ring_lab(ring, RECIPE, np.linspace(*ring.ramp_mm, 200)))

    def slowest(rgb):
        """Lowest speed along the ramp over the mean speed."""
        speed = delta_e00(rgb_to_lab("srgb", rgb[1:]), rgb_to_lab("srgb", rgb[:-1]))
        return speed.min() / speed.mean()

    assert slowest(xyz_to_rgb("srgb", xyz)) == 0.0
    assert slowest(screen_rgb(xyz)) > 0.25
    assert screen_rgb(xyz).min() > 0.0


def test_hue_does_not_jump_at_360_and_is_absent_near_grey():
    angles = np.deg2rad([340.0, 350.0, 5.0, 20.0])
    lab = [(50.0, 40 * np.cos(t), 40 * np.sin(t)) for t in angles]
    hue = unwrapped_hue([(50.0, 1.0, 1.0), *lab], lab)
    assert hue[0] is None
    assert np.diff(hue[1:]) == pytest.approx([10.0, 15.0, 15.0])


def test_numbers_are_rounded_with_a_true_minus_and_without_minus_zero():
    assert number(-0.04) == "0.0"
    assert number(-1.25, 1) == "−1.2"
    assert number(None) == "not measured"


@pytest.mark.parametrize(
    ("value", "noise", "unit", "words"),
    [
        (3.217, 0.21, "ΔE00", "3.2 ± 0.4 ΔE00"),
        (9.3012, 0.007, "mm", "9.301 ± 0.014 mm"),
        (9.3012, 0.0101, "mm", "9.30 ± 0.02 mm"),
        (0.95, 0.0041, "", "0.950 ± 0.008"),
        (123.4, 23.0, "°", "120 ± 50°"),
        (9.3, None, "mm", "9.30 mm"),
        (None, 0.1, "mm", "not measured"),
    ],
)
def test_a_figure_has_no_more_digits_than_its_error_allows(value, noise, unit, words):
    """GUM (JCGM 100:2008) 7.2.6: one or two digits of an uncertainty, and the value to match it."""
    assert figure(value, noise, unit).replace("\u00a0", " ") == words


def test_what_is_within_its_own_error_is_none_shown():
    assert fault_figure(0.19, 0.1, "ΔE00") == "none shown"
    assert fault_figure(0.21, 0.1, "ΔE00") != "none shown"
    assert fault_figure(0.0, None, "ΔE00") == "none shown"


@pytest.mark.parametrize(
    ("flag", "words"),
    [
        ("low-resolution: 72 dpi; more is better", "low resolution: 72\u00a0dpi; more is better"),
        (Flag(code="low-resolution", text="72 dpi"), "low resolution: 72\u00a0dpi"),
        (Flag(code="sharpened", where="ring-to-white-red", text="sharpened"),
         "red to white: the scan looks sharpened, which exaggerates edges"),
        ("stripes: every 3.01 mm, ± 0.60 L*, 2 mmm", "stripes: every 3.01\u00a0mm, ±\u00a00.60\u00a0L*, 2 mmm"),
        ("paper-clipped", "paper clipped"),
        ("A sentence: with a colon", "A sentence: with a colon"),
    ],
)
def test_flags_are_readable(flag, words):
    assert flag_words(flag) == words


@pytest.mark.parametrize(
    ("a", "b", "word"), [(5, 0, "red"), (0, 5, "yellow"), (-5, 0, "green"), (0, -5, "blue"), (3, -3, "magenta")]
)
def test_casts_are_named_by_their_direction(a, b, word):
    assert cast_direction(a, b) == word


def test_ticks_are_round_and_inside():
    assert ticks(0, 100, 4) == [0, 50, 100]
    assert ticks(-2.3, 2.3, 4) == [-2, 0, 2]
    assert ticks(0, 1, 5) == pytest.approx([0, 0.2, 0.4, 0.6, 0.8, 1.0])
