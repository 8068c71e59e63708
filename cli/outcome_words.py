"""What a decoder said, in plain words. Pure."""

from collections.abc import Mapping
from dataclasses import fields

from drivers.outcomes import (
    Damaged,
    KeySeen,
    LengthSeen,
    NotMine,
    Outcome,
    PanEmpty,
    ScaleTrouble,
    TagRefused,
    TagSeen,
    Trouble,
    WeightSeen,
    WeightSettled,
)
from ingest.commands import Command, describe

_TROUBLES = {
    Trouble.OVERLOAD: "overload: too heavy for this scale",
    Trouble.UNDERLOAD: "underload: less on it than nothing",
    Trouble.UNSETTLED: "does not come to rest, or the load changed",
    Trouble.NO_VALUE: "gives no value: look at its display",
    Trouble.NOT_EMPTIED: "was not empty in between: empty the pan, then weigh again",
}
_STABLE = {True: "says stable", False: "moving", None: "says nothing of rest"}


def words(outcome: Outcome, keys: Mapping[str, Command]) -> str:
    """One short phrase; measures in mm and g. `keys` are the commands of the instrument's keys."""
    match outcome:
        case TagSeen(tag=tag, checked=checked, antenna=antenna):
            at = f" at antenna {antenna}" if antenna else ""
            return f"tag {tag}{at}{', checksum right' if checked else ''}"
        case TagRefused(why=why):
            return f"refused: {why}"
        case LengthSeen(length_mm=length_mm, unit=unit):
            return f"length {length_mm:g} mm{f' (sent in {unit})' if unit != 'mm' else ''}"
        case WeightSeen(weight_g=weight_g, unit=unit, stable=stable):
            return f"{weight_g:g} g{f' (sent in {unit})' if unit != 'g' else ''}, {_STABLE[stable]}"
        case WeightSettled(weight_g=weight_g, load=load):
            return f"WEIGHT {weight_g:g} g at rest, load {load}"
        case PanEmpty(empty_g=empty_g):
            return f"pan empty at {empty_g:g} g"
        case ScaleTrouble(trouble=trouble):
            return f"TROUBLE: {_TROUBLES.get(trouble, trouble.value)}"
        case KeySeen(key=key):
            command = keys.get(key)
            return f"key {key}: {describe(command)}" if command else f"key {key}, no command has it"
        case NotMine():
            return "a line in no shape of this instrument"
        case Damaged(detail=detail):
            return f"damaged: {detail}"
        case _:
            shown = (
                f"{one.name} {getattr(outcome, one.name)}" for one in fields(outcome) if one.name != "raw"
            )
            return f"{type(outcome).__name__}: {', '.join(shown)}"
