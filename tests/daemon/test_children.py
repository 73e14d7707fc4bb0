"""Children have a deadline, and end when they are told to."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from heatdrift.daemon.accounting import own_cost
from heatdrift.daemon.children import Child

SLEEPER = (sys.executable, "-c", "import time; time.sleep(600)")
STUBBORN = (
    sys.executable,
    "-c",
    "import signal, sys, time; signal.signal(signal.SIGTERM, signal.SIG_IGN);"
    "open(sys.argv[1], 'w').close(); time.sleep(600)",
)


def wait_for(child: Child) -> int:
    while (status := child.poll(0.0)) is None:
        threading.Event().wait(0.01)
    return status


def test_exit_status_and_environment_reach_both_sides() -> None:
    code = "import os, sys; sys.exit(int(os.environ['HEATDRIFT_TRIAL']))"
    assert wait_for(Child((sys.executable, "-c", code), {"HEATDRIFT_TRIAL": "3"}, 60.0, 0.0)) == 3


def test_child_past_its_deadline_is_ended() -> None:
    child = Child(SLEEPER, {}, 60.0, now_s=0.0)
    assert child.poll(59.0) is None
    assert child.poll(61.0) == -15


def test_child_that_will_not_end_is_killed(tmp_path: Path) -> None:
    ready = tmp_path / "ready"
    child = Child((*STUBBORN, str(ready)), {}, 60.0, 0.0)
    while not ready.exists():
        threading.Event().wait(0.01)
    assert child.stop() == -9


PARENT = """
import sys, time
from heatdrift.daemon.children import Child
child = Child((sys.executable, "-c", sys.argv[1]), {}, 60.0, 0.0)
print(child._process.pid, flush=True)
time.sleep(600)
"""
OBEDIENT = """
import os, sys, time
from heatdrift.daemon.signals import end_with_parent
end_with_parent(os.environ)
assert "HEATDRIFT_CHILD" not in os.environ
time.sleep(600)
"""


def test_child_ends_when_the_service_is_killed() -> None:
    """A nightly judgement that outlives its service would write beside the next one."""
    with subprocess.Popen([sys.executable, "-c", PARENT, OBEDIENT], stdout=subprocess.PIPE) as parent:
        assert parent.stdout is not None
        watch = os.pidfd_open(int(parent.stdout.readline()))
        parent.kill()
    ready, _, _ = select.select([watch], [], [], 60.0)
    os.close(watch)
    assert ready


def test_missing_program_is_an_error() -> None:
    with pytest.raises(OSError, match="No such file"):
        Child(("/nonexistent/program",), {}, 1.0, 0.0)


def test_own_cost_is_what_the_kernel_shows(tmp_path: Path) -> None:
    own, task = tmp_path / "7", tmp_path / "7" / "task" / "7"
    task.mkdir(parents=True)
    (own / "status").write_text("Name:\tpython\nVmRSS:\t  40960 kB\n")
    (own / "smaps_rollup").write_text(
        "55d0-7ffd ---p 00000000 00:00 0 [rollup]\nRss: 41000 kB\nPss:  30000 kB\n"
    )
    (own / "io").write_text("rchar: 1\nwchar: 2\nread_bytes: 3\nwrite_bytes: 4096\n")
    (task / "children").write_text("8 9 ")
    (tmp_path / "9").mkdir()  # an invented machine is not the service's own cost
    (tmp_path / "9" / "cmdline").write_bytes(b"python\0-m\0heatdrift.fake_sensors.live\0--speed\0001\0")
    (tmp_path / "9" / "smaps_rollup").write_text("Pss:  32000 kB\n")
    (tmp_path / "8").mkdir()
    (tmp_path / "8" / "smaps_rollup").write_text("Pss:  1000 kB\n")
    ticks = os.sysconf("SC_CLK_TCK")
    (tmp_path / "8" / "stat").write_text(f"8 (a (b) c) S 7 {'0 ' * 9}{2 * ticks} {ticks} 0 0\n")
    cost = own_cost(tmp_path, 7)
    assert cost["rss_bytes"] == str(40960 * 1024)
    assert cost["pss_bytes"] == str(30000 * 1024)
    assert cost["written_bytes"] == "4096"
    assert cost["children_pss_bytes"] == str(1000 * 1024)
    times = os.times()
    # The child's 3 s, and what earlier children of this test process took.
    assert float(cost["children_cpu_s"]) == pytest.approx(
        3.0 + times.children_user + times.children_system, abs=0.01
    )


def test_cost_of_a_silent_system_is_left_out(tmp_path: Path) -> None:
    assert set(own_cost(tmp_path, 7)) == {"cpu_s", "children_cpu_s", "children_pss_bytes"}


def test_service_is_light_to_import() -> None:
    code = (
        "import sys, heatdrift.daemon.service\n"
        "print(*[m for m in ('numpy', 'pandas', 'pyarrow', 'alembic', 'rich', 'pynvml') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""
