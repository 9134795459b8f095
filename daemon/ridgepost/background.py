"""Threads for calls that block, which may be left behind when the program ends."""

import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")


class BackgroundThreads(ThreadPoolExecutor):
    """Runs each call in a daemon thread of its own.

    The event loop looks up names, dials brokers and opens serial devices in threads. A name server
    that is away, a host that is down or the driver of a sick USB device can hold such a call for
    half a minute, and the usual executor makes the end of the program wait for it.
    """

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Begin the call."""
        future: Future[T] = Future()

        def run() -> None:
            if not future.set_running_or_notify_cancel():
                return
            try:
                result = fn(*args, **kwargs)
            except BaseException as error:
                future.set_exception(error)
            else:
                future.set_result(result)

        threading.Thread(target=run, name="ridgepost-background", daemon=True).start()
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Nothing to wait for, whatever is asked."""
