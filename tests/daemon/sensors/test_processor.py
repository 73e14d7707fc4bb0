"""Clock, throttling and utilisation of the processor."""

from __future__ import annotations

import errno
import os
from typing import Any

from heatdrift.daemon.sensors.cpufreq import MOST_FILES, CpufreqGroup, find_policies
from heatdrift.daemon.sensors.kept_file import FileDoor
from heatdrift.daemon.sensors.processor_time import ProcessorTimeGroup
from heatdrift.daemon.sensors.throttle import ThrottleGroup, find_throttle_counter
from heatdrift.store.records import Missing

FakeSys = Any  # the builder of conftest.py
COUNTER = "sys/devices/system/cpu/cpu0/thermal_throttle/package_throttle_total_time_ms"


def test_offline_cores_do_not_drag_the_mean_down(fake_sys: FakeSys) -> None:
    fake_sys.processor(n_cpus=4, clock_khz=3_000_000)

    def opening(path: str) -> int:
        if "policy3" in path:
            raise OSError(errno.EBUSY, "Device or resource busy")
        return os.open(path, os.O_RDONLY)

    group = CpufreqGroup(find_policies(fake_sys.sys, 0), 0, FileDoor(open=opening))
    assert group.read(1.0) == (3_000_000,)  # thousandths of a megahertz


def test_many_cores_cost_no_more_than_eight_files(fake_sys: FakeSys) -> None:
    fake_sys.processor(n_cpus=128)
    opened: list[str] = []

    def watching(path: str) -> int:
        opened.append(path)
        return os.open(path, os.O_RDONLY)

    group = CpufreqGroup(find_policies(fake_sys.sys, 0), 0, FileDoor(open=watching))
    group.read(1.0)
    assert len(opened) <= MOST_FILES
    group.close()


def test_no_clock_at_all_is_a_reason(fake_sys: FakeSys) -> None:
    fake_sys.processor(n_cpus=2, clock_khz=0)
    assert isinstance(CpufreqGroup(find_policies(fake_sys.sys, 0), 0).read(1.0)[0], Missing)


def test_throttled_share_of_the_time(fake_sys: FakeSys) -> None:
    fake_sys.put(COUNTER, 500)
    counter = find_throttle_counter(fake_sys.sys, 0)
    assert counter is not None
    group = ThrottleGroup(counter, 0)
    assert group.read(10.0) == (Missing.FIRST_LOOK,)
    fake_sys.put(COUNTER, 750)
    assert group.read(11.0) == (25_000,)  # 250 ms of 1 s
    fake_sys.put(COUNTER, 5_750)
    assert group.read(12.0) == (100_000,)  # a spell is added when it ends: more than the second it ended in
    fake_sys.put(COUNTER, 3)
    assert group.read(13.0) == (Missing.COUNTER_RESTART,)


def test_utilisation_of_looks_and_peeks(fake_sys: FakeSys) -> None:
    fake_sys.put("proc/stat", "cpu  100 0 100 800 0 0 0 0 50 0\ncpu0 1 1 1 1")
    group = ProcessorTimeGroup(fake_sys.proc)
    assert group.read(1.0) == (Missing.FIRST_LOOK,)
    assert group.peek(1.0) == (Missing.FIRST_LOOK,)
    assert group.read(1.0) == (Missing.NOT_READ,)
    # Waiting for a disk is idle, a guest is already in the user time.
    fake_sys.put("proc/stat", "cpu  150 0 100 830 20 0 0 0 90 0\ncpu0 1 1 1 1")
    assert group.read(2.0) == (50_000,)
    assert group.peek(2.0) == (50_000,)
    fake_sys.put("proc/stat", "cpu  x")
    assert group.read(3.0) == (Missing.NOT_NUMERIC,)
