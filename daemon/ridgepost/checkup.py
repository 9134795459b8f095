"""What a station needs around it, looked at one by one before an event. Nothing is changed."""

import asyncio
import fcntl
import grp
import os
import pwd
import random
import shutil
import stat
import time
from collections.abc import AsyncIterator, Callable
from enum import StrEnum
from pathlib import Path

import aiomqtt
import msgspec
from serial.tools import list_ports

from ridgepost.broker import why_not_connected
from ridgepost.bus.connection import BrokerOptions
from ridgepost.bus.embedded import EmbeddedBroker, EmbeddedBrokerError
from ridgepost.bus.payloads import LinkPayload
from ridgepost.bus.topics import Topics
from ridgepost.clock import PLAUSIBLE_FROM_S
from ridgepost.logbook.storage import DATABASE, LOCK
from ridgepost.radio.address import SerialAddress, parse_link
from ridgepost.radio.link import Link, LinkDown, LinkEvent, LinkUp
from ridgepost.settings import Settings, TncTable, parse_broker

CAUTION = (
    "a licensed control operator answers for every frame; keep to your country's rules on "
    "unattended stations and third-party traffic; no encryption; no substitute for emergency "
    "services"
)

LEAST_FREE_OCTETS = 200_000_000
"""A day of a busy channel is some tens of megabytes of log; below this the card is nearly full."""

LINK_TIMEOUT_S = 15.0
STAYS_UP_S = 1.0
"""A server that has no room for another client closes the connection at once."""

BROKER_TIMEOUT_S = 5.0
RETAINED_S = 1.0
"""For how long the broker may take to hand out what it has kept."""

MOST_HOPS = 3
"""More do no good on a shared channel (common practice)."""

MAX_LINKS = 256
"""Messages about links that are looked at; a station has a handful of TNCs."""


class Grade(StrEnum):
    """How a finding weighs."""

    GOOD = "good"
    DOUBTFUL = "doubtful"
    BAD = "bad"


class Finding(msgspec.Struct, frozen=True):
    """One thing looked at: what it is about, what was found, and how to mend it if needed."""

    grade: Grade
    about: str
    says: str
    mend: str = ""


def _good(about: str, says: str) -> Finding:
    return Finding(Grade.GOOD, about, says)


def _doubtful(about: str, says: str, mend: str) -> Finding:
    return Finding(Grade.DOUBTFUL, about, says, mend)


def _bad(about: str, says: str, mend: str) -> Finding:
    return Finding(Grade.BAD, about, says, mend)


async def check_surroundings(
    settings: Settings,
    broker: BrokerOptions,
    looking_at: Callable[[str], None] = lambda _what: None,
) -> AsyncIterator[Finding]:
    """Look at everything the settings name. Opens TNCs and broker, transmits nothing.

    A station that runs on the same settings is left alone: what it holds is not opened a second
    time, but asked for on the bus. `looking_at` hears what may take a while.
    """
    folder = Path(settings.logbook.folder)
    running = _is_locked(folder)
    yield _user()
    yield _transmit(settings)
    yield _position(settings)
    yield _logbook(folder, running=running)
    yield _disk(folder)
    yield _clock()
    looking_at(f"the broker at {broker.host}:{broker.port}")
    links: Links = {}
    for finding in await _broker(settings, broker, links if running else None):
        yield finding
    if not settings.tnc:
        yield _bad("tnc", "there is none in the settings", "add a [[tnc]] table")
    for tnc in settings.tnc:
        if running:
            yield _held_tnc(tnc, links.get(tnc.name))
        else:
            looking_at(f"the TNC {tnc.name} at {tnc.link}")
            yield await _tnc(tnc)


# -- settings and machine ------------------------------------------------------------------------


def _user() -> Finding:
    try:
        name = pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        name = str(os.geteuid())
    if os.geteuid() == 0:
        return _doubtful(
            "user",
            "looked at as root, who may use files and devices that the station's user may not",
            "check as the user that will run the station",
        )
    return _good("user", f"looked at as {name}")


def _transmit(settings: Settings) -> Finding:
    station = settings.station
    if not station.transmit:
        return _doubtful(
            "transmit",
            "off: the station listens and sends nothing, acknowledgements included",
            "set station.transmit = true if a licensed operator is in control",
        )
    if station.callsign.startswith("Q"):
        return _doubtful(
            "transmit",
            f"on as {station.callsign}, which is an example: no country gives out callsigns that "
            "begin with Q",  # ITU Radio Regulations, App. 42: the series is kept for the Q code
            "set station.callsign to your own",
        )
    if not any(not tnc.receive_only for tnc in settings.tnc):
        return _doubtful(
            "transmit",
            f"on as {station.callsign}, but no TNC may transmit",
            "set receive_only = false for one, or station.transmit = false",
        )
    hops = sum(_hops(address) for address in station.path)
    if hops > MOST_HOPS:
        return _doubtful(
            "transmit",
            f"on as {station.callsign}, through up to {hops} digipeaters: each takes the channel "
            "from everybody for as long again",
            f"set station.path to no more than you need, {MOST_HOPS} hops at most",
        )
    return _good("transmit", f"on as {station.callsign}: {CAUTION}")


def _hops(address: str) -> int:
    """Repeats that a path entry asks for: WIDE2-2 two, a digipeater by name one."""
    alias, _, left = address.partition("-")
    return int(left or 0) if alias[:-1].isalpha() and alias[-1:].isdigit() and left else 1


def _position(settings: Settings) -> Finding:
    place = settings.station.position
    if place is None:
        return _doubtful("position", "not set", "set station.position for distances and bearings")
    if not place.latitude_deg and not place.longitude_deg:
        return _doubtful("position", "0 0 lies in the Atlantic", "set station.position")
    return _good("position", f"{place.latitude_deg:.5f} {place.longitude_deg:.5f} (WGS-84)")


def _is_locked(folder: Path) -> bool:
    """A station is running on this folder. The lock is tried, never made."""
    try:
        descriptor = os.open(folder / LOCK, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    finally:
        os.close(descriptor)
    return False


def _logbook(folder: Path, *, running: bool) -> Finding:
    if running:
        return _good("logbook", f"{folder} is in use by a running station")
    mend = "set logbook.folder to one that the station's user may write in, or give it this one"
    there = _existing(folder)
    if not there.is_dir():
        return _bad("logbook", f"{there} is not a folder", mend)
    if not os.access(there, os.R_OK | os.W_OK | os.X_OK):
        return _bad("logbook", f"{there} cannot be written", mend)
    if there != folder:
        return _good("logbook", f"{folder} will be made")
    for file in (folder / DATABASE, folder / LOCK):
        if os.path.lexists(file) and not os.access(file, os.R_OK | os.W_OK):
            return _bad(
                "logbook",
                f"{file} may not be read and written",
                f"give it to the station's user: sudo chown USER {file}",
            )
    return _good("logbook", f"{folder} can be written")


def _existing(path: Path) -> Path:
    """The path, or the nearest above it that is there and can be seen."""
    return next(place for place in (path, *path.parents) if os.path.lexists(place))


def _disk(folder: Path) -> Finding:
    there = _existing(folder)
    try:
        free = shutil.disk_usage(there).free
    except OSError as error:
        return _bad("disk", f"{there}: {(error.strerror or '').lower()}", "set logbook.folder")
    says = f"{free / 1e9:.1f} GB free at {there}"
    if free < LEAST_FREE_OCTETS:
        return _bad("disk", says, "make room: a station that cannot write its log sends nothing")
    return _good("disk", says)


def _clock() -> Finding:
    now_s = time.time()
    text = time.strftime("%Y-%m-%d %H:%M:%S UTC", time.gmtime(now_s))
    if now_s < PLAUSIBLE_FROM_S:
        return _bad("clock", f"it says {text}", "set it, by hand or from the network")
    return _good("clock", f"it says {text}; compare it with a watch")


# -- broker --------------------------------------------------------------------------------------


Links = dict[str, LinkPayload]
"""What the running station has left with the broker about its links, by the TNC's name."""


async def _broker(settings: Settings, options: BrokerOptions, links: Links | None) -> list[Finding]:
    """Findings about the broker; `links` is filled if a station is running."""
    if not settings.bus.broker and links is None:
        return [await _embedded(options)]
    findings = _login(settings)
    address = f"{options.host}:{options.port}"
    topics = Topics(settings.bus_name)
    try:
        async with options.client(timeout=BROKER_TIMEOUT_S) as client:
            granted = await client.subscribe([(topic, 1) for topic in topics.asks])
            # 128 and above are refusals (MQTT 3.1.1, 3.9.3; MQTT 5.0, 3.9.3).
            if any(getattr(code, "value", code) >= 128 for code in granted):
                mend = f"its access rules must let the station read {topics.base}/ask/#"
                findings.append(_bad("broker", f"{address} keeps asks from the station", mend))
            else:
                findings.append(_good("broker", f"{address} lets the station in"))
            if links is not None:
                await _collect(client, topics, {tnc.name for tnc in settings.tnc}, links)
    except (aiomqtt.MqttError, OSError) as error:
        failure = why_not_connected(error)
        mend = failure.mend or "look into the broker's own log"
        findings.append(_bad("broker", f"{address}: {failure.says}", mend))
    return findings


def _login(settings: Settings) -> list[Finding]:
    bus = settings.bus
    findings = []
    for about, secret in (("password", bus.password_file), ("key", bus.key_file)):
        if secret and Path(secret).stat().st_mode & stat.S_IROTH:
            findings.append(
                _doubtful(
                    about,
                    f"everybody on this machine can read {secret}",
                    f"chmod o-r {secret}",
                )
            )
    address = parse_broker(bus.broker) if bus.broker else None
    local = address is None or address.host in ("localhost", "::1") or address.host[:4] == "127."
    if bus.user and address is not None and not address.tls and not local:
        findings.append(
            _doubtful(
                "password",
                f"it goes to {address.host} in the clear",
                "use mqtts:// if others are on that network",
            )
        )
    return findings


async def _embedded(options: BrokerOptions) -> Finding:
    address = f"{options.host}:{options.port}"
    if await _answers(options):
        return _bad(
            "broker",
            f"none is set, and the embedded one cannot be started: {address} is taken",
            f'if that is a broker, set bus.broker = "mqtt://{address}"',
        )
    try:
        async with EmbeddedBroker(options.port):
            return _good("broker", f"the embedded one will be started on {address}")
    except EmbeddedBrokerError as error:
        says, _, mend = str(error).partition("; ")
        return _bad("broker", says, mend or "set bus.broker")


async def _answers(options: BrokerOptions) -> bool:
    try:
        _, writer = await asyncio.open_connection(options.host, options.port)
    except OSError:
        return False
    writer.close()
    return True


async def _collect(client: aiomqtt.Client, topics: Topics, wanted: set[str], links: Links) -> None:
    await client.subscribe(f"{topics.base}/link/+", qos=1)
    try:
        async with asyncio.timeout(RETAINED_S):
            for _ in range(MAX_LINKS):
                if wanted <= links.keys():
                    return
                message = await anext(client.messages)
                payload = message.payload if isinstance(message.payload, bytes) else b""
                try:
                    link = msgspec.json.decode(payload, type=LinkPayload)
                except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
                    continue  # not by the station
                links[link.tnc] = link
    except TimeoutError:
        pass


# -- TNCs ----------------------------------------------------------------------------------------


def _held_tnc(tnc: TncTable, link: LinkPayload | None) -> Finding:
    where = f"{tnc.name} at {tnc.link}"
    if link is None:
        return _doubtful(
            "tnc",
            f"{where} was not opened, since the running station holds it, and that did not say "
            "how it is",
            "stop the station and check again",
        )
    if link.up:
        return _good("tnc", f"{where} is open, says the running station")
    says, mend = _split(link.reason)
    return _bad("tnc", f"{where}: {says}, says the running station", mend)


async def _tnc(tnc: TncTable) -> Finding:
    """Open the TNC as the station would, but without setting anything in it."""
    events: asyncio.Queue[LinkEvent] = asyncio.Queue()
    address = parse_link(tnc.link)
    link = Link(tnc.name, address, {}, events.put_nowait, rng=random.Random())  # noqa: S311 - no secret
    running = asyncio.create_task(link.run())
    heard = 0
    failure = ""
    try:
        async with asyncio.timeout(LINK_TIMEOUT_S) as patience:
            while not failure:
                match await events.get():
                    case LinkUp():
                        patience.reschedule(asyncio.get_running_loop().time() + STAYS_UP_S)
                    case LinkDown(_, reason):
                        failure = reason
                    case _:
                        heard += 1
    except TimeoutError:
        if not link.is_up:
            failure = "it does not answer"
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)
    where = f"{tnc.name} at {tnc.link}"
    if failure:
        says, mend = _split(failure)
        if isinstance(address, SerialAddress):
            mend = _device_help(address.device) or mend
        return _bad("tnc", f"{where}: {says}", mend)
    if heard:
        return _good("tnc", f"{where} is open, and a frame was heard")
    return _good("tnc", f"{where} is open; whether it hears and keys the radio shows on the air")


def _split(reason: str) -> tuple[str, str]:
    """A link's reason, and the question after it, which says where to look."""
    says, _, question = reason.partition(" (")
    return says, question.removesuffix(")") or "look at the TNC, its cable, and tnc.link"


def _device_help(device: str) -> str:
    """What would let the station open a device; '' if that cannot be told."""
    try:
        status = Path(device).stat()
    except FileNotFoundError:
        # By these names a device is found again in whichever socket it is plugged.
        by_name = sorted(str(path) for path in Path("/dev/serial/by-id").glob("*"))
        ports = by_name or sorted(port.device for port in list_ports.comports())
        return f"serial ports here: {', '.join(ports)}" if ports else "no serial port is here"
    except OSError:
        return ""
    if stat.S_ISCHR(status.st_mode) and not os.access(device, os.R_OK | os.W_OK):
        try:
            group = grp.getgrgid(status.st_gid).gr_name
        except KeyError:
            group = str(status.st_gid)
        return f"it belongs to the group {group}: sudo usermod -aG {group} USER, then log in again"
    return ""
