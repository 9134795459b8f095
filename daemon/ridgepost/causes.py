"""What an exception came from: libraries wrap what the system said, sometimes several times."""

from collections.abc import Iterator


def causes(error: BaseException) -> Iterator[BaseException]:
    """The error itself, then what led to it, each once: some libraries make rings of them."""
    seen: list[BaseException] = []
    cause: BaseException | None = error
    while cause is not None and not any(cause is known for known in seen):
        seen.append(cause)
        yield cause
        cause = cause.__cause__ or cause.__context__
