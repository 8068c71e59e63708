"""What a reader thread needs of any port."""

from typing import Protocol


class Link(Protocol):
    """One connection, used once. Everything but `cancel` belongs to the thread that opened it."""

    @property
    def device(self) -> str | None:
        """The node or peer that the address meant at this open, as far as known."""

    def open(self) -> None:
        """Connect; raises OSError (or whatever the library raises) with nothing left open after `close`."""

    def read(self) -> bytes:
        """Block until bytes are there and return all; b"" only after `cancel`; any error means gone."""

    def cancel(self) -> None:
        """From another thread: make a blocked or coming `open` or `read` return. Not called after `close`."""

    def close(self) -> None:
        """Give everything back; may be called twice and never raises OSError."""
