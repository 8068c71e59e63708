"""The numbers of the assembly rules: one frozen set per bench, defaults as a crew would want them."""

from dataclasses import dataclass
from typing import Literal

TagOrder = Literal["found_first", "first", "last", "any"]
FlowName = Literal["single", "line"]


@dataclass(frozen=True, slots=True)
class BenchRules:
    """How one bench puts fish together. Seconds unless the name says otherwise.

    flow: `single`: one fish at a time. `line`: one person measures, another weighs, a few fish lie between.
    tags: when the tag of a fish comes. `found_first` (default): a tag that was in the fish is read before the
        measures, and only an unused tag of the inventory (one just inserted) may come after them. `first`: every tag
        is read before the measures. `last`: after them. `any`: either.
    remeasure_s: the same measure again within this time replaces the first one without a question.
    echo_s: after a save, the same length or weight within this time is an echo of the saved fish.
    tag_grace_s: a complete fish that needs no tag waits this long for one, where tags may come late.
    late_tag_s: a new tag that comes so soon after a fish saved without one is marked: it may be that fish's.
    open_limit_s: a fish that nothing happened to for this long is parked.
    two_tags_s: two different tags within this time are never booked.
    independent_s: a second measure counts as one of its own only after this time.
    command_absent_s: a command tag must be away this long before it fires again.
    length_tolerance_mm, length_tolerance_share: two lengths agree within the larger of the two.
    weight_tolerance_divisions, weight_tolerance_share: two weights agree within the larger of the two.
    better_fit: gain in log-likelihood from which a replaced value is said to fit better.
    """

    flow: FlowName = "single"
    tags: TagOrder = "found_first"
    remeasure_s: float = 10.0
    echo_s: float = 2.0
    tag_grace_s: float = 4.0
    late_tag_s: float = 30.0
    open_limit_s: float = 120.0
    two_tags_s: float = 3.0
    independent_s: float = 2.0
    command_absent_s: float = 1.0
    length_tolerance_mm: float = 2.0
    length_tolerance_share: float = 0.005
    weight_tolerance_divisions: float = 2.0
    weight_tolerance_share: float = 0.01
    better_fit: float = 4.0

    def lengths_agree(self, one_mm: float, other_mm: float) -> bool:
        """Whether two lengths in mm can be two measures of one fish."""
        tolerance_mm = max(self.length_tolerance_mm, self.length_tolerance_share * max(one_mm, other_mm))
        return abs(one_mm - other_mm) <= tolerance_mm + 1e-9

    def weights_agree(self, one_g: float, other_g: float, division_g: float) -> bool:
        """Whether two weights in g can be two weighings of one fish on a scale with this division."""
        tolerance_g = max(
            self.weight_tolerance_divisions * division_g,
            self.weight_tolerance_share * max(one_g, other_g),
        )
        return abs(one_g - other_g) <= tolerance_g + 1e-9
