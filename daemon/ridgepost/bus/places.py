"""Where each station and object is: the latest position as a GeoJSON Feature (RFC 7946)."""

from typing import Annotated, Any, Literal

import msgspec

from ridgepost import aprs
from ridgepost.bus.common import SCHEMA, SchemaVersion, Time
from ridgepost.bus.symbols import symbol_name
from ridgepost.bus.topics import Topics
from ridgepost.radio.ax25 import Frame
from ridgepost.station.arrival import path_list

M_PER_FT = 0.3048
KMH_PER_KNOT = 1.852
M_PER_NM = 1852.0
"""By definition."""

DECIMALS = 6
"""Of a degree: a tenth of a metre, finer than anything on the air (APRS 1.2c ch. 6)."""

Kind = Literal["station", "object", "item"]


class Point(msgspec.Struct, frozen=True, kw_only=True):
    """A GeoJSON Point: longitude first, then latitude, WGS-84 degrees (RFC 7946 3.1.1)."""

    type: Literal["Point"] = "Point"
    coordinates: Annotated[tuple[float, ...], msgspec.Meta(min_length=2, max_length=2)]


class PlaceProperties(msgspec.Struct, frozen=True, kw_only=True):
    """What is known of it besides its position; null where the report does not say.

    `source` is who wrote the report, which for an object is not the object; `gated_by` who passed
    it on from another network. `via` is the digipeater that it was heard from, null if it was
    heard direct; `path` all of them, the last used one with an asterisk.
    """

    name: str
    kind: Kind
    source: str
    gated_by: str | None
    report: str
    symbol: str | None
    symbol_name: str | None
    overlay: str | None
    course_deg: float | None
    speed_kmh: float | None
    altitude_m: float | None
    uncertainty_m: float | None
    comment: str
    at: Time
    via: str | None
    path: list[str]
    tnc: str
    port: int


class PlacePayload(msgspec.Struct, frozen=True, kw_only=True):
    """A GeoJSON Feature; `schema`, `of`, `at` and `clock_trusted` are foreign members of it.

    `of` is the `id` of the report that it was made from, `at` when that was heard.
    """

    type: Literal["Feature"] = "Feature"
    id: str
    geometry: Point
    properties: PlaceProperties
    schema: SchemaVersion = SCHEMA
    of: str
    at: Time
    clock_trusted: bool


class Sighting(msgspec.Struct, frozen=True):
    """What a report says about where something is. `payload` is None if it says that it is gone."""

    topic: str
    name: str
    kind: Kind
    payload: PlacePayload | None


class _Spot(msgspec.Struct, frozen=True, kw_only=True):
    """The parts of a report that a place is made of."""

    name: str = ""
    kind: Kind = "station"
    live: bool = True
    latitude_deg: float
    longitude_deg: float
    symbol: str | None = None
    overlay: str | None = None
    course_deg: float | None = None
    speed_kmh: float | None = None
    altitude_m: float | None = None
    uncertainty_m: float | None = None
    comment: str = ""


def sighting(
    frame: Frame,
    report: aprs.Report,
    topics: Topics,
    *,
    tnc: str,
    port: int,
    of: str,
    at: str,
    clock_trusted: bool,
) -> Sighting | None:
    """Where the report says that something is; None if it says nothing of the kind."""
    source, gated_by = frame.source, None
    if isinstance(report, aprs.ThirdParty):
        source, gated_by, report = report.inner_source, frame.source, report.inner
    spot = _spot(report)
    if spot is None:
        return None
    name = spot.name or source
    is_station = spot.kind == "station"
    topic = topics.place(name) if is_station else topics.place_of_object(name)
    if not spot.live:
        return Sighting(topic, name, spot.kind, None)
    properties = PlaceProperties(
        name=name,
        kind=spot.kind,
        source=source,
        gated_by=gated_by,
        report=report.kind,
        symbol=spot.symbol,
        symbol_name=symbol_name(spot.symbol[0], spot.symbol[1]) if spot.symbol else None,
        overlay=spot.overlay,
        course_deg=spot.course_deg,
        speed_kmh=spot.speed_kmh,
        altitude_m=spot.altitude_m,
        uncertainty_m=spot.uncertainty_m,
        comment=spot.comment,
        at=at,
        via=None if frame.direct else frame.heard_from,
        path=path_list(frame),
        tnc=tnc,
        port=port,
    )
    coordinates = (round(spot.longitude_deg, DECIMALS), round(spot.latitude_deg, DECIMALS))
    payload = PlacePayload(
        id=name,
        geometry=Point(coordinates=coordinates),
        properties=properties,
        of=of,
        at=at,
        clock_trusted=clock_trusted,
    )
    return Sighting(topic, name, spot.kind, payload)


def _spot(report: aprs.Report) -> _Spot | None:
    match report:
        case aprs.Object() | aprs.Item():
            kind: Kind = "object" if isinstance(report, aprs.Object) else "item"
            return _of_place(report.place, name=report.name, kind=kind, live=report.live)
        case aprs.Weather(name=str() as name, place=aprs.Place() as place):
            return _of_place(place, name=name, kind="object", live=report.live is not False)
        case aprs.MicE(place=place):
            return _of_place(place, altitude_m=report.altitude_m, comment=report.text)
        case aprs.Position(place=place) | aprs.Weather(place=aprs.Place() as place):
            return _of_place(place)
        case aprs.Nmea(has_position=True, latitude_deg=float(), longitude_deg=float()):
            return _of_sentence(report)
        case _:
            return None


def _of_place(place: aprs.Place, **more: Any) -> _Spot | None:
    latitude_deg, longitude_deg, uncertainty_m = place.latitude_deg, place.longitude_deg, None
    if place.ambiguity is not None:
        latitude_deg = place.ambiguity.latitude_mid_deg
        longitude_deg = place.ambiguity.longitude_mid_deg
        uncertainty_m = round(place.ambiguity.ambiguity_nm * M_PER_NM, 1)
    if not place.position_known and more.get("live", True):
        return None
    if place.altitude_ft is not None:
        more.setdefault("altitude_m", round(place.altitude_ft * M_PER_FT, 1))
    more.setdefault("comment", place.comment)
    return _Spot(
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        symbol=place.symbol_table + place.symbol_code,
        overlay=place.overlay,
        course_deg=place.course_deg,
        speed_kmh=_kmh(place.speed_knots),
        uncertainty_m=uncertainty_m,
        **more,
    )


def _of_sentence(report: aprs.Nmea) -> _Spot | None:
    if report.latitude_deg is None or report.longitude_deg is None or report.data_valid is False:
        return None
    return _Spot(
        latitude_deg=report.latitude_deg,
        longitude_deg=report.longitude_deg,
        course_deg=report.course_deg,
        speed_kmh=_kmh(report.speed_knots),
        altitude_m=report.altitude_m,
    )


def _kmh(speed_knots: float | None) -> float | None:
    return None if speed_knots is None else round(speed_knots * KMH_PER_KNOT, 1)
