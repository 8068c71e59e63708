"""Who is heard first, and that what waits stays bounded."""

from hypothesis import given
from hypothesis import strategies as st

from ingest.records import Sound
from station.sounds.turns import CLICK_PATIENCE_S, PATIENCE_S, RANK, Turns, Wanted

SOUNDS = st.sampled_from(list(Sound))


def turns_of(*wanted: Wanted) -> Turns:
    turns = Turns()
    for one in wanted:
        turns.want(one)
    return turns


def test_the_more_important_sound_comes_first_whatever_the_order() -> None:
    for order in ([Sound.SAVED, Sound.PART, Sound.HELD], [Sound.HELD, Sound.SAVED, Sound.PART]):
        turns = turns_of(*(Wanted(sound, 0.0) for sound in order))
        assert [one.sound for _ in order if (one := turns.take(0.5))] == [
            Sound.HELD,
            Sound.SAVED,
            Sound.PART,
        ]


def test_every_sound_but_silence_has_a_rank() -> None:
    assert sorted(RANK) == sorted(set(Sound) - {Sound.NONE})


def test_a_held_fish_cuts_off_a_saved_one_and_not_the_other_way_round() -> None:
    assert turns_of(Wanted(Sound.HELD, 0.0)).cuts(Sound.SAVED)
    assert not turns_of(Wanted(Sound.SAVED, 0.0)).cuts(Sound.HELD)
    assert not turns_of(Wanted(Sound.HELD, 0.0)).cuts(Sound.HELD)


def test_what_was_cut_off_comes_again_except_a_click() -> None:
    turns = turns_of()
    turns.give_back(Wanted(Sound.PART, 0.0))
    assert turns.take(0.0) is None
    turns.give_back(Wanted(Sound.SAVED, 0.0))
    assert turns.take(0.5) == Wanted(Sound.SAVED, 0.0)


def test_newer_news_of_the_same_sound_stays_in_place_of_the_cut_one() -> None:
    turns = turns_of(Wanted(Sound.HELD, 1.0, "newer"))
    turns.give_back(Wanted(Sound.HELD, 0.0, "older"))
    assert turns.take(1.0) == Wanted(Sound.HELD, 1.0, "newer")


def test_old_news_is_not_heard() -> None:
    assert turns_of(Wanted(Sound.PART, 0.0)).take(CLICK_PATIENCE_S + 0.01) is None
    assert turns_of(Wanted(Sound.HELD, 0.0)).take(CLICK_PATIENCE_S + 0.01) is not None
    assert turns_of(Wanted(Sound.HELD, 0.0)).take(PATIENCE_S + 0.01) is None


def test_a_click_alone_may_fall_into_speech() -> None:
    assert turns_of(Wanted(Sound.PART, 0.0)).take_click(0.0) == Wanted(Sound.PART, 0.0)
    both = turns_of(Wanted(Sound.PART, 0.0), Wanted(Sound.SAVED, 0.0))
    assert both.take_click(0.0) is None
    assert len(both) == 2


@given(st.lists(SOUNDS, max_size=200))
def test_a_burst_never_waits_as_more_than_one_of_each(burst: list[Sound]) -> None:
    turns = turns_of(*(Wanted(sound, n / 1000) for n, sound in enumerate(burst)))
    taken = [one.sound for _ in range(len(burst) + 1) if (one := turns.take(0.2))]
    assert taken == [sound for sound in RANK if sound in burst]
