"""The service texts: what they must hold, what they must never hold, and what the service manager says."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path, PurePosixPath

import pytest

from heatdrift.daemon.unit import UnitFacts, hidden_code_folders, quoted, system_unit, user_unit

FACTS = UnitFacts(python=Path("/opt/heatdrift/bin/python"), code_folders=(Path("/opt/heatdrift"),))
SERVER = UnitFacts(python=Path("/opt/heatdrift/bin/python"), needs_network=True)
# systemd's own scale calls 0 to 2 "safe"; what keeps us above 0 are the devices and /proc, which we need.
HIGHEST_EXPOSURE = 2.0
ANALYZE = shutil.which("systemd-analyze")


def directives(text: str) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for line in text.splitlines():
        if line and line[0] not in "#[":
            key, _, value = line.partition("=")
            found.setdefault(key, []).append(value)
    return found


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("Type", "notify"),
        ("User", "heatdrift"),
        ("WatchdogSec", "5min"),
        ("Restart", "on-failure"),
        ("RestartSec", "30"),
        ("TimeoutStartSec", "1h"),
        ("TimeoutStopSec", "20"),
        ("StateDirectory", "heatdrift"),
        ("ProtectSystem", "strict"),
        ("ProtectHome", "yes"),
        ("ProtectKernelTunables", "yes"),
        ("DevicePolicy", "closed"),
        ("DeviceAllow", "char-nvidia* rw"),
        ("NoNewPrivileges", "yes"),
        ("CapabilityBoundingSet", ""),
        ("AmbientCapabilities", ""),
        ("UMask", "0077"),
        ("LimitCORE", "0"),
        ("StateDirectoryMode", "0700"),
        ("PrivateTmp", "yes"),
        ("PrivateMounts", "yes"),
        ("PrivateNetwork", "yes"),
        ("SocketBindDeny", "any"),
        ("ProtectKernelModules", "yes"),
        ("ProtectKernelLogs", "yes"),
        ("ProtectControlGroups", "yes"),
        ("ProtectClock", "yes"),
        ("ProtectHostname", "yes"),
        ("ProtectProc", "invisible"),
        ("RestrictNamespaces", "yes"),
        ("RestrictRealtime", "yes"),
        ("RestrictSUIDSGID", "yes"),
        ("LockPersonality", "yes"),
        ("RemoveIPC", "yes"),
        ("KeyringMode", "private"),
        ("SystemCallArchitectures", "native"),
        ("SystemCallErrorNumber", "EPERM"),
        ("RestrictAddressFamilies", "AF_UNIX"),
        ("IPAddressDeny", "any"),
        ("MemoryMax", "1024M"),
        ("StartLimitBurst", "5"),
    ],
)
def test_system_unit_says(key: str, value: str) -> None:
    assert directives(system_unit(FACTS))[key] == [value]


def test_system_calls_are_those_of_a_service_and_none_that_need_rights() -> None:
    found = directives(system_unit(FACTS))
    assert found["SystemCallFilter"] == ["@system-service", "~@privileged"]


# Every form that the service is installed in. The permission to read the processor's energy counters changes
# nothing in the unit: the rule gives it to the service's group. The graphics devices are in all of them.
FORMS = {
    "plain": FACTS,
    "server": SERVER,
    "in-a-home": UnitFacts(python=Path("/home/ann/v/bin/python"), code_folders=(Path("/home/ann/v"),)),
    "elsewhere": UnitFacts(python=Path("/usr/bin/python3"), record_folder=PurePosixPath("/srv/record")),
}
MAY_DIFFER = {"ExecStart", "Wants", "After", "RestrictAddressFamilies", "PrivateNetwork", "IPAddressDeny"}
MAY_DIFFER |= {"ProtectHome", "BindReadOnlyPaths", "ReadWritePaths"}


@pytest.mark.parametrize("form", FORMS)
def test_every_form_has_the_same_walls_but_for_what_it_needs(form: str) -> None:
    plain, found = (directives(system_unit(facts)) for facts in (FACTS, FORMS[form]))
    assert {k: v for k, v in plain.items() if k not in MAY_DIFFER} == {
        k: v for k, v in found.items() if k not in MAY_DIFFER
    }
    repeated = {key for key, values in found.items() if len(values) > 1}
    # A second line of any other could take back what the first said.
    assert repeated <= {"SystemCallFilter", "BindReadOnlyPaths", "Wants", "After"}


@pytest.mark.parametrize("unit", [system_unit, user_unit])
@pytest.mark.parametrize("form", FORMS)
def test_no_form_runs_a_shell_or_gains_rights(unit: Callable[[UnitFacts], str], form: str) -> None:
    found = directives(unit(FORMS[form]))
    assert not {"ExecStartPre", "ExecStartPost", "ExecStopPost", "SupplementaryGroups"} & found.keys()
    (start,) = found["ExecStart"]
    assert start[0] == "/" and " -m heatdrift run" in start  # none of the prefixes that lift the walls: + ! -


@pytest.mark.parametrize("key", ["PrivateDevices", "ProcSubset", "MemoryDenyWriteExecute"])
def test_system_unit_leaves_the_sensors_in_sight(key: str) -> None:
    assert key not in directives(system_unit(FACTS))


def test_system_unit_waits_for_a_clock_that_is_set() -> None:
    assert "time-sync.target" in directives(system_unit(FACTS))["After"][0]


def test_only_a_database_server_opens_the_network() -> None:
    found = directives(system_unit(SERVER))
    assert found["RestrictAddressFamilies"] == ["AF_UNIX AF_INET AF_INET6"]
    assert "IPAddressDeny" not in found
    assert "PrivateNetwork" not in found


def test_code_in_a_home_is_shown_and_nothing_else_of_it() -> None:
    home = Path("/home/ann/tools/venv")
    facts = UnitFacts(python=home / "bin/python", code_folders=(home, home / "bin", Path("/usr")))
    found = directives(system_unit(facts))
    assert found["ProtectHome"] == ["tmpfs"]
    assert found["BindReadOnlyPaths"] == [str(home)]


def test_hidden_folders_are_told_by_whole_names() -> None:
    assert hidden_code_folders([Path("/homestead/venv"), Path("/opt/x")]) == ()


def test_record_outside_the_state_folder_may_be_written() -> None:
    facts = UnitFacts(python=Path("/usr/bin/python3"), record_folder=PurePosixPath("/srv/my record"))
    assert directives(system_unit(facts))["ReadWritePaths"] == ['"/srv/my record"']


@pytest.mark.parametrize(
    ("plain", "written"), [("/a/b", "/a/b"), ("/a b", '"/a b"'), ("100%", "100%%"), ("$HOME", "$$HOME")]
)
def test_arguments_are_never_expanded(plain: str, written: str) -> None:
    assert quoted(plain) == written


def test_user_unit_has_no_user_and_says_what_it_cannot() -> None:
    text = user_unit(UnitFacts(python=Path("/usr/bin/python3"), settings_file=None))
    found = directives(text)
    assert found["Type"] == ["notify"]
    assert found["WantedBy"] == ["default.target"]
    assert "User" not in found
    assert "Environment" not in found
    assert "enable-linger" in text


def test_user_unit_keeps_the_walls_that_stand_without_root() -> None:
    found = directives(user_unit(FACTS))
    assert found["NoNewPrivileges"] == ["yes"]
    assert found["SystemCallFilter"] == ["@system-service", "~@privileged"]
    assert found["RestrictNamespaces"] == ["yes"]
    assert found["RestrictAddressFamilies"] == ["AF_UNIX"]
    assert directives(user_unit(SERVER))["RestrictAddressFamilies"] == ["AF_UNIX AF_INET AF_INET6"]


# The user's manager can hide nothing from a process of that user: 6.0 is what is left, and why the README
# names the system service first.
HIGHEST_EXPOSURE_OF_A_USER = 6.0


@pytest.mark.skipif(ANALYZE is None, reason="no systemd-analyze here")
@pytest.mark.parametrize("form", FORMS)
def test_service_manager_finds_the_unit_valid_and_safe(form: str, tmp_path: Path) -> None:
    text = system_unit(FORMS[form]).replace(str(FORMS[form].python), shutil.which("true") or "/bin/true")
    assert exposure(text, tmp_path) <= HIGHEST_EXPOSURE


@pytest.mark.skipif(ANALYZE is None, reason="no systemd-analyze here")
def test_service_manager_finds_the_user_s_unit_valid(tmp_path: Path) -> None:
    text = user_unit(FACTS).replace(str(FACTS.python), shutil.which("true") or "/bin/true")
    assert exposure(text, tmp_path) <= HIGHEST_EXPOSURE_OF_A_USER


def exposure(text: str, folder: Path) -> float:
    """What the service manager's own measure says; it must find nothing to complain of first."""
    assert ANALYZE is not None
    path = folder / "heatdrift.service"
    path.write_text(text)
    verify = subprocess.run([ANALYZE, "verify", str(path)], capture_output=True, text=True, check=False)
    assert "heatdrift.service" not in verify.stderr
    security = subprocess.run(
        [ANALYZE, "security", "--offline=true", "--no-pager", str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    verdict = [line for line in security.stdout.splitlines() if "Overall exposure level" in line]
    assert verdict, security.stderr
    return float(verdict[0].split(":")[1].split()[0])
