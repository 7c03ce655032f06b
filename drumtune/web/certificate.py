"""A certificate of our own for `--lan`: browsers give a page the microphone only over HTTPS or on localhost."""

from __future__ import annotations

import ipaddress
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

DAYS = 365
"""Days it lasts."""


def make(folder: Path, names: tuple[str, ...]) -> tuple[Path, Path, str]:
    """Make a key and a certificate for names and addresses.

    Parameters
    ----------
    folder
        Where ``key.pem`` (readable by its owner only) and ``certificate.pem`` are put.
    names
        Host names and IP addresses.

    Returns
    -------
    certificate, key, fingerprint
        Paths, and the SHA-256 of the certificate in hexadecimal, for the player to compare.
    """
    key = ec.generate_private_key(ec.SECP256R1())
    who = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "drumtune on this machine")])
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(who)
        .issuer_name(who)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(days=DAYS))
        .add_extension(x509.SubjectAlternativeName([_name(name) for name in names]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
    secret, public = folder / "key.pem", folder / "certificate.pem"
    secret.touch(mode=0o600)
    plain = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    secret.write_bytes(key.private_bytes(*plain))
    public.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    return public, secret, certificate.fingerprint(hashes.SHA256()).hex()


def _name(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)
