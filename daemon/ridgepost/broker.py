"""From the settings to a connection with the broker, and in words why there is none."""

import os
import socket
import ssl
import stat
from pathlib import Path
from typing import NamedTuple

import aiomqtt
import msgspec

from ridgepost.bus.client import HungUpError
from ridgepost.bus.connection import BrokerOptions, show_certificate
from ridgepost.bus.embedded import HOST, PORT
from ridgepost.causes import causes
from ridgepost.settings import BrokerAddress, Settings, SettingsError, parse_broker

MAX_PASSWORD_OCTETS = 1024

PASSWORD_VARIABLE = "RIDGEPOST_BUS_PASSWORD"  # noqa: S105 - a name
"""Holds the password of bus.user where no file does."""

# Reason codes of MQTT 5.0, 3.2.2.2; aiomqtt gives those of 3.1.1 the same names.
_UNSUPPORTED_PROTOCOL = 132
_BAD_LOGIN = (134, 135)


class Failure(NamedTuple):
    """What is wrong, and how it may be mended ('' if that is anybody's guess)."""

    says: str
    mend: str

    def __str__(self) -> str:
        return f"{self.says} ({self.mend})" if self.mend else self.says


def broker_options(settings: Settings) -> BrokerOptions:
    """The broker that the settings name, or the embedded one. Reads the files that they name.

    Raises `SettingsError` if one cannot be used.
    """
    bus = settings.bus
    discovery_prefix = bus.discovery_prefix if bus.discovery else ""
    if not bus.broker:
        # The embedded broker lives and dies with the station and speaks 3.1.1 only.
        return BrokerOptions(
            host=HOST,
            port=PORT,
            mqtt5=False,
            keep_session=False,
            discovery_prefix=discovery_prefix,
        )
    problems: list[str] = []
    password = ""
    if bus.password_file:
        password = _read_password(bus.password_file, problems)
    elif bus.user:
        password = _password_of_environment(problems)
    if bus.ca_file:
        problems += _certificate_problems(bus.ca_file)
    if bus.certificate_file:
        problems += _own_certificate_problems(bus.certificate_file, bus.key_file)
    if problems:
        raise SettingsError(problems)
    options = options_for(
        parse_broker(bus.broker),
        user=bus.user,
        password=password,
        ca_file=bus.ca_file,
        mqtt5=bus.protocol == "5",
    )
    return msgspec.structs.replace(
        options,
        certificate_file=bus.certificate_file,
        key_file=bus.key_file,
        discovery_prefix=discovery_prefix,
    )


def options_for(
    address: BrokerAddress,
    *,
    user: str = "",
    password: str = "",
    ca_file: str = "",
    mqtt5: bool = True,
) -> BrokerOptions:
    """Options for a broker and, where it asks for one, a login."""
    return BrokerOptions(
        host=address.host,
        port=address.port,
        tls=address.tls,
        ca_file=ca_file,
        user=user,
        password=password,
        mqtt5=mqtt5,
    )


def _read_password(name: str, problems: list[str]) -> str:
    """The one line in the file. Neither the file's name nor what it holds is ever repeated: the
    password itself is easily put where the name belongs."""
    path = Path(name)
    try:
        if not stat.S_ISREG(path.stat().st_mode):  # a device or a pipe could be read for ever
            problems.append("bus.password_file: expected an ordinary file")
            return ""
        with path.open("rb") as file:
            content = file.read(MAX_PASSWORD_OCTETS + 1)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        problems.append(
            f"bus.password_file: {reason}; expected the name of a file that holds the password"
        )
        return ""
    try:
        password = content.decode("utf-8").rstrip("\r\n")
    except UnicodeDecodeError:
        password = ""
    if not _is_password(password) or len(content) > MAX_PASSWORD_OCTETS:
        problems.append(
            "bus.password_file: expected one line of UTF-8 text in the file, at most "
            f"{MAX_PASSWORD_OCTETS} octets"
        )
    return password


def _password_of_environment(problems: list[str]) -> str:
    """What service managers and containers hand over; '' if they do not."""
    password = os.environ.get(PASSWORD_VARIABLE, "")
    if password and not _is_password(password):
        problems.append(
            f"{PASSWORD_VARIABLE}: expected one line of UTF-8 text, at most "
            f"{MAX_PASSWORD_OCTETS} octets"
        )
    return password


def _is_password(text: str) -> bool:
    return text.isprintable() and 0 < len(text.encode()) <= MAX_PASSWORD_OCTETS


def _certificate_problems(name: str) -> list[str]:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    try:
        context.load_verify_locations(cafile=name)
    except ssl.SSLError:
        return [f"bus.ca_file: {name} holds no certificate in PEM form"]
    except OSError as error:
        return [f"bus.ca_file: cannot read {name}: {(error.strerror or str(error)).lower()}"]
    return []


def _own_certificate_problems(certificate: str, key: str) -> list[str]:
    """What keeps the station from showing who it is. A key that wants a password is of no use:
    nobody is there to type it."""
    for setting, name in (("certificate_file", certificate), ("key_file", key)):
        try:
            with Path(name).open("rb"):
                pass
        except OSError as error:
            return [f"bus.{setting}: cannot read {name}: {(error.strerror or str(error)).lower()}"]
    try:
        show_certificate(ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT), certificate, key)
    except (ssl.SSLError, ValueError):
        return [
            "bus.certificate_file: it and bus.key_file must be a certificate and its own key in "
            "PEM form, the key without a password"
        ]
    return []


def why_not_connected(error: BaseException) -> Failure:
    """What an error of the MQTT library means to an operator."""
    for cause in causes(error):
        if isinstance(cause, aiomqtt.MqttCodeError):
            return _refusal(cause)
        match cause:
            case socket.gaierror():
                return Failure("host not found", "is its name right, and is the network up?")
            case ssl.SSLCertVerificationError():
                return Failure(
                    f"its certificate is not trusted: {cause.verify_message}",
                    "set bus.ca_file to the certificate of whoever signed it",
                )
            case ssl.SSLError():
                return Failure("no TLS at that port", "mqtt:// is without TLS, mqtts:// with it")
            case ConnectionRefusedError():
                return Failure("connection refused", "is the broker running, and on this port?")
            case TimeoutError():
                return _SILENT
            case OSError() if cause.strerror:
                return Failure(cause.strerror.lower(), "is the network up?")
    if "timed out" in str(error):
        return _SILENT
    if isinstance(error, HungUpError):
        return Failure(
            "it hangs up without an answer",
            "is there an MQTT broker, and does it want TLS (mqtts://)? Its own log says more",
        )
    return Failure(str(error) or type(error).__name__, "")


_SILENT = Failure("no answer", "is there an MQTT broker at that port, and is the network up?")


def _refusal(error: aiomqtt.MqttCodeError) -> Failure:
    code = getattr(error.rc, "value", error.rc)
    if code in _BAD_LOGIN:
        return Failure(
            "it refuses this login", "are bus.user and bus.password_file what it expects?"
        )
    if code == _UNSUPPORTED_PROTOCOL:
        return Failure("it does not speak this version of MQTT", 'set bus.protocol = "3.1.1"')
    return Failure(
        f"it closed the connection: {str(error).partition('] ')[2] or error}",
        "does it want TLS (mqtts://), or a login? Its own log says more",
    )
