"""Who may ask what: this machine's own page and, where a phone is let in, whoever has the code.

A page of another site can make a browser post to this machine, and can give its own name this
machine's address; so the name that was asked for (Host) and the page that asks (Origin) are looked
at before anything else (RFC 9110, 7.2; RFC 6454).
"""

from __future__ import annotations

import hmac
from collections.abc import Mapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = (
    "default-src 'none'; img-src 'self' data:; style-src 'self'; script-src 'self'; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cache-control": "no-store",
}
_READS = {"GET", "HEAD"}
MOST_JSON_BYTES = 100_000

_NO_CODE = (
    "Open the link that jarvision bench shows: it holds a code that is new each time it is started."
)


@dataclass(frozen=True, slots=True)
class Guard:
    """Stand before the pages and turn away what does not come from them.

    Attributes
    ----------
    app : ASGI application
    hosts : frozenset of str
        Host and port as a browser asks for them.
    code : str
        What the link must hold; empty where only this machine can ask.
    most_bytes : int
        Largest body of an upload [bytes].
    """

    app: ASGIApp
    hosts: frozenset[str]
    code: str
    most_bytes: int

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or turn it away."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = [(k.encode(), v.encode()) for k, v in _HEADERS.items()]
                message["headers"] = [*message.get("headers", []), *own]
            await send(message)

        refusal = self._refusal(scope)
        await (refusal or self.app)(scope, receive, with_headers)

    def _refusal(self, scope: Scope) -> Response | None:
        """Say why a request is turned away; None where it is not."""
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        host = headers.get("host", "")
        if host not in self.hosts:
            return PlainTextResponse("This address is not one of this page.", 403)
        if scope["method"] not in _READS and not _is_same_origin(headers, host):
            return PlainTextResponse("Only this page itself may change anything.", 403)
        if _is_too_large(headers.get("content-length"), self.most_bytes):
            return PlainTextResponse("This is larger than any photo may be.", 413)
        return self._code_refusal(scope, headers, host) if self.code else None

    def _code_refusal(self, scope: Scope, headers: Mapping[str, str], host: str) -> Response | None:
        """Ask for the code: once in the link, from then on in a cookie that scripts cannot read."""
        name = f"jarvision_{host.rpartition(':')[2]}"
        given = parse_qs(scope["query_string"].decode("latin-1")).get("code", [""])[0]
        if scope["method"] == "GET" and self._is_code(given):
            answer = RedirectResponse(scope["path"], 303)
            answer.set_cookie(name, self.code, httponly=True, samesite="strict")
            return answer
        try:
            kept = SimpleCookie(headers.get("cookie", "")).get(name)
        except CookieError:
            kept = None
        if kept is not None and self._is_code(kept.value):
            return None
        return PlainTextResponse(_NO_CODE, 403)

    def _is_code(self, given: str) -> bool:
        return hmac.compare_digest(given.encode("utf-8", "replace"), self.code.encode())


def _is_same_origin(headers: Mapping[str, str], host: str) -> bool:
    asked_by = headers.get("sec-fetch-site", "same-origin")
    return headers.get("origin") == f"http://{host}" and asked_by == "same-origin"


def _is_too_large(length: str | None, most_bytes: int) -> bool:
    if length is None:
        return False
    return not length.isdecimal() or int(length[:15]) > most_bytes
