r"""The sign that the symbol `\m` shows: one to three characters (APRS 1.2c ch. 11, Signpost)."""

import re

from ridgepost.aprs.parts import Place

_TABLE, _CODE = "\\", "m"
_SIGN = re.compile(r"\{([^{}]{1,3})\}")


def read_signpost(place: Place) -> str | None:
    """Return what stands between braces in the comment of a signpost; None if there is none."""
    if (place.symbol_table, place.symbol_code) != (_TABLE, _CODE):
        return None
    found = _SIGN.search(place.comment)
    return found[1] if found else None
