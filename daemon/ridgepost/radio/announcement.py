"""Reading the announcement of a KISS TNC on the network.

Source: the proposal for DNS-SD discovery of KISS over TCP (2021), and RFC 6763 (DNS-SD). Whoever is
on the network can announce what they like, so names are bounded and hold no control characters.
"""

import unicodedata
from collections.abc import Iterable

import msgspec

from ridgepost.radio import RefusedError, kiss, quoted

SERVICE_TYPE = "_kiss-tnc._tcp"
DOMAIN = "local."
MAX_INSTANCE_OCTETS = 63  # of UTF-8: one DNS label (RFC 6763 sec. 4.1.1)


class AnnouncementError(RefusedError):
    """Not an announcement of a KISS TNC.

    `reason` is other_service, no_instance_name, instance_name_too_long or illegal_character.
    """


class Announcement(msgspec.Struct, frozen=True):
    """A TNC that announces itself."""

    instance: str  # a name for people
    domain: str = DOMAIN
    port_names: tuple[str, ...] = ()  # in the order of the TNC's ports; empty if it gives none

    @property
    def port_count(self) -> int:
        """A TNC that names no ports has one."""
        return len(self.port_names) or 1


def read_announcement(service_name: str, txt: Iterable[bytes]) -> Announcement:
    """Read a service instance name ("My TNC._kiss-tnc._tcp.local.") and its TXT strings.

    The instance name stands as it is, without the escapes of DNS master files. Raises
    AnnouncementError; TXT strings that mean nothing here are passed over.
    """
    instance, service_type, domain = split_service_name(service_name)
    if service_type.lower() != SERVICE_TYPE:
        raise AnnouncementError("other_service", f"{quoted(service_name)} is not {SERVICE_TYPE}")
    return Announcement(
        instance=checked_instance(instance), domain=domain, port_names=port_names(txt)
    )


def split_service_name(name: str) -> tuple[str, str, str]:
    """The instance name (may be empty), service type and domain of a DNS-SD name.

    "_kiss-tnc._tcp.local." gives ("", "_kiss-tnc._tcp", "local."). The instance name may itself
    hold dots and blanks (RFC 6763 sec. 4.1.1); the type is the last pair of labels that begin with
    an underscore. Raises AnnouncementError if there is none.
    """
    labels = name.split(".")
    for position in range(len(labels) - 2, -1, -1):
        if labels[position].startswith("_") and labels[position + 1].startswith("_"):
            instance = ".".join(labels[:position])
            domain = ".".join(labels[position + 2 :])
            return instance, ".".join(labels[position : position + 2]), domain
    raise AnnouncementError("other_service", f"{quoted(name)} names no service")


def checked_instance(name: str) -> str:
    """`name` if RFC 6763 sec. 4.1.1 allows it as an instance name: UTF-8, no control characters.

    Raises AnnouncementError.
    """
    if not name:
        raise AnnouncementError("no_instance_name", "the announcement has no instance name")
    if any(map(_is_control, name)):
        raise AnnouncementError("illegal_character", f"{quoted(name)} holds control characters")
    if len(name.encode("utf-8")) > MAX_INSTANCE_OCTETS:
        raise AnnouncementError(
            "instance_name_too_long", f"{quoted(name)} is longer than {MAX_INSTANCE_OCTETS} octets"
        )
    return name


def port_names(txt: Iterable[bytes]) -> tuple[str, ...]:
    """The names of a TNC's ports from its TXT strings ("pn=144.800,433.425"); () without any.

    Keys are read in either case and the first one counts (RFC 6763 sec. 6.4). KISS numbers 16
    ports, so names beyond the sixteenth are left out. Control characters and what is not UTF-8
    become the replacement character.
    """
    for string in txt:
        key, equals, value = string.partition(b"=")
        if key.lower() == b"pn":
            if not (equals and value):
                return ()
            text = value.decode("utf-8", "replace")
            shown = "".join("\ufffd" if _is_control(character) else character for character in text)
            return tuple(name.strip() for name in shown.split(",")[: kiss.PORTS])
    return ()


def _is_control(character: str) -> bool:
    """True for control characters of ASCII and Latin-1, and for halves of surrogate pairs.

    Other characters without a glyph stay: computers are named with no-break spaces and emoji.
    """
    return unicodedata.category(character) in ("Cc", "Cs")
