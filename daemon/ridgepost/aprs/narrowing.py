"""From a message to a report that says more about it."""

from typing import Any, TypeVar

from ridgepost.aprs.report import Addressed, Message

Narrow = TypeVar("Narrow", bound=Addressed)


def narrow(kind: type[Narrow], message: Message, **more: Any) -> Narrow:
    """Return `message` as the report class `kind`; `more` adds fields or replaces them."""
    shared = {name: getattr(message, name) for name in message.__struct_fields__}
    return kind(**{**shared, **more})
