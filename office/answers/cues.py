"""Chapter: what to ask oneself. Published ranges beside this water's numbers, each as a question, never as an order."""

from dataclasses import dataclass
from math import isfinite

from ingest.species import SpeciesBook
from office.answers.catch import WANTED_RSE
from office.answers.model import Answer, Chapter
from office.answers.records import Records, said
from office.answers.units import Words

FIRST = (
    "Local regulation, the licence and the owner's aims come first; a number is a reason to look, not to act."
)


@dataclass(frozen=True, slots=True)
class Range:
    """A published range of one index; high None: no upper end."""

    species: str
    index: str
    low: float
    high: float | None
    where: str
    source: str


_WILLIS = (
    "as given by Willis, Murphy and Guy 1993, Rev. Fish. Sci. 1:203 (second hand, from open course notes)"
)
RANGES = (
    Range("largemouth_bass", "psd", 40, 70, "balanced ponds", f"Gabelhouse 1984, {_WILLIS}"),
    Range("largemouth_bass", "psd_p", 10, 40, "balanced ponds", f"Gabelhouse 1984, {_WILLIS}"),
    Range("largemouth_bass", "psd_m", 0, 10, "balanced ponds", f"Gabelhouse 1984, {_WILLIS}"),
    Range("bluegill", "psd", 20, 60, "balanced ponds", f"Anderson 1985, {_WILLIS}"),
    Range("bluegill", "psd_p", 5, 20, "balanced ponds", f"Anderson 1985, {_WILLIS}"),
    Range("bluegill", "psd_m", 0, 10, "balanced ponds", f"Anderson 1985, {_WILLIS}"),
    Range("white_crappie", "psd", 30, 60, "midwestern ponds", f"Gabelhouse 1984b, {_WILLIS}"),
    Range("black_crappie", "psd", 30, 60, "midwestern ponds", f"Gabelhouse 1984b, {_WILLIS}"),
    Range("white_crappie", "psd_p", 10, None, "midwestern ponds", f"Gabelhouse 1984b, {_WILLIS}"),
    Range("black_crappie", "psd_p", 10, None, "midwestern ponds", f"Gabelhouse 1984b, {_WILLIS}"),
    Range("white_bass", "psd", 40, 70, "Kansas reservoirs", f"Willis 1984, {_WILLIS}"),
    Range("white_bass", "psd_p", 10, 40, "Kansas reservoirs", f"Willis 1984, {_WILLIS}"),
    Range("white_bass", "psd_m", 0, 10, "Kansas reservoirs", f"Willis 1984, {_WILLIS}"),
    Range("walleye", "psd", 30, 60, "balanced populations", f"Anderson and Weithman 1978, {_WILLIS}"),
    Range("northern_pike", "psd", 30, 60, "balanced populations", f"Anderson and Weithman 1978, {_WILLIS}"),
    Range("yellow_perch", "psd", 30, 60, "balanced populations", f"Anderson and Weithman 1978, {_WILLIS}"),
)

_FEW_LARGE = (
    "Are many small fish crowding one another, are the large ones taken, or did gear and season miss them? Look at the "
    "relative weight and growth of the smaller fish, and at the catch per hour, first."
)
_MANY_LARGE = (
    "Are young fish failing to come, or did gear and season miss the small ones? Look at the fish below stock length, and "
    "at the spawning and cover of the last years, first."
)
_THIN, _FAT = 80.0, 105.0
_WRIGHT = (
    "Wright 2000, Alabama Extension ANR-1193: below 80 severely thin, 80 to 100 normal healthy populations"
)


def cues(records: Records, book: SpeciesBook, words: Words, chapters: tuple[Chapter, ...]) -> Chapter:
    """Questions from the answers of the other `chapters`, of which only those are read that were answered."""
    told = {one.key: one for chapter in chapters for one in chapter.answers if one.refused is None}
    found: list[Answer] = []
    for species in records.species:
        found += _sizes(species, told, words)
        found += _flesh(species, told, words)
        found += _left(species, told)
        found += _precision(species, told)
    found += _bass_and_bluegill(told)
    if not found:
        found = [
            Answer(
                "cues",
                "questions",
                "No number of this water can be laid beside a published range: see the other chapters for what is missing.",
                refused="No index with a published range was answered.",
                wanted="Size structure, relative weight, catch or removal of a species with published ranges.",
            )
        ]
    return Chapter(
        "cues",
        "What to ask",
        tuple(found),
        (),
        (),
        (
            FIRST,
            "Ranges were published for other waters and aims; ponds managed for panfish or for large bass have others.",
        ),
    )


def _sizes(species: str, told: dict[str, Answer], words: Words) -> list[Answer]:
    found = []
    for one in RANGES:
        if one.species != species:
            continue
        index = told.get(f"{species}.{one.index}")
        if index is None or index.value is None or index.interval is None:
            continue
        span = f"{one.low:g} to {one.high:g}" if one.high is not None else f"above {one.low:g}"
        seen = (
            f"{index.title} of {said(species)} is {index.value:.0f}{words.limits(index.interval, decimals=0)}, "
            f"{index.n} fish of stock length; {one.where}: {span}"
        )
        below = index.value < one.low
        above = one.high is not None and index.value > one.high
        sure = index.interval.high < one.low or (one.high is not None and index.interval.low > one.high)
        if not below and not above:
            question = f"{seen}. Within the range: does it fit what this water is for?"
        elif not sure:
            question = f"{seen}. The limits reach into the range: would more fish tell?"
        else:
            side = "below" if below else "above"
            question = f"{seen}. It lies {side} the range. {_FEW_LARGE if below else _MANY_LARGE}"
        found.append(_cue(index, one.index, question, one.source))
    return found


def _flesh(species: str, told: dict[str, Answer], words: Words) -> list[Answer]:
    mean = told.get(f"{species}.wr")
    if mean is None or mean.value is None or mean.interval is None:
        return []
    seen = f"Mean relative weight of {said(species)} is {mean.value:.0f}{words.limits(mean.interval, decimals=0)}, "
    seen += f"{mean.n} fish"
    if mean.interval.high < _THIN:
        why = "Is food short, are there too many fish, or was it after spawning?"
        question = f"{seen}: severely thin by the range cited. {why}"
    elif mean.value < _THIN:
        question = f"{seen}: near severely thin. Would more fish, or another season, tell?"
    elif mean.interval.low > _FAT:
        question = f"{seen}: fat. Is there more food than fish use, or are they full of eggs before spawning?"
    elif mean.value > 100:
        question = f"{seen}: above most populations. Would more fish, or another season, tell?"
    else:
        question = f"{seen}: as in normal populations. Is it so for each length category too?"
    source = (
        _WRIGHT if mean.value <= _FAT else f"{_WRIGHT}; 95 to 105 as a target: Anderson 1980 (from memory)"
    )
    return [_cue(mean, "wr", question, source)]


def _left(species: str, told: dict[str, Answer]) -> list[Answer]:
    found = []
    for key in ("passes", "dates"):
        left, needed = told.get(f"{species}.{key}_left"), told.get(f"{species}.{key}_needed")
        needed = needed or told.get(f"{species}.{key}_effort_needed")
        if left is None or needed is None or not needed.value:
            continue
        if left.interval is None or not isfinite(left.interval.high):
            question = f"{left.sentence} Would one pass more tell how many are left?"
            found.append(_cue(left, f"removal_{key}", question, left.source))
            continue
        question = f"{left.sentence} {needed.sentence} Is it worth going on now, or when catches are better?"
        found.append(_cue(left, f"removal_{key}", question, left.source))
    return found


def _precision(species: str, told: dict[str, Answer]) -> list[Answer]:
    needed = told.get(f"{species}.cpue.runs_needed")
    rate = told.get(f"{species}.cpue")
    if needed is None or rate is None or needed.value is None or needed.value <= needed.n:
        return []
    question = (
        f"Catch per hour of {said(species)} rests on {needed.n} runs; about {needed.value:.0f} would bring its standard "
        f"error to {WANTED_RSE:g} %. Are more runs worth it next time?"
    )
    return [_cue(rate, "runs", question, "Tyszko et al. 2019 (25 % as objective, abstract)")]


def _bass_and_bluegill(told: dict[str, Answer]) -> list[Answer]:
    bass, bluegill = told.get("largemouth_bass.psd"), told.get("bluegill.psd")
    if bass is None or bluegill is None or bass.interval is None or bluegill.interval is None:
        return []
    if not (bass.interval.high < 40 and bluegill.interval.low > 60):
        return []
    question = (
        f"PSD of largemouth bass is {bass.value:.0f} and that of bluegill {bluegill.value:.0f}: small bass and large "
        "bluegill together. Are bass so many that they are short of food, and is that wanted here (a panfish pond)?"
    )
    both = (*bass.fish_ids, *bluegill.fish_ids)
    source = f"panfish option: bass PSD 20-40, bluegill 50-80, {_WILLIS}"
    return [
        Answer(
            "cue.bass_and_bluegill",
            "question: bass and bluegill",
            question,
            n=bass.n + bluegill.n,
            formula="a question, not a computation",
            source=source,
            fish_ids=both,
            cautions=(FIRST,),
            headline=bass.headline and bluegill.headline,
        )
    ]


def _cue(behind: Answer, what: str, question: str, source: str) -> Answer:
    return Answer(
        key=f"{behind.subject}.cue.{what}",
        title=f"question: {behind.title}",
        sentence=question,
        value=behind.value,
        unit=behind.unit,
        interval=behind.interval,
        n=behind.n,
        n_of=behind.n_of,
        formula="a published range beside the number; a question, not a computation",
        source=source,
        fish_ids=behind.fish_ids,
        cautions=(FIRST, *behind.cautions),
        measured_coverage=behind.measured_coverage,
        subject=behind.subject,
        headline=behind.headline or what.startswith("removal"),
    )
