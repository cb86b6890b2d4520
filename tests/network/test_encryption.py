"""What somebody sees who listens on the network: everything without a certificate, nothing of what is said with one."""

import re
import socket
import ssl
import threading

import pytest


class Listener:
    """Passes one connection on to a server and keeps what goes either way."""

    def __init__(self, server):
        self.heard, self._there = b"", (server.at, server.port)
        self._door = socket.create_server(("127.0.0.1", 0))
        self.port = self._door.getsockname()[1]
        threading.Thread(target=self._pass_on, daemon=True).start()

    def _pass_on(self):
        inner, outer = self._door.accept()[0], socket.create_connection(self._there)
        ways = [threading.Thread(target=self._pipe, args=ends) for ends in ((inner, outer), (outer, inner))]
        for way in ways:
            way.start()

    def _pipe(self, source, target):
        while data := source.recv(65536):
            self.heard += data
            target.sendall(data)
        target.shutdown(socket.SHUT_WR)


def heard_of_entering(server):
    listener, (at, port) = Listener(server), (server.at, server.port)
    server.at, server.port = "127.0.0.1", listener.port
    try:
        host, passphrase = f"{server.name}:{port}", server.passphrase.replace(" ", "+")
        status, head, _ = server.told("/enter", "POST", f"passphrase={passphrase}".encode(), Host=host)
    finally:
        server.at, server.port = at, port
    assert status == 303
    return listener.heard, passphrase.encode(), re.search(r"^set-cookie: ([^;]+)", head, re.M)[1].encode()


def test_without_a_certificate_whoever_listens_reads_passphrase_and_cookie(gated):
    heard, passphrase, cookie = heard_of_entering(gated)
    assert passphrase in heard and cookie in heard
    assert gated.told("/_stcore/health", Cookie=cookie.decode())[0] == 200  # and is let in with it


def test_with_a_certificate_whoever_listens_reads_neither(sealed):
    heard, passphrase, cookie = heard_of_entering(sealed)
    assert len(heard) > 1000 and passphrase not in heard and cookie not in heard and b"Triage" not in heard


def test_a_client_that_does_not_trust_the_certificate_says_nothing(sealed):
    with pytest.raises(ssl.SSLCertVerificationError), socket.create_connection((sealed.at, sealed.port)) as line:
        ssl.create_default_context().wrap_socket(line, server_hostname=sealed.name)


def test_nothing_is_answered_unencrypted_where_there_is_a_certificate(sealed):
    with socket.create_connection((sealed.at, sealed.port), timeout=20) as line:
        line.sendall(f"GET / HTTP/1.1\r\nHost: {sealed.name}:{sealed.port}\r\nConnection: close\r\n\r\n".encode())
        try:
            answer = line.recv(65536)
        except ConnectionResetError:
            answer = b""
    assert b"HTTP" not in answer


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1])
@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_old_encryption_is_refused(sealed, version):
    old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    old.check_hostname, old.verify_mode = False, ssl.CERT_NONE
    old.minimum_version = old.maximum_version = version
    old.set_ciphers("ALL:@SECLEVEL=0")
    with pytest.raises(ssl.SSLError), socket.create_connection((sealed.at, sealed.port)) as line:
        old.wrap_socket(line)


def test_pages_and_websockets_of_the_encrypted_address_alone_are_answered(sealed):
    cookie, host = sealed.cookie(), f"{sealed.name}:{sealed.port}"
    assert sealed.ask("/", Cookie=cookie)[0] == 200 and sealed.ask("/")[0] == 403
    assert f"connect-src 'self' wss://{host};" in sealed.ask("/", Cookie=cookie)[1]
    assert sealed.socket_status(Cookie=cookie, Origin=f"https://{host}") == 101
    assert sealed.socket_status(Cookie=cookie, Origin=f"http://{host}") == 403
    assert sealed.socket_status(Origin=f"https://{host}") == 403
