"""A fake machine as the kernel and NVML would show it: ``sys``, ``proc`` and the state of the NVML double."""

from __future__ import annotations

from pathlib import Path

from .machine import FakeMachine
from .nvml_state import write_state
from .tree_board import KERNEL, build_board
from .tree_files import COUNTERS, GAUGES, TreeFiles
from .tree_gpu import build_gpu, gpu_states
from .tree_processor import build_processor
from .tree_view import TreeView

NVIDIA_DRIVER = "550.90.07"


class SysfsTree:
    """Keeps a folder in step with a machine.

    Parameters
    ----------
    machine
        Its time is passed by the caller.
    root
        Folder for ``sys``, ``proc`` and ``nvml.json``; a tmpfs keeps a live one off the disk.
    sleeps
        The GPU suspends whenever it has nothing to do, as on hybrid laptops.
    first_hwmon
        Number of the first hwmon folder: numbers follow the order of probing and differ from boot to boot.
    kernel, nvidia_driver
        Their releases; the next boot may find newer ones.

    Attributes
    ----------
    sys_root, proc_root
        What stands for ``/sys`` and ``/proc``.
    nvml_state
        State file of the NVML double; its environment variable must name it.
    """

    def __init__(
        self,
        machine: FakeMachine,
        root: Path,
        *,
        sleeps: bool = False,
        first_hwmon: int = 0,
        kernel: str = KERNEL,
        nvidia_driver: str = NVIDIA_DRIVER,
    ) -> None:
        self.sys_root, self.proc_root = root / "sys", root / "proc"
        self.nvml_state = root / "nvml.json"
        self._view = TreeView(machine, sleeps)
        self._files = TreeFiles(root, first_hwmon)
        self._nvidia_driver = nvidia_driver
        build_board(self._files, self._view, kernel)
        build_processor(self._files, self._view)
        build_gpu(self._files, self._view)

    def write(self) -> None:
        """Write everything as it is now."""
        self._view.look()
        self._files.write(GAUGES)
        self._files.write(COUNTERS)
        self._write_gpus()

    def write_counters(self) -> None:
        """Write only what counts up, which must not lag behind the clock of whoever takes its rate."""
        self._files.write(COUNTERS)
        self._write_gpus()

    def _write_gpus(self) -> None:
        write_state(self.nvml_state, self._nvidia_driver, gpu_states(self._view))

    def close(self) -> None:
        """Close the files; the folder stays."""
        self._files.close()
