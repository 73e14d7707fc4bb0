"""Airflow part of fake machines against their truth, by what told the temperature of the air."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from heatdrift.fake_sensors.history import record_history
from heatdrift.fake_sensors.machine import FakeMachine
from heatdrift.reports.reference_temperature import Reference, ReferenceKind, choose_reference, from_own_idle
from heatdrift.reports.settled import settled_windows
from heatdrift.reports.total_resistance import TotalResistance, fit_total_resistances
from heatdrift.reports.window_groups import loaded
from heatdrift.store.database import open_reader, open_writer
from heatdrift.store.errors import AnalysisError
from heatdrift.store.reader import Reader
from heatdrift.store.writer import Writer

Tell = Callable[[str, str, str], None]

N_SEEDS = int(os.environ.get("HEATDRIFT_BENCH_SEEDS", "3"))
DAYS = 30.0
SECOND_FAN_SHARE = 0.94  # the second fan of a shared sink turns a little slower than the first


def reader_of(machine: FakeMachine, folder: Path) -> Reader:
    url = f"sqlite:///{folder / f'{machine.values.name}.db'}"
    database = open_writer(url)
    record_history(Writer(database, "uuid", machine.values.name), machine, machine.start_utc_ms, DAYS)
    database.close()
    return Reader(open_reader(url))


def references(windows: pd.DataFrame, read_c: pd.Series, probes: dict[str, pd.Series]) -> list[Reference]:
    found = [
        choose_reference(windows, read_c, {name: probes[name]})
        for name in ("ambient", "board")
        if name in probes
    ]
    try:
        return [*found, from_own_idle(windows, read_c)]
    except AnalysisError:
        return found


def error_of(
    machine: FakeMachine, source: str, fit: TotalResistance, kind: ReferenceKind, windows: pd.DataFrame
) -> tuple[float, float]:
    """Error as a share of the true airflow part, and in standard errors."""
    number, (stack, index) = next(
        (machine.stacks.index(stack), (stack, index))
        for stack, index in machine.places
        if stack.path.paths[index].source == source
    )
    path, chip, full_rpm = stack.path.paths[index], stack.chips[index].values, stack.fan.law.full_speed_rpm
    is_second = fit.fan == "fan2" and machine.values.kind == "laptop"
    if fit.fan:
        share = fit.speed / 100 if "_fan" in fit.fan else fit.speed / full_rpm
        share /= SECOND_FAN_SHARE if is_second else 1.0
    else:
        column = f"speed.fan{min(number + 1, machine.values.n_fan_tachs)}"
        share = float(windows.loc[loaded(windows), column].median()) / full_rpm
    memory_pct = 0.0
    if "memory_utilization_pct" in windows:
        usual = float(windows.loc[loaded(windows), "memory_utilization_pct"].median())
        memory_pct = fit.memory_utilization_pct if np.isfinite(fit.memory_utilization_pct) else usual
    aside = chip.aside_share + chip.memory_aside_share * np.nan_to_num(memory_pct) / 100.0
    case = machine.values.surroundings.case_resistance_k_per_w * (kind is not ReferenceKind.PROXY)
    beyond = path.spread_resistance_k_per_w + stack.path.airflow_resistance_k_per_w(share) + case
    truth = (path.interface_resistance_k_per_w * (1.0 - aside) + beyond) / chip.power_scale
    error = fit.resistance_k_per_w - truth
    return error / (beyond / chip.power_scale), error / fit.standard_error_k_per_w


def test_airflow_part_against_truth(tmp_path: Path, tell: Tell) -> None:
    errors: dict[ReferenceKind, list[tuple[float, float]]] = {kind: [] for kind in ReferenceKind}
    for kind in ("laptop", "desktop"):
        for seed in range(1, N_SEEDS + 1):
            machine = FakeMachine.of(kind, seed)
            reader = reader_of(FakeMachine.of(kind, seed), tmp_path)
            frames = {entry.name: reader.source_frame(entry.name) for entry in reader.sources()}
            loose = reader.probe_frames()
            fans = {name: one["value"] for (name, what), one in loose.items() if "speed" in what}
            probes = {name: one["value"] for (name, what), one in loose.items() if "temperature" in what}
            windows, known = {}, {}
            for name, frame in frames.items():
                others = {other: found for other, found in frames.items() if other != name}
                windows[name] = settled_windows(frame, others, fans)
                known[name] = references(windows[name], frame["temperature_c"], probes)
            for choice in zip(*known.values(), strict=True):
                chosen = dict(zip(known, choice, strict=True))
                for name, fit in fit_total_resistances(windows, chosen).items():
                    if isinstance(fit, TotalResistance):
                        source_kind = chosen[name].kind
                        errors[source_kind].append(error_of(machine, name, fit, source_kind, windows[name]))
    for reference, found in errors.items():
        if not found:
            continue
        share, in_errors = np.abs(np.array(found)).T
        goal = 3.0 if reference is ReferenceKind.AMBIENT else 8.0
        tell(
            f"airflow part, {reference.value}, {len(found)} source-months",
            f"{100 * np.median(share):.1f} % median",
            f"<= {goal:.0f} %",
        )
        tell("  its 95 % interval holds the truth", f"{100 * np.mean(in_errors < 1.96):.0f} %", "90-98 %")
    pooled = np.concatenate([np.abs(np.array(found))[:, 0] for found in errors.values() if found])
    assert np.median(pooled) <= 0.08
