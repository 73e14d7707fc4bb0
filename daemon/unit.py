"""The texts that hand the recorder to the service manager; pure functions, nothing is written here.

The system unit takes away everything that a program which only reads has no use for. What it must keep is
said beside the line, because each of these was once taken away by somebody who then had no readings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePath, PurePosixPath

UNIT_NAME = "heatdrift.service"
SERVICE_USER = "heatdrift"
STATE_FOLDER = PurePosixPath("/var/lib/heatdrift")
DATABASE_NAME = "record.sqlite"
SETTINGS_FILE = PurePosixPath("/etc/heatdrift/settings.toml")
HIDDEN_FOLDERS = ("/home", "/root", "/run/user")  # what ProtectHome= covers
# The recorder needs some 60 MB; the nightly child packs a day with a table library and needs some 300 MB.
MEMORY_LIMIT_MB = 1024


@dataclass(frozen=True, slots=True)
class UnitFacts:
    """What a unit text depends on.

    Attributes
    ----------
    python
        The interpreter that has heatdrift installed, absolute.
    code_folders
        Folders the interpreter reads its code from: environment, base installation, source tree.
    needs_network
        The database is a server, or messages are sent: address families and addresses must stay open.
    database
        Given to the recorder as an option; empty leaves it to the settings.
    settings_file
        Where the settings are; None leaves it to the usual place.
    record_folder
        Folder of the database where that is not the service's own state folder.
    """

    python: Path
    code_folders: tuple[Path, ...] = ()
    needs_network: bool = False
    database: str = ""
    settings_file: PurePath | None = SETTINGS_FILE
    record_folder: PurePath | None = None

    @property
    def command_line(self) -> str:
        """What the service manager starts."""
        option = f" --database {quoted(self.database)}" if self.database else ""
        return f"{quoted(self.python)} -m heatdrift run{option}"


def hidden_code_folders(folders: Sequence[Path]) -> tuple[Path, ...]:
    """Those of the folders that lie where the service cannot look, outermost only.

    Parameters
    ----------
    folders
        Absolute folders that code is read from.
    """
    hidden = {folder for folder in folders if any(folder.is_relative_to(top) for top in HIDDEN_FOLDERS)}
    return tuple(sorted(f for f in hidden if not any(f != g and f.is_relative_to(g) for g in hidden)))


def quoted(text: str | PurePath) -> str:
    """Write an argument of a unit file so that it stays one argument and is never expanded."""
    escaped = str(text).replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{escaped}"' if any(c in escaped for c in " \t\"'\\;") else escaped


def system_unit(facts: UnitFacts) -> str:
    """The system service: own user, everything read-only except its state folder.

    Parameters
    ----------
    facts
        Interpreter, code folders, and whether the database is reached over the network.
    """
    network = ("Wants=network-online.target", "After=network-online.target") if facts.needs_network else ()
    head = (
        "[Unit]",
        "Description=heatdrift, the record of how well this computer is cooled",
        "# Rows are dated: wait for a clock that has been set.",
        "Wants=time-sync.target",
        "After=time-sync.target systemd-modules-load.service nvidia-persistenced.service",
        *network,
        *_start_limit(),
    )
    identity = (
        f"User={SERVICE_USER}",
        f"StateDirectory={STATE_FOLDER.name}",
        "StateDirectoryMode=0700",
        f"ConfigurationDirectory={SETTINGS_FILE.parent.name}",
    )
    resources = (*_resources(), "TasksMax=64", "IOWeight=20")
    parts = (
        head,
        ("[Service]", *_life(facts), *identity),
        resources,
        _view_of_the_system(facts),
        _devices(),
        _rights(facts),
        ("[Install]", "WantedBy=multi-user.target"),
    )
    return _text(parts)


def user_unit(facts: UnitFacts) -> str:
    """The fallback without root: records while its owner's service manager runs, with fewer walls.

    Parameters
    ----------
    facts
        Interpreter, code folders, and whether the database is reached over the network.
    """
    head = (
        "[Unit]",
        "Description=heatdrift, the record of how well this computer is cooled (this user only)",
        "# What it cannot do: read the processor's power where that needs a group of its own, and run",
        "# while nobody is logged in, unless `loginctl enable-linger` was given once.",
        *_start_limit(),
    )
    walls = (
        "# Of the walls of the system service only these stand without root.",
        "NoNewPrivileges=yes",
        *_families(facts),
        *_CALLS,
    )
    install = ("[Install]", "WantedBy=default.target")
    return _text((head, ("[Service]", *_life(facts)), _resources(), walls, install))


def _text(parts: Sequence[Sequence[str]]) -> str:
    return "\n\n".join("\n".join(part) for part in parts) + "\n"


def _start_limit() -> tuple[str, ...]:
    return (
        "# A machine without sensors or with a wrong setting is tried five times, then left alone.",
        "StartLimitIntervalSec=10min",
        "StartLimitBurst=5",
    )


def _life(facts: UnitFacts) -> tuple[str, ...]:
    return (
        "Type=notify",
        "NotifyAccess=main",
        f"ExecStart={facts.command_line}",
        *_environment(facts),
        "UMask=0077",
        "Restart=on-failure",
        "RestartSec=30",
        "# Before the first look it may have to wait for a clock, a lock or newer tables.",
        "TimeoutStartSec=1h",
        "# Pinged after each look. Minutes, because some kernels let the clock run on in suspend.",
        "WatchdogSec=5min",
        "# On stop only the recorder is told; it flushes within 5 s and ends its children itself.",
        "KillMode=mixed",
        "TimeoutStopSec=20",
    )


def _environment(facts: UnitFacts) -> tuple[str, ...]:
    if facts.settings_file is None:
        return ()
    return (f"Environment={quoted(f'HEATDRIFT_SETTINGS={facts.settings_file}')}",)


def _resources() -> tuple[str, ...]:
    return (
        "# An image of its memory would hold the addresses and passwords of the settings.",
        "LimitCORE=0",
        "# The nightly child counts too; should it ever take too much, it ends and the recorder stays.",
        f"MemoryMax={MEMORY_LIMIT_MB}M",
        "OOMPolicy=continue",
    )


def _view_of_the_system(facts: UnitFacts) -> tuple[str, ...]:
    hidden = hidden_code_folders(facts.code_folders)
    home = (
        (
            "# heatdrift is installed in a home folder: of all homes only its code is shown, read-only.",
            "ProtectHome=tmpfs",
            *(f"BindReadOnlyPaths={quoted(folder)}" for folder in hidden),
        )
        if hidden
        else ("ProtectHome=yes",)
    )
    record = (
        (
            f"# The record lies here; the folder must belong to the user {SERVICE_USER}.",
            f"ReadWritePaths={quoted(facts.record_folder)}",
        )
        if facts.record_folder
        else ()
    )
    return (
        "ProtectSystem=strict",
        *record,
        *home,
        "PrivateTmp=yes",
        "PrivateMounts=yes",
        "# Makes /sys and /proc/sys read-only; reading sensors needs no more.",
        "ProtectKernelTunables=yes",
        "ProtectKernelModules=yes",
        "ProtectKernelLogs=yes",
        "ProtectControlGroups=yes",
        "ProtectClock=yes",
        "ProtectHostname=yes",
        "# Other people's processes are hidden. ProcSubset=pid stays off: it would hide /proc/stat and",
        "# /proc/driver, where load and graphics driver are read.",
        "ProtectProc=invisible",
    )


def _devices() -> tuple[str, ...]:
    return (
        "# PrivateDevices= stays off: it would hide /dev/nvidia*. The names are those of /proc/devices.",
        "DevicePolicy=closed",
        "DeviceAllow=char-nvidia* rw",
    )


def _rights(facts: UnitFacts) -> tuple[str, ...]:
    network = () if facts.needs_network else ("PrivateNetwork=yes", "IPAddressDeny=any")
    return (
        "NoNewPrivileges=yes",
        "CapabilityBoundingSet=",
        "AmbientCapabilities=",
        *_families(facts),
        *network,
        "# Nothing here listens, and nothing may begin to.",
        "SocketBindDeny=any",
        "RemoveIPC=yes",
        "KeyringMode=private",
        *_CALLS,
    )


def _families(facts: UnitFacts) -> tuple[str, ...]:
    if facts.needs_network:
        return ("RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6",)
    return (
        "# AF_UNIX is how the service manager is told that all is well.",
        "RestrictAddressFamilies=AF_UNIX",
    )


# These filter system calls, so that they stand without root as well.
_CALLS = (
    "RestrictNamespaces=yes",
    "RestrictRealtime=yes",
    "RestrictSUIDSGID=yes",
    "LockPersonality=yes",
    "SystemCallArchitectures=native",
    "# @resources stays in: the nightly child lowers its own priority with it.",
    "SystemCallFilter=@system-service",
    "SystemCallFilter=~@privileged",
    "# A refused call fails like a missing right instead of ending the recorder.",
    "SystemCallErrorNumber=EPERM",
)
