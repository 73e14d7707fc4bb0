"""Two dies, on one sink or on one each, stepped by hand: rows as a reader gives them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from heatdrift.reports.machine_frames import MachineFrames

Array = npt.NDArray[np.float64]

ROW_S, ROOM_C = 5.0, 22.0
JOINT_K_PER_W = {"cpu0": 0.35, "gpu0": 0.15}
SINK_K_PER_W, SINK_S = 0.3, 150.0
OTHER_SINK_K_PER_W = 0.2
FAN_FOLLOWS_FROM_C, FAN_RPM_PER_K = 40.0, 60.0


@dataclass(frozen=True)
class Machine:
    """What was recorded, and which sensor said what."""

    cpu: pd.DataFrame
    gpu: pd.DataFrame
    fans: dict[str, pd.Series]

    @property
    def frames(self) -> MachineFrames:
        """As the reports take it."""
        return MachineFrames({"cpu0": self.cpu, "gpu0": self.gpu}, self.fans, {})


def work(rng: np.random.Generator, n_rows: int, idle_w: float, full_w: float) -> Array:
    """A power that stays for some minutes and then is another."""
    levels = rng.uniform(idle_w, full_w, n_rows // 24 + 1)
    return np.repeat(levels, 24)[:n_rows]


def machine(
    *, is_shared: bool, hours: float = 8.0, seed: int = 1, noise_k: float = 0.2, fan_cools: bool = False
) -> Machine:
    """Simulate it.

    Parameters
    ----------
    is_shared
        Whether both dies sit on one sink; else each has its own.
    fan_cools
        Whether a fan that nobody reads takes off more heat the hotter the sink is.
    """
    rng = np.random.default_rng(seed)
    n_rows = int(hours * 3600.0 / ROW_S)
    power_w = {"cpu0": work(rng, n_rows, 5.0, 60.0), "gpu0": work(rng, n_rows, 10.0, 120.0)}
    kept = np.exp(-ROW_S / SINK_S)
    sinks_c: dict[str, Array] = {}
    for name, resistance in (("cpu0", SINK_K_PER_W), ("gpu0", OTHER_SINK_K_PER_W)):
        heat_w = power_w["cpu0"] + power_w["gpu0"] if is_shared else power_w[name]
        k_per_w = SINK_K_PER_W if is_shared else resistance
        rise_k = np.zeros(n_rows)
        for row in range(1, n_rows):
            still = k_per_w * (1.0 - 0.3 * min(rise_k[row - 1] / 40.0, 1.0) * fan_cools)
            rise_k[row] = rise_k[row - 1] * kept + (1.0 - kept) * still * heat_w[row]
        sinks_c[name] = ROOM_C + rise_k
    index = pd.date_range("2026-01-01", periods=n_rows, freq=f"{ROW_S:.0f}s", tz="UTC")
    rows = {
        name: pd.DataFrame(
            {
                "temperature_c": sinks_c[name]
                + JOINT_K_PER_W[name] * power_w[name]
                + noise_k * rng.standard_normal(n_rows),
                "power_w": power_w[name],
            },
            index=index,
        )
        for name in power_w
    }
    fans = {
        f"fan{number}": 800.0
        + FAN_RPM_PER_K * (rows[name]["temperature_c"] - FAN_FOLLOWS_FROM_C).clip(lower=0.0)
        for number, name in enumerate(("cpu0", "gpu0"), start=1)
    }
    return Machine(rows["cpu0"], rows["gpu0"], fans)
