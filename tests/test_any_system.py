"""Windows and Mac as far as Linux can tell: calls that they have not, narrow consoles, odd names, a plain install."""

from __future__ import annotations

import ast
import fnmatch
import io
import os
import shutil
import subprocess
import sys
import tomllib
import types
from functools import cache
from pathlib import Path

import pytest

from calib.cli import main
from calib.report import record, whole
from calib.report.record import record_path
from calib.rig.reader import load_rig
from calib.rig.starter import LAYOUTS, starter_text
from capture import workers
from capture.errors import UserError
from tests.moorhen import SAMPLE, moorhen

ROOT = SAMPLE.parents[1]
SOURCES = [p for top in ("calib", "capture") for p in sorted((ROOT / top).rglob("*.py"))]

# Not on Windows (documentation of the standard library, "Availability: Unix" at each).
POSIX_MODULES = {"fcntl", "resource", "pwd", "grp", "termios", "tty", "pty", "syslog", "posix"}
POSIX_NAMES = {
    "os": set("fork forkpty getuid geteuid getgid getegid setsid killpg getpgid setpgrp nice wait waitpid mkfifo mknod "
              "chown fchown fchmod statvfs sysconf uname getloadavg sched_getaffinity sched_setaffinity posix_fadvise "
              "sendfile sync ttyname O_DIRECTORY O_NOFOLLOW WNOHANG".split()),
    "signal": set("SIGKILL SIGHUP SIGUSR1 SIGUSR2 SIGALRM SIGCHLD SIGPIPE SIGSTOP SIGCONT alarm setitimer pthread_kill "
                  "pthread_sigmask sigwait pause".split()),
    "time": {"tzset", "clock_gettime"}, "select": {"poll", "epoll", "kqueue"}}
# Asked for first, and gone without where it is missing.
GUARDED = {("capture/workers.py", "signal.pthread_sigmask"), ("calib/report/record.py", "fcntl"),
           ("calib/phone/bench.py", "os.nice")}


@cache
def nodes() -> list[tuple[str, ast.AST]]:
    """Every import, name of a module's part, call and text in the sources, with its file."""
    kinds = (ast.Import, ast.ImportFrom, ast.Attribute, ast.Call, ast.Constant)
    return [(path.relative_to(ROOT).as_posix(), node) for path in SOURCES
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, kinds)]


def called(node: ast.AST) -> str:
    """Last name of what a call calls."""
    f = node.func if isinstance(node, ast.Call) else None
    return f.attr if isinstance(f, ast.Attribute) else f.id if isinstance(f, ast.Name) else ""


def test_nothing_that_windows_has_not() -> None:
    found = set()
    for where, node in nodes():
        if isinstance(node, ast.Import | ast.ImportFrom):
            of = [a.name for a in node.names] if isinstance(node, ast.Import) else [str(node.module)]
            found |= {(where, m) for m in of if m in POSIX_MODULES}
            if isinstance(node, ast.ImportFrom) and node.module in POSIX_NAMES:
                found |= {(where, f"{node.module}.{a.name}") for a in node.names if a.name in POSIX_NAMES[node.module]}
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            name = node.value.id
            if node.attr in POSIX_NAMES.get(name, ()):
                found.add((where, f"{name}.{node.attr}"))
        text = node.value if isinstance(node, ast.Constant) else None
        if isinstance(text, str) and text.startswith(("/proc", "/tmp", "/dev")):
            found.add((where, text))
    assert found == GUARDED


def test_processes_are_started_afresh_everywhere() -> None:
    """By spawn, the only way on Windows and the usual one on a Mac; a forked child would share half-held locks."""
    contexts = [n for _, n in nodes() if called(n) == "get_context"]
    assert contexts and all(isinstance(a, ast.Constant) and a.value == "spawn" for n in contexts for a in n.args)
    pools = [n for _, n in nodes() if called(n) == "ProcessPoolExecutor"]
    assert pools and all("mp_context" in {k.arg for k in n.keywords} for n in pools)
    assert not [w for w, n in nodes() if called(n) in ("Process", "Pool", "Manager", "set_start_method")]


def test_every_text_file_is_opened_with_its_encoding() -> None:
    """Left out, it is the machine's own: on Windows seldom UTF-8."""
    left_out = []
    for where, node in nodes():
        if called(node) not in ("open", "read_text", "write_text", "fdopen", "TemporaryFile", "NamedTemporaryFile"):
            continue
        given = {k.arg: k.value for k in node.keywords}  # type: ignore[attr-defined]
        modes = [a.value for a in (*node.args[:2], given.get("mode")) if isinstance(a, ast.Constant)]  # type: ignore[attr-defined]
        binary = any(isinstance(m, str) and set(m) <= set("rwxab+") and "b" in m for m in modes)
        of = node.func.value if isinstance(node.func, ast.Attribute) else None  # type: ignore[attr-defined]
        foreign = isinstance(of, ast.Name) and (of.id == "os" or of.id[0].isupper())  # Image.open and the like
        foreign |= called(node) == "TemporaryFile" and not modes
        foreign |= of is None and called(node) != "open"  # a function of our own of that name
        if not binary and not foreign and "encoding" not in given:
            left_out.append((where, node.lineno))  # type: ignore[attr-defined]
    assert not left_out


def test_no_more_processes_than_windows_allows(monkeypatch: pytest.MonkeyPatch) -> None:
    """concurrent.futures: max_workers is 61 at most on Windows (documentation of ProcessPoolExecutor)."""
    asked = []

    class Pool:
        def __init__(self, count: int, **_: object) -> None:
            asked.append(count)
            raise RuntimeError("enough")

    monkeypatch.setattr(workers, "ProcessPoolExecutor", Pool)
    with pytest.raises(RuntimeError, match="enough"):
        list(workers.Readers(128).each(str, [Path(str(k)) for k in range(200)]))
    assert asked == [1] and workers.Readers(128).count == workers.MOST == 61


def test_signals_that_cannot_be_masked_are_left(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr("signal.pthread_sigmask")
    from capture.workers import deaf_to_interrupts

    ran = False
    with deaf_to_interrupts():
        ran = True
    assert ran


def test_record_is_locked_as_windows_locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[tuple[str, int, int]] = []

    def locking(fd: int, mode: str, size: int) -> None:
        done.append((mode, os.lseek(fd, 0, os.SEEK_CUR), size))

    fake = types.SimpleNamespace(locking=locking, LK_LOCK="lock", LK_UNLCK="unlock")
    monkeypatch.setitem(sys.modules, "fcntl", None)
    monkeypatch.setitem(sys.modules, "msvcrt", fake)
    path = tmp_path / "record.csv"
    with path.open("a+b", buffering=0) as f, record._alone(f):
        record._grow(f, "a,b\r\n", path)
    assert done == [("lock", record.LOCKED_BYTE, 1), ("unlock", record.LOCKED_BYTE, 1)]
    assert path.read_bytes().endswith(b"\r\na,b\r\n") and path.stat().st_size < 1000


def test_a_fresh_folder_that_a_scanner_holds_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tries = []
    real = Path.rename

    def held(self: Path, to: Path) -> Path:
        tries.append(to)
        if len(tries) < 3:
            raise PermissionError(13, "in use by another program")
        return real(self, to)

    monkeypatch.setattr(Path, "rename", held)
    with whole.appearing(tmp_path / "out") as made:
        (made.here / "a.txt").write_text("whole", encoding="utf-8")
    assert len(tries) == 3 and (tmp_path / "out" / "a.txt").exists()
    monkeypatch.setattr(whole, "PATIENCE", 0.15)
    monkeypatch.setattr(Path, "rename", lambda *_: (_ for _ in ()).throw(PermissionError(13, "in use")))
    with pytest.raises(UserError, match="Cannot write the results"), whole.appearing(tmp_path / "more"):
        pass
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


# --- rig files and names ----------------------------------------------------------------------------------------


def test_line_ends_and_byte_order_mark_of_other_editors(tmp_path: Path) -> None:
    text = SAMPLE.read_text(encoding="utf-8")
    for name, data in {"crlf": text.replace("\n", "\r\n").encode(), "bom": text.encode("utf-8-sig"),
                       "both": text.replace("\n", "\r\n").encode("utf-8-sig")}.items():
        path = tmp_path / f"{name}.toml"
        path.write_bytes(data)
        assert load_rig(path) == moorhen()
    broken = tmp_path / "broken.toml"
    broken.write_bytes(text.replace("wheelbase = 1240", "wheelbase = 12").replace("\n", "\r\n").encode("utf-8-sig"))
    line = text.splitlines().index("wheelbase = 1240") + 1
    with pytest.raises(UserError, match=f"line {line}: vehicle.wheelbase"):
        load_rig(broken)


@pytest.mark.parametrize("encoding", ["cp1252", "utf-16"])
def test_a_rig_file_in_another_encoding_is_said_to_be_so(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(starter_text("M\N{LATIN SMALL LETTER O WITH DIAERESIS}we").encode(encoding, errors="replace"))
    with pytest.raises(UserError, match="rig.toml.*save it again .* as UTF-8"):
        load_rig(path)


def test_names_made_from_the_users_words_are_good_on_windows() -> None:
    for words in ('a:b*? "c" <d>|e', "CON", "ends with a dot.", "../up", "\N{SNOWMAN}"):
        name = record_path(Path("."), words).parent.name
        assert name.startswith("record-") and not set(name) & set('<>:"/\\|?*') and not name.endswith(".")


class Console:
    """Standard output and error as a console of some encoding has them."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, encoding: str) -> None:
        self.out, self.err = io.BytesIO(), io.BytesIO()
        monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(self.out, encoding=encoding, write_through=True))
        monkeypatch.setattr(sys, "stderr", io.TextIOWrapper(self.err, encoding=encoding, errors="backslashreplace",
                                                            write_through=True))


ODD = "F\N{LATIN SMALL LETTER A WITH DIAERESIS}hre \N{SNOWMAN} \N{CJK UNIFIED IDEOGRAPH-96EA}"


@pytest.mark.parametrize("encoding", ["cp1252", "ascii", "cp437"])
def test_narrow_consoles_show_what_they_can(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, encoding: str) -> None:
    folder = tmp_path / ODD
    folder.mkdir()
    path = folder / f"{ODD}.toml"
    path.write_text(SAMPLE.read_text(encoding="utf-8").replace("Moorhen", ODD), encoding="utf-8")
    monkeypatch.setattr("calib.rig.drawing.draw_rig", lambda _, to: to.write_text("<svg/>\n", encoding="utf-8"))
    for words, code, there in ((["check", str(path)], 0, "reads well"), (["run", "--help"], 0, "--workers"),
                               (["check", str(folder / f"no {ODD}.toml")], 2, "no such file"),
                               (["plan", str(folder)], 2, "cannot be read"),
                               (["run", str(path), str(folder / "none")], 2, "none")):
        c = Console(monkeypatch, encoding)
        assert main(words) == code, words
        said = (c.out.getvalue() + c.err.getvalue()).decode(encoding)
        assert there in said and "Traceback" not in said and "mistake in the program" not in said
    assert (folder / f"{ODD}_check.svg").is_file()


def test_a_console_without_any_locale() -> None:
    """LC_ALL=C with everything off that Python does about it: a missing file of an odd name is still one sentence."""
    env = {"PATH": os.environ["PATH"], "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    done = subprocess.run([sys.executable, "-m", "calib.cli", "check", f"{ODD}.toml"], cwd=ROOT, env=env,
                          capture_output=True)
    assert done.returncode == 2 and done.stdout == b""
    assert done.stderr.isascii() and b"no such file" in done.stderr and done.stderr.count(b"\n") == 1


# --- a plain install --------------------------------------------------------------------------------------------


def test_every_file_that_is_read_at_run_time_is_packed() -> None:
    """The endings that pyproject.toml names hold for every file beside the modules."""
    told = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    kinds = told["package-data"]["*"]
    beside = [p for top in ("calib", "capture") for p in (ROOT / top).rglob("*")
              if p.is_file() and p.suffix not in (".py", ".pyc")]
    assert beside and not [p for p in beside if not any(fnmatch.fnmatch(p.name, k) for k in kinds)]
    assert told["packages"]["find"]["include"] == ["calib*", "capture*"]


@pytest.mark.slow
def test_a_built_wheel_runs_from_elsewhere(tmp_path: Path) -> None:
    """Built, unpacked into an empty folder and run from another, without the sources at hand."""
    source = tmp_path / "source"
    for name in ("calib", "capture"):
        shutil.copytree(ROOT / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, source)
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet"]
    built = subprocess.run([*pip, "wheel", "--no-deps", "-w", str(tmp_path), str(source)], capture_output=True,
                           text=True)
    if built.returncode:
        pytest.skip(f"no wheel can be built here: {built.stderr.strip()[-300:]}")
    shutil.rmtree(source)
    (wheel,) = tmp_path.glob("*.whl")
    there = tmp_path / "site"
    subprocess.run([*pip, "install", "--no-deps", "--no-index", "--target", str(there), str(wheel)], check=True)

    def rigtrue(*args: str) -> str:
        done = subprocess.run([sys.executable, "-m", "calib.cli", *args], cwd=tmp_path, capture_output=True, text=True,
                              env={**os.environ, "PYTHONPATH": str(there)}, encoding="utf-8")
        assert done.returncode == 0, done.stderr
        return done.stdout

    for name in LAYOUTS:
        rigtrue("new", f"{name}.toml", "--layout", name)
    rigtrue("new", "long.toml")
    assert "reads well" in rigtrue("check", "crank.toml")
    rigtrue("print", "crank.toml", "--out", "sheets")
    rigtrue("run", str(SAMPLE), str(SAMPLE.parent / "before"), "--out", "out")
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "<style>" in page and "Moorhen" in page and (tmp_path / "sheets" / "board.pdf").is_file()
