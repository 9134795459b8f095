"""From settings to a connection with real brokers, and the words for what goes wrong there.

The broker is mosquitto and the certificates are openssl's; what they refuse is their own word. That
the words name a remedy is common practice.
"""

import asyncio
import gc
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import aiomqtt
import pytest

from cli.commands import unprivileged
from harness import Broker, free_port, require_tool
from ridgepost.broker import MAX_PASSWORD_OCTETS, Failure, broker_options, why_not_connected
from ridgepost.bus.connection import BrokerOptions
from ridgepost.settings import SettingsError, parse_settings

PASSWORD = "correct horse battery staple"


def options(text: str) -> BrokerOptions:
    return broker_options(parse_settings(f"[bus]\n{text}"))


def refused(text: str) -> list[str]:
    with pytest.raises(SettingsError) as error:
        options(text)
    assert all(problem.isprintable() for problem in error.value.problems)
    return error.value.problems


async def failure(broker: BrokerOptions) -> Failure:
    with pytest.raises((aiomqtt.MqttError, OSError)) as error:
        async with broker.client(timeout=2.0):
            pass
    return why_not_connected(error.value)


# --- options --------------------------------------------------------------------------------------


def test_options_are_those_of_the_settings(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text(f"{PASSWORD}\n", encoding="utf-8")
    found = options(
        'broker = "mqtts://hub.example:99"\nprotocol = "3.1.1"\nuser = "station"\n'
        f'password_file = "{secret}"'
    )
    assert (found.host, found.port, found.tls, found.mqtt5) == ("hub.example", 99, True, False)
    assert (found.user, found.password) == ("station", PASSWORD)
    assert options('broker = "mqtt://h"').mqtt5


def test_without_a_broker_it_is_the_embedded_one_on_this_machine_only() -> None:
    found = options("")
    assert (found.host, found.port, found.tls, found.mqtt5) == ("127.0.0.1", 1883, False, False)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "expected one line of UTF-8 text in the file"),
        (b"\n", "expected one line of UTF-8 text in the file"),
        (b"\xff\xfe", "expected one line of UTF-8 text in the file"),
        (b"hunter2\nhunter3\n", "expected one line of UTF-8 text in the file"),
        (b"hunter2\x00", "expected one line of UTF-8 text in the file"),
        (b"hunter2" * MAX_PASSWORD_OCTETS, "expected one line of UTF-8 text in the file"),
    ],
    ids=repr,
)
def test_a_password_file_holds_one_line(tmp_path: Path, content: bytes, told: str) -> None:
    secret = tmp_path / "secret"
    secret.write_bytes(content)
    (problem,) = refused(f'broker = "mqtt://h"\nuser = "u"\npassword_file = "{secret}"')
    assert problem.startswith(f"bus.password_file: {told}")
    assert "hunter" not in problem


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("hunter2", "no such file or directory; expected the name of a file that holds"),
        ("/", "expected an ordinary file"),
        ("/dev/zero", "expected an ordinary file"),
        ("/dev/null/hunter2", "not a directory; expected the name of a file"),
    ],
)
def test_a_password_in_place_of_its_file_is_not_repeated(name: str, told: str) -> None:
    (problem,) = refused(f'broker = "mqtt://h"\nuser = "u"\npassword_file = "{name}"')
    assert problem.startswith(f"bus.password_file: {told}")
    assert "hunter2" not in problem


def test_an_unreadable_password_file_is_refused(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text(PASSWORD, encoding="utf-8")
    secret.chmod(0o000)
    text = f'[bus]\nbroker = "mqtt://h"\nuser = "u"\npassword_file = "{secret}"'
    load = (
        "from ridgepost import broker, settings;"
        f"broker.broker_options(settings.parse_settings({text!r}))"
    )
    done = subprocess.run(
        [*unprivileged(), sys.executable, "-c", load], capture_output=True, text=True, check=False
    )
    assert "bus.password_file: permission denied; expected" in done.stderr
    assert PASSWORD not in done.stderr


def test_a_ca_file_that_holds_no_certificate_is_refused(tmp_path: Path) -> None:
    for content in (
        b"",
        b"hello",
        b"-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n",
    ):
        file = tmp_path / "ca.pem"
        file.write_bytes(content)
        assert refused(f'broker = "mqtts://h"\nca_file = "{file}"') == [
            f"bus.ca_file: {file} holds no certificate in PEM form"
        ]
    for name, why in (("none.pem", "no such file or directory"), ("", "is a directory")):
        (problem,) = refused(f'broker = "mqtts://h"\nca_file = "{tmp_path / name}"')
        assert problem.startswith(f"bus.ca_file: cannot read {tmp_path / name}".rstrip("/"))
        assert problem.endswith(why)


def test_both_files_are_named_at_once() -> None:
    found = refused('broker = "mqtts://h"\nuser = "u"\npassword_file = "/nope"\nca_file = "/no"')
    assert [problem.split(":")[0] for problem in found] == ["bus.password_file", "bus.ca_file"]


def test_nothing_shows_a_password() -> None:
    shown = BrokerOptions(host="h", port=1, user="u", password=PASSWORD)
    assert PASSWORD not in repr(shown) + str(shown) + f"{[shown]}"


# --- real brokers ---------------------------------------------------------------------------------


async def test_nobody_listens() -> None:
    found = await failure(BrokerOptions(host="127.0.0.1", port=free_port()))
    assert found == ("connection refused", "is the broker running, and on this port?")


async def test_no_such_host() -> None:
    # RFC 6761 6.4: no name in .invalid exists. A machine without any name server says it otherwise.
    found = await failure(BrokerOptions(host="broker.invalid", port=1883))
    assert found.says == "host not found"


@asynccontextmanager
async def listener(greeting: bytes) -> AsyncIterator[BrokerOptions]:
    """Somebody who is no broker: says `greeting`, and then nothing until the end."""
    over = asyncio.Event()

    async def serve(_reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(greeting)
        await over.wait()
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with server:
        yield BrokerOptions(host="127.0.0.1", port=server.sockets[0].getsockname()[1])
        over.set()
    # aiomqtt leaves its connection behind when it gives up; that ends with ours.
    async with asyncio.timeout(10.0):
        while len(asyncio.all_tasks()) > 1:  # noqa: ASYNC110  nobody tells when it has
            await asyncio.sleep(0)


async def test_somebody_who_says_nothing() -> None:
    async with listener(b"") as broker:
        assert (await failure(broker)).says == "no answer"


async def test_somebody_who_speaks_something_else() -> None:
    async with listener(b"SSH-2.0-OpenSSH_9.2\r\n") as broker:
        found = await failure(broker)
    assert found.says
    assert "Traceback" not in str(found)


# paho leaves its socket to the garbage collector when the handshake of TLS fails.
LEAVES_A_SOCKET = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")


@LEAVES_A_SOCKET
async def test_tls_where_there_is_none(mosquitto: Broker) -> None:
    found = await failure(BrokerOptions(host="127.0.0.1", port=mosquitto.port, tls=True))
    gc.collect()
    assert found.mend


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[Broker]:
    """A broker that asks for a login."""
    secrets = tmp_path / "users"
    subprocess.run(
        [require_tool("mosquitto_passwd"), "-c", "-b", secrets, "station", PASSWORD],
        check=True,
        capture_output=True,
    )
    broker = Broker(
        require_tool("mosquitto"),
        tmp_path / "broker",
        f"allow_anonymous false\npassword_file {secrets}\n",
    )
    broker.start()
    yield broker
    broker.stop()


@pytest.mark.parametrize("mqtt5", [True, False])
@pytest.mark.parametrize(("user", "password"), [("", ""), ("station", "wrong"), ("x", PASSWORD)])
async def test_a_refused_login_names_the_settings_to_mend(
    guarded: Broker, mqtt5: bool, user: str, password: str
) -> None:
    found = await failure(
        BrokerOptions(
            host="127.0.0.1", port=guarded.port, user=user, password=password, mqtt5=mqtt5
        )
    )
    assert found.says == "it refuses this login"
    assert "bus.user" in found.mend
    assert "bus.password_file" in found.mend


async def test_the_right_login_is_let_in(guarded: Broker, tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text(PASSWORD, encoding="utf-8")
    broker = options(
        f'broker = "mqtt://127.0.0.1:{guarded.port}"\nuser = "station"\npassword_file = "{secret}"'
    )
    async with broker.client(timeout=5.0):
        pass


@pytest.fixture
def sealed(tmp_path: Path) -> Iterator[tuple[Broker, int, Path]]:
    """A broker with TLS, the port of that, and the certificate that vouches for it."""
    key, certificate = tmp_path / "key.pem", tmp_path / "certificate.pem"
    subprocess.run(
        [
            require_tool("openssl"),
            *("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1"),
            *("-nodes", "-days", "2", "-subj", "/CN=localhost"),
            *("-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"),
            *("-keyout", str(key), "-out", str(certificate)),
        ],
        check=True,
        capture_output=True,
    )
    port = free_port()
    tls = f"listener {port} 127.0.0.1\ncertfile {certificate}\nkeyfile {key}\n"
    broker = Broker(require_tool("mosquitto"), tmp_path / "broker", tls)
    broker.start()
    yield broker, port, certificate
    broker.stop()


async def test_tls_with_the_certificate_that_vouches_for_it(
    sealed: tuple[Broker, int, Path],
) -> None:
    _, port, certificate = sealed
    broker = options(f'broker = "mqtts://localhost:{port}"\nca_file = "{certificate}"')
    async with broker.client(timeout=5.0):
        pass


@LEAVES_A_SOCKET
async def test_tls_without_it(sealed: tuple[Broker, int, Path]) -> None:
    _, port, _ = sealed
    found = await failure(options(f'broker = "mqtts://localhost:{port}"'))
    gc.collect()
    assert found.says.startswith("its certificate is not trusted")
    assert "bus.ca_file" in found.mend


async def test_no_tls_where_the_broker_wants_it(sealed: tuple[Broker, int, Path]) -> None:
    _, port, _ = sealed
    found = await failure(options(f'broker = "mqtt://localhost:{port}"'))
    assert "mqtts://" in found.mend
