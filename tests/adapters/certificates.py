"""Certificates made for one test: an authority, a server on loopback and a client."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

if TYPE_CHECKING:
    from pathlib import Path

CLIENT_NAME = "loft"
"""The common name in the client's certificate."""


@dataclass(frozen=True)
class Certificates:
    """Paths of PEM files."""

    authority: Path
    server: Path
    server_key: Path
    client: Path
    client_key: Path


def make_certificates(folder: Path) -> Certificates:
    """Make an authority of its own, with a certificate for 127.0.0.1 and localhost and one for a client."""
    folder.mkdir(parents=True, exist_ok=True)
    made = Certificates(*(folder / name for name in ("ca.pem", "server.pem", "server.key", "client.pem", "client.key")))
    authority_key = ec.generate_private_key(ec.SECP256R1())
    authority = _named("Invented Test Authority")

    def issue(path: Path, key_path: Path | None, subject: x509.Name, *extensions: x509.ExtensionType) -> None:
        key = ec.generate_private_key(ec.SECP256R1()) if key_path else authority_key
        now = datetime.now(UTC)
        builder = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(authority)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(hours=1))
            .not_valid_after(now + timedelta(days=1))
            .add_extension(
                x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key()), critical=False
            )
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        )
        for extension in extensions:
            builder = builder.add_extension(extension, critical=isinstance(extension, x509.BasicConstraints))
        path.write_bytes(builder.sign(authority_key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM))
        if key_path:
            key_path.write_bytes(
                key.private_bytes(
                    serialization.Encoding.PEM,
                    serialization.PrivateFormat.PKCS8,
                    serialization.NoEncryption(),
                )
            )

    hosts = x509.SubjectAlternativeName(
        [x509.IPAddress(ipaddress.ip_address("127.0.0.1")), x509.DNSName("localhost")],
    )
    serving = x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH])
    calling = x509.ExtendedKeyUsage([ExtendedKeyUsageOID.CLIENT_AUTH])
    issue(made.authority, None, authority, x509.BasicConstraints(ca=True, path_length=None))
    issue(made.server, made.server_key, _named("localhost"), hosts, serving)
    issue(made.client, made.client_key, _named(CLIENT_NAME), calling)
    return made


def _named(name: str) -> x509.Name:
    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
