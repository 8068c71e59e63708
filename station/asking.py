"""Questions to the ingest thread from the page's own thread: put into its queue, awaited here, never blocking either."""

import asyncio
from collections.abc import Callable, Mapping
from typing import Any

from ingest.control import Ask, error

ANSWER_S = 10.0


class _AskFromLoop(Ask):
    """An `Ask` whose answer wakes an event loop instead of a waiting thread."""

    def __init__(self, request: Mapping[str, Any]) -> None:
        super().__init__(request)
        self._loop = asyncio.get_running_loop()
        self.answer: asyncio.Future[dict[str, object]] = self._loop.create_future()

    def reply(self, answer: dict[str, object]) -> None:
        """Called by the ingest thread."""
        try:
            self._loop.call_soon_threadsafe(self._take, answer)
        except RuntimeError:
            pass  # the page's thread has ended meanwhile

    def _take(self, answer: dict[str, object]) -> None:
        if not self.answer.done():
            self.answer.set_result(answer)


class Asking:
    """Asks the ingest thread; belongs to the event loop. `deliver` is the station's queue."""

    def __init__(self, deliver: Callable[[Ask], None]) -> None:
        self._deliver = deliver

    async def __call__(
        self, request: Mapping[str, Any], within_s: float = ANSWER_S, *, late: str | None = None
    ) -> dict[str, Any]:
        """The answer, `{"ok": false, "error": sentence}` if none came in time; `late` is that sentence."""
        ask = _AskFromLoop(request)
        self._deliver(ask)
        try:
            return await asyncio.wait_for(ask.answer, within_s)
        except TimeoutError:
            return error(
                late or f"The station did not answer within {within_s:g} s: look at its trouble messages."
            )
