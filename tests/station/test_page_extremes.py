"""Scenes as no day has them all at once: the longest names, six notices, a history of eight captures. Nothing is cut."""

import json
from typing import Any

import pytest
from playwright.sync_api import Browser

from station.scene import Display, build_scene
from tests.station.looking import PHONE, TABLET, UPRIGHT, View
from tests.station.scene_builders import (
    capture,
    facts,
    fish,
    grown,
    instrument,
    question,
    recapture,
    row,
    saved,
    survey,
)
from tests.station.stage import Stage

LONG = {"slug": "x", "common": "Southern Brook Lamprey of Upper Rivers 40"}
WATER = "Lac-à-l'Eau-Claire-des-Grands-Brochets, Øvre Ångermanälven – östra viken"
INCHES, METRIC = Display("inch_pound"), Display()

_HISTORY = [
    capture(
        f"20{year}-05-13T12:00:00Z",
        180.0 + 20 * year,
        4000.0 + year,
        water=WATER,
        growth=grown(364, 20.5, -12.5),
        fate="removed",
    )
    for year in range(18, 26)
]
_LONG_ASK = question(
    sentence="1043.5 mm and 1234.5 g do not fit Southern Brook Lamprey of Upper Rivers 40 (relative weight 12): measure "
    "length and weight again, and look at the species.",
    suspects=["length", "weight", "species"],
)
_ALL_WRONG: dict[str, Any] = {
    "clock_doubtful": True,
    "disk_free_bytes": 1 << 20,
    "database_trouble": "The disk is full: make room on it, then records that wait are saved by themselves.",
    "waiting_commits": 1234,
    "parked": [fish(species=LONG, says="southern brook lamprey of upper rivers 40 1043.5 mm, 12345.5 g, tag ...0902")] * 3,
    "survey": survey(water=WATER, name="Second night of the autumn survey", provisional=True, withdrawal_until="2026-06-02"),
    "instruments": [
        instrument("reader-at-the-left-bench-with-a-long-name", "tag_reader"),
        instrument("board", "board", silent=True),
        instrument("scale", "scale", lost=True, port="lost", last_error="scale: unplugged: check plug and switch"),
    ],
}  # fmt: skip
_LAST = [row(species=LONG, length_mm=1043.5, weight_g=12_345.5, status="queried")] * 5
_COUNTS = [{"species": LONG, "n": 12_345}] * 9
_PLAIN = facts(species=LONG, last=_LAST, counts=_COUNTS, total=112_345)
_BIG = recapture(
    species=LONG,
    length_mm=1043.5,
    captures=_HISTORY,
    captures_left_out=4,
    growth=grown(3000, 443.5, None, 12.4),
)

_MANY = [
    instrument(name, "tag_reader", silent=name == "release")
    for name in ("reader", "release", "live-well", "board", "scale", "pedal", "gps")
]

SCENES = {
    "not measured": _PLAIN
    | {"in_hand": _BIG | {"length_mm": None, "growth": None, "missing": ["length", "weight"]}},
    "many instruments": _PLAIN | {"instruments": _MANY},
    "line stopped": _PLAIN | {"line_slip": {"sentence": "Stop.", "kind": "extra", "number": 112}},
    "recapture": _PLAIN | {"in_hand": _BIG},
    "held": _PLAIN | {"in_hand": _BIG | {"questions": [_LONG_ASK], "weight_g": 1234.5, "missing": []}},
    "all wrong": _PLAIN | _ALL_WRONG,
    "all wrong in hand": _PLAIN | _ALL_WRONG | {"in_hand": _BIG},
    "saved": _PLAIN | {"saved": saved(species=LONG, length_mm=1043.5, weight_g=12_345.5)},
}


_PLACES = """() => ['.head', '#figures', '#counts', '#last', '#instruments', '#open-crew', '#clock'].map(what => {
    const box = document.querySelector(what).getBoundingClientRect();
    return `${what} ${Math.round(box.left)} ${Math.round(box.top)}`;
}).join()"""


@pytest.mark.parametrize("size", [TABLET, UPRIGHT, PHONE], ids=["tablet", "upright", "phone"])
def test_nothing_is_cut_and_nothing_jumps(stage: Stage, browser: Browser, size: tuple[int, int]) -> None:
    shown: dict[str, str] = {}
    places: set[str] = set()
    view = View(browser, stage.address, bench="hasty", size=size)
    view.page.route(
        "**/events**", lambda route: route.fulfill(content_type="text/event-stream", body=shown["body"])
    )
    try:
        for name, given in SCENES.items():
            for display in (METRIC, INCHES):
                scene = build_scene(given, [], display)
                shown["body"] = f"retry: 600000\nevent: scene\ndata: {json.dumps(scene)}\n\n"
                view.page.reload()
                view.page.wait_for_function(
                    "words => document.getElementById('headline').textContent === words",
                    arg=scene["headline"],
                )
                view.page.wait_for_selector("#contact:not([hidden])")  # the stream of this test ends at once
                cut = view.cut()
                view.page.evaluate("document.getElementById('contact').hidden = true")
                cut += view.cut()
                assert not cut, f"{name}, {display.units}: {cut}"
                places.add(view.page.evaluate(_PLACES))
        assert size == PHONE or len(places) == 1, f"things jump from scene to scene: {places}"
    finally:
        view.wrong.clear()
        view.close()
