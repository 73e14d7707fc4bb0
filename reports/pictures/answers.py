"""Where along the path does it sit? How temperature answers to a load step, in the baseline and now."""

from __future__ import annotations

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.ticker import NullLocator

from ..baseline import NORMAL_95
from ..cause import Cause
from ..verdict import Verdict
from .day_axis import span_words
from .picture import BAND, FAINT, INK, INTERFACE, NOW, RC, THEN, Picture, new_figure
from .step_answers import JOINT_S, Answer, Span, StepAnswers, gather_answers

__all__ = ["StepAnswers", "answers_picture", "gather_answers"]

SURE_ERRORS = 2.5
LEAST_SHARE = 0.03  # of the answer: less is nothing that anybody would see in the drawing
TICKS_S = (1, 3, 10, 30, 60)
LEAST_END_S, EARLY_END_S = 20.0, 40.0


@rc_context(RC)
def answers_picture(
    verdict: Verdict, answers: StepAnswers, *, then_utc_ms: Span, now_utc_ms: Span
) -> Picture:
    """Draw how temperature answers to a load step, in the baseline and now.

    Parameters
    ----------
    verdict
        Of the source.
    answers
        From `gather_answers`.
    then_utc_ms, now_utc_ms
        The stretches that they were gathered from [ms since 1970].
    """
    figure, (above, below) = new_figure(2, height_in=4.2)
    grid = above.get_gridspec()
    assert grid is not None  # both are drawn on one
    grid.set_height_ratios([2.0, 1.0])
    after_s, grown = answers.after_s, answers.grown
    for side, color, style, name in (
        (answers.then, THEN, "--", "in the baseline"),
        (answers.now, NOW, "-", "now"),
    ):
        above.fill_between(after_s, side.low, side.high, color=color, alpha=0.2, lw=0)
        above.plot(after_s, side.median, style, color=color, label=f"{name}, {side.n_steps[0]} steps")
    above.set_ylim(0.0, 1.3 * float(max(answers.then.high.max(), answers.now.high.max())))
    above.set_ylabel("temperature rise\nper watt, K/W")
    above.legend(loc="upper left", frameon=False, bbox_to_anchor=(0.0, 0.92))
    half = NORMAL_95 * answers.grown_error
    below.axhline(0.0, color=FAINT, lw=0.8)
    below.fill_between(after_s, grown - half, grown + half, color=INTERFACE, alpha=0.25, lw=0)
    below.plot(after_s, grown, color=INTERFACE)
    below.set_ylabel("now less\nthen, K/W")
    below.set_xlabel("time since the load step, s")
    for axes in (above, below):
        axes.locator_params(axis="y", nbins=5)
        _draw_seconds(axes, float(after_s[-1]))
    above.tick_params(labelbottom=False)
    _name_seconds(above, float(after_s[-1]))
    window = "; ".join(
        f"{name} {span_words(*span, side.days, 'used')}"
        for name, span, side in (
            ("baseline", then_utc_ms, answers.then),
            ("now", now_utc_ms, answers.now),
        )
    )
    key = f"{verdict.source}-answers"
    return Picture(key, answers_title(verdict, answers), window, _description(answers), figure)


def answers_title(verdict: Verdict, answers: StepAnswers) -> str:
    """Where along the path the change sits, as far as the steps show it."""
    source, grown, error = verdict.source, answers.grown, answers.grown_error
    joint = int(np.searchsorted(answers.after_s, JOINT_S))
    joint = min(joint, len(grown) - 1)
    is_joint = _is_seen(grown[joint], error[joint], answers.then.median[joint])
    rest, rest_error = grown[-1] - grown[joint], float(np.hypot(error[-1], error[joint]))
    is_rest = joint < len(grown) - 1 and _is_seen(rest, rest_error, answers.then.median[-1])
    if verdict.leading is None:
        if is_joint or is_rest:
            return f"{source}: how it answers to a load step, then and now"
        return f"{source} answers to a load step as it did in its baseline"
    return f"{source} {_where(verdict, answers, rest if is_rest else 0.0, is_joint=is_joint)}"


def _where(verdict: Verdict, answers: StepAnswers, rest: float, *, is_joint: bool) -> str:
    """Where a path that has changed answers otherwise; ``rest`` is 0 where heatsink and air do not."""
    joint = answers.grown[min(int(np.searchsorted(answers.after_s, JOINT_S)), len(answers.grown) - 1)]
    if verdict.cause is Cause.TELEMETRY and (is_joint or rest):
        return "answers otherwise than in its baseline, by its changed readings"
    if is_joint and rest:
        return "answers otherwise than in its baseline, along the whole path"
    if is_joint:
        return f"answers {_more(joint)} in the first three seconds, where the joint is"
    if rest:
        return f"answers {_more(rest)} after the first seconds, where heatsink and air are"
    tail = "; the change comes later" if verdict.leading is verdict.airflow else ""
    return f"answers in the first {_seconds(answers.after_s[-1])} as it did in its baseline{tail}"


def _more(grown: float) -> str:
    return "more" if grown > 0.0 else "less"


def _is_seen(grown: float, error: float, of: float) -> bool:
    return abs(grown) > max(SURE_ERRORS * error, LEAST_SHARE * abs(of))


def _description(answers: StepAnswers) -> str:
    """The numbers at the border of the joint and at the end."""
    joint = min(int(np.searchsorted(answers.after_s, JOINT_S)), len(answers.after_s) - 1)
    said = [_at(answers, number) for number in dict.fromkeys((joint, len(answers.after_s) - 1))]
    return (
        "Median temperature rise per watt after a load step, with the middle half of the steps. "
        + " ".join(said)
        + " Steps of both sides are of the same kinds of work."
    )


def _at(answers: StepAnswers, number: int) -> str:
    grown, error = answers.grown[number], answers.grown_error[number]
    then, now = _shown(answers.then, number), _shown(answers.now, number)
    return (
        f"After {_seconds(answers.after_s[number])}: {then} K/W in the baseline, {now} K/W now, "
        f"a difference of {grown:+.3f} ± {NORMAL_95 * error:.3f} K/W."
    ).replace("-", "\u2212")


def _shown(side: Answer, number: int) -> str:
    return f"{side.median[number]:.3f}"


def _seconds(after_s: float) -> str:
    return f"{after_s:.0f} seconds"


def _draw_seconds(axes: Axes, last_s: float) -> None:
    """A logarithmic axis with plain numbers, and the border between the joint and the rest."""
    axes.set_xscale("log")
    axes.set_xlim(1.0, max(last_s, LEAST_END_S))
    ticks = [tick for tick in TICKS_S if tick <= max(last_s, LEAST_END_S)]
    axes.set_xticks(ticks, [str(tick) for tick in ticks])
    axes.xaxis.set_minor_locator(NullLocator())
    axes.axvspan(1.0, JOINT_S, color=BAND, alpha=0.45, lw=0, zorder=-3)
    axes.axvline(JOINT_S, color=FAINT, lw=1.0, ls=":")


def _name_seconds(axes: Axes, last_s: float) -> None:
    """Which part of the path answers when."""
    end_s = max(last_s, LEAST_END_S)
    for name, middle_s in (("joint", JOINT_S**0.5), ("heatsink and air", (JOINT_S * end_s) ** 0.5)):
        axes.annotate(
            name,
            (middle_s, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, -3),
            textcoords="offset points",
            ha="center",
            va="top",
            color=INK,
        )
    if last_s < EARLY_END_S:
        axes.annotate(
            "later the load,\nor one beside it,\nhas changed",
            (last_s, 0.4),
            xycoords=("data", "axes fraction"),
            xytext=(5, 0),
            textcoords="offset points",
            va="center",
            color=FAINT,
        )
