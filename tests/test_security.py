"""What DEVELOPERS.md says of security, held against the code.

Real commands are held against it in `test_secrets.py` and `test_permissions.py`, the unit of the service in
`daemon/test_unit.py`, the channels in `daemon/test_messages_channels.py`.
"""

from __future__ import annotations

import ast
import functools
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("store", "daemon", "reports", "fake_sensors", "cli")
# What runs beside real sensors; `fake_sensors` writes a tree of its own making and stays out of it.
REAL_ROOMS = ("store", "daemon", "reports", "cli")


@functools.cache
def modules(room: str) -> dict[str, ast.Module]:
    """Every module of a room, parsed, by its name."""
    return {
        str(path.relative_to(ROOT)): ast.parse(path.read_text(encoding="utf-8"))
        for path in sorted((ROOT / room).rglob("*.py"))
    }


def calls(tree: ast.AST) -> Iterator[tuple[str, ast.Call]]:
    """Every call with the dotted name of what is called."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            yield ast.unparse(node.func), node


def last_words(tree: ast.AST) -> set[str]:
    return {name.rpartition(".")[2] for name, _call in calls(tree)}


def imported(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and not node.level and node.module:
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


RUNS_A_SHELL = re.compile(r"os\.(system|popen|spawn\w*|exec\w*)|subprocess\.get(status)?output|pty\.\w+")
STARTS = re.compile(r"subprocess\.(run|Popen|call|check_call|check_output)|\w*create_subprocess_\w+")
MAKES_CODE = re.compile(
    r"eval|exec|compile|__import__|\w*\.?(read_pickle|to_pickle|set_trace|mktemp)|pd\.eval"
)
UNSAFE = re.compile(r"(_?pickle|cPickle|dill|marshal|shelve|yaml|xmlrpc|telnetlib|ftplib|code|codeop)(\.|$)")


def shells(tree: ast.AST) -> list[str]:
    """Calls that hand a text to a shell, or could."""
    found = []
    for name, call in calls(tree):
        shell = [k.value for k in call.keywords if k.arg == "shell"]
        is_off = all(isinstance(value, ast.Constant) and value.value is False for value in shell)
        # One text would be cut at its blanks, or be handed to a shell; a list never is.
        is_text = bool(call.args) and isinstance(call.args[0], ast.Constant | ast.JoinedStr)
        if RUNS_A_SHELL.fullmatch(name) or not is_off or (STARTS.fullmatch(name) and is_text):
            found.append(name)
    return found


def code_makers(tree: ast.AST) -> list[str]:
    """What could run what it reads, and what names a temporary file before it is made."""
    found = [name for name in imported(tree) if UNSAFE.match(name)]
    for name, call in calls(tree):
        # pandas evaluates these as expressions: they may hold only what stands in the code.
        is_built = name.endswith((".query", ".eval")) and not isinstance(call.args[0], ast.Constant)
        if MAKES_CODE.fullmatch(name) or is_built or "allow_pickle" in {k.arg for k in call.keywords}:
            found.append(name)
    return found


@pytest.mark.parametrize("room", ROOMS)
def test_no_command_goes_through_a_shell_and_no_data_becomes_code(room: str) -> None:
    for name, tree in modules(room).items():
        assert not shells(tree), name
        assert not code_makers(tree), name


@pytest.mark.parametrize(
    "line",
    [
        *("os.system('ls')", "os.popen(x)", "subprocess.run('ls -l')", "subprocess.run(f'ls {x}')"),
        *("subprocess.Popen(words, shell=True)", "subprocess.run(words, shell=is_shell)", "os.execvp(a, b)"),
        *(
            "eval(x)",
            "exec(x)",
            "import pickle",
            "from marshal import loads",
            "np.load(p, allow_pickle=True)",
        ),
        *("frame.query(text)", "tempfile.mktemp()", "import yaml", "pd.read_pickle(p)"),
    ],
)
def test_the_search_for_shells_and_makers_of_code_finds_them(line: str) -> None:
    tree = ast.parse(line)
    assert shells(tree) or code_makers(tree)


WRITE_FLAGS = {"O_WRONLY", "O_RDWR", "O_CREAT", "O_APPEND", "O_TRUNC"}
WRITERS = {"write_text", "write_bytes", "write_whole", "touch", "truncate", "pwrite", "ftruncate", "sendfile"}
MACHINE = re.compile(r"^/(sys|proc|dev)(/|$)")
MACHINE_WORDS = {"sys_root", "proc_root", "SYS_ROOT", "PROC_ROOT"}


def names_the_machine(tree: ast.AST) -> bool:
    """Whether a module knows the way to sensors: a path of the kernel, or where those begin."""
    for node in ast.walk(tree):
        word = getattr(node, "id", None) or getattr(node, "arg", None) or getattr(node, "attr", None)
        value = node.value if isinstance(node, ast.Constant) else None
        if word in MACHINE_WORDS or (isinstance(value, str) and MACHINE.match(value)):
            return True
    return False


def writes(tree: ast.AST) -> list[str]:
    """Everything in a module that could change a file, by what it is called."""
    found = [
        node.attr
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and node.attr in WRITE_FLAGS | WRITERS
    ]
    for name, call in calls(tree):
        if name == "open" or (name.endswith(".open") and name != "os.open"):
            place = 1 if name == "open" else 0
            modes = [*call.args[place : place + 1], *(k.value for k in call.keywords if k.arg == "mode")]
            texts = [mode.value for mode in modes if isinstance(mode, ast.Constant)]
            found += [text for text in texts if isinstance(text, str) and set(text[:3]) & set("wax+")]
    return found


@pytest.mark.parametrize("room", REAL_ROOMS)
def test_who_knows_the_way_to_sensors_cannot_write(room: str) -> None:
    """No module names `/sys`, `/proc` or `/dev` and writes anything: not even a text of its own."""
    for name, tree in modules(room).items():
        assert not names_the_machine(tree) or not writes(tree), name


def test_the_search_for_writers_finds_them() -> None:
    for line in ("open('x', 'w')", "Path('x').open('a')", "os.open(p, os.O_RDWR)", "p.write_text('1')"):
        assert writes(ast.parse(line)), line
    assert not writes(ast.parse("open('x', 'rb'); os.open(p, os.O_RDONLY); Path('x').open()"))
    assert names_the_machine(ast.parse("p = Path('/sys/class/hwmon')"))
    assert sum(names_the_machine(tree) for room in REAL_ROOMS for tree in modules(room).values()) > 5


# All of the graphics driver that may be named: what begins otherwise sets, clears, resets or registers.
NVML_READERS = re.compile(r"nvml(Init|Shutdown|ErrorString|SystemGet|DeviceGet|ClocksEventReasons|Return)\w*")
# Programs, files and calls that set a fan, a clock or a limit.
SETTERS = re.compile(
    r"nvidia-(smi|settings)|cpupower|cpufreq-set|x86_energy|wrmsr|rdmsr|/dev/cpu|scaling_(max|min|set)|"
    r"pwm\d?_enable|constraint_\d|set_?(fan|clock|power|limit|speed)\w*\(|fancontrol"
)
SETTING_CALLS = {"ioctl", "cpu_affinity", "rlimit", "ionice", "sched_setscheduler", "iopl", "ioperm"}


def test_only_what_reads_of_the_graphics_driver_is_named() -> None:
    named = [
        (name, word)
        for room in ROOMS
        for name in modules(room)
        for word in re.findall(r"\bnvml[A-Z]\w*", (ROOT / name).read_text(encoding="utf-8"))
    ]
    assert len(named) > 30
    assert not [(name, word) for name, word in named if not NVML_READERS.fullmatch(word)]


@pytest.mark.parametrize("room", REAL_ROOMS)
def test_nothing_sets_a_fan_a_clock_or_a_limit(room: str) -> None:
    for name, tree in modules(room).items():
        assert not SETTERS.findall(ast.unparse(tree)), name  # without the comments, which may speak of it
        assert not last_words(tree) & SETTING_CALLS, name


LISTENERS = {
    "listen",
    "bind",
    "create_server",
    "start_server",
    "serve_forever",
    "accept",
    "start_unix_server",
}
SERVERS = re.compile(
    r"socketserver|http\.server|xmlrpc|wsgiref|aiohttp|flask|uvicorn|multiprocessing\.managers"
)


@pytest.mark.parametrize("room", ROOMS)
def test_no_code_listens(room: str) -> None:
    for name, tree in modules(room).items():
        assert not [module for module in imported(tree) if SERVERS.match(module)], name
        named = {call for call, _node in calls(tree)} - {"event.listen"}  # SQLAlchemy's, which opens nothing
        assert not {call.rpartition(".")[2] for call in named} & LISTENERS, name


def requirements() -> dict[str, str]:
    """Every requirement of ours, for running and for testing, by name."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lines = [
        *project["dependencies"],
        *(line for one in project["optional-dependencies"].values() for line in one),
    ]
    found = {}
    for line in lines:
        name = re.match(r"[A-Za-z0-9._-]+", line)
        assert name is not None
        found[name[0]] = line[len(name[0]) :].partition(";")[0]
    return found


# Time zones, and descriptions of types for the checker: their numbers are dates, and the newest is right.
DATED = {"tzdata", "pandas-stubs", "scipy-stubs", "types-psutil"}


def test_every_dependency_has_a_lowest_and_a_highest_version() -> None:
    """A new main version is taken in by us, after the tests have seen it, not by whoever installs next."""
    found = requirements()
    assert len(found) > 20
    for name, ranges in found.items():
        assert ">=" in ranges, name
        assert "<" in ranges or name in DATED, name
