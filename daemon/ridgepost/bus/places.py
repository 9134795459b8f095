"""Where each station and object is: the latest position as a GeoJSON Feature (RFC 7946)."""

from typing import Annotated, Literal

import msgspec

from ridgepost import aprs
from ridgepost.aprs.units import M_PER_FT, M_PER_NM
from ridgepost.bus.common import SCHEMA, SchemaVersion, Time, kmh
from ridgepost.bus.topics import Topics
from ridgepost.radio.ax25 import Frame
from ridgepost.station.arrival import path_list

DECIMALS = 6
"""Of a degree: a tenth of a metre, finer than anything on the air (APRS 1.2c ch. 6)."""

Kind = Literal["station", "object", "item"]
_STATION: Kind = "station"


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


class Subject(msgspec.Struct, frozen=True, kw_only=True):
    """Whom a report places: `name` is the station's or the thing's; not `live` if it is gone."""

    name: str
    kind: Kind
    live: bool
    source: str
    gated_by: str | None
    report: aprs.Report

    def topic(self, topics: Topics) -> str:
        """Where it is told of."""
        is_station = self.kind == "station"
        return topics.place(self.name) if is_station else topics.place_of_object(self.name)


def subject_of(frame: Frame, report: aprs.Report) -> Subject | None:
    """Whom a report places; None if it says nothing of where anything is."""
    source, gated_by = frame.source, None
    if isinstance(report, aprs.ThirdParty):
        source, gated_by, report = report.inner_source, frame.source, report.inner
    name, kind, live = source, _STATION, True
    match report:
        case aprs.Object() | aprs.Item():
            kind = "object" if isinstance(report, aprs.Object) else "item"
            name, live = report.name, report.live
            known = report.place.position_known
        case aprs.Position() | aprs.MicE():
            known = report.place.position_known
        case aprs.Weather():
            known = report.place is not None and report.place.position_known
            if report.name is not None:
                name, kind, live = report.name, "object", report.live is not False
        case aprs.Nmea():
            known = report.has_position and report.data_valid is not False
        case _:
            return None
    if live and not known:
        return None
    return Subject(name=name, kind=kind, live=live, source=source, gated_by=gated_by, report=report)


class _Spot(msgspec.Struct, frozen=True, kw_only=True):
    """The parts of a report that its geometry and properties are made of."""

    latitude_deg: float
    longitude_deg: float
    symbol: str | None = None
    symbol_name: str | None = None
    overlay: str | None = None
    course_deg: float | None = None
    speed_kmh: float | None = None
    altitude_m: float | None = None
    uncertainty_m: float | None = None
    comment: str = ""


def feature(
    subject: Subject,
    frame: Frame,
    *,
    tnc: str,
    port: int,
    of: str,
    at: str,
    clock_trusted: bool,
) -> PlacePayload:
    """The place of a subject that is live, as heard in `frame`."""
    spot = _spot(subject.report)
    properties = PlaceProperties(
        name=subject.name,
        kind=subject.kind,
        source=subject.source,
        gated_by=subject.gated_by,
        report=subject.report.kind,
        symbol=spot.symbol,
        symbol_name=spot.symbol_name,
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
    return PlacePayload(
        id=subject.name,
        geometry=Point(coordinates=coordinates),
        properties=properties,
        of=of,
        at=at,
        clock_trusted=clock_trusted,
    )


def _spot(report: aprs.Report) -> _Spot:
    altitude_m: float | None
    match report:
        case aprs.Nmea(
            latitude_deg=float() as latitude_deg, longitude_deg=float() as longitude_deg
        ):
            return _Spot(
                latitude_deg=latitude_deg,
                longitude_deg=longitude_deg,
                course_deg=report.course_deg,
                speed_kmh=kmh(report.speed_knots),
                altitude_m=report.altitude_m,
            )
        case aprs.MicE(place=place):
            altitude_m, comment = report.altitude_m, report.text
        case (
            aprs.Position(place=place)
            | aprs.Object(place=place)
            | aprs.Item(place=place)
            | aprs.Weather(place=aprs.Place() as place)
        ):
            altitude_m, comment = _m(place.altitude_ft), place.comment
        case _:
            raise ValueError(f"no place in a report of kind {report.kind}")
    latitude_deg, longitude_deg, uncertainty_m = place.latitude_deg, place.longitude_deg, None
    if place.ambiguity is not None:
        latitude_deg = place.ambiguity.latitude_mid_deg
        longitude_deg = place.ambiguity.longitude_mid_deg
        uncertainty_m = round(place.ambiguity.ambiguity_nm * M_PER_NM, 1)
    return _Spot(
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        symbol=place.symbol_table + place.symbol_code,
        symbol_name=place.symbol,
        overlay=place.overlay,
        course_deg=place.course_deg,
        speed_kmh=kmh(place.speed_knots),
        altitude_m=altitude_m,
        uncertainty_m=uncertainty_m,
        comment=comment,
    )


def _m(height_ft: float | None) -> float | None:
    return None if height_ft is None else round(height_ft * M_PER_FT, 1)
