"""How far a long computation is, for a person who watches it."""

import sys
import time

import click


class Progress:
    """One line on a terminal, and nothing where nobody watches it."""

    def __init__(self, of_what: str) -> None:
        self._of_what = of_what
        self._watched = sys.stderr is not None and sys.stderr.isatty()
        self._began_s = time.monotonic()
        self._shown = ""

    def show(self, done: int, total: int) -> None:
        if not self._watched:
            return
        left_s = (time.monotonic() - self._began_s) / done * (total - done)
        left = f"{left_s / 60:.0f} min" if left_s >= 90 else f"{left_s:.0f} s"
        text = f"{done} of {total} {self._of_what}, about {left} left"
        if text != self._shown:
            self._shown = text
            click.echo(f"\r\x1b[K{text}", nl=False, err=True)

    def clear(self) -> None:
        if self._shown:
            click.echo("\r\x1b[K", nl=False, err=True)
