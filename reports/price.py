"""What a modification cost for each unit of what it brought."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Price:
    """Cost per unit gained, with its 95 % interval; None where ``reason`` says why.

    Attributes
    ----------
    total, currency
        What was paid in all.
    unit
        Of what was gained: ``kelvin``, say.
    """

    total: float
    currency: str
    unit: str
    value: float | None
    ci95: tuple[float, float] | None
    reason: str = ""


def price_of(
    cost: tuple[float, str], unit: str, gain: float | None, ci95: tuple[float, float] | None
) -> Price:
    """Divide a cost by a gain, where there surely was one.

    Parameters
    ----------
    cost
        Amount and currency.
    unit
        Of the gain.
    gain, ci95
        More is better; None where it is not known.
    """
    total, currency = cost
    if gain is None or ci95 is None:
        return Price(total, currency, unit, None, None, "cannot be known: the gain is not known")
    if ci95[0] <= 0.0:
        # An interval that holds zero has no reciprocal: the price may be anything, or for nothing at all.
        reason = "no gain" if ci95[1] <= 0.0 else "cannot be known: the gain may be none"
        return Price(total, currency, unit, None, None, reason)
    return Price(total, currency, unit, total / gain, (total / ci95[1], total / ci95[0]))
