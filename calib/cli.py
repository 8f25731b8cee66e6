"""The command line: one command for each step of the job. Mistakes end as one sentence and exit code 2."""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import calib.onethread  # noqa: F401  before numpy is loaded
from calib.report.whole import free_path, write_whole
from capture.errors import UserError
from capture.files import need_folder
from capture.targets import PAPERS_MM

if TYPE_CHECKING:
    from calib.rig.model import Rig
    from calib.second_process import SecondProcess
    from calib.shooting.wanted import Wanted
    from capture.kept import KeptCorners
    from capture.observations import Observations


class Progress:
    """A bar that redraws on a terminal; on anything else a plain line now and then."""

    def __init__(self, what: str, out: TextIO | None = None, tick: float = 10.0) -> None:
        self.what, self.out, self.tick = what, out or sys.stderr, tick
        self.live = self.out.isatty()
        self.last = time.monotonic()

    def __call__(self, done: int, total: int, name: str = "") -> None:
        """Say that ``done`` of ``total`` are through; ``name`` is the one just finished."""
        if self.live:
            width = 24
            full = width * done // max(total, 1)
            self.out.write(f"\r{self.what} [{'#' * full}{'.' * (width - full)}] {done}/{total} {name[:28]:<28}")
            if done >= total:
                self.out.write("\n")
            self.out.flush()
        elif done >= total or time.monotonic() - self.last > self.tick:
            self.last = time.monotonic()
            print(f"{self.what}: {done} of {total}", file=self.out, flush=True)


def check_can_write(path: Path) -> None:
    """UserError now rather than after a long run, where ``path`` could not be made."""
    there = path if not path.is_dir() else path.absolute().parent  # the results are made beside it
    while not there.exists() and there != there.parent:
        there = there.parent
    if there != path and not there.is_dir():
        raise UserError(f"Cannot write {path}, because {there} is a file; choose another --out.",
                        "cannot_write", str(there))
    if not os.access(there, os.W_OK):
        raise UserError(f"Cannot write {path}: no permission to write in {there}; choose another --out.",
                        "cannot_write", str(there))


def _said_where(wanted: Path, folder: Path) -> Path:
    """``folder`` as it is to be named; says so on stderr where it is not the ``wanted`` one, which was taken."""
    if folder.name == wanted.absolute().name:
        return wanted
    print(f"{wanted} already holds something and is left as it is; results are in {wanted.with_name(folder.name)}.",
          file=sys.stderr)
    return wanted.with_name(folder.name)


def read_rig(path: Path) -> Rig:
    """The rig described in a file; what reading it has to say goes to stderr."""
    from calib.rig.reader import load_rig

    rig = load_rig(path)
    _say_remarks(rig)
    return rig


def _say_remarks(rig: Rig) -> None:
    for remark in rig.remarks:
        print(remark, file=sys.stderr)


def _need_picture(option: str, path: Path) -> None:
    """UserError where the file that an option names is no picture that is drawn."""
    if path.suffix.lower() not in (".svg", ".png"):
        raise UserError(f"{option} {path} must end in .svg or .png.", "wrong_ending", option)


def cmd_new(args: argparse.Namespace) -> int:
    """Write a rig file to fill in, or ask for everything and write it; without a file name it asks."""
    from calib.rig.starter import starter_text, write_starter

    layout = args.layout or ""
    starter_text(layout=layout)  # a layout that there is not is named
    if args.no_drawing and (args.ask or args.worksheet):
        raise UserError("--no-drawing writes a file for a survey, in which the photos answer what --ask and "
                        "--worksheet ask for; leave those out.", "no_drawing", "--no-drawing")
    if args.worksheet:
        return _worksheet(args, layout)
    path = Path(args.rig or "rig.toml")
    if path.exists():
        raise UserError(f"{path} already exists and is not overwritten; choose another name.", "exists", str(path))
    need_folder(path)
    if args.no_drawing:
        write_starter(path, layout=layout or "direct", drawn=False)
        print(f"Wrote {path}. Make it say which parts, rods and tags yours has, then: rigtrue print {path}; photos as "
              f"the README says; rigtrue survey {path} photos")
        return 0
    if args.ask or not args.rig:
        return _asked(path, layout)
    write_starter(path, layout=layout)
    print(f"Wrote {path}. Fill in your measurements, then: rigtrue check {path}")
    return 0


def _worksheet(args: argparse.Namespace, layout: str) -> int:
    """The questions as a PDF."""
    from calib.describe.worksheet import write_worksheet
    from calib.rig.starter import LAYOUTS

    if not layout:
        raise UserError("--worksheet prints the questions of one layout; add --layout and one of "
                        + "; ".join(f"{name}: {what}" for name, what in LAYOUTS.items()) + ".", "no_layout",
                        "--layout")
    write_worksheet(Path(args.worksheet), layout, args.paper)
    name = f" {args.rig}" if args.rig else ""
    print(f"Wrote {args.worksheet}. Filled in, type it in with: rigtrue new{name} --ask --layout {layout}")
    return 0


def _asked(path: Path, layout: str) -> int:
    """Questions in the terminal, then the rig file and its check."""
    if not sys.stdin.isatty():
        raise UserError("Questions are asked in a terminal, and this is none; `rigtrue new rig.toml --layout crank` "
                        "writes a file to fill in, --worksheet sheet.pdf prints the questions.", "no_terminal",
                        str(path))
    from calib.describe.dialogue import Dialogue, Stopped, terminal

    talk = Dialogue(path, terminal(), layout=layout)
    kept = f"The answers so far are in {talk.kept}; rigtrue new {path} --ask goes on with them."
    try:
        text = talk.run()
    except Stopped:
        print(kept if talk.kept.exists() else "Nothing was answered yet.")
        return 0
    except KeyboardInterrupt:
        if talk.kept.exists():
            print(kept, file=sys.stderr)
        raise
    with path.open("x", encoding="utf-8") as f:
        f.write(text)
    print(f"Wrote {path}; the answers stay in {talk.kept}. The check of it, as rigtrue check {path} gives it:\n")
    return cmd_check(parser().parse_args(["check", str(path)]))


def cmd_check(args: argparse.Namespace) -> int:
    """Read the rig file, draw it and print what the design should do."""
    from calib.advice.search import need_both_wheels
    from calib.checkup import check_up, draw, lines, still_remarks
    from calib.remarks import sentences

    path = Path(args.rig)
    rig = read_rig(path)
    need_both_wheels(rig)
    if args.curves:
        _need_picture("--curves", Path(args.curves))
    picture = draw(rig, Path(args.picture) if args.picture else path.with_name(path.stem + "_check.svg"), path)
    look = f"Drawn in {picture}: look whether it is your rig."
    try:
        found = check_up(rig)
    except UserError:  # what was noticed may well be why
        print("\n".join([*(f"  - {s}" for s in sentences(r for r in still_remarks(rig)[0] if not r.note)), look]))
        raise
    print("\n".join([*lines(found), "", look]))
    if args.curves:
        print(f"Curves over the travel: {_draw_curves(rig, Path(args.curves))}")
    return 0


def _draw_curves(rig, wanted: Path) -> Path:
    """The design's curves over the travel, drawn to a fresh file."""
    from calib.advice.travel import travel
    from calib.report.plots import write
    from calib.report.travel_plots import travel_sheet

    check_can_write(wanted)
    need_folder(wanted)
    t = travel(rig)
    if t is None:
        raise UserError(f"{rig.name} has no curves to draw: both wheels must be steered through the driver's travel; "
                        "check [wheels] and the rods in the rig file.", "no_curves", rig.name)
    return write(travel_sheet(t), free_path(wanted))


def cmd_print(args: argparse.Namespace) -> int:
    """Write the board and the part tags for printing at true scale."""
    from calib.findings import spoken
    from capture.printing import PrintTag, print_targets

    rig = _rig_to_print(Path(args.rig))
    paper = args.paper or rig.board.paper
    if paper != rig.board.paper:
        raise UserError(f"{args.rig} says the board is on {rig.board.paper} paper but --paper says {paper}; "
                        "make the two agree, because the board's layout depends on it.", "paper_differs", "--paper")
    tags = []
    for t in rig.tags.values():
        on = t.centres_on or t.body
        note = f"middle on the bolt of {spoken(on)}" if t.centres_on else f"anywhere flat on the {spoken(t.body)}"
        tags.append(PrintTag(t.name, t.code, t.size, note, on_bolt=t.centres_on is not None))
    for path in print_targets(tags, paper, free_path(Path(args.out))):
        print(f"Wrote {path}")
    print("Print at 100 %, no fitting to the page. Then measure the printed scale bar with calipers and write what it "
          "reads as scale_bar under [board] in the rig file.")
    return 0


def _rig_to_print(path: Path) -> Rig:
    """The rig of a file in which places may be left out: a survey needs its tags first."""
    from calib.rig.survey import load_survey

    try:
        return read_rig(path)
    except UserError as err:
        if err.code != "rig_file":
            raise
        try:
            rough = load_survey(path)
        except UserError:
            raise err from None
        if not any(section in ("bodies", "points") for section, *_ in rough.open):
            raise
        return rough.rig


def _second_process(workers: int | None) -> SecondProcess:
    """What draws while this process measures: a process for every other core, three at most."""
    from calib.second_process import SecondProcess

    return SecondProcess(min(3, (workers or os.cpu_count() or 1) - 1),
                  ("calib.report.pictures", "matplotlib.backends.backend_agg", "matplotlib.backends.backend_svg"))


def _kept(args: argparse.Namespace) -> KeptCorners | None:
    """Where corners are kept from one command to the next; None with --no-cache."""
    from capture.kept import KeptCorners

    try:
        return None if args.no_cache else KeptCorners()
    except RuntimeError:  # a user without a home
        return None


def _find(rig_path: Path, photos: Path, workers: int | None, second: SecondProcess | None = None,
          kept: KeptCorners | None = None):
    """Rig and corners. ``second`` is started, and the rest of the program loaded, while the photos are read."""
    from calib.advice.search import need_both_wheels
    from calib.linkage.designcheck import design_sweep

    rig = read_rig(rig_path)
    if second is not None:  # corners alone can be had of any rig
        need_both_wheels(rig)
    design_sweep(rig)  # a design that does not go together is better known before an hour of photos is read
    bar = Progress("reading photos")

    def progress(done: int, total: int, name: str) -> None:
        bar(done, total, name)
        if second is not None and done >= total - 1:  # a core falls idle
            second.warm()

    return rig, _corners(rig, photos, workers, progress, None if second is None else _load, kept)


def _corners(rig: Rig, photos: Path, workers: int | None, progress: Callable[[int, int, str], None],
             meanwhile: Callable[[], None] | None = None, kept: KeptCorners | None = None) -> Observations:
    """The corners of a rig's photos."""
    from capture.shoot import read_shoot
    from capture.targets import Board

    return read_shoot(photos, set(rig.tag_by_code()), Board.for_paper(rig.board.paper), workers=workers,
                      progress=progress, meanwhile=meanwhile, positions=rig.labels, kept=kept)


def _load() -> None:
    import calib.report.folder
    import calib.run  # noqa: F401


def cmd_plan(args: argparse.Namespace) -> int:
    """Say how well a shoot would measure the rig, before the first photo."""
    from calib.advice.search import need_both_wheels
    from calib.checkup import draw
    from calib.linkage.designcheck import design_sweep
    from calib.linkage.mechanism import CannotAssemble
    from calib.planning.picture import draw_shoot
    from calib.shootplan import plan_shoots

    path, card = Path(args.rig), _card(args.card)
    try:
        rig = read_rig(path)
    except UserError:
        if card is None:
            raise
        return _undrawn_card(_rig_to_print(path), card)
    need_both_wheels(rig)
    design_sweep(rig)
    wanted = Path(args.picture) if args.picture else path.with_name(path.stem + "_shoot.svg")
    _need_picture("--picture", wanted)
    try:
        choice = plan_shoots(rig, said=Progress("planning"))
    except (ValueError, CannotAssemble) as e:
        raise UserError(f"The design does not go through the positions to shoot: {e}; correct places, rods and "
                        "travel in the rig file; rigtrue check says how far it goes.", "cannot_assemble",
                        rig.name) from e
    print("\n".join(choice.lines))
    picture = draw(rig, wanted, path, how=lambda _, to: draw_shoot(choice.cheapest, to), by="plan")
    print(f"Where to stand and where the tags go: {picture}")
    if card is not None:
        from calib.planning.words import rare
        from calib.shooting.wanted import wanted_from

        plan = choice.cheapest
        _write_card(wanted_from(rig, plan.stage, plan.asked), card, rare(plan))
    return 0


def _card(named: str | None) -> Path | None:
    """Where the shoot card goes, known to be free."""
    if named is None:
        return None
    from calib.shooting.card import need_free

    card = Path(named)
    need_free(card)
    check_can_write(card)
    need_folder(card)
    return card


def _undrawn_card(rig: Rig, card: Path) -> int:
    """The card for a survey: without a drawing nobody knows which views tell most."""
    from calib.shooting.wanted import USUAL_PHOTOS, wanted_from

    print(f"No plan without a drawing: {USUAL_PHOTOS} photos a position, from all round.")
    _write_card(wanted_from(rig, None), card)
    return 0


def _write_card(wanted: Wanted, path: Path, notes: Sequence[str] = ()) -> None:
    from calib.report.paper import paper_for
    from calib.shooting.card import card_of, write_card

    card = card_of(wanted, notes)
    write_card(card, path, paper_for(wanted.rig.board.paper))
    print(f"Shoot card to print and tick, {card.photos} photos: {path}")
    if card.blanks:
        print("This machine has no font for some letters of its names: the card has a line there to write them on.")


def cmd_shoot(args: argparse.Namespace) -> int:
    """Guide a phone through the shoot and judge each photo as it comes."""
    rig = read_rig(Path(args.rig))
    try:
        from calib.phone.network import cautions, checked_address, listen, new_token, own_address, qr
        from calib.phone.serve import server
    except ImportError as e:
        raise UserError(f'rigtrue shoot needs {e.name}: in the project\'s folder, pip install -e ".[shoot]".',
                        "not_installed", str(e.name)) from e
    from calib.shooting.desk import Shoot

    address = checked_address(args.address) if args.address else own_address()
    _say("working out from where to shoot")
    kept = _kept(args)
    shoot = Shoot.open(rig, Path(args.photos), args.each, look=False, corners=kept)
    with listen(address, args.port) as bound:
        token = new_token()
        link = f"http://{address}:{bound.getsockname()[1]}/{token}/"
        print(qr(link, sys.stdout.isatty()))
        print(f"\nScan this with the phone, or open {link}\nPhotos go to {args.photos}. Ctrl-C ends it; the link "
              "is good until then.", flush=True)
        for line in cautions(address):
            print(line, flush=True)
        with contextlib.suppress(KeyboardInterrupt):  # which is how it is meant to end
            server(shoot, token, bound).run(sockets=[bound])
    if kept is not None:
        kept.tidy()
    done = sum(s.done for s in shoot.session.standings())
    print(f"{len(shoot.session.photos)} photos in {args.photos}; {done} of {len(shoot.session.wanted.asks)} positions "
          f"done. Go on with the same command, or measure: rigtrue run {args.rig} {args.photos}")
    return 0


def cmd_watch(args: argparse.Namespace) -> int:
    """Judge photos as they come to a folder that the phone syncs to."""
    rig = read_rig(Path(args.rig))
    from calib.shooting.watching import Watch, strays, watched

    folder, kept = Path(args.photos), _kept(args)
    listed = None if not args.at else Path(args.list) if args.list else folder.absolute().with_suffix(".csv")
    _say("working out from where to shoot")
    watch = Watch(rig, folder, args.each, kept, args.at or "", listed)
    for line in [] if args.at else strays(folder, watch.positions):
        print(line)
    if watch.left_out:
        print(f"{watch.left_out} photos that were there before and are not in {listed} are left out.")
    print(f"Watching {folder}; Ctrl-C ends it. {watch.lead()}", flush=True)
    if args.at:
        print("Before you go on to another position, wait for the lines of the photos taken; then type its name and "
              f"press Enter. Positions: {', '.join(watch.positions)}", flush=True)
    with contextlib.suppress(KeyboardInterrupt):  # which is how it is meant to end
        for line in watched(watch, sys.stdin if args.at else None):
            print(line, flush=True)
    if kept is not None:
        kept.tidy()
    done = sum(s.done for s in watch.session.standings())
    print(f"{len(watch.session.photos)} photos; {done} of {len(watch.positions)} positions done. Go on with the same "
          f"command, or measure: rigtrue run {args.rig} {listed or args.photos}")
    return 0


def cmd_survey(args: argparse.Namespace) -> int:
    """Measure a rig without a drawing: what joins what and photos in, its drawing out."""
    from calib.rig.survey import load_survey

    out = Path(args.out)
    check_can_write(out)
    need_folder(out)
    rough = load_survey(args.rig)
    _say_remarks(rough.rig)
    kept = _kept(args)
    obs = _corners(rough.rig, Path(args.photos), args.workers, Progress("reading photos"), kept=kept)
    from calib.surveying import survey
    from capture.hidden import look_again

    done = survey(rough, obs, progress=_tell, look=partial(look_again, kept=kept))
    path = write_whole(out, done.toml())
    for line in done.lines():
        print(line)
    _show_noticed(obs, [f.as_data() for f in done.fit.findings])
    print(f"Wrote {path}. Measured values, not a certificate: look at them with rigtrue check {path}, set targets and "
          "what may be adjusted there, and use it as the drawing from now on.")
    return 0


def cmd_observe(args: argparse.Namespace) -> int:
    """Only find the tags and write the corners."""
    from capture.observations import aside_lines, write_observations

    path = free_path(Path(args.out))
    need_folder(path)
    _, obs = _find(Path(args.rig), Path(args.photos), args.workers, kept=_kept(args))
    write_observations(obs, path)
    print(f"{len(obs.table)} corners in {len(obs.photos)} photos: {path}")
    for line in aside_lines(obs.set_aside):
        print(f"  set aside: {line}")
    return 0


def cmd_run(args: argparse.Namespace) -> int:
    """Photos in, report out."""
    from calib.report.inputs import given

    check_can_write(Path(args.out))
    kept = _kept(args)
    inputs = given("run", Path(args.rig), Path(args.photos), workers=args.workers)
    with _second_process(args.workers) as second:
        rig, obs = _find(Path(args.rig), Path(args.photos), args.workers, second, kept)
        from calib.report.folder import history, record_results, write_results
        from calib.run import measure

        results = measure(rig, obs, progress=_tell, second=second, kept=kept)
        folder = _said_where(Path(args.out), write_results(results, Path(args.out), progress=_tell, second=second,
                                                           inputs=inputs, history=history(results, inputs)))
    _summary(results, folder)
    print(f"Record of this vehicle: {record_results(results, folder, inputs)}")
    return 0


def cmd_confirm(args: argparse.Namespace) -> int:
    """Measure again after an adjustment and set it against before and predicted."""
    from calib.report.confirm import after_changes, load_before
    from calib.report.inputs import given

    before = load_before(Path(args.before), args.proposal)
    check_can_write(Path(args.out))
    kept = _kept(args)
    inputs = given("confirm", Path(args.rig), Path(args.photos), Path(args.before), args.proposal,
                   workers=args.workers)
    with _second_process(args.workers) as second:
        rig, obs = _find(Path(args.rig), Path(args.photos), args.workers, second, kept)
        from calib.report.folder import history, record_results, write_results
        from calib.report.misses import explain
        from calib.report.numbers import pm
        from calib.report.sheet import short
        from calib.run import measure

        stands, moved = after_changes(rig, before, {p.position for p in obs.photos})
        for line in moved:
            _say(line)
        results = measure(rig, obs, progress=_tell, stands=stands, second=second, kept=kept)
        folder = _said_where(Path(args.out), write_results(results, Path(args.out), progress=_tell, before=before,
                                                           second=second, inputs=inputs,
                                                           history=history(results, inputs, before)))
    _summary(results, folder)
    print("Before, predicted and after:")
    outcomes = before.outcomes(results.figures)
    for o in outcomes:
        said = {True: ", as predicted", False: ", not as predicted", None: ""}[o.as_predicted]
        print(f"  {short(o.name)}: {pm(*o.before, o.unit)}, {pm(*o.predicted, o.unit)}, {pm(*o.after, o.unit)}: "
              f"{o.verdict}{said}")
    for line in explain(before, results.fit.as_built, outcomes):
        print(f"  {line}")
    print(f"Record of this vehicle: {record_results(results, folder, inputs, before)}")
    return 0


def cmd_history(args: argparse.Namespace) -> int:
    """Draw every judged figure over all shoots of a vehicle's record, and write it as a table."""
    from calib.report.history import history_plot, over_shoots, shoots
    from calib.report.plots import write
    from calib.report.record import home_of, record_path, so_far
    from capture.csvcells import safe_cells

    path = Path(args.rig)
    out = Path(args.out) if args.out else path.with_name(f"{path.stem}_history.svg")
    _need_picture("--out", out)
    check_can_write(out)
    need_folder(out)
    name = read_rig(path).name
    record = so_far(path, name)
    if record.empty:
        raise UserError(f"There is no record of {name} beside {path} yet: rigtrue run and confirm keep it there, in "
                        f"{record_path(home_of(path), name).parent}.", "no_record", str(path))
    for k, s in enumerate(shoots(record).to_dict("records"), 1):
        print(f"{k}. {str(s['when']).replace('T', ' ')} {s['event']}: {s['met']} of {s['judged']} tolerances met")
    picture = free_path(out)
    write(history_plot(record, narrow=args.narrow), picture)
    table = free_path(picture.with_suffix(".csv"))
    safe_cells(over_shoots(record)).to_csv(table, index=False, float_format="%.6g")
    print(f"Drawn in {picture}, as a table in {table}")
    return 0


def cmd_again(args: argparse.Namespace) -> int:
    """Make a result once more from its photos and rig file, and compare every number."""
    from calib.report.inputs import changed_versions, check_before, check_photos, given, read_inputs
    from calib.report.same import sameness

    folder = Path(args.results)
    told = read_inputs(folder)
    photos = Path(args.photos) if args.photos else told.source
    check_photos(told, photos)
    before_at = Path(args.before) if args.before else told.before
    if before_at is not None:
        check_before(told, before_at)
    if said := told.rig_changed():
        _say(said)
    out = Path(args.out) if args.out else folder.absolute().with_name(f"{folder.absolute().name}-again")
    check_can_write(out)
    inputs = given(told.command, told.rig, photos, before_at, told.proposal, workers=args.workers)
    with _second_process(args.workers) as second:
        rig, obs = _find(told.rig, photos, args.workers, second)  # anew, not from what is kept
        from calib.report.confirm import after_changes, load_before
        from calib.report.folder import write_results
        from calib.run import measure

        before = None if before_at is None else load_before(before_at, told.proposal)
        stands = None if before is None else after_changes(rig, before, {p.position for p in obs.photos})[0]
        results = measure(rig, obs, progress=_tell, stands=stands, second=second)
        made = _said_where(out, write_results(results, out, progress=_tell, before=before, second=second,
                                               inputs=inputs))
    found = sameness(folder, made)
    print(f"Made again in {made}; {found.numbers} numbers in {found.files} files compared.")
    if not found.differs:
        print("The same to the digit.")
        return 0
    _show("It differs:", found.differs)
    _show("Versions then and now:", changed_versions(told) or ("all the same",))
    return 1


def cmd_sheet(args: argparse.Namespace) -> int:
    """Show the go / no-go sheet of a result folder, and where it is to be printed."""
    from calib.report.confirm import load_sheet
    from calib.report.sheet import sheet_text

    folder = Path(args.results)
    sheet, vehicle = load_sheet(folder)
    print(sheet_text(sheet, vehicle))
    if printable := [str(folder / n) for n in ("sheet.pdf", "sheet.html") if (folder / n).is_file()]:
        print(f"\nTo print and sign, one page: {' or '.join(printable)}")
    return 0


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _tell(what: str, done: int, of: int) -> None:
    """Progress in the terminal: each part as it begins."""
    if done < of:
        _say(what)


def _show(title: str, lines: Sequence[str]) -> None:
    """A list under its title; nothing where it is empty."""
    if lines:
        print(title)
    for line in lines:
        print(f"  {line}")


def _show_noticed(obs: Observations, findings: Sequence[Mapping[str, Any]]) -> None:
    """Photos that were not used, and what was noticed, what must be settled first."""
    from calib.findings import in_order
    from capture.observations import aside_lines

    _show("Photos not used:", aside_lines(obs.set_aside))
    _show("Noticed:", [f"{'to settle: ' if f['serious'] else ''}{f['text']}" for f in in_order(findings)])


def _summary(results, folder: Path) -> None:
    sheet = results.sheet()
    print(sheet.headline)
    for line in sheet.lines:
        print(f"  {line.text}")
    for broken in sheet.broken:
        print(f"  limit broken: {broken}")
    _show_noticed(results.observations, results.findings)
    _show("Work list:", results.work_lines())
    if any(p["changes"] for p in results.work["proposals"][:1]):
        print("  After every change: locknuts and clamps tight, thread engaged 1.5 diameters, stop to stop by hand; "
              "a steering failure injures.")
    if sheet.go:
        print(f"This judges geometry only; before riding go through the checks: rigtrue sheet {folder}")
    print(f"Report: {folder / 'report.html'}")


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

    c = command("new", cmd_new)
    c.add_argument("rig", nargs="?", help="the rig file to write, such as rig.toml; left out: asks, for rig.toml")
    c.add_argument("--ask", action="store_true", help="ask for everything in the terminal; stop and go on later")
    c.add_argument("--worksheet", metavar="PDF", help="print the questions of a --layout instead, to fill in by hand")
    c.add_argument("--paper", choices=sorted(PAPERS_MM), default="A4", help="of the worksheet (default: A4)")
    c.add_argument("--layout", help="a usual layout, the left side in short, instead of every key explained: "
                                    "direct, crank, bar or leaning")
    c.add_argument("--no-drawing", action="store_true", help="for rigtrue survey: what joins what and the tags, no "
                                                             "places (default layout: direct)")
    c = command("check", cmd_check)
    c.add_argument("rig")
    c.add_argument("--picture", help="where to draw it, .svg or .png (default: beside the rig file)")
    c.add_argument("--curves", help="also draw ratio, Ackermann, toe and the like over the travel, .svg or .png")
    c = command("print", cmd_print)
    c.add_argument("rig")
    c.add_argument("--paper", choices=sorted(PAPERS_MM), help="default: what the rig file says")
    c.add_argument("--out", default="print", help="folder for the sheets (default: print)")
    c = command("plan", cmd_plan)
    c.add_argument("rig")
    c.add_argument("--picture", help="where to draw the map of the shoot, .svg or .png (default: beside the rig file)")
    c.add_argument("--card", metavar="PDF", help="also write a card to print, to tick photo by photo while shooting")
    c = command("shoot", cmd_shoot)
    c.add_argument("rig")
    c.add_argument("photos", help="folder for the photos; a shoot that was begun there goes on")
    c.add_argument("--each", type=_count, default=4, help="photos at each lever position, 2 to 6 (default: 4)")
    c.add_argument("--address", help="this machine's address to serve the page at (default: that of the local network)")
    c.add_argument("--port", type=_port, help="port to serve it at (default: 8317 or the next free one)")
    once(c)
    c = command("watch", cmd_watch)
    c.add_argument("rig")
    c.add_argument("photos", help="folder that the phone syncs to, with a folder for each lever position; only read")
    c.add_argument("--each", type=_count, default=4, help="photos at each lever position, 2 to 6 (default: 4)")
    c.add_argument("--at", metavar="POSITION", help="all photos come into one folder: those that come from now on "
                   "belong to this position, until another is typed; they are entered in a list")
    c.add_argument("--list", metavar="CSV", help="that list, for rigtrue run; one that is there goes on (default: "
                   "named after the folder, beside it)")
    once(c)
    c = command("survey", cmd_survey)
    c.add_argument("rig", help="rig file in which places may be rough or left out")
    c.add_argument("photos")
    c.add_argument("--out", default="as_built.toml", help="the drawing to write (default: as_built.toml)")
    shoot(c)
    c = command("observe", cmd_observe)
    c.add_argument("rig")
    c.add_argument("photos", help="folder with one folder of photos for each lever position, or a CSV list")
    c.add_argument("--out", default="observations.csv")
    shoot(c)
    c = command("run", cmd_run)
    c.add_argument("rig")
    c.add_argument("photos", help="folder with one folder of photos for each lever position, or a CSV list")
    c.add_argument("--out", default="out", help="folder for the results (default: out; a fresh one if taken)")
    shoot(c)
    c = command("confirm", cmd_confirm)
    c.add_argument("rig")
    c.add_argument("before", help="result folder of the run before the adjustment")
    c.add_argument("photos", help="photos taken after the adjustment")
    c.add_argument("--proposal", type=_proposal, default=1,
                   help="which proposal of the list was followed (default: 1; 0: none of them)")
    c.add_argument("--out", default="confirmed")
    shoot(c)
    c = command("history", cmd_history)
    c.add_argument("rig", help="the vehicle's rig file; its record lies beside it")
    c.add_argument("--out", help="picture to write, .svg or .png, a .csv beside it (default: beside the rig file)")
    c.add_argument("--narrow", action="store_true", help="one column, for a phone")
    c = command("again", cmd_again)
    c.add_argument("results", help="result folder of run or confirm")
    c.add_argument("--photos", help="where the photos are now (default: where they were)")
    c.add_argument("--before", help="where the result folder before the adjustment is now, for a result of confirm")
    c.add_argument("--out", help="folder for the result made again (default: beside it, its name with -again)")
    c.add_argument("--workers", type=_count, default=None, help="photos read side by side (default: all cores)")
    c = command("sheet", cmd_sheet)
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
