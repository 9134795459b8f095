"""What the tests ask of every refusal: a word to count and a line for the log."""

import re
from collections.abc import Callable
from typing import TypeVar

from ridgepost.radio import RefusedError

Input = TypeVar("Input")
Output = TypeVar("Output")


def attempt(read: Callable[[Input], Output], given: Input) -> Output | None:
    """What `read` makes of the input, or None if it refuses, which it must do in good order."""
    refused = None
    try:
        return read(given)
    except RefusedError as error:
        refused = error
    assert re.fullmatch("[a-z_]+", refused.reason)
    # Fit for a terminal and a log line, whatever came in.
    assert refused.detail.isascii()
    assert refused.detail.isprintable()
    assert len(refused.detail) < 200
    return None
