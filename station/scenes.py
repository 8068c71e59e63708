"""Keeps the scene of each bench that somebody looks at fresh: asks for its facts after every announcement, and once a
second besides. Of one bench at most one question is on its way."""

import asyncio
from collections.abc import Callable, Mapping, Sequence
from time import monotonic
from typing import Any

from ingest.announce import log
from station.asking import Asking
from station.news import News, Reader, as_json

LEAST_GAP_S = 0.05  # at most 20 scenes a second, however fast the announcements come
REFRESH_S = 1.0
PATIENCE_S = 5.0

BuildScene = Callable[[Mapping[str, Any], Sequence[Mapping[str, object]]], Mapping[str, object]]


class Scenes:
    """Belongs to one event loop. `build` makes the scene from the facts of the ingest thread and the recent words."""

    def __init__(self, asking: Asking, news: News, build: BuildScene) -> None:
        self._asking = asking
        self._news = news
        self._build = build
        self._benches: dict[str | None, _Bench] = {}
        news.changed.append(self._touch)

    def answers(self, name: str | None) -> bool:
        """Whether a scene of this bench could be had lately."""
        bench = self._benches.get(name)
        return bench is not None and monotonic() - bench.answered_s < PATIENCE_S

    def follow(self, reader: Reader) -> None:
        """Show the scenes of its bench to this reader, from now until it has left the news."""
        bench = self._benches.get(reader.bench)
        if bench is None:
            bench = self._benches[reader.bench] = _Bench()
            bench.task = asyncio.get_running_loop().create_task(self._keep_fresh(reader.bench, bench))
        elif bench.shown is not None:
            reader.show(bench.shown)

    def _touch(self) -> None:
        for bench in self._benches.values():
            bench.stale.set()

    async def _keep_fresh(self, name: str | None, bench: "_Bench") -> None:
        try:
            while self._readers(name):
                bench.stale.clear()
                scene = await self._scene(name)
                if scene is not None:
                    bench.answered_s = monotonic()
                    bench.shown = scene
                    for reader in self._readers(name):  # those too that came while the answer was awaited
                        reader.show(scene)
                await asyncio.sleep(LEAST_GAP_S)
                try:
                    await asyncio.wait_for(bench.stale.wait(), REFRESH_S)
                except TimeoutError:
                    pass
        finally:
            del self._benches[name]

    def _readers(self, name: str | None) -> list[Reader]:
        return [one for one in self._news.readers if one.bench == name]

    async def _scene(self, name: str | None) -> str | None:
        facts = await self._asking({"ask": "scene", "bench": name}, PATIENCE_S)
        if not facts.get("ok"):
            return None
        try:
            return as_json(self._build(facts, self._news.recent))
        except Exception:
            log.exception("a scene of the page could not be built")
            return None


class _Bench:
    def __init__(self) -> None:
        self.stale = asyncio.Event()
        self.answered_s = monotonic()
        self.shown: str | None = None
        self.task: asyncio.Task[None] | None = None
