"""From a score to one HTML file that needs nothing else."""

from __future__ import annotations

import base64
import functools
import hashlib
import re
from collections.abc import Iterable, Mapping
from importlib import resources
from typing import Any, Protocol

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from inkstrain.targets.key import Key

from ..judge.judge import Finding, Verdict
from ..results.crops import Crop
from ..results.score import Score
from ..words.phrases import element_name, limit_words, listed, print_name, unbroken
from .geometry import key_of
from .view import build_view

__all__ = ["HasScore", "rendered", "report_html"]


class HasScore(Protocol):
    """What measuring returns: a score with its crops."""

    @property
    def score(self) -> Score:
        """The score."""

    @property
    def crops(self) -> Mapping[str, Crop]:
        """Crops by element id."""


def report_html(
    measured: Score | HasScore,
    crops: Mapping[str, Crop] | None = None,
    verdict: Verdict | None = None,
    *,
    key: Key | None = None,
    title: str | None = None,
) -> str:
    """Return the report of one print as a self-contained HTML page.

    Parameters
    ----------
    measured : Score or an object with ``score`` and ``crops``
        As measured, or a kept score read back.
    crops : mapping of element id to Crop, optional
        Taken from ``measured`` if not given. Fades without a crop are redrawn from their courses.
    verdict : Verdict, optional
        Shown beside the summary.
    key : Key, optional
        Regenerated from the score's recipe if not given.
    title : str, optional
        The page's heading; made from the conditions if not given.

    Returns
    -------
    str
        HTML with inline style, SVG and ``data:`` pictures: no script, nothing from elsewhere. The same
        arguments give the same text.

    Raises
    ------
    ValueError
        If ``key`` is of another chart: marks would be drawn in the wrong places.
    """
    score = measured if isinstance(measured, Score) else measured.score
    if crops is None:
        crops = {} if isinstance(measured, Score) else measured.crops
    if key is not None and key.chart != score.chart:
        raise ValueError(f"key is of chart {key.chart}, the score of chart {score.chart}")
    view = build_view(score, crops, key or key_of(score), verdict)
    return rendered(
        "report.html",
        view=view,
        title=title or print_name(score.conditions),
        findings=_by_element(verdict.findings) if verdict is not None else (),
        doubtful=_by_element(verdict.within_error) if verdict is not None else (),
        not_judged=_by_reason(verdict) if verdict is not None else (),
    )


def rendered(template: str, **values: Any) -> str:
    """Render one of the package's templates; everything that is not markup is escaped."""
    css = _text("page.css")
    source = _text(template)
    # only scripts of this package run: the page's policy names them by their hash
    hashes = [_hash(name) for name in re.findall(r'script\("([a-z.]+)"\)', source)]
    return _environment().get_template(template).render(
        css=Markup(css), scripts=Markup(" ".join(hashes)), script=_script, **values
    )


def _text(name: str) -> str:
    return resources.files(__package__).joinpath(name).read_text(encoding="utf-8")


def _script(name: str) -> Markup:
    return Markup(f"<script>{_text(name)}</script>")


def _hash(name: str) -> str:
    digest = hashlib.sha256(_text(name).encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


@functools.cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader(__package__, ""),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _by_element(findings: Iterable[Finding]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    texts: dict[str, list[str]] = {}
    for finding in findings:
        texts.setdefault(element_name(finding.element), []).append(unbroken(finding.text))
    return tuple((name, tuple(lines)) for name, lines in texts.items())


def _by_reason(verdict: Verdict) -> tuple[tuple[str, str], ...]:
    """What was not judged, by reason: the same limit on sixteen fades is said once."""
    by_reason: dict[str, list[str]] = {}
    for item in verdict.not_judged:
        words = limit_words(item.measure)
        names = by_reason.setdefault(item.text, [])
        if words not in names:
            names.append(words)
    return tuple((reason, listed(names)) for reason, names in by_reason.items())
