"""Ports of this computer that a test needs by number, before anybody listens on them or again afterwards."""

import socket
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def reserved_port() -> Iterator[int]:
    """A port that refuses connections and that the system gives nobody else; a server that asks for it by number may
    listen on it all the same, if it sets SO_REUSEADDR as we do here (socket(7))."""
    with socket.socket() as holder:
        holder.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        holder.bind(("127.0.0.1", 0))
        yield int(holder.getsockname()[1])
