"""Telemetry definitions, which travel as messages (APRS 1.2c ch. 13)."""

from typing import Any

from ridgepost.aprs.narrowing import narrow
from ridgepost.aprs.report import Message, TelemetryDefinition

_DEFINITIONS = ("PARM.", "UNIT.", "EQNS.", "BITS.")


def read_telemetry_definition(message: Message) -> TelemetryDefinition | None:
    """Recognise a definition of names, units, coefficients or bits; it is kept as text."""
    if not message.text.startswith(_DEFINITIONS):
        return None
    definition: Any = message.text[:4]
    return narrow(TelemetryDefinition, message, definition=definition)
