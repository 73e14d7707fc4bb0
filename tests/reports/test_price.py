"""Cost per unit gained."""

from __future__ import annotations

import pytest

from heatdrift.reports.price import price_of


def test_the_interval_of_a_price_is_that_of_the_gain_turned_round() -> None:
    price = price_of((30.0, "EUR"), "kelvin", 6.0, (5.0, 7.5))
    assert price.value == pytest.approx(5.0)
    assert price.ci95 is not None
    assert list(price.ci95) == pytest.approx([4.0, 6.0])


@pytest.mark.parametrize(
    ("gain", "ci95", "reason"),
    [
        (None, None, "not known"),
        (0.5, (-0.2, 1.2), "may be none"),
        (-2.0, (-3.0, -1.0), "no gain"),
        (0.0, (0.0, 0.0), "no gain"),
    ],
)
def test_there_is_no_price_of_what_may_be_nothing(
    gain: float | None, ci95: tuple[float, float] | None, reason: str
) -> None:
    price = price_of((30.0, "EUR"), "kelvin", gain, ci95)
    assert price.value is None and price.ci95 is None
    assert reason in price.reason
