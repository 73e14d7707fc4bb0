"""Histories of invented machines by code and physics that the package knows nothing of.

``python tests/bench/other_machines.py --machines 24 --seed 1 --to DIR --jobs 2`` writes a folder for each:
``table.parquet`` or ``table.csv`` in the exchange format, ``journal.toml`` where something was declared, and
``truth.json`` for the one who judges.
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd
from other_histories import CAUSES, STEPS, WORK, OtherMachine, frame_of  # type: ignore[import-not-found]
from other_physics import FanControl, Floats, Senses, draw_network, fin_factor, nominal  # type: ignore[import-not-found]

DECK = (
    *["none"] * 4,
    *["creep_linear"] * 3,
    *["creep_root"] * 2,
    *["creep_saturating"] * 2,
    *["knocked"] * 2,
    *["clogging"] * 2,
    *["blocked", "moved"],
    *["fan_wear"],
    *["power_scale"] * 2,
    *["temperature_offset", "new_work", "heatwave"],
    *["repaste"] * 2,
)


def growth(mode: str, n_days: int, onset: int) -> Floats:
    """From 0 before the onset to 1 at the end."""
    days = np.arange(n_days)
    x = np.clip((days - onset) / (n_days - 1 - onset), 0.0, 1.0)
    if mode in STEPS:
        return np.asarray((days >= onset).astype(float))
    if mode == "creep_root":
        return np.asarray(np.sqrt(x))
    if mode == "creep_saturating":
        return np.asarray((1.0 - np.exp(-4.0 * x)) / (1.0 - np.exp(-4.0)))
    return np.asarray(x)


def draw(seed: int, number: int) -> OtherMachine:
    """Draw machine ``number`` of a set; each set goes through the whole deck of faults before it repeats."""
    deck = np.random.default_rng([seed, 77, number // len(DECK)]).permutation(np.array(DECK))
    mode = str(deck[number % len(DECK)])
    rng = np.random.default_rng([seed, 78, number])
    is_laptop = bool(rng.random() < 0.5)
    cap_w = np.array(
        [rng.uniform(70, 130), rng.uniform(35, 60)]
        if is_laptop
        else [rng.uniform(160, 320), rng.uniform(75, 140)]
    )
    source = 0 if mode == "repaste" or rng.random() < 0.65 else 1
    n_days = int(rng.integers(90, 111))
    onset = int(n_days * rng.uniform(0.38, 0.6))
    kind = "table" if mode == "fan_wear" or rng.random() < 0.5 else "pi"
    control = FanControl(
        kind,
        float(rng.uniform(68, 76)),
        float(rng.choice([0.0, 0.2, 0.25])),
        48.0,
        float(rng.uniform(0.02, 0.06)),
        float(rng.uniform(0.6, 0.8)),
    )
    n_fans = 1 if is_laptop else 2
    while True:  # lags between the two parts would leave the truth undefined
        network = draw_network(rng, is_laptop, cap_w)
        joint, chamber, fin = nominal(network, control, 2, n_fans)
        joint[1] *= 2.2
        lags = network.lags_s(joint, chamber, fin)
        if not ((lags > 2.2) & (lags < 4.5)).any():
            break
    grid = np.linspace(0.4, 3.0, 400)
    joint, chamber, fin = nominal(network, control, len(grid), n_fans)
    joint[:, source] = grid
    fast, _ = network.parts(source, joint, chamber, fin, 0.9)
    healthy = float(np.interp(1.0, grid, fast))
    fast = fast / healthy
    flow = np.linspace(0.2, 1.0, 400)
    joint, chamber, _ = nominal(network, control, len(flow), n_fans)
    moved = np.full((len(flow), n_fans), 0.6)
    moved[:, 0 if is_laptop else source] *= flow
    _, slow = network.parts(
        source, joint, chamber, fin_factor(moved, np.full_like(moved, 20.0), control.exponent), 0.9
    )
    slow = slow / slow[-1]
    size, grown = float(rng.uniform(0.10, 0.45)), growth(mode, n_days, onset)
    interface, airflow, wear = np.ones(n_days), np.ones(n_days), np.ones(n_days)
    if CAUSES.get(mode) == "interface":
        interface = 1.0 + size * grown
    elif mode == "repaste":
        size = -float(rng.uniform(0.08, 0.3))
        after = np.arange(n_days) - onset
        interface = np.where(after >= 0, 1.0 + size + 0.03 * np.exp(-np.maximum(after, 0) / 1.5), 1.0)
    elif CAUSES.get(mode) in ("airflow", "fan"):
        size = float(rng.uniform(0.12, 0.4))
        airflow = 1.0 + min(size, slow[0] - 1.0) * grown
    elif mode == "power_scale":
        size = float(rng.choice([rng.uniform(0.72, 0.9), rng.uniform(1.1, 1.3)]))
    elif mode == "temperature_offset":
        size = float(rng.choice([-1, 1]) * rng.uniform(3, 7))
    joint_factor = np.interp(interface, fast, grid)
    per_joint = sum(0.9 * edge[2] for edge in network.edges if edge[3:] == ("joint", source)) / healthy
    let_through = np.interp(airflow, slow[::-1], flow[::-1])
    if mode == "fan_wear":
        let_through, wear = wear, let_through
    favourites = tuple(str(k) for k in rng.permutation(list(WORK))[: int(rng.integers(2, 5))])
    later = (
        tuple(k for k in WORK if k not in favourites) + favourites[:1] if mode == "new_work" else favourites
    )
    optional = ("ambient", "fan", "utilization", "memory_utilization", "clock")
    shares = (0.5, 0.1 if mode == "fan_wear" else 0.35, 0.15, 0.4, 0.1)
    missing = tuple(name for name, share in zip(optional, shares, strict=True) if rng.random() < share)
    senses = Senses(
        str(rng.choice(["floor", "round", "round", "eighth"])),
        float(rng.uniform(0.1, 0.4)),
        float(rng.choice([0.0, 0.0, rng.uniform(0.5, 1.2)])),
        float(rng.uniform(0.02, 0.25)),
        float(rng.choice([0.0, 2e-4])),
        float(rng.choice([0.003, 0.01])),
    )
    return OtherMachine(
        *(
            seed,
            number,
            mode,
            ("gpu0", "cpu0")[source],
            n_days,
            onset,
            is_laptop,
            network,
            control,
            senses,
            cap_w,
        ),
        *(float(rng.uniform(90, 97)), cap_w * np.array([rng.uniform(0.04, 0.09), rng.uniform(0.05, 0.12)])),
        *(favourites, later, missing, float(rng.uniform(1.0, 3.0)), size),
        *(
            1_740_000_000 // 86400 * 86400 + int(rng.integers(0, 300)) * 86400,
            bool(rng.random() < 0.1),
            bool(rng.random() < 0.15),
        ),
        *(interface, 1.0 + per_joint * (joint_factor - 1.0), airflow, joint_factor, let_through, wear),
    )


def write(machine: OtherMachine, folder: Path) -> None:
    """Write table, journal and truth of a machine into ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    frame = frame_of(machine)
    gone = {
        "utilization": ".utilization_pct",
        "memory_utilization": ".memory_utilization_pct",
        "clock": ".clock_mhz",
    }
    gone |= {"ambient": "ambient.temperature_c", "fan": ".speed_rpm"}
    frame = frame.drop(columns=[c for c in frame for name in machine.missing if c.endswith(gone[name])])
    frame["time"] = (frame["time"] + machine.start_s).round(3)
    if machine.is_csv:
        frame.round(3).to_csv(folder / "table.csv", index=False)
    else:
        frame.round(3).to_parquet(folder / "table.parquet", index=False)
    if machine.mode == "repaste":
        at = pd.Timestamp(machine.start_s + machine.onset_day * 86400 + 39600, unit="s", tz="UTC").isoformat()
        (folder / "journal.toml").write_text(f'[[entry]]\ntime = {at}\nkind = "compound"\npath = "gpu0"\n')
    truth = {
        "mode": machine.mode,
        "expected_cause": machine.expected_cause,
        "expected_shape": machine.expected_shape,
        "source": machine.source,
        "onset_day": machine.onset_day,
        "size": machine.size,
        "missing": machine.missing,
        "is_laptop": machine.is_laptop,
        "fan_control": machine.control.kind,
        "start_s": machine.start_s,
        "interface_ratio": machine.interface_ratio.round(5).tolist(),
        "joint_ratio": machine.joint_ratio.round(5).tolist(),
        "airflow_ratio": machine.airflow_ratio.round(5).tolist(),
    }
    (folder / "truth.json").write_text(json.dumps(truth))


def write_one(seed: int, number: int, to: Path) -> str:
    machine = draw(seed, number)
    write(machine, to / f"{number:03d}-{machine.mode}")
    return f"{number:03d} {machine.mode}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    for name, value in (("--machines", 24), ("--seed", 1), ("--jobs", 1)):
        parser.add_argument(name, type=int, default=value)
    parser.add_argument("--to", type=Path, required=True)
    asked = parser.parse_args()
    n = asked.machines
    with ProcessPoolExecutor(asked.jobs) as pool:
        for line in pool.map(write_one, [asked.seed] * n, range(n), [asked.to] * n):
            print(line, flush=True)


if __name__ == "__main__":
    main()
