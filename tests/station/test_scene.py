"""The scene of a bench: pure, from facts and announcements."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.scene import Display, build_scene
from tests.station.scene_builders import (
    BASS,
    capture,
    facts,
    fish,
    grown,
    instrument,
    question,
    recapture,
    row,
    said,
    saved,
    saved_recapture,
    survey,
)

METRIC, INCHES = Display(), Display("inch_pound")


def scene(given: dict[str, Any], words: list[dict[str, Any]] | None = None, display: Display = METRIC) -> Any:
    return build_scene(given, words or [], display)


def notices(shown: Any) -> list[str]:
    return [one["text"] for one in shown["notices"]]


def test_with_nothing_in_hand_and_nothing_said_the_station_is_ready() -> None:
    shown = scene(facts())
    assert (shown["state"], shown["headline"], shown["do"]) == ("ready", "READY", "Next fish")
    assert shown["species"] == "Largemouth Bass"
    assert shown["survey"] == {"title": "Reedmace Pond, May", "open": True, "provisional": False}
    assert shown["run"] == {"title": "Run 1", "extra": "fishing run 2"}
    assert shown["clock"] == "09:03"
    assert shown["notices"] == []


def test_without_a_species_it_asks_for_one() -> None:
    assert scene(facts(species=None))["do"] == "Say the species"
    assert (
        scene(facts(species=None, in_hand=fish(species=None, missing=[], weight_g=1.0)))["do"]
        == "Say the species"
    )


@pytest.mark.parametrize(
    ("missing", "do"),
    [
        (["tag", "length", "weight"], "Scan, measure, weigh"),
        (["tag", "length"], "Scan and measure"),
        (["tag", "weight"], "Scan and weigh"),
        (["tag"], "Scan the tag"),
        (["length", "weight"], "Measure, then weigh"),
        (["length"], "Measure it"),
        (["weight"], "Weigh it"),
        ([], "Put it back"),
    ],
)
def test_a_fish_in_hand_says_what_it_still_needs(missing: list[str], do: str) -> None:
    shown = scene(facts(in_hand=fish(missing=missing)))
    assert (shown["state"], shown["do"]) == ("in_hand", do)


def test_parts_that_are_in_missing_or_not_asked_for_look_different() -> None:
    shown = scene(facts(in_hand=fish(tag=None, tag_status=None, missing=["weight"])))
    assert [(one["label"], one["value"], one["state"]) for one in shown["figures"]] == [
        ("Tag", "", "none"),
        ("Length", "312", "in"),
        ("Weight", "", "missing"),
    ]


def test_a_recapture_compares_with_last_time() -> None:
    shown = scene(facts(in_hand=recapture(relative_weight=None)))
    assert shown["state"] == "recapture"
    assert shown["sentence"] == "Since last time, 12 months ago: +12 mm (+1 mm/month)."
    assert [one["extra"] for one in shown["figures"]] == ["2 before", "+12", "was 362"]
    assert shown["history"]["rows"][0] == {
        "date": "2025-05-13",
        "water": "Reedmace Pond",
        "length": "300",
        "weight": "362",
        "grown": "+16",
        "wr": "96",
        "fate": "",
    }
    assert [(one["days"], one["length"], one["new"]) for one in shown["curve"]["points"]] == [
        (0.0, 284.0, False),
        (364.0, 300.0, False),
        (pytest.approx(728.09, abs=0.01), 312.0, True),
    ]


def test_the_growth_curve_is_told_by_the_days_of_the_station() -> None:
    at_night = recapture(last_at="2026-01-01T02:00:00Z")
    shown = scene(facts(in_hand=at_night, utc_offset_s=-6 * 3600))
    assert shown["curve"]["says"].endswith(", 2025-12-31: 312 mm")
    assert shown["curve"]["points"][-1]["year"] == "2025"


def test_a_recapture_that_is_not_measured_yet_shows_what_it_was() -> None:
    fresh = recapture(length_mm=None, growth=grown(364.1, None, None), missing=["length", "weight"])
    shown = scene(facts(in_hand=fresh))
    assert shown["sentence"] == "Last caught 12 months ago in Reedmace Pond: 300 mm, 362 g."
    assert len(shown["curve"]["points"]) == 2


def test_relative_weight_is_shown_then_and_now() -> None:
    weighed = recapture(
        weight_g=420.0, relative_weight=97.6, missing=[], growth=grown(364.1, 12.0, 58.0, 1.0)
    )
    shown = scene(facts(in_hand=weighed))
    assert shown["sentence"].endswith("+12 mm (+1 mm/month), +58 g. Relative weight 96, now 98.")
    for one in weighed["captures"]:
        one["relative_weight"] = None
    assert scene(facts(in_hand=weighed))["sentence"].endswith("+58 g. Relative weight 98.")


def test_a_recapture_keeps_its_history_and_its_warnings_when_its_last_measure_saves_it() -> None:
    kept = saved_recapture()
    kept["captures"][-1]["withdrawal_until"] = "2026-06-02"
    for heard in ([], [said("fish_saved", "Saved.", fish_id="fish-1"), said("tag_echo", fish_id="fish-1")]):
        shown = scene(facts(saved=kept, last=[row(**{k: kept[k] for k in row()})]), heard)
        assert shown["state"] == ("echo" if heard else "saved")
        assert [one["extra"] for one in shown["figures"]] == ["recapture", "+12", "+58"]
        assert shown["history"]["n"] == 2
        assert shown["curve"]["points"][-1] | {"days": 0} == {
            "days": 0, "length": 312.0, "year": "2026", "text": "312", "new": True
        }  # fmt: skip
        assert notices(shown) == ["Drug-treated until 2026-06-02: not to be eaten before."]
    assert scene(facts(saved=kept))["sentence"] == (
        "Saved. Since last time, 12 months ago: +12 mm (+1 mm/month), +58 g. Relative weight 96, now 98."
    )
    treated = scene(facts(saved=kept, survey=survey(withdrawal_until="2026-06-02")))
    assert notices(treated) == notices(scene(facts(saved=kept)))  # not twice
    corrected = scene(facts(saved=kept), [said("fish_amended", "Corrected: kept.", fish_id="fish-1")])
    assert notices(corrected) == ["Drug-treated until 2026-06-02: not to be eaten before."]


@pytest.mark.parametrize("name", ["fish_saved", "fish_amended", "tag_echo", "tag_not_read", "measure_again"])
def test_words_on_another_fish_of_a_line_show_nothing_of_the_fish_saved_last(name: str) -> None:
    kept = saved_recapture()
    kept["captures"][-1]["withdrawal_until"] = "2026-06-02"
    between = [{"number": 2, "says": "largemouth bass 265 mm", "fish_id": "fish-2"}]
    given = facts(flow="line", saved=kept, again=True, between=between)
    shown = scene(given, [said("fish_saved", fish_id="fish-1"), said(name, "Fish 2.", fish_id="fish-2")])
    assert (shown["sentence"], shown["subject"], shown["history"]) == ("Fish 2.", "", None)
    assert [one["value"] for one in shown["figures"]] == ["", "", ""]
    assert not any("Drug-treated" in text for text in notices(shown))


def test_all_in_inches_and_pounds() -> None:
    shown = scene(facts(in_hand=recapture(questions=[question()], weight_g=41.2)), display=INCHES)
    assert shown["sentence"].startswith("12.28 in and 0.091 lb do not fit")
    assert [(one["value"], one["unit"]) for one in shown["figures"]] == [
        ("0902", ""),
        ("12.28", "in"),
        ("0.091", "lb"),
    ]
    assert shown["history"]["heads"] == ["in", "lb"]
    assert shown["curve"]["unit"] == "in"
    assert shown["curve"]["points"][0]["length"] == pytest.approx(284 / 25.4, abs=0.001)
    assert shown["last"][0]["length"] == "11.73 in"


@pytest.mark.parametrize(
    ("asked", "do"),
    [
        (question(), "Weigh it again"),
        (question(suspects=["length"]), "Measure it again"),
        (question(suspects=["length", "weight", "species"]), "Measure, weigh again"),
        (question(suspects=["tag"]), "Scan it again"),
        (question(kind="two_lengths", suspects=[]), "Measure once more"),
        (question(kind="two_weights", suspects=[]), "Weigh once more"),
    ],
)
def test_a_held_fish_names_what_to_do(asked: dict[str, Any], do: str) -> None:
    shown = scene(facts(in_hand=fish(questions=[asked], weight_g=41.2, missing=[])))
    assert (shown["state"], shown["headline"], shown["do"]) == ("held", "HELD", do)
    assert shown["sentence"] == asked["sentence"]


def test_a_doubtful_value_is_marked_and_the_other_one_stands_beside_it() -> None:
    held = fish(
        questions=[question()], weight_g=41.2, candidates={"length": None, "weight": 55.0}, missing=[]
    )
    shown = scene(facts(in_hand=held))
    assert shown["figures"][2] == {
        "label": "Weight",
        "value": "41.2",
        "unit": "g",
        "state": "doubt",
        "extra": "or 55",
    }
    assert shown["do"] == "Weigh once more"


def test_warnings_about_the_fish_come_before_those_about_the_station() -> None:
    gone = {
        "name": "recorded_as_gone",
        "severity": "notice",
        "sentence": "Tag was recorded as removed.",
        "numbers": {},
    }
    drugged = recapture(findings=[gone])
    drugged["captures"][-1]["withdrawal_until"] = "2026-06-02"
    shown = scene(facts(in_hand=drugged, clock_doubtful=True))
    both = ["Drug-treated until 2026-06-02: not to be eaten before.", "Tag was recorded as removed."]
    assert notices(shown) == [*both, "Clock wrong: set it. Fish are recorded, marked."]
    drugged["findings"] = [gone | {"name": "shrank", "sentence": "Shorter."}, gone]
    assert notices(scene(facts(in_hand=drugged, clock_doubtful=True))) == [*both, "And 2 more notices."]
    drugged["findings"] = [gone]
    drugged["captures"] = []
    assert notices(scene(facts(in_hand=drugged, clock_doubtful=True))) == [
        "Tag was recorded as removed.",
        "Clock wrong: set it. Fish are recorded, marked.",
    ]


def test_a_fault_of_the_station_is_not_hidden_behind_what_is_less_grave() -> None:
    gone = {
        "name": "recorded_as_gone",
        "severity": "notice",
        "sentence": "Recorded as removed.",
        "numbers": {},
    }
    drugged = recapture(findings=[gone])
    drugged["captures"][-1]["withdrawal_until"] = "2026-06-02"
    shown = scene(facts(in_hand=drugged, clock_doubtful=True, journal_trouble="one copy is missing."))
    assert notices(shown) == [
        "The journal: one copy is missing.",
        "Drug-treated until 2026-06-02: not to be eaten before.",
        "Recorded as removed.",
        "Clock wrong: set it. Fish are recorded, marked.",
    ]
    assert shown["notices"][0]["tone"] == "alarm"


def test_a_held_fish_is_not_hidden_behind_those_that_are_only_parked() -> None:
    aside = [fish(fish_id=f"fish-{n}", says=f"number {n}") for n in range(5)]
    held = fish(fish_id="fish-9", says="312 mm, 41.2 g", questions=[question()])
    shown = scene(facts(parked=aside, held=[held], clock_doubtful=True))
    assert notices(shown)[0].startswith("Set aside, held: 312 mm, 41.2 g.")


def test_of_two_lost_instruments_the_one_that_does_not_fill_the_screen_is_a_notice() -> None:
    lost = [instrument(kind, kind, lost=True, port="lost") for kind in ("scale", "board")]
    shown = scene(facts(instruments=lost))
    assert shown["headline"] == "SCALE LOST"
    assert notices(shown) == ["The board is lost: plug it in."]


def test_a_fish_that_may_still_wait_for_the_database_is_not_called_saved() -> None:
    shown = scene(facts(saved=saved(), database_trouble="The disk is full.", waiting_commits=1))
    assert (shown["state"], shown["headline"]) == ("database_waits", "NOT SAVED YET")


def test_a_withdrawal_day_ends_by_the_day_at_the_station() -> None:
    drugged = recapture()
    drugged["captures"][-1]["withdrawal_until"] = "2026-06-02"
    evening = facts(in_hand=drugged, now="2026-06-02T01:30:00.000Z", utc_offset_s=-5 * 3600)
    assert notices(scene(evening)) == ["Drug-treated until 2026-06-02: not to be eaten before."]


def test_a_withdrawal_day_that_is_over_is_no_warning() -> None:
    past = recapture()
    past["captures"][-1]["withdrawal_until"] = "2026-05-12"
    assert notices(scene(facts(in_hand=past))) == []


def test_the_saved_fish_stays_until_something_happens() -> None:
    words = [said("fish_saved", "Saved: largemouth bass 298 mm.", fish_id="fish-1", sound="saved")]
    for heard in (words, []):
        shown = scene(facts(saved=saved()), heard)
        assert (shown["state"], shown["headline"], shown["do"]) == ("saved", "SAVED", "Next fish")
        assert [one["value"] for one in shown["figures"]] == ["0901", "298", "341.5"]


@pytest.mark.parametrize(
    ("status", "headline", "tone"),
    [
        ("saved", "SAVED", "good"),
        ("confirmed", "SAVED", "good"),
        ("queried", "QUERIED", "question"),
        ("incomplete", "INCOMPLETE", "question"),
    ],
)
def test_how_a_fish_was_saved(status: str, headline: str, tone: str) -> None:
    shown = scene(facts(saved=saved(status=status, weight_g=None)))
    assert (shown["headline"], shown["tone"]) == (headline, tone)


def test_a_removed_fish_is_not_put_back() -> None:
    assert scene(facts(saved=saved(fate="removed")))["do"] == "Removed. Next fish"


def test_the_tag_that_was_not_read_is_news_until_the_next_part_comes() -> None:
    words = [
        said("fish_saved", fish_id="fish-1"),
        said("tag_not_read", "The fish before went back without a tag read."),
    ]
    assert scene(facts(saved=saved()), words)["state"] == "tag_not_read"
    words.append(said("part_taken", fish_id="fish-2"))
    shown = scene(facts(in_hand=fish(tag=None, missing=["tag", "weight"])), words)
    assert (shown["state"], shown["do"]) == ("tag_not_read", "Scan and weigh")
    words.append(said("part_taken", fish_id="fish-2"))
    assert scene(facts(in_hand=fish()), words)["state"] == "in_hand"


def test_an_echo_and_a_tag_already_done() -> None:
    words = [said("fish_saved", fish_id="fish-1"), said("tag_echo", "Tag ...0901 is the fish just saved.")]
    assert scene(facts(saved=saved()), words)["headline"] == "SAME FISH"
    done = {"tag": "985120000000901", "at": "2026-05-12T14:02:00Z", "fish": row()}
    shown = scene(facts(done=done), [said("already_done", "Tag ...0901 is already done in this survey.")])
    assert (shown["headline"], shown["do"]) == ("ALREADY DONE", "Put it back")
    assert [one["value"] for one in shown["figures"]] == ["0901", "298", "341.5"]
    assert scene(facts(done=done | {"fish": None}))["state"] == "already_done"
    assert scene(facts(done=done | {"captures": recapture()["captures"]}))["history"]["n"] == 2


def test_parked_fish_are_shown_and_then_remembered_below() -> None:
    parked = fish(says="largemouth bass 312 mm")
    words = [said("fish_parked", "Parked: largemouth bass 312 mm.", sound="reminder")]
    shown = scene(facts(parked=[parked]), words)
    assert (shown["state"], shown["do"]) == ("parked", "Scan its tag")
    shown = scene(facts(parked=[parked], in_hand=fish(fish_id="fish-3")), words)
    assert shown["state"] == "in_hand"
    assert notices(shown) == ["Parked: largemouth bass 312 mm. Scan its tag to go on with it."]


@pytest.mark.parametrize(
    ("wrong", "state"),
    [
        ({"instruments": [instrument("scale", "scale", lost=True, port="lost")]}, "instrument_lost"),
        (
            {"instruments": [instrument("scale", "scale", port="waiting", last_error="scale: no such port")]},
            "instrument_lost",
        ),
        ({"instruments": [instrument("board", "board", silent=True)]}, "instrument_silent"),
        ({"database_trouble": "The disk is full.", "waiting_commits": 3}, "database_waits"),
        ({"journal_trouble": "one copy is missing."}, "journal_trouble"),
        ({"disk_free_bytes": 100 << 20}, "disk_nearly_full"),
        ({"clock_doubtful": True}, "clock_doubtful"),
        ({"survey": survey(provisional=True, name=None, water=None)}, "provisional"),
        ({"records_refused": 1}, "refused"),
    ],
)
def test_what_is_wrong_fills_the_screen_between_fish_and_is_a_notice_otherwise(
    wrong: dict[str, Any], state: str
) -> None:
    assert scene(facts(**wrong))["state"] == state
    save = said("fish_saved", fish_id="fish-1")
    for busy in (facts(in_hand=fish(missing=["length"]), **wrong), facts(saved=saved(), **wrong)):
        shown = scene(busy, [save])
        assert shown["state"] in ("in_hand", "saved")
        assert len(notices(shown)) == 1


def test_an_instrument_lost_after_the_save_takes_the_screen_and_one_lost_before_does_not() -> None:
    given = facts(saved=saved(), instruments=[instrument("scale", "scale", lost=True, port="lost")])
    save, loss = (
        said("fish_saved", fish_id="fish-1"),
        said("instrument_lost", bench=None, facts={"instrument": "scale"}),
    )
    assert scene(given, [save, loss])["headline"] == "SCALE LOST"
    assert scene(given, [loss, save])["headline"] == "SAVED"


def test_the_instrument_that_a_fish_needs_is_asked_for() -> None:
    instruments = [instrument("old scale", "scale", lost=True, port="lost")]
    shown = scene(facts(in_hand=fish(), instruments=instruments))
    assert (shown["do"], shown["sentence"]) == (
        "Plug in the scale",
        "The old scale is lost and the weight is missing. 'next' closes the fish without it.",
    )


def test_instruments_of_other_benches_show_only_in_trouble() -> None:
    others = [
        instrument("b2", "board", benches=["left"]),
        instrument("s2", "scale", benches=["left"], silent=True),
    ]
    shown = scene(facts(instruments=[instrument("board", "board"), *others]))
    assert [(one["name"], one["word"]) for one in shown["instruments"]] == [("board", "ok"), ("s2", "silent")]
    assert shown["state"] == "ready"


def test_many_species_are_summed_up() -> None:
    counts = [{"species": BASS, "n": 9 - n} for n in range(6)]
    shown = scene(facts(counts=counts, total=39))
    assert [one["n"] for one in shown["counts"]] == [9, 8, 7, 6 + 5 + 4]
    assert shown["counts"][-1]["species"] == "3 other species"


def test_a_line_that_slipped_stops_everything_else() -> None:
    slip = {"sentence": "Stop, the line is off by one.", "kind": "missed", "number": 7}
    shown = scene(facts(flow="line", line_slip=slip, in_hand=fish(line_no=12)))
    assert (shown["state"], shown["do"]) == ("line_stopped", "Shift or keep")
    assert shown["can"]["shift"]


def test_a_correction_names_the_fish_that_it_goes_to() -> None:
    assert scene(facts())["correcting"].startswith("No fish is in hand")
    assert (
        scene(facts(saved=saved()))["correcting"] == "Saved last: Largemouth Bass, 298 mm, 341.5 g, tag …0901"
    )
    both = facts(saved=saved(), in_hand=fish())
    assert scene(both)["correcting"] == "In hand: Largemouth Bass, 312 mm, –, tag …0902"


def test_a_survey_that_was_closed_is_over() -> None:
    words = [
        said("fish_saved", fish_id="fish-1"),
        said("survey_closed", "Survey closed: Reedmace Pond.", bench=None),
    ]
    closed = scene(facts(survey=None), words)
    assert (closed["state"], closed["sentence"]) == ("no_survey", "Survey closed: Reedmace Pond.")
    opened = scene(facts(), words)
    assert opened["state"] == "ready"
    assert opened["sentence"].startswith("Scan it for a tag")


def test_a_lost_line_is_said_until_the_crew_goes_on() -> None:
    words = [said("fish_saved"), said("line_lost", "Stop, the order of the line is lost.")]
    shown = scene(facts(flow="line", in_hand=fish()), words)
    assert (shown["state"], shown["headline"], shown["do"]) == ("line_lost", "LINE LOST", "Clear the table")
    words.append(said("part_taken", fish_id="fish-2"))
    assert scene(facts(flow="line", in_hand=fish()), words)["state"] == "in_hand"


def test_who_weighs_sees_whose_turn_it_is() -> None:
    between = [{"number": 3, "says": "largemouth bass 265 mm", "fish_id": "x"}]
    shown = scene(facts(flow="line", in_hand=fish(), between=between))
    assert notices(shown) == ["At the scale next: fish 3, largemouth bass 265 mm; 1 between."]
    assert scene(facts(between=between), [said("fish_passed_on")])["do"] == "Measure and weigh"


def test_the_last_words_of_the_station_stand_apart_unless_the_moment_says_them() -> None:
    words = [said("species_selected", "Bluegill from now on.")]
    assert scene(facts(), words)["said"] == {"text": "Bluegill from now on.", "at": "09:02", "tone": "calm"}
    assert scene(facts(), [said("fish_void", "Void: bass.")])["said"] is None


def test_words_for_another_bench_are_not_shown() -> None:
    assert scene(facts(), [said("fish_void", "Void: bass.", bench="left")])["state"] == "ready"


def test_a_tag_held_to_a_reader_beside_the_bench_shows_its_history() -> None:
    looked_up = said(
        "tag_looked_up", "Recapture ...0777.", facts={"tag": "985120000000777", "captures": [plain_capture()]}
    )
    shown = scene(facts(), [looked_up])
    assert (shown["state"], shown["do"]) == ("looked_up", "Look at its history")
    assert shown["history"]["rows"][0]["length"] == "300"


def plain_capture() -> dict[str, object]:
    """As an announcement carries it: the species is a slug."""
    return {**capture("2025-05-13T12:00:00Z", 300.0, 362.0), "species": "largemouth_bass"}


def test_a_history_with_holes_and_wrong_dates_is_shown_all_the_same() -> None:
    holes = [
        capture("spring 2019", None, None, water=None, relative_weight=None),
        capture("2024", 284.0, None),
    ]
    shown = scene(facts(in_hand=recapture(captures=holes, growth=None)))
    assert [one["date"] for one in shown["history"]["rows"]] == ["2024", "spring 201"]
    assert shown["history"]["rows"][1]["length"] == "–"
    assert shown["sentence"].startswith("Last caught 2024 in Reedmace Pond: 284 mm, –.")


_NAMES = st.sampled_from(
    [
        "fish_saved", "fish_kept", "fish_amended", "fish_void", "measure_again", "tag_echo", "tag_not_read",
        "already_done", "fish_parked", "fish_counted", "batch_saved", "batch_void", "tag_refused", "scale_trouble",
        "loose_weight", "fish_passed_on", "tag_looked_up", "survey_closed", "survey_opened", "part_taken", "recapture",
        "instrument_lost", "instrument_silent", "clock_doubtful", "database_trouble", "line_lost", "line_shifted",
        "command_refused", "never heard of",
    ]
)  # fmt: skip
_WORDS = st.builds(
    lambda name, bench, fish_id, sound, at: said(name, bench=bench, fish_id=fish_id, sound=sound, at=at),
    _NAMES,
    st.sampled_from([None, "main", "left"]),
    st.sampled_from([None, "fish-1", "fish-2"]),
    st.sampled_from(["none", "part", "saved", "recapture", "held", "trouble", "reminder", "stick"]),
    st.sampled_from(["2026-05-12T14:02:30.000Z", "", "no time"]),
)
_BATCH = {
    "batch_id": "b",
    "kind": "batch",
    "says": "batch of 40 bluegill",
    "species": "bluegill",
    "n": 40,
    "awaits": ["container", "gross"],
    "lengths": False,
    "measured": 0,
    "total_weight_g": None,
}
_FACTS = st.fixed_dictionaries(
    {},
    optional={
        "survey": st.sampled_from(
            [None, survey(), survey(provisional=True), survey(run_no=None, work_up_run=None)]
        ),
        "in_hand": st.sampled_from([None, fish(), recapture(), fish(questions=[question()])]),
        "saved": st.sampled_from([None, saved(), saved(status="queried"), saved_recapture()]),
        "done": st.sampled_from([None, {"tag": "985120000000901", "at": "", "fish": None}]),
        "parked": st.sampled_from([[], [fish()]]),
        "held": st.sampled_from([[], [fish(questions=[question()])]]),
        "batch": st.sampled_from([None, _BATCH]),
        "again": st.booleans(),
        "species": st.sampled_from([None, BASS]),
        "clock_doubtful": st.booleans(),
        "database_trouble": st.sampled_from([None, "full."]),
        "flow": st.sampled_from(["single", "line"]),
        "between": st.sampled_from([[], [{"number": 3, "says": "bass", "fish_id": "x"}]]),
    },
)


@given(_FACTS, st.lists(_WORDS, max_size=12))
def test_any_order_of_announcements_gives_a_scene(given: dict[str, Any], words: list[dict[str, Any]]) -> None:
    for display in (Display(), INCHES):
        shown = scene(facts(**given), words, display)
        assert json.loads(json.dumps(shown)) == shown
        assert shown["headline"]
        assert len(shown["headline"]) <= 14
        assert 0 < len(shown["do"]) <= 20
        assert len(shown["figures"]) == 3
        assert len(shown["notices"]) <= 4
