"""Certificates made here: which are served with, and what is said of each that is not."""

import subprocess
import sys

import pytest
from certificates import PKCS8, TRADITIONAL, made, pem_of
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import ExtendedKeyUsageOID

from triage.app.network.certificate import Certificate, read_certificate
from triage.errors import TriageError


def refused(*files):
    with pytest.raises(TriageError) as found:
        read_certificate(*files)
    assert "\n" not in str(found.value) and "needed: " in str(found.value)
    return str(found.value)


@pytest.fixture
def put(tmp_path):
    def write(name, *parts):
        (tmp_path / name).write_bytes(b"".join(parts))
        return tmp_path / name

    return write


@pytest.fixture(scope="module")
def home_pair():
    return made(["192.168.1.20", "fd00::2", "Shed.local", "*.shed.local"])


def test_a_certificate_of_ones_own_is_taken_with_its_names(put, home_pair):
    key, certificate = home_pair
    both = put("both.pem", pem_of(key), certificate)
    assert read_certificate(both) == Certificate(both, both, ("192.168.1.20", "fd00::2"), ("shed.local",))
    alone, beside = put("home.crt", certificate), put("home.key", pem_of(key, form=TRADITIONAL))
    assert read_certificate(alone, beside) == Certificate(alone, beside, ("192.168.1.20", "fd00::2"), ("shed.local",))


def test_a_certificate_without_names_is_taken(put):
    key, certificate = made(())
    assert read_certificate(put("x.pem", certificate, pem_of(key))).addresses == ()


def test_a_certificate_of_an_authority_is_taken_with_its_chain_and_without(put):
    authority, above = made((), common="authority", is_authority=True)
    key, certificate = made(["shed.local"], issuer=("authority", authority))
    for chain in ([certificate, above], [certificate]):
        assert read_certificate(put("x.pem", *chain, pem_of(key))).names == ("shed.local",)


def test_what_is_no_certificate_is_refused(put, tmp_path, home_pair):
    key, certificate = home_pair
    assert "none.pem: no such file at" in refused(tmp_path / "none.pem") and "it is a folder" in refused(tmp_path)
    der = x509.load_pem_x509_certificate(certificate).public_bytes(Encoding.DER)
    for parts in ([b""], [b"hello"], [pem_of(key)], [der]):
        said = refused(put("x.pem", *parts))
        assert "--certificate" in said and "x.pem: no certificate in it" in said and "openssl x509 -inform der" in said
    cut = certificate[:200] + b"\n-----END CERTIFICATE-----\n"
    assert "x.pem: it cannot be used (" in refused(put("x.pem", cut, pem_of(key)))


def test_a_certificate_without_its_key_is_refused(put, tmp_path, home_pair):
    key, certificate = home_pair
    alone = put("home.crt", certificate)
    assert "--certificate" in (said := refused(alone)) and "home.crt: no private key in it" in said and "--key FILE" in said
    assert "--key" in (said := refused(alone, alone)) and "home.crt: no private key in it" in said
    assert "--key" in (said := refused(alone, tmp_path / "none.key")) and "none.key: no such file" in said
    assert "home.crt: it cannot be used (" in refused(alone, put("cut.key", pem_of(key)[:300], b"\n-----END PRIVATE KEY-----\n"))


def test_a_key_of_another_certificate_is_refused(put, home_pair):
    other = put("other.key", pem_of(made()[0]))
    assert "other.key: the key belongs to another certificate; needed: the key that" in refused(put("home.crt", home_pair[1]), other)


@pytest.mark.parametrize("form", [PKCS8, TRADITIONAL])
def test_a_locked_key_is_refused_and_nobody_is_asked_for_its_password(put, home_pair, form):
    locked = put("locked.key", pem_of(home_pair[0], b"secret", form))
    said = refused(put("home.crt", home_pair[1]), locked)
    assert "locked.key: the key is locked by a password" in said and f"openssl pkey -in {locked}" in said


@pytest.mark.parametrize(("days", "words"), [((-30, -1), "certificate has expired"), ((1, 30), "certificate is not yet valid")])
def test_a_certificate_of_other_days_is_refused(put, days, words):
    key, certificate = made(days=days)
    assert f"x.pem: {words}; needed: one for a server that is valid today" in refused(put("x.pem", certificate, pem_of(key)))


def test_a_certificate_that_browsers_would_not_take_from_a_server_is_refused(put):
    key, certificate = made(purpose=ExtendedKeyUsageOID.CLIENT_AUTH)
    assert "x.pem: unsuitable certificate purpose" in refused(put("x.pem", certificate, pem_of(key)))
    key, certificate = made(bits=1024)
    assert "x.pem: it cannot be used (ee key too small)" in refused(put("x.pem", certificate, pem_of(key)))


def test_the_server_is_not_started_with_what_was_refused(tmp_path):
    words = [sys.executable, "-m", "triage.cli.main", "app", "--network", "--certificate", str(tmp_path / "none.pem")]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 2 and len(done.stderr.splitlines()) == 1 and done.stdout == ""
