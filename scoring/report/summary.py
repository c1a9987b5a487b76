"""The summary that a photographer reads first: plain sentences from a score, no arithmetic of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from inkstrain.scoring.health import ADVICE, stripes_of
from inkstrain.scoring.model import Cause, Contour, HueSweepScore, NeutralWedgeScore, RingScore, Score

from .gamutplot import volume_words
from .words import (
    EVEN,
    NOT_MEASURED,
    cast_direction,
    count_word,
    flag_words,
    in_reading_order,
    interval,
    is_seen,
    listed,
    number,
    ring_name,
    ring_state,
    strength,
)

__all__ = ["Paragraph", "Summary", "summarise"]


_NARROWEST_MM = 0.05  # what is narrower would read 0.0 mm
_HEALTH = ("head-banding", "missing-lines")  # flags of the printer's own state


@dataclass(frozen=True, slots=True)
class Paragraph:
    """One matter: a word or two, then sentences."""

    lead: str
    text: str


@dataclass(frozen=True, slots=True)
class Summary:
    """A headline and its paragraphs."""

    headline: str
    paragraphs: tuple[Paragraph, ...]


def summarise(score: Score) -> Summary:
    """Return the summary of a score."""
    rings = in_reading_order(score.rings())
    found: list[Paragraph | None] = [
        _as_stated(score),
        _printer(score),
        _breaks(rings),
        _merged_tones(rings),
        _even_fades(rings),
        _quiet_faults(rings),
        _neutral(score),
        _hues(score),
        _volume(score),
        _causes(score),
        _scan(score),
        _not_told(score, rings),
    ]
    return Summary(headline=_headline(rings), paragraphs=tuple(p for p in found if p is not None))


def _headline(rings: Sequence[RingScore]) -> str:
    if not rings:
        return "No ring was measured on this print."
    broken = sum(any(is_seen(c) for c in ring.contours) for ring in rings)
    flat = sum(bool(ring.flat_bands) for ring in rings)
    total = count_word(len(rings))
    if not broken and not flat:
        return f"None of the {total} fades breaks or goes flat." if len(rings) > 1 else "The fade does not break."
    of_all = f"of the {total} fades"
    lose = f"{'loses' if flat == 1 else 'lose'} tones along the way"
    # "visible" is only said where it is known
    seen = "" if any(c.visibility_jnd is None for ring in rings for c in ring.contours) else "visible "
    if not broken:
        sentence = f"{count_word(flat)} {of_all} {lose}."
    else:
        sentence = f"{count_word(broken)} {of_all} {'breaks' if broken == 1 else 'break'} into a {seen}ring"
        sentence += f", and {count_word(flat)} {lose}." if flat else "."
    return _sentence(sentence)


def _as_stated(score: Score) -> Paragraph | None:
    return Paragraph("As stated", score.printed_as.text) if score.printed_as is not None else None


def _volume(score: Score) -> Paragraph | None:
    return Paragraph("Colour volume", volume_words(score.colour_volume)) if score.colour_volume is not None else None


def _causes(score: Score) -> Paragraph | None:
    counts = score.totals.by_cause
    if not counts:
        return None
    told = []
    words_of: dict[Cause, str] = {"profile": "already in what the profile promised", "print": "added by the print"}
    for cause, words in words_of.items():
        found = counts[cause]
        kinds = ((found.contours, "contour"), (found.flat_bands, "flat band"), (found.hue_swings, "hue swing"))
        named = [f"{count_word(n)} {kind}{'' if n == 1 else 's'}" for n, kind in kinds if n]
        if named:
            told.append(f"{listed(named)} {words}")
    return Paragraph("Cause", _sentence("; ".join(told))) if told else None


def _wide(contour: Contour) -> str:
    limit = contour.width_limit_mm
    if contour.width_mm < _NARROWEST_MM or (limit is not None and contour.width_mm <= limit):
        return "hard-edged"
    return f"{number(contour.width_mm, 1, 'mm')} wide"


def _breaks(rings: Sequence[RingScore]) -> Paragraph | None:
    seen = [(ring, c) for ring in rings for c in ring.contours if is_seen(c)]
    faint = sum(not is_seen(c) for ring in rings for c in ring.contours)
    if not seen and not faint:
        return Paragraph("Rings", "No jump of colour was found in any fade.") if rings else None
    seen.sort(key=lambda pair: -pair[1].contrast_de00)
    sentences = []
    if seen:
        items = [
            f"{ring_name(ring)}, {number(c.radius_mm, 1, 'mm')} from the centre and {_wide(c)} ({strength(c)})"
            for ring, c in seen[:4]
        ]
        sentences.append("Strongest first: " + "; ".join(items) + ".")
        if len(seen) > 4:
            sentences.append(f"{len(seen) - 4} more are listed below.")
        causes = {c.cause for _, c in seen}
        if causes == {"profile"}:
            sentences.append("All of them are already in what the printer profile promised.")
        elif causes == {"print"}:
            sentences.append("None of them is in what the printer profile promised: they arose in printing.")
    if faint:
        verb = "is" if faint == 1 else "are"
        sentences.append(f"{count_word(faint).capitalize()} more {verb} measurable but too faint to see.")
    return Paragraph("Rings", " ".join(sentences))


def _merged_tones(rings: Sequence[RingScore]) -> Paragraph | None:
    bands = [(ring, band) for ring in rings for band in ring.flat_bands]
    if not bands:
        return None
    bands.sort(key=lambda pair: -pair[1].width_mm)
    items = [
        f"{ring_name(ring)} stands still over {number(band.width_mm, 1, 'mm')} "
        f"({interval(band.inner_mm, band.outer_mm)} from the centre)"
        for ring, band in bands[:4]
    ]
    more = f" {len(bands) - 4} more are listed below." if len(bands) > 4 else ""
    return Paragraph("Merged tones", _sentence("; ".join(items)) + more)


def _even_fades(rings: Sequence[RingScore]) -> Paragraph | None:
    even = [ring for ring in rings if ring_state(ring)[0] == "even"]
    if not even:
        return Paragraph("Even fades", "No fade is even from end to end.") if rings else None
    if len(even) == len(rings):
        return Paragraph("Even fades", "Every fade is even from end to end.")
    by_end = []
    for kind, end in (("ring-to-white", "white"), ("ring-to-black", "black")):
        hues = [ring.hue for ring in even if ring.kind == kind]
        if hues:
            by_end.append(f"{listed(hues)} to {end}")
    worst = min((r for r in rings if r.evenness is not None), key=lambda r: r.evenness or 0.0)
    text = f"From end to end: {'; '.join(by_end)}."
    if worst.evenness is not None and worst.evenness < EVEN:
        text += f" The least even is {ring_name(worst)}."
    return Paragraph("Even fades", text)


def _quiet_faults(rings: Sequence[RingScore]) -> Paragraph | None:
    sentences = []
    swings = [(ring, s) for ring in rings for s in ring.hue_swings]
    if swings:
        ring, swing = max(swings, key=lambda pair: abs(pair[1].degrees))
        names = listed(sorted({ring_name(r) for r, _ in swings}))
        sentences.append(
            f"The hue leaves its course in {names}, by up to {number(abs(swing.degrees), 0, '°')} "
            f"at {number(swing.radius_mm, 1, 'mm')} in {ring_name(ring)}."
        )
    reversals = [(ring, r) for ring in rings for r in ring.reversals]
    if reversals:
        names = listed(sorted({ring_name(ring) for ring, _ in reversals}))
        sentences.append(f"Lightness runs backwards for a stretch in {names}.")
    ripples = {
        ring_name(ring) for ring in rings for r in ring.ripples if r.visibility_jnd is None or r.visibility_jnd >= 1
    }
    if ripples:
        sentences.append(f"Shallow waves that an eye may catch run through {listed(sorted(ripples))}.")
    return Paragraph("Other departures", " ".join(sentences)) if sentences else None


def _neutral(score: Score) -> Paragraph | None:
    wedges = [e for e in score.elements if isinstance(e, NeutralWedgeScore)]
    if not wedges:
        return None
    return Paragraph("Black and white", " ".join(_wedge_sentences(wedges[0])))


def _wedge_sentences(wedge: NeutralWedgeScore) -> list[str]:
    total = len(wedge.steps)
    if wedge.monotonic and not wedge.breaks:
        sentences = [f"All {total} steps of the neutral scale climb."]
    else:
        places = listed([f"{b.after_step} and {b.after_step + 1}" for b in wedge.breaks[:4]])
        between = f" between steps {places}" if wedge.breaks else ""
        sentences = [f"The neutral scale of {total} steps does not climb everywhere: it stops or turns{between}."]
    lightness = {step.step: step.intended_l for step in wedge.steps}
    for what, first in (("shadows", wedge.first_from_black), ("highlights", wedge.first_from_white)):
        end = "black" if what == "shadows" else "white"
        if first is None:
            sentences.append(f"In the {what} no step could be told from {end}.")
        elif first in lightness:
            sentences.append(
                f"In the {what} the first step that can be told from {end} is the one asked for at "
                f"L* {number(lightness[first], 0)}."
            )
    cast = wedge.cast
    if cast.max_c < 1.0:
        sentences.append("It is neutral to within what most eyes notice.")
    else:
        direction = cast_direction(cast.a_at_max, cast.b_at_max)
        sentences.append(
            f"Its strongest cast leans towards {direction}, {number(cast.max_c, 1)} C* at step {cast.at_step}."
        )
    return sentences


def _hues(score: Score) -> Paragraph | None:
    rows = [row for e in score.elements if isinstance(e, HueSweepScore) for row in e.rows]
    if not rows:
        return None
    sentences = []
    broken = [row for row in rows if row.order_breaks]
    if broken:
        names = listed([f"the {row.level} row" for row in broken])
        sentences.append(f"Neighbouring hues change places in {names}.")
    else:
        sentences.append("The order of hues is kept all round the circle.")
    merged = [(row, m) for row in rows for m in row.merged]
    if merged:
        row, widest = max(merged, key=lambda pair: (pair[1].to_deg - pair[1].from_deg) % 360)
        span = (widest.to_deg - widest.from_deg) % 360
        sentences.append(
            f"{count_word(len(merged)).capitalize()} stretch{'es' if len(merged) > 1 else ''} of hues came out as one "
            f"colour, the widest {number(span, 0, '°')} of the circle in the {row.level} row."
        )
    return Paragraph("Hues", " ".join(sentences))


def _printer(score: Score) -> Paragraph | None:
    """What belongs to the machine and not to the fades: stripes of the head's passes, lines without ink."""
    flags = [flag for flag in score.flags if flag.startswith(_HEALTH)]
    if flags:
        # each flag ends with the same advice, which is said once
        told = [flag.removesuffix(f"; {ADVICE}") for flag in flags]
        advice = [ADVICE] if told != flags else []
        return Paragraph("Printer", " ".join(_sentence(flag_words(words)) for words in (*told, *advice)))
    striped = stripes_of(score.elements)
    if not striped:
        return None
    worst = max(striped, key=lambda b: b.amplitude_l)
    way = f" {worst.direction} the sheet" if worst.direction else ""
    return Paragraph(
        "Stripes",
        f"Straight stripes about {number(worst.period_mm, 1, 'mm')} apart{way}, up to "
        f"±\u00a0{number(worst.amplitude_l, 1, 'L*')}, run through {count_word(len(striped))} of the figures; they "
        "belong to the print head’s passes, not to the fades.",
    )


def _scan(score: Score) -> Paragraph | None:
    flags = dict.fromkeys(flag for tile in score.tiles for flag in tile.flags)
    if not flags:
        return None
    words = "; ".join(flag_words(flag) for flag in flags)
    return Paragraph("About the scan", _sentence(words))


def _not_told(score: Score, rings: Sequence[RingScore]) -> Paragraph | None:
    sentences = []
    if score.colour_basis.kind == "assumed":
        sentences.append(
            "How far the colours are from what was asked: this scan has no colour profile, so widths, order and "
            "evenness stand, and colour differences are only indicative."
        )
    if score.colour_basis.kind == "borrowed":
        sentences.append(
            "How far the colours are from what was asked: the scanner was fitted to a printer profile's word, so "
            "widths, order and differences between prints stand, and absolute colours are only indicative."
        )
    if score.colour_basis.foreign:
        sentences.append(
            "How far the colours are from what was asked: the scanner fit is another paper's or ink's, so widths, "
            "order and evenness stand, and colours may be wrong by several times the fit's own error."
        )
    missing = [ring_name(ring) for ring in rings if ring.evenness is None]
    if missing:
        sentences.append(f"The evenness of {listed(missing)} was {NOT_MEASURED}.")
    if any(c.visibility_jnd is None for ring in rings for c in ring.contours):
        sentences.append("Whether some of the rings would be seen at a usual distance.")
    if not any(ring.profile.attainable_lab for ring in rings) and any(r.contours for r in rings):
        sentences.append("Whether profile or printer made the rings: no printer profile was given.")
    # what does not look as stated, and a printer that is not healthy, are said above
    said = ("not-as-stated", *_HEALTH)
    sentences += [_sentence(flag_words(flag)) for flag in score.flags if not flag.startswith(said)]
    return Paragraph("Could not be told", " ".join(sentences)) if sentences else None


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:].rstrip(".") + "."
