"""Programs of the system that play and speak: how each is called, and one running process of them."""

import contextlib
import os
import shlex
import shutil
import signal
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass, field

# Each reads one WAV file from its standard input, plays it, and ends. The first one that works is used.
PLAYERS: tuple[tuple[str, ...], ...] = (
    ("aplay", "-q", "-"),
    ("paplay", "--raw", "--format=s16le", "--channels=1", "--rate=22050", "--client-name=tallywell"),
    ("play", "-q", "-t", "wav", "-"),
    ("ffplay", "-nodisp", "-autoexit", "-loglevel", "error", "-i", "-"),
)
RAW_PLAYERS = frozenset({"paplay"})  # it takes samples without the header of a file
SPEAKER = "espeak-ng"
_SHOWN = 300  # characters of what a program complained


def players(configured: str | None) -> list[tuple[str, ...]]:
    """The players to try, best first: the configured command alone, or all known ones that are installed."""
    if configured is not None:
        return [tuple(shlex.split(configured))]
    return [command for command in PLAYERS if shutil.which(command[0])]


@dataclass(slots=True)
class Running:
    """A program with a pipe into it, one out of it and one for its complaints, none of which ever blocks; `handle` can
    be polled for its end (pidfd_open(2)).

    In a session of its own: ctrl-C at the station's terminal is for the station alone. If the station dies the pipes
    close, and the program ends by itself.
    """

    command: Sequence[str]
    speaks: bool = False  # whether its output is wanted
    unsent: memoryview = field(default_factory=lambda: memoryview(b""))
    output: bytearray = field(default_factory=bytearray)
    complaint: bytearray = field(default_factory=bytearray)
    ended: bool = False
    process: subprocess.Popen[bytes] = field(init=False)
    handle: int = field(init=False)

    def __post_init__(self) -> None:
        """Raises OSError if it cannot be started."""
        self.process = subprocess.Popen(
            list(self.command),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE if self.speaks else subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            start_new_session=True,
            bufsize=0,
        )
        self.handle = os.pidfd_open(self.process.pid)
        for pipe in (self.process.stdin, self.process.stdout, self.process.stderr):
            if pipe is not None:
                os.set_blocking(pipe.fileno(), False)

    @property
    def name(self) -> str:
        return os.path.basename(self.command[0])

    def give(self, data: bytes) -> None:
        """All that it shall read. What its pipe has no room for is passed on by `send_more`."""
        self._send(memoryview(data))

    def send_more(self) -> None:
        """Pass on what is left."""
        self._send(self.unsent)

    @property
    def wants_more(self) -> bool:
        return bool(self.unsent)

    def _send(self, rest: memoryview) -> None:
        """Pass on what the pipe takes, and close it behind the last byte. What is left is noted last: as long as nothing
        is noted, another thread that looks has nothing to send."""
        stdin = self.process.stdin
        assert stdin is not None
        try:
            while rest and (sent := stdin.write(rest)):
                rest = rest[sent:]
        except OSError:
            rest = memoryview(b"")  # it is gone: its end says why
        if not rest:
            with contextlib.suppress(OSError):
                stdin.close()
        self.unsent = rest

    def read(self) -> None:
        """Take what it says; notes its end."""
        over = self.process.poll() is not None  # asked first: what it said before is then in the pipes
        for pipe, into in ((self.process.stdout, self.output), (self.process.stderr, self.complaint)):
            if pipe is None or pipe.closed:
                continue
            with contextlib.suppress(OSError):
                while data := pipe.read(65536):
                    into += data
                if data == b"":
                    pipe.close()
        self.ended = over

    def close(self) -> int:
        """End it if it still runs; its exit code, negative if it had to be killed."""
        if not self.ended:
            self._kill()
        code = self.process.wait()
        os.close(self.handle)
        for pipe in (self.process.stdin, self.process.stdout, self.process.stderr):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
        return code

    def _kill(self) -> None:
        """It and what it started: a player may stand behind a shell."""
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(self.process.pid, signal.SIGKILL)

    def why(self) -> str:
        """Its first complaint, in one line."""
        lines = self.complaint.decode("utf-8", "replace").strip().splitlines()
        return lines[0][:_SHOWN] if lines else "it gave no reason"
