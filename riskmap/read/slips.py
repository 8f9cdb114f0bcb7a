"""What to write in place of a line that is no TOML: the slips that people make who never wrote one."""

from __future__ import annotations

import re
from typing import Final

__all__ = ["remedy_of"]

LONGEST_LINE: Final = 300  # characters; a longer one is no slip of the pen
_SLIPS: Final[tuple[tuple[str, str], ...]] = (  # pattern of a line, what would do; the first that fits
    (r".*\\", "write folders with / in place of \\, or the name between single quotes"),
    (r".*[“”„‟‘’‚«»]", 'write straight quotes, such as "Mill Meadow"'),
    (r"[^=]+=\s*\d{1,4}[/.]\d{1,2}[/.]\d{1,4}\s*(#|$)", "write days year first, such as 2026-10-15"),
    (
        r"[^=]+=\s*\d{4}-\d{1,2}-\d{1,2}\s*(#|$)",
        "write a day that there is, as 2026-10-05, month and day with two figures",
    ),
    (
        r"[^=]+=\s*([$€£]\s*)?\d[\d.,' ]*(\s*[$€£%\w]+)?\s*(#|$)",
        "write a plain number, such as 12000, without commas, signs of money or units",
    ),
    (r"[^=]+=\s*\{.*,\s*\}\s*(#|$)", "take out the last comma before }"),
    (r"[^=]+=\s*\{[^}]*$", "write all of { … } on one line"),
    (r"(?i)[^=]+=\s*(yes|no|on|off|true|false)\s*(#|$)", "write true or false, in small letters and without quotes"),
    (r"[^=]+=\s*[^\W\d][^\"#]*(#|$)", 'put texts and file names in quotes, such as file = "trees.csv"'),
    (r"[^\"#]*\"[^\"]*$|[^'#\"]*'[^']*$", "close the quote on the line it is opened on"),
    (r"[^=\[]+(#|$)", "a line is key = value, or [section]; is this the site file? riskmap start writes a first one"),
)
_TWICE: Final = re.compile(r"overwrite|twice|namespace|mutate", re.I)  # words of the reader where a key comes again


def remedy_of(line: str, said: str = "") -> str:
    """Return what would do in place of a line that can't be read.

    Parameters
    ----------
    line : str
        The line; empty where nobody knows which.
    said : str
        What the reader of TOML says is wrong.

    Examples
    --------
    >>> remedy_of("date = 10/15/2026")
    'write days year first, such as 2026-10-15'
    """
    if _TWICE.search(said):
        return "this key or section stands further up already; keep one of the two"
    found = (remedy for pattern, remedy in _SLIPS if 0 < len(line) < LONGEST_LINE and re.match(pattern, line))
    return next(found, 'look at quotes, brackets and "=" on this line')
