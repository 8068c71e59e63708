"""What the station says, kept for pages that come later, and the readers that wait for more. Belongs to one event loop.

A reader is one open stream of server-sent events (HTML standard, section 9.2). It gets

    event: said   id: <start>-<number>   data: the announcement, as `ingest.announce.plain` gives it
    event: scene                         data: all that the page shows; only the newest is kept for a slow reader
    event: beat                          data: {"at": RFC 3339, "answers": whether a scene could be had lately}

Announcements come before the scene that they caused. A reader that falls too far behind is let go; it comes back with the
id of the last announcement that it has, and gets those that it missed.
"""

import asyncio
import json
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

KEPT = 200
MOST_UNREAD = 200
BEAT_S = 2.0


@dataclass(frozen=True, slots=True)
class Item:
    """One announcement and its id in the streams."""

    id: str
    said: Mapping[str, object]


class Reader:
    """The mailbox of one stream: announcements in order, and the newest scene."""

    def __init__(self, bench: str | None, missed: list[Item], where: str = "") -> None:
        """`where` is the address that reads."""
        self.bench = bench
        self.where = where
        self._said = deque(missed)
        self._scene: str | None = None
        self._shown: str | None = None
        self._wake = asyncio.Event()
        if missed:
            self._wake.set()
        self._ended = False

    def tell(self, item: Item) -> None:
        if len(self._said) >= MOST_UNREAD:
            self.end()
        else:
            self._said.append(item)
            self._wake.set()

    def show(self, scene: str) -> None:
        """The scene as JSON, unless it is the one shown last; one that was not sent yet is replaced."""
        if scene == self._shown:
            return
        self._scene = self._shown = scene
        self._wake.set()

    def end(self) -> None:
        """Let the reader go: its stream ends."""
        self._ended = True
        self._wake.set()

    async def messages(self, within_s: float) -> list[bytes] | None:
        """What is new, an empty list if nothing came in time, None at the end of the stream."""
        try:
            await asyncio.wait_for(self._wake.wait(), within_s)
        except TimeoutError:
            return []
        self._wake.clear()
        if self._ended:
            return None
        messages = [message("said", as_json(item.said), item.id) for item in self._said]
        self._said.clear()
        if self._scene is not None:
            messages.append(message("scene", self._scene))
            self._scene = None
        return messages


class News:
    """The last announcements and everybody who waits for the next.

    start: tells the ids of this start of the station from those of an earlier one.
    """

    def __init__(self, start: str) -> None:
        self._start = start
        self._count = 0
        self._kept: deque[Item] = deque(maxlen=KEPT)
        self.readers: set[Reader] = set()
        self.changed: list[Callable[[], None]] = []

    @property
    def recent(self) -> list[Mapping[str, object]]:
        """The last announcements, oldest first."""
        return [item.said for item in self._kept]

    def add(self, said: Mapping[str, object]) -> None:
        self._count += 1
        item = Item(f"{self._start}-{self._count}", said)
        self._kept.append(item)
        for reader in list(self.readers):
            if said.get("bench") in (None, reader.bench) or reader.bench is None:
                reader.tell(item)
        for changed in self.changed:
            changed()

    def missed(self, last_id: str | None) -> list[Item]:
        """What was said after this id; everything kept if it is of an earlier start, nothing without an id."""
        if not last_id:
            return []
        kept = list(self._kept)
        for index, item in enumerate(kept):
            if item.id == last_id:
                return kept[index + 1 :]
        return kept

    def reader(self, bench: str | None, last_id: str | None, where: str = "") -> Reader:
        """A new reader; `leave` when its stream has ended."""
        missed = [
            item for item in self.missed(last_id) if bench is None or item.said.get("bench") in (None, bench)
        ]
        reader = Reader(bench, missed, where)
        self.readers.add(reader)
        return reader

    def leave(self, reader: Reader) -> None:
        self.readers.discard(reader)

    def end(self) -> None:
        for reader in self.readers:
            reader.end()


def message(event: str, data: str, id: str | None = None) -> bytes:
    """One server-sent event; `data` is JSON, so it has no line breaks."""
    head = f"id: {id}\n" if id is not None else ""
    return f"{head}event: {event}\ndata: {data}\n\n".encode("utf-8", "replace")


def beat(answers: bool) -> bytes:
    at = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
    return message("beat", as_json({"at": at, "answers": answers}))


def as_json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, default=str, separators=(",", ":"))
