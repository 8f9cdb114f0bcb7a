"""Which column is what, by its header alone; the unit and the place of measuring that a header names."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

__all__ = ["TREE_COLUMNS", "Header", "header_unit", "match_header", "recognise", "stem_place", "words_of"]

TREE_COLUMNS: Final = (
    *("tree_id", "x", "y", "place", "species", "common", "genus", "cultivar", "caliper", "planted", "group", "age"),
    *("height", "form", "stock", "stems", "lowest_branch", "surface", "bare_radius", "mulch_radius", "room"),
    *("guard_now", "guard_since", "accuracy", "cost_to_replace"),
)
"""Our names for the columns of a trees file, as [trees.columns] spells them."""

# Column -> patterns in order of trust, matched whole against the header without case, spaces and marks.
# `~` before a pattern: matched against the words of the header, anywhere.
_PATTERNS: Final[Mapping[str, tuple[str, ...]]] = {
    "tree_id": (
        r"tree(id|no|nr|num|numb|numbe|number|nos|tag|tagno|tagid|tagnumber|ref|reference|key|code|identifier)",
        r"tag(id|no|nr|number|num)?|plant(id|no|number)|uniqueid|unid|uuid|trnum|trno|trid|assetid|assetno|inventoryid",
        r"id|idno|idnumber|ident|identifier|(primary|main|unique)id|facilityid|siteid|recordid|recordno|specimen(id|no)",
        r"tree|no|number|nr|num|ref|label|pointid|point|pt|ptid|waypoint|name",
        r"f?objectid(\d+)?|oid|gid|fid(\d+)?|ogcfid|globalid|rowid|pk|cartodbid|f?id\d?",
    ),
    "x": (
        r"(tree|gps|wgs84|decimal|dec|geo|x)?(longitude|longitud|long|lon|lng|longtitude)(dd|deg|degrees|decimal|wgs84|x|gps)?",
        r"(point|loc|pos|gps|coord|coords|coordinate|tree|geo|geom|center|centroid|intpt)?x(\d|coord|coords|coordinate|coorid|"
        r"coordin|loc|pos|cord|co|m|metres|meters|ft|feet|utm|proj)?|coordinatesx|coordx1",
        r"(gps|utm|grid|tree|os|nz|bng|itm|map)?(easting|eastings|east|este|eastingm|rechtswert)(m|utm|ft|s)?|utm(e|x)|e",
    ),
    "y": (
        r"(tree|gps|wgs84|decimal|dec|geo|y)?(latitude|latitud|lat|lattitude|latitute)(dd|deg|degrees|decimal|wgs84|y|gps)?",
        r"(point|loc|pos|gps|coord|coords|coordinate|tree|geo|geom|center|centroid|intpt)?y(\d|coord|coords|coordinate|coorid|"
        r"coordin|loc|pos|cord|co|m|metres|meters|ft|feet|utm|proj)?|coordinatesy|coordy1",
        r"(gps|utm|grid|tree|os|nz|bng|itm|map)?(northing|northings|north|norte|northingm|hochwert)(m|utm|ft|s)?|utm(n|y)|n",
    ),
    "place": (
        r"geometry|geom|wkt|wktgeom|wktgeometry|thegeom|shape|geometrywkt|geomwkt|pointwkt|geowkt",
        r"geopoint(2d)?|latlon|latlng|latlong|lonlat|lnglat|longlat|coordinates|coordinate|coords|georeference|geolocation|"
        r"gpscoordinates|gps|location(1|point|coordinates)?|position|point",
    ),
    "species": (
        r"(species|tree|spp|sp|name|plant)?(scientific|latin|botanical|botanic|botan|scient|sci|bot)(name|nam|nm|species|"
        r"spp|namestr|namesrep)?(str)?|(species|spp|sp|name)(scientific|latin|botanical|bot|sci|la)(name)?",
        r"taxon(name)?|taxa|(tree|t)?(species|specie|speci|spp)(name|nam|text|latin|desc|description)?|genus(and)?species|"
        r"treename(genus)?species|fullspecies|dvspp|spname|speciesbotanical|espece|especie|art|baumart",
    ),
    "common": (
        r"(tree|spp|species|plant|tr)?(common|comm|cmmn|com|english|vernacular|colloquial)(name|names|nam|nm|namestr)?|"
        r"(spp|species|name)(common|com|co)(name)?|speciescommonname|commonspecies",
        r"treename(val)?|(tree|species)type|kindoftree|speciesfullname|plantspec(ies)?|tname|plantname|plant|rowtreetype|name",
    ),
    "genus": (r"(t|tr|tree|latin|species|botanical|botanic)?(genus|genera|ge)(name)?|botanicalg",),
    "cultivar": (r"(tree|t|latin)?(cultivar|variety|cv|cultvar)(name|variety)?|cultivarname|infraspecific.*",),
    "caliper": (
        r"~(?<!date )\b(dbh|d b h|dsh|caliper|calliper|gbh|girth|circumference|circum|circumf)\b(?! ?date)",
        r"~\b(diameter|diam|diametre|diamètre|dia)\b",
        r"(tr|tree|trunk|stem|ex|exact|dv|actual|est|current|new)?(dbh|dsh|caliper|calliper|cal|girth|circumference|circum|"
        r"diameter|diam|dia)(\d|in|inch|inches|cm|mm|m|ft|val|value|size|range|class|classes|str|cls|exact)?",
        r"(diameter|diam)(at)?breastheight\d?|(tree|stem|trunk)?size|(stem|trunk)(mm|cm|in|inch|inches)",
    ),
    "height": (
        r"(tree|t|total|plant|planting|exact|actual|est|current|stem)?(height|hgt|ht|heigh|heig|hght)(total|m|ft|feet|cm|mm|in|"
        r"metres|meters|exact|value|val|str)?|height(total|ft|m|cm|tree|in(feet|metres|meters|cm))",
        r"~\b(height|heigh|heig|hgt|hght|ht)\b",
        r"(tree|t)?(height|h)(class|clas|range|ran|rang|category|classes)",
    ),
    "planted": (
        r"(tree|t)?(date|dt|yr|year|day|yearof|dateof)(planted|plant|planting|pltd|plntd)|(tree)?(planted|plant|planting|pl|plntd|"
        r"pltd)(date|dt|on|yr|year|yea|season|in|month|time|when)|planted|datepl",
        r"(date|dt|yr|year)?(installed|install|installation|instal)(date|dt|yr|year|yea|on)?",
        r"(proposed|actual)?(planting|plant)(year|date)|plantingse(ason)?",
    ),
    "group": (
        r"(planting|plant|tree)?(group|block)(id|no|name|number)?|ward(s|no|name|id|number)?",
        r"(planting)?(plot|compartment|parcel|unit|row|bed)(id|no|name)?|(council|city|maintenance|management)?(district|zone|"
        r"area|sector)(id|no|name)?",
        r"neighbou?rhood(name)?|neighbo|borough(name)?|suburb|precinct|park(name)?|community",
    ),
    "age": (
        r"(tree|plant|stem)?age(years|yrs|yr|y|inyears|est)?|(est|estimated)age|yearsold",
        r"(tree)?age(class|cls|range)",
    ),
    "form": (r"(tree|plant|growth|stem)?form|habit|planthabit|growthhabit|treeshape",),
    "stock": (
        r"(stock|nurserystock|planting|plant)(type|kind|stock|size|material)|stock|rootstock|planttype|roottype",
    ),
    "stems": (
        r"(no|num|number|count|nr|n)?(of)?(stems|trunks|st)(no|count|number|num)?|(stem|trunk)(no|count|number|cnt|s)|trunkno",
    ),
    "lowest_branch": (
        r"(lowest|first|low)(branch|limb)(height|ht|m|ft|cm)?|(height|ht)(to|of)?(the)?(lowest|first)(branch|limb)(m|ft|cm)?",
        r"(clear|free)(stem|trunk|bole)(height|ht|m|ft|cm)?|crownbase(height|ht|m|ft)?|(height|ht)to(crown|crownbase|livecrown)(m|ft)?",
    ),
    "surface": (
        r"(ground|soil|growing|planting|tree)?surface(type|cover)?|groundcover|(planting)?substrate|grow(ing|th)?space(type)?|growing(site|location)(type)?|plantingspacetype",
    ),
    "bare_radius": (r"bare(ground)?radius(m|cm|ft|in)?",),
    "mulch_radius": (r"mulch(ring)?radius(m|cm|ft|in)?",),
    "room": (r"room(m|cm|ft|in)?",),
    "guard_now": (
        r"(tree|current|existing|stem|trunk)?(guard|guards|protection|protector|shelter|guarding)(now|type|kind|present|fitted|on|s)?",
    ),
    "guard_since": (
        r"(guard(?:ed)?|shelter|protect(?:ion|ed))(since|date|year|installed|fittedon|on(date)?|dt)|(date|year)guard(ed)?",
    ),
    "accuracy": (
        r"(gps|horizontal|horiz|position|positional|pos|location|h)?(accuracy|acc|precision)(m|ft|metres|meters|cm)?",
    ),
    "cost_to_replace": (r"(cost|price)to(replace)|replacement(cost|value|price)(usd|eur|gbp)?",),
}

# Words that say the column is about something else, whatever stands beside them.
_NOT_OURS: Final[Mapping[str, str]] = {
    "caliper": r"date|day|year|yr|crown|canopy|spread|target|mature|final|pot|root|ball|hole|pit|well|grate|change|"
    r"growth|increment|height of|units?|id|count|rank|hub|opening|guard|source|method|bed|cut|estimated by",
    "height": r"date|breast|base|crown|canopy|target|wire|wires|mature|final|clearance|clear|branch|limb|guard|sign|"
    r"units?|id|lowest|dbh|diameter|diam|elevation|curb|source|method|lift|snow|max|rank|stake",
    "planted": r"type|spec|species|site|id|space|width|well|size|by|area|name|count|height|method",
    "species": r"code|cd|id|family|group|count|no|num|number|class|abbr|type|status|value|rating|order",
    "common": r"code|cd|id|family|group|genus|street|park|user|file|first|last|owner",
    "stems": r"diameter|dbh|damage|condition|multi",
}
_UNIT_TOKENS: Final[Mapping[str, str]] = {
    **dict.fromkeys(("mm", "millimeters", "millimetres", "millimeter", "millimetre"), "mm"),
    **dict.fromkeys(("cm", "cms", "centimeters", "centimetres", "centimeter", "centimetre"), "cm"),
    **dict.fromkeys(("m", "meter", "meters", "metre", "metres", "mtr", "mtrs"), "m"),
    **dict.fromkeys(("in", "inch", "inches", "ins"), "in"),
    **dict.fromkeys(("ft", "feet", "foot"), "ft"),
}
_GLUED_UNIT = re.compile(
    r"(?:.*(?:dbh|dsh|diameter|diam|caliper|calliper|height|hgt|girth|circumference|circum|radius|accuracy))"
    r"(in|inch|inches|cm|mm|ft|feet|meters|metres|m)"
)


@dataclass(frozen=True, slots=True)
class Header:
    """A header taken for one of our columns."""

    column: str  # ours
    index: int  # place in the file, from 0
    text: str  # as the file has it
    rank: int  # 0 is the surest pattern
    rivals: tuple[str, ...] = ()  # other headers that could mean the same


@lru_cache(maxsize=65_536)
def words_of(header: str) -> str:
    """Return a header as lower-case words.

    Examples
    --------
    >>> words_of("Tree_Size__DBH_"), words_of("DBHIn"), words_of(" Tree # ")
    ('tree size dbh', 'dbh in', 'tree no')
    """
    text = unicodedata.normalize("NFKC", header).replace("#", " no ").replace('"', " in ").replace("°", " deg ")
    text = re.sub(r"([a-z])([A-Z])", r"\1 \2", text)
    text = re.sub(r"([A-Z]+)([A-Z][a-z])", r"\1 \2", text)
    text = re.sub(r"([A-Za-z])(\d)", r"\1 \2", text)
    return " ".join(re.sub(r"[^\w]|_", " ", text).lower().split())


def match_header(header: str, column: str) -> int | None:
    """Return how well a header fits one of our columns: 0 best, None not at all."""
    words = words_of(header)
    compact = words.replace(" ", "")
    barred = _NOT_OURS.get(column)
    if not compact or (barred and re.search(rf"\b({barred})\b", words)):
        return None
    if column == "caliper" and re.search(r"date$", compact):
        return None
    for rank, pattern in enumerate(_PATTERNS[column]):
        if pattern.startswith("~"):
            if re.search(pattern[1:], words):
                return rank
        elif re.fullmatch(pattern, compact):
            return rank
    return None


def recognise(
    headers: Sequence[str], *, given: Mapping[str, int], skip: Collection[str] = (), projected: bool = False
) -> dict[str, Header]:
    """Tell which header holds which of our columns.

    Parameters
    ----------
    headers : sequence of str
        The headers in the file's order.
    given : mapping
        Our column -> place, as the user said; those headers are taken already.
    skip : collection of str
        Columns not to look for.
    projected : bool
        The places are known not to be degrees: longitude and latitude come last.

    Returns
    -------
    dict
        Our column -> header; a header is taken once, by the column it fits best. x and y come as a pair of one kind.

    Examples
    --------
    >>> found = recognise(["OBJECTID", "Latin_Name", "DBH_in", "Longitude", "Latitude"], given={})
    >>> {column: header.text for column, header in found.items()}
    {'tree_id': 'OBJECTID', 'x': 'Longitude', 'y': 'Latitude', 'species': 'Latin_Name', 'caliper': 'DBH_in'}
    """
    found = {column: Header(column, index, headers[index], -1) for column, index in given.items()}
    taken = set(given.values())
    for column in TREE_COLUMNS:
        if column in found or column in skip:
            continue
        fits = [
            (rank, index)
            for index, header in enumerate(headers)
            if index not in taken and (rank := match_header(header, column)) is not None
        ]
        if not fits or (column in ("x", "y") and ("x" in given) != ("y" in given)):
            continue
        rank, index = min(fits)
        found[column] = Header(
            column, index, headers[index], rank, tuple(headers[i] for _, i in sorted(fits) if i != index)
        )
    _pair_places(headers, found, given, (1, 2, 0) if projected else (0, 1, 2))
    return _each_once(found)


def _pair_places(
    headers: Sequence[str], found: dict[str, Header], given: Mapping[str, int], order: Sequence[int]
) -> None:
    """Take x and y of one kind: longitude with latitude, x with y, easting with northing."""
    if "x" in given or "y" in given or "x" not in found or "y" not in found:
        if "x" not in given and ("x" in found) != ("y" in found):
            found.pop("x", None), found.pop("y", None)
        return
    ranks = {
        axis: {rank: i for i in reversed(range(len(headers))) if (rank := match_header(headers[i], axis)) is not None}
        for axis in ("x", "y")
    }
    for rank in order:
        if rank not in ranks["x"] or rank not in ranks["y"]:
            continue
        for axis in ("x", "y"):
            index = ranks[axis][rank]
            found[axis] = Header(axis, index, headers[index], rank, found[axis].rivals)
        return
    del found["x"], found["y"]


def _each_once(found: dict[str, Header]) -> dict[str, Header]:
    """A header that several columns claim goes to the one it fits best."""
    best: dict[int, Header] = {}
    for header in found.values():
        rival = best.get(header.index)
        if rival is None or header.rank < rival.rank:
            best[header.index] = header
    return {column: header for column, header in found.items() if best[header.index] is header}


def header_unit(header: str) -> str:
    """Return the unit of length that a header names, or ""; the 1 m in "girth at 1 m" is a height, no unit.

    Examples
    --------
    >>> [header_unit(text) for text in ("dbh_in", "Height_ft", "Diameter in cm", "diameterin", "DBH")]
    ['in', 'ft', 'cm', 'in', '']
    """
    words = words_of(header).split()
    said = [
        word for before, word in zip(["", *words], words, strict=False) if word in _UNIT_TOKENS and not before.isdigit()
    ]
    plain = {_UNIT_TOKENS[word] for word in said if word != "in"}
    if plain:
        return plain.pop() if len(plain) == 1 else ""
    if said:
        return "in"
    glued = _GLUED_UNIT.fullmatch("".join(words))
    return _UNIT_TOKENS[glued[1]] if glued else ""


def stem_place(header: str) -> str:
    """Return where a header says stems were measured, as trees.caliper_at spells it, or "".

    Examples
    --------
    >>> [stem_place(text) for text in ("DBH", "Caliper", "Girth_1m", "circum_in", "Diameter", "DBH/Cal")]
    ['breast', 'nursery', 'girth_1m', 'girth_breast', '', '']
    """
    words = words_of(header)
    compact = words.replace(" ", "")
    if re.search(r"girth|circum|gbh", compact):
        return "girth_1m" if re.search(r"1m|100cm|1metre|1meter", compact) else "girth_breast"
    if re.search(r"dbh|dsh|breast|bhd", compact):
        if re.search(r"calliper|caliper|\bcal\b", words):  # thick stems by the one, young ones by the other
            return ""
        return "breast_1_3" if re.search(r"13m|130cm|1300mm", compact) else "breast"
    return "nursery" if re.search(r"calliper|caliper|base|basal|rootcollar|\bcal\b", words) else ""
