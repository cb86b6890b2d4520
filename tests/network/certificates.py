"""Certificates made for a test: by themselves, or by an authority."""

import ipaddress
from datetime import UTC, datetime, timedelta

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import rsa
from cryptography.x509.oid import NameOID

PKCS8, TRADITIONAL = serialization.PrivateFormat.PKCS8, serialization.PrivateFormat.TraditionalOpenSSL


def pem_of(key, password=b"", form=PKCS8):
    """A private key as text, locked where a password is given."""
    lock = serialization.BestAvailableEncryption(password) if password else serialization.NoEncryption()
    return key.private_bytes(serialization.Encoding.PEM, form, lock)


def made(names=("192.168.1.20",), *, days=(-1, 30), bits=2048, purpose=None, common="home", issuer=None, is_authority=False):
    """Key and certificate (PEM) for names and addresses, `days` from now; signed by itself where no `issuer` (name, key) is."""
    key, today = rsa.generate_private_key(65537, bits), datetime.now(UTC)
    by, signs = issuer or (common, key)
    subject, by = (x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, one)]) for one in (common, by))
    build = x509.CertificateBuilder(by, subject, key.public_key(), x509.random_serial_number())
    build = build.not_valid_before(today + timedelta(days[0])).not_valid_after(today + timedelta(days[1]))
    build = build.add_extension(x509.BasicConstraints(is_authority, None), True)
    if names:
        build = build.add_extension(x509.SubjectAlternativeName([_named(one) for one in names]), False)
    if purpose:
        build = build.add_extension(x509.ExtendedKeyUsage([purpose]), False)
    return key, build.sign(signs, hashes.SHA256()).public_bytes(serialization.Encoding.PEM)


def _named(name):
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)
