"""Without the passphrase nothing is served: no page, file, upload or websocket, not even whether the app is well."""

from __future__ import annotations

import math
import sys
from urllib.parse import parse_qs

from starlette.responses import HTMLResponse, RedirectResponse, Response

from triage.app.doors import App, Receive, Scope, Send, header_values
from triage.app.network.entry_page import PATH, POLICY, entry_page
from triage.app.network.keys import Keys
from triage.app.network.slowing import Slowing, client_of

_LONGEST_FORM = 1024
_HEADERS = {
    "content-security-policy": POLICY,
    "cache-control": "no-store",
    "referrer-policy": "same-origin",
    "x-content-type-options": "nosniff",
}


def _say(words: str) -> None:
    print(f"triage: {words}", file=sys.stderr, flush=True)


class Gate:
    """Lets a client in that brings the cookie, and gives the cookie for the passphrase or the code (ASGI middleware).

    Whatever else is asked, under whatever path, is answered with the page that asks for the passphrase.
    """

    def __init__(self, app: App, keys: Keys, secure: bool, slowing: Slowing | None = None) -> None:
        self._app, self._keys, self._secure = app, keys, secure
        self._slowing = slowing or Slowing()
        self._cookie = "__Host-triage" if secure else "triage"  # browsers take a name of that kind from the host itself alone

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
        elif scope["type"] == "http" and (scope["method"], scope["path"]) == ("POST", PATH):
            await (await self._entering(scope, receive))(scope, receive, send)
        elif self._is_let_in(scope):
            await self._app(scope, receive, send)
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
        else:
            await _page(403)(scope, receive, send)

    def _is_let_in(self, scope: Scope) -> bool:
        pairs = [one.strip().partition("=") for line in header_values(scope, b"cookie") for one in line.split(";")]
        return any(name == self._cookie and self._keys.is_cookie(value) for name, _, value in pairs)

    async def _entering(self, scope: Scope, receive: Receive) -> Response:
        form = await _form(receive)
        if form is None:
            return _page(413, "That is too long for a passphrase.")
        host = scope["client"][0]
        if form.get("code"):
            if self._keys.takes_code(form["code"]):
                return self._let_in(host, "code")
            return _page(403, "This code was used before, or is too old: type the passphrase.")
        client = client_of(host)  # from here on without a pause, so that no two tries are looked at as one
        wait_s = math.ceil(self._slowing.wait_s(client))
        if wait_s:
            return _page(429, f"Too many wrong tries: wait {wait_s} s, then try again.", **{"retry-after": str(wait_s)})
        if not self._keys.is_passphrase(form.get("passphrase", "")):
            n = self._slowing.wrong(client)
            _say(f"wrong passphrase from {host}, {n} in a row")
            return _page(403, "That is not the passphrase.")
        self._slowing.right(client)
        return self._let_in(host, "passphrase")

    def _let_in(self, host: str, by: str) -> Response:
        _say(f"{host} was let in by the {by}")
        answer = RedirectResponse("/", 303, _HEADERS)
        answer.set_cookie(self._cookie, self._keys.cookie, httponly=True, samesite="strict", secure=self._secure)
        return answer


def _page(status: int, *remark: str, **headers: str) -> Response:
    return HTMLResponse(entry_page(*remark), status, {**_HEADERS, **headers})


async def _form(receive: Receive) -> dict[str, str] | None:
    """The fields that were sent, the last of each name; None where they are too long or do not arrive whole."""
    body, more = b"", True
    while more:
        message = await receive()
        if message["type"] != "http.request":
            return None
        body += message.get("body", b"")
        if len(body) > _LONGEST_FORM:
            return None
        more = message.get("more_body", False)
    return {name: values[-1] for name, values in parse_qs(body.decode("utf-8", "replace")).items()}
