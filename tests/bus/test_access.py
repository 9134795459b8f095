"""The broker configuration that is shipped, in a real mosquitto: roles, TLS, client certificates.

mosquitto.conf(5) and mosquitto_passwd(1); a refused publish is MQTT 5, 3.4.2.1 (0x87).
"""

import asyncio
import json
import re
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import msgspec
import pytest
import structlog

from bus.test_connection import BASE, SEND, Bench, notices
from bus.test_tls import StrictBroker, leaves_a_socket
from cli.commands import environment
from harness import free_port, require_tool
from ridgepost.broker import PASSWORD_VARIABLE, broker_options
from ridgepost.bus.client import RefusedError
from ridgepost.bus.connection import BrokerOptions
from ridgepost.logbook.book import Logbook
from ridgepost.radio import ax25
from ridgepost.settings import SettingsError, parse_settings
from ridgepost.station.records import Heard

DEPLOY = Path(__file__).parents[2] / "deploy" / "broker"
BOUND_S = 10.0
ROLES = ("gateway", "operator", "onlooker")
PASSWORD = "pass-{}-x7Kq"


class ShippedBroker(StrictBroker):
    """mosquitto on deploy/broker/mosquitto.conf and access, in a folder of its own."""

    def __init__(self, folder: Path, *, certificates_only: bool = False) -> None:
        super().__init__(require_tool("mosquitto"), folder)
        make_certificates(folder / "certs", "127.0.0.1", *ROLES)
        passwords = folder / "ridgepost.passwords"
        passwords.touch()
        for role in ROLES:
            tool = require_tool("mosquitto_passwd")
            command = [tool, "-b", passwords, role, PASSWORD.format(role)]
            subprocess.run(command, check=True, capture_output=True)
        (folder / "ridgepost.access").write_text(
            (DEPLOY / "access").read_text("ascii"), encoding="ascii"
        )
        text = (DEPLOY / "mosquitto.conf").read_text("ascii")
        self.tls_port, self.websockets_port = free_port(), free_port()
        for port, ours in (
            ("8883", f"{self.tls_port} 127.0.0.1"),
            ("1883 127.0.0.1", f"{self.port} 127.0.0.1"),
            ("9001 127.0.0.1", f"{self.websockets_port} 127.0.0.1"),
        ):
            text, count = re.subn(rf"^listener {port}$", f"listener {ours}", text, flags=re.M)
            assert count == 1
        if certificates_only:
            text, count = re.subn(r"^#(require_|use_identity)", r"\1", text, flags=re.M)
            assert count == 2
        text = text.replace("/etc/mosquitto", str(folder))
        self._config.write_text(
            f"user root\nlog_dest stderr\npersistence false\n{text}", encoding="utf-8"
        )

    def as_role(self, role: str, *, tls: bool = False, mqtt5: bool = True) -> BrokerOptions:
        return BrokerOptions(
            host="127.0.0.1",
            port=self.tls_port if tls else self.port,
            tls=tls,
            ca_file=str(self._config.parent / "certs" / "club.pem") if tls else "",
            user=role,
            password=PASSWORD.format(role),
            mqtt5=mqtt5,
        )


def make_certificates(*words: str | Path) -> None:
    require_tool("openssl")
    subprocess.run([DEPLOY / "certificates", *words], check=True, capture_output=True)


@pytest.fixture
def shipped(tmp_path: Path) -> Iterator[ShippedBroker]:
    broker = ShippedBroker(tmp_path / "broker")
    broker.start()
    yield broker
    broker.kill()


@asynccontextmanager
async def as_gateway(folder: Path, options: BrokerOptions) -> AsyncIterator[Bench]:
    """A bus that is connected with these options."""
    logbook = await Logbook.open(folder)
    bench = Bench(options, logbook, asyncio.sleep)
    task = asyncio.create_task(bench.bus.run())
    await bench.until(lambda: bench.bus.connected)
    yield bench
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    await logbook.close()


@pytest.fixture
async def gateway(tmp_path: Path, shipped: ShippedBroker) -> AsyncIterator[Bench]:
    """A bus that is connected as the gateway."""
    async with as_gateway(tmp_path / "log", shipped.as_role("gateway", tls=True)) as bench:
        yield bench


async def test_the_gateway_may_all_it_needs(gateway: Bench) -> None:
    await gateway.log(*notices(3))
    await gateway.published()
    assert gateway.bus.counts.refused == 0


async def test_discovery_as_the_access_rules_have_it(
    tmp_path: Path, shipped: ShippedBroker
) -> None:
    """With the line that is there for it the gateway may tell of itself, and take that back."""
    rules = tmp_path / "broker" / "ridgepost.access"
    text, count = re.subn(
        r"^#(topic \S+ homeassistant/)", r"\1", rules.read_text("ascii"), flags=re.M
    )
    assert count == 1
    rules.write_text(text, encoding="ascii")
    shipped.kill()
    shipped.start()
    options = shipped.as_role("gateway")
    telling = msgspec.structs.replace(options, discovery_prefix="homeassistant")
    for bus_options, kept in ((telling, 4), (options, 0)):
        async with as_gateway(tmp_path / "log", bus_options) as bench:
            frame = ax25.encode(ax25.from_monitor("QZ1SAG-9>APZ001:!4903.50N/07201.75W>"))
            await bench.log(Heard(tnc="vhf", port=0, frame=frame), *notices(1))
            await bench.until(lambda: bench.bus._tidied)
            await bench.published()
            assert bench.bus.counts.refused == 0
        async with options.client() as client:
            await client.subscribe("homeassistant/+/ridgepost-QZ1HUB-10/#", qos=1)
            await client.deliver("homeassistant/x/ridgepost-QZ1HUB-10/fence", b"")
            found = []
            async with asyncio.timeout(BOUND_S):
                async for message in client.messages:
                    if str(message.topic).endswith("/fence"):
                        break
                    found.append(str(message.topic))
        assert len(found) == kept


async def test_an_operator_asks_in_their_own_name(gateway: Bench, shipped: ShippedBroker) -> None:
    async with shipped.as_role("operator").client() as operator:
        await operator.subscribe(f"{BASE}/#", qos=1)
        await operator.deliver(f"{BASE}/ask/send/operator", json.dumps(SEND).encode())
        await gateway.until(lambda: gateway.asks)
        for topic in (f"{BASE}/ask/send/gateway", f"{BASE}/ask/send/onlooker", f"{BASE}/ask/send"):
            with pytest.raises(RefusedError, match="Not authorized"):
                await operator.deliver(topic, json.dumps(SEND).encode())
        await gateway.log(*notices(1))
        async with asyncio.timeout(BOUND_S):
            async for message in operator.messages:
                if str(message.topic) == f"{BASE}/notice/test":
                    break
    assert [ask.client for ask in gateway.asks] == ["operator"]


@pytest.mark.parametrize("mqtt5", [True, False])
async def test_an_onlooker_cannot_ask(gateway: Bench, shipped: ShippedBroker, mqtt5: bool) -> None:
    """MQTT 3.1.1 has no word for a refusal: there the message just goes nowhere."""
    async with (
        shipped.as_role("onlooker", mqtt5=mqtt5).client() as onlooker,
        shipped.as_role("operator").client() as operator,
    ):
        await onlooker.subscribe(f"{BASE}/#", qos=1)
        for verb in ("send", "cancel", "send/onlooker", "send/operator"):
            topic = f"{BASE}/ask/{verb}"
            try:
                await onlooker.deliver(topic, json.dumps(SEND | {"request": "sneaky"}).encode())
            except RefusedError:
                assert mqtt5
            else:
                assert not mqtt5
        # One that is allowed comes after those that were not.
        await operator.deliver(f"{BASE}/ask/send/operator", json.dumps(SEND).encode())
        await gateway.until(lambda: gateway.asks)
        assert [ask.request for ask in gateway.asks] == [SEND["request"]]
        # But it sees what is published.
        await gateway.log(*notices(1))
        async with asyncio.timeout(BOUND_S):
            async for message in onlooker.messages:
                if str(message.topic) == f"{BASE}/notice/test":
                    break


@pytest.mark.parametrize("role", ["operator", "onlooker"])
@pytest.mark.parametrize("mqtt5", [True, False])
async def test_nobody_but_the_gateway_speaks_as_it(
    gateway: Bench, shipped: ShippedBroker, role: str, mqtt5: bool
) -> None:
    """Nor as a station that does not exist; nor by a last will."""
    topics = [
        f"{BASE}/presence",
        f"{BASE}/place/QZ1SAG-9",
        f"{BASE}/answer/r-1",
        f"{BASE}/traffic/in/x",
        f"{BASE}/published",
        "ridgepost/QZ1NEW/presence",
        "homeassistant/sensor/x/y/config",
    ]
    async with shipped.as_role("gateway").client() as watcher:
        await watcher.subscribe(f"{BASE}/#", qos=1)
        will = aiomqtt.Will(f"{BASE}/presence", b"forged", qos=1, retain=True)
        async with shipped.as_role(role, mqtt5=mqtt5).client(will=will) as liar:
            for topic in topics:
                try:
                    await liar.deliver(topic, b"forged", retain=True)
                except RefusedError:
                    assert mqtt5
                else:
                    assert not mqtt5
            liar.hang_up()  # so that the will is spoken
        await gateway.log(*notices(1))
        async with asyncio.timeout(BOUND_S):
            async for message in watcher.messages:
                assert message.payload != b"forged"
                if str(message.topic) == f"{BASE}/notice/test":
                    break


async def test_the_gateway_is_no_other_station(shipped: ShippedBroker) -> None:
    async with shipped.as_role("gateway").client() as client:
        for topic in ("ridgepost/QZ1FAR/presence", "elsewhere"):
            with pytest.raises(RefusedError):
                await client.deliver(topic, b"")
        await client.deliver("reply/operator/1", b"")


@pytest.mark.parametrize(("user", "password"), [("", ""), ("gateway", "wrong"), ("nobody", "x")])
@pytest.mark.parametrize("tls", [True, False])
async def test_nobody_else_comes_in(
    shipped: ShippedBroker, user: str, password: str, tls: bool
) -> None:
    options = msgspec.structs.replace(
        shipped.as_role("gateway", tls=tls), user=user, password=password
    )
    with pytest.raises(aiomqtt.MqttCodeError, match=r"(?i)not authori[sz]ed"):
        await options.client().__aenter__()


# --- client certificates ------------------------------------------------------------------------


async def test_client_certificates(tmp_path: Path) -> None:
    """The name in the certificate is the user's, and the access rules are those of that name."""
    broker = ShippedBroker(tmp_path / "broker", certificates_only=True)
    broker.start()
    certs = tmp_path / "broker" / "certs"
    try:
        bare = msgspec.structs.replace(broker.as_role("", tls=True), user="", password="")

        def of(role: str) -> BrokerOptions:
            return msgspec.structs.replace(
                bare,
                certificate_file=str(certs / f"{role}.pem"),
                key_file=str(certs / f"{role}.key"),
            )

        async with of("gateway").client() as gateway:
            await gateway.deliver(f"{BASE}/presence", b"{}")
        async with of("onlooker").client() as onlooker:
            with pytest.raises(RefusedError):
                await onlooker.deliver(f"{BASE}/presence", b"{}")
        with pytest.raises((aiomqtt.MqttError, OSError)):
            await bare.client(timeout=5).__aenter__()
    finally:
        broker.kill()


def bus_settings(folder: Path, more: str) -> Any:
    return parse_settings(f'[bus]\nbroker = "mqtts://broker.local"\n{more}')


def test_certificate_of_the_settings(tmp_path: Path) -> None:
    make_certificates(tmp_path, "broker.local", "gateway")
    files = f'certificate_file = "{tmp_path}/gateway.pem"\nkey_file = "{tmp_path}/gateway.key"\n'
    options = broker_options(bus_settings(tmp_path, files))
    assert options.certificate_file.endswith("gateway.pem")
    for mistake, why in (
        (files.replace("gateway.key", "broker.key"), "its own key"),
        (files.replace("gateway.key", "none.key"), "cannot read"),
        (files.replace("gateway.pem", "gateway.key"), "PEM"),
    ):
        with pytest.raises(SettingsError, match=why):
            broker_options(bus_settings(tmp_path, mistake))


@pytest.mark.parametrize(
    ("bus", "problem"),
    [
        ('broker = "mqtts://h"\nkey_file = "k"', "bus.key_file: needs bus.certificate_file"),
        (
            'broker = "mqtts://h"\ncertificate_file = "c"',
            "bus.certificate_file: needs bus.key_file",
        ),
        (
            'broker = "mqtt://h"\ncertificate_file = "c"\nkey_file = "k"',
            "bus.key_file: is for TLS; bus.broker must then begin with mqtts://",
        ),
        ('key_file = "k"\ncertificate_file = "c"', "bus.key_file: needs bus.broker"),
        ('discovery_prefix = "a/#"', "bus.discovery_prefix: expected letters"),
        ('discovery_prefix = "ridgepost/x"', "bus.discovery_prefix: expected letters"),
        ('discovery_prefix = ""', "bus.discovery_prefix: expected letters"),
    ],
)
def test_settings_that_make_no_sense(bus: str, problem: str) -> None:
    with pytest.raises(SettingsError) as caught:
        parse_settings(f"[bus]\n{bus}\n")
    assert any(found.startswith(problem) for found in caught.value.problems)


def test_key_with_a_password_is_refused_and_nobody_is_asked(tmp_path: Path) -> None:
    """OpenSSL would ask at the terminal, where at a field site nobody is."""
    make_certificates(tmp_path, "broker.local", "gateway")
    command = ["openssl", "ec", "-in", "gateway.key", "-aes128", "-passout", "pass:s3cret"]
    subprocess.run([*command, "-out", "locked.key"], cwd=tmp_path, check=True, capture_output=True)
    files = f'certificate_file = "{tmp_path}/gateway.pem"\nkey_file = "{tmp_path}/locked.key"\n'
    with pytest.raises(SettingsError, match="without a password"):
        broker_options(bus_settings(tmp_path, files))


# --- secrets ------------------------------------------------------------------------------------


def test_password_of_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(PASSWORD_VARIABLE, "s3cret")
    options = broker_options(bus_settings(Path(), 'user = "gateway"\n'))
    assert options.password == "s3cret"
    assert broker_options(bus_settings(Path(), "")).password == ""
    monkeypatch.setenv(PASSWORD_VARIABLE, "two\nlines-s3cret")
    with pytest.raises(SettingsError) as caught:
        broker_options(bus_settings(Path(), 'user = "gateway"\n'))
    assert "s3cret" not in str(caught.value)


@leaves_a_socket
async def test_no_secret_in_any_error_or_log(shipped: ShippedBroker) -> None:
    """Whatever goes wrong with a login: nothing that is said of it holds the password."""
    secret = "hush-7Qw"
    with structlog.testing.capture_logs() as log:
        for change in (
            {},
            {"port": free_port()},
            {"tls": True},
            {"host": "no-such-host.invalid"},
            {"certificate_file": "/none", "key_file": "/none", "tls": True},
        ):
            options = msgspec.structs.replace(shipped.as_role("gateway"), password=secret, **change)
            assert secret not in repr(options)
            assert secret not in str(options)
            with pytest.raises((aiomqtt.MqttError, OSError)) as caught:
                await options.client(timeout=3).__aenter__()
            error: BaseException | None = caught.value
            while error is not None:
                assert secret not in repr(error)
                error = error.__cause__ or error.__context__
    assert secret not in str(log)


def test_no_secret_in_what_the_program_says(tmp_path: Path, shipped: ShippedBroker) -> None:
    """The whole program, refused by the broker: its log, its check, and a fault's traceback."""
    secret = "hush-7Qw"
    path = tmp_path / "ridgepost.toml"
    path.write_text(
        f'[bus]\nbroker = "mqtt://127.0.0.1:{shipped.port}"\nuser = "gateway"\n'
        f'[logbook]\nfolder = "{tmp_path}/log"\n',
        encoding="utf-8",
    )
    env = environment(**{PASSWORD_VARIABLE: secret})
    checked = subprocess.run(
        [sys.executable, "-m", "ridgepost", "check", path],
        capture_output=True,
        text=True,
        env=env,
        timeout=60,
        check=False,
    )
    assert "refuses this login" in checked.stdout + checked.stderr
    assert secret not in checked.stdout + checked.stderr
    with subprocess.Popen(
        [sys.executable, "-m", "ridgepost", "run", path],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=env,
    ) as station:
        assert station.stdout is not None
        said = ""
        for line in station.stdout:
            said += line
            if "bus down" in line:
                station.terminate()
    assert "bus down" in said
    assert secret not in said
