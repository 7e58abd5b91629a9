"""A board to print, and finding it in pictures: the same as marking points by hand, only finer.

The board is six square markers in two rows (OpenCV's own ArUco dictionary 4×4; each paper size has its own numbers, so a
picture tells which one it shows). It lies flat on the belt, printed side up, or stands upright on it facing the camera; its
long edge runs along the travel in a side view and across it in rear and front views. A low camera sees a board that lies
flat nearly edge-on: from hip height and 4 m away, pictures of 1080 lines show A4 well enough, and 720 lines A3; else let
it stand.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import attrs
import cv2
import numpy as np
from numpy.typing import NDArray

from midstance.camera.ground import LENGTH_RELATIVE_SIGMA, SLOPE_SIGMA_DEG, PlaneMarks
from midstance.camera.pinhole import Lens
from midstance.camera.whole_file import write_whole
from midstance.errors import OptionError
from midstance.film.frames import Picture
from midstance.film.reader import probe, read_frames
from midstance.gait.model import Floats, View

Paper = Literal["a4", "a3", "letter"]
Place = Literal["standing", "lying"]
COLUMNS, ROWS = 3, 2
#: Corners of a marker in one picture are good to about this, px, 1 SD, of a board that stands or lies (measured on pictures
#: made by a camera model: 0.1 to 0.3 and 0.2 to 0.6).
CORNER_SIGMA_PX: dict[str, float] = {"standing": 0.4, "lying": 0.6}
#: A board laid or stood by hand is square to the travel to about this, degrees, 1 SD; engineering choice.
ALIGN_SIGMA_DEG = 1.5
#: Fewest markers for a board to count as found.
MIN_MARKERS = 3
#: Most that the corners may stray between pictures, px, for a board that lies still.
STILL_PX = 2.0
#: Pictures looked at in a film, and views needed for a lens.
FILM_PICTURES = 8
MIN_LENS_VIEWS = 5


@attrs.frozen
class BoardSize:
    """Sizes of one paper's board, mm. ``first_id`` is the number of its first marker; the page lies on its long side."""

    paper: Paper
    page_mm: tuple[float, float]
    marker_mm: float
    gap_mm: float
    bottom_mm: float
    bar_mm: float
    first_id: int

    @property
    def left_mm(self) -> float:
        """Distance of the first column from the page's left edge."""
        return 0.5 * (self.page_mm[0] - COLUMNS * self.marker_mm - (COLUMNS - 1) * self.gap_mm)

    def corners_mm(self, index: int) -> Floats:
        """Return the (4, 2) corners of marker ``index``, mm from the page's bottom left, y up, clockwise from top left."""
        row, column = divmod(index, COLUMNS)
        step = self.marker_mm + self.gap_mm
        x = self.left_mm + column * step
        y = self.bottom_mm + (ROWS - 1 - row) * step
        m = self.marker_mm
        return np.array([[x, y + m], [x + m, y + m], [x + m, y], [x, y]])


SIZES: dict[Paper, BoardSize] = {
    "a4": BoardSize("a4", (297.0, 210.0), 72.0, 14.0, 38.0, 200.0, 0),
    "a3": BoardSize("a3", (420.0, 297.0), 108.0, 22.0, 44.0, 300.0, 10),
    "letter": BoardSize("letter", (279.4, 215.9), 70.0, 14.0, 42.0, 200.0, 20),
}
PAPER_WORDS: dict[Paper, str] = {"a4": "A4", "a3": "A3", "letter": "Letter"}


def paper_size(name: str) -> BoardSize:
    """Return the board of a paper size; an ``OptionError`` for others."""
    size = SIZES.get(name.strip().lower())  # type: ignore[call-overload]
    if size is None:
        raise OptionError(
            f"there is no board for “{name}” paper",
            where="--paper",
            allowed=", ".join(SIZES),
            next_step="choose the paper in your printer; a3 is found from twice as far",
        )
    return size  # type: ignore[no-any-return]


@lru_cache(maxsize=1)
def _dictionary() -> Any:
    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)


# --- printing -------------------------------------------------------------------------------


def board_svg(size: BoardSize) -> str:
    """Return the markers alone as a vector drawing of the page, in mm."""
    width, height = size.page_mm
    paths = []
    for index in range(COLUMNS * ROWS):
        cells = np.asarray(cv2.aruco.generateImageMarker(_dictionary(), size.first_id + index, 6))
        x0, y0 = size.corners_mm(index)[0, 0], height - size.corners_mm(index)[0, 1]
        cell = size.marker_mm / 6.0
        side = f"{size.marker_mm:.3f}"
        paths.append(f'<rect x="{x0:.3f}" y="{y0:.3f}" width="{side}" height="{side}" fill="#000"/>')
        white = np.pad(cells > 127, ((0, 1), (0, 1)))
        for r, c in np.argwhere(white):
            # A white cell reaches a little into white neighbours, so that no hairline shows between them.
            w = cell + 0.1 * white[r, c + 1]
            h = cell + 0.1 * white[r + 1, c]
            x, y = x0 + c * cell, y0 + r * cell
            paths.append(f'<rect x="{x:.3f}" y="{y:.3f}" width="{w:.3f}" height="{h:.3f}" fill="#fff"/>')
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}mm" height="{height}mm" viewBox="0 0 {width} {height}">'
        + "".join(paths)
        + "</svg>"
    )


_TEMPLATE = """
#set document(title: "Midstance board, {paper}", date: none)
#set page(width: {width}mm, height: {height}mm, margin: 0mm)
#set text(font: "DejaVu Sans", size: {text}pt, lang: "en", hyphenate: false)
#set par(leading: 0.5em)
#place(top + left, image("markers.svg", width: {width}mm, height: {height}mm,
  alt: "Six square black-and-white markers in two rows of three"))
#let bar = {bar}
#let x0 = {bar_x}mm
#let y0 = {bar_y}mm
#place(top + left, dx: x0, dy: y0, line(length: bar * 1mm, stroke: 0.3mm))
#for i in range(0, int(bar / 10) + 1) {{
  let long = if calc.rem(i, 5) == 0 {{ 3mm }} else {{ 1.6mm }}
  place(top + left, dx: x0 + i * 10mm, dy: y0 - long, line(angle: 90deg, length: long, stroke: 0.3mm))
}}
#place(top + left, dx: x0, dy: y0 + 1.6mm, box(width: {column}mm)[
  *This bar must measure {bar} mm.* Print at 100 % (“actual size”), then check it with a ruler. If it
  measures something else, give that as bar_mm in the marks file.
])
#place(top + left, dx: x0 + {column}mm + 6mm, dy: y0 + 1.6mm, box(width: {column}mm)[
  Fix it flat on stiff card. *Stand it upright* in the middle of the belt, this edge down on it, facing the camera; or lay it
  flat, this side up, if the camera looks well down on it. Long edge along the travel from the side, across it from behind
  and in front. Film it for two seconds *with the camera as it stays*, belt stopped; take it off before anybody runs.
])
#place(top + right, dx: -8mm, dy: 5mm, text(size: {small}pt)[Midstance board · {paper_name} · keep the white border])
"""


def board_pdf(paper: str) -> bytes:
    """Return the board as a PDF of one page, the same bytes every time."""
    return _set(paper, "pdf")


def board_png(paper: str, ppi: float = 150.0) -> bytes:
    """Return a picture of the page, for a screen."""
    return _set(paper, "png", ppi)


def _set(paper: str, kind: Literal["pdf", "png"], ppi: float | None = None) -> bytes:
    import importlib.util

    import typst

    size = paper_size(paper)
    width, height = size.page_mm
    bar_x = 0.5 * (width - size.bar_mm)
    large = size.paper == "a3"
    text = _TEMPLATE.format(
        paper=size.paper, paper_name=PAPER_WORDS[size.paper], width=width, height=height,
        bar=int(size.bar_mm), bar_x=bar_x, bar_y=height - size.bottom_mm + 13.0,
        column=0.5 * (size.bar_mm - 6.0), text=9.5 if large else 7.0, small=8 if large else 6.5,
    )  # fmt: skip
    spec = importlib.util.find_spec("matplotlib")
    fonts = [str(Path(f) / "mpl-data" / "fonts" / "ttf") for f in (spec.submodule_search_locations or [])] if spec else []
    with tempfile.TemporaryDirectory(prefix="midstance-") as name:
        folder = Path(name)
        (folder / "markers.svg").write_text(board_svg(size), encoding="utf-8")
        (folder / "board.typ").write_text(text, encoding="utf-8")
        data = typst.compile(
            str(folder / "board.typ"), root=str(folder), font_paths=fonts, ignore_system_fonts=True, format=kind, ppi=ppi
        )
    assert isinstance(data, bytes)
    return data


def write_board(path: Path, paper: str = "a4") -> Path:
    """Write the printable board as a PDF; nothing is left behind when that fails.

    Raises
    ------
    OptionError
        No such paper, or a name that is not a PDF.
    OutputError
        The file can't be written.
    """
    path = Path(path)
    if path.suffix.lower() != ".pdf":
        raise OptionError(
            f"“{path.name}” is not the name of a PDF file",
            where="--out",
            allowed="a name ending in .pdf",
            next_step="name it board.pdf",
        )
    write_whole(path, board_pdf(paper), "the board")
    return path


# --- finding --------------------------------------------------------------------------------


@attrs.frozen(eq=False)
class FoundBoard:
    """Marker corners found in a picture: (n, 2) px and (n, 2) places on the page, m from its bottom left, y up."""

    paper: Paper
    points_px: Floats
    page_m: Floats
    markers: int


def _detector() -> Any:
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    parameters.adaptiveThreshWinSizeMax = 53
    parameters.minMarkerPerimeterRate = 0.01
    return cv2.aruco.ArucoDetector(_dictionary(), parameters)


def find_board(luma: Picture, *, paper: str | None = None) -> FoundBoard | None:
    """Find the board in one picture; None when fewer than ``MIN_MARKERS`` of one paper's markers are seen.

    Parameters
    ----------
    luma : (height, width) uint8.
    paper : look for this one only; None: whichever shows most markers.

    Notes
    -----
    A small or steeply seen board is looked for again in an enlarged picture, and in one stretched upwards, since a marker
    needs a few pixels for each of its cells both ways.
    """
    wanted = [paper_size(paper)] if paper else list(SIZES.values())
    best: FoundBoard | None = None
    for wide, high in ((1, 1), (2, 2), (1, 3), (2, 5)):
        if wide * high * luma.size > 40_000_000:
            continue
        picture = luma
        if (wide, high) != (1, 1):
            picture = np.asarray(cv2.resize(luma, None, fx=wide, fy=high, interpolation=cv2.INTER_CUBIC), dtype=np.uint8)
        corners, ids, _ = _detector().detectMarkers(picture)
        if ids is None:
            continue
        seen = {int(i): np.asarray(c, dtype=np.float64).reshape(4, 2) for i, c in zip(ids.ravel(), corners, strict=True)}
        for size in wanted:
            own = [i for i in range(COLUMNS * ROWS) if size.first_id + i in seen]
            if len(own) < MIN_MARKERS or (best is not None and len(own) <= best.markers):
                continue
            # OpenCV's coordinates have 0 in the middle of the first pixel; enlarged, a pixel's edges stay edges.
            px = (np.concatenate([seen[size.first_id + i] for i in own]) + 0.5) / np.array([wide, high])
            page = np.concatenate([size.corners_mm(i) for i in own]) / 1000.0
            found = _consistent(px, page)
            if found is not None:
                best = FoundBoard(size.paper, px, page, len(own))
        if best is not None and best.markers == COLUMNS * ROWS:
            break
    return best


def _consistent(px: Floats, page: Floats) -> Floats | None:
    """Return the plane's homography if all corners fit one within a few pixels, as those of a real board do."""
    h, _ = cv2.findHomography(page, px, 0)
    if h is None:
        return None
    shown = np.concatenate([page, np.ones((len(page), 1))], axis=1) @ np.asarray(h).T
    miss = np.linalg.norm(shown[:, :2] / shown[:, 2:] - px, axis=1)
    return np.asarray(h) if float(miss.max()) < 0.02 * float(np.ptp(px, axis=0).max()) + 2.0 else None


def find_board_in_pictures(lumas: Iterable[Picture], *, paper: str | None = None) -> FoundBoard | None:
    """Find a board that lies still through several pictures: the median of its corners; None where it was not found.

    A board carried into the picture is told by its moving: then the longest run of pictures in which it stays within
    ``STILL_PX`` is used.
    """
    found = [find_board(luma, paper=paper) for luma in lumas]
    runs: list[list[FoundBoard]] = [[]]
    for board in found:
        last = runs[-1][-1] if runs[-1] else None
        if board is None or (last is not None and not _same_place(last, board)):
            runs.append([])
        if board is not None:
            runs[-1].append(board)
    run = max(runs, key=len)
    if not run:
        return None
    papers = [b.paper for b in run]
    usual = max(set(papers), key=papers.count)
    points: dict[tuple[float, float], list[Floats]] = {}
    for board in run:
        if board.paper == usual:
            for place, px in zip(board.page_m, board.points_px, strict=True):
                points.setdefault((float(place[0]), float(place[1])), []).append(px)
    page = np.array(list(points))
    px = np.array([np.median(p, axis=0) for p in points.values()])
    return FoundBoard(usual, px, page, len(px) // 4)


def _same_place(a: FoundBoard, b: FoundBoard) -> bool:
    if a.paper != b.paper:
        return False
    mine = {tuple(np.round(m, 6)): px for m, px in zip(a.page_m, a.points_px, strict=True)}
    theirs = {tuple(np.round(m, 6)): px for m, px in zip(b.page_m, b.points_px, strict=True)}
    apart = [np.linalg.norm(px - mine[k]) for k, px in theirs.items() if k in mine]
    return bool(apart) and float(np.median(apart)) <= STILL_PX


def find_board_in_film(
    path: Path, *, start_s: float = 0.0, end_s: float | None = None, paper: str | None = None
) -> FoundBoard | None:
    """Look for a still board in a few pictures of a film, spread evenly over file times ``start_s`` to ``end_s``.

    The film may be the runner's own (board filmed before the run) or one of the board alone from the same camera place.
    """
    info = probe(path)
    end = info.duration_s if end_s is None else end_s
    frames = max(1, int((end - start_s) * float(info.average_fps or 30)))
    every = max(1, frames // FILM_PICTURES)
    lumas = [
        f.gray_small(max(f.width, f.height))
        for f in read_frames(path, start_s=start_s or None, end_s=end, every=every, info=info)
    ]
    return find_board_in_pictures(lumas, paper=paper)


def board_marks(
    board: FoundBoard,
    view: View,
    *,
    place: Place = "standing",
    direction: str | None = None,
    bar_mm: float | None = None,
    slope_percent: float | None = None,
) -> PlaneMarks:
    """Turn a found board into marks for ``ground.solve_camera``.

    Parameters
    ----------
    place : "standing" upright on its long edge in the runner's plane (side view) or across the travel (rear, front), facing
        the camera; "lying" flat with the printed side up, square to the travel.
    direction : side view: "+x" or "-x".
    bar_mm : what the printed bar measures, when not as printed on it.
    """
    size = SIZES[board.paper]
    printed = 1.0 if bar_mm is None else bar_mm / size.bar_mm
    if not 0.9 <= printed <= 1.1:
        raise OptionError(
            f"a bar of {bar_mm:g} mm is too far from its {size.bar_mm:g} mm",
            where="board",
            allowed=f"{0.9 * size.bar_mm:g} to {1.1 * size.bar_mm:g} mm",
            next_step="measure the printed bar from its first to its last stroke, in mm",
        )
    page = board.page_m * printed
    across = page[:, 0] - 0.5 * size.page_mm[0] / 1000.0 * printed
    up = page[:, 1]
    zero = np.zeros(len(page))
    if place == "standing":
        if view == "side":
            sign = 1.0 if direction == "+x" else -1.0
            points = np.stack([sign * across, up, zero], axis=1)
        else:
            points = np.stack([zero, up, across if view == "rear" else -across], axis=1)
    else:
        middle = 0.5 * size.page_mm[1] / 1000.0 * printed
        points = np.stack([across, zero, -(up - middle)], axis=1)
    words = f"the {place} board ({PAPER_WORDS[size.paper]})"
    return PlaneMarks(
        board.points_px,
        points,
        "fixed" if place == "standing" else "turns",
        CORNER_SIGMA_PX[place],
        length_relative_sigma=LENGTH_RELATIVE_SIGMA if bar_mm is None else 0.5 / size.bar_mm,
        align_sigma_deg=ALIGN_SIGMA_DEG,
        slope_percent=slope_percent or 0.0,
        slope_sigma_deg=SLOPE_SIGMA_DEG[0 if slope_percent is not None else 1],
        source=words,
    )


# --- the lens -------------------------------------------------------------------------------


def calibrate_lens(pictures: Sequence[Picture], *, paper: str | None = None, where: str = "lens pictures") -> Lens:
    """Find focal length and distortion from several pictures of the board, held at different angles and places.

    Parameters
    ----------
    pictures : (height, width) uint8, all of one size, taken with the camera mode the films are taken in; at least
        ``MIN_LENS_VIEWS`` must show the board. It should reach into the corners of the picture, and be slanted in some.

    Raises
    ------
    OptionError
        Too few usable pictures, several sizes, or pictures that do not tell the lens.
    """
    sizes = {p.shape for p in pictures}
    if len(sizes) > 1:
        raise OptionError(
            "the pictures have several sizes",
            where=where,
            allowed="pictures of one size",
            next_step="leave out the odd ones",
        )
    boards = [b for b in (find_board(p, paper=paper) for p in pictures) if b is not None]
    if len(boards) < MIN_LENS_VIEWS:
        raise OptionError(
            f"the board was found in {len(boards)} of {len(pictures)} pictures",
            where=where,
            allowed=f"at least {MIN_LENS_VIEWS} pictures that show it sharp and whole",
            next_step="take ten pictures with the board at different places and angles, filling a third of the picture",
        )
    height, width = next(iter(sizes))
    objects = [np.concatenate([b.page_m, np.zeros((len(b.page_m), 1))], axis=1).astype(np.float32) for b in boards]
    images = [(b.points_px - 0.5).astype(np.float32).reshape(-1, 1, 2) for b in boards]
    start = np.array([[max(width, height), 0, width / 2 - 0.5], [0, max(width, height), height / 2 - 0.5], [0, 0, 1]], float)
    flags = (
        cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3
    )
    rms, k, distortion, _, _, deviations, _, _ = cv2.calibrateCameraExtended(
        objects, images, (width, height), start, np.zeros(5), flags=flags
    )
    focal, k1, k2 = float(k[0, 0]), float(distortion.ravel()[0]), float(distortion.ravel()[1])
    sure = np.asarray(deviations).ravel()
    reach = _reach(boards, (width, height))
    if not (rms < 2.0 and sure[0] < 0.05 * focal and 0.2 * max(width, height) < focal < 10 * max(width, height)):
        raise OptionError(
            f"the pictures do not tell the lens (misfit {rms:.1f} px, focal length {focal:.0f} ± {sure[0]:.0f} px)",
            where=where,
            allowed="a flat board, held still, seen straight on and slanted to all four sides",
            next_step="fix the board on stiff card and take the pictures again",
        )
    if reach < 0.6:
        raise OptionError(
            "the board never came near the edges of the picture, where the lens bends lines most",
            where=where,
            allowed="boards that reach at least 60 % of the way from the middle to the corners",
            next_step="take some pictures with the board in the corners",
        )
    centre = (float(k[0, 2]) + 0.5, float(k[1, 2]) + 0.5)
    return Lens(
        k1, k2, 0.0, focal, (width, height), centre, max(float(sure[0]) / focal, 0.003),
        f"calibrated from {len(boards)} pictures of the board, misfit {rms:.2f} px",
    )  # fmt: skip


def _reach(boards: list[FoundBoard], size_px: tuple[int, int]) -> float:
    """Farthest corner found from the middle, as a share of the way to the picture's corners."""
    half = np.array(size_px) / 2.0
    points: NDArray[np.float64] = np.concatenate([b.points_px for b in boards])
    return float(np.max(np.linalg.norm(points - half, axis=1)) / np.linalg.norm(half))
