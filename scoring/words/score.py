"""The summary that a photographer reads first: plain sentences from a score, no arithmetic of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..judge.health import ADVICE
from ..measure.banding import stripes_of
from ..results.figures import NOT_MEASURED, brief, fault_figure, interval, number
from ..results.score import Cause, Contour, Estimate, HueSweepScore, NeutralWedgeScore, RingScore, Score, Totals
from .phrases import (
    EVEN,
    cast_direction,
    count_word,
    eye_words,
    flag_words,
    in_reading_order,
    is_seen,
    listed,
    ring_name,
    ring_state,
    ring_word,
    unbroken,
    volume_words,
)

__all__ = ["Paragraph", "Summary", "summarise", "totals_words"]

_HEALTH = ("head-banding", "missing-lines")  # flags of the printer's own state


@dataclass(frozen=True, slots=True)
class Paragraph:
    """One matter: a word or two, then sentences."""

    lead: str
    text: str


@dataclass(frozen=True, slots=True)
class Summary:
    """A headline, the totals in a line (empty without fades), and paragraphs."""

    headline: str
    totals: str
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
        _not_known(score, rings),
    ]
    return Summary(
        headline=_headline(rings),
        totals=totals_words(score.totals) if rings else "",
        paragraphs=tuple(Paragraph(p.lead, unbroken(p.text)) for p in found if p is not None),
    )


def totals_words(totals: Totals) -> str:
    """Return in a line how much rings and merged tones come to, over the fades to white and to black."""
    rings = _ends(totals.excess_to_white, totals.excess_to_black)
    merged = _ends(totals.missing_to_white, totals.missing_to_black)
    return f"Rings: {rings} beyond an even fade. Merged tones: {merged} missing."


def _ends(white: Estimate | None, black: Estimate | None) -> str:
    known = [(end, estimate) for end, estimate in (("white", white), ("black", black)) if estimate is not None]
    return ", ".join(f"to {end} {fault_figure(e.value, e.noise, 'ΔE00')}" for end, e in known) or NOT_MEASURED


def _headline(rings: Sequence[RingScore]) -> str:
    if not rings:
        return "No fade was measured on this print."
    broken = sum(any(is_seen(c) for c in ring.contours) for ring in rings)
    flat = sum(bool(ring.flat_bands) for ring in rings)
    total = count_word(len(rings))
    if not broken and not flat:
        faint = sum(bool(ring.faint_rings) for ring in rings)
        but = f", but {count_word(faint)} {'shows' if faint == 1 else 'show'} a faint ring" if faint else ""
        whole = f"None of the {total} fades breaks or" if len(rings) > 1 else "The fade neither breaks nor"
        return f"{whole} loses tones{but}."
    of_all = f"of the {total} fades"
    lose = f"{'loses' if flat == 1 else 'lose'} tones along the way"
    # "visible" is only said where it is known
    seen = "" if any(c.visibility is None for ring in rings for c in ring.contours) else "visible "
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
    said = []
    words_of: dict[Cause, str] = {
        "profile": "already in what the profile promised",
        "print": "added by the print",
        "both": "partly promised, partly added by the print",
    }
    for cause, words in words_of.items():
        found = counts[cause]
        kinds = (
            (found.contours, "ring"),
            (found.flat_bands, "stretch of merged tones"),
            (found.faint_rings, "faint ring"),
            (found.hue_swings, "hue swing"),
        )
        named = [f"{count_word(n)} {kind if n == 1 else _plural(kind)}" for n, kind in kinds if n]
        if named:
            said.append(f"{listed(named)} {words}")
    return Paragraph("Cause", _sentence("; ".join(said))) if said else None


def _plural(kind: str) -> str:
    return kind.replace("stretch", "stretches") if kind.startswith("stretch") else f"{kind}s"


def _wide(contour: Contour, resolution_mm: float | None) -> str:
    if ring_word(contour, resolution_mm) == "edge":
        return "a hard edge"
    return f"{number(contour.width_mm, 1, 'mm')} wide"


def _breaks(rings: Sequence[RingScore]) -> Paragraph | None:
    seen = [(ring, c) for ring in rings for c in ring.contours if is_seen(c)]
    unseen = sum(not is_seen(c) for ring in rings for c in ring.contours)
    faint = [(ring, f) for ring in rings for f in ring.faint_rings]
    if not seen and not unseen and not faint:
        return Paragraph("Rings", "No jump of colour was found in any fade.") if rings else None
    seen.sort(key=lambda pair: -pair[1].excess_de00)
    sentences = []
    if seen:
        items = [
            f"{ring_name(ring)}, {number(c.radius_mm, 1, 'mm')} from the centre, {_wide(c, ring.resolution_mm)}, "
            f"{eye_words(c)} ({brief(c.excess_de00, c.noise_de00, 'ΔE00')})"
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
    if unseen:
        sentences.append(f"{count_word(unseen).capitalize()} more can be measured and may well not be seen.")
    if faint:
        ring, strongest = max(faint, key=lambda pair: pair[1].visibility)
        names = list(dict.fromkeys(ring_name(r) for r, _ in faint))
        where = listed(names) if len(names) < 4 else f"{count_word(len(names))} fades"
        sentences.append(
            f"Faint rings lie in {where}, the most visible in {ring_name(ring)} at "
            f"{number(strongest.radius_mm, 1, 'mm')} ({eye_words(strongest)} to the eye)."
        )
    return Paragraph("Rings", " ".join(sentences))


def _merged_tones(rings: Sequence[RingScore]) -> Paragraph | None:
    bands = [(ring, band) for ring in rings for band in ring.flat_bands]
    if not bands:
        return None
    bands.sort(key=lambda pair: -pair[1].missing_de00)
    items = [
        f"{ring_name(ring)}, {interval(band.inner_mm, band.outer_mm)} from the centre "
        f"({brief(band.missing_de00, band.noise_de00, 'ΔE00')})"
        for ring, band in bands[:4]
    ]
    more = f" {len(bands) - 4} more are listed below." if len(bands) > 4 else ""
    return Paragraph("Merged tones", f"Most missing first: {'; '.join(items)}.{more}")


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
        ring, swing = max(swings, key=lambda pair: abs(pair[1].delta_h))
        names = listed(sorted({ring_name(r) for r, _ in swings}))
        sentences.append(
            f"The hue leaves its course in {names}, by up to ΔH {number(abs(swing.delta_h))} "
            f"({number(abs(swing.degrees), 0, '°')}) at {number(swing.radius_mm, 1, 'mm')} in {ring_name(ring)}."
        )
    reversals = [(ring, r) for ring in rings for r in ring.reversals]
    if reversals:
        names = listed(sorted({ring_name(ring) for ring, _ in reversals}))
        sentences.append(f"Lightness runs backwards for a stretch in {names}.")
    ripples = {ring_name(ring) for ring in rings for r in ring.ripples if is_seen(r)}
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
    if not wedge.merged and not wedge.breaks:
        sentences = [f"All {total} steps of the neutral scale climb."]
    else:
        sentences = []
        if wedge.merged:
            merged = listed([str(step) for step in wedge.merged[:6]])
            more = f" and {len(wedge.merged) - 6} more" if len(wedge.merged) > 6 else ""
            sentences.append(
                f"Of the {total} steps of the neutral scale {count_word(len(wedge.merged))} cannot be seen apart from "
                f"the one before ({merged}{more})."
            )
        if wedge.breaks:
            places = listed([f"{b.after_step} to {b.after_step + 1}" for b in wedge.breaks[:4]])
            sentences.append(f"The neutral scale runs back from step {places}.")
    lightness = {step.step: step.intended_l for step in wedge.steps}
    for what, first in (("shadows", wedge.first_from_black), ("highlights", wedge.first_from_white)):
        end = "black" if what == "shadows" else "white"
        if first is None:
            sentences.append(f"In the {what} no step is seen apart from {end}.")
        elif first in lightness:
            sentences.append(
                f"In the {what} the first step seen apart from {end} is the one asked for at "
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
    flags = [flag for flag in score.flags if flag.code in _HEALTH]
    if flags:
        # each flag ends with the same advice, which is said once
        signs = [flag_words(flag).removesuffix(f"; {ADVICE}") for flag in flags]
        advice = [ADVICE] if any(flag.text.endswith(ADVICE) for flag in flags) else []
        return Paragraph("Printer", " ".join(_sentence(words) for words in (*signs, *advice)))
    striped = stripes_of(score.elements)
    if not striped:
        return None
    worst = max(striped, key=lambda b: b.amplitude_l)
    way = f" {worst.direction} the sheet" if worst.direction else ""
    return Paragraph(
        "Stripes",
        f"Straight stripes about {number(worst.period_mm, 1, 'mm')} apart{way}, of an amplitude up to "
        f"{number(worst.amplitude_l, 1, 'L*')}, run through {count_word(len(striped))} of the figures; they "
        "belong to the print head’s passes, not to the fades.",
    )


def _scan(score: Score) -> Paragraph | None:
    flags = dict.fromkeys(flag for tile in score.tiles for flag in tile.flags)
    if not flags:
        return None
    words = "; ".join(flag_words(flag) for flag in flags)
    return Paragraph("About the scan", _sentence(words))


def _not_known(score: Score, rings: Sequence[RingScore]) -> Paragraph | None:
    sentences = []
    if score.colour_basis.kind == "assumed":
        sentences.append(
            "How far the colours are from what was asked: how this scanner sees is not known, so widths, order and "
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
    if any(c.visibility is None for ring in rings for c in ring.contours):
        sentences.append("Whether some of the rings would be seen: how visible they are is within its own error.")
    if not any(ring.course.attainable_lab for ring in rings) and any(r.contours for r in rings):
        sentences.append("Whether profile or printer made the rings: no printer profile was given.")
    # what does not look as stated, and a printer that is not healthy, are said above
    said = ("not-as-stated", *_HEALTH)
    sentences += [_sentence(flag_words(flag)) for flag in score.flags if flag.code not in said]
    return Paragraph("Not known", " ".join(sentences)) if sentences else None


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:].rstrip(".") + "."
