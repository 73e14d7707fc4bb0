"""What counts as drift of airflow, fan and idle temperature, by what told the temperature of the air."""

from __future__ import annotations

from .detector_settings import AIRFLOW, DetectorSettings
from .era_model import EraModel
from .reference_temperature import ReferenceKind

# With a probe in the room the airflow part wanders less by season.
AIRFLOW_WITH_PROBE = DetectorSettings(systematic_sd=0.015, smallest_change=0.04)
# Where neither room nor fan is read, other work and weather move it by a tenth (simulated laptops).
AIRFLOW_BLIND = DetectorSettings(systematic_sd=0.06, smallest_change=0.08)
# After a change of tasks healthy fans turned 6 % slower at the same temperature (simulated laptops).
FAN_SETTINGS = DetectorSettings(systematic_sd=0.02, smallest_change=0.08)
# In kelvin by fifty; healthy machines stayed within 0.5 K, within 1.5 K where fins clogged (simulated).
IDLE_SETTINGS = DetectorSettings(systematic_sd=0.016, smallest_change=0.03)
# In kelvin by fifty too; healthy laptops stayed within 0.2 K for months, other tasks and heatwaves included.
APART_SETTINGS = DetectorSettings(systematic_sd=0.006, smallest_change=0.025)


def airflow_settings(model: EraModel | None) -> DetectorSettings:
    """What counts as drift of the airflow part, by what told the temperature of the air."""
    kind = model.reference.kind if model is not None and model.reference is not None else ""
    has_fan = model is not None and bool(model.fan)
    if kind == ReferenceKind.AMBIENT.value:
        return AIRFLOW_WITH_PROBE if has_fan else AIRFLOW
    return AIRFLOW if has_fan else AIRFLOW_BLIND
