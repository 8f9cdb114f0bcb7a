"""A certificate of our own making for a test, by the openssl of this machine."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

__all__ = ["make_certificate"]


def make_certificate(folder: Path) -> tuple[Path, Path]:
    """Write a key and a certificate that signs itself; skip the test where openssl is not there."""
    openssl = shutil.which("openssl")
    if openssl is None:
        pytest.skip("openssl makes the certificates of this test, and is not here")
    key, certificate = folder / "key.pem", folder / "certificate.pem"
    words = ["req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=riskmap-test"]
    subprocess.run([openssl, *words, "-keyout", key, "-out", certificate], check=True, capture_output=True)
    return key, certificate
