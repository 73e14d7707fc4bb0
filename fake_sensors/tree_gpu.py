"""The GPU as the kernel shows it, and as NVML would answer for it."""

from __future__ import annotations

from .looks import N_GPU_FANS, has_gpu_fans
from .nvml_state import GpuState
from .tree_files import GAUGES, TreeFiles
from .tree_view import TreeView

GPU_DEVICE = "sys/devices/pci0000:00/0000:00:01.0/0000:01:00.0"
SHUTDOWN_ABOVE_K = 12
MILLI = 1000


def is_amd(view: TreeView) -> bool:
    """Whether the GPU answers through hwmon: only there a hot spot can be read."""
    return view.chip("gpu0").values.hotspot_k_per_w is not None


def build_gpu(files: TreeFiles, view: TreeView) -> None:
    """Add the PCI device with its power state, and the hwmon of an AMD one."""
    files.fixed(f"{GPU_DEVICE}/class", "0x030000")
    files.fixed(f"{GPU_DEVICE}/vendor", "0x1002" if is_amd(view) else "0x10de")
    files.fixed(f"{GPU_DEVICE}/device", "0x744c" if is_amd(view) else "0x2786")
    files.fixed(f"{GPU_DEVICE}/power/control", "auto" if view.sleeps else "on")
    files.fixed(f"{GPU_DEVICE}/power/autosuspend_delay_ms", 5000)
    files.live(
        GAUGES,
        f"{GPU_DEVICE}/power/runtime_status",
        lambda: "suspended" if view.is_gpu_asleep else "active",
    )
    files.link(f"{GPU_DEVICE}/driver", f"sys/bus/pci/drivers/{'amdgpu' if is_amd(view) else 'nvidia'}")
    files.link("sys/bus/pci/devices/0000:01:00.0", GPU_DEVICE)
    if is_amd(view):
        build_amd(files, view)


def build_amd(files: TreeFiles, view: TreeView) -> None:
    """Add what the AMD driver shows: three temperatures, mean power, clocks, utilisation."""
    folder = files.hwmon(GPU_DEVICE, "amdgpu")
    temperatures = ("temperature_c", "hotspot_temperature_c", "memory_temperature_c")
    for number, (quantity, label) in enumerate(zip(temperatures, ("edge", "junction", "mem"), strict=True)):
        if view.said("gpu0", quantity) is not None:
            files.temperature(folder, number + 1, view.value("gpu0", quantity), label)
    power, clock = view.value("gpu0", "power_w"), view.value("gpu0", "clock_mhz")
    memory_clock = view.value("gpu0", "memory_clock_mhz")
    utilization = view.value("gpu0", "utilization_pct")
    memory_utilization = view.value("gpu0", "memory_utilization_pct")
    files.live(GAUGES, f"{folder}/power1_average", lambda: power() * MILLI)
    files.fixed(f"{folder}/power1_cap", round(view.chip("gpu0").values.limit_w * 1e6))
    files.live(GAUGES, f"{folder}/freq1_input", lambda: clock() * MILLI)
    files.live(GAUGES, f"{folder}/freq2_input", lambda: memory_clock() * MILLI)
    files.fixed(f"{folder}/freq1_label", "sclk")
    files.fixed(f"{folder}/freq2_label", "mclk")
    files.live(GAUGES, f"{GPU_DEVICE}/gpu_busy_percent", lambda: utilization() // MILLI)
    files.live(GAUGES, f"{GPU_DEVICE}/mem_busy_percent", lambda: memory_utilization() // MILLI)


def gpu_states(view: TreeView) -> tuple[GpuState, ...]:
    """What NVML would say of the machine; nothing where the GPU is not one of its."""
    if is_amd(view):
        return ()
    chip, meter = view.chip("gpu0"), view.meter("gpu0")

    def whole(quantity: str) -> int:
        return (view.said("gpu0", quantity) or 0) // MILLI

    speed_pct = round(view.asked_speed_share("gpu0") * 100)
    power_w = (view.said("gpu0", "power_w") or 0) / MILLI
    return (
        GpuState(
            uuid=f"GPU-00000000-0000-4000-8000-{view.machine.start_utc_ms:012x}",
            temperature_c=whole("temperature_c"),
            power_w=power_w,
            average_power_w=power_w,
            energy_j=meter.energy_j,
            clock_mhz=whole("clock_mhz"),
            memory_clock_mhz=whole("memory_clock_mhz"),
            utilization_pct=whole("utilization_pct"),
            memory_utilization_pct=whole("memory_utilization_pct"),
            limit_reasons=view.limit_reasons["gpu0"],
            thermal_limited_ns=int(chip.heat_limited_s * 1e9),
            power_limited_ns=int(view.power_limited_s("gpu0") * 1e9),
            enforced_limit_w=chip.values.limit_w,
            default_limit_w=chip.values.limit_w,
            intended_speeds_pct=(speed_pct,) * N_GPU_FANS if has_gpu_fans(view.machine) else (),
            slowdown_c=round(chip.values.throttle_c),
            shutdown_c=round(chip.values.throttle_c) + SHUTDOWN_ABOVE_K,
            asleep=view.is_gpu_asleep,
        ),
    )
