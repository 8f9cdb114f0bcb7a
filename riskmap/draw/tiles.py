"""Online background tiles that the user named: off until ticked, and no host but theirs is let in."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlsplit

from riskmap.errors import shown

__all__ = ["Tiles", "tiles_of"]

HOST: Final = re.compile(r"(\{s\}\.)?[a-z0-9]([a-z0-9.-]*[a-z0-9])?(:[0-9]{1,5})?", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tiles:
    """Where tiles come from, and what the content policy must let in for them."""

    address: str
    attribution: str
    host: str
    policy: str

    def page(self) -> dict[str, str]:
        """Return what the page needs."""
        return {"address": self.address, "attribution": self.attribution, "host": self.host}


def tiles_of(address: str, attribution: str) -> Tiles | None:
    """Return the tiles of an address such as https://tiles.example/{z}/{x}/{y}.png; None where there is none.

    Raises
    ------
    ValueError
        It is no address of tiles.

    Examples
    --------
    >>> tiles_of("https://{s}.tiles.example/{z}/{x}/{y}.png", "A. Nobody").policy
    'https://*.tiles.example'
    """
    if not address:
        return None
    try:
        parts = urlsplit(address)
    except ValueError:  # brackets that hold no address
        parts = urlsplit("")
    whole = (
        parts.scheme in ("http", "https")
        and HOST.fullmatch(parts.netloc)
        and all(mark in address for mark in ("{z}", "{x}", "{y}"))
    )
    if not whole:
        raise ValueError(f"'{shown(address)}' is no address of map tiles")
    host = parts.netloc.lower()
    allowed = host.replace("{s}.", "*.")
    return Tiles(
        address=address, attribution=attribution, host=host.replace("{s}.", ""), policy=f"{parts.scheme}://{allowed}"
    )
