"""Data extensions: seven octets after the symbol code (APRS 1.2c ch. 7)."""

import msgspec

LENGTH = 7
_SEPARATOR = ord("/")
_UNKNOWN = frozenset({b"...", b"   "})


class CourseSpeed(msgspec.Struct, frozen=True, kw_only=True):
    """Course in degrees from north (360 is north) and speed; None where unknown."""

    course_deg: float | None
    speed_knots: float | None


def read_course_speed(field: bytes) -> CourseSpeed | None:
    """Read the course and speed at the start of `field`; None if there are none.

    Course 000 means unknown, and 000/000 that neither is known or matters.
    """
    if len(field) < LENGTH or field[3] != _SEPARATOR:
        return None
    course_field, speed_field = field[:3], field[4:LENGTH]
    if not (_is_value(course_field) and _is_value(speed_field)):
        return None
    course, speed = _value(course_field), _value(speed_field)
    if course is not None and course > 360:
        return None
    return CourseSpeed(
        course_deg=course or None,
        speed_knots=speed if course or speed else None,
    )


def _is_value(field: bytes) -> bool:
    return field.isdigit() or field in _UNKNOWN


def _value(field: bytes) -> float | None:
    return float(field) if field.isdigit() else None
