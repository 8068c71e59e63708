"""The page over time: it loses the station and finds it again, several look at once, hands use only the keyboard."""

import json
import os
import signal
import sqlite3
from contextlib import ExitStack, closing
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from playwright.sync_api import Browser, Route

from ingest.records import Sound
from station.app import MOST_STREAMS_EACH
from station.history import time_span
from station.news import message
from station.scene import build_scene
from station.sounds.tones import notes
from tests.ingest.daemon_tools import wait_for
from tests.ports import reserved_port
from tests.station import stage as acts
from tests.station import web
from tests.station.conftest import OpenView
from tests.station.looking import View
from tests.station.scene_builders import facts, said
from tests.station.stage import KNOWN, Stage, stage_on, write_stage


def test_the_history_on_the_page_is_that_of_the_database(stage: Stage, open_view: OpenView) -> None:
    stage.clear()
    view = open_view(stage.address)
    code = stage.one_more()
    wait_for(lambda: any(one["tag"] == code for one in stage.child.fish()), "the first capture")
    stage.command("survey close")  # what was caught in this survey is no recapture
    stage.scan(code)
    view.wait("recapture", code[-4:])
    with closing(sqlite3.connect(f"file:{stage.child.database}?mode=ro", uri=True)) as records:
        rows = records.execute(
            "SELECT date(at, '-5 hours'), water, length_mm, weight_g, mm_since, relative_weight FROM tag_history"
            " WHERE tag = ? ORDER BY at DESC",
            (code,),
        ).fetchall()
        then = records.execute(
            "SELECT date(at), water, length_mm, weight_g, mm_since FROM tag_history WHERE tag = ? ORDER BY at DESC"
            " LIMIT 4",
            (KNOWN,),
        ).fetchall()
    assert len(rows) == 1
    _, water, mm, grams, _, wr = rows[0]
    assert view.texts("#history tbody td")[1:] == [water, f"{mm:g}", f"{grams:g}", f"{wr:.0f}"] or view.texts(
        "#history tbody td"
    )[1:] == [water, f"{mm:g}", "", f"{grams:g}", f"{wr:.0f}"]
    stage.clear()
    days = [datetime.now(UTC).date()]
    acts.recapture(stage)
    view.wait("recapture", KNOWN[-4:])
    days.append(datetime.now(UTC).date())
    shown = [view.texts(f"#history tbody tr:nth-child({row}) td")[:5] for row in range(1, 5)]
    assert shown == [
        [date, water, f"{mm:g}", f"{grown:+g}", f"{grams:g}"] for date, water, mm, grams, grown in then
    ]
    since = 318 - then[0][2]
    spans = {time_span((day - date(2025, 5, 13)).days + part) for day in days for part in (-0.5, 0.5, 1.0)}
    said = view.text("#sentence")
    assert any(f"Since last time, {span} ago: +{since:g} mm" in said for span in spans), said
    assert view.page.get_attribute("#curve", "aria-label") in {
        "Growth curve: 2021-05-11: 201 mm, 2022-05-17: 239 mm, 2023-05-16: 263 mm, 2024-05-14: 284 mm, "
        f"2024-10-02: 297 mm, 2025-05-13: 305 mm, {day}: 318 mm"
        for day in days
    }


def test_a_page_that_loses_the_station_says_so_and_catches_up_by_itself(
    tmp_path: Path, open_view: OpenView
) -> None:
    with reserved_port() as port, stage_on(write_stage(tmp_path, port=port, only_main=True)) as stage:
        view = open_view(stage.address)
        acts.in_hand(stage)
        view.wait("in_hand", "287")
        stage.child.signal(signal.SIGKILL)
        view.page.wait_for_selector("#contact:not([hidden])")
        assert view.text("#contact-headline") == "NO CONTACT"
        assert "last news " in view.text("#contact-sentence")
        view.check()
        stage.child.start()
        view.wait("in_hand", "287")
        stage.weigh(301)
        view.wait("saved", "301 g")
        assert view.texts("#total") == ["1"]
        # A line that falls silent ends no stream; and a tablet whose clock is set back meanwhile counts on.
        view.page.evaluate("() => { const now = Date.now; Date.now = () => now() - 3_600_000; }")
        assert stage.child.process is not None
        os.kill(stage.child.process.pid, signal.SIGSTOP)
        try:
            view.page.wait_for_selector("#contact[data-why=lost]")
        finally:
            os.kill(stage.child.process.pid, signal.SIGCONT)
        view.wait("saved", "301 g")


def hold_a_stream(stage: Stage, held: ExitStack) -> None:
    """One that is not refused: pages of other tests may be about to end."""

    def got() -> bool:
        stream = ExitStack()
        if stream.enter_context(web.stream(f"{stage.address}/events?bench=main")).status_code != 200:
            stream.close()
            return False
        held.push(stream)
        return True

    wait_for(got, "room for a stream")


def test_a_page_too_many_says_why_it_shows_nothing_and_comes_when_another_is_closed(
    stage: Stage, open_view: OpenView
) -> None:
    stage.clear()
    acts.ready(stage)
    with ExitStack() as others:
        for _ in range(MOST_STREAMS_EACH):
            hold_a_stream(stage, others)
        view = open_view(stage.address)
        view.page.wait_for_selector("#contact[data-why=refused]")
        assert (view.text("#contact-headline"), view.text("#contact-do")) == ("NOT SHOWN", "Read why")
        assert view.text("#contact-sentence") == "Too many pages of the station are open: close some of them."
        view.check()
    view.wait("ready")
    # The browser notes each answer that was a refusal.
    assert [one for one in view.wrong if "503 (Service Unavailable)" not in one] == []
    view.wrong.clear()


def test_the_clock_is_that_of_the_station_not_of_the_tablet(stage: Stage, open_view: OpenView) -> None:
    stage.clear()
    acts.ready(stage)
    view = open_view(stage.address, timezone="Asia/Tokyo")
    view.wait("ready")
    here = ZoneInfo("America/Chicago")
    view.page.wait_for_function(
        "times => times.includes(document.getElementById('clock').textContent)",
        arg=[(datetime.now(here) + timedelta(minutes=n)).strftime("%H:%M") for n in range(3)],
    )


def test_three_pages_at_once_show_the_same(stage: Stage, open_view: OpenView) -> None:
    stage.clear()
    views = [open_view(stage.address, size=size) for size in ((1280, 800), (800, 1280), (390, 844))]
    code = stage.one_more()
    for view in views:
        view.wait("saved", code[-4:])
        assert not view.cut()
        assert view.text("#last li:first-child .figures-small b") == views[0].text(
            "#last li:first-child .figures-small b"
        )


def test_the_panel_of_the_crew_works_by_keyboard_alone(stage: Stage, open_view: OpenView) -> None:
    stage.clear()
    code = stage.one_more()
    view = open_view(stage.address)
    view.wait("saved", code[-4:])
    keys = view.page.keyboard
    for _ in range(4):
        keys.press("Tab")
        if view.page.evaluate("document.activeElement.id") == "open-crew":
            break
    keys.press("Enter")
    view.page.wait_for_selector("dialog[open]")
    view.assert_accessible()

    def go_to(what: str) -> None:
        for _ in range(60):
            if view.page.evaluate("what => document.activeElement.matches(what)", what):
                return
            keys.press("Tab")
        raise AssertionError(f"the keyboard never reached {what}")

    go_to("[data-form^='fate'] select")
    keys.press("ArrowDown")
    keys.press("Tab")
    keys.press("Enter")
    view.page.wait_for_function("() => document.getElementById('answer').textContent.includes('removed')")
    assert view.text("#answer") == "Corrected: the fish saved last: removed."
    wait_for(lambda: stage.child.fish()[-1]["fate"] == "removed", "the amendment")
    go_to("[data-form^='species {'] input")
    keys.type("no such fish")
    keys.press("Enter")
    view.page.wait_for_function("() => document.getElementById('answer').dataset.tone === 'alarm'")
    assert "No species 'no such fish' is known" in view.text("#answer")
    go_to("[data-command='void']")
    keys.press("Enter")
    assert view.text("[data-command='void']") == "Press again: it does not count"
    keys.press("Enter")
    view.page.wait_for_function("() => document.getElementById('answer').textContent.includes('void')")
    keys.press("Escape")
    view.page.wait_for_selector("dialog:not([open])", state="attached")
    assert view.page.evaluate("document.activeElement.id") == "open-crew"
    view.wait("void")


def test_the_crew_opens_names_and_closes_survey_and_run_on_the_page(
    stage: Stage, open_view: OpenView
) -> None:
    stage.clear()
    stage.command("survey close")
    view = open_view(stage.address)
    view.wait("no_survey")
    page = view.page
    page.click("#open-crew")
    page.fill("#survey-open [name=water]", "Älgsjön – Östra viken")
    page.fill("#survey-open [name=name]", "Night 2")
    page.click("#survey-open-button")
    page.wait_for_function(
        "() => document.getElementById('survey').textContent === 'Älgsjön – Östra viken, Night 2'"
    )
    page.fill("[data-form='run start'] [name=area]", "upper bay")
    page.fill("[data-form='run start'] [name=temperature]", "41,5")
    page.fill("[data-form='run start'] [name=conductivity]", "240")
    page.press("[data-form='run start'] [name=area]", "Enter")
    page.wait_for_function("() => document.getElementById('run').textContent === 'Run 1'")
    page.fill("#run-end [name=seconds]", "640")
    page.fill("#run-end [name=temperature]", "58")
    page.press("#run-end [name=seconds]", "Enter")
    page.wait_for_function(
        "() => document.getElementById('answer').textContent.includes('is not that of a water')"
    )
    assert page.input_value("#run-end [name=seconds]") == "640"
    page.fill("#run-end [name=temperature]", "14.5")
    page.press("#run-end [name=seconds]", "Enter")
    page.wait_for_function("() => document.getElementById('answer').textContent.includes('640 s of current')")
    assert "water 14.5 C instead of 41.5 C" in page.inner_text("#answer")
    assert page.input_value("#run-end [name=temperature]") == ""
    page.click("[data-command='survey close']")
    page.click("[data-command='survey close']")
    page.wait_for_function("() => document.getElementById('survey').textContent === 'No survey open'")
    # The browser notes the one answer that was a refusal.
    assert [one for one in view.wrong if "400 (Bad Request)" not in one] == []
    view.wrong.clear()


# From now on the pitches that the page plays are in window.heard.
LISTEN = """() => {
    window.heard = [];
    const start = OscillatorNode.prototype.start;
    OscillatorNode.prototype.start = function (at) {
        window.heard.push(Math.round(this.frequency.value));
        start.call(this, at);
    };
}"""


def test_a_tap_lets_the_page_sound_as_the_station_does(stage: Stage, open_view: OpenView) -> None:
    stage.clear()
    view = open_view(stage.address)
    acts.ready(stage)
    view.wait("ready")
    view.page.evaluate(LISTEN)
    stage.command("species bluegill")
    assert view.page.evaluate("window.heard") == []  # not before the tap
    view.page.click("#sound")
    assert view.page.get_attribute("#sound", "aria-pressed") == "true"
    stage.command("species largemouth_bass")
    stage.one_more()
    rhythm = [round(note.hz) for note in notes(Sound.SAVED)]
    view.page.wait_for_function(
        "count => window.heard.slice(-2).join() === count", arg=",".join(map(str, rhythm))
    )
    view.page.click("#sound")
    assert view.page.get_attribute("#sound", "aria-pressed") == "false"


def test_what_was_missed_is_not_sounded_when_the_page_comes_back_and_old_news_are_not_passed_for_new(
    stage: Stage, browser: Browser
) -> None:
    """The line ends after each answer here, and is opened anew after 50 ms."""
    scene = message("scene", json.dumps(build_scene(facts(), []))).decode()
    live, missed = (
        message("said", json.dumps(said(sound, sound=sound))).decode() for sound in ("held", "saved")
    )
    lines = {"now": scene}
    asked: list[str] = []

    def answer(route: Route) -> None:
        asked.append(lines["now"])
        route.fulfill(content_type="text/event-stream", body=f"retry: 50\n\n{lines['now']}")

    view = View(browser, stage.address)
    try:
        view.page.route("**/events**", answer)
        view.page.reload()
        view.page.wait_for_function("() => document.getElementById('headline').textContent === 'READY'")
        view.page.click("#sound")
        view.page.evaluate(LISTEN)
        lines["now"] = missed * 50 + scene + live
        view.page.wait_for_function("() => window.heard.length > 0")
        held = [round(note.hz) for note in notes(Sound.HELD)]
        assert view.page.evaluate("count => window.heard.slice(0, count)", len(held)) == held
        lines["now"] = message("beat", '{"at": "2026-05-13T14:03:00Z", "answers": true}').decode()
        wait_for_requests = len(asked) + 2
        while len(asked) < wait_for_requests:
            view.page.wait_for_timeout(20)  # between two looks
        view.page.evaluate("""() => {
            window.shown = 0;
            new MutationObserver(() => window.shown++).observe(
                document.getElementById('contact'), {attributes: true, attributeFilter: ['hidden']});
        }""")
        while len(asked) < wait_for_requests + 3:
            view.page.wait_for_timeout(20)
        assert view.page.evaluate("window.shown") == 0
        assert view.text("#contact-headline") == "NO CONTACT"
    finally:
        view.wrong.clear()
        view.close()


def test_with_several_benches_the_page_asks_which(stage: Stage, open_view: OpenView) -> None:
    view = open_view(stage.address, bench=None)
    view.page.wait_for_selector("#chooser:not([hidden])")
    view.assert_accessible()
    view.page.click("#chooser a >> text=hasty")
    view.page.wait_for_function("() => document.getElementById('bench').textContent.includes('hasty')")


def test_a_screen_reader_hears_the_moment_once(stage: Stage, open_view: OpenView) -> None:
    stage.clear()
    view = open_view(stage.address)
    acts.held(stage)
    view.wait("held")
    assert view.text("#urgent").startswith("HELD. Largemouth Bass. Weigh it again. 312 mm")
    stage.command("keep")
    view.wait("saved")
    assert view.text("#urgent").startswith("QUERIED")
    stage.one_more()
    view.wait("saved", "Saved: largemouth bass")
    assert view.text("#urgent") == ""
    assert view.text("#spoken").startswith("SAVED. Largemouth Bass. Next fish. Saved: ")


def test_a_lost_instrument_fills_the_page_between_fish_and_is_named_in_hand(
    tmp_path: Path, open_view: OpenView
) -> None:
    with stage_on(write_stage(tmp_path, only_main=True)) as stage:
        view = open_view(stage.address)
        acts.saved(stage)
        view.wait("saved")
        stage.child.ports["scale"].unplug()
        view.wait("instrument_lost", "The scale is lost")
        assert (view.text("#headline"), view.text("#do")) == ("SCALE LOST", "Plug it in")
        assert "scale\nlost" in view.texts("#instruments li")
        view.check()
        stage.scan(stage.new_tag())
        stage.measure(303)
        view.wait("in_hand", "The scale is lost and the weight is missing")
        assert view.text("#do") == "Plug in the scale"
        assert view.texts(".notices span") == ["The scale is lost: plug it in."]
        view.check()
        stage.child.ports["scale"].plug()
        view.wait("in_hand", "Still missing: weight.")


def test_a_database_that_cannot_be_written_or_read_and_a_survey_without_a_name_are_said(
    tmp_path: Path, open_view: OpenView
) -> None:
    with stage_on(write_stage(tmp_path, survey=False, only_main=True)) as stage:
        view = open_view(stage.address)
        view.wait("no_survey")
        with closing(sqlite3.connect(stage.child.database, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")  # it can be read, not written
            stage.command("survey open")
            view.wait("database_waits", "in the journal")
            assert (view.text("#headline"), view.text("#do")) == ("NOT SAVED YET", "Go on working")
            view.check()
            stage.one_more()
            view.wait("kept", "Kept in the journal, not yet saved: largemouth bass")
            assert (view.text("#headline"), view.text("#do")) == ("NOT SAVED YET", "Next fish")
            assert "The database cannot be written." in " ".join(view.texts(".notices span"))
            view.check()
            other.execute("ROLLBACK")
            view.wait("saved")
            other.execute("BEGIN EXCLUSIVE")  # not even read: the station waits with the tag
            stage.child.ports["reader"].send(KNOWN.encode() + b"\r\n")
            view.page.wait_for_selector("#contact:not([hidden])")
            assert view.text("#contact-headline") == "NOT ANSWERING"
            assert "waits in memory" in view.text("#contact-sentence")
            view.check()
            other.execute("ROLLBACK")
        view.wait("recapture")
        stage.command("survey close")
        stage.command("species bluegill")
        view.wait("provisional")
        assert (view.text("#headline"), view.text("#do")) == ("NO NAME YET", "Name the survey")
        view.check()


CLOCK_OF_LAST_YEAR = "import time; right = time.time; time.time = lambda: right() - 400 * 86_400"


def test_a_doubtful_clock_and_a_full_disk_are_said(tmp_path: Path, open_view: OpenView) -> None:
    toml = write_stage(tmp_path, "low_disk_mb = 100_000_000", survey=False, only_main=True)
    with stage_on(toml, broken=CLOCK_OF_LAST_YEAR) as stage:
        view = open_view(stage.address)
        view.wait("disk_nearly_full", "make room")
        assert (view.text("#headline"), view.text("#do")) == ("DISK FILLS UP", "Make room")
        view.check()
        acts.saved(stage)
        view.wait("saved")
        notices = view.texts(".notices span")
        assert [one.split(":")[0] for one in notices] == [
            "Disk nearly full",
            "Clock wrong",
            "The survey has no name yet",
        ]
        view.check()
        toml.write_text(toml.read_text().replace("low_disk_mb = 100_000_000", ""))
    with stage_on(toml, broken=CLOCK_OF_LAST_YEAR) as stage:
        acts.ready(stage)
        view = open_view(stage.address)
        view.wait("clock_doubtful")
        assert (view.text("#headline"), view.text("#do")) == ("CLOCK WRONG", "Set the clock")
        view.check()
