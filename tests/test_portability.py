"""What can be read of running elsewhere: no POSIX-only calls, clocks that don't jump, UTF-8."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from matcher.runs.layout import safe_name

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).resolve().parent.parent
SOURCES = [path for name in ("shared", "voice", "matcher") for path in (ROOT / name).rglob("*.py")]


def _words(text: str) -> frozenset[str]:
    """Take words out of a text."""
    return frozenset(text.split())


# Without "Windows" in the availability note of the library reference of Python 3.11.
POSIX_MODULES = _words("""
    crypt curses fcntl grp nis ossaudiodev posix pty pwd readline resource spwd syslog termios tty
    """)
POSIX_NAMES = {
    "os": _words("""
        O_CLOEXEC O_DIRECTORY O_NOCTTY O_NOFOLLOW O_NONBLOCK O_PATH O_SYNC O_TMPFILE WEXITSTATUS
        WIFSIGNALED WNOHANG WTERMSIG chown chroot ctermid fchdir fchmod fchown fork forkpty
        getegid geteuid getgid getgroups getloadavg getpgid getpgrp getpriority getsid getuid
        killpg lchown lockf mkfifo mknod nice openpty pipe2 posix_fadvise posix_fallocate
        posix_spawn pread pwrite readv register_at_fork sched_getaffinity sched_setaffinity
        sched_yield sendfile setegid seteuid setgid setpgid setpriority setsid setuid statvfs
        sync sysconf tcgetpgrp ttyname uname wait wait3 wait4 waitid waitpid writev
        """),
    "signal": _words("""
        SIGALRM SIGCHLD SIGCONT SIGHUP SIGKILL SIGPIPE SIGQUIT SIGSTOP SIGTSTP SIGUSR1 SIGUSR2
        SIGWINCH SIGXFSZ alarm getitimer pause pthread_kill pthread_sigmask setitimer
        siginterrupt sigpending sigtimedwait sigwait sigwaitinfo
        """),
    "socket": frozenset({"AF_UNIX", "SO_REUSEPORT"}),
    "time": frozenset({"clock_gettime", "tzset"}),
}
# Stamps that say when something was made; nothing is ever reckoned with them.
STAMPS = {
    "matcher/explaining/explain.py",
    "matcher/runs/exporting.py",
    "matcher/page/jobs.py",
    "matcher/runs/document.py",
    "matcher/runs/searches.py",
    "matcher/runs/versions.py",
}


def _is_guard(test: ast.expr) -> bool:
    """Say whether a condition asks what the system has."""
    text = ast.unparse(test)
    asks = ("hasattr(os", "hasattr(signal", "sys.platform", "os.name", "fcntl is")
    return any(word in text for word in asks)


def _expects_absence(node: ast.Try) -> bool:
    """Say whether a block is ready for a module or name that is missing."""
    caught = " ".join(ast.unparse(each.type) for each in node.handlers if each.type)
    return "ImportError" in caught or "AttributeError" in caught


def _unguarded(tree: ast.AST) -> Iterator[ast.AST]:
    """Go through all that isn't behind a guard; both sides of a guard count as guarded."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, (ast.If, ast.IfExp)) and _is_guard(node.test):
            continue
        if isinstance(node, ast.Try) and _expects_absence(node):
            continue
        yield node
        yield from _unguarded(node)


def posix_only(source: str) -> list[str]:
    """Find modules and names that Windows doesn't have, outside of guards."""
    found = []
    for node in _unguarded(ast.parse(source)):
        if isinstance(node, ast.Import):
            found += [name.name for name in node.names if name.name in POSIX_MODULES]
        elif isinstance(node, ast.ImportFrom):
            if node.module in POSIX_MODULES:
                found.append(str(node.module))
            names = POSIX_NAMES.get(node.module or "", frozenset())
            found += [f"{node.module}.{name.name}" for name in node.names if name.name in names]
        elif isinstance(node, ast.Attribute):
            module = ast.unparse(node.value)
            found += [f"{module}.{node.attr}"] if node.attr in POSIX_NAMES.get(module, ()) else []
    return found


def jumping_clocks(source: str) -> list[str]:
    """Find clocks that the user, the network or daylight saving sets."""
    calls = {"time.time", "time.time_ns", "datetime.now", "datetime.utcnow", "datetime.today"}
    tree = ast.parse(source)
    found = [ast.unparse(node.func) for node in ast.walk(tree) if isinstance(node, ast.Call)]
    return [name for name in found if name in calls]


def without_encoding(source: str) -> list[str]:
    """Find text that is read or written in whatever encoding the system prefers."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and isinstance(node.func, (ast.Attribute, ast.Name)):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else node.func.id
            has_encoding = any(word.arg == "encoding" for word in node.keywords)
            # Templates and packaged resources have `open` and `read_text` of their own, alike.
            if name in {"read_text", "write_text"} and not has_encoding:
                found.append(ast.unparse(node))
            is_file = ast.unparse(node.func) not in {"os.open", "webbrowser.open"}
            if name == "open" and is_file and not has_encoding:
                modes = [ast.unparse(each) for each in node.args]
                if not any("b" in mode for mode in modes):
                    found.append(ast.unparse(node))
    return found


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ("import os\nos.fork()", ["os.fork"]),
        ("import fcntl", ["fcntl"]),
        ("from signal import SIGKILL", ["signal.SIGKILL"]),
        ("if hasattr(os, 'nice'):\n    os.nice(10)", []),
        ("try:\n    import fcntl\nexcept ImportError:\n    fcntl = None", []),
        ("try:\n    import fcntl\nexcept OSError:\n    pass", ["fcntl"]),
        ("def f():\n    return os.getuid()", ["os.getuid"]),
    ],
)
def test_posix_only_calls_are_found(source: str, found: list[str]) -> None:
    """The check below can fail."""
    assert posix_only(source) == found


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_the_sources_run_anywhere(path: Path) -> None:
    """No POSIX-only call without a guard, no clock that jumps, no encoding left to the system."""
    source = path.read_text(encoding="utf-8")
    assert posix_only(source) == []
    assert without_encoding(source) == []
    if path.relative_to(ROOT).as_posix() not in STAMPS:
        assert jumping_clocks(source) == []


def test_the_stamps_are_still_there() -> None:
    """The list of exceptions names no file in vain."""
    for name in STAMPS:
        assert jumping_clocks((ROOT / name).read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    "text", ["a:b", "con", "NUL.txt", "aux", 'what?*<>|"', "end. ", "back\\slash", "nul"]
)
def test_file_names_suit_windows(text: str) -> None:
    """Microsoft, "Naming Files, Paths, and Namespaces": no reserved sign, name or end."""
    name = safe_name(text, default="run")
    assert not set(name) & set('<>:"/\\|?*')
    assert name.rstrip(". ") == name
    devices = {
        "con",
        "prn",
        "aux",
        "nul",
        *(f"{d}{n}" for d in ("com", "lpt") for n in "123456789"),
    }
    assert name.partition(".")[0].lower() not in devices
