"""Which records are of one animal: by its tag, by a second tag, or by the individual that a re-tagging joined."""

from collections.abc import Mapping, Sequence

import numpy as np

from ingest.records import individual_id
from office.answers.records import Ints, Mask


class Animals:
    """of_fish: index of the animal of each fish record, -1 without a tag or where the tag is in doubt. tags: by animal.

    Tags found on one fish together, and records that share an individual, are one animal. A tag stands for the
    individual that was first known by it.
    """

    def __init__(
        self,
        tag: Sequence[str | None],
        individual: Sequence[str | None],
        second: Mapping[int, Sequence[str]],
        doubted: Mask,
    ) -> None:
        self._root: dict[str, str] = {}
        keys: list[str | None] = []
        bears: dict[str, set[str]] = {}
        for i, (mine, whose) in enumerate(zip(tag, individual, strict=True)):
            if mine is None or doubted[i]:
                keys.append(None)
                continue
            # a record whose tag was amended names no individual: the one first known by that tag
            self._join(mine, whose if whose is not None else individual_id(mine))
            for other in second.get(i, ()):
                self._join(mine, other)
                self._join(other, individual_id(other))
                bears.setdefault(mine, set()).add(other)
            bears.setdefault(mine, set()).add(mine)
            keys.append(mine)
        number: dict[str, int] = {}
        places = [-1 if key is None else number.setdefault(self._find(key), len(number)) for key in keys]
        self._number = number
        self.of_fish: Ints = np.array(places, dtype=np.int64)
        found: list[set[str]] = [set() for _ in number]
        for key, mine_all in bears.items():
            found[number[self._find(key)]].update(mine_all)
        self.tags: tuple[tuple[str, ...], ...] = tuple(tuple(sorted(one)) for one in found)

    def known(self, tag: str, individual: str | None) -> int | None:
        """The animal of a capture from elsewhere; None if no fish of these records is the same."""
        for key in (individual, tag, individual_id(tag)):
            if key is not None and (place := self._number.get(self._find(key))) is not None:
                return place
        return None

    def _find(self, key: str) -> str:
        root = key
        while (above := self._root.get(root, root)) != root:
            root = above
        while (above := self._root.get(key, key)) != root:
            self._root[key], key = root, above
        return root

    def _join(self, one: str, other: str) -> None:
        a, b = self._find(one), self._find(other)
        if a != b:
            self._root[max(a, b)] = min(a, b)
