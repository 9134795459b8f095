"""The settings file: one TOML file, every key known, every mistake named with its place.

config/gateway.toml explains each key of the tables below; the tests hold the two together.
"""

import os
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec

from ridgepost import aprs
from ridgepost.radio import quoted
from ridgepost.radio.address import LinkAddressError, SerialAddress, TcpAddress, parse_link
from ridgepost.radio.callsign import CallsignError, base_call, parse_callsign
from ridgepost.radio.kiss import PORTS, Parameters
from ridgepost.station.channel import PortSetup
from ridgepost.station.setup import MAX_ROLE, Member, OwnPosition, Setup
from ridgepost.tables import T, Table, TableError, read_table

SEARCHED = (Path("ridgepost.toml"), Path("/etc/ridgepost/ridgepost.toml"))
"""Where settings are looked for when no file is named."""

ENVIRONMENT = "RIDGEPOST_SETTINGS"

NO_CALLSIGN = "N0CALL"
"""Stands for 'not set' (common practice); nobody may transmit with it."""

MAX_OCTETS = 64 * 1024
"""Some twenty times the longest example."""

MAX_LINE = 4096
MAX_PROBLEMS = 20
"""Mistakes named at once; with more it is not a settings file."""

MAX_PATH = 8
"""Digipeaters in one frame (APRS 1.2c ch. 3)."""

BROKER_PORTS = {"mqtt": 1883, "mqtts": 8883}
"""Usual ports of MQTT without and with TLS (IANA service names mqtt and secure-mqtt)."""

_NAME = re.compile(r"[A-Za-z0-9_-]{1,32}", re.ASCII)
_TOPIC = re.compile(r"(?=.{1,64}\Z)[A-Za-z0-9_-]+(?:/[A-Za-z0-9_-]+)*", re.ASCII)
_TLS_FILES = ("ca_file", "certificate_file", "key_file")
_GROUP = re.compile(r"[!-~]{1,9}", re.ASCII)


class SettingsError(Exception):
    """The settings cannot be used. `problems` are one line each, fit to be shown as they are."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("; ".join(problems))
        self.problems = problems


# -- what people type ----------------------------------------------------------------------------


def typed_callsign(text: str) -> str:
    """A callsign as a person types it, in its one form: small letters are taken for capitals.

    Raises CallsignError.
    """
    return parse_callsign(_capitals(text))


def typed_station(text: str) -> str:
    """The name of a station on the bus as a person types it, in its one form.

    Raises ValueError.
    """
    if not _NAME.fullmatch(text):
        raise ValueError(f"expected 1 to 32 letters, digits, '-' or '_', got {quoted(text)}")
    return _capitals(text)


class BrokerAddress(msgspec.Struct, frozen=True):
    """An MQTT broker: a host name or address (IPv6 without brackets), and its port."""

    host: str
    port: int
    tls: bool

    def __str__(self) -> str:
        scheme = "mqtts" if self.tls else "mqtt"
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{scheme}://{host}:{self.port}"


def parse_broker(url: str) -> BrokerAddress:
    """The broker that `url` names.

    Raises ValueError with a text that repeats nothing of it, since that may be a password.
    """
    if "@" in url:
        raise ValueError(
            "no user name or password in the address; use bus.user and bus.password_file"
        )
    scheme, _, rest = url.partition("://")
    default_port = BROKER_PORTS.get(scheme.lower())
    # A host and port have the same form here as in the address of a TNC.
    for end in ("", f":{default_port}"):
        try:
            address = parse_link(f"tcp://{rest}{end}")
        except LinkAddressError:
            continue
        if isinstance(address, TcpAddress) and default_port:
            return BrokerAddress(address.host, address.port, scheme.lower() == "mqtts")
    raise ValueError(
        "expected mqtt://HOST:PORT or mqtts://HOST:PORT, the port from 1 to 65535 and nothing after"
    )


def _capitals(text: str) -> str:
    # Not of other alphabets, where a strange letter may have a plain one for its capital.
    return text.upper() if text.isascii() else text


# -- rules ---------------------------------------------------------------------------------------


def _callsign(example: str) -> Callable[[str], str]:
    def rule(text: str) -> str:
        try:
            return typed_callsign(text)
        except CallsignError as error:
            raise ValueError(f'expected a callsign such as "{example}": {error.detail}') from None

    return rule


def _callsign_or_none(text: str) -> str:
    return _callsign("QZ1HUB-10")(text) if text else ""


def _group(text: str) -> str:
    if not _GROUP.fullmatch(text):
        raise ValueError(f"expected 1 to 9 printable ASCII characters, got {quoted(text)}")
    return text.upper()


def typed_tactical(text: str) -> str:
    """A tactical call as a person types it, in its one form: capitals.

    It stands where a callsign stands in a message, which holds nine characters (APRS 1.2c ch. 14).
    Raises ValueError.
    """
    name = _group(text)
    if aprs.is_group_addressee(name):
        raise ValueError(f"expected a name for one station, and {name} is for many")
    return name


def _symbol(text: str) -> str:
    _encoded(lambda: aprs.encode_position(0, 0, text[:1], text[1:]))
    return text


def _comment(text: str) -> str:
    _encoded(lambda: aprs.encode_position(0, 0, "/", "-", text))
    return text


def _status(text: str) -> str:
    _encoded(lambda: aprs.encode_status(text))
    return text


def _encoded(encode: Callable[[], bytes]) -> None:
    """What the air can carry."""
    try:
        encode()
    except aprs.EncodeError as error:
        raise ValueError(f"cannot be sent: {error.detail}") from None


def _name(text: str) -> str:
    typed_station(text)  # the same characters, but as it stands
    return text


def _station_or_none(text: str) -> str:
    return typed_station(text) if text else ""


def _between(lowest: int, highest: int, unit: str = "") -> Callable[[float], float]:
    def rule(value: float) -> float:
        if not lowest <= value <= highest:
            got = f"{value:g}" if isinstance(value, float) else quoted(str(value)).strip("'")
            raise ValueError(f"expected {lowest} to {highest}{unit}, got {got}")
        return value

    return rule


def _kiss(name: str) -> Callable[[Any], Any]:
    """What KISS can carry, one value at a time."""

    def rule(value: Any) -> Any:
        try:
            Parameters(**{name: value})
        except ValueError as error:
            raise ValueError(str(error).removeprefix(f"{name} ")) from None
        return value

    return rule


def _ports(ports: tuple[int, ...]) -> tuple[int, ...]:
    if not ports or len(set(ports)) != len(ports):
        raise ValueError("expected at least one port, and each once")
    return ports


def _path(path: tuple[str, ...]) -> tuple[str, ...]:
    if len(path) > MAX_PATH:
        raise ValueError(f"expected at most {MAX_PATH} digipeaters, got {len(path)}")
    return path


def _link(url: str) -> str:
    if "@" in url and not url.startswith("serial:"):
        # Without the text itself: it may hold a password.
        raise ValueError("a KISS server takes no user name or password")
    parse_link(url)
    return url


def _broker_or_none(url: str) -> str:
    if url:
        parse_broker(url)
    return url


def _text(text: str) -> str:
    if not text.isprintable() or len(text) > 256:
        raise ValueError("expected at most 256 printable characters")
    return text


def _file(text: str) -> str:
    if not text.isprintable():
        raise ValueError("expected a path without control characters")
    if text.startswith("~"):
        raise ValueError("expected the whole path, since ~ is another folder for the service")
    return text


def _topic(text: str) -> str:
    """A topic that others hang below (MQTT 5, 4.7)."""
    if not _TOPIC.fullmatch(text) or f"{text}/".startswith("ridgepost/"):
        raise ValueError(
            "expected letters, digits, '-' or '_', 64 at most, levels parted by '/', "
            "and not below ridgepost"
        )
    return text


def _tactical_or_none(text: str) -> str:
    return typed_tactical(text) if text else ""


def _role(text: str) -> str:
    if not text.isprintable() or len(text) > MAX_ROLE:
        raise ValueError(f"expected at most {MAX_ROLE} printable characters")
    return text


def _chance(value: float) -> float:
    if not 1e-6 <= value <= 0.05:
        raise ValueError(f"expected a chance from 0.000001 to 0.05, got {value:g}")
    return value


def _folder(text: str) -> str:
    if not text:
        raise ValueError("expected the path of a folder")
    return _file(text)


# -- tables --------------------------------------------------------------------------------------


class PositionTable(Table, frozen=True, kw_only=True):
    """Where the station stands, WGS-84, north and east positive."""

    latitude_deg: Annotated[float, _between(-90, 90)]
    longitude_deg: Annotated[float, _between(-180, 180)]


class StationTable(Table, frozen=True, kw_only=True):
    """Who the station is and whether it may transmit."""

    callsign: Annotated[str, _callsign_or_none] = ""
    transmit: bool = False
    position: PositionTable | None = None
    path: Annotated[tuple[Annotated[str, _callsign("WIDE1-1")], ...], _path] = ("WIDE1-1",)
    groups: tuple[Annotated[str, _group], ...] = ("ALL", "QST", "CQ")
    tactical: tuple[Annotated[str, typed_tactical], ...] = ()
    symbol: Annotated[str, _symbol] = "/-"
    comment: Annotated[str, _comment] = ""
    status: Annotated[str, _status] = ""

    @classmethod
    def conflicts(cls, found: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """Transmitting needs a callsign, and one that could be somebody's."""
        if not found.get("transmit") or "callsign" not in found:
            return
        callsign = base_call(found["callsign"])
        # Every amateur callsign has letters and a digit (ITU Radio Regulations 19.68).
        if callsign == NO_CALLSIGN or callsign.isalpha() or callsign.isdigit() or not callsign:
            yield "transmit", 'true needs your own station.callsign, such as "QZ1HUB-10"'


class TncTable(Table, frozen=True, kw_only=True):
    """One TNC and its KISS ports. Channel parameters are sent to it on every connect."""

    name: Annotated[str, _name]
    link: Annotated[str, _link]
    ports: Annotated[tuple[Annotated[int, _between(0, PORTS - 1)], ...], _ports] = (0,)
    receive_only: bool = False
    bit_rate: Annotated[int, _between(50, 1_000_000, " bit/s")] = 1200
    txdelay_ms: Annotated[int, _kiss("txdelay_ms")] = 300
    persistence: Annotated[float, _kiss("persistence")] = 0.25
    slot_time_ms: Annotated[int, _kiss("slot_time_ms")] = 100
    tx_tail_ms: Annotated[int, _kiss("tx_tail_ms")] = 30
    full_duplex: bool = False


class BusTable(Table, frozen=True, kw_only=True):
    """The MQTT broker. Without `broker` the embedded one is started on this machine."""

    broker: Annotated[str, _broker_or_none] = ""
    protocol: Literal["5", "3.1.1"] = "5"
    name: Annotated[str, _station_or_none] = ""
    user: Annotated[str, _text] = ""
    password_file: Annotated[str, _file] = ""
    ca_file: Annotated[str, _file] = ""
    certificate_file: Annotated[str, _file] = ""
    key_file: Annotated[str, _file] = ""
    discovery: bool = False
    discovery_prefix: Annotated[str, _topic] = "homeassistant"

    @classmethod
    def conflicts(cls, found: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """What would otherwise be ignored without a word."""
        broker = found.get("broker")
        if broker == "":
            for key in ("user", "password_file", *_TLS_FILES):
                if found.get(key):
                    yield key, "needs bus.broker; the embedded broker knows no logins and no TLS"
        elif broker is not None:
            if found.get("password_file") and found.get("user") == "":
                yield "password_file", "needs bus.user"
            if not parse_broker(broker).tls:
                for key in _TLS_FILES:
                    if found.get(key):
                        yield key, "is for TLS; bus.broker must then begin with mqtts://"
        if found.get("key_file") and found.get("certificate_file") == "":
            yield "key_file", "needs bus.certificate_file"
        if found.get("certificate_file") and found.get("key_file") == "":
            yield "certificate_file", "needs bus.key_file"


class LogbookTable(Table, frozen=True, kw_only=True):
    """Where the log is kept."""

    folder: Annotated[str, _folder] = "/var/lib/ridgepost"


class MemberTable(Table, frozen=True, kw_only=True):
    """A station that takes part in the event."""

    callsign: Annotated[str, _callsign("QZ1SAG-9")]
    tactical: Annotated[str, _tactical_or_none] = ""
    role: Annotated[str, _role] = ""
    interval_s: Annotated[int, _between(0, 86400, " s")] = 0


class RosterTable(Table, frozen=True, kw_only=True):
    """Where more of those who take part are listed, and when one is overdue."""

    file: Annotated[str, _file] = ""
    overdue_chance: Annotated[float, _chance] = 0.001


def member_conflicts(
    members: Iterable[Mapping[str, Any]], tactical: Mapping[str, str]
) -> Iterator[tuple[str, str]]:
    """Each callsign is there once, and each tactical call is one station's."""
    holders = dict(tactical)
    seen: set[str] = set()
    for number, member in enumerate(members):
        callsign, name = member.get("callsign", ""), member.get("tactical", "")
        if callsign and callsign in seen:
            yield f"member[{number}].callsign", f"{callsign} is there already"
        seen.add(callsign)
        if name and callsign and holders.setdefault(name, callsign) != callsign:
            yield f"member[{number}].tactical", f"{name} is {holders[name]} already"


class Settings(Table, frozen=True, kw_only=True):
    """The whole file."""

    station: StationTable = msgspec.field(default_factory=StationTable)
    tnc: tuple[TncTable, ...] = ()
    bus: BusTable = msgspec.field(default_factory=BusTable)
    logbook: LogbookTable = msgspec.field(default_factory=LogbookTable)
    roster: RosterTable = msgspec.field(default_factory=RosterTable)
    member: tuple[MemberTable, ...] = ()
    tactical: dict[Annotated[str, typed_tactical], Annotated[str, _callsign("QZ1SAG-9")]] = (
        msgspec.field(default_factory=dict)
    )

    @classmethod
    def conflicts(cls, found: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
        """Names and links of TNCs are there once, and a tactical call is one station's."""
        for name in set(found.get("tactical", ())) & set(
            found.get("station", {}).get("tactical", ())
        ):
            yield f"tactical.{name}", "is in station.tactical too; whose is it?"
        yield from member_conflicts(found.get("member", ()), found.get("tactical", {}))
        names: dict[str, int] = {}
        links: dict[str, int] = {}
        for number, tnc in enumerate(found.get("tnc", ())):
            if "name" in tnc and names.setdefault(tnc["name"], number) != number:
                yield f"tnc[{number}].name", f"{tnc['name']!r} is used twice"
            if "link" in tnc:
                address = parse_link(tnc["link"])
                # Two speeds make one device no two.
                end = address.device if isinstance(address, SerialAddress) else str(address)
                if (first := links.setdefault(end, number)) != number:
                    yield f"tnc[{number}].link", f"is the same as tnc[{first}].link"

    def setup(self) -> Setup:
        """What the station's decisions need."""
        ports = tuple(
            PortSetup(
                tnc=tnc.name,
                port=port,
                receive_only=tnc.receive_only,
                bit_rate=tnc.bit_rate,
                txdelay_s=tnc.txdelay_ms / 1000,
                tx_tail_s=tnc.tx_tail_ms / 1000,
            )
            for tnc in self.tnc
            for port in tnc.ports
        )
        station = self.station
        members = tuple(
            Member(
                callsign=member.callsign,
                tactical=member.tactical,
                role=member.role,
                interval_s=float(member.interval_s) or None,
            )
            for member in self.member
        )
        named = {member.tactical: member.callsign for member in members if member.tactical}
        return Setup(
            callsign=station.callsign,
            transmit=station.transmit,
            path=station.path,
            groups=station.groups,
            tactical=station.tactical,
            tactical_calls={**self.tactical, **named},
            roster=members,
            overdue_chance=self.roster.overdue_chance,
            position=_own_position(station.position),
            symbol=station.symbol,
            comment=station.comment,
            status=station.status,
            ports=ports,
        )

    @property
    def bus_name(self) -> str:
        """The station's level in the topics: the callsign unless `bus.name` says otherwise.

        Always in capitals, so that whoever types it need not know how it was written here.
        """
        return typed_station(self.bus.name or self.station.callsign or "LISTENER")


def _own_position(table: PositionTable | None) -> OwnPosition | None:
    return OwnPosition(table.latitude_deg, table.longitude_deg) if table else None


def kiss_parameters(tnc: TncTable) -> Parameters:
    """The channel parameters in the form that KISS sends."""
    return Parameters(
        txdelay_ms=tnc.txdelay_ms,
        persistence=tnc.persistence,
        slot_time_ms=tnc.slot_time_ms,
        tx_tail_ms=tnc.tx_tail_ms,
        full_duplex=tnc.full_duplex,
    )


# -- the file ------------------------------------------------------------------------------------


def find_settings(named: Path | None) -> Path:
    """The settings file: the one named, else the environment's, else the first that exists."""
    if named is not None:
        return named
    if from_environment := os.environ.get(ENVIRONMENT):
        return Path(from_environment)
    for path in SEARCHED:
        try:
            path.lstat()
        except (FileNotFoundError, NotADirectoryError):
            continue
        except OSError:
            pass  # it may not be looked at, which reading it will say
        return path
    places = " or ".join(str(path) for path in SEARCHED)
    raise SettingsError([f"no settings file here: expected {places}, or name one"])


def load_settings(path: Path) -> Settings:
    """Read and check a settings file, without the roster that it may name (see `roster.load_all`).

    Raises `SettingsError` naming the file and every mistake.

    Paths in the settings that are not absolute count from the folder of the file.
    """
    try:
        settings = parse_settings(text_of(path))
    except SettingsError as error:
        raise SettingsError([f"{path}: {problem}" for problem in error.problems]) from error
    return _from_folder(settings, path.absolute().parent)


def parse_settings(text: str) -> Settings:
    """Settings from TOML text. Raises `SettingsError` naming every mistake."""
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > MAX_LINE:
            raise SettingsError([f"line {number} is longer than {MAX_LINE} characters"])
    return checked_tree(Settings, toml_tree(text))


def toml_tree(text: str) -> dict[str, Any]:
    """TOML as a tree. Raises SettingsError."""
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise SettingsError(["not TOML: lists or tables nested too deep"]) from None
    except ValueError as error:  # TOMLDecodeError, or a number of thousands of digits
        raise SettingsError([_not_toml(str(error))]) from error


def checked_tree(kind: type[T], tree: Mapping[str, Any]) -> T:
    """A tree as a table. Raises SettingsError naming every mistake."""
    try:
        return read_table(kind, tree)
    except TableError as error:
        problems = error.problems[:MAX_PROBLEMS]
        if len(error.problems) > MAX_PROBLEMS:
            problems.append(f"and {len(error.problems) - MAX_PROBLEMS} more mistakes")
        raise SettingsError(problems) from None


def text_of(path: Path) -> str:
    """A file of settings. Raises SettingsError."""
    try:
        with path.open("rb") as file:
            content = file.read(MAX_OCTETS + 1)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise SettingsError([f"cannot be read: {reason}"]) from error
    if len(content) > MAX_OCTETS:
        raise SettingsError([f"larger than {MAX_OCTETS} octets, so this is no settings file"])
    try:
        # Some editors put a byte order mark in front.
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise SettingsError([f"line {line}: not UTF-8 text; save the file as UTF-8"]) from error


def _not_toml(why: str) -> str:
    """tomllib's 'Invalid value (at line 2, column 12)', with the place in front."""
    match = re.fullmatch(r"(.*) \(at (.*)\)", why, re.DOTALL)
    what, place = match.groups() if match else (why, "")
    hint = "; text needs quotes, true and false do not" if what == "Invalid value" else ""
    told = f"not TOML: {what[:1].lower()}{what[1:]}{hint}"
    return f"{place}: {told}" if place else told


def _from_folder(settings: Settings, folder: Path) -> Settings:
    """The settings with all their paths absolute."""

    def whole(path: str) -> str:
        return str(folder / path) if path else ""

    replace = msgspec.structs.replace
    bus, logbook, roster = settings.bus, settings.logbook, settings.roster
    return replace(
        settings,
        bus=replace(
            bus,
            **{key: whole(getattr(bus, key)) for key in ("password_file", *_TLS_FILES)},
        ),
        logbook=replace(logbook, folder=whole(logbook.folder)),
        roster=replace(roster, file=whole(roster.file)),
    )
