"""Who is answered: who asks for this machine by a name of its own, and pages that came from here; they ask nothing of others."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

_POLICY = b"content-security-policy"
_NO = b"Not answered under this address: open the one that the app said when it started.\n"


def loopback_hosts(port: int) -> frozenset[str]:
    """Values of the ``Host`` header that are answered. A page elsewhere whose name leads here comes with that name."""
    return frozenset(f"{name}:{port}" for name in ("localhost", "127.0.0.1", "[::1]"))


def header_values(scope: Scope, name: bytes) -> list[str]:
    """All that a request says under the name of a header, which is in lower case."""
    return [value.decode("latin-1") for key, value in scope["headers"] if key == name]


def policy(host: str, scheme: str = "http") -> str:
    """The content security policy of a page: nothing from elsewhere, and no frame of another page around it.

    Streamlit writes styles into its pages and its charts compile their formulas.
    """
    socket = {"http": "ws", "https": "wss"}[scheme]
    return (
        "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; style-src 'self' 'unsafe-inline'; "
        f"img-src 'self' data: blob:; font-src 'self' data:; media-src 'self' blob:; connect-src 'self' {socket}://{host}; "
        "worker-src 'self' blob:; object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


class Doors:
    """Refuses requests and websockets of any other host or origin before Streamlit sees them (ASGI middleware)."""

    def __init__(self, app: App, hosts: frozenset[str], scheme: str = "http") -> None:
        self._app, self._hosts, self._scheme = app, hosts, scheme

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
        elif host := self._host(scope):
            await self._app(scope, receive, _with_policy(send, policy(host, self._scheme)))
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
        else:
            await send({"type": "http.response.start", "status": 403, "headers": [(b"content-type", b"text/plain")]})
            await send({"type": "http.response.body", "body": _NO})

    def _host(self, scope: Scope) -> str:
        """The host that was asked, empty where it is none of ours or the page that asks is another's."""
        asked, origins = header_values(scope, b"host"), header_values(scope, b"origin")
        if len(asked) != 1 or asked[0] not in self._hosts:
            return ""
        return asked[0] if origins in ([], [f"{self._scheme}://{asked[0]}"]) else ""


def _with_policy(send: Send, words: str) -> Send:
    async def passed_on(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            headers = list(message.get("headers", ()))
            if not any(name == _POLICY for name, _ in headers):  # a page that is stricter with itself says so
                message = {**message, "headers": [*headers, (_POLICY, words.encode())]}
        await send(message)

    return passed_on
