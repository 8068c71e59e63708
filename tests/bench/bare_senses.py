"""The least between a tag reader and the crew: a line of a port, passed on to a page and to a pipe. What the station's own
way to eyes and ears is measured against.

`python -m tests.bench.bare_senses READER EAR` serves a page on a free port of 127.0.0.1, prints that port, and passes each
line of the serial port READER on, as a server-sent event and to the standard input of the command EAR (its words in one
argument). No history, no journal, no checks: no station.
"""

import contextlib
import shlex
import socket
import subprocess
import sys
import threading

import serial

_PAGE = b"""<!doctype html><title>bare</title><p id="text"></p><script>
new EventSource("/events").onmessage = (event) => { document.getElementById("text").textContent = event.data; };
</script>"""
_HEAD = b"HTTP/1.1 200 OK\r\nCache-Control: no-store\r\nConnection: close\r\nContent-Type: "


def main(reader: str, ear: str) -> None:
    streams: list[socket.socket] = []
    server = socket.create_server(("127.0.0.1", 0))
    threading.Thread(target=_serve, args=(server, streams), daemon=True).start()
    with (
        serial.Serial(reader, exclusive=True) as port,
        subprocess.Popen(shlex.split(ear), stdin=subprocess.PIPE, bufsize=0) as listener,
    ):
        assert listener.stdin is not None
        print(server.getsockname()[1], flush=True)
        rest = b""
        while True:
            *lines, rest = (rest + port.read(port.in_waiting or 1)).split(b"\n")
            for line in lines:
                listener.stdin.write(line.strip() + b"\n")
                for stream in list(streams):
                    with contextlib.suppress(OSError):
                        stream.sendall(b"data: " + line.strip() + b"\n\n")


def _serve(server: socket.socket, streams: list[socket.socket]) -> None:
    while True:
        client, _ = server.accept()
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if b" /events " in client.recv(65536).split(b"\r\n")[0]:
            client.sendall(_HEAD + b"text/event-stream\r\n\r\n")
            streams.append(client)
        else:
            client.sendall(_HEAD + b"text/html\r\n\r\n" + _PAGE)
            client.close()


if __name__ == "__main__":
    with contextlib.suppress(KeyboardInterrupt):
        main(*sys.argv[1:])
