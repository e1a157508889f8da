"""Plain text of a given width."""

from datetime import UTC
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from rig.domain.formatting import figure
from rig.render.text_layout import both_times, fit, relative, table, wrapped

SECOND = 1_000_000_000


@given(st.text(max_size=60), st.integers(1, 40), st.booleans())
def test_a_fitted_text_has_exactly_its_width(text: str, width: int, right: bool) -> None:
    assert cell_len(fit(text, width, right=right)) == width


@given(
    st.lists(st.lists(st.text(max_size=30), min_size=3, max_size=3), min_size=1, max_size=6),
    st.integers(40, 90),
)
def test_a_table_never_exceeds_its_width(rows: list[list[str]], width: int) -> None:
    lines = table([tuple(row) for row in rows], width)
    assert len(lines) == len(rows)
    assert all(cell_len(line) <= width for line in lines)


@given(st.text(max_size=300), st.integers(40, 120))
def test_a_paragraph_never_exceeds_its_width(text: str, width: int) -> None:
    assert all(cell_len(line) <= width for line in wrapped(text, width, "- ", "  "))


def test_a_number_and_its_unit_stay_on_one_line() -> None:
    assert wrapped("it was known to within 0.51 s then", 30) == ["it was known to within 0.51 s", "then"]
    assert wrapped("it was known to within 0.51 s then", 28) == ["it was known to within", "0.51 s then"]


def test_times_are_relative_with_as_many_digits_as_make_sense() -> None:
    assert relative(None, 0) == "open"
    assert relative(-253_000_000, 0) == "-0.253 s"
    assert relative(11_046_000_000, 0) == "+11.05 s"
    assert relative(-246 * SECOND, 0) == "-246.0 s"
    assert relative(-7200 * SECOND, 0) == "-2 h"
    assert relative(7200 * SECOND, 0) == "+2 h"


def test_a_local_time_that_falls_on_another_day_keeps_both_dates() -> None:
    t_ns = 1_900_000_000 * SECOND  # 2030-03-17 17:46:40 UTC
    assert both_times(t_ns, UTC) == "2030-03-17 17:46:40.0 UTC"
    assert both_times(t_ns, ZoneInfo("Europe/Berlin")) == "2030-03-17 18:46:40.0 +01:00 = 17:46:40.0 UTC"
    tokyo = both_times(t_ns, ZoneInfo("Asia/Tokyo"))
    assert tokyo == "2030-03-18 02:46:40.0 +09:00 = 2030-03-17 17:46:40.0 UTC"


def test_figures_carry_no_empty_zeros() -> None:
    assert [figure(v) for v in (95.0, 94.6, 0.0015923, 2000.02)] == ["95", "94.6", "0.0015923", "2000"]
    assert [figure(v, 3) for v in (1270.4, -1542.0, 99_999.0, 1.25e-7)] == [
        "1270",
        "-1540",
        "100000",
        "1.25e-07",
    ]
    assert figure(float("nan")) == "-"


def test_figures_have_an_exponent_only_below_a_millionth() -> None:
    assert [figure(v) for v in (1.25e-6, 9.5e-7, 1e12)] == ["0.00000125", "9.5e-07", "1000000000000"]


def test_a_value_far_below_its_limit_is_rounded_to_the_digits_of_the_limit() -> None:
    """40 W to five digits is known to 1 mW: what is left of 72 W after a shutdown is 0 W."""
    shown = [figure(v, near=40.0) for v in (2.45e-05, -0.0004, 0.0006, 72.03, -40.25)]
    assert shown == ["0", "0", "0.001", "72.03", "-40.25"]
    assert figure(0.0006, near=0.0) == "0.0006"
