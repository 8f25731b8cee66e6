"""What each command does; see ``cli`` for their words. The steps themselves are those that ``calib`` gives a script."""

from __future__ import annotations

import argparse
import contextlib
import shutil
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from calib.report.whole import check_can_write, free_path, write_whole
from calib.terminal import Shown, say, show, show_noticed, show_summary
from capture.errors import UserError
from capture.files import need_folder

if TYPE_CHECKING:
    from calib.job import Done
    from calib.planning.predict import ShootPlan
    from calib.rig.model import Rig
    from calib.shooting.session import ShootSession
    from capture.kept import KeptCorners


def read_rig(path: Path) -> Rig:
    """The rig described in a file; what reading it has to say goes to stderr."""
    from calib.rig.reader import load_rig

    rig = load_rig(path)
    for remark in rig.remarks:
        say(remark)
    return rig


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
    return cmd_check(argparse.Namespace(rig=str(path), picture=None, curves=None))


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


def _kept(args: argparse.Namespace) -> KeptCorners | None:
    """Where corners are kept from one command to the next; None with --no-cache."""
    from capture.kept import KeptCorners

    try:
        return None if args.no_cache else KeptCorners()
    except RuntimeError:  # a user without a home
        return None


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
    shown = Shown()
    try:
        choice = plan_shoots(rig, said=lambda done, of, _: shown("planning", done, of))
    except (ValueError, CannotAssemble) as e:
        raise UserError(f"The design does not go through the positions to shoot: {e}; correct places, rods and "
                        "travel in the rig file; rigtrue check says how far it goes.", "cannot_assemble",
                        rig.name) from e
    print("\n".join(choice.lines))
    picture = draw(rig, wanted, path, how=lambda _, to: draw_shoot(choice.cheapest, to), by="plan")
    print(f"Where to stand and where the tags go: {picture}")
    if card is not None:
        _write_card(rig, card, choice.cheapest)
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
    from calib.shooting.wanted import USUAL_PHOTOS

    print(f"No plan without a drawing: {USUAL_PHOTOS} photos a position, from all round.")
    _write_card(rig, card)
    return 0


def _write_card(rig: Rig, path: Path, plan: ShootPlan | None = None) -> None:
    from calib.shooting.card import shoot_card

    card = shoot_card(rig, path, plan)
    print(f"Shoot card to print and tick, {card.photos} photos: {path}")
    if card.blanks:
        print("This machine has no font for some letters of its names: the card has a line there to write them on.")


def cmd_shoot(args: argparse.Namespace) -> int:
    """Guide a phone through the shoot and judge each photo as it comes."""
    rig = read_rig(Path(args.rig))
    try:
        from calib.phone.network import cautions, checked_address, listen, new_token, own_address, qr_for
        from calib.phone.serve import server
    except ImportError as e:
        raise UserError(f'rigtrue shoot needs {e.name}: in the project\'s folder, pip install -e ".[shoot]".',
                        "not_installed", str(e.name)) from e
    from calib.shooting.desk import Shoot

    address = checked_address(args.address) if args.address else own_address()
    say("working out from where to shoot")
    kept = _kept(args)
    shoot = Shoot.open(rig, Path(args.photos), args.each, look=False, corners=kept)
    with listen(address, args.port) as bound:
        token = new_token()
        link = f"http://{address}:{bound.getsockname()[1]}/{token}/"
        live = sys.stdout.isatty()
        code = qr_for(link, sys.stdout.encoding or "ascii", shutil.get_terminal_size().columns if live else None, live)
        print(f"{code}\n\nScan this with the phone, or open {link}" if code
              else f"With the phone, open {link} (a code to scan appears in a wider window)")
        print(f"Photos go to {args.photos}. Ctrl-C ends it; the link "
              "is good until then.", flush=True)
        for line in cautions(address):
            print(line, flush=True)
        with contextlib.suppress(KeyboardInterrupt):  # which is how it is meant to end
            server(shoot, token, bound).run(sockets=[bound])
    return _ended(shoot.session, f" in {args.photos}", kept, f"{args.rig} {args.photos}")


def _ended(session: ShootSession, where: str, kept: KeptCorners | None, measured: str) -> int:
    """How far a shoot has come when shoot or watch is ended, and the words that measure it."""
    if kept is not None:
        kept.tidy()
    done = sum(s.done for s in session.standings())
    print(f"{len(session.photos)} photos{where}; {done} of {len(session.wanted.asks)} positions done. Go on with the "
          f"same command, or measure: rigtrue run {measured}")
    return 0


def cmd_watch(args: argparse.Namespace) -> int:
    """Judge photos as they come to a folder that the phone syncs to."""
    rig = read_rig(Path(args.rig))
    from calib.shooting.watching import Watch, strays, watched

    folder, kept = Path(args.photos), _kept(args)
    listed = None if not args.at else Path(args.list) if args.list else folder.absolute().with_suffix(".csv")
    say("working out from where to shoot")
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
    return _ended(watch.session, "", kept, f"{args.rig} {listed or args.photos}")


def cmd_survey(args: argparse.Namespace) -> int:
    """Measure a rig without a drawing: what joins what and photos in, its drawing out."""
    from calib.job import corners_of
    from calib.progress import for_photos
    from calib.rig.survey import load_survey
    from capture.workers import Readers

    out = Path(args.out)
    check_can_write(out)
    need_folder(out)
    rough = load_survey(args.rig)
    for remark in rough.rig.remarks:
        say(remark)
    kept, shown = _kept(args), Shown()
    with Readers(args.workers) as readers:
        obs = corners_of(rough.rig, Path(args.photos), readers, for_photos(shown), kept=kept)
        from calib.surveying import survey
        from capture.hidden import look_again

        done = survey(rough, obs, progress=shown, look=partial(look_again, kept=kept, readers=readers))
    path = write_whole(out, done.toml())
    for line in done.lines():
        print(line)
    show_noticed(obs, [f.as_data() for f in done.fit.findings])
    print(f"Wrote {path}. Measured values, not a certificate: look at them with rigtrue check {path}, set targets and "
          "what may be adjusted there, and use it as the drawing from now on.")
    return 0


def cmd_observe(args: argparse.Namespace) -> int:
    """Only find the tags and write the corners."""
    from calib.job import found
    from capture.observations import aside_lines, write_observations
    from capture.workers import Readers

    path = free_path(Path(args.out))
    need_folder(path)
    with Readers(args.workers) as readers:
        _, obs = found(Path(args.rig), Path(args.photos), readers, kept=_kept(args), progress=Shown(), said=say)
    write_observations(obs, path)
    print(f"{len(obs.table)} corners in {len(obs.photos)} photos: {path}")
    for line in aside_lines(obs.set_aside):
        print(f"  set aside: {line}")
    return 0


def cmd_run(args: argparse.Namespace) -> int:
    """Photos in, report out."""
    from calib.job import run_shoot

    return _told(run_shoot(args.rig, args.photos, args.out, workers=args.workers, kept=_kept(args), progress=Shown(),
                           said=say), args)


def cmd_confirm(args: argparse.Namespace) -> int:
    """Measure again after an adjustment and set it against before and predicted."""
    from calib.job import confirm_shoot

    return _told(confirm_shoot(args.rig, args.before, args.photos, args.out, args.proposal, workers=args.workers,
                               kept=_kept(args), progress=Shown(), said=say), args)


def _told(done: Done, args: argparse.Namespace) -> int:
    """What a run or its confirmation came to. UserError where it could not enter the vehicle's record."""
    from calib.report.numbers import pm
    from calib.report.sheet import short

    show_summary(done.results, done.folder)
    if args.command == "confirm":
        print("Before, predicted and after:")
    for o in done.outcomes:
        met = {True: ", as predicted", False: ", not as predicted", None: ""}[o.as_predicted]
        print(f"  {short(o.name)}: {pm(*o.before, o.unit)}, {pm(*o.predicted, o.unit)}, {pm(*o.after, o.unit)}: "
              f"{o.verdict}{met}")
    for line in done.explained:
        print(f"  {line}")
    if done.unrecorded is not None:
        raise done.unrecorded
    print(f"Record of this vehicle: {done.record}")
    return 0


def cmd_history(args: argparse.Namespace) -> int:
    """Draw every judged figure over all shoots of a vehicle's record, and write it as a table."""
    from calib.report.history import history

    path = Path(args.rig)
    out = Path(args.out) if args.out else path.with_name(f"{path.stem}_history.svg")
    _need_picture("--out", out)
    check_can_write(out)
    need_folder(out)
    past = history(path, say)
    for line in past.lines():
        print(line)
    picture, table = past.write(out, narrow=args.narrow)
    print(f"Drawn in {picture}, as a table in {table}")
    return 0


def cmd_again(args: argparse.Namespace) -> int:
    """Make a result once more from its photos and rig file, and compare every number."""
    from calib.job import run_again

    again = run_again(args.results, args.out, photos=args.photos, before=args.before, workers=args.workers,
                      progress=Shown(), said=say)
    found = again.sameness
    print(f"Made again in {again.folder}; {found.numbers} numbers in {found.files} files compared.")
    if again.same:
        print("The same to the digit.")
        return 0
    show("It differs:", found.differs)
    show("Versions then and now:", again.versions or ("all the same",))
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


