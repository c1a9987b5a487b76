"""The desk's pages and what their forms do; the work is that of the commands."""

from __future__ import annotations

import functools
import io
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import parse_qs

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from inkstrain.targets.errors import InkstrainError, WrongUsageError
from inkstrain.targets.recipe import SPACES

from ..many import why_not
from ..setupfile import CONFIG_NAME, add_setup, read_setups
from .guard import Keys, proof
from .intake import Intake, TooMuchError, room
from .work import Outcome, Work

if TYPE_CHECKING:
    from inkstrain.scoring.ledger import Entry

__all__ = ["build_pages"]

_FORM_LIMIT: Final = 16 * 1024  # bytes of a form of short texts
_THUMB_PX: Final = 96
_ASSETS: Final = {"desk.css": "text/css", "page.css": "text/css", "desk.js": "text/javascript"}
_SPACES: Final = tuple(sorted(SPACES, key=lambda space: space != "adobe-rgb"))  # the usual one first
_SHEETS: Final = ("a4", "letter", "a3", "a3plus")


def build_pages(
    folder: Path, ledger: str | None, work: Work, keys: Keys, *, seen: Callable[[], None], end: Callable[[], None]
) -> Starlette:
    """Return the desk as an application; whoever serves it puts a guard before it.

    Parameters
    ----------
    seen
        Called whenever a page shows that someone is there.
    end
        Called by the button that closes the desk.
    """
    desk = _Desk(folder, ledger, work, keys, seen, end)
    routes = [
        Route("/", desk.home),
        Route("/alive", desk.alive),
        Route("/here", desk.here),
        Route("/favicon.ico", lambda _: Response(status_code=204)),  # browsers ask for one; the desk has none
        Route("/asset/{name}", _asset),
        Route("/setups", desk.new_setup, methods=["POST"]),
        Route("/scans", desk.new_scans, methods=["POST"]),
        Route("/work", desk.show_work),
        Route("/cancel", desk.cancel, methods=["POST"]),
        Route("/prints/{id}", desk.show_print),
        Route("/pictures/{id}", desk.picture),
        Route("/compare", desk.compare),
        Route("/charts", desk.new_chart, methods=["POST"]),
        Route("/charts/{name}", desk.chart),
        Route("/end", desk.end, methods=["POST"]),
    ]
    return Starlette(
        routes=routes,
        exception_handlers={InkstrainError: _told, TooMuchError: _told, OSError: _told, 404: _nowhere},
    )


@functools.cache
def _templates() -> Environment:
    return Environment(
        loader=PackageLoader("inkstrain.cli.desk", "."), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )


def _page(template: str, status: int = 200, **values: Any) -> HTMLResponse:
    return HTMLResponse(_templates().get_template(template).render(**values), status)


def _report(page: str) -> HTMLResponse:
    """Return a page that stands by itself, with the way back to the desk."""
    back = '<body>\n<header><p class="eyebrow"><a href="/">Back to the desk</a></p></header>'
    return HTMLResponse(page.replace("<body>", back, 1), headers={"x-report": "1"})


def _told(_: Request, error: Exception) -> Response:
    text = why_not(error, Path("The disk")) if isinstance(error, OSError) else str(error)
    status = 413 if isinstance(error, TooMuchError) else 400 if isinstance(error, WrongUsageError) else 500
    return _page("sentence.html", status, title="That did not work", text=text)


def _nowhere(_: Request, __: Exception) -> Response:
    return _page("sentence.html", 404, title="Nothing there", text="The desk has no such page.")


def _asset(request: Request) -> Response:
    name = request.path_params["name"]
    if name not in _ASSETS:
        return PlainTextResponse("", 404)
    package = "inkstrain.scoring.report" if name == "page.css" else "inkstrain.cli.desk"
    text = resources.files(package).joinpath(name).read_text(encoding="utf-8")
    return Response(text, media_type=_ASSETS[name])


async def _form(request: Request) -> dict[str, list[str]]:
    """Return a form of short texts."""
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > _FORM_LIMIT:
            raise TooMuchError("A text of that form is too long.")
    return parse_qs(body.decode("utf-8", "replace"))


class _Desk:
    """What the pages need to know."""

    def __init__(
        self,
        folder: Path,
        ledger: str | None,
        work: Work,
        keys: Keys,
        seen: Callable[[], None],
        end: Callable[[], None],
    ) -> None:
        self._folder, self._ledger, self._work, self._keys = folder, ledger, work, keys
        self._seen, self._end = seen, end

    def home(self, request: Request) -> Response:
        """Show setups, the place for scans, kept prints and charts."""
        self._seen()
        wanted = request.query_params.get("find", "")[:200]
        entries = self._entries()
        shown = [entry for entry in reversed(entries) if wanted.casefold() in _words(entry).casefold()]
        return _page(
            "home.html", setups=list(self._setups()), work=self._work, prints=[_row(entry) for entry in shown],
            kept=len(entries), find=wanted, charts=sorted(self._charts()), sheets=_SHEETS, spaces=_SPACES,
            folder=str(self._folder),
        )  # fmt: skip

    def alive(self, request: Request) -> Response:
        """Show another start that this is the desk it looks for."""
        return PlainTextResponse(proof(self._keys.token, request.url.query[:100]))

    def here(self, _: Request) -> Response:
        """Note that a page is open."""
        self._seen()
        return Response(status_code=204)

    async def new_setup(self, request: Request) -> Response:
        """Write a setup from three answers."""
        form = await _form(request)
        values = {key: form[key][0].strip() for key in ("printer", "paper", "ink") if form.get(key, [""])[0].strip()}
        if not values:
            raise WrongUsageError("Say at least which paper it is.")
        await run_in_threadpool(add_setup, self._folder / CONFIG_NAME, " · ".join(values.values()), values)
        return RedirectResponse("/", 303)

    async def new_scans(self, request: Request) -> Response:
        """Take scans in, and begin to measure them."""
        self._seen()
        announced = request.headers.get("content-length", "0")
        if not announced.isdecimal() or int(announced) > room(self._folder):
            raise TooMuchError("The disk has no room for so much. Make room, or drop fewer scans.")
        if not self._work.take():
            raise WrongUsageError("Other scans are being measured. Wait for them, or cancel them, and try again.")
        begun = False
        try:
            intake = Intake(self._folder / "scans", request.headers.get("content-type", ""))
            try:
                await intake.read(request.stream())
            except ClientDisconnect:
                return Response(status_code=400)
            except ValueError as error:  # python-multipart's own error is one
                raise WrongUsageError("The scans did not arrive whole. Drop them again.") from error
            setup = intake.fields.get("setup", "")
            if setup and setup not in self._setups():
                intake.forget()
                raise WrongUsageError("That setup is gone. Choose another one.")
            self._work.begin(intake.files, setup, [Outcome(name="", text=text) for text in intake.refused])
            begun = True
        finally:
            if not begun:
                self._work.leave()
        return RedirectResponse("/work", 303)

    def show_work(self, _: Request) -> Response:
        """Show how far it is; when it is done, the desk with what came of it."""
        self._seen()
        return _page("work.html", work=self._work) if self._work.busy else RedirectResponse("/", 303)

    def cancel(self, _: Request) -> Response:
        """Stop measuring."""
        self._work.cancel()
        return RedirectResponse("/work", 303)

    def show_print(self, request: Request) -> Response:
        """Show the report of a kept print."""
        from inkstrain.scoring.ledger import open_ledger
        from inkstrain.scoring.report import report_html

        [id_] = self._known([request.path_params["id"]])
        with open_ledger(self._ledger, create=False) as ledger:
            [kept] = ledger.find(id_)
            return _report(report_html(kept.score, kept.crops(), kept.verdict))

    def picture(self, request: Request) -> Response:
        """Return a small picture of a print's first element."""
        from PIL import Image

        from inkstrain.scoring.ledger import open_ledger

        [id_] = self._known([request.path_params["id"]])
        with open_ledger(self._ledger, create=False) as ledger:
            crops = ledger.find(id_)[0].crops()
        if not crops:
            return Response(status_code=404)
        picture = Image.fromarray(next(iter(crops.values())).image)
        picture.thumbnail((_THUMB_PX, _THUMB_PX))
        written = io.BytesIO()
        picture.save(written, "PNG")
        return Response(written.getvalue(), media_type="image/png")

    def compare(self, request: Request) -> Response:
        """Compare the prints that were ticked."""
        from inkstrain.scoring.jobs.wanted import compare_wanted, find_wanted
        from inkstrain.scoring.ledger import open_ledger
        from inkstrain.scoring.report import compare_html

        ids = self._known(request.query_params.getlist("print"))
        if len(ids) < 2:
            raise WrongUsageError("Tick two prints or more, then compare.")
        with open_ledger(self._ledger, create=False) as ledger:
            found = find_wanted(ids, ledger)
            comparison = compare_wanted(found, ledger)
            page = compare_html(comparison, [one.shown for one in found], [one.crops() for one in found])
        return _report(page)

    async def new_chart(self, request: Request) -> Response:
        """Make a chart."""
        from inkstrain.targets.chart import write_chart
        from inkstrain.targets.recipe import Recipe

        form = await _form(request)
        hues = form.get("hues", ["8"])[0]
        if not hues.isdecimal():
            raise WrongUsageError("The number of hues should be a whole number, 1 to 36.")
        recipe = Recipe(sheet=form.get("sheet", ["a4"])[0], space=form.get("space", ["adobe-rgb"])[0], hues=int(hues))
        await run_in_threadpool(write_chart, recipe, self._folder / "charts")
        return RedirectResponse("/#charts", 303)

    def chart(self, request: Request) -> Response:
        """Hand out a chart's file; the name is looked up among those there and opens nothing by itself."""
        path = self._charts().get(request.path_params["name"])
        if path is None:
            return _nowhere(request, FileNotFoundError())
        return FileResponse(path, filename=path.name)

    def end(self, _: Request) -> Response:
        """Close the desk."""
        self._end()
        return _page("sentence.html", title="The desk is closed", text="You can close this page.")

    def _charts(self) -> dict[str, Path]:
        files = (self._folder / "charts").iterdir()
        return {path.name: path for path in files if path.suffix in (".tif", ".json") and path.is_file()}

    def _setups(self) -> list[str]:
        config = self._folder / CONFIG_NAME
        return list(read_setups(config)) if config.is_file() else []

    def _entries(self, **asked: Any) -> list[Entry]:
        from inkstrain.scoring.ledger import open_ledger
        from inkstrain.targets.errors import LedgerError

        try:
            with open_ledger(self._ledger, create=False) as ledger:
                return list(ledger.entries(measures=2, **asked))
        except LedgerError:
            return []  # before the first print there is none

    def _known(self, ids: list[str]) -> list[str]:
        """Return ids that are in the ledger: nothing else from a request is looked for anywhere."""
        known = {entry.id for entry in self._entries(id=ids)}
        if not set(ids) <= known:
            raise WrongUsageError("That print is not in the ledger any more.")
        return list(dict.fromkeys(ids))


def _words(entry: Entry) -> str:
    made = entry.conditions
    said = (made.printer, made.paper, made.ink, made.intent, made.print_name, made.note, entry.label)
    return " ".join([entry.id, *(word for word in said if word)])


def _row(entry: Entry) -> dict[str, str]:
    from inkstrain.scoring.words.phrases import print_name

    return {
        "id": entry.id,
        "label": entry.label or entry.id,
        "name": print_name(entry.conditions),
        "at": f"{entry.measured_at.astimezone():%Y-%m-%d %H:%M}",
        "rings": str(entry.contours),
        "evenness": "–" if entry.evenness is None else f"{entry.evenness:.2f}",
    }
