"""The gates of conftest.py do close, and the broker of harness.py does what its name says."""

import socket
from pathlib import Path

import pytest

from harness import Broker, missing

pytest_plugins = ["pytester"]

HERE = Path(__file__).parent


def test_gates(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run as a suite of their own: each fault is found, and what looks like one is not."""
    pytester.makeconftest((HERE / "conftest.py").read_text(encoding="utf-8"))
    pytester.makeini("[pytest]\nasyncio_mode = auto\n")
    pytester.makepyfile(
        """
        import asyncio, logging
        from hypothesis import given, settings, strategies

        async def forever():
            await asyncio.Event().wait()

        async def crash():
            raise RuntimeError("nobody asked")

        async def test_leaks_a_task():
            global kept
            kept = asyncio.ensure_future(forever())

        @settings(max_examples=1)
        @given(strategies.none())
        async def test_leaks_a_task_under_hypothesis(_):
            global kept
            kept = asyncio.ensure_future(forever())

        async def test_drops_an_exception():
            asyncio.ensure_future(crash())
            await asyncio.wait([asyncio.ensure_future(asyncio.sleep(0))])

        def test_logs_an_error():
            logging.getLogger("deep.inside").error("disk full")

        async def test_ends_its_task():
            async with asyncio.TaskGroup() as group:
                group.create_task(forever()).cancel()

        def test_expects_its_error(logged_errors):
            logging.getLogger("deep.inside").error("disk full")
            assert [record.getMessage() for record in logged_errors] == ["disk full"]
            logged_errors.clear()
        """
    )
    monkeypatch.setenv("PYTHONPATH", str(HERE))
    result = pytester.runpytest_subprocess("-p", "no:cacheprovider", "-rE")
    result.assert_outcomes(passed=6, errors=4)
    result.stdout.fnmatch_lines_random(
        [
            "ERROR *test_leaks_a_task - *",
            "ERROR *test_leaks_a_task_under_hypothesis - *",
            "ERROR *test_drops_an_exception - *",
            "ERROR *test_logs_an_error - *",
        ]
    )


def connects(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=1).close()
    except ConnectionRefusedError:
        return False
    return True


def test_broker_starts_again_on_its_port(mosquitto: Broker) -> None:
    port = mosquitto.port
    for end in (mosquitto.stop, mosquitto.kill):
        assert connects(port)
        end()
        assert not connects(port)
        mosquitto.start()
    assert mosquitto.port == port
    assert connects(port)


def test_broker_that_cannot_start_says_why(mosquitto: Broker, tmp_path: Path) -> None:
    other = Broker(mosquitto.program, tmp_path / "other", settings="no_such_setting true\n")
    with pytest.raises(RuntimeError, match="no_such_setting"):
        other.start()


@pytest.mark.parametrize(
    ("ci", "outcome"), [("true", pytest.fail.Exception), ("", pytest.skip.Exception)]
)
def test_missing_tool(
    monkeypatch: pytest.MonkeyPatch, ci: str, outcome: type[BaseException]
) -> None:
    monkeypatch.setenv("CI", ci)
    with pytest.raises(outcome, match="a soundcard"):
        missing("a soundcard")
