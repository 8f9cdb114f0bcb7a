"""Which addresses of a scheduler data may be sent to: this machine, encrypted, or in the clear where it is meant."""

from __future__ import annotations

import ipaddress
import re
from typing import Final
from urllib.parse import urlsplit

from riskmap.errors import WordsError, shown

__all__ = ["check_address"]

_NAME: Final = re.compile(r"[a-z0-9](?:[a-z0-9._-]*[a-z0-9])?")


def check_address(address: str, *, insecure: bool) -> str:
    """Return the address of a scheduler, written anew from its parts, if it is one to send data to.

    Parameters
    ----------
    address : str
        As typed: ``tls://host:port``, ``tcp://host:port`` or ``host:port``.
    insecure : bool
        Plain tcp to another host is meant.

    Raises
    ------
    WordsError
        It is no such address, or would send data to another host in the clear.

    Examples
    --------
    >>> check_address("127.0.0.1:8786", insecure=False)
    'tcp://127.0.0.1:8786'
    >>> check_address("tls://Scheduler.example:8786/", insecure=False)
    'tls://scheduler.example:8786'
    """
    scheme, host, port = _parts(address)
    if scheme == "tcp" and not _on_this_machine(host) and not insecure:
        raise WordsError(
            f"--cluster {shown(address)!r} would send trees and layers to another host in the clear; write tls://, or "
            "add --insecure-cluster where the network between is your own"
        )
    return f"{scheme}://{f'[{host}]' if ':' in host else host}:{port}"


def _parts(address: str) -> tuple[str, str, int]:
    """Scheme, host and port; nothing else may stand in an address."""
    plain = address.isascii() and address.isprintable() and not set(address) & set(" \\%@?#")
    try:
        parts = urlsplit(address if "://" in address else f"tcp://{address}") if plain else urlsplit("")
        host, port = parts.hostname or "", parts.port or 0
        sound = parts.scheme in ("tcp", "tls") and port and parts.path in ("", "/") and _is_host(host)
    except ValueError:
        sound = False
    if not sound:
        raise WordsError(
            f"--cluster {shown(address)!r} is no address of a scheduler; write tls://HOST:PORT, "
            "or tcp://127.0.0.1:PORT on this machine"
        )
    return parts.scheme, host, port


def _is_host(host: str) -> bool:
    """Whether it is an IPv6 address or could be a name."""
    if ":" in host:
        return ipaddress.ip_address(host).version == 6
    return bool(_NAME.fullmatch(host))


def _on_this_machine(host: str) -> bool:
    """Whether a host is this machine by its address; a name other than localhost may be anybody's."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
