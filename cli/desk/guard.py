"""Who may talk to the desk: one browser of one user of this machine, from the desk's own pages."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Final
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["Guard", "Keys", "proof"]

_POLICY: Final = (
    "default-src 'none'; style-src 'self'; img-src 'self'; script-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_REPORT_POLICY: Final = "form-action 'none'; base-uri 'none'; frame-ancestors 'none'"  # a report's own says the rest
_HEADERS: Final = {
    "x-content-type-options": "nosniff",
    # with no-referrer a browser sends no origin with a form (Fetch standard, "append a request Origin header")
    "referrer-policy": "same-origin",
    "cache-control": "no-store",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Keys:
    """What opens a desk: its port, the token of its first address, and the cookie that takes the token's place."""

    port: int
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32), repr=False)
    cookie: str = field(default_factory=lambda: secrets.token_urlsafe(32), repr=False)

    @property
    def origin(self) -> str:
        """Where its pages come from."""
        return f"http://127.0.0.1:{self.port}"

    @property
    def cookie_name(self) -> str:
        """Browsers keep cookies by host, whatever the port: two desks need two names."""
        return f"inkstrain-{self.port}"


def proof(token: str, challenge: str) -> str:
    """Return what only a holder of the token can answer (HMAC-SHA-256, RFC 2104)."""
    return hmac.new(token.encode(), challenge.encode(), hashlib.sha256).hexdigest()


class Guard:
    """Lets through what comes with the cookie, to the right host, and, if it changes anything, from our own pages."""

    def __init__(self, app: ASGIApp, keys: Keys) -> None:
        self._app, self._keys = app, keys

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or refuse it."""
        if scope["type"] != "http":
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(_HEADERS)
                own = headers.get("x-report") is not None
                if own:
                    del headers["x-report"]
                headers["content-security-policy"] = _REPORT_POLICY if own else _POLICY
            await send(message)

        answer = self._refusal(scope)
        await (answer or self._app)(scope, receive, guarded)

    def _refusal(self, scope: Scope) -> Response | None:
        headers, keys = Headers(scope=scope), self._keys
        if headers.getlist("host") != [keys.origin.removeprefix("http://")]:
            return PlainTextResponse("This is not the desk's address.", 421)
        if scope["path"] == "/alive":
            return None
        token = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        if scope["method"] == "GET" and scope["path"] == "/" and _same(token, keys.token):
            response = RedirectResponse("/", 303)
            response.set_cookie(keys.cookie_name, keys.cookie, httponly=True, samesite="strict", path="/")
            return response
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return PlainTextResponse("Another page may not use the desk.", 403)
        if scope["method"] not in ("GET", "HEAD") and headers.getlist("origin") != [keys.origin]:
            return PlainTextResponse("Only the desk's own pages may change anything.", 403)
        if not _same(_cookie(headers, keys.cookie_name), keys.cookie):
            return PlainTextResponse("This browser has no key to the desk. Start it again: inkstrain desk.", 403)
        return None


def _cookie(headers: Headers, name: str) -> str:
    try:
        jar = SimpleCookie(headers.get("cookie", ""))
    except CookieError:
        return ""
    return jar[name].value if name in jar else ""


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(one.encode("utf-8", "surrogateescape"), other.encode())
