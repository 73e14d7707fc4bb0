"""Both parts of every source in every era."""

from __future__ import annotations

from dataclasses import dataclass

from ..store.derived import DerivedStore
from ..store.errors import AnalysisError
from .derivation import Derivation
from .era_model import EraModel
from .eras import Era
from .fan_law import FanLaw
from .heat_path import PathFit, fit_path
from .machine_frames import POWER_STAGE
from .network import FosterNetwork
from .path_details import fan_law_of
from .power_stage import PowerStage, fit_power_stage
from .source_network import source_network


@dataclass(frozen=True, slots=True, eq=False)
class SourceEra:
    """One source in one era; ``fit`` is None where the era has no day with readings."""

    source: str
    era: Era
    model: EraModel | None
    fit: PathFit | None

    def fan_law(self, derived: DerivedStore) -> FanLaw:
        """How the resistance falls with the fan's speed.

        Raises
        ------
        AnalysisError
            No fan follows the source, or its speed hardly varies.
        """
        if self.model is None:
            raise AnalysisError("not identifiable: no day with readings")
        return fan_law_of(self.model, derived.windows(self.source, self.era.from_utc_ms, self.era.to_utc_ms))

    def network(self, derived: DerivedStore) -> FosterNetwork:
        """The source as a network.

        Raises
        ------
        AnalysisError
            Too little of it is known.
        """
        if self.model is None or self.fit is None:
            raise AnalysisError("no network: no day with readings")
        steps = derived.load_steps(self.source, self.era.from_utc_ms, self.era.to_utc_ms)
        return source_network(self.model, self.fit, steps)


def fit_every_era(derived: DerivedStore, derivation: Derivation) -> list[SourceEra]:
    """Fit all eras of all sources with a power of their own.

    Parameters
    ----------
    derived
        Of the machine, up to date.
    derivation
        From `update`.
    """
    found = []
    for source, eras in derivation.eras.items():
        if source.startswith(POWER_STAGE):
            continue
        for era in eras:
            model = derivation.models[source].get(era.from_utc_ms)
            fit = (
                None
                if model is None
                else fit_stretch(derived, derivation, model, era.from_utc_ms, era.to_utc_ms)
            )
            found.append(SourceEra(source, era, model, fit))
    return found


def fit_every_stage(derived: DerivedStore, derivation: Derivation) -> dict[str, PowerStage | str]:
    """Fit each power stage in the present eras of the sources that it may feed; a reason where none fits."""
    windows = {
        source: derived.windows(source, eras[-1].from_utc_ms)
        for source, eras in derivation.eras.items()
        if eras and not source.startswith(POWER_STAGE)
    }
    found: dict[str, PowerStage | str] = {}
    for name in derivation.eras:
        if name.startswith(POWER_STAGE):
            try:
                found[name] = fit_power_stage(name, windows)
            except AnalysisError as reason:
                found[name] = str(reason)
    return found


def fit_stretch(
    derived: DerivedStore, derivation: Derivation, model: EraModel, from_utc_ms: int, to_utc_ms: int
) -> PathFit:
    """Fit one source to a stretch of one of its eras.

    Parameters
    ----------
    model
        Of the era.
    from_utc_ms, to_utc_ms
        From the first moment up to, not including, the second [ms since 1970].
    """
    beside = {}
    for other, eras in derivation.eras.items():
        if other == model.source:
            continue
        # The other's own era is the one that holds for most of the stretch's end.
        theirs = [era for era in eras if era.from_utc_ms < to_utc_ms and era.to_utc_ms > from_utc_ms]
        known = [found for era in theirs if (found := derivation.models[other].get(era.from_utc_ms))]
        if known:
            beside[other] = known[-1], derived.windows(other, from_utc_ms, to_utc_ms)
    return fit_path(
        model,
        derived.load_steps(model.source, from_utc_ms, to_utc_ms),
        derived.windows(model.source, from_utc_ms, to_utc_ms),
        beside,
    )
