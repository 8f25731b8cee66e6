"""The sheets against a ruler: rasterise the PDF and measure it, read every code with two detectors."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pypdfium2 as pdfium
import pytest
from numpy.typing import NDArray

from capture.corners import refine_tag
from capture.detection import find_tags
from capture.errors import UserError
from capture.printing import PAGE_BAR_MM, SHORT_BAR_MM, PrintTag, board_offset, print_targets
from capture.tagart import tag_cells, tag_outline, tag_rectangles, tag_texture
from capture.targets import (
    BOARD_IDS,
    CODE_SHARE,
    PAPERS_MM,
    PART_IDS,
    SCALE_BAR_MM,
    Board,
    cell_is_black,
    code_corners,
    saddle_points,
    saddle_signs,
)
from tests.april import april_detector

Image = NDArray[np.uint8]
TAGS = [PrintTag("left_lever", 60, 60.0),
        PrintTag("crank_left_in", 68, 44.0, "on crank.left_in", on_bolt=True),
        PrintTag("right_upright_arm", 73, 44.0, on_bolt=True),
        PrintTag("a $name$ far too long for its strip", 586, 30.0)]
PAPERS = list(PAPERS_MM)


@pytest.fixture(scope="module")
def prints(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Path]]:
    out = {}
    for paper in PAPERS:
        paths = print_targets(TAGS, paper, tmp_path_factory.mktemp(paper) / "print")
        out[paper] = {p.name: p for p in paths}
    return out


def raster(path: Path, dpi: float, page: int = 0) -> tuple[Image, NDArray[np.float64]]:
    """Grey image and its (2,) pixels per mm in x and y: the renderer rounds the sheet to whole pixels."""
    sheet = pdfium.PdfDocument(path)[page]
    image = np.asarray(sheet.render(scale=dpi / 72, grayscale=True).to_numpy()).squeeze()
    width, height = (v * 25.4 / 72 for v in sheet.get_size())
    return image, np.array([image.shape[1] / width, image.shape[0] / height])


def to_px(mm: NDArray[np.float64], scale: NDArray[np.float64], height_px: int) -> NDArray[np.float64]:
    """Page mm (y up) to pixels (y down, centres at integers)."""
    return np.stack([mm[:, 0] * scale[0], height_px - mm[:, 1] * scale[1]], axis=1) - 0.5


def tick_edges(profile: NDArray[np.float64]) -> tuple[float, float]:
    """Edges of the one dark tick in a profile of darkness, in samples, from its area and centroid."""
    s = profile.sum()
    middle = float((profile * np.arange(len(profile))).sum() / s)
    return middle - s / 2, middle + s / 2


def bar_length(image: Image, x0: float, x1: float, y: float, scale: NDArray[np.float64]) -> float:
    """Outer edge to outer edge, mm, of a level bar known to lie near x0..x1 at height y (page mm)."""
    y_px = image.shape[0] - y * scale[1]
    rows = [int(y_px + d * scale[1]) for d in (-1.4, 1.4)]  # through the ticks, clear of the bar's line
    dark = 1 - np.stack([image[r] for r in rows]).mean(axis=0) / 255.0
    half = int(0.8 * scale[0])
    a, b = int(x0 * scale[0]), int(x1 * scale[0])
    first = a - half + tick_edges(dark[a - half:a + half + 1])[0]
    last = b - half + tick_edges(dark[b - half:b + half + 1])[1]
    return (last - first) / scale[0]


@pytest.mark.parametrize("paper", PAPERS)
def test_sheets_have_the_paper_size(prints: dict[str, dict[str, Path]], paper: str) -> None:
    # ISO 216: A4 210 x 297, A3 297 x 420 mm; ANSI Y14.1 size A: 8.5 x 11 in.
    want = {"A4": (210.0, 297.0), "A3": (297.0, 420.0), "Letter": (8.5 * 25.4, 11 * 25.4)}[paper]
    for path in prints[paper].values():
        for sheet in pdfium.PdfDocument(path):
            assert np.array(sheet.get_size()) * 25.4 / 72 == pytest.approx(want, abs=0.002)


@pytest.mark.parametrize("paper", PAPERS)
def test_board_saddles_and_bars_are_at_true_scale(prints: dict[str, dict[str, Path]], paper: str) -> None:
    image, scale = raster(prints[paper]["board.pdf"], 300)
    board = Board.for_paper(paper)
    mm = np.concatenate(list(board.saddles().values())) + board_offset(paper)
    nominal = to_px(mm, scale, image.shape[0])
    found = nominal.astype(np.float32).reshape(-1, 1, 2) + np.float32(1.3)  # start off the mark
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-4)
    cv2.cornerSubPix(image, found, (12, 12), (-1, -1), stop)
    error = (found.reshape(-1, 2) - nominal) / scale
    assert np.abs(error).max() < 0.01  # mm, an eighth of a pixel
    for axis in (0, 1):
        stretch = np.polyfit(mm[:, axis], error[:, axis], 1)[0]
        assert abs(stretch) < 5e-5  # 0.01 mm over the bar
    # the cell up-right of each saddle prints as saddle_signs says, the one up-left the other way round
    for du, black in ((1, 1), (-1, -1)):
        probe = np.rint(nominal + [du * 15, -15]).astype(int)
        is_black = np.where(image[probe[:, 1], probe[:, 0]] < 128, 1, -1)
        assert np.array_equal(is_black * black, np.tile(saddle_signs(), len(board.ids)))

    left = mm[:, 0].min() - board.tag_mm / 10
    foot = mm[:, 1].min() - board.tag_mm / 10
    y = foot - 6.0
    for bar in (SCALE_BAR_MM, SHORT_BAR_MM):
        assert bar_length(image, left, left + bar, y, scale) == pytest.approx(bar, abs=0.005)
    turned = np.ascontiguousarray(np.rot90(image, -1))  # the upright bar, laid level: its foot on the left
    x, y0 = left - 6.5, board_offset(paper)[1] - SCALE_BAR_MM / 2
    length = bar_length(turned, y0, y0 + SCALE_BAR_MM, PAPERS_MM[paper][0] - x, scale[::-1])
    assert length == pytest.approx(SCALE_BAR_MM, abs=0.005)


@pytest.mark.parametrize("paper", PAPERS)
def test_two_detectors_read_every_code(prints: dict[str, dict[str, Path]], paper: str) -> None:
    aruco = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11))
    april = april_detector()
    for name, want in (("board.pdf", set(Board.for_paper(paper).ids)), ("tags.pdf", {t.code for t in TAGS})):
        by_aruco: set[int] = set()
        by_april: set[int] = set()
        for page in range(len(pdfium.PdfDocument(prints[paper][name]))):
            image, _ = raster(prints[paper][name], 100, page)
            _, ids, _ = aruco.detectMarkers(image)
            by_aruco |= {int(i) for i in np.ravel(ids)}
            by_april |= {d.tag_id for d in april.detect(image) if d.hamming == 0}
        assert by_aruco == want
        assert by_april == want


def test_own_finder_measures_the_printed_board(prints: dict[str, dict[str, Path]]) -> None:
    image, scale = raster(prints["A4"]["board.pdf"], 120)
    image = cv2.GaussianBlur(image, (0, 0), 0.8).astype(np.uint8)  # a print seen through a lens
    board = Board.for_paper("A4")
    tags = find_tags(image)
    assert set(tags) == set(board.ids)
    found = refine_tag(image, [tags[code].H for code in board.ids])
    mm = np.concatenate(list(board.saddles().values())) + board_offset("A4")
    error = (found.uv - to_px(mm, scale, image.shape[0])) / scale
    assert found.ok.all()
    assert np.abs(error).max() < 0.01  # mm; a pixel is 0.21 mm


def test_part_tags_have_their_size_and_a_white_margin(prints: dict[str, dict[str, Path]]) -> None:
    image, scale = raster(prints["A4"]["tags.pdf"], 200)
    aruco = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11))
    corners, ids, _ = aruco.detectMarkers(image)
    sizes = {t.code: t.size_mm for t in TAGS}
    for quad, code in zip(corners, np.ravel(ids), strict=True):
        size = sizes[int(code)]
        edge = np.linalg.norm(np.diff(quad[0], axis=0, append=quad[0][:1]), axis=1).mean() / scale[0]
        assert edge == pytest.approx(size * CODE_SHARE, abs=0.15)  # coarse corners only find the tag
        # the whole tag is the code's picture, and one cell round it stays white
        centre = quad[0].mean(axis=0)
        half = (size / 2 + 0.9 * size / 10) * scale
        x0, y0 = np.rint(centre - half).astype(int)
        x1, y1 = np.rint(centre + half).astype(int)
        patch = image[y0:y1, x0:x1]
        dark = np.argwhere(patch < 128)
        extent = (dark.max(axis=0) - dark.min(axis=0) + 1)[::-1] / scale
        assert extent == pytest.approx(size, abs=0.15)
        picture = cv2.resize(tag_texture(int(code)), tuple(int(v) for v in np.rint(size * scale)),
                             interpolation=cv2.INTER_AREA)
        a, b = dark.min(axis=0)
        on_page = patch[a:a + picture.shape[0], b:b + picture.shape[1]]
        same = (on_page < 128) == (picture[:on_page.shape[0], :on_page.shape[1]] < 128)
        assert same.mean() > 0.95  # the rest are dots on an edge
    assert {int(i) for i in np.ravel(ids)} == set(sizes)


def test_page_bar_on_the_tag_sheet(prints: dict[str, dict[str, Path]]) -> None:
    for paper in PAPERS:
        image, scale = raster(prints[paper]["tags.pdf"], 200)
        y = PAPERS_MM[paper][1] - 8.0 - 17.0
        assert bar_length(image, 8.0, 8.0 + PAGE_BAR_MM, y, scale) == pytest.approx(PAGE_BAR_MM, abs=0.01)


def test_sheets_ask_the_viewer_not_to_scale(prints: dict[str, dict[str, Path]]) -> None:
    for path in prints["A4"].values():
        document = pdfium.PdfDocument(path)  # read by another library than the one that wrote it
        assert pdfium.raw.FPDF_VIEWERREF_GetPrintScaling(document.raw) == 0
        assert document.get_metadata_dict(skip_empty=True).get("Creator") == "rigtrue"


def test_printing_twice_gives_the_same_bytes(prints: dict[str, dict[str, Path]], tmp_path: Path) -> None:
    for path in print_targets(TAGS[:1], "A4", tmp_path):
        if path.name != "tags.pdf":
            assert path.read_bytes() == prints["A4"][path.name].read_bytes()


# --- where a tag is black ----------------------------------------------------------------------------------


@pytest.mark.parametrize("code", [0, 60, 586])
def test_grid_rectangles_and_outline_agree_with_the_layout(code: int) -> None:
    size = 60.0
    grid, edges = tag_cells(code)
    for r in range(10):
        for c in range(10):
            if not (2 <= r <= 7 and 2 <= c <= 7):
                assert (grid[3 * r:3 * r + 3, 3 * c:3 * c + 3] == cell_is_black(r, c)).all()
    inside = np.zeros_like(grid)
    inside[7:23, 7:23] = True
    inner = np.zeros_like(grid)
    inner[6:24, 6:24] = True
    assert not grid[inner & ~inside].any()  # white round the code
    assert edges[[7, 23]] * size == pytest.approx([code_corners(size)[0, 0], code_corners(size)[1, 0]])
    assert set(np.unique(saddle_points(size)).round(9)) <= set((edges * size).round(9))

    boxes = np.array(tag_rectangles(code, size))
    area = ((boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])).sum()
    assert area == pytest.approx(grid.sum() * 4.0)  # with the next: every black cell once, nothing twice
    mid = (edges[:-1] + edges[1:]) / 2 * size
    x, y = np.meshgrid(mid, -mid)
    covered = np.zeros(grid.shape, int)
    for x0, y0, x1, y1 in boxes:
        covered += (x > x0) & (x < x1) & (y > y0) & (y < y1)
    assert np.array_equal(covered, grid.astype(int))

    turns = np.zeros(grid.shape, int)  # winding number by crossings of the ray to the right
    for loop in tag_outline(code, size):
        for (ax, ay), (bx, by) in zip(loop, np.roll(loop, -1, axis=0), strict=True):
            if ax == bx:
                turns += ((x < ax) & (y > min(ay, by)) & (y < max(ay, by))) * (1 if by > ay else -1)
    assert np.array_equal(turns, grid.astype(int))


def test_independent_detector_reads_the_picture_of_every_part_code() -> None:
    april = april_detector()
    codes = list(range(0, 587, 7))
    tiles = [cv2.copyMakeBorder(tag_texture(c, 2), 6, 6, 6, 6, cv2.BORDER_CONSTANT, value=255) for c in codes]
    blank = np.full_like(tiles[0], 255)
    tiles += [blank] * (-len(tiles) % 10)
    sheet = np.vstack([np.hstack(tiles[k:k + 10]) for k in range(0, len(tiles), 10)])
    assert {d.tag_id for d in april.detect(sheet) if d.hamming == 0} == set(codes)


# --- bad input ---------------------------------------------------------------------------------------------


def test_board_and_part_codes_never_meet() -> None:
    assert not set(BOARD_IDS) & set(PART_IDS)
    for paper in PAPERS:
        assert set(Board.for_paper(paper).ids) <= set(BOARD_IDS)


@pytest.mark.parametrize(("tags", "paper", "first", "says"), [
    ([PrintTag("t", 59, 60.0)], "A4", 0, "belong to the board"),
    ([PrintTag("t", 587, 60.0)], "A4", 0, "586"),
    ([PrintTag("t", 60, 60.0), PrintTag("u", 60, 44.0)], "A4", 0, "both have code 60"),
    ([PrintTag("t", 60, 5.0)], "A4", 0, "make it larger"),
    ([PrintTag("t", 60, float("nan"))], "A4", 0, "nan"),
    ([PrintTag("t", 60, 200.0)], "A4", 0, "does not fit A4"),
    ([], "A5", 0, "A4, A3, Letter"),
    ([], "A3", 37, "0 to 36"),
    ([], "A4", -1, "first code"),
])
def test_bad_requests_say_what_to_do(tags: list[PrintTag], paper: str, first: int, says: str,
                                     tmp_path: Path) -> None:
    with pytest.raises(UserError, match=says):
        print_targets(tags, paper, tmp_path / "out", first)
    assert not (tmp_path / "out").exists()


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "tags.pdf").write_text("mine")
    with pytest.raises(UserError, match="tags.pdf is already there"):
        print_targets(TAGS, "A4", tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["tags.pdf"]
    assert (tmp_path / "tags.pdf").read_text() == "mine"


def test_output_folder_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / "print").write_text("")
    with pytest.raises(UserError, match="name another folder"):
        print_targets([], "A4", tmp_path / "print")
