"""Installing and removing, in a root of our own and with a system that only takes notes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from heatdrift.cli.installation import Installation, run_command
from heatdrift.daemon.unit import UnitFacts
from heatdrift.store.errors import ServiceError


@dataclass
class System:
    """Takes notes of the commands; those that begin with a failing word fail."""

    failing: tuple[str, ...] = ()
    commands: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)

    def run(self, argv: Sequence[str]) -> str:
        self.commands.append(" ".join(argv))
        return "refused" if argv[0] in self.failing else ""


def installation(
    tmp_path: Path,
    system: System,
    *,
    for_user: bool = False,
    is_root: bool | None = None,
    systemd: bool = True,
) -> Installation:
    root, home = tmp_path / "root", tmp_path / "home"
    (root / "run/systemd/system").mkdir(parents=True) if systemd else root.mkdir()
    return Installation(
        facts=UnitFacts(python=Path("/opt/heatdrift/bin/python")),
        for_user=for_user,
        with_power_rule=True,
        is_root=not for_user if is_root is None else is_root,
        root=root,
        home=home,
        say=system.said.append,
        run=system.run,
    )


def test_system_service_is_put_in_place_step_by_step(tmp_path: Path) -> None:
    system = System(failing=("id",))  # there is no such user yet
    made = installation(tmp_path, system)
    made.install()
    root = tmp_path / "root"
    assert (root / "etc/systemd/system/heatdrift.service").read_text() == made.unit_text
    assert 'SUBSYSTEM=="powercap"' in (root / "etc/udev/rules.d/70-heatdrift-powercap.rules").read_text()
    assert "#idle_period_s" in (root / "etc/heatdrift/settings.toml").read_text()
    commands = " | ".join(system.commands)
    assert "useradd --system" in commands
    assert commands.index("useradd") < commands.index("udevadm trigger") < commands.index("enable --now")
    assert len([line for line in system.said if line.startswith(("wrote", "ran"))]) == 8


def test_owner_s_settings_are_never_overwritten(tmp_path: Path) -> None:
    system = System()
    made = installation(tmp_path, system)
    settings = tmp_path / "root/etc/heatdrift/settings.toml"
    settings.parent.mkdir(parents=True)
    settings.write_text("[looking]\nidle_period_s = 5\n")
    made.install()
    assert settings.read_text() == "[looking]\nidle_period_s = 5\n"


def test_power_rule_can_be_refused(tmp_path: Path) -> None:
    system = System()
    made = installation(tmp_path, system)
    made.with_power_rule = False
    made.install()
    assert not made.rule_path.exists()
    assert not any("udevadm" in command for command in system.commands)


def test_what_could_not_be_done_is_printed_as_plain_commands(tmp_path: Path) -> None:
    system = System(failing=("udevadm",))
    with pytest.raises(ServiceError, match="2 of the steps failed"):
        installation(tmp_path, system).install()
    assert "  udevadm control --reload" in system.said
    assert "systemctl enable --now heatdrift.service" in system.commands  # the rest was still done


@pytest.mark.parametrize("verb", ["install", "remove"])
def test_system_service_needs_root_and_says_how(tmp_path: Path, verb: str) -> None:
    system = System()
    made = installation(tmp_path, system, is_root=False)
    with pytest.raises(ServiceError, match="needs root: sudo"):
        getattr(made, verb)()
    assert system.commands == []


def test_without_systemd_nothing_is_touched(tmp_path: Path) -> None:
    system = System()
    made = installation(tmp_path, system, systemd=False)
    with pytest.raises(ServiceError, match="not started by systemd"):
        made.install()
    assert not made.unit_path.exists()


def test_code_that_only_its_owner_may_enter_is_refused(tmp_path: Path) -> None:
    system = System()
    made = installation(tmp_path, system)
    closed = tmp_path / "venv"
    closed.mkdir(mode=0o700)
    made.facts = UnitFacts(python=closed / "bin/python", code_folders=(closed,))
    with pytest.raises(ServiceError, match="only its owner may enter it"):
        made.install()
    assert not made.unit_path.exists()


def test_user_service_goes_to_the_home_and_says_what_it_cannot(tmp_path: Path) -> None:
    system = System()
    made = installation(tmp_path, system, for_user=True)
    made.install()
    assert made.unit_path == tmp_path / "home/.config/systemd/user/heatdrift.service"
    assert made.unit_path.read_text() == made.unit_text
    assert system.commands == [
        "systemctl --user daemon-reload",
        "systemctl --user enable --now heatdrift.service",
    ]
    assert any("loginctl enable-linger" in line for line in system.said)


def test_user_service_beside_the_system_service_is_refused(tmp_path: Path) -> None:
    system = System()
    made = installation(tmp_path, system, for_user=True)
    other = tmp_path / "root/etc/systemd/system/heatdrift.service"
    other.parent.mkdir(parents=True)
    other.touch()
    with pytest.raises(ServiceError, match="record everything twice"):
        made.install()


def test_user_service_of_root_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ServiceError, match="run it without sudo"):
        installation(tmp_path, System(), for_user=True, is_root=True).install()


def test_removal_takes_back_all_but_record_settings_and_user(tmp_path: Path) -> None:
    system = System()
    made = installation(tmp_path, system)
    made.install()
    system.commands.clear()
    made.remove()
    assert not made.unit_path.exists()
    assert not made.rule_path.exists()
    assert (tmp_path / "root/etc/heatdrift/settings.toml").exists()
    assert system.commands[0] == "systemctl disable --now heatdrift.service"
    assert not any("userdel" in command for command in system.commands)


def test_removing_what_is_not_there_says_so(tmp_path: Path) -> None:
    system = System()
    installation(tmp_path, system).remove()
    assert system.commands == []
    assert any("is not there" in line for line in system.said)


def test_a_program_that_is_missing_or_fails_gives_a_reason() -> None:
    assert run_command(["heatdrift-no-such-program"]) == "there is no heatdrift-no-such-program"
    assert run_command(["false"]) == "exit status 1"
    assert run_command(["true"]) == ""
