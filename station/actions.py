"""What the crew may do on the page: some of the commands of a card, given through the same door as every command.

Each is journaled with the word "page" as its source. What is not on the list stays with cards and the command line.
"""

from collections.abc import Callable
from time import monotonic
from typing import Any, Final

from ingest.commands import Command, CommandError, Verb, parse_command

PAGE_VERBS: Final = frozenset(
    {
        Verb.SURVEY_OPEN,
        Verb.SURVEY_CLOSE,
        Verb.SURVEY_NAME,
        Verb.RUN_START,
        Verb.RUN_END,
        Verb.WORK_UP_RUN,
        Verb.SPECIES,
        Verb.SPECIES_ONCE,
        Verb.FATE,
        Verb.SEX,
        Verb.NOTE,
        Verb.UNTAGGED,
        Verb.AGAIN,
        Verb.VOID,
        Verb.KEEP,
        Verb.NEXT,
        Verb.BOTH,
        Verb.RESUME,
        Verb.NO_WEIGHT,
        Verb.SHIFT,
    }
)
_LONGEST = 500


class Pace:
    """Lets so many actions through at once, and so many a second after: far more than hands can give."""

    def __init__(self, burst: int = 20, each_s: float = 0.2, mono_s: Callable[[], float] = monotonic) -> None:
        self._burst = burst
        self._each_s = each_s
        self._mono_s = mono_s
        self._left = float(burst)
        self._at_s = mono_s()

    def may(self) -> bool:
        now_s = self._mono_s()
        self._left = min(self._burst, self._left + (now_s - self._at_s) / self._each_s)
        self._at_s = now_s
        if self._left < 1:
            return False
        self._left -= 1
        return True


class ActionError(Exception):
    """The page cannot give this. One sentence."""


def read_action(body: object) -> dict[str, Any]:
    """The question to the ingest thread for the body of POST /act: `{"command": text, "bench": name}` (the bench may be
    left out where there is one).

    Raises ActionError: it is not of this form, is no command, or not one for the page.
    """
    if not isinstance(body, dict) or not set(body) <= {"command", "bench"}:
        raise ActionError('An action is a JSON object such as {"command": "next", "bench": "main"}.')
    text, bench = body.get("command"), body.get("bench")
    if not isinstance(text, str) or len(text) > _LONGEST or not text.isprintable():
        raise ActionError(
            f'"command" must be one line of at most {_LONGEST} printable characters, such as "next".'
        )
    if bench is not None and not isinstance(bench, str):
        raise ActionError('"bench" must be the name of a bench, or be left out.')
    command = _command(text)
    return {"ask": "command", "command": str(command), "bench": bench, "door": "page"}


def _command(text: str) -> Command:
    try:
        command = parse_command(text)
    except CommandError as refused:
        raise ActionError(f"{refused}.") from None
    if command.verb not in PAGE_VERBS:
        raise ActionError(
            f'"{command.verb}" cannot be given on the page: use a card, or tallywell command on the station.'
        )
    return command
