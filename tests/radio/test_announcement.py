"""The announcement of a KISS TNC on the network.

Check values: vectors/kiss.toml (the DNS-SD proposal of 2021); limits: RFC 6763.
"""

import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checkvalues import cases, input_octets
from radio.refusals import attempt
from ridgepost.radio import announcement
from ridgepost.radio.announcement import Announcement, AnnouncementError, read_announcement

Case = dict[str, Any]


@pytest.mark.parametrize("case", cases("kiss", "dnssd"))
def test_check_values(case: Case) -> None:
    expect = case["expect"]
    if "service_type" in expect:
        instance, service_type, domain = announcement.split_service_name(case["input"])
        assert (instance, service_type, domain) == ("", expect["service_type"], expect["domain"])
    elif "instance_name" in expect:
        read = read_announcement(f"{case['input']}._kiss-tnc._tcp.local.", [])
        assert read.instance == expect["instance_name"]
        assert len(read.instance.encode()) == expect["utf8_length_octets"]
    else:
        txt = [input_octets(case)]
        read = read_announcement("TNC._kiss-tnc._tcp.local.", txt)
        assert list(read.port_names) == expect["port_names"]
        assert read.port_count == expect["port_count"]


def test_a_whole_announcement() -> None:
    # Names and ports as printed in the proposal.
    assert read_announcement(
        "ACME SüperTNC in 日本._kiss-tnc._tcp.local.",
        [b"txtvers=1", b"pn=Port 1,Port 2"],
    ) == Announcement(
        instance="ACME SüperTNC in 日本", domain="local.", port_names=("Port 1", "Port 2")
    )


@pytest.mark.parametrize(
    ("name", "instance"),
    [
        # RFC 6763 sec. 4.1.1: an instance name may hold dots and any other text.
        ("Hut 3.5 km up._kiss-tnc._tcp.local.", "Hut 3.5 km up"),
        ("_odd._tcp name._kiss-tnc._tcp.local.", "_odd._tcp name"),
        # RFC 6763 sec. 7: names of services are compared without regard to case.
        ("TNC._KISS-TNC._TCP.local.", "TNC"),
        # The proposal: a client must handle names that are not ASCII.
        (
            "Ada\u2019s\u00a0TNC \U0001f469\u200d\U0001f680._kiss-tnc._tcp.local.",
            "Ada\u2019s\u00a0TNC \U0001f469\u200d\U0001f680",
        ),
        ("x" * 63 + "._kiss-tnc._tcp.local.", "x" * 63),
    ],
)
def test_instance_names(name: str, instance: str) -> None:
    assert read_announcement(name, []).instance == instance


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("TNC._http._tcp.local.", "other_service"),
        ("TNC._kiss-tnc._udp.local.", "other_service"),
        ("TNC.local.", "other_service"),
        ("", "other_service"),
        ("_kiss-tnc._tcp.local.", "no_instance_name"),
        ("x" * 64 + "._kiss-tnc._tcp.local.", "instance_name_too_long"),
        ("日" * 22 + "._kiss-tnc._tcp.local.", "instance_name_too_long"),  # 66 octets
        ("a\x1b[2Jb._kiss-tnc._tcp.local.", "illegal_character"),
        ("a\x9b2Jb._kiss-tnc._tcp.local.", "illegal_character"),
        ("a\ud800b._kiss-tnc._tcp.local.", "illegal_character"),
        ("a\nb._kiss-tnc._tcp.local.", "illegal_character"),
    ],
)
def test_refusals(name: str, reason: str) -> None:
    with pytest.raises(AnnouncementError) as refused:
        read_announcement(name, [])
    assert refused.value.reason == reason


@pytest.mark.parametrize(
    ("txt", "names"),
    [
        # RFC 6763 sec. 6.4: case of keys is ignored, the first of two counts, no "=" is no value,
        # a string that begins with "=" is passed over. Sec. 6.1: an empty string means nothing.
        ([b"PN=A,B"], ("A", "B")),
        ([b"pn=A", b"pn=B,C"], ("A",)),
        ([b"pn"], ()),
        ([b"pn="], ()),
        ([b"=A", b"", b"pn=B"], ("B",)),
        ([b"pnx=A", b"xpn=B"], ()),
        ([b"pn=A,,C"], ("A", "", "C")),  # the number of values is the number of ports
        ([b"pn=a=b,c"], ("a=b", "c")),
        ([b"pn=\xff,\x1b[2J"], ("\ufffd", "\ufffd[2J")),
        ([b"pn=" + b",".join(b"%d" % port for port in range(99))], tuple(map(str, range(16)))),
    ],
)
def test_port_names(txt: list[bytes], names: tuple[str, ...]) -> None:
    assert announcement.port_names(txt) == names


@given(st.text(max_size=40), st.lists(st.binary(max_size=255), max_size=5))
def test_whatever_is_announced_comes_out_harmless(name: str, txt: list[bytes]) -> None:
    read = attempt(
        lambda name: read_announcement(name, [*txt, b"pn=" + b"".join(txt)]),
        f"{name}._kiss-tnc._tcp.local.",
    )
    if read is not None:
        shown = read.instance + "".join(read.port_names)
        # C0, DEL and C1 (ISO 6429): what a terminal would obey.
        assert re.search("[\x00-\x1f\x7f-\x9f]", shown) is None
        shown.encode()
        assert 1 <= read.port_count <= 16


# RFC 6763 sec. 4.1: <Instance>.<Service>.<Domain>, and 7: a service is two labels, each of which
# begins with an underscore.
def test_a_name_may_end_with_its_service() -> None:
    assert announcement.split_service_name("My TNC._kiss-tnc._tcp") == (
        "My TNC",
        "_kiss-tnc._tcp",
        "",
    )


@pytest.mark.parametrize("name", ["My TNC.kiss-tnc._tcp.local.", "My TNC._kiss-tnc.tcp.local."])
def test_both_labels_of_a_service_begin_with_an_underscore(name: str) -> None:
    with pytest.raises(AnnouncementError) as refused:
        announcement.split_service_name(name)
    assert refused.value.reason == "other_service"
