"""TLS and logins against mosquitto, with certificates made by openssl on the spot.

What a client must check about a certificate is RFC 9525; mosquitto.conf(5) says how it is set up.
"""

import asyncio
import subprocess
from collections.abc import Iterator
from pathlib import Path

import aiomqtt
import msgspec
import pytest

from harness import Broker, require_tool
from ridgepost.bus.connection import BrokerOptions

BOUND_S = 10.0

# paho leaves it to the garbage collector to close a socket whose TLS handshake failed.
leaves_a_socket = pytest.mark.filterwarnings(
    "ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning"
)


def authority(folder: Path, name: str) -> tuple[Path, Path]:
    """A key and its certificate, of somebody who signs others."""
    key, certificate = folder / f"{name}.key", folder / f"{name}.pem"
    openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={name}",
            "-addext", "keyUsage=critical,keyCertSign", "-keyout", key,
            "-out", certificate)  # fmt: skip
    return key, certificate


def signed(folder: Path, name: str, by: tuple[Path, Path]) -> tuple[Path, Path]:
    """A key and a certificate for a host name or address, such as 'IP:127.0.0.1'."""
    key, request, certificate = (folder / f"host.{ending}" for ending in ("key", "csr", "pem"))
    extensions = folder / "host.ext"
    # Python 3.13 insists on these identifiers and uses (RFC 5280 4.2.1.1 to 4.2.1.3).
    extensions.write_text(
        f"subjectAltName={name}\nbasicConstraints=CA:FALSE\nkeyUsage=digitalSignature\n"
        "subjectKeyIdentifier=hash\nauthorityKeyIdentifier=keyid\n",
        encoding="ascii",
    )
    openssl("req", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=broker", "-keyout", key,
            "-out", request)  # fmt: skip
    openssl("x509", "-req", "-in", request, "-CA", by[1], "-CAkey", by[0], "-CAcreateserial",
            "-days", "2", "-extfile", extensions, "-out", certificate)  # fmt: skip
    return key, certificate


def openssl(*words: str | Path) -> None:
    subprocess.run([require_tool("openssl"), *words], check=True, capture_output=True)


class StrictBroker(Broker):
    """The harness looks whether the broker serves without TLS and login; this one would not."""

    def _wait_until_served(self) -> None:
        pass


@pytest.fixture
def club(tmp_path: Path) -> tuple[Path, Path]:
    return authority(tmp_path, "club")


def tls_broker(folder: Path, name: str, by: tuple[Path, Path]) -> StrictBroker:
    key, certificate = signed(folder, name, by)
    settings = f"keyfile {key}\ncertfile {certificate}\n"
    return StrictBroker(require_tool("mosquitto"), folder / "broker", settings)


@pytest.fixture
def broker(tmp_path: Path, club: tuple[Path, Path]) -> Iterator[StrictBroker]:
    broker = tls_broker(tmp_path, "IP:127.0.0.1", club)
    broker.start()
    yield broker
    broker.kill()


async def test_certificate_signed_by_the_club(
    broker: StrictBroker, club: tuple[Path, Path]
) -> None:
    """Both ends of a connection: in order, and cut so that the last will is spoken."""
    options = BrokerOptions(
        host="127.0.0.1", port=broker.port, tls=True, ca_file=str(club[1]), mqtt5=True
    )
    async with asyncio.timeout(BOUND_S), options.client() as watcher:
        await watcher.subscribe("#", qos=1)
        will = aiomqtt.Will("will", b"gone", qos=1)
        async with options.client(will=will) as client:
            await client.deliver("a", b"x")
            client.hang_up()
        topics = [str((await anext(watcher.messages)).topic) for _ in range(2)]
    assert topics == ["a", "will"]


@leaves_a_socket
async def test_certificate_of_somebody_else(broker: StrictBroker, tmp_path: Path) -> None:
    other = authority(tmp_path, "other")
    options = BrokerOptions(host="127.0.0.1", port=broker.port, tls=True, ca_file=str(other[1]))
    with pytest.raises((aiomqtt.MqttError, OSError), match="certificate verify failed"):
        await options.client().__aenter__()


@leaves_a_socket
async def test_certificate_for_another_host(tmp_path: Path, club: tuple[Path, Path]) -> None:
    """RFC 9525 6: the name in the certificate must be the one that was asked for."""
    broker = tls_broker(tmp_path, "DNS:elsewhere.example", club)
    broker.start()
    try:
        options = BrokerOptions(host="127.0.0.1", port=broker.port, tls=True, ca_file=str(club[1]))
        with pytest.raises((aiomqtt.MqttError, OSError), match="certificate verify failed"):
            await options.client().__aenter__()
    finally:
        broker.kill()


@leaves_a_socket
async def test_no_tls_there(mosquitto: Broker) -> None:
    options = BrokerOptions(host="127.0.0.1", port=mosquitto.port, tls=True)
    with pytest.raises((aiomqtt.MqttError, OSError)):
        await options.client(timeout=5).__aenter__()


@pytest.fixture
def login_broker(tmp_path: Path) -> Iterator[StrictBroker]:
    """Lets in hub with the password s3cret, and nobody else (mosquitto_passwd(1))."""
    passwords = tmp_path / "passwords"
    passwords.touch()
    tool = require_tool("mosquitto_passwd")
    subprocess.run([tool, "-b", passwords, "hub", "s3cret"], check=True, capture_output=True)
    settings = f"password_file {passwords}\nallow_anonymous false\n"
    broker = StrictBroker(require_tool("mosquitto"), tmp_path / "broker", settings)
    broker.start()
    yield broker
    broker.kill()


@pytest.mark.parametrize("mqtt5", [True, False])
async def test_login(login_broker: StrictBroker, mqtt5: bool) -> None:
    """MQTT 5, 3.2.2.2 and MQTT 3.1.1, 3.2.2.3: Not authorized."""
    where = BrokerOptions(host="127.0.0.1", port=login_broker.port, mqtt5=mqtt5)
    good = msgspec.structs.replace(where, user="hub", password="s3cret")
    async with good.client() as client:
        await client.deliver("a", b"")
    for user, password in (("hub", "wrong"), ("", "")):
        bad = msgspec.structs.replace(where, user=user, password=password)
        with pytest.raises(aiomqtt.MqttCodeError, match=r"(?i)not authori[sz]ed"):
            await bad.client().__aenter__()
