"""The processor as the kernel shows it: temperature, clocks, throttle counters, energy, time."""

from __future__ import annotations

from collections.abc import Callable

from .stack import PowerMeter
from .tree_files import COUNTERS, GAUGES, TreeFiles
from .tree_view import TreeView

N_CPUS = 8
TICKS_PER_S = 100  # the kernel's USER_HZ
INTEL_RANGE_UJ = 262_143_328_850  # a 32-bit counter in units of 2^-14 J
AMD_RANGE_UJ = 65_532_610_987  # and of 2^-16 J
CORE_SHARE = 0.8  # of the package's energy, what the core domain counts
CPU_FOLDER = "sys/devices/system/cpu"
MILLI = 1000


def build_processor(files: TreeFiles, view: TreeView) -> None:
    """Add everything that shows the processor."""
    if view.chip("cpu0").values.shows_throttle:
        build_coretemp(files, view)
    else:
        build_k10temp(files, view)
    build_powercap(files, view)
    files.fixed(f"{CPU_FOLDER}/online", f"0-{N_CPUS - 1}")
    files.fixed(f"{CPU_FOLDER}/present", f"0-{N_CPUS - 1}")
    for number in range(N_CPUS):
        build_core(files, view, number)
    files.live(COUNTERS, "proc/stat", lambda: stat(view))


def build_coretemp(files: TreeFiles, view: TreeView) -> None:
    """Add the package and the cores, which lie a little below it."""
    package_c = view.value("cpu0", "temperature_c")
    folder = files.hwmon("sys/devices/platform/coretemp.0", "coretemp")
    files.temperature(folder, 1, package_c, "Package id 0")
    for core in range(N_CPUS // 2):
        files.temperature(folder, core + 2, lowered(package_c, core * MILLI), f"Core {core}")
    for number in range(1, N_CPUS // 2 + 2):
        files.fixed(f"{folder}/temp{number}_crit", round(view.chip("cpu0").values.throttle_c * MILLI))


def build_k10temp(files: TreeFiles, view: TreeView) -> None:
    """Add the control temperature and that of the one core complex."""
    control_c = view.value("cpu0", "temperature_c")
    folder = files.hwmon("sys/devices/pci0000:00/0000:00:18.3", "k10temp")
    files.temperature(folder, 1, control_c, "Tctl")
    files.temperature(folder, 3, lowered(control_c, 2 * MILLI), "Tccd1")


def lowered(value: Callable[[], int], by: int) -> Callable[[], int]:
    """A value less a constant."""
    return lambda: value() - by


def build_core(files: TreeFiles, view: TreeView, number: int) -> None:
    """Add one processor: clock, place, throttle counters."""
    chip = view.chip("cpu0")
    policy, cpu = f"{CPU_FOLDER}/cpufreq/policy{number}", f"{CPU_FOLDER}/cpu{number}"
    full_khz = round(chip.values.full_clock_mhz) * 1000
    clock_milli_mhz = view.value("cpu0", "clock_mhz")  # thousandths of a megahertz are kilohertz
    files.live(GAUGES, f"{policy}/scaling_cur_freq", clock_milli_mhz)
    files.fixed(f"{policy}/scaling_max_freq", full_khz)
    files.fixed(f"{policy}/cpuinfo_max_freq", full_khz)
    files.fixed(f"{policy}/affected_cpus", number)
    files.link(f"{cpu}/cpufreq", policy)
    files.fixed(f"{cpu}/topology/physical_package_id", 0)
    files.fixed(f"{cpu}/topology/core_id", number // 2)
    if not chip.values.shows_throttle:
        return
    for part in ("package", "core"):
        counter = f"{cpu}/thermal_throttle/{part}_throttle"
        files.live(COUNTERS, f"{counter}_count", lambda: chip.limited_times)
        files.live(COUNTERS, f"{counter}_total_time_ms", lambda: int(chip.heat_limited_s * 1000))


def build_powercap(files: TreeFiles, view: TreeView) -> None:
    """Add the energy counters; on Intel a memory-mapped twin shows the package a second time."""
    values, meter = view.chip("cpu0").values, view.meter("cpu0")
    is_intel = values.shows_throttle
    range_uj = INTEL_RANGE_UJ if is_intel else AMD_RANGE_UJ
    for control in ("intel-rapl", "intel-rapl-mmio") if is_intel else ("intel-rapl",):
        zone = f"sys/devices/virtual/powercap/{control}/{control}:0"
        domains = ((zone, "package-0", 1.0), (f"{zone}/{control}:0:0", "core", CORE_SHARE))
        for folder, name, share in domains:
            files.fixed(f"{folder}/name", name)
            files.fixed(f"{folder}/max_energy_range_uj", range_uj)
            files.fixed(f"{folder}/enabled", 1)
            files.live(COUNTERS, f"{folder}/energy_uj", counted(meter, share, range_uj))
            files.link(f"sys/class/powercap/{folder.rpartition('/')[2]}", folder)
        files.fixed(f"{zone}/constraint_0_name", "long_term")
        files.fixed(f"{zone}/constraint_0_power_limit_uw", round(values.limit_w * 1e6))
        files.link(f"sys/class/powercap/{control}", f"sys/devices/virtual/powercap/{control}")


def counted(meter: PowerMeter, share: float, range_uj: int) -> Callable[[], int]:
    """A share of what a meter counted, as a counter that wraps [µJ]."""
    return lambda: int(meter.energy_j * share * 1e6) % range_uj


def stat(view: TreeView) -> str:
    """Processor time as the kernel counts it [ticks]: a line for all together, then one for each."""
    busy = int(view.chip("cpu0").busy_s * TICKS_PER_S)
    idle = int(view.machine.elapsed_s * TICKS_PER_S) - busy
    lines = [f"cpu  {busy * N_CPUS} 0 0 {idle * N_CPUS} 0 0 0 0 0 0"]
    lines += [f"cpu{number} {busy} 0 0 {idle} 0 0 0 0 0 0" for number in range(N_CPUS)]
    return "\n".join([*lines, f"btime {view.machine.start_utc_ms // 1000}"])
