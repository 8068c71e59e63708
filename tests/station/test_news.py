"""What streams get: announcements in order, none twice, the newest scene; and what becomes of slow readers."""

import asyncio
import json
from collections.abc import Coroutine, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.control import Ask
from station.asking import Asking
from station.news import KEPT, MOST_UNREAD, News, Reader, beat
from station.scenes import Scenes


def run_aside(work: Coroutine[Any, Any, None]) -> None:
    """Run this in a thread of its own: in this one a browser of other tests may have its loop."""
    with ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, work).result()


def said(number: int, bench: str | None = "main") -> dict[str, object]:
    return {"name": "part_taken", "sentence": f"Length {number} mm. Ährenfisch\n{number}", "bench": bench}


def read(data: bytes) -> dict[str, str]:
    """The fields of one server-sent event."""
    assert data.endswith(b"\n\n")
    lines = data.decode().removesuffix("\n\n").split("\n")
    return dict(line.split(": ", 1) for line in lines)


async def waiting(reader: Reader) -> list[dict[str, str]]:
    """What the reader would be sent now."""
    messages = await reader.messages(0.001)
    assert messages is not None
    return [read(one) for one in messages]


def numbers(events: list[dict[str, str]]) -> list[str]:
    return [json.loads(one["data"])["sentence"].split()[1] for one in events if one["event"] == "said"]


def test_an_announcement_comes_once_before_the_scene_that_it_caused() -> None:
    async def run() -> None:
        news = News("s")
        reader = news.reader("main", None)
        news.add(said(1))
        reader.show('{"state":"old"}')
        reader.show('{"state":"new"}')
        first, second = await waiting(reader)
        assert (first["event"], first["id"], json.loads(first["data"])) == ("said", "s-1", said(1))
        assert (second["event"], second["data"]) == ("scene", '{"state":"new"}')
        assert "id" not in second
        assert await waiting(reader) == []

    run_aside(run())


def test_a_bench_hears_its_own_news_and_those_of_the_whole_station() -> None:
    async def run() -> None:
        news = News("s")
        left, every = news.reader("left", None), news.reader(None, None)
        for number, bench in enumerate(["left", "right", None]):
            news.add(said(number, bench))
        assert numbers(await waiting(left)) == ["0", "2"]
        assert numbers(await waiting(every)) == ["0", "1", "2"]

    run_aside(run())


@settings(deadline=None)
@given(
    breaks=st.lists(st.tuples(st.integers(0, 8), st.integers(0, 8)), max_size=12),
)
def test_whoever_comes_back_misses_nothing_and_hears_nothing_twice(breaks: list[tuple[int, int]]) -> None:
    """Each pair: how many are said while it listens, and how many while it is away."""

    async def run() -> None:
        news, last, count, heard = News("s"), "s-0", 0, []
        for listening, away in breaks:
            reader = news.reader("main", last)
            for _ in range(listening):
                news.add(said(count := count + 1))
            events = await waiting(reader)
            heard += numbers(events)
            last = next((one["id"] for one in reversed(events)), last)
            news.leave(reader)
            for _ in range(away):
                news.add(said(count := count + 1))
        heard += numbers(await waiting(news.reader("main", last)))
        assert heard == [str(one + 1) for one in range(count)]

    run_aside(run())


def test_after_a_restart_everything_said_since_comes() -> None:
    async def run() -> None:
        news = News("second")
        for number in range(3):
            news.add(said(number))
        assert numbers(await waiting(news.reader("main", "first-77"))) == ["0", "1", "2"]
        assert await waiting(news.reader("main", None)) == []

    run_aside(run())


def test_only_the_last_ones_are_kept() -> None:
    async def run() -> None:
        news = News("s")
        for number in range(KEPT + 5):
            news.add(said(number))
        assert len(news.recent) == KEPT
        assert numbers(await waiting(news.reader("main", "s-1")))[0] == "5"

    run_aside(run())


def test_a_reader_that_falls_behind_is_let_go_and_the_others_stay() -> None:
    async def run() -> None:
        news = News("s")
        slow, quick = news.reader("main", None), news.reader("main", None)
        for number in range(MOST_UNREAD + 1):
            news.add(said(number))
            await quick.messages(0.001)
        assert await slow.messages(0.001) is None
        assert await waiting(quick) == []

    run_aside(run())


def test_a_beat_says_whether_the_station_answers() -> None:
    fields = read(beat(True))
    assert (fields["event"], json.loads(fields["data"])["answers"]) == ("beat", True)


# --- scenes -------------------------------------------------------------------------------------------------


class Desk:
    """Answers questions in the place of the ingest thread, when it is told to."""

    def __init__(self) -> None:
        self.asked: list[Ask] = []

    def answer(self, **facts: object) -> None:
        self.asked[-1].reply({"ok": True, **facts})


async def until(condition: Any) -> None:
    async with asyncio.timeout(20):
        while not condition():
            await asyncio.sleep(0)


def build(facts: Any, recent: Sequence[Any]) -> dict[str, object]:
    return {"facts": facts["n"], "words": len(recent)}


def test_of_one_bench_at_most_one_question_is_on_its_way_however_much_is_said() -> None:
    async def run() -> None:
        desk, news = Desk(), News("s")
        scenes = Scenes(Asking(desk.asked.append), news, build)
        readers = [news.reader("main", None) for _ in range(3)]
        for reader in readers:
            scenes.follow(reader)
        await until(lambda: desk.asked)
        for number in range(50):
            news.add(said(number))
        await asyncio.sleep(0)
        assert len(desk.asked) == 1
        desk.answer(n=1)
        await until(lambda: len(desk.asked) == 2)
        desk.answer(n=2)
        await until(lambda: all(reader._scene == '{"facts":2,"words":50}' for reader in readers))
        for reader in readers:
            news.leave(reader)

    run_aside(run())


def test_a_page_that_comes_later_sees_the_scene_at_once() -> None:
    async def run() -> None:
        desk, news = Desk(), News("s")
        scenes = Scenes(Asking(desk.asked.append), news, build)
        first = news.reader("main", None)
        scenes.follow(first)
        await until(lambda: desk.asked)
        desk.answer(n=1)
        await until(lambda: first._scene)
        second = news.reader("main", None)
        scenes.follow(second)
        assert second._scene == first._scene

    run_aside(run())


def test_a_page_that_comes_while_the_station_is_asked_gets_the_answer_too() -> None:
    async def run() -> None:
        desk, news = Desk(), News("s")
        scenes = Scenes(Asking(desk.asked.append), news, build)
        first = news.reader("main", None)
        scenes.follow(first)
        await until(lambda: desk.asked)
        second = news.reader("main", None)
        scenes.follow(second)
        desk.answer(n=1)
        await until(lambda: first._scene)
        assert second._scene == '{"facts":1,"words":0}'

    run_aside(run())


def test_a_page_is_not_shown_the_same_scene_twice() -> None:
    async def run() -> None:
        reader = News("s").reader("main", None)
        reader.show("{}")
        assert await waiting(reader)
        reader.show("{}")
        assert await waiting(reader) == []

    run_aside(run())


def test_a_scene_that_cannot_be_built_is_one_that_is_missing() -> None:
    async def run() -> None:
        desk, news = Desk(), News("s")
        scenes = Scenes(Asking(desk.asked.append), news, build)
        reader = news.reader("main", None)
        scenes.follow(reader)
        await until(lambda: desk.asked)
        desk.answer(nothing=True)
        news.add(said(1))
        await until(lambda: len(desk.asked) == 2)
        desk.answer(n=2)
        await until(lambda: reader._scene == '{"facts":2,"words":1}')

    run_aside(run())


def test_an_answer_that_never_comes_is_said_and_one_that_comes_too_late_harms_nothing() -> None:
    async def run() -> None:
        desk = Desk()
        answer = await Asking(desk.asked.append)({"ask": "status"}, 0.01)
        assert answer == {
            "ok": False,
            "error": "The station did not answer within 0.01 s: look at its trouble messages.",
        }
        desk.answer()
        await asyncio.sleep(0)

    run_aside(run())


def test_whoever_asks_for_a_deed_is_told_that_it_may_still_be_done() -> None:
    async def run() -> None:
        answer = await Asking(Desk().asked.append)({"ask": "command"}, 0.01, late="It may still be done.")
        assert answer == {"ok": False, "error": "It may still be done."}

    run_aside(run())


def test_an_answer_after_the_page_has_ended_harms_nothing() -> None:
    desk = Desk()

    async def run() -> None:
        await Asking(desk.asked.append)({"ask": "status"}, 0.001)

    run_aside(run())
    desk.answer()
