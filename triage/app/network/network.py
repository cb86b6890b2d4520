"""Where the app is found in the home network, and what is said of it in the window where it was started."""

from __future__ import annotations

import io
from dataclasses import dataclass

import segno

from triage.app.network.certificate import Certificate
from triage.app.network.keys import CODE_MINUTES, Keys

_PLAIN = "Not encrypted: whoever listens on this network can read everything, the passphrase too. '--certificate FILE' encrypts."


@dataclass(frozen=True, slots=True)
class Network:
    """An address of this machine, others that it has, and the certificate that the app is served with there, if any."""

    address: str
    others: tuple[str, ...] = ()
    certificate: Certificate | None = None

    @property
    def scheme(self) -> str:
        """``https`` with a certificate, ``http`` without."""
        return "https" if self.certificate else "http"

    @property
    def host(self) -> str:
        """What a phone asks for: the address, or the first name of a certificate that is for names alone."""
        return _host(self.address) if self._is_certified or not self._names else self._names[0]

    @property
    def server(self) -> dict[str, str]:
        """Settings of the server that differ from those of an app for this machine alone."""
        settings = {"server.address": self.address, "browser.serverAddress": self.host}
        if self.certificate:
            settings |= {"server.sslCertFile": str(self.certificate.file), "server.sslKeyFile": str(self.certificate.key)}
        return settings

    def hosts(self, port: int) -> frozenset[str]:
        """Values of the ``Host`` header that are answered: the address, and names that the certificate vouches for."""
        return frozenset(f"{one}:{port}" for one in (_host(self.address), *self._names))

    @property
    def _names(self) -> tuple[str, ...]:
        return self.certificate.names if self.certificate else ()

    @property
    def _is_certified(self) -> bool:
        return self.certificate is not None and self.address in self.certificate.addresses

    def announcement(self, keys: Keys, port: int, *, terminal: bool, encoding: str = "utf-8") -> str:
        """Address, passphrase and a code to scan, in lines; on a ``terminal`` the code is bright on dark in any colours."""
        url = f"{self.scheme}://{self.host}:{port}/"
        drawn = _drawn(f"{url}#{keys.code}", terminal, encoding)
        lines = [
            f"On a phone in the same network: {url}",
            f"Passphrase: {keys.passphrase}",
            *([f"Or scan this, once, within {CODE_MINUTES} minutes:", *drawn] if drawn else ()),
            "Whoever has the passphrase can see and change everything in the app. It ends with the app (Ctrl+C).",
        ]
        if not self.certificate:
            lines.append(_PLAIN)
        elif not self._is_certified and not self._names:
            lines.append(f"The certificate is not for {self.address}: the phone will warn before it shows the app.")
        if self.others:
            one = f"'triage app --network {self.others[0]}' takes that one."
            lines.append(f"Other addresses of this machine: {', '.join(self.others)}; {one}")
        return "\n".join(lines)


def _host(name: str) -> str:
    return f"[{name}]" if ":" in name else name


def _drawn(text: str, terminal: bool, encoding: str) -> list[str]:
    """A QR code of half blocks; of inverted spaces on a terminal without such signs; none where neither can be shown."""
    picture, drawn = segno.make_qr(text), io.StringIO()
    half_blocks = encoding.lower().replace("-", "") == "utf8"
    if not half_blocks and not terminal:
        return []
    picture.terminal(drawn, border=2, compact=half_blocks)
    lines = drawn.getvalue().splitlines()
    return [f"\x1b[97;40m{line}\x1b[0m" for line in lines] if terminal and half_blocks else lines
