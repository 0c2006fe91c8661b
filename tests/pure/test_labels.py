"""What stands in the codes on labels, and the order of the bins."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from parts.rules.labels import bag_text, bin_order, part_text, read_bag, read_part

LETTERS = "ABCXYZ0189"


def codes(others: str) -> st.SearchStrategy[str]:
    """Texts that begin with a letter or figure and go on with `others` as well."""
    rest = st.text(LETTERS + others, max_size=39)
    return st.tuples(st.sampled_from(LETTERS), rest).map("".join)


NUMBERS = codes("-")
BATCHES = st.one_of(st.just(""), codes(".-"))


@given(NUMBERS, BATCHES)
def test_a_shelf_label_comes_apart_as_it_was_put_together(number: str, batch: str) -> None:
    assert read_part(part_text(number, batch)) == (number, batch)


@given(st.integers(1, 10**9))
def test_a_bag_label_names_its_inspection(inspection: int) -> None:
    assert read_bag(bag_text(inspection)) == inspection
    assert read_bag(f" {bag_text(inspection).lower()}\n") == inspection


def test_other_texts_are_no_bag() -> None:
    for text in ("", "B:", "B:x", "B-12", "SK-100", "B:1/L-1", "B:12345678901"):
        assert read_bag(text) is None


def test_bins_are_walked_as_people_count() -> None:
    mixed = ["", "C²", "A-10-2", "B-02", "A-1", "C", "A-10", "B-1", "A-2"]
    walked = ["A-1", "A-2", "A-10", "A-10-2", "B-1", "B-02", "C", "C²", ""]
    assert sorted(mixed, key=bin_order) == walked
