"""Which letters the bytes of a text stand for: told by a mark, by zeros, by UTF-8, else by how the words look."""

from __future__ import annotations

import codecs
import re
import unicodedata
from typing import Final

__all__ = ["Unsure", "read_letters", "wide_encoding"]

_MARKS: Final = (
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_WIDE: Final = ("utf-32-le", "utf-32-be", "utf-16-le", "utf-16-be")
_ONE_BYTE: Final = ("mac_roman", "cp1250", "iso8859_2", "cp1251", "koi8_r", "cp850", "cp866", "cp1253", "cp1254")
_TWO_BYTES: Final = ("shift_jis", "euc_jp", "gb2312", "big5", "euc_kr")
_LOOKED_AT: Final = 200_000  # bytes of lines with other than ASCII letters
_MOST_ODD: Final = 0.1  # share of letters that may look out of place where the encoding is right
_MOST_STRAY: Final = 0.1  # share of letters that may be no UTF-8 in a text that is UTF-8 otherwise
_CLEARLY: Final = 0.05  # an encoding this much worse than the best is no rival
_LIKE_APOSTROPHES: Final = frozenset("’‘´`·‐‑×²³¹")
_EVERYDAY: Final = frozenset("àáâãäåæçèéêëìíîïñòóôõöøœùúûüýßąćęłńśźżčďěňřšťůžőűășțşţđğıİªºµ")  # past a to z, in Latin
_HALF_WIDE: Final = re.compile(r"[\uff61-\uff9f]")  # katakana of old terminals: any two letters decode to them
_RUNS: Final = re.compile(r"[\u00c0-\u024f]{4,}")  # letters with accents, four in a row


class Unsure(Exception):  # noqa: N818 - it is a question, which the caller puts to the user
    """No encoding fits; holds the line and how the text reads in some."""

    def __init__(self, row: int, readings: dict[str, str]) -> None:
        self.row, self.readings = row, readings
        super().__init__("the encoding can't be told")


def read_letters(data: bytes) -> tuple[str, str, str]:
    """Decode a text of which nobody says the encoding.

    Parameters
    ----------
    data : bytes
        The whole text.

    Returns
    -------
    text, encoding, why : str
        `why` is empty where the bytes leave no doubt.

    Raises
    ------
    Unsure
        Words look wrong in every encoding that fits, or several fit equally.
    UnicodeDecodeError
        The encoding is marked, and a letter is broken.

    Examples
    --------
    >>> read_letters("Größe".encode("mac_roman"))[:2], read_letters("a,b".encode("utf-16-be"))[:2]
    (('Größe', 'mac_roman'), ('a,b', 'utf-16-be'))
    """
    marked = next((name for mark, name in _MARKS if data.startswith(mark)), "")
    wide = marked or wide_encoding(data[:4096])
    if wide:
        return data.decode(wide), wide, "" if marked else "its zero bytes show it"
    data = data.removeprefix(codecs.BOM_UTF8)
    try:
        return data.decode("utf-8"), "utf-8", ""
    except UnicodeDecodeError:
        pass
    return _mostly_utf8(data) or _by_looks(data)


def wide_encoding(head: bytes) -> str:
    """Return the encoding of two or four bytes a letter that a text without a mark has, or "".

    Examples
    --------
    >>> wide_encoding("id;Höhe\\n".encode("utf-16-le")), wide_encoding(b"id,x\\n"), wide_encoding(b"\\0\\1\\2\\3")
    ('utf-16-le', '', '')
    """
    best, most = "", 0.2
    for name in _WIDE if b"\0" in head else ():
        try:
            text = codecs.getincrementaldecoder(name)().decode(head)
        except UnicodeDecodeError:
            continue
        plain = sum(mark < "\x80" for mark in text) / max(1, len(text))
        if plain > most and all(mark.isprintable() or mark in "\t\r\n" for mark in text):
            best, most = name, plain
    return best


def _mostly_utf8(data: bytes) -> tuple[str, str, str] | None:
    """UTF-8 into which a few bytes of Windows-1252 have strayed."""
    text = data.decode("utf-8", "surrogateescape")
    stray = re.findall("[\udc80-\udcff]", text)
    sound = len(re.findall("[^\x00-\x7f\udc80-\udcff]", text))
    if len(stray) > _MOST_STRAY * (sound + len(stray)):
        return None
    read = re.sub("[\udc80-\udcff]", lambda found: bytes([ord(found[0]) - 0xDC00]).decode("cp1252", "replace"), text)
    return read, "utf-8", f"{len(stray)} of its bytes are no UTF-8 and were read as Windows-1252"


def _by_looks(data: bytes) -> tuple[str, str, str]:
    """The encoding in which words look like words: Windows-1252 if it will do, else the one that does."""
    lines = [line for line in re.split(rb"[\r\n]+", data[: 20 * _LOOKED_AT]) if not line.isascii()]
    sample = b"\n".join(lines)
    if len(sample) > _LOOKED_AT:
        sample = sample[:_LOOKED_AT].rpartition(b"\n")[0] or sample[:_LOOKED_AT]
    if _odd_share(sample, "cp1252") <= _MOST_ODD and _decodes(data, "cp1252"):
        why = "the bytes are no UTF-8, and all are letters of Windows-1252"
        return data.decode("cp1252"), "cp1252", why
    odd = {name: _odd_share(sample, name) for name in _ONE_BYTE if _decodes(data, name)}
    best = min(odd.values(), default=1.0)
    fits = [name for name in odd if best <= _MOST_ODD and odd[name] <= best + _CLEARLY]
    readings = {name: sample.decode(name) for name in fits}
    if len(set(readings.values())) == 1:
        return data.decode(fits[0]), fits[0], "its words look right in no commoner encoding"
    if fits:
        raise _unsure(data, lines, fits)
    fits = [name for name in _TWO_BYTES if _decodes(data, name) and not _HALF_WIDE.search(data.decode(name))]
    if "euc_jp" in fits and re.search("[\u3041-\u30ff]", data.decode("euc_jp")):
        fits = ["euc_jp"]
    if len(fits) == 1:
        return data.decode(fits[0]), fits[0], "the bytes fit no other encoding"
    raise _unsure(data, lines, fits or ["cp1252", "mac_roman", "cp1251"])


def _unsure(data: bytes, lines: list[bytes], names: list[str]) -> Unsure:
    """The question, with the first line that is not plain as it reads in each encoding."""
    first = next(iter(lines), b"")
    row = data[: max(0, data.find(first))].count(b"\n") + 1
    return Unsure(row, {name: first[:200].decode(name, "replace") for name in names})


def _decodes(data: bytes, name: str) -> bool:
    """Whether every byte stands for something."""
    try:
        data.decode(name)
    except UnicodeDecodeError:
        return False
    return True


def _odd_share(sample: bytes, name: str) -> float:
    """How many of the letters past ASCII look out of place in an encoding, as a share of them."""
    text = f" {sample.decode(name, 'replace')} "
    high = [place for place, mark in enumerate(text) if mark >= "\x80"]
    odd = sum(_oddness(text[place - 1], text[place], text[place + 1]) for place in high)
    odd += sum(len(run) for run in _RUNS.findall(text))
    return min(1.0, odd / len(high)) if high else 0.0


def _oddness(before: str, mark: str, after: str) -> float:
    """How hardly a letter or sign can stand between its neighbours: 0 to 1."""
    kind = unicodedata.category(mark)
    if kind[0] == "C":  # control characters, and places without a letter
        return 1.0
    if kind[0] == "L":
        small_then_capital = (before.islower() and kind == "Lu") or (mark.islower() and after.isupper())
        mixed = any(near.isalpha() and _script(near) != _script(mark) for near in (before, after))
        rare = _script(mark) == "LATIN" and mark.lower() not in _EVERYDAY
        shouted = kind == "Lu" and before.isupper()
        return 1.0 if small_then_capital or mixed else 0.3 * rare + 0.2 * shouted
    if mark in _LIKE_APOSTROPHES or kind in ("No", "Zs"):
        return 0.0
    if kind[0] == "P":
        return float(before.isalpha() and after.isalpha())
    return float(before.isalpha() or max(before, after) >= "\x80" or (after.isalpha() and not before.isdigit()))


def _script(letter: str) -> str:
    """The first word of a letter's name: LATIN, CYRILLIC, GREEK."""
    return "LATIN" if letter < "\x80" or letter in "ªºµ" else unicodedata.name(letter, "?").split(" ")[0]
