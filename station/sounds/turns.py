"""Which sound comes next, when several are wanted at once: one loudspeaker, and a fish in hand. Pure.

The more important one is heard first, even if it must cut off another. What was cut off or has to wait follows, unless
it has become old news. Each sound waits at most once, so what waits is bounded, whatever happens.
"""

from dataclasses import dataclass

from ingest.records import Sound

RANK = (
    Sound.HELD, Sound.TROUBLE, Sound.RECAPTURE, Sound.REMINDER, Sound.STICK, Sound.SAVED, Sound.PART,
)  # fmt: skip
PATIENCE_S = 4.0
CLICK_PATIENCE_S = 1.0  # a click long after the reading would be taken for the next reading


@dataclass(frozen=True, slots=True)
class Wanted:
    """A sound to be heard, and the sentence to be spoken after it. `heard_s`: when it was asked for (monotonic)."""

    sound: Sound
    heard_s: float
    text: str | None = None

    def is_old(self, now_s: float) -> bool:
        return now_s - self.heard_s > (CLICK_PATIENCE_S if self.sound is Sound.PART else PATIENCE_S)


class Turns:
    """What waits for the loudspeaker."""

    def __init__(self) -> None:
        self._waiting: dict[Sound, Wanted] = {}

    def __len__(self) -> int:
        return len(self._waiting)

    def want(self, new: Wanted) -> None:
        """Put it among those that wait, in the place of an older one of the same sound."""
        if new.sound is not Sound.NONE:
            self._waiting[new.sound] = new

    def give_back(self, cut: Wanted) -> None:
        """What was cut off waits again, unless newer news of the same sound came; a click does not come again."""
        if cut.sound is not Sound.PART:
            self._waiting.setdefault(cut.sound, cut)

    def cuts(self, playing: Sound) -> bool:
        """Whether something waits that is more important than the tone that is heard now."""
        return any(RANK.index(sound) < RANK.index(playing) for sound in self._waiting)

    def take(self, now_s: float) -> Wanted | None:
        """The most important of what waits and is not old news."""
        self._waiting = {sound: one for sound, one in self._waiting.items() if not one.is_old(now_s)}
        if not self._waiting:
            return None
        return self._waiting.pop(min(self._waiting, key=RANK.index))

    def take_click(self, now_s: float) -> Wanted | None:
        """The click, if nothing else waits: it may fall into speech, which goes on."""
        return self.take(now_s) if list(self._waiting) == [Sound.PART] else None

    def forget(self) -> None:
        self._waiting.clear()
