"""Where a TNC is: `tcp://host:port` or `serial:///dev/ttyUSB0?baud=9600`. Pure."""

import re
from ipaddress import AddressValueError, IPv6Address
from typing import Final
from urllib.parse import SplitResult, parse_qsl, quote, unquote, urlsplit

import msgspec

DEFAULT_BAUD: Final = 9600
# The slowest and the fastest rate that Linux has a name for (termios B50 and B4000000).
MIN_BAUD: Final = 50
MAX_BAUD: Final = 4_000_000
MAX_PORT: Final = 65_535
MAX_HOST_OCTETS: Final = 253  # RFC 1035 2.3.4 allows 255 on the wire, which is 253 written out
_LABEL: Final = re.compile(r"[a-z0-9_]([a-z0-9_-]{0,61}[a-z0-9_])?")
_IN_BRACKETS: Final = re.compile(r"\[(?P<host>[^]]*)\](:(?P<port>.*))?")
_EXAMPLES: Final = "write tcp://HOST:PORT or serial:///dev/DEVICE?baud=9600"


class LinkAddressError(ValueError):
    """The URL is not the address of a TNC; the text says what is wrong with it."""


class SerialAddress(msgspec.Struct, frozen=True):
    """A serial device by its absolute path, and its speed in bit/s (8 data bits, no parity)."""

    device: str
    baud: int = DEFAULT_BAUD

    def __str__(self) -> str:
        return f"serial://{quote(self.device)}?baud={self.baud}"


class TcpAddress(msgspec.Struct, frozen=True):
    """A TCP server that speaks KISS: a name or address (IPv6 without brackets) and its port."""

    host: str
    port: int

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"tcp://{host}:{self.port}"


def parse_link(url: str) -> SerialAddress | TcpAddress:
    """The address that `url` spells; raises LinkAddressError with a sentence for the operator.

    `str(address)` gives a URL that parses to the same address again. Octets of a device path that
    a URL cannot hold are percent-encoded (RFC 3986 2.1).
    """
    # urlsplit() drops some control characters without a word, so they are looked for first.
    if not url.isprintable() or " " in url:
        raise LinkAddressError(f"{url!r}: a TNC address has no spaces or control characters")
    try:
        parts = urlsplit(url)
    except ValueError as error:  # brackets that do not match, or hold no IPv6 address
        raise LinkAddressError(f"{url}: {error}") from error
    if parts.fragment:
        raise LinkAddressError(f"{url}: unexpected #{parts.fragment}")
    match parts.scheme:
        case "tcp":
            return _tcp(url, parts)
        case "serial":
            return _serial(url, parts)
        case "":
            raise LinkAddressError(f"{url!r}: no scheme; {_EXAMPLES}")
        case unknown:
            raise LinkAddressError(f"{url}: unknown scheme {unknown}; {_EXAMPLES}")


def _tcp(url: str, parts: SplitResult) -> TcpAddress:
    if "@" in parts.netloc:
        # Without the URL: this text goes into logs.
        raise LinkAddressError("a KISS server takes no user name or password")
    if parts.path not in ("", "/") or parts.query:
        raise LinkAddressError(f"{url}: nothing may follow the port")
    # Not parts.hostname and parts.port: they pass over what stands before or after the brackets.
    in_brackets = _IN_BRACKETS.fullmatch(parts.netloc)
    if in_brackets:
        host, port = in_brackets["host"], in_brackets["port"]
    else:
        host, _, port = parts.netloc.lower().partition(":")
        if ":" in port:
            raise LinkAddressError(f"{url}: an IPv6 address stands in brackets: tcp://[::1]:8001")
    if not host:
        raise LinkAddressError(f"{url}: the host is missing; {_EXAMPLES}")
    if not (_is_ipv6(host) if in_brackets else _is_host_name(host)):
        raise LinkAddressError(f"{url}: {host!r} is not a host name or address")
    if not port:
        raise LinkAddressError(f"{url}: the port is missing; {_EXAMPLES}")
    return TcpAddress(host, _number(url, "the port", port, 1, MAX_PORT))


def _is_ipv6(host: str) -> bool:
    try:
        IPv6Address(host)
    except AddressValueError:
        return False
    return True


def _is_host_name(host: str) -> bool:
    """True for an IPv4 address as well, which has the form of a name."""
    # A full stop at the end says that the name is complete (RFC 1034 3.1).
    labels = host.removesuffix(".").split(".")
    return len(host) <= MAX_HOST_OCTETS and all(_LABEL.fullmatch(label) for label in labels)


def _serial(url: str, parts: SplitResult) -> SerialAddress:
    if parts.netloc:
        raise LinkAddressError(
            f"{url}: a device path begins with a slash, so three in all: "
            f"serial:///{parts.netloc}{parts.path}"
        )
    try:
        device = unquote(parts.path, errors="strict")
        # Anything that does not read key=value raises; so do more settings than there can be.
        settings = parse_qsl(
            parts.query, keep_blank_values=True, strict_parsing=bool(parts.query), max_num_fields=8
        )
    except ValueError as error:
        raise LinkAddressError(f"{url}: {error}") from error
    if device.endswith("/") or not device:
        raise LinkAddressError(f"{url}: the device is missing; {_EXAMPLES}")
    if not device.startswith("/"):
        raise LinkAddressError(f"{url}: the device must be an absolute path, such as /dev/{device}")
    if not device.isprintable():
        raise LinkAddressError(f"{url}: control characters in the device path")
    for key, _ in settings:
        if key != "baud":
            raise LinkAddressError(f"{url}: unknown setting {key!r} (there is only baud)")
    match settings:
        case []:
            return SerialAddress(device)
        case [(_, baud)]:
            return SerialAddress(device, _number(url, "baud", baud, MIN_BAUD, MAX_BAUD))
        case _:
            raise LinkAddressError(f"{url}: baud is given more than once")


def _number(url: str, name: str, text: str, lowest: int, highest: int) -> int:
    # The length is bounded because int() of a very long text raises an error of its own.
    is_number = text.isascii() and text.isdigit() and len(text) <= len(str(highest))
    if not is_number or not lowest <= int(text) <= highest:
        raise LinkAddressError(f"{url}: {name} must be a number from {lowest} to {highest}")
    return int(text)
