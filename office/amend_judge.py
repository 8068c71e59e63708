"""What an amended fish is held to: the checks of the station, and the values that follow from others."""

from dataclasses import dataclass, field
from sqlite3 import Connection

from fishery.single import Relation, StandardWeight, fit_length_weight, relative_weight, standard_weight_g
from ingest.checks import FishFacts, Limits, check_fish, too_coarse
from ingest.records import Finding, PriorCapture, TagStatus, individual_id
from ingest.species import SpeciesBook
from ingest.store import Lookup
from office.corrections import Values, number_text


@dataclass(slots=True)
class Judge:
    """Reads the records; species come from `book`, limits are those that a station starts with."""

    connection: Connection
    lookup: Lookup
    book: SpeciesBook
    limits: Limits = field(default_factory=Limits)
    _relations: dict[tuple[str, str], Relation | None] = field(default_factory=dict)

    def findings(self, fish_id: str, state: Values) -> tuple[Finding, ...]:
        """What the checks say of this fish with these values, serious ones first: as the station would have said."""
        species = self.book.get(state["species"])
        equation = self._equation(state)
        length_mm = number(state["length_mm"])
        facts = FishFacts(
            species=species,
            length_mm=length_mm,
            weight_g=number(state["weight_g"]),
            weight_division_g=self._division_g(fish_id) or 0.0,
            standard_weight_g=standard_weight_g(equation, length_mm) if equation and length_mm else None,
            relation=self._relation(state),
            tag=state["tag"],
            prior=self._earlier(fish_id, state),
            species_by_crew=True,
            at=state["worked_up_at"] or "",
            equation=equation,
        )
        return check_fish(facts, self.limits)

    def follows(self, name: str, fish_id: str, state: Values) -> str | None:
        """The value of a field that follows from others, worked out anew."""
        match name:
            case "weight_quality":
                return self._quality(fish_id, state)
            case "tag_status":
                return self._tag_status(fish_id, state)
            case "individual_id":
                return self._individual(fish_id, state)
            case _:
                return self._relative_weight(state)

    def _equation(self, state: Values) -> StandardWeight | None:
        species = self.book.get(state["species"])
        line = species.recommended if species else None
        return line if line is not None and line.length_type == state["length_type"] else None

    def _relative_weight(self, state: Values) -> str | None:
        line, length_mm, weight_g = (
            self._equation(state),
            number(state["length_mm"]),
            number(state["weight_g"]),
        )
        if line is None or not length_mm or not weight_g or state["weight_quality"] != "measured":
            return None
        ws_g = standard_weight_g(line, length_mm)
        return None if ws_g is None else number_text(round(relative_weight(weight_g, ws_g), 1))

    def _quality(self, fish_id: str, state: Values) -> str:
        weight_g, division_g = number(state["weight_g"]), self._division_g(fish_id)
        if weight_g is None:
            return "not_weighed"
        coarse = division_g is not None and too_coarse(weight_g, division_g, self.limits)
        return "too_coarse" if coarse else "measured"

    def _division_g(self, fish_id: str) -> float | None:
        """The step of the scale that weighed this fish; None if nothing did."""
        row = self.connection.execute(
            "SELECT division FROM reading WHERE fish_id = ? AND kind = 'weight' AND role = 'used' ORDER BY seq DESC LIMIT 1",
            (fish_id,),
        ).fetchone()
        return None if row is None else row[0]

    def _tag_status(self, fish_id: str, state: Values) -> str:
        """As the station judges a tag (`ingest.assemble.tag_rules.judge`). Without a tag nobody knows whether the fish
        has one."""
        tag = state["tag"]
        if tag is None:
            return TagStatus.NOT_SCANNED.value
        others = [one for one in self.lookup.captures(tag) if one.fish_id != fish_id]
        at = (state["worked_up_at"] or "").rstrip("Z")
        if any(one.survey_id == state["survey_id"] and one.at.rstrip("Z") <= at for one in others):
            return TagStatus.REPEAT.value
        if self._earlier(fish_id, state):
            return TagStatus.RECAPTURE.value
        held = self.lookup.inventory(tag) is not None or not self.lookup.inventory_loaded()
        return (TagStatus.NEW if held else TagStatus.UNKNOWN).value

    def _individual(self, fish_id: str, state: Values) -> str | None:
        tag = state["tag"]
        if tag is None:
            return None
        others = [one for one in self.lookup.captures(tag) if one.fish_id != fish_id and one.individual_id]
        return others[0].individual_id if others else individual_id(tag)

    def _earlier(self, fish_id: str, state: Values) -> tuple[PriorCapture, ...]:
        """The captures of this animal before the survey, as the station knew them."""
        if state["tag"] is None:
            return ()
        _, opened_at = self._survey(state["survey_id"])
        return tuple(one for one in self.lookup.captures(state["tag"], opened_at) if one.fish_id != fish_id)

    def _relation(self, state: Values) -> Relation | None:
        survey_id, slug = state["survey_id"], state["species"]
        if survey_id is None or slug is None:
            return None
        if (survey_id, slug) not in self._relations:
            self._relations[survey_id, slug] = self._fit(*self._survey(survey_id), slug)
        return self._relations[survey_id, slug]

    def _fit(self, water: str | None, before: str, slug: str) -> Relation | None:
        """The water's own length-weight relation by what was known before this time."""
        species = self.book.get(slug)
        pairs = self.lookup.length_weights(water, slug, before) if water else []
        return fit_length_weight(
            [mm for mm, _ in pairs], [g for _, g in pairs], species.recommended if species else None
        )

    def _survey(self, survey_id: str | None) -> tuple[str | None, str]:
        """Its water, and when it was opened."""
        water, opened_at = self.connection.execute(
            "SELECT water, opened_at FROM survey WHERE survey_id = ?", (survey_id,)
        ).fetchone()
        return water, opened_at


def number(text: str | None) -> float | None:
    return None if text is None else float(text)
