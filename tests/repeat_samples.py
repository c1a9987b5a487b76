"""Comparisons of imaginary prints, drawn from what 40 rehearsed scans of 20 prints really read (`repeats.json`).

A print's element takes all its readings from one rehearsed print, drawn by lot, and a scan from one of its scans, so
that findings come and go, and hang together, as they did. Colours drift as the rehearsed prints' did.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
from score_samples import score

from inkstrain.scoring.comparable import Reading
from inkstrain.scoring.compare import tested_rows
from inkstrain.scoring.sides import Side


@cache
def measured(preset: str) -> dict:
    return json.loads(Path(__file__).with_name("repeats.json").read_text(encoding="utf-8"))[preset]


@cache
def _by_element(preset: str) -> dict[str, list[tuple[tuple[str, str], list]]]:
    grouped: dict[str, list] = {}
    for key, values in measured(preset)["rows"].items():
        element, measure = key.split("/")
        grouped.setdefault(element, []).append(((element, measure), values))
    return grouped


@cache
def _blank():
    return score()


def imagined(preset: str, prints: int, scans: int, draw: np.random.Generator, shift=None) -> Side:
    """Return one side: prints of one virtual printer, each scanned so often; ``shift`` adds to rows by key."""
    readings: list[dict] = []
    zones: list[dict] = []
    held = measured(preset)
    colours = held["colours"]
    mean, drift, noise = (np.array(colours[name]) for name in ("mean", "drift", "noise"))
    for _ in range(prints):
        colour = mean + draw.standard_normal(len(drift)) @ drift
        chosen = {
            element: int(draw.integers(len(rows[0][1]))) for element, rows in _by_element(preset).items()
        }  # fmt: skip
        for _ in range(scans):
            one = {}
            for element, rows in _by_element(preset).items():
                which = int(draw.integers(len(rows[0][1][0])))
                for key, values in rows:
                    reading = values[chosen[element]][which]
                    if reading is not None:
                        value, error, hidden = reading
                        more = (shift or {}).get(key, 0.0)
                        # a finding that grows is found
                        hidden = 0.0 if more else hidden
                        one[key] = Reading(value=value + more, standard_error=error, hidden_below=hidden)
            readings.append(one)
            seen = colour + noise * draw.standard_normal(len(noise))
            parts, start = {}, 0
            for name, count in colours["elements"].items():
                parts[name] = seen[start : start + 3 * count].reshape(count, 3)
                start += 3 * count
            zones.append(parts)
    places = np.arange(prints * scans).reshape(prints, scans)
    return Side(
        scores=(_blank(),) * (prints * scans),
        prints=tuple(tuple(int(i) for i in row) for row in places),
        readings=tuple(readings),
        zones=tuple(zones),
    )


def claims(preset: str, prints: int, scans: int, draw: np.random.Generator) -> list[tuple[str, str]]:
    """Return what is claimed between two prints (or sets of prints) of one virtual printer: all of it false."""
    sides = (imagined(preset, prints, scans, draw), imagined(preset, prints, scans, draw))
    rows, colours = tested_rows(sides, ())
    claimed = [(row.element, row.measure) for row in rows if row.verdict in ("first", "second")]
    return claimed + [(row.element, "colour") for row in colours if row.verdict == "moved"]


MOVED = ("worst_contour", "widest_flat_band", "evenness", "reach", "core", "mean_cast", "chroma_full", "black_l")


def found(preset: str, prints: int, scans: int, draw: np.random.Generator, times: float = 1.5) -> tuple[str, bool]:
    """Return a measure by lot, and whether a true difference of so many times its smallest showable is found."""
    state = draw.bit_generator.state
    sides = [imagined(preset, prints, scans, draw) for _ in range(2)]
    rows, _ = tested_rows(sides, ())
    able = [row for row in rows if row.measure in MOVED]
    row = able[int(draw.integers(len(able)))]
    again = np.random.default_rng()
    again.bit_generator.state = state
    sides = [
        imagined(preset, prints, scans, again),
        imagined(preset, prints, scans, again, {(row.element, row.measure): times * row.smallest_showable}),
    ]
    rows, _ = tested_rows(sides, ())
    (now,) = [r for r in rows if (r.element, r.measure) == (row.element, row.measure)]
    worse = "first" if now.better == "lower" else "second"
    return row.measure, now.verdict == worse
