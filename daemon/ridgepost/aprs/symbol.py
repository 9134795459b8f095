"""Symbols in the information field: a table or overlay, and a code from it (APRS 1.2c ch. 21)."""

# a-j stand for overlaid digits in compressed positions only.
_TABLES = frozenset(bytes([octet]) for octet in b"/\\0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ")


def is_symbol_table(octet: bytes) -> bool:
    """Say whether `octet` is one of the two tables, or an overlay for the alternate one."""
    return octet in _TABLES


def is_symbol_code(octet: bytes) -> bool:
    """Say whether `octet` can name a symbol of a table."""
    return len(octet) == 1 and 0x21 <= octet[0] <= 0x7E
