"""The command line: one command for each step of the job. Mistakes end as one sentence and exit code 2."""

from __future__ import annotations

import argparse
import io
import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence

import calib.onethread  # noqa: F401  before numpy is loaded
from calib import commands
from capture.errors import UserError
from capture.targets import PAPERS_MM


def parser() -> argparse.ArgumentParser:
    """The argument parser."""
    p = argparse.ArgumentParser(
        prog="rigtrue", description="Photos of a hand-built steering linkage in; what to adjust, and by how much, out.")
    p.add_argument("--version", action=_Version, nargs=0, help="show the version and end")
    sub = p.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def command(name: str, run: Callable[[argparse.Namespace], int]) -> argparse.ArgumentParser:
        text = (run.__doc__ or "").strip()
        c = sub.add_parser(name, help=text[0].lower() + text[1:].rstrip("."), description=text)
        c.set_defaults(run=run)
        return c

    def shoot(c: argparse.ArgumentParser) -> None:
        c.add_argument("--workers", type=_count, default=None, help="photos read side by side (default: all cores)")
        once(c)

    def once(c: argparse.ArgumentParser) -> None:
        c.add_argument("--no-cache", action="store_true",
                       help="read every photo anew, and keep nothing of it for the next time")

    c = command("new", commands.cmd_new)
    c.add_argument("rig", nargs="?", help="the rig file to write, such as rig.toml; left out: asks, for rig.toml")
    c.add_argument("--ask", action="store_true", help="ask for everything in the terminal; stop and go on later")
    c.add_argument("--worksheet", metavar="PDF", help="print the questions of a --layout instead, to fill in by hand")
    c.add_argument("--paper", choices=sorted(PAPERS_MM), default="A4", help="of the worksheet (default: A4)")
    c.add_argument("--layout", help="a usual layout, the left side in short, instead of every key explained: "
                                    "direct, crank, bar or leaning")
    c.add_argument("--no-drawing", action="store_true", help="for rigtrue survey: what joins what and the tags, no "
                                                             "places (default layout: direct)")
    c = command("check", commands.cmd_check)
    c.add_argument("rig")
    c.add_argument("--picture", help="where to draw it, .svg or .png (default: beside the rig file)")
    c.add_argument("--curves", help="also draw ratio, Ackermann, toe and the like over the travel, .svg or .png")
    c = command("print", commands.cmd_print)
    c.add_argument("rig")
    c.add_argument("--paper", choices=sorted(PAPERS_MM), help="default: what the rig file says")
    c.add_argument("--out", default="print", help="folder for the sheets (default: print)")
    c = command("plan", commands.cmd_plan)
    c.add_argument("rig")
    c.add_argument("--picture", help="where to draw the map of the shoot, .svg or .png (default: beside the rig file)")
    c.add_argument("--card", metavar="PDF", help="also write a card to print, to tick photo by photo while shooting")
    c = command("shoot", commands.cmd_shoot)
    c.add_argument("rig")
    c.add_argument("photos", help="folder for the photos; a shoot that was begun there goes on")
    c.add_argument("--each", type=_count, default=4, help="photos at each lever position, 2 to 6 (default: 4)")
    c.add_argument("--address", help="this machine's address to serve the page at (default: that of the local network)")
    c.add_argument("--port", type=_port, help="port to serve it at (default: 8317 or the next free one)")
    once(c)
    c = command("watch", commands.cmd_watch)
    c.add_argument("rig")
    c.add_argument("photos", help="folder that the phone syncs to, with a folder for each lever position; only read")
    c.add_argument("--each", type=_count, default=4, help="photos at each lever position, 2 to 6 (default: 4)")
    c.add_argument("--at", metavar="POSITION", help="all photos come into one folder: those that come from now on "
                   "belong to this position, until another is typed; they are entered in a list")
    c.add_argument("--list", metavar="CSV", help="that list, for rigtrue run; one that is there goes on (default: "
                   "named after the folder, beside it)")
    once(c)
    c = command("survey", commands.cmd_survey)
    c.add_argument("rig", help="rig file in which places may be rough or left out")
    c.add_argument("photos")
    c.add_argument("--out", default="as_built.toml", help="the drawing to write (default: as_built.toml)")
    shoot(c)
    c = command("observe", commands.cmd_observe)
    c.add_argument("rig")
    c.add_argument("photos", help="folder with one folder of photos for each lever position, or a CSV list")
    c.add_argument("--out", default="observations.csv")
    shoot(c)
    c = command("run", commands.cmd_run)
    c.add_argument("rig")
    c.add_argument("photos", help="folder with one folder of photos for each lever position, or a CSV list")
    c.add_argument("--out", default="out", help="folder for the results (default: out; a fresh one if taken)")
    shoot(c)
    c = command("confirm", commands.cmd_confirm)
    c.add_argument("rig")
    c.add_argument("before", help="result folder of the run before the adjustment")
    c.add_argument("photos", help="photos taken after the adjustment")
    c.add_argument("--proposal", type=_proposal, default=1,
                   help="which proposal of the list was followed (default: 1; 0: none of them)")
    c.add_argument("--out", default="confirmed")
    shoot(c)
    c = command("history", commands.cmd_history)
    c.add_argument("rig", help="the vehicle's rig file; its record lies beside it")
    c.add_argument("--out", help="picture to write, .svg or .png, a .csv beside it (default: beside the rig file)")
    c.add_argument("--narrow", action="store_true", help="one column, for a phone")
    c = command("again", commands.cmd_again)
    c.add_argument("results", help="result folder of run or confirm")
    c.add_argument("--photos", help="where the photos are now (default: where they were)")
    c.add_argument("--before", help="where the result folder before the adjustment is now, for a result of confirm")
    c.add_argument("--out", help="folder for the result made again (default: beside it, its name with -again)")
    c.add_argument("--workers", type=_count, default=None, help="photos read side by side (default: all cores)")
    c = command("sheet", commands.cmd_sheet)
    c.add_argument("results", help="result folder of a run")
    return p


class _Version(argparse.Action):
    """Looks the version up only when it is asked for: that takes longer than the rest of starting up."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        print(f"rigtrue {_version()}")
        parser.exit()


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("rigtrue")
    except PackageNotFoundError:  # run from a checkout
        return "(not installed)"


def _proposal(text: str) -> int:
    n = int(text)
    if n < 0:
        raise argparse.ArgumentTypeError("give the number of a proposal, or 0 for none")
    return n


def _port(text: str) -> int:
    n = int(text)
    if not 1024 <= n <= 65535:
        raise argparse.ArgumentTypeError("give a port from 1024 to 65535")
    return n


def _count(text: str) -> int:
    n = int(text)
    if n < 1:
        raise argparse.ArgumentTypeError("give a whole number of one or more")
    return n


def _heed_ending() -> None:
    """Have a request to end, or a closed terminal, clean up as Ctrl-C does."""
    if threading.current_thread() is not threading.main_thread():
        return
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_DFL:  # nohup: leave it ignored
            signal.signal(number, signal.default_int_handler)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code (0 done, 2 bad input, 1 a mistake in the program)."""
    os.environ.setdefault("OPENCV_LOG_LEVEL", "ERROR")  # a broken photo is reported by us, once
    try:
        args = parser().parse_args(argv)
    except SystemExit as e:  # argparse has said what was wrong
        return int(e.code or 0)
    _heed_ending()
    try:
        if isinstance(sys.stdout, io.TextIOWrapper):  # a name that the terminal cannot show is shown as it can
            sys.stdout.reconfigure(errors="backslashreplace")
        code = int(args.run(args))
        sys.stdout.flush()
        return code
    except UserError as e:
        print(f"rigtrue: {e}", file=sys.stderr)
        return 2
    except MemoryError:
        print("rigtrue: the machine ran out of memory; use --workers 1 or smaller photos.", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("rigtrue: stopped.", file=sys.stderr)
        return 130
    except BrokenPipeError:  # output piped into something that closed early, such as head
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as e:  # such as a full disk or a folder closed to us; results appear whole or not at all
        where = "" if e.filename is None else f" ({os.fsdecode(e.filename)})"
        print(f"rigtrue: a file cannot be read or written{where}: {e.strerror or e}; check the disk's free room and "
              "the folder's permissions.", file=sys.stderr)
        return 2
    except Exception as e:  # a mistake in rigtrue itself: still one sentence, and a way to see more
        if os.environ.get("RIGTRUE_DEBUG"):
            raise
        kept = "".join(f" {note}" for note in getattr(e, "__notes__", ()))
        print(f"rigtrue: stopped by a mistake in the program ({type(e).__name__}: {e}); nothing of yours was changed."
              f"{kept} Set RIGTRUE_DEBUG=1 to see where.", file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main())
