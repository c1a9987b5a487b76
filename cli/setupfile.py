"""Setups: named sets of conditions and files, typed once into ``inkstrain.toml``."""

from __future__ import annotations

import difflib
import json
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from inkstrain.targets.errors import WrongUsageError

from .files import write_all

__all__ = [
    "CONFIG_NAME",
    "KEYS",
    "Setup",
    "add_setup",
    "find_config",
    "find_setup",
    "folder_setup",
    "nearest",
    "read_setups",
]

CONFIG_NAME: Final = "inkstrain.toml"
_FOLDER_NAME: Final = "setup.toml"
KEYS: Final[Mapping[str, type]] = {
    "printer": str, "paper": str, "ink": str, "profile": Path, "intent": str, "bpc": bool, "media": str,
    "quality": str, "scanner": str, "scanner-profile": Path, "scanner-fit": Path, "blank": Path, "tolerances": Path,
    "distance": float, "light": str,
}  # fmt: skip
"""What a setup may hold: the options of ``score`` that are the same for every print made and scanned this way."""
_CALLED: Final = {str: "text", Path: "a file's name", bool: "true or false", float: "a number"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """A named set of conditions and files.

    Attributes
    ----------
    values : mapping
        By option, as in `KEYS`; paths are absolute.
    file : Path
        Where it was typed.
    """

    name: str
    values: Mapping[str, Any]
    file: Path


def find_config(start: Path | None = None) -> Path | None:
    """Return the ``inkstrain.toml`` of a folder or of the nearest folder above it, if there is one."""
    start = (start or Path()).absolute()
    places = (folder / CONFIG_NAME for folder in (start, *start.parents))
    return next((place for place in places if place.is_file()), None)


def read_setups(config: Path) -> dict[str, Setup]:
    """Return the setups of a file by name, in its order.

    Raises
    ------
    WrongUsageError
        If it cannot be read, is not TOML, or holds an unknown key or a value of the wrong kind.
    """
    content = _toml(config)
    tables = content.pop("setups", {})
    for key in content:
        raise WrongUsageError(f"{config}: unknown key {key!r}.{nearest(key, ['setups'])}")
    if not isinstance(tables, dict):
        raise WrongUsageError(f"{config}: setups should be tables, such as [setups.NAME].")
    return {name: _setup(name, table, config) for name, table in tables.items()}


def find_setup(name: str, config: Path | None = None) -> Setup:
    """Return a setup by name, from the file given or the nearest ``inkstrain.toml`` upwards from where one works.

    Raises
    ------
    WrongUsageError
        If there is no such file, or no such setup in it.
    """
    file = config or find_config()
    if file is None:
        raise WrongUsageError(
            f"There is no {CONFIG_NAME} here or in a folder above. Type one setup: inkstrain setups add {name}."
        )
    setups = read_setups(file)
    if name not in setups:
        raise WrongUsageError(f"There is no setup {name!r} in {file}.{nearest(name, setups)}")
    return setups[name]


def folder_setup(folder: Path, config: Path | None = None) -> Setup | None:
    """Return the setup of the scans in a folder: its own ``setup.toml``, or the setup of the folder's name.

    Raises
    ------
    WrongUsageError
        If one of these files is not right.
    """
    own = folder / _FOLDER_NAME
    name = folder.absolute().name
    if own.is_file():
        return _setup(name, _toml(own), own)
    file = config or find_config(folder)
    return read_setups(file).get(name) if file else None


def add_setup(config: Path, name: str, values: Mapping[str, Any]) -> None:
    """Write a new setup at the end of a file, which is made if need be; what stands there stays as it is.

    Raises
    ------
    WrongUsageError
        If there is a setup of that name already, or the file is not right.
    """
    if not name.strip():
        raise WrongUsageError("A setup needs a name, such as gloss.")
    if config.exists() and name in read_setups(config):
        raise WrongUsageError(f"There is a setup {name!r} in {config} already. Change it there.")
    lines = [f"[setups.{_quoted(name)}]", *(f"{key} = {_written(value, config)}" for key, value in values.items())]
    before = config.read_text(encoding="utf-8") if config.exists() else ""
    gap = "\n" if before.endswith("\n") else "\n\n"
    write_all({config: (before + gap if before else "") + "\n".join(lines) + "\n"})


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise WrongUsageError(f"{path} cannot be read: {error.strerror or error}.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise WrongUsageError(f"{path} is not valid TOML: {error}.") from error


def _setup(name: str, table: Any, file: Path) -> Setup:
    if not isinstance(table, dict):
        raise WrongUsageError(f"{file}: {name!r} should be a table, [setups.{_quoted(name)}].")
    for key, value in table.items():
        if key not in KEYS:
            raise WrongUsageError(f"{file}: setup {name!r} has an unknown key {key!r}.{nearest(key, KEYS)}")
        kind = KEYS[key]
        fits = isinstance(value, str) if kind is Path else isinstance(value, (float, int) if kind is float else kind)
        if not fits or (isinstance(value, bool) and kind is not bool):
            raise WrongUsageError(f"{file}: {key} of setup {name!r} should be {_CALLED[kind]}, not {value!r}.")
    folder = file.absolute().parent
    values = {
        key: folder / Path(value).expanduser() if KEYS[key] is Path else KEYS[key](value)
        for key, value in table.items()
    }
    return Setup(name=name, values=values, file=file)


def nearest(word: str, known: Iterable[str]) -> str:
    """Return a sentence, after a space, that names what is known and nearest to a word; empty if nothing is known."""
    names = list(known)
    near = difflib.get_close_matches(word, names, 1, 0.0)
    return f" The nearest is {near[0]!r}." if near else ""


def _written(value: Any, config: Path) -> str:
    """Return a value as TOML; a file below the folder of the config by its way from there."""
    if isinstance(value, Path):
        path, folder = value.absolute(), config.absolute().parent
        value = (path.relative_to(folder) if path.is_relative_to(folder) else path).as_posix()
    return _quoted(value) if isinstance(value, str) else json.dumps(value)


def _quoted(text: str) -> str:
    # JSON's escapes are TOML's as well, but for DEL, which TOML wants escaped
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
