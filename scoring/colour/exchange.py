"""Measured values as ISO 28178 exchange text (CGATS): read from any instrument's export, and written.

Keywords are ISO 28178's as far as they are published openly: SAMPLE_ID, LAB_L, XYZ_X, NUMBER_OF_FIELDS,
BEGIN_DATA_FORMAT and so on; for spectral columns, whose spelling differs, any that ends in a wavelength. Comments,
tabs, any line ends, any order of columns, quoted names and several tables are read. Nothing is guessed: what could
mean two things is refused.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from inkstrain.targets.colorimetry import xyz_to_lab
from inkstrain.targets.errors import CannotMeasureError, WrongUsageError
from inkstrain.targets.key import Key, PatchField

__all__ = ["CONDITIONS", "Quantity", "Readings", "exchange_text", "patch_name", "read_exchange", "reference_text"]

Array = NDArray[np.float64]
Quantity = Literal["spectral", "xyz", "lab"]

CONDITIONS: Final = ("M0", "M1", "M2", "M3")
"""Measurement conditions of ISO 13655: light A, light D50, without UV, with crossed polarisers."""

_LARGEST_BYTES: Final = 32 * 2**20
_ID_COLUMNS: Final = ("SAMPLE_ID", "SAMPLE_NAME", "SAMPLE_LOC", "SAMPLEID", "SAMPLENAME", "STRING")
_COLUMNS: Final[dict[Quantity, tuple[str, str, str]]] = {
    "xyz": ("XYZ_X", "XYZ_Y", "XYZ_Z"),
    "lab": ("LAB_L", "LAB_A", "LAB_B"),
}
_WAVELENGTH: Final = re.compile(r"(?:SPECTRAL|SPEC|NM|R|REFLECTANCE)[_ ]?(?:NM|PCT|DEC)?[_ ]?(\d{3})(?:\.0+)?(?:NM)?")
_TOKEN: Final = re.compile(r'"((?:[^"]|"")*)"|([^\s"]+)')
_POINT: Final = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_COMMA: Final = re.compile(r"[+-]?\d+,\d+(?:[eE][+-]?\d+)?")
_FRACTION_MOST: Final = 1.6  # brighteners lift a reflectance factor above 1
_PERCENT_LEAST: Final = 10.0
_AGAIN: Final = (
    "Export the measurement again, as ISO 28178 (CGATS) text with SAMPLE_ID and Lab, XYZ or spectral columns."
)
_STATED: Final = (
    "INSTRUMENTATION", "MEASUREMENT_SOURCE", "MEASUREMENT_CONDITION", "MEASUREMENT_GEOMETRY", "APERTURE", "FILTER",
    "SAMPLE_BACKING",
)  # fmt: skip
_CONDITION_KEYS: Final = ("MEASUREMENT_CONDITION", "MEASUREMENT_SOURCE", "FILTER")
_CONDITION: Final = re.compile(r"(?<![A-Z0-9])M[0-3](?![A-Z0-9.])")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Readings:
    """Measured colours.

    Attributes
    ----------
    names
        Columns of names that could be sample ids, each with one name a row.
    lab
        Absolute CIELAB for D50 and the 2° observer, (n, 3).
    quantity
        What the file held.
    stated
        What it says about the measurement, by keyword.
    notes
        What had to be interpreted, as sentences.
    """

    names: Mapping[str, tuple[str, ...]]
    lab: Array
    quantity: Quantity
    stated: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    def rows(self, wanted: Sequence[str]) -> dict[str, int]:
        """Return the row of each wanted patch that was measured, by the column of names that fits best."""
        known = {patch_name(name) for name in wanted}
        found: dict[str, int] = {}
        for column in self.names.values():
            rows = {patch_name(name): row for row, name in enumerate(column) if patch_name(name) in known}
            found = rows if len(rows) > len(found) else found
        return {name: found[patch_name(name)] for name in wanted if patch_name(name) in found}


def patch_name(text: str) -> str:
    """Return a sample's name in one spelling: no spaces, capitals, no zeros before a number (``a 01`` is ``A1``)."""
    return re.sub(r"(?<![\d.])0+(?=\d)", "", re.sub(r"\s+", "", text).upper())


@dataclass(slots=True)
class _Table:
    header: dict[str, str]
    fields: list[str]
    rows: list[list[str]]

    @property
    def condition(self) -> str | None:
        """What its header says of the measurement condition; nothing if it says nothing, or names several at once."""
        said = {name for key in _CONDITION_KEYS for name in _CONDITION.findall(self.header.get(key, "").upper())}
        return said.pop() if len(said) == 1 else None


def read_exchange(path: Path, condition: str | None = None) -> Readings:
    """Read a file of measured values.

    Parameters
    ----------
    condition
        Take only what was measured under this condition of `CONDITIONS`; needed where a file has several.

    Raises
    ------
    CannotMeasureError
        If it cannot be read, is no such text, or its values could mean more than one thing.
    WrongUsageError
        If there is no such condition.
    """
    tables = [table for table in _tables(path, _text(path)) if _names(table)]
    tables = _under(path, tables, condition)
    for quantity in ("spectral", "xyz", "lab"):
        chosen = [table for table in tables if _has(table, quantity)]
        if chosen:
            return _readings(path, chosen, quantity)
    if tables:
        raise CannotMeasureError(f"{path} has no complete set of Lab, XYZ or spectral columns. {_AGAIN}")
    raise CannotMeasureError(f"{path} has no table with sample ids. {_AGAIN}")


def _under(path: Path, tables: Sequence[_Table], condition: str | None) -> list[_Table]:
    """Return the tables of one measurement condition, and refuse a mixture."""
    if condition is not None and condition not in CONDITIONS:
        raise WrongUsageError(f"There is no measurement condition {condition!r}. Known are {', '.join(CONDITIONS)}.")
    found = {table.condition for table in tables if table.condition}
    listed = " and ".join(sorted(found))
    if condition is None and len(found) > 1:
        raise CannotMeasureError(
            f"{path} was measured under {listed}. Say with --condition which of them to take."
        )
    if condition is not None and condition not in found:
        raise CannotMeasureError(f"{path} says nothing of {condition}{f', only of {listed}' if found else ''}.")
    return [table for table in tables if condition in (None, table.condition)]


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            raise CannotMeasureError(f"{path} is larger than any file of measured values. {_AGAIN}")
        data = path.read_bytes()
    except OSError as error:
        raise CannotMeasureError(f"{path} cannot be read: {error.strerror}.") from error
    for encoding in ("utf-16",) if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "latin-1"):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise CannotMeasureError(f"{path} is not text. {_AGAIN}")


def _tokens(line: str) -> list[str]:
    """Return the words of a line; a comment ends it, and quotes keep a name with blanks together."""
    words = []
    for match in _TOKEN.finditer(line):
        if match[2] is not None and match[2].startswith("#"):
            break
        words.append(match[2] if match[2] is not None else match[1].replace('""', '"'))
        if match[2] is not None and "#" in match[2]:
            words[-1] = match[2].partition("#")[0]
            break
    return words


def _tables(path: Path, text: str) -> list[_Table]:
    tables: list[_Table] = []
    header: dict[str, str] = {}
    fields: list[str] = []
    state = ""
    for number, line in enumerate(re.split(r"\r\n|\r|\n", text), start=1):
        words = _tokens(line)
        word = words[0].upper() if words else ""
        if word in ("BEGIN_DATA_FORMAT", "BEGIN_DATA"):
            if state:
                raise CannotMeasureError(f"{path}, line {number}: {word} comes before {state} has ended. {_AGAIN}")
            state = word
            if word == "BEGIN_DATA":
                if not fields:
                    raise CannotMeasureError(f"{path}, line {number}: the data have no column names. {_AGAIN}")
                tables.append(_Table(header, fields, []))
            else:
                fields = []
            words = words[1:]
        if word in ("END_DATA_FORMAT", "END_DATA"):
            if word == "END_DATA" and tables:
                _check_counts(path, tables[-1])
                header = {key: text for key, text in header.items() if not key.startswith("NUMBER_OF_")}
            state, words = "", []
        if not words:
            continue
        if state == "BEGIN_DATA_FORMAT":
            fields += [name.upper() for name in words]
        elif state == "BEGIN_DATA":
            tables[-1].rows.append(words)
        else:
            header[word] = " ".join([header[word], *words[1:]] if word == "WEIGHTING_FUNCTION" in header else words[1:])
    if state:
        raise CannotMeasureError(f"{path} is cut short: {state.replace('BEGIN', 'END')} is missing. {_AGAIN}")
    return tables


def _check_counts(path: Path, table: _Table) -> None:
    """Refuse a table whose counts do not hold, and put rows that were broken into lines together."""
    width = len(table.fields)
    if len(set(table.fields)) < width:
        twice = next(name for name in table.fields if table.fields.count(name) > 1)
        raise CannotMeasureError(f"{path}: the column {twice} is there twice. {_AGAIN}")
    words = [word for row in table.rows for word in row]
    uneven = [row for row in table.rows if len(row) != width]
    stated = {key: table.header.get(key, "") for key in ("NUMBER_OF_FIELDS", "NUMBER_OF_SETS")}
    if uneven and stated["NUMBER_OF_SETS"].isdigit() and len(words) == width * int(stated["NUMBER_OF_SETS"]):
        table.rows = [words[i : i + width] for i in range(0, len(words), width)]
    elif uneven:
        raise CannotMeasureError(
            f"{path}: the row that begins with {uneven[0][0]!r} has {len(uneven[0])} values for {width} columns. "
            f"{_AGAIN}"
        )
    counts = {"NUMBER_OF_FIELDS": (width, "columns"), "NUMBER_OF_SETS": (len(table.rows), "rows")}
    for key, (counted, what) in counts.items():
        if stated[key] and stated[key] != str(counted):
            raise CannotMeasureError(f"{path} says {key} {stated[key]}, but has {counted} {what}. {_AGAIN}")


def _names(table: _Table) -> dict[str, list[str]]:
    columns = {name: table.fields.index(name) for name in _ID_COLUMNS if name in table.fields}
    return {name: [row[at] for row in table.rows] for name, at in columns.items()}


def _spectral(table: _Table) -> dict[int, int]:
    """Return the column of each wavelength in nm."""
    found = {}
    for at, name in enumerate(table.fields):
        match = _WAVELENGTH.fullmatch(name)
        if match and 300 <= int(match[1]) <= 830:
            found[int(match[1])] = at
    return dict(sorted(found.items())) if len(found) >= 3 else {}


def _has(table: _Table, quantity: Quantity) -> bool:
    if quantity == "spectral":
        return bool(_spectral(table)) and bool(table.rows)
    return set(_COLUMNS[quantity]) <= set(table.fields) and bool(table.rows)


def _readings(path: Path, tables: Sequence[_Table], quantity: Quantity) -> Readings:
    names = {
        column: tuple(name for table in tables for name in _names(table)[column])
        for column in _ID_COLUMNS
        if all(column in table.fields for table in tables)
    }
    # a column of kinds or comments repeats itself; ids do not
    usable = {column: values for column, values in names.items() if len({*map(patch_name, values)}) == len(values)}
    if not usable and all(len({*map(patch_name, ids)}) == len(ids) for t in tables for ids in _names(t).values()):
        raise CannotMeasureError(
            f"{path} has several tables of the same samples, and does not say what they differ in. Keep the one that "
            "you trust for this print, and delete the others."
        )
    if not usable:
        spelt = [patch_name(name) for name in next(iter(names.values()), ())]
        twice = next((name for name in spelt if spelt.count(name) > 1), "?")
        raise CannotMeasureError(f"{path}: sample {twice} is there twice. Delete the reading that is wrong.")
    notes: list[str] = []
    first = next(iter(usable.values()))
    stated = {key: text for table in tables for key, text in table.header.items()}
    if quantity == "spectral":
        lab = _spectral_lab(path, tables, first, notes)
    else:
        _check_observer(path, stated)
        places = [[table.fields.index(name) for name in _COLUMNS[quantity]] for table in tables]
        values = _numbers(path, tables, places, first, notes)
        lab = _checked_lab(path, values) if quantity == "lab" else _xyz_lab(path, values)
    kept = {key: stated[key] for key in _STATED if stated.get(key)}
    return Readings(names=usable, lab=lab, quantity=quantity, stated=kept, notes=tuple(notes))


def _numbers(
    path: Path, tables: Sequence[_Table], places: Sequence[Sequence[int]], names: Sequence[str], notes: list[str]
) -> Array:
    words = [[row[i] for i in at] for table, at in zip(tables, places, strict=True) for row in table.rows]
    flat = [word for row in words for word in row]
    commas = any(_COMMA.fullmatch(word) for word in flat)
    if commas:
        if any("." in word for word in flat):
            raise CannotMeasureError(f"{path} has decimal commas and decimal points. {_AGAIN}")
        notes.append(f"{path.name}: decimal commas were read as points.")
    for name, row in zip(names, words, strict=True):
        bad = next((w for w in row if not (_POINT.fullmatch(w) or (commas and _COMMA.fullmatch(w)))), None)
        if bad is not None:
            raise CannotMeasureError(f"{path}: sample {name} has {bad!r} where a number belongs. Measure it again.")
    return np.array([[float(word.replace(",", ".")) for word in row] for row in words])


def _spectral_lab(path: Path, tables: Sequence[_Table], names: Sequence[str], notes: list[str]) -> Array:
    from .spectra import spectral_lab

    columns = [_spectral(table) for table in tables]
    if any(list(column) != list(columns[0]) for column in columns):
        raise CannotMeasureError(f"{path}: its tables have different wavelengths. {_AGAIN}")
    values = _numbers(path, tables, [list(column.values()) for column in columns], names, notes)
    if values.min() < -0.02 * max(values.max(), 1e-9):
        raise CannotMeasureError(f"{path}: sample {names[int(values.min(1).argmin())]} has a negative reflectance.")
    return spectral_lab(np.array(list(columns[0])), values * _unit(path, values.max(), "reflectance", notes))


def _unit(path: Path, brightest: float, what: str, notes: list[str]) -> float:
    """Return what makes fractions of values; the brightest sample, bare paper, tells per cent from fractions."""
    if brightest <= _FRACTION_MOST:
        if brightest < 0.3:
            raise CannotMeasureError(
                f"{path}: the largest {what} is {brightest:g}. Per cent or fraction cannot be told without a reading "
                "of bare paper: measure that, too."
            )
        notes.append(f"{path.name}: {what} was read as fractions of 1.")
        return 1.0
    if brightest < _PERCENT_LEAST:
        raise CannotMeasureError(
            f"{path}: the largest {what} is {brightest:g}, too much for a fraction and too little for per cent of "
            f"paper. {_AGAIN}"
        )
    return 0.01


def _xyz_lab(path: Path, values: Array) -> Array:
    xyz = values * _unit(path, float(values[:, 1].max()), "Y", [])
    if xyz.min() < -0.01:
        raise CannotMeasureError(f"{path} has negative XYZ. {_AGAIN}")
    return xyz_to_lab(xyz)


def _checked_lab(path: Path, lab: Array) -> Array:
    if lab[:, 0].min() < -1.0 or lab[:, 0].max() > 130.0 or np.abs(lab[:, 1:]).max() > 200.0:
        raise CannotMeasureError(f"{path} has Lab values that no print can have. {_AGAIN}")
    if lab[:, 0].max() <= _FRACTION_MOST:
        raise CannotMeasureError(f"{path}: its lightest sample has L* {lab[:, 0].max():g}; L* runs to 100. {_AGAIN}")
    return lab


def _check_observer(path: Path, stated: Mapping[str, str]) -> None:
    """Refuse colorimetry of another illuminant or observer, where the file says so."""
    keys = ("WEIGHTING_FUNCTION", "ILLUMINATION_NAME", "OBSERVER_ANGLE")
    text = " ".join(stated.get(key, "") for key in keys).upper()
    light = re.search(r"(?<![.\w])(D5[05]|D6[05]|D75|F\d+|FL\d+|A|C|E)\b", text.replace("OBSERVER", ""))
    observer = re.search(r"\b(2|10)\b(?:\s*(?:DEG|°))?", text)
    wrong = (light is not None and light[1] != "D50") or (observer is not None and observer[1] != "2")
    if wrong:
        found = " and ".join(match[0] for match in (light, observer) if match)
        raise CannotMeasureError(
            f"{path} holds colours for {found}, not for D50 and the 2° observer. Export it for those, or as spectra."
        )


def exchange_text(
    samples: Mapping[str, Sequence[float]],
    stated: Mapping[str, str],
    rgb: Mapping[str, Sequence[float]] | None = None,
) -> str:
    """Return ISO 28178 text of absolute CIELAB (D50/2°) by sample id, with XYZ beside it, rounded to 6 decimals.

    Parameters
    ----------
    stated
        Further keywords, such as ``DESCRIPTOR``.
    rgb
        What the chart asked for by sample id, encoded, 0 to 1; then the text is enough to make a profile from.
    """
    from inkstrain.targets.colorimetry import lab_to_xyz

    lab = np.array(list(samples.values()), dtype=np.float64).reshape(-1, 3)
    xyz = 100.0 * lab_to_xyz(lab)
    fields = (*(_RGB if rgb else ()), *_COLUMNS["xyz"], *_COLUMNS["lab"])
    asked = _RGB_FULL * np.array([rgb[name] for name in samples]) if rgb else np.zeros((len(lab), 0))
    rows = [f"{value + 0.0:.6f}" for row in np.concatenate([asked, xyz, lab], axis=1) for value in row]
    width = len(fields)
    return _written(
        stated, ['WEIGHTING_FUNCTION "ILLUMINANT, D50"', 'WEIGHTING_FUNCTION "OBSERVER, 2 degree"'], fields,
        {name: rows[at * width : (at + 1) * width] for at, name in enumerate(samples)},
    )  # fmt: skip


def reference_text(key: Key) -> str:
    """Return what a chart's patches ask for, and where they lie, as ISO 28178 text for an instrument's own program.

    RGB runs to 255, as is common practice. The box of every patch is in mm from the sheet's top left corner, in columns
    that the text declares (``KEYWORD``).

    Raises
    ------
    CannotMeasureError
        If the chart has no patch field.
    """
    patches = {
        patch.patch: (sheet.sheet, patch)
        for sheet in key.sheets for tile in sheet.tiles for element in tile.elements
        if isinstance(element, PatchField) for patch in element.patches
    }  # fmt: skip
    if not patches:
        raise CannotMeasureError(f"Chart {key.chart} has no patch field.")
    rows = {
        name: [*(f"{_RGB_FULL * value:.6f}" for value in patch.rgb), str(sheet), *(f"{mm:.3f}" for mm in patch.box_mm)]
        for name, (sheet, patch) in patches.items()
    }
    stated = {"DESCRIPTOR": f"chart {key.chart}: patches to measure", "MEASUREMENT_SOURCE": "none: RGB as asked"}
    return _written(stated, [f'KEYWORD "{name}"' for name in _PLACE], (*_RGB, *_PLACE), rows)


_RGB: Final = ("RGB_R", "RGB_G", "RGB_B")
_RGB_FULL: Final = 255.0
_PLACE: Final = ("SHEET", "X_MM", "Y_MM", "WIDTH_MM", "HEIGHT_MM")
_UNSTATED: Final = ("DESCRIPTOR", "INSTRUMENTATION", "MEASUREMENT_SOURCE", "PRINT_CONDITIONS")


def _written(
    stated: Mapping[str, str], more: Sequence[str], fields: Sequence[str], rows: Mapping[str, Sequence[str]]
) -> str:
    # the header keywords that ISO 28178 requires, from memory
    head = {
        "ORIGINATOR": "inkstrain", "CREATED": datetime.now(UTC).date().isoformat(),
        **dict.fromkeys(_UNSTATED, "not stated"), **stated,
    }  # fmt: skip
    lines = ["CGATS.17"]  # the identifier that ISO 28178 took over
    lines += [f'{key} "{text.translate({34: 39, 10: 32, 13: 32})}"' for key, text in head.items()]
    lines += [*more, f"NUMBER_OF_FIELDS {1 + len(fields)}", "BEGIN_DATA_FORMAT", "\t".join(["SAMPLE_ID", *fields])]
    lines += ["END_DATA_FORMAT", f"NUMBER_OF_SETS {len(rows)}", "BEGIN_DATA"]
    return "\n".join([*lines, *("\t".join([name, *row]) for name, row in rows.items()), "END_DATA", ""])
