"""Puts the service in place and takes it away, one plain step at a time."""

from __future__ import annotations

import shlex
import shutil
import stat
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path

from ..daemon import unit
from ..store.errors import ServiceError
from ..store.whole_file import write_whole
from .example import example_file

RULE_NAME = "heatdrift-powercap.rules"
COMMAND_DEADLINE_S = 60
EVERYONE_READS, OPEN_FOLDER = 0o644, 0o755
# The settings may hold addresses with passwords: the service reads them, its owner writes them, nobody else.
SERVICE_READS, OWNER_ONLY = 0o640, 0o600
OTHERS = stat.S_IRWXG | stat.S_IRWXO
# What the counters show of other programs stands where they are opened, not only in the rule.
POWER_RULE_NOTE = (
    "the rule below opens the processor's energy counters to the service's group; whoever reads them often",
    "can guess at what other programs compute, keys included (CVE-2020-8694, CVE-2020-8695). Put nobody else",
    f"into the group {unit.SERVICE_USER}, or refuse it: heatdrift service install --without-power-rule",
)
RunCommand = Callable[[Sequence[str]], str]


def run_command(argv: Sequence[str]) -> str:
    """Run a command of the system; return why it failed, empty when it did not."""
    program = shutil.which(argv[0])
    if program is None:
        return f"there is no {argv[0]}"
    try:
        done = subprocess.run(
            [program, *argv[1:]], capture_output=True, text=True, timeout=COMMAND_DEADLINE_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        return str(error)
    return "" if done.returncode == 0 else (done.stderr.strip() or f"exit status {done.returncode}")


@dataclass(slots=True)
class Installation:
    """One way of installing: for the system or for one user.

    Attributes
    ----------
    facts
        What the unit text depends on.
    for_user
        A user service instead of the system service.
    with_power_rule
        Also put the udev rule for the processor's energy counters in place.
    is_root
        Whether this process may write to ``root``.
    root, home
        Where the file system and the user's home begin.
    say
        Prints one line for each step.
    run
        Runs a command of the system.
    give
        Gives a file to a user and a group; raises `LookupError` where one of them does not exist.
    undone
        Commands that failed, to be run by hand.
    """

    facts: unit.UnitFacts
    for_user: bool
    with_power_rule: bool
    is_root: bool
    root: Path
    home: Path
    say: Callable[[str], None]
    run: RunCommand = run_command
    give: Callable[[Path, str, str], None] = shutil.chown
    undone: list[Sequence[str]] = field(default_factory=list)

    @property
    def unit_text(self) -> str:
        """The service file."""
        return unit.user_unit(self.facts) if self.for_user else unit.system_unit(self.facts)

    @property
    def unit_path(self) -> Path:
        """Where the service file goes."""
        if self.for_user:
            return self.home / ".config/systemd/user" / unit.UNIT_NAME
        return self.root / "etc/systemd/system" / unit.UNIT_NAME

    @property
    def rule_path(self) -> Path:
        """Where the udev rule goes; see the text of the rule."""
        return self.root / "etc/udev/rules.d" / f"70-{RULE_NAME}"

    def install(self) -> None:
        """Put everything in place and start.

        Raises
        ------
        ServiceError
            It cannot work here, or some steps must be done by hand (they were printed).
        """
        self._check_rights("install")
        if self.for_user:
            self._close_own_settings()
            self._write(self.unit_path, self.unit_text)
            self._do("systemctl", "--user", "daemon-reload")
            self._do("systemctl", "--user", "enable", "--now", unit.UNIT_NAME)
            self.say("note     it stops when you log out, unless you run once: loginctl enable-linger")
            self.say("note     where the processor's power needs a group of its own, it is not recorded")
        else:
            self._check_code_is_readable()
            self._make_user()
            self._write_settings()
            if self.with_power_rule:
                for line in POWER_RULE_NOTE:
                    self.say(f"note     {line}")
                self._write(self.rule_path, (files("heatdrift.daemon") / RULE_NAME).read_text("utf-8"))
                self._do("udevadm", "control", "--reload")
                self._do("udevadm", "trigger", "--subsystem-match=powercap", "--action=add")
            self._write(self.unit_path, self.unit_text)
            self._do("systemctl", "daemon-reload")
            self._do("systemctl", "enable", "--now", unit.UNIT_NAME)
        self._finish("heatdrift is installed; see it with: " + self._status_command())

    def remove(self) -> None:
        """Stop it and take away what `install` put there; the record, the settings and the user stay.

        Raises
        ------
        ServiceError
            It needs root, or some steps must be done by hand (they were printed).
        """
        self._check_rights("remove")
        manager = ("systemctl", "--user") if self.for_user else ("systemctl",)
        if not self.unit_path.exists():
            self.say(f"nothing  {self.unit_path} is not there")
        else:
            self._do(*manager, "disable", "--now", unit.UNIT_NAME)
            self._delete(self.unit_path)
            self._do(*manager, "daemon-reload")
        if not self.for_user and self.rule_path.exists():
            self._delete(self.rule_path)
            self._do("udevadm", "control", "--reload")
            self.say("note     the energy counters close again at the next start of the machine")
        if not self.for_user:
            self.say(f"kept     {unit.STATE_FOLDER}, {unit.SETTINGS_FILE}, the user {unit.SERVICE_USER}")
        self._finish("heatdrift is removed; the record is still there")

    def _check_rights(self, verb: str) -> None:
        command = f"heatdrift service {verb}"
        if self.for_user and self.is_root:
            raise ServiceError("a user service of root would record as root", remedy="run it without sudo")
        if not self.for_user and not self.is_root:
            raise ServiceError(
                f"to {verb} the system service needs root",
                remedy=f'sudo "$(command -v heatdrift)" service {verb}, or without root: {command} --user',
            )
        if not (self.root / "run/systemd/system").is_dir():
            raise ServiceError(
                "this system was not started by systemd",
                remedy="let your own service manager start `heatdrift run` and stop it with SIGTERM",
            )
        if (
            verb == "install"
            and self.for_user
            and (self.root / "etc/systemd/system" / unit.UNIT_NAME).exists()
        ):
            raise ServiceError(
                "the system service is installed already, and two would record everything twice",
                remedy='first sudo "$(command -v heatdrift)" service remove',
            )

    def _check_code_is_readable(self) -> None:
        """The service's user is nobody's friend: it enters only where everyone may."""
        hidden = unit.hidden_code_folders(self.facts.code_folders)
        for folder in self.facts.code_folders:
            # What the unit binds in is reached without passing through the home it lies in.
            top = next((top for top in hidden if folder.is_relative_to(top)), None)
            for passed in (folder, *folder.parents):
                if passed.is_dir() and not passed.stat().st_mode & stat.S_IXOTH:
                    raise ServiceError(
                        f"{passed} leads to heatdrift's code and only its owner may enter it",
                        remedy=f"chmod o+rx {shlex.quote(str(passed))}, or install heatdrift below /opt",
                    )
                if passed == top:
                    break

    def _make_user(self) -> None:
        if not self.run(("id", "-u", unit.SERVICE_USER)):
            self.say(f"present  the user {unit.SERVICE_USER}")
            return
        shell = "/usr/sbin/nologin"
        self._do(
            "useradd", "--system", "--user-group", "--no-create-home", "--shell", shell,
            "--home-dir", str(unit.STATE_FOLDER), unit.SERVICE_USER,
        )  # fmt: skip

    def _write_settings(self) -> None:
        named = self.facts.settings_file or unit.SETTINGS_FILE
        path = self.root / named.relative_to("/")
        if not path.exists():
            self._write(path, example_file(), OWNER_ONLY, self._let_service_read)
            return
        self.say(f"kept     {path}")
        # A file that its owner keeps elsewhere, and perhaps only links to, stays as it is.
        if named == unit.SETTINGS_FILE and not path.is_symlink():
            self._let_service_read(path, path)

    def _let_service_read(self, file: Path, path: Path) -> None:
        """Root writes it, the service's group reads it, nobody else does; ``path`` is where it will lie."""
        try:
            self.give(file, "root", unit.SERVICE_USER)
        except LookupError:  # the user could not be made; that is among the commands to run by hand
            self.undone.append(("chgrp", unit.SERVICE_USER, str(path)))
        file.chmod(SERVICE_READS)

    def _close_own_settings(self) -> None:
        """The settings of a user's own service are for that user alone."""
        path = Path(self.facts.settings_file or self.home / ".config/heatdrift/settings.toml")
        if path.is_file() and path.stat().st_mode & OTHERS:
            path.chmod(OWNER_ONLY)
            self.say(f"closed   {path} to others: it may hold passwords")

    def _write(
        self,
        path: Path,
        text: str,
        mode: int = EVERYONE_READS,
        hand_over: Callable[[Path, Path], None] | None = None,
    ) -> None:
        def write(draft: Path) -> None:
            draft.write_text(text, encoding="utf-8")
            draft.chmod(mode)
            if hand_over is not None:
                # Before it has its name: later, whose folder it is could have put a link there.
                hand_over(draft, path)

        path.parent.mkdir(mode=OPEN_FOLDER, parents=True, exist_ok=True)
        write_whole(path, write)
        self.say(f"wrote    {path}")

    def _delete(self, path: Path) -> None:
        path.unlink()
        self.say(f"removed  {path}")

    def _do(self, *argv: str) -> None:
        trouble = self.run(argv)
        if trouble:
            self.undone.append(argv)
            self.say(f"failed   {shlex.join(argv)}: {trouble}")
        else:
            self.say(f"ran      {shlex.join(argv)}")

    def _status_command(self) -> str:
        return "heatdrift status" if self.for_user else 'sudo "$(command -v heatdrift)" status'

    def _finish(self, message: str) -> None:
        if not self.undone:
            self.say(message)
            return
        self.say("These could not be done here; run them by hand:")
        for argv in self.undone:
            self.say(f"  {shlex.join(argv)}")
        raise ServiceError(f"{len(self.undone)} of the steps failed", remedy="run the commands above by hand")
