"""What fills the screen of a bench at one moment, as plain values."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from station.figures import Figure

Tone = Literal["calm", "work", "good", "prize", "question", "alarm"]


@dataclass(frozen=True, slots=True)
class Moment:
    """What fills the screen. `subject` names the fish; `history_of` is the fish whose captures are shown;
    `about` the fish that is not in hand any more but is told of."""

    state: str
    tone: Tone
    headline: str
    do: str
    sentence: str = ""
    subject: str = ""
    figures: tuple[Figure, Figure, Figure] = (Figure("Tag"), Figure("Length"), Figure("Weight"))
    history_of: Mapping[str, Any] | None = None
    about: Mapping[str, Any] | None = None
