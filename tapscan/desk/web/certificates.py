"""The desk's own certificate, for pages that other devices open over HTTPS.

Browsers lend a microphone to encrypted pages only. No authority vouches for a laptop in a workshop, so the
desk signs for itself: whoever opens the page compares the fingerprint with the one that is printed. Key and
certificate are kept in the user's folder of settings, one pair for each address: a phone that was asked once
is not asked again.
"""

import datetime as dt
import ipaddress
import os
from dataclasses import dataclass
from pathlib import Path

import click
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from tapscan.errors import TapscanError
from tapscan.records.writing import UNFINISHED

__all__ = ["Identity", "certificate_pem", "identity_for", "settings_folder"]

# Some phones refuse certificates that are valid for more than 825 days, whoever signed them.
VALID_DAYS = 800
# One that ends soon is made anew: an inspection may go on for weeks.
LEAST_DAYS_LEFT = 30


@dataclass(frozen=True, slots=True)
class Identity:
    """A certificate with its key in one PEM file at `path`, and its SHA-256 fingerprint."""

    path: Path
    fingerprint: str


def settings_folder() -> Path:
    """Where the desk keeps what it needs beside the inspections: the user's folder of settings."""
    return Path(click.get_app_dir("tapscan")) / "desk"


def identity_for(address: str, folder: Path | None = None) -> Identity:
    """Return the desk's identity at an address of this computer; made when there is none, or it ends soon.

    Raises
    ------
    TapscanError
        When it cannot be kept in `folder`, the user's folder of settings unless given.

    Examples
    --------
    >>> identity_for("192.168.1.20").fingerprint[:8]                           # doctest: +SKIP
    '3F:91:0C'
    """
    home = settings_folder() if folder is None else folder
    path = home / f"{address.replace(':', '-')}.pem"
    try:
        certificate = _kept(path, address)
        if certificate is None:
            certificate = _make(path, address)
    except OSError as error:
        what = f"cannot be written: {error.strerror or type(error).__name__}"
        raise TapscanError(str(path), what, "make room, or make the folder writable") from None
    digest = certificate.fingerprint(hashes.SHA256())
    return Identity(path, ":".join(f"{byte:02X}" for byte in digest))


def certificate_pem(identity: Identity) -> bytes:
    """Return the certificate without its key: what a phone may take in as trusted."""
    certificate = x509.load_pem_x509_certificate(identity.path.read_bytes())
    return certificate.public_bytes(serialization.Encoding.PEM)


def _kept(path: Path, address: str) -> x509.Certificate | None:
    """Read what is kept; None when there is nothing, it is damaged, for another address, or ends soon."""
    if not path.is_file():
        return None
    content = path.read_bytes()
    try:
        certificate = x509.load_pem_x509_certificate(content)
        serialization.load_pem_private_key(content, password=None)
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (ValueError, x509.ExtensionNotFound):
        return None
    is_ours = ipaddress.ip_address(address) in names.get_values_for_type(x509.IPAddress)
    left = certificate.not_valid_after_utc - dt.datetime.now(dt.UTC)
    return certificate if is_ours and left > dt.timedelta(days=LEAST_DAYS_LEFT) else None


def _make(path: Path, address: str) -> x509.Certificate:
    """Make a key and a certificate for one address, and keep them where only the user can read them."""
    key = ec.generate_private_key(ec.SECP256R1())
    certificate = _signed(key, address)
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    secret = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    beside = path.with_suffix(f"{UNFINISHED}{os.getpid()}")
    # Readable by nobody else from its first moment on.
    with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
        stream.write(secret + certificate.public_bytes(serialization.Encoding.PEM))
    beside.replace(path)
    return certificate


def _signed(key: ec.EllipticCurvePrivateKey, address: str) -> x509.Certificate:
    """Sign for ourselves. A phone may take it in as an authority, but for this one address alone."""
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"tapscan desk at {address}")])
    number = ipaddress.ip_address(address)
    only = x509.NameConstraints([x509.IPAddress(ipaddress.ip_network(number))], None)
    since = dt.datetime.now(dt.UTC) - dt.timedelta(days=1)  # clocks of phones and laptops differ
    return (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(since)
        .not_valid_after(since + dt.timedelta(days=VALID_DAYS))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(number)]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(only, critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(key, hashes.SHA256())
    )
