"""What telemetry means: the definitions of a station applied to its reports (APRS 1.2c ch. 13)."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Final

import msgspec

from ridgepost.aprs.comment_telemetry import BITS, CHANNELS, check_bits
from ridgepost.aprs.parts import CommentTelemetry
from ridgepost.aprs.report import Telemetry, TelemetryDefinition
from ridgepost.aprs.telemetry import NO_SCALE
from ridgepost.aprs.text import MAX_TEXT
from ridgepost.aprs.writing import EncodeError, addressed, check_text

MAX_PROJECT: Final = 23

_MAX_COEFFICIENT: Final = 1e15
_ALL_ONES: Final = "1" * BITS

_FIELDS: Final = {
    "PARM": ("analog_names", "digital_names"),
    "UNIT": ("analog_units", "digital_labels"),
    "EQNS": ("coefficients",),
    "BITS": ("bit_sense", "project"),
}


class AnalogChannel(msgspec.Struct, frozen=True, kw_only=True):
    """One of the channels A1 to A5: what was sent, and what it means in `unit`."""

    channel: str
    name: str | None = None
    unit: str | None = None
    raw: float | None = None
    value: float | None = None


class DigitalChannel(msgspec.Struct, frozen=True, kw_only=True):
    """One of the channels B1 to B8. `active`: what `label` says is so."""

    channel: str
    name: str | None = None
    label: str | None = None
    bit: bool
    active: bool


class MeasuredTelemetry(msgspec.Struct, frozen=True, kw_only=True):
    """A telemetry report with its meaning; the channels that were sent, in their order."""

    sequence: str
    project: str | None = None
    analog: tuple[AnalogChannel, ...]
    digital: tuple[DigitalChannel, ...]


class Definitions(msgspec.Struct, frozen=True, kw_only=True):
    """What is known about the telemetry of one station.

    To begin with nothing is: values are raw, and a bit is active when it is 1. The fields are those
    of `TelemetryDefinition`.
    """

    analog_names: tuple[str, ...] = ()
    digital_names: tuple[str, ...] = ()
    analog_units: tuple[str, ...] = ()
    digital_labels: tuple[str, ...] = ()
    coefficients: tuple[tuple[float, float, float], ...] = ()
    bit_sense: str = _ALL_ONES
    project: str = ""

    def updated(self, definition: TelemetryDefinition) -> "Definitions":
        """Return these definitions with a newer one in place of the old one of its sort.

        The addressee of the definition is the station that it is for. What could not be read
        leaves the old one as it is.
        """
        values = {name: getattr(definition, name) for name in _FIELDS[definition.definition]}
        known = {name: value for name, value in values.items() if value is not None}
        return msgspec.structs.replace(self, **known)

    def apply(self, telemetry: Telemetry | CommentTelemetry) -> MeasuredTelemetry:
        """Give the values their names, units and scale, and the bits their sense."""
        if isinstance(telemetry, Telemetry):
            sequence, digital = telemetry.sequence, telemetry.digital
            raw_values: Sequence[float | None] = telemetry.analog
        else:
            sequence, digital = str(telemetry.telemetry_sequence), telemetry.telemetry_digital
            raw_values = telemetry.telemetry_values
        return MeasuredTelemetry(
            sequence=sequence,
            project=self.project or None,
            analog=tuple(self._analog(place, raw) for place, raw in enumerate(raw_values)),
            digital=tuple(self._digital(place, bit) for place, bit in enumerate(digital or "")),
        )

    def _analog(self, place: int, raw: float | None) -> AnalogChannel:
        a, b, c = self.coefficients[place] if place < len(self.coefficients) else NO_SCALE
        return AnalogChannel(
            channel=f"A{place + 1}",
            name=_at(self.analog_names, place),
            unit=_at(self.analog_units, place),
            raw=raw,
            value=None if raw is None else a * raw * raw + b * raw + c,
        )

    def _digital(self, place: int, bit: str) -> DigitalChannel:
        sense = _at(self.bit_sense, place) or "1"
        return DigitalChannel(
            channel=f"B{place + 1}",
            name=_at(self.digital_names, place),
            label=_at(self.digital_labels, place),
            bit=bit == "1",
            active=bit == sense,
        )


def encode_definitions(station: str, definitions: Definitions) -> tuple[bytes, ...]:
    """Encode what is defined as up to four messages, which `station` sends to itself.

    Analog names that are missing before digital ones are sent empty. Raises EncodeError.
    """
    bodies = {
        "PARM": _write_names(definitions.analog_names, definitions.digital_names),
        "UNIT": _write_names(definitions.analog_units, definitions.digital_labels),
        "EQNS": _write_coefficients(definitions.coefficients),
        "BITS": _write_bit_sense(definitions.bit_sense, definitions.project),
    }
    return tuple(
        addressed(
            station, check_text(f"{definition}.{body}", MAX_TEXT, "text_too_long", forbidden="{")
        )
        for definition, body in bodies.items()
        if body
    )


def _at(values: Sequence[str], place: int) -> str | None:
    return (values[place] or None) if place < len(values) else None


def _write_names(analog: Sequence[str], digital: Sequence[str]) -> str:
    if len(analog) > CHANNELS or len(digital) > BITS:
        raise EncodeError("channel_count", f"up to {CHANNELS} analog and {BITS} digital channels")
    if any("," in name for name in (*analog, *digital)):
        raise EncodeError("illegal_character", "a comma separates the names")
    missing = CHANNELS - len(analog) if digital else 0
    return ",".join((*analog, *[""] * missing, *digital))


def _write_coefficients(coefficients: Sequence[tuple[float, float, float]]) -> str:
    if len(coefficients) > CHANNELS:
        raise EncodeError("channel_count", f"up to {CHANNELS} channels have coefficients")
    return ",".join(_write_number(number) for triple in coefficients for number in triple)


def _write_number(number: float) -> str:
    # Written so that what is no number at all is refused too.
    if not abs(number) < _MAX_COEFFICIENT:
        raise EncodeError("value_range", f"a coefficient is less than {_MAX_COEFFICIENT:.0e}")
    # All digits written out: not every reader knows exponents.
    text = f"{Decimal(repr(number)):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _write_bit_sense(sense: str, project: str) -> str:
    if (sense, project) == (_ALL_ONES, ""):
        return ""
    check_text(project, MAX_PROJECT, "text_too_long")
    comma = "," if project else ""
    return f"{check_bits(sense)}{comma}{project}"
