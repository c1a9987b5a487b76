"""The comparison page: as self-contained and harmless as the report, prints registered to each other."""

from __future__ import annotations

import re

import pytest
from report_samples import sample_print
from test_report import HOSTILE, MOST_BYTES, outline, svgs

from inkstrain import compare
from inkstrain.scoring.report import compare_html
from inkstrain.scoring.results.score import Conditions


@pytest.fixture(scope="module")
def pair():
    first = sample_print(1.0)
    second = sample_print(0.2, conditions=Conditions(printer="The small one", intent="perceptual"))
    return first, second


@pytest.fixture(scope="module")
def html(pair) -> str:
    (a, crops_a, _), (b, crops_b, _) = pair
    return compare_html(compare([a], [b], labels=("large", "small")), (a, b), (crops_a, crops_b))


def test_the_page_is_balanced_small_and_asks_nothing_from_elsewhere(html):
    page = outline(html)
    assert page.headings.count(1) == 1
    assert not re.search(r"https?:|//[a-z]", re.sub(r"data:image/[a-z]+;base64,[A-Za-z0-9+/=]+", "", html))
    assert [tag for tag, _ in page.tags].count("script") == 2
    policy = next(a["content"] for t, a in page.tags if a.get("http-equiv") == "Content-Security-Policy")
    assert len(re.findall(r"'sha256-[A-Za-z0-9+/=]+'", policy)) == 2
    assert len(html.encode()) < 1.5 * MOST_BYTES


def test_ids_are_unique_and_drawings_have_titles(html):
    ids = [attributes["id"] for _, attributes in outline(html).tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    assert all(drawing[0].tag == "title" and drawing[0].text for drawing in svgs(html))


def test_the_same_ring_of_each_print_is_shown_at_the_same_scale(html):
    pictures = {d.get("id"): d for d in svgs(html) if d.get("class") == "ring-picture"}
    assert len(pictures) == 32
    for n in range(1, 17):
        one, two = pictures[f"ring-{n}-1-crop"], pictures[f"ring-{n}-2-crop"]
        assert one.get("viewBox").split()[2:] == two.get("viewBox").split()[2:]


def test_every_row_and_every_sentence_of_the_comparison_is_on_the_page(pair):
    (a, crops_a, _), (b, crops_b, _) = pair
    comparison = compare([a], [b], labels=("large", "small"))
    page = compare_html(comparison, (a, b), (crops_a, crops_b))
    rows = (*comparison.totals, *comparison.rows)
    assert page.count('<td class="outcome') == len(rows)
    won = sum(row.verdict == "second" for row in rows)
    assert won > 0
    assert page.count('<td class="outcome">small is better') == won
    from markupsafe import escape

    assert all(str(escape(sentence)) in page for sentence in (comparison.headline, *comparison.summary))
    assert all(str(escape(point.what)) in page for point in comparison.fairness)


def test_long_labels_give_way_to_numbers_in_tables(pair):
    (a, _, _), (b, _, _) = pair
    labels = ("a label far too long for the head of a table", "small")
    page = compare_html(compare([a], [b], labels=labels), (a, b), ({}, {}))
    assert "print 1 is better" in page or "small is better" in page
    assert f'class="n">1: {labels[0]}' not in page


def test_hostile_words_stay_words(pair):
    (a, crops_a, _), (b, crops_b, _) = pair
    words = Conditions(printer=HOSTILE, note=HOSTILE)
    a = a.model_copy(update={"conditions": words})
    page = compare_html(compare([a], [b], labels=(HOSTILE, "small")), (a, b), (crops_a, crops_b))
    assert [tag for tag, _ in outline(page).tags].count("script") == 2
    assert "<img src=x" not in page


def test_sides_that_do_not_match_are_refused(pair):
    (a, crops_a, _), (b, _, _) = pair
    with pytest.raises(ValueError, match="do not match"):
        compare_html(compare([a], [b]), (a, b), (crops_a,))
