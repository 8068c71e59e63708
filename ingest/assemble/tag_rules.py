"""Whose tag is this? The rules for every tag read on a bench."""

from typing import TYPE_CHECKING

from ingest.assemble.bench import BEFORE, describe
from ingest.assemble.facts import missing_parts, recapture_facts
from ingest.assemble.habits import tags_come_first
from ingest.assemble.hold_rules import tag_was_reread
from ingest.assemble.parts import OpenFish, Question, Ref, TagRead
from ingest.frames import earliest_day
from ingest.records import AddFinding, Finding, PriorCapture, ReadingRecord, Severity, Sound, TagStatus

if TYPE_CHECKING:
    from ingest.assemble.bench import Bench

MOST_TAGS = 12  # so many tags are listed with one fish; a reader between two crates would add thousands


def on_tag(bench: "Bench", tag: str, checked: bool, ref: Ref) -> None:
    """One valid read of a tag on this bench."""
    fish = bench.state.fish
    if fish is None:
        _with_no_fish_in_hand(bench, tag, checked, ref)
    elif (read := fish.tag_read(tag)) is not None:
        _same_tag(bench, fish, read, ref)
    elif not fish.tags:
        _first_tag(bench, fish, tag, checked, ref)
    else:
        _other_tag(bench, fish, tag, checked, ref)


def _with_no_fish_in_hand(bench: "Bench", tag: str, checked: bool, ref: Ref) -> None:
    if _is_echo(bench, tag, ref):
        return
    read = judge(bench, tag, checked, ref)
    near = _near_the_saved_tag(bench, read, ref)
    if read.status is TagStatus.REPEAT and _parked_with(bench, tag) is None:
        _already_done(bench, read, ref)
    else:
        _open_with(bench, read, ref)
        _came_late(bench, read, ref)
        if near is not None and bench.state.fish is not None:
            bench.mark(bench.state.fish, near.name, near.sentence, **near.numbers)


def _near_the_saved_tag(bench: "Bench", read: TagRead, ref: Ref) -> Finding | None:
    """Two tags came together, but the first had completed its fish: too late to hold it, so both fish say it."""
    saved = bench.state.saved
    if saved is None or saved.tag_t_s is None or ref.t_s - saved.tag_t_s > bench.context.rules.two_tags_s:
        return None
    finding = Finding(
        "two_tags_near",
        Severity.NOTICE,
        f"Tags {' '.join(saved.tags)} and {read.tag} were read within {bench.context.rules.two_tags_s:g} s: "
        "look which fish each of them is in.",
        {"first": " ".join(saved.tags), "then": read.tag},
    )
    bench.changes.append(AddFinding(saved.record.fish_id, finding, ref.journal_id, ref.n))
    bench.say_of(
        saved.record.fish_id,
        "two_tags_near",
        Sound.REMINDER,
        f"Tag ...{read.tag[-4:]} came right after ...{saved.tags[0][-4:] if saved.tags else '?'}: one of them may be "
        "another fish's.",
        ref.at,
    )
    return finding


def _came_late(bench: "Bench", read: TagRead, ref: Ref) -> None:
    """A new tag right after a fish that went without one: it may have been inserted into that fish."""
    fish, saved = bench.state.fish, bench.state.saved
    if (
        fish is None
        or saved is None
        or bench.context.rules.tags == "first"
        or read.status is not TagStatus.NEW
    ):
        return
    untagged = saved.record.tag is None and not saved.record.tags
    if tags_come_first(bench.state, "new"):
        return
    if untagged and ref.t_s - saved.saved_t_s <= bench.context.rules.late_tag_s:
        bench.mark(
            fish,
            "tag_after_saved_fish",
            f"Tag {read.tag} came {ref.t_s - saved.saved_t_s:.0f} s after a fish that was saved without a tag: "
            "look whether it is that fish's.",
            tag=read.tag,
            fish_before=saved.record.fish_id,
        )


def _parked_with(bench: "Bench", tag: str) -> OpenFish | None:
    return next((fish for fish in bench.state.parked if fish.tag_read(tag)), None)


def _open_with(bench: "Bench", read: TagRead, ref: Ref) -> None:
    """This tag begins the next fish, or brings a parked one back."""
    parked = _parked_with(bench, read.tag)
    if parked is None:
        _take(bench, bench.open_fish(ref), read, ref)
        return
    resume(bench, parked, ref)
    _same_tag(bench, parked, parked.tag_read(read.tag) or read, ref)
    if bench.state.fish is parked and not parked.questions:
        bench.review(parked, ref)


def _is_echo(bench: "Bench", tag: str, ref: Ref) -> bool:
    saved = bench.state.saved
    if saved is None or tag not in saved.tags:
        return False
    bench.attach(saved.record.fish_id, tag_reading(tag, "echo", ref))
    bench.say_of(
        saved.record.fish_id, "tag_echo", Sound.NONE, f"Tag ...{tag[-4:]} is the fish just saved.", ref.at
    )
    return True


def _already_done(bench: "Bench", read: TagRead, ref: Ref) -> None:
    """A tag saved earlier in this survey never opens a fish by itself."""
    first = bench.state.done_tag is None or bench.state.done_tag.tag != read.tag
    bench.state.done_tag = read
    if first:
        bench.sighting(read, "already done in this survey", ref)
        bench.say(
            "already_done",
            Sound.REMINDER,
            f"Tag ...{read.tag[-4:]} is already done in this survey.",
            ref.at,
            tag=read.tag,
            history=[capture_facts(c) for c in read.prior],
        )


def _same_tag(bench: "Bench", fish: OpenFish, read: TagRead, ref: Ref) -> None:
    new_presentation = ref.t_s - read.last_t_s >= bench.context.rules.command_absent_s
    read.count += 1
    read.last_t_s = ref.t_s
    fish.last_t_s = ref.t_s
    if not read.witnessed:
        read.witnessed = True
        fish.marks = [mark for mark in fish.marks if mark.name != "tag_read_once"]
    question = fish.question("two_tags")
    if question is not None:
        _read_alone(bench, fish, read, ref)
        return
    if new_presentation and fish.question("finding") is not None:
        tag_was_reread(bench, fish, ref)


def _read_alone(bench: "Bench", fish: OpenFish, read: TagRead, ref: Ref) -> None:
    """Two tags were seen with this fish: the one that is read alone twice is the fish's."""
    others = [other for other in fish.tags if other is not read]
    last_other_s = max(other.last_t_s for other in others)
    for other in others:
        other.alone = 0
    if ref.t_s - last_other_s < bench.context.rules.two_tags_s:
        read.alone = 0
        return
    read.alone += 1
    if read.alone < 2:
        return
    fish.questions = [q for q in fish.questions if q.kind != "two_tags"]
    bench.mark(
        fish,
        "two_tags",
        f"Two tags were read with this fish; ...{read.tag[-4:]} was then read alone.",
        tags=" ".join(r.tag for r in fish.tags),
    )
    # What was measured before this tag was first read belongs to whatever was on the bench then.
    for _, measure in fish.measures():
        if measure.ref.t_s < read.ref.t_s and any(o.ref.t_s < read.ref.t_s for o in others):
            measure.role = "trail"
    _book(bench, fish, read, ref)
    bench.review(fish, ref)


def _first_tag(bench: "Bench", fish: OpenFish, tag: str, checked: bool, ref: Ref) -> None:
    """The fish in hand has no tag yet: is this one its own, or the next fish's?"""
    rules = bench.context.rules
    if _is_echo(bench, tag, ref):
        return
    read = judge(bench, tag, checked, ref)
    has_measures = bool(fish.lengths or fish.weights)
    both = fish.used("length") is not None and fish.used("weight") is not None
    if read.status is TagStatus.REPEAT:
        if rules.tags in ("last", "any") and both:
            _take(bench, fish, read, ref)
        else:
            _already_done(bench, read, ref)
        return
    just_inserted = read.stock == "unused" and read.status is TagStatus.NEW
    late_allowed = rules.tags in ("last", "any") or (rules.tags == "found_first" and just_inserted)
    if has_measures and (not late_allowed or _parked_with(bench, tag)):
        bench.close_as_it_is(fish, "found_tag_opens_next", ref)
        _open_with(bench, read, ref)
        return
    _take(bench, fish, read, ref)
    if rules.tags == "last" and has_measures and bench.state.fish is fish and not fish.questions:
        # Where the tag comes last, nothing follows it: a measure that is missing now stays missing.
        bench.close_as_it_is(fish, "tag_came_last", ref)


def _other_tag(bench: "Bench", fish: OpenFish, tag: str, checked: bool, ref: Ref) -> None:
    """A tag that differs from the one this fish has."""
    rules = bench.context.rules
    read = judge(bench, tag, checked, ref)
    near = ref.t_s - max(other.last_t_s for other in fish.tags) <= rules.two_tags_s
    if not near and read.status is TagStatus.REPEAT and fish.question("two_tags") is None:
        bench.mark(
            fish,
            "saved_tag_nearby",
            f"Tag ...{tag[-4:]} of a fish already saved was read while this fish was in hand.",
            tag=tag,
        )
        _already_done(bench, read, ref)
        return
    if fish.question("two_tags") is None and not near and _measures_in(bench, fish):
        if any(m.role == "candidate" for _, m in fish.measures()):
            follower = bench.release_candidates(fish, "other_tag_opens_next", ref)
            _first_tag(bench, follower, tag, checked, ref)
            return
        bench.close_as_it_is(fish, "other_tag_opens_next", ref)
        _open_with(bench, read, ref)
        return
    if len(fish.tags) >= MOST_TAGS:
        # A reader among many fish: the question stands already, and each tag is kept as seen.
        bench.sighting(read, "read among many other tags", ref)
        return
    fish.tags.append(read)
    fish.tag = None
    bench.touch(fish, ref)
    for other in fish.tags:
        other.alone = 0
    if ref.t_s - max(o.last_t_s for o in fish.tags if o is not read) >= rules.two_tags_s:
        read.alone = 1
    if fish.question("two_tags") is None:
        bench.ask(
            fish,
            Question(
                "two_tags",
                ref.t_s,
                f"Two tags: ...{fish.tags[0].tag[-4:]} and ...{tag[-4:]}. Clear the antenna, scan this fish again.",
            ),
            ref.at,
        )


def _measures_in(bench: "Bench", fish: OpenFish) -> bool:
    from_protocol = {part.value for part in missing_parts(fish, bench.context)}
    return not from_protocol & {"length", "weight"}


def _take(bench: "Bench", fish: OpenFish, read: TagRead, ref: Ref) -> None:
    """This tag is (as far as one can tell) this fish's."""
    fish.tags.append(read)
    bench.touch(fish, ref)
    _scan_came_at_last(bench, fish, read, ref)
    if not read.witnessed:
        bench.mark(
            fish, "tag_read_once", f"Tag {read.tag} is not on any list and was read only once.", tag=read.tag
        )
        bench.say(
            "scan_again", Sound.REMINDER, f"Tag ...{read.tag[-4:]} is on no list: scan it once more.", ref.at
        )
    _book(bench, fish, read, ref)
    bench.review(fish, ref)


def _scan_came_at_last(bench: "Bench", fish: OpenFish, read: TagRead, ref: Ref) -> None:
    """A tag after a scan that failed. If the measures came in between, the crew may be one fish further."""
    failed_before = any(mark.name == f"tag_refused{BEFORE}" for mark in fish.marks)
    bench.part_came(fish, "tag_refused")
    if failed_before and (fish.lengths or fish.weights):
        sentence = (
            f"A scan failed before this fish was measured, tag {read.tag} came after: look whether it is of "
            "this fish or of the next."
        )
        bench.mark(fish, "tag_after_failed_scan", sentence, tag=read.tag)
        bench.say("tag_after_failed_scan", Sound.REMINDER, sentence, ref.at, tag=read.tag)


def _book(bench: "Bench", fish: OpenFish, read: TagRead, ref: Ref) -> None:
    fish.tag = read.tag
    tail = f"...{read.tag[-4:]}"
    if read.prior and fish.species_from != "command":
        known = read.prior[-1].species
        if known:
            fish.species, fish.species_from = known, "history"
    if read.status is TagStatus.REPEAT:
        bench.mark(fish, "already_done", f"Tag {read.tag} was already saved in this survey.", tag=read.tag)
    if read.status is TagStatus.UNKNOWN:
        bench.mark(
            fish, "tag_from_elsewhere", f"Tag {read.tag} is neither in the inventory nor in the history."
        )
    if read.stock == "used" and not read.prior:
        bench.mark(
            fish,
            "tag_used_before",
            f"Tag {read.tag} is in the inventory as already used, but has no history.",
        )
    if read.status is TagStatus.RECAPTURE:
        say_recapture(bench, fish, read, ref)
    else:
        bench.say(
            "part_taken", Sound.PART, f"Tag {tail} ({read.status.value}).", ref.at, part="tag", value=read.tag
        )


def say_recapture(bench: "Bench", fish: OpenFish, read: TagRead, ref: Ref) -> None:
    """The history of this tag, while the fish is still in hand."""
    sentence = recapture_sentence(f"...{read.tag[-4:]}", read.prior, ref.at)
    bench.say("recapture", Sound.RECAPTURE, sentence, ref.at, tag=read.tag, **recapture_facts(fish))


def recapture_sentence(tail: str, prior: tuple[PriorCapture, ...], at: str) -> str:
    """The last of these captures in one sentence, and a withdrawal day of any of them that is not over at this time;
    `tail` is the end of the tag's code."""
    last = prior[-1]
    until = max((one.withdrawal_until for one in prior if one.withdrawal_until), default="")
    drugged = (
        f" Drug-treated before: not to be eaten before {until}." if until and until > earliest_day(at) else ""
    )
    length = f"{last.length_mm:g} mm" if last.length_mm is not None else "no length"
    weight = f"{last.weight_g:g} g" if last.weight_g is not None else "no weight"
    name = (last.species or "species unknown").replace("_", " ")
    where = f" in {last.water}" if last.water else ""
    return f"Recapture {tail}: {name}, {last.at[:10]}{where}: {length}, {weight}.{drugged}"


def judge(bench: "Bench", tag: str, checked: bool, ref: Ref) -> TagRead:
    """What is on record about this tag, as of this survey."""
    context = bench.context
    lookup = context.lookup
    prior = lookup.captures(tag, context.survey.opened_at)
    stock = lookup.inventory(tag)
    if lookup.in_survey(context.survey.survey_id, tag) is not None:
        status = TagStatus.REPEAT
    elif prior:
        status = TagStatus.RECAPTURE
    elif stock is not None or not lookup.inventory_loaded():
        status = TagStatus.NEW
    else:
        status = TagStatus.UNKNOWN
    # Without an inventory a code counts as new as if it were on one: the station said once that none is loaded.
    witnessed = checked or status is not TagStatus.UNKNOWN
    return TagRead(tag, ref, status, witnessed, stock=stock, prior=prior)


def resume(bench: "Bench", fish: OpenFish, ref: Ref) -> None:
    """A parked fish is in hand again."""
    bench.state.parked = [parked for parked in bench.state.parked if parked is not fish]
    bench.state.fish = fish
    bench.state.grace_until_s = None
    bench.touch(fish, ref)
    bench.say("fish_resumed", Sound.PART, f"Going on with the parked fish: {describe(fish)}.", ref.at)


def tag_reading(tag: str, role: str, ref: Ref) -> ReadingRecord:
    return ReadingRecord(
        kind="tag",
        role="echo" if role == "echo" else "used",
        journal_id=ref.journal_id,
        n=ref.n,
        at=ref.at,
        instrument=ref.instrument,
        raw=ref.raw,
        text=tag,
    )


def capture_facts(capture: PriorCapture) -> dict[str, object]:
    """One earlier capture for a screen: date, water, length, weight, fate."""
    return {
        "at": capture.at,
        "water": capture.water,
        "species": capture.species,
        "length_mm": capture.length_mm,
        "weight_g": capture.weight_g,
        "fate": capture.fate,
    }
