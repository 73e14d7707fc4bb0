"""Installing and removing, in a root of our own and with a system that only takes notes."""

from __future__ import annotations

import stat
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from heatdrift.cli.installation import Installation, run_command
from heatdrift.daemon.unit import SETTINGS_FILE, UnitFacts
from heatdrift.store.errors import ServiceError


@dataclass
class System:
    """Takes notes of the commands; those that begin with a failing word fail."""

    failing: tuple[str, ...] = ()
    commands: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    given: list[tuple[str, str, str]] = field(default_factory=list)
    has_group: bool = True

    def run(self, argv: Sequence[str]) -> str:
        self.commands.append(" ".join(argv))
        return "refused" if argv[0] in self.failing else ""

    def give(self, path: Path, user: str, group: str) -> None:
        if not self.has_group:
            raise LookupError(f"no such group: {group!r}")
        self.given.append((path.suffix, user, group))


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
        facts=UnitFacts(
            python=Path("/opt/heatdrift/bin/python"), settings_file=None if for_user else SETTINGS_FILE
        ),
        for_user=for_user,
        with_power_rule=True,
        is_root=not for_user if is_root is None else is_root,
        root=root,
        home=home,
        say=system.said.append,
        run=system.run,
        give=system.give,
    )


def mode_of(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


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


@pytest.mark.parametrize("is_there", [False, True], ids=["new", "reinstalled"])
def test_settings_are_for_root_and_the_service_alone(tmp_path: Path, is_there: bool) -> None:
    system = System()
    made = installation(tmp_path, system)
    settings = tmp_path / "root/etc/heatdrift/settings.toml"
    if is_there:
        settings.parent.mkdir(parents=True)
        settings.write_text("[messages]\n")
        settings.chmod(0o644)
    made.install()
    assert mode_of(settings) == 0o640
    assert system.given == [(".toml", "root", "heatdrift")]
    assert mode_of(made.unit_path) == 0o644


def test_settings_that_somebody_keeps_elsewhere_stay_as_they_are(tmp_path: Path) -> None:
    system = System()
    made = installation(tmp_path, system)
    settings = tmp_path / "root/srv/settings.toml"
    settings.parent.mkdir()
    settings.touch(0o644)
    before = mode_of(settings)
    made.facts = UnitFacts(python=Path("/opt/python"), settings_file=Path("/srv/settings.toml"))
    made.install()
    assert mode_of(settings) == before and system.given == []


def test_without_the_group_its_step_is_left_to_the_owner(tmp_path: Path) -> None:
    system = System(has_group=False)
    with pytest.raises(ServiceError, match="1 of the steps failed"):
        installation(tmp_path, system).install()
    settings = tmp_path / "root/etc/heatdrift/settings.toml"
    assert f"  chgrp heatdrift {settings}" in system.said
    assert mode_of(settings) == 0o640  # closed all the same


@pytest.mark.parametrize(("before", "after"), [(0o644, 0o600), (0o640, 0o600), (0o400, 0o400)])
def test_settings_of_a_user_s_own_service_are_for_that_user_alone(
    tmp_path: Path, before: int, after: int
) -> None:
    system = System()
    made = installation(tmp_path, system, for_user=True)
    settings = tmp_path / "home/.config/heatdrift/settings.toml"
    settings.parent.mkdir(parents=True)
    settings.touch()
    settings.chmod(before)
    made.install()
    assert mode_of(settings) == after and system.given == []


def test_power_rule_is_explained_before_it_is_written(tmp_path: Path) -> None:
    system = System()
    made = installation(tmp_path, system)
    made.install()
    written = system.said.index(f"wrote    {made.rule_path}")
    before = " ".join(system.said[:written])
    assert "CVE-2020-8694" in before and "--without-power-rule" in before
    text = made.rule_path.read_text()
    assert "CVE-2020-8694" in text and "cryptographic keys" in text
    assert (
        "0440" in text and "chgrp heatdrift" in text
    )  # the group reads, nobody writes, everyone else has nothing


def test_power_rule_can_be_refused(tmp_path: Path) -> None:
    system = System()
    made = installation(tmp_path, system)
    made.with_power_rule = False
    made.install()
    assert not made.rule_path.exists()
    assert not any("CVE" in line for line in system.said)
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
