"""A certificate and its key, tried before the app is served with them."""

from __future__ import annotations

import ipaddress
import ssl
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from triage.errors import TriageError
from triage.files import read_file

_LARGEST_BYTES = 2**20
_NEEDED = "needed: a certificate in PEM form ('-----BEGIN CERTIFICATE-----'), with its key in the same file or in --key FILE"


@dataclass(frozen=True, slots=True)
class Certificate:
    """Files that a server can use, and the addresses and names that the certificate is for, wildcards left out."""

    file: Path
    key: Path
    addresses: tuple[str, ...] = ()
    names: tuple[str, ...] = ()


def read_certificate(file: Path, key: Path | None = None) -> Certificate:
    """A certificate whose key belongs to it and which a client that trusts it accepts today.

    Parameters
    ----------
    key
        None where `file` holds the key too.

    Raises
    ------
    TriageError
        One line: which file, what was found, what is needed and what to do.
    """
    at = f"--certificate {file}"
    if b"-----BEGIN CERTIFICATE-----" not in _read(file, at):
        _refuse(at, "no certificate in it", f"{_NEEDED}; 'openssl x509 -inform der' makes one of DER form into PEM")
    at_key = at if key is None else f"--key {key}"
    key = key or file
    if b"PRIVATE KEY-----" not in _read(key, at_key):
        _refuse(at_key, "no private key in it", "needed: the certificate's key in PEM form, in the same file or in --key FILE")
    server = _server(file, key, at, at_key)
    seen = _as_a_client_sees_it(server, file, at)
    named = [(kind, name.strip().lower()) for kind, name in seen.get("subjectAltName", ())]
    addresses = tuple(str(ipaddress.ip_address(name)) for kind, name in named if kind == "IP Address")
    return Certificate(file, key, addresses, tuple(name for kind, name in named if kind == "DNS" and "*" not in name))


def _read(path: Path, at: str) -> bytes:
    return read_file(path, at_most=_LARGEST_BYTES, needed=_NEEDED, name=at, error=TriageError)


def _server(file: Path, key: Path, at: str, at_key: str) -> ssl.SSLContext:
    asked: list[bool] = []
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        context.load_cert_chain(file, key, password=lambda: asked.append(True) or b"")
    except (ssl.SSLError, ValueError) as error:
        if asked:
            _refuse(at_key, "the key is locked by a password", f"needed: one without, which 'openssl pkey -in {key}' prints")
        if getattr(error, "reason", "") == "KEY_VALUES_MISMATCH":
            _refuse(at_key, "the key belongs to another certificate", f"needed: the key that {file} was made with")
        _refuse(at, f"it cannot be used ({_reason(error)})", "needed: a whole certificate and its key; make them again")
    return context


def _as_a_client_sees_it(server: ssl.SSLContext, file: Path, at: str) -> dict[str, Any]:
    """What the certificate says, from a connection in memory with a client that trusts it, and refuses what any client would."""
    client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    client.check_hostname = False
    client.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
    there, back = ssl.MemoryBIO(), ssl.MemoryBIO()
    try:
        client.load_verify_locations(file)
        ends = (client.wrap_bio(back, there), server.wrap_bio(there, back, server_side=True))
        for _ in range(3):  # each end speaks twice
            for end in ends:
                with suppress(ssl.SSLWantReadError):
                    end.do_handshake()
    except ssl.SSLCertVerificationError as error:
        _refuse(at, error.verify_message, "needed: one for a server that is valid today; set the clock right, or make a new one")
    except ssl.SSLError as error:
        _refuse(at, f"it cannot be used ({_reason(error)})", "needed: a certificate for a server; make it again")
    return ends[0].getpeercert() or {}


def _reason(error: Exception) -> str:
    return str(getattr(error, "reason", None) or error).lower().replace("_", " ")


def _refuse(where: str, found: str, cure: str) -> NoReturn:
    raise TriageError(f"{where}: {found}; {cure}")
