"""ISO 28178 (CGATS) text written by hand, spectra against colour-science, and what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import spectral
from icc_samples import device_lab, packed, rgb_profile, rgb_tags, scanner_profile

from inkstrain.cli.app import main
from inkstrain.scoring.colour.basis import given_profile_basis, scan_basis
from inkstrain.scoring.colour.exchange import exchange_text, read_exchange, reference_text
from inkstrain.scoring.colour.fitting import METHODS, choose, expand
from inkstrain.scoring.colour.spectra import spectral_lab, spectral_weights
from inkstrain.targets.chart import build_key
from inkstrain.targets.colorimetry import WHITE_D50, colour_science, delta_e00, lab_to_xyz, xyz_to_lab
from inkstrain.targets.errors import CannotMeasureError, WrongUsageError
from inkstrain.targets.patches import wide_patch_rgb
from inkstrain.targets.recipe import Recipe
from inkstrain.targets.spaces import icc_profile

HEAD = 'CGATS.17\r\n# by hand\r\nORIGINATOR "a # b"\r\nNUMBER_OF_FIELDS 4\r\nBEGIN_DATA_FORMAT\r\n'
LAB = HEAD + "LAB_B SAMPLE_ID\tLAB_L LAB_A\r\nEND_DATA_FORMAT\r\nNUMBER_OF_SETS 2\r\nBEGIN_DATA\r\n{}\r\nEND_DATA\r\n"


def lab_file(folder: Path, rows: str) -> Path:
    (folder / "m.txt").write_bytes(LAB.format(rows).encode())
    return folder / "m.txt"


def test_tabs_comments_quotes_line_ends_and_column_order_are_read(tmp_path: Path) -> None:
    readings = read_exchange(lab_file(tmp_path, '2.5 "A 01"\t95.0 -1.0 # paper\r\n-40 b2 30 20'))
    assert readings.rows(["A1", "B2"]) == {"A1": 0, "B2": 1}
    assert readings.lab.tolist() == [[95.0, -1.0, 2.5], [30.0, 20.0, -40.0]]


def test_decimal_commas_are_read_and_said(tmp_path: Path) -> None:
    readings = read_exchange(lab_file(tmp_path, "2,5 A1 95,0 -1,0\r\n-40,1 B2 30,0 20,0"))
    assert readings.lab[0].tolist() == [95.0, -1.0, 2.5]
    assert "commas" in readings.notes[0]


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ("2 A1 95 1\r\n2 A1 94 1", "there twice"),
        ("2 A1 95 nan\r\n2 B1 94 1", "where a number belongs"),
        ("2 A1 95\r\n2 B1 94 1", "values for 4 columns"),
        ("2 A1 95 1", "NUMBER_OF_SETS 2"),
        ("2,5 A1 95.0 1\r\n2 B1 94 1", "decimal commas and decimal points"),
        ("0.02 A1 0.95 0.01\r\n0.02 B1 0.4 0.01", "L\\* runs to 100"),
    ],
)
def test_what_could_mean_two_things_is_refused(tmp_path: Path, rows: str, says: str) -> None:
    with pytest.raises(CannotMeasureError, match=says):
        read_exchange(lab_file(tmp_path, rows))


TABLE = "BEGIN_DATA_FORMAT\nSAMPLE_ID LAB_L LAB_A LAB_B\nEND_DATA_FORMAT\n{}BEGIN_DATA\n{}\nEND_DATA\n"
OTHERS = "NUMBER_OF_FIELDS 2\nBEGIN_DATA_FORMAT\nSWATCH WEIGHT\nEND_DATA_FORMAT\nBEGIN_DATA\nx 1\nEND_DATA\n"


def test_samples_in_several_tables_are_one_measurement_and_other_tables_are_passed_over(tmp_path: Path) -> None:
    first, second = TABLE.format("NUMBER_OF_SETS 1\n", "A1 95 -1 2"), TABLE.format("", "A2 30 20 -40\nA3 8 0 1")
    (tmp_path / "m.txt").write_text("CGATS.17\n" + first + OTHERS + second, encoding="utf-8")
    readings = read_exchange(tmp_path / "m.txt")
    assert readings.rows(["A3", "A1", "A2"]) == {"A3": 2, "A1": 0, "A2": 1}
    assert readings.lab[2].tolist() == [8.0, 0.0, 1.0]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        # one table a measuring condition, as ISO 13655 has several
        (TABLE.format("", "A1 95 -1 2\nA2 9 0 0") + TABLE.format("", "A1 94 -1 3\nA2 9 0 1"), "several tables of the"),
        (TABLE.format("", "A1 95 -1 2\nA1 90 -1 2"), "sample A1 is there twice"),
        (TABLE.format("NUMBER_OF_FIELDS 5\n", "A1 95 -1 2"), "says NUMBER_OF_FIELDS 5, but has 4 columns"),
        (TABLE.format("", "A1 95 -1 2").replace("LAB_B", "DENSITY"), "no complete set of Lab, XYZ or spectral"),
        (TABLE.format("", "A1 95 -1 2").replace("SAMPLE_ID", "NUMBER"), "no table with sample ids"),
        (TABLE.format("", "A1 95 -1 2").replace("END_DATA\n", ""), "cut short"),
        (TABLE.format('WEIGHTING_FUNCTION "ILLUMINANT, D65"\n', "A1 95 -1 2"), "for D65"),
        (TABLE.format("", "A1 5 4 3").replace("LAB_L LAB_A LAB_B", "XYZ_X XYZ_Y XYZ_Z"), "too much for a fraction"),
        ("", "no table"),
    ],
)
def test_a_file_that_is_not_one_whole_measurement_is_refused(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "m.txt").write_text(text, encoding="utf-8")
    with pytest.raises(CannotMeasureError, match=says):
        read_exchange(tmp_path / "m.txt")


MIXED = 'MEASUREMENT_SOURCE "MeasurementCondition={}"\n' + TABLE


def test_one_measurement_condition_of_several_is_taken_and_a_mixture_is_refused(tmp_path: Path) -> None:
    # the conditions are those of ISO 13655
    path = tmp_path / "m.txt"
    path.write_text(MIXED.format("M0", "", "A1 95 -1 2") + MIXED.format("M1", "", "A1 94 0 -3"), encoding="utf-8")
    for condition, b in {"M0": 2.0, "M1": -3.0}.items():
        readings = read_exchange(path, condition)
        assert readings.lab[:, 2].tolist() == [b]
        assert condition in readings.stated["MEASUREMENT_SOURCE"]
    with pytest.raises(CannotMeasureError, match="M0 and M1"):
        read_exchange(path)
    with pytest.raises(CannotMeasureError, match="nothing of M2"):
        read_exchange(path, "M2")
    with pytest.raises(WrongUsageError, match="M4"):
        read_exchange(path, "M4")
    # other samples make a mixture none the better
    path.write_text(MIXED.format("M0", "", "A1 95 -1 2") + MIXED.format("M1", "", "A2 94 0 -3"), encoding="utf-8")
    with pytest.raises(CannotMeasureError, match="--condition"):
        read_exchange(path)


def plainly(text: str) -> tuple[dict[str, str], list[dict[str, str]]]:
    """Read exchange text as ISO 28178 describes it, by nothing but splitting: keywords, and rows by column."""
    head, rest = text.split("BEGIN_DATA_FORMAT\n")
    names, rest = rest.split("\nEND_DATA_FORMAT\n")
    data = rest.split("BEGIN_DATA\n")[1].split("\nEND_DATA")[0]
    rows = [dict(zip(names.split(), row.split(), strict=True)) for row in data.split("\n")]
    return {line.split()[0]: line.partition(" ")[2].strip('"') for line in head.splitlines()}, rows


# what ISO 28178 requires in a header, from memory
REQUIRED = {"ORIGINATOR", "DESCRIPTOR", "CREATED", "INSTRUMENTATION", "MEASUREMENT_SOURCE", "PRINT_CONDITIONS"}


def test_a_reference_file_names_every_patch_once_with_its_colour_and_place() -> None:
    key = build_key(Recipe(sheet="a4", only=("patch-field",), patch_mm=12.0))
    head, rows = plainly(reference_text(key))
    asked = [patch for s in key.sheets for tile in s.tiles for e in tile.elements for patch in e.patches]
    assert len(rows) == len(asked) > 100
    for row, patch in zip(rows, asked, strict=True):
        assert row["SAMPLE_ID"] == patch.patch
        assert [float(row[f"RGB_{c}"]) / 255 for c in "RGB"] == pytest.approx(patch.rgb, abs=1e-8)
        box_mm = [float(row[name]) for name in ("X_MM", "Y_MM", "WIDTH_MM", "HEIGHT_MM")]
        assert box_mm == pytest.approx(patch.box_mm, abs=6e-4)
    assert set(head) >= REQUIRED
    with pytest.raises(CannotMeasureError, match="no patch field"):
        reference_text(build_key(Recipe(only=("ring-to-white",))))


def test_written_colours_are_read_alike_by_a_plain_split_and_carry_what_was_asked(tmp_path: Path) -> None:
    samples = {"A1": (95.0, -1.0, 2.5), "A2": (30.0, 20.0, -40.0)}
    text = exchange_text(samples, {"DESCRIPTOR": 'a "chart"'}, {"A1": (1.0, 1.0, 1.0), "A2": (0.2, 0.0, 0.5)})
    head, rows = plainly(text)
    assert set(head) >= REQUIRED
    (tmp_path / "m.txt").write_text(text, encoding="utf-8")
    ours = read_exchange(tmp_path / "m.txt")
    for row, (name, lab), own in zip(rows, samples.items(), ours.lab, strict=True):
        assert row["SAMPLE_ID"] == name
        assert [float(row[n]) for n in ("LAB_L", "LAB_A", "LAB_B")] == pytest.approx(lab)
        assert own == pytest.approx(lab, abs=1e-4)
    assert [float(rows[1][f"RGB_{c}"]) for c in "RGB"] == pytest.approx([51.0, 0.0, 127.5])


def spectral_file(folder: Path, factor: float) -> Path:
    values = spectral.FIRST.reflectance(np.array([[1.0, 1, 1], [0.2, 0.5, 0.9]])) * factor
    names = " ".join(f"SPECTRAL_{nm}" for nm in spectral.NM)
    rows = "\n".join(f"A{i + 1} " + " ".join(f"{v:.6f}" for v in row) for i, row in enumerate(values))
    text = f"BEGIN_DATA_FORMAT\nSAMPLE_ID {names}\nEND_DATA_FORMAT\nBEGIN_DATA\n{rows}\nEND_DATA\n"
    (folder / "s.txt").write_text(text)
    return folder / "s.txt"


def test_per_cent_and_fractions_give_one_colour_and_what_lies_between_is_refused(tmp_path: Path) -> None:
    fraction = read_exchange(spectral_file(tmp_path, 1.0)).lab
    assert read_exchange(spectral_file(tmp_path, 100.0)).lab == pytest.approx(fraction, abs=1e-3)
    with pytest.raises(CannotMeasureError, match="too much for a fraction"):
        read_exchange(spectral_file(tmp_path, 5.0))


# colour-science remarks on every alignment of its tables
@pytest.mark.filterwarnings("ignore")
def test_spectra_agree_with_colour_sciences_astm_e308() -> None:
    # ASTM E308, whose 10 nm weights ISO 13655 takes over
    colour = colour_science()
    for values in spectral.FIRST.reflectance(np.random.default_rng(1).random((5, 3))):
        sd = colour.SpectralDistribution(dict(zip(spectral.NM.tolist(), values.tolist(), strict=True)))
        xyz = colour.sd_to_XYZ(
            sd,
            colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"],
            colour.SDS_ILLUMINANTS["D50"],
            method="ASTM E308",
        )
        assert values @ spectral_weights(380, 730, 10) == pytest.approx(np.asarray(xyz), abs=0.02)
    # white of the D50, 2° table of ASTM E308 (from memory)
    assert spectral_weights(360, 780, 10).sum(axis=0) == pytest.approx([96.42, 100.0, 82.5], abs=0.05)


def test_published_reflectances_go_through_a_fit() -> None:
    # ISO 17321-1 chart and averaged 24-patch data in colour-science: other materials than the inks fitted to
    colour = colour_science()
    shape = colour.SpectralShape(380, 730, 10)
    rgb, scanner = np.array(wide_patch_rgb("adobe-rgb")), spectral.sensor()
    reflectance = spectral.FIRST.reflectance(rgb)
    chosen = choose(scanner.linear(reflectance, flare=0.003), spectral.lab_of(reflectance), rgb)
    own = chosen.residual.median
    for name in ("ISO 17321-1", "BabelColor Average"):
        chart = np.array([sd.copy().align(shape).values for sd in colour.SDS_COLOURCHECKERS[name].values()])
        got = xyz_to_lab(chosen.correction.xyz(scanner.linear(chart, flare=0.003)))
        away = np.median(delta_e00(got, spectral_lab(spectral.NM, chart)))
        assert own < away < 5.0


def test_every_method_expands_as_many_terms_as_it_says() -> None:
    for method in METHODS:
        assert expand(method, np.full((2, 3), 0.3)).shape == (2, method.terms)


def test_averaging_before_a_fit_is_right_to_first_order_and_errs_by_the_square_of_grain() -> None:
    rgb, scanner = np.array(wide_patch_rgb("adobe-rgb")), spectral.sensor()
    reflectance = spectral.FIRST.reflectance(rgb)
    fit = choose(scanner.linear(reflectance), spectral.lab_of(reflectance), rgb).correction
    middle = scanner.linear(spectral.FIRST.reflectance(np.random.default_rng(3).random((60, 3))))
    draws = np.random.default_rng(4).standard_normal((4000, 3))
    draws = np.concatenate([draws, -draws])  # no first-order part is left to chance
    errors = []
    for grain in (0.05, 0.10):
        pixels = middle[:, None] * (1 + grain * draws)
        errors.append(np.asarray(delta_e00(xyz_to_lab(fit.xyz(middle)), xyz_to_lab(fit.xyz(pixels).mean(axis=1)))))
    assert np.percentile(errors[0], 95) < 0.05
    assert np.median(errors[1] / errors[0]) == pytest.approx(4.0, rel=0.15)


def test_a_working_space_or_printer_profile_is_no_scanner_profile(tmp_path: Path) -> None:
    display = icc_profile("srgb")
    for kind, says in ((b"mntr", "display"), (b"prtr", "printer"), (b"link", "device link")):
        with pytest.raises(CannotMeasureError, match=says):
            given_profile_basis(display[:12] + kind + display[16:], "x.icc")
    with pytest.raises(CannotMeasureError, match="cut short"):
        given_profile_basis((display[:12] + b"scnr" + display[16:])[:-50], "x.icc")
    basis = given_profile_basis(display[:12] + b"scnr" + display[16:], "x.icc")
    assert basis.described.kind == "scanner-profile"
    (tmp_path / "p.icc").write_bytes(display)
    assert main(["score", str(tmp_path / "none.tif"), "--scanner-profile", str(tmp_path / "p.icc"), "--json", "-"]) == 3


def test_only_an_input_profile_in_a_scan_says_how_the_scanner_sees() -> None:
    # profile classes: ISO 15076-1 (ICC.1:2022), 7.2.5
    display = icc_profile("adobe-rgb")
    codes = np.random.default_rng(1).integers(0, 65536, (1, 50, 3)).astype(np.uint16)
    expected = scan_basis(display, "s.tif").linear(codes)
    for kind, basis_kind in ((b"mntr", "assumed"), (b"spac", "assumed"), (b"scnr", "scanner-profile")):
        basis = scan_basis(display[:12] + kind + display[16:], "s.tif")
        assert basis.described.kind == basis_kind
        assert ("not how the scanner sees" in basis.described.note) == (basis_kind == "assumed")
        assert np.array_equal(basis.linear(codes), expected)
    assert "sRGB was assumed" in scan_basis(None, "s.tif").described.note


@pytest.mark.parametrize("version", [2, 4])
def test_a_scanner_profile_of_a_matrix_is_linear_light_and_its_matrix(version: int) -> None:
    # a scanner whose primaries are like no working space's
    matrix = np.array([[0.50, 0.30, 0.16422], [0.26, 0.66, 0.08], [0.03, 0.09, 0.70483]])
    basis = given_profile_basis(scanner_profile(matrix, 2.25, version=version), "x.icc")
    assert basis.tables16 is not None  # averages are taken in linear light, and the matrix follows
    codes = np.random.default_rng(4).integers(0, 65536, (1, 500, 3)).astype(np.uint16)
    expected = (codes / 65535.0) ** 2.25 @ matrix.T
    assert basis.xyz(basis.linear(codes)) == pytest.approx(expected, abs=2e-4)
    pixels = np.stack([codes[0, :250], codes[0, 250:]])  # two pixels of each place
    mean = ((pixels / 65535.0) ** 2.25).mean(axis=0) @ matrix.T
    assert basis.xyz(basis.linear(pixels).mean(axis=0)) == pytest.approx(mean, abs=2e-4)


@pytest.mark.parametrize("version", [2, 4])
def test_a_scanner_profile_of_tables_is_read_as_it_is(version: int) -> None:
    tags = {name: data for name, data in rgb_tags(version=version).items() if name in ("desc", "cprt", "wtpt", "A2B0")}
    basis = given_profile_basis(packed(tags, kind=b"scnr", version=version), "x.icc")
    codes = np.random.default_rng(4).integers(0, 65536, (1, 500, 3)).astype(np.uint16)
    away = delta_e00(basis.lab(basis.linear(codes), WHITE_D50), device_lab(codes / 65535.0))
    # what is left is the table's interpolation between 17 nodes
    assert np.percentile(away, 95) < 0.3
    # pixels become XYZ one by one, and XYZ is averaged: the mean of two pixels is the mean of their light
    pixels = np.stack([codes[0, :250], codes[0, 250:]])
    light = lab_to_xyz(device_lab(pixels / 65535.0)).mean(axis=0)
    away = delta_e00(xyz_to_lab(basis.xyz(basis.linear(pixels).mean(axis=0))), xyz_to_lab(light))
    assert np.percentile(away, 95) < 0.3


def test_swapped_readings_are_named_and_too_few_or_grey_ones_refused() -> None:
    rgb, scanner = np.array(wide_patch_rgb("adobe-rgb")), spectral.sensor()
    reflectance = spectral.FIRST.reflectance(rgb)
    values, lab = scanner.linear(reflectance), spectral.lab_of(reflectance)
    swapped = lab.copy()
    swapped[[10, 50]] = lab[[50, 10]]
    assert np.flatnonzero(~choose(values, swapped, rgb).kept).tolist() == [10, 50]
    with pytest.raises(CannotMeasureError, match="too few"):
        choose(values[:20], lab[:20], rgb[:20])
    grey = np.repeat(np.linspace(0, 1, 40)[:, None], 3, axis=1)
    grey_r = spectral.FIRST.reflectance(grey)
    with pytest.raises(CannotMeasureError, match="line"):
        choose(scanner.linear(grey_r), spectral.lab_of(grey_r), grey)
    with pytest.raises(CannotMeasureError, match="in grey"):
        choose(np.repeat(values[:, 1:2], 3, axis=1), lab, rgb)
    with pytest.raises(CannotMeasureError, match="do not belong"):
        choose(values, np.roll(lab, 1, axis=0), rgb)


@pytest.mark.parametrize(
    "text",
    [
        TABLE.format("", "A1 95 -1 2").replace("LAB_B", "DENSITY"),
        TABLE.format("NUMBER_OF_SETS 3\n", "A1 95 -1 2"),
        TABLE.format("", "A1 95 -1 2\nA1 90 -1 2"),
        TABLE.format("", "A1 95 nan 2"),
        TABLE.format("", "A1 95,0 -1.5 2"),
        TABLE.format("", "A1 0.95 0 0"),
    ],
    ids=["missing column", "wrong count", "twice", "nan", "commas and points", "fraction"],
)
def test_a_bad_measured_file_ends_in_one_sentence_and_nothing_is_written(
    tmp_path: Path, text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "m.txt").write_text(text, encoding="utf-8")
    (tmp_path / "key.json").write_text(build_key(Recipe(only=("patch-field",))).model_dump_json(), encoding="utf-8")
    out = ["--out", str(tmp_path / "fit.json")]
    fit = ["fit-scanner", str(tmp_path / "scan.tif"), "--measured", str(tmp_path / "m.txt"), *out]
    score = ["score", str(tmp_path / "key.json"), "--measured", str(tmp_path / "m.txt"), "--report", *out[1:]]
    for command in (fit, score):
        assert main(command) == 3
        told = capsys.readouterr().err
        assert told.startswith("inkstrain: ")
        assert str(tmp_path / "m.txt") in told
        assert "Traceback" not in told
    assert not (tmp_path / "fit.json").exists()


def _broken(name: str) -> bytes:
    """Return what is given for a scanner's profile by mistake, or was damaged on the way."""
    scanner = packed({n: d for n, d in rgb_tags().items() if n in ("desc", "cprt", "wtpt", "A2B0")}, kind=b"scnr")
    table = bytearray(scanner)
    table[132:200] = bytes(68)  # its tags are gone
    return {
        "display": icc_profile("srgb"),
        "printer": rgb_profile(),
        "cut": scanner[: len(scanner) // 2],
        "tags": bytes(table),
        "cmyk": scanner[:16] + b"CMYK" + scanner[20:],
        "text": b"no profile at all",
        "empty": b"",
    }[name]


@pytest.mark.parametrize("name", ["display", "printer", "cut", "tags", "cmyk", "text", "empty"])
def test_a_profile_that_is_no_scanners_or_broken_ends_in_one_sentence(
    tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "x.icc").write_bytes(_broken(name))
    words = ["--scanner-profile", str(tmp_path / "x.icc"), "--json", str(tmp_path / "out.json")]
    assert main(["score", str(tmp_path / "scan.tif"), *words]) == 3
    assert str(tmp_path / "x.icc") in capsys.readouterr().err
    assert not (tmp_path / "out.json").exists()
