"""The ids of what is recorded: names in one namespace, so that replay and rebuild make the same ones."""

from uuid import UUID, uuid5

from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.records import TALLYWELL_NAMESPACE, derived_id, fish_id, individual_id

NAME = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)


@settings(deadline=None, max_examples=50)
@given(NAME, st.integers(min_value=0), st.integers(min_value=0))
def test_ids_are_uuids_of_version_5(name: str, n: int, index: int) -> None:
    """RFC 9562, section 5.5, as the standard library makes them."""
    ids = [fish_id(name, n), individual_id(name), derived_id("amendment", name, n, index)]
    names = [f"fish {name} {n}", f"individual {name}", f"amendment {name} {n} {index}"]
    assert ids == [str(uuid5(TALLYWELL_NAMESPACE, one)) for one in names]
    assert all(UUID(one).version == 5 for one in ids)
