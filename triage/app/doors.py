"""Who is answered: this machine by its own names, and pages that came from here; and what those pages may ask of others: nothing."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]

_NO = b"Only pages of this app on this machine are answered.\n"


def hosts(port: int) -> frozenset[str]:
    """Values of the ``Host`` header that are answered. A page elsewhere whose name leads here comes with that name."""
    return frozenset(f"{name}:{port}" for name in ("localhost", "127.0.0.1", "[::1]"))


def policy(host: str) -> str:
    """The content security policy of a page: nothing from elsewhere, and no frame of another page around it.

    Streamlit writes styles into its pages and its charts compile their formulas.
    """
    return (
        "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; style-src 'self' 'unsafe-inline'; "
        f"img-src 'self' data: blob:; font-src 'self' data:; media-src 'self' blob:; connect-src 'self' ws://{host}; "
        "worker-src 'self' blob:; object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


class Doors:
    """Refuses requests and websockets of any other host or origin before Streamlit sees them (ASGI middleware)."""

    def __init__(self, app: Callable[[Scope, Receive, Send], Awaitable[None]], port: int) -> None:
        self._app = app
        self._hosts = hosts(port)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
        elif host := self._host(scope):
            await self._app(scope, receive, _with_policy(send, policy(host)))
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
        else:
            await send({"type": "http.response.start", "status": 403, "headers": [(b"content-type", b"text/plain")]})
            await send({"type": "http.response.body", "body": _NO})

    def _host(self, scope: Scope) -> str:
        """The host that was asked, empty where it is none of ours or the page that asks is another's."""
        asked, origins = _all(scope, b"host"), _all(scope, b"origin")
        if len(asked) != 1 or asked[0] not in self._hosts:
            return ""
        return asked[0] if origins in ([], [f"http://{asked[0]}"]) else ""


def _all(scope: Scope, name: bytes) -> list[str]:
    return [value.decode("latin-1") for key, value in scope["headers"] if key == name]


def _with_policy(send: Send, words: str) -> Send:
    async def passed_on(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            message = {**message, "headers": [*message.get("headers", ()), (b"content-security-policy", words.encode())]}
        await send(message)

    return passed_on
