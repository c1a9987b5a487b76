"""``inkstrain ledger``: the scores that were kept."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from .conditions import LedgerOption
from .files import STDOUT, check_target, deliver, print_data, say_written, staged_file, write_all
from .talk import say, terminal_width

if TYPE_CHECKING:
    from inkstrain.scoring.ledger import Entry, Kept, Ledger

__all__ = ["ledger"]

ledger: Final = typer.Typer(
    name="ledger",
    help="List, show, share and check the scores that 'inkstrain score --keep' filed.",
    rich_markup_mode=None,
    no_args_is_help=True,
)

What = Annotated[
    list[str] | None,
    typer.Argument(
        metavar="WHAT", help="Ids or starts of ids, labels, or conditions as printer=TEXT,paper=TEXT; all if none."
    ),
]
Which = Annotated[str, typer.Argument(metavar="ID", help="Its id or an unambiguous start of it, or its label.")]
Json = Annotated[Path | None, typer.Option(metavar="FILE", help="Write JSON; - for standard output.")]


@ledger.command("list")
def list_(
    what: What = None,
    json: Json = None,
    csv: Annotated[Path | None, typer.Option(metavar="FILE", help="Write CSV; - for standard output.")] = None,
    ledger: LedgerOption = None,
) -> None:
    """List kept scores in order of time."""
    from inkstrain.scoring.ledger import open_ledger

    from .listing import csv_text, json_text, table_text

    check_target(json, csv)
    with open_ledger(ledger, create=False) as opened:
        entries = _entries(opened, what)
    contents = {}
    if json is not None:
        contents[json] = json_text(entries)
    if csv is not None:
        contents[csv] = csv_text(entries)
    write_all(contents)
    say_written(contents)
    if not contents and entries:
        print_data(table_text(entries, terminal_width()))
    if not entries:
        say("Nothing was kept yet." if not what else "Nothing fits.")


@ledger.command()
def show(
    which: Which,
    json: Json = None,
    report: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write a report, one HTML file that works offline.")
    ] = None,
    ledger: LedgerOption = None,
) -> None:
    """Show one kept score: a summary, its JSON, or its report.

    A score of the first definition of the measures is shown as it was kept, without a report.
    """
    from inkstrain.scoring.ledger import open_ledger

    check_target(json, report)
    contents = {}
    with open_ledger(ledger, create=False) as opened:
        kept = _one(opened, which)
        if json is not None:
            contents[json] = _json(kept)
        if report is not None:
            from inkstrain.scoring.report import report_html

            contents[report] = report_html(kept.score, kept.crops(), kept.verdict)
        deliver(contents, lambda: f"{_heading(kept)}\n\n{_told(kept)}")


@ledger.command()
def drop(
    ids: Annotated[list[str], typer.Argument(metavar="ID", help="Ids or unambiguous starts of them.")],
    ledger: LedgerOption = None,
) -> None:
    """Remove scores from the ledger for good. Their scans are not touched."""
    from inkstrain.scoring.ledger import open_ledger

    with open_ledger(ledger, create=False) as opened:
        for id_ in ids:
            say(f"Dropped {opened.drop(id_).id}.")


@ledger.command()
def check(ledger: LedgerOption = None) -> None:
    """Check that the ledger is sound: its file, its rows, and every score against its hash."""
    from inkstrain.scoring.ledger import open_ledger
    from inkstrain.targets.errors import LedgerError

    with open_ledger(ledger, create=False) as opened:
        problems = opened.check()
        held = opened.count()
    for problem in problems:
        say(problem)
    if problems:
        raise LedgerError(
            f"The ledger is not sound ({len(problems)} {'problem' if len(problems) == 1 else 'problems'}). Restore a "
            "copy of it, or save what is whole: inkstrain ledger mend --out NEW.sqlite"
        )
    say(f"The ledger is sound; it holds {held} {'score' if held == 1 else 'scores'}.")


@ledger.command()
def mend(
    out: Annotated[Path, typer.Option(metavar="FILE", help="The new ledger, a file that is not there yet.")],
    ledger: LedgerOption = None,
) -> None:
    """Write what is whole of a damaged ledger into a new one, and say what was lost. The old one is not touched."""
    from inkstrain.scoring.ledger import open_ledger
    from inkstrain.targets.errors import WrongUsageError

    check_target(out)
    if out.exists():
        raise WrongUsageError(f"{out} is there already. Name a file that is not.")
    saved = 0
    with open_ledger(ledger, create=False) as opened, staged_file(out) as part, open_ledger(part) as new:
        for one in opened.whole(say):
            new.keep(one.score, one.crops, one.verdict, label=one.label, owner=one.owner, kept_at=one.kept_at)
            saved += 1
        new.close()
    say(f"Wrote {saved} {'score' if saved == 1 else 'scores'} to {out}. Use it with --ledger, or put it in place.")


@ledger.command()
def table(
    out: Annotated[Path, typer.Option(metavar="FILE", help="A .csv or a .parquet file; - for CSV on standard output.")],
    what: What = None,
    ledger: LedgerOption = None,
) -> None:
    """Write a tidy table for your own statistics: one row an element and measure, with all conditions."""
    from inkstrain.scoring.ledger import open_ledger
    from inkstrain.scoring.ledger.tidy import csv_table, write_parquet
    from inkstrain.targets.errors import WrongUsageError

    check_target(out)
    if out != STDOUT and out.suffix.lower() not in (".csv", ".parquet"):
        raise WrongUsageError(f"{out} is no .csv or .parquet file. Give it one of these endings.")
    with open_ledger(ledger, create=False) as opened:
        entries = _entries(opened, what) if what else opened.entries()
        if out == STDOUT:
            for piece in csv_table(opened, entries):
                print_data(piece)
            return
        with staged_file(out) as part:
            if out.suffix.lower() == ".parquet":
                write_parquet(opened, entries, part)
            else:
                with part.open("w", encoding="utf-8", newline="") as stream:
                    stream.writelines(csv_table(opened, entries))
    say_written([out])


@ledger.command()
def export(
    out: Annotated[Path, typer.Option(metavar="FILE", help="The pack to write, a ZIP file.")],
    what: What = None,
    ledger: LedgerOption = None,
) -> None:
    """Write scores into a file that someone else imports; more than 500 go into several, the next ones numbered.

    It holds scores, conditions with your notes, verdicts, small pictures and recipes: look before you send it.
    """
    from inkstrain.scoring.ledger import open_ledger, write_pack
    from inkstrain.scoring.ledger.packing import PACK_SCORES
    from inkstrain.targets.errors import LedgerError

    with open_ledger(ledger, create=False) as opened:
        entries = _entries(opened, what)
        if not entries:
            raise LedgerError("There is nothing to export." if not what else "Nothing fits; nothing was exported.")
        packs = [entries[first : first + PACK_SCORES] for first in range(0, len(entries), PACK_SCORES)]
        outs = [out, *(out.with_stem(f"{out.stem}-{number}") for number in range(2, len(packs) + 1))]
        check_target(*outs)
        for target, some in zip(outs, packs, strict=True):
            with staged_file(target) as part:
                count = write_pack(_whole(opened, some), part)
            say(f"Wrote {count} {'score' if count == 1 else 'scores'} to {target}.")


def _whole(opened: Ledger, entries: list[Entry]) -> Iterator[Kept]:
    """Yield what can be read, without pictures that are damaged, and say what cannot."""
    from inkstrain.targets.errors import LedgerError

    for entry in entries:
        for problem in opened.problems_of(entry.id):
            say(f"{problem} It is not in the pack, as far as it is damaged.")
        kept = _one(opened, entry.id)
        try:
            _ = kept.any_score, kept.any_verdict
        except (LedgerError, ValueError) as error:
            say(f"{entry.id} was left out: {error}")
            continue
        yield kept


@ledger.command("import")
def import_(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A pack, or a score file that 'score --json' wrote.")],
    owner: Annotated[
        str | None,
        typer.Option("--from", metavar="NAME", help="Who it comes from; needed for a pack: it stays marked as theirs."),
    ] = None,
    ledger: LedgerOption = None,
) -> None:
    """Take in scores from a pack that someone sent, all of them or none."""
    from inkstrain.scoring.ledger import import_file, open_ledger

    with open_ledger(ledger) as opened:
        filed = import_file(opened, file, owner)
    new = [kept for kept in filed if not kept.already_there]
    there = len(filed) - len(new)
    whose = f" from {new[0].owner}" if new and new[0].owner else ""
    say(f"Took in {len(new)} {'score' if len(new) == 1 else 'scores'}{whose}; {there} kept before.")


def _entries(opened: Ledger, what: list[str] | None) -> list[Entry]:
    if not what:
        return list(opened.entries())
    found = {kept.id: kept.entry for wanted in what for kept in opened.find(wanted)}
    return sorted(found.values(), key=lambda entry: (entry.measured_at, entry.kept_at, entry.id))


def _one(opened: Ledger, which: str) -> Kept:
    from inkstrain.targets.errors import LedgerError

    found = opened.find(which)
    if not found:
        raise LedgerError(f"The ledger {opened.name} holds nothing called '{which}'. See: inkstrain ledger list")
    if len(found) > 1:
        listed = ", ".join(kept.id for kept in found[:4]) + (", …" if len(found) > 4 else "")
        raise LedgerError(f"'{which}' names {len(found)} scores ({listed}). Give the id of one.")
    return found[0]


def _json(kept: Kept) -> str:
    from inkstrain.scoring.results.firstscore import FirstScore

    score = kept.any_score
    return (score.document if isinstance(score, FirstScore) else score.model_dump_json(indent=1)) + "\n"


def _told(kept: Kept) -> str:
    from inkstrain.scoring.results.firstscore import FirstScore, FirstVerdict

    score, verdict = kept.any_score, kept.any_verdict
    if isinstance(score, FirstScore):
        from inkstrain.scoring.words.firsttext import first_text

        return first_text(score, verdict if isinstance(verdict, FirstVerdict) else None, width=terminal_width())
    from inkstrain.scoring.words.plaintext import score_text

    return score_text(score, kept.verdict, width=terminal_width())


def _heading(kept: Kept) -> str:
    label = f" “{kept.label}”" if kept.label else ""
    owner = f", measured by {kept.owner}" if kept.owner else ""
    return f"{kept.id}{label}, kept {kept.kept_at:%Y-%m-%d}{owner}"
