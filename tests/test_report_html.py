"""The calibration record: everything in it, nothing run by it, whole when things are missing."""

from __future__ import annotations

import base64
import json
import re
import shutil
import subprocess
import time
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

import cv2
import numpy as np
import pytest
from report_samples import stored
from report_sessions import record, scaled, solved, store
from scipy.spatial.transform import Rotation

from engine.camera.model import LensU, PartLensU
from engine.cell.mount import EYE_TO_HAND, Mount
from engine.cell.result import SystematicError
from engine.cell.session import Session
from engine.cell.touched import Pointer, StoredProof, TouchedPoint
from engine.errors import FileError, StationbookError
from engine.estimate.result import Result
from engine.findings import Finding, Level
from engine.frames import apply, displaced
from engine.pendant.settings import Active
from engine.proof.stated import covariance_of
from engine.report.figures import places, residual_picture, uncertainty
from engine.report.html_base import number, rounded, safe
from engine.report.report_html import record_body, record_page
from engine.report.stations import StationView, course, placement, station_views, thumbnails
from engine.simulate.scenario import cell

PRINTED = datetime(2026, 11, 25, 12, 0)
SECONDS, LARGEST = 3.0, 5_000_000  # of a report of 15 stations, on two cores
VOID = {"meta", "img", "br", "path", "rect", "image", "circle"}


class Recorded(NamedTuple):
    folder: Path
    session: Session
    document: dict[str, Any]
    result: Result
    html: str


def report(folder: Path, session: Session, document: dict[str, Any], **more: Any) -> str:
    head = {"format": 1, "mount": session.cell.mount}
    said = stored(head | document)
    how = {"printed": PRINTED, "program": "stationbook 0.1.0", **more}
    return record_page(session, record_body(folder, session, said, **how))


def viewed(folder: Path, session: Session, document: dict[str, Any]) -> list[StationView]:
    found = stored(document)
    return station_views(session, folder, found, placement(found, session.cell))


@pytest.fixture(scope="module", params=["eye-to-hand", "eye-in-hand"])
def recorded(request: Any, tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    folder = tmp_path_factory.mktemp("session")
    session = record(folder, mount=request.param, count=8, factor=0.5)
    problem, result, document = solved(session, folder)
    html = report(folder, session, document, course=course(problem, result))
    return Recorded(folder, session, document, result, html)


class Reader(HTMLParser):
    """Reads strictly: every element closed where it was opened; keeps text and attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not {"style"} & set(self.open):
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def test_record_says_all_that_it_must(recorded: Recorded) -> None:
    text = Reader(recorded.html).text
    cell, document = recorded.session.cell, recorded.document
    for words in (
        cell.name, "demo six-axis arm", cell.camera.name, "11 × 8 points, pitch 20 mm", "serial",
        "Active tool flange", "Active frame base", "A. Example", "2026-11-25T09:00:00+01:00",
        "stationbook 0.1.0", "2026-11-25 12:00", "ACCEPTED", "rule: all three must hold",
        "Proven by touch points: not yet.", cell.camera_key, cell.board_key, "Signatures",
        "robot stopped and the enabling switch released", "nobody else inside the fence",
        "come first", "a record, not an accredited certificate", "relates only to",
    ):  # fmt: skip
        assert words in text, words
    for item in document["findings"]:
        assert item["message"] in text
        assert item["remedy"] in text
    for digest in document["inputs"].values():
        assert digest in text
    for station in recorded.session.stations:
        x, y, z, a, b, c = station.pose or ()
        assert f"X {x} Y {y} Z {z} A {a} B {b} C {c}" in text


def test_transform_on_the_page_is_that_of_the_document(recorded: Recorded) -> None:
    T = np.array(recorded.document[recorded.session.cell.camera_key]["matrix"])
    printed = re.findall(r"<pre><code>(.*?)</code></pre>", recorded.html, re.DOTALL)
    assert np.array(printed[0].split(), float).reshape(4, 4) == pytest.approx(T, abs=1e-8)
    (typed,) = re.findall(
        r'On the pendant</dt><dd><span class="typed">(.*?)</span>', printed_once(recorded)
    )
    values = np.array(re.findall(r"-?\d+\.\d+", typed), float)
    assert values[:3] == pytest.approx(T[:3, 3], abs=0.006)
    R = Rotation.from_euler("xyz", values[3:], degrees=True).as_matrix()
    assert pytest.approx(T[:3, :3], abs=3e-4) == R


def printed_once(recorded: Recorded) -> str:
    """Return the page up to the second transform."""
    return recorded.html.split(f"<code>{recorded.session.cell.board_key}</code>")[0]


def test_uncertainties_on_the_page_are_those_of_the_covariance(recorded: Recorded) -> None:
    u = np.sqrt(np.diag(covariance_of(stored(recorded.document).covariance)))
    row = re.search(r"u \(k = 1\)</th>(.*?)</tr>", recorded.html)
    shown = [float(v) for v in re.findall(r"<td>([\d.]+) ", row[1] if row else "")]
    assert shown == pytest.approx([*u[3:], *np.rad2deg(u[:3])], rel=0.06)


def test_every_figure_has_words_and_every_picture_a_name(recorded: Recorded) -> None:
    tags = Reader(recorded.html).tags
    images = [attributes for tag, attributes in tags if tag == "img"]
    assert len(images) == 5
    assert all(image["alt"] for image in images)
    pictures = [a for tag, a in tags if tag == "svg"]
    assert len(pictures) == 8
    assert all(picture["role"] == "img" and picture["aria-label"] for picture in pictures)
    captions = re.findall(r"<figcaption><b>(.*?)</b>(.*?)</figcaption>", recorded.html)
    assert len(captions) == 13
    assert all(len(words) > 20 for _, words in captions)


def test_page_needs_nothing_else_and_runs_nothing(recorded: Recorded) -> None:
    tags = Reader(recorded.html).tags
    assert not {tag for tag, _ in tags} & {"script", "link", "iframe", "object", "form", "a"}
    for _, attributes in tags:
        assert not [name for name in attributes if name.startswith("on")]
        for name in ("src", "href"):
            assert (attributes.get(name) or "data:").startswith("data:")
    assert "default-src 'none'" in recorded.html
    assert "url(" not in recorded.html
    assert "@import" not in recorded.html


def test_figures_are_svg_that_reads_as_xml(recorded: Recorded) -> None:
    data = re.findall(r"data:image/svg\+xml;base64,([\w+/=]+)", recorded.html)
    assert len(data) == 5
    for item in data:
        assert ET.fromstring(base64.b64decode(item)).tag.endswith("svg")


def test_labels_of_the_axes_stand_clear_of_their_numbers(recorded: Recorded) -> None:
    folder, session, document, _, _ = recorded
    views = viewed(folder, session, document)
    small = [
        replace(view, row=replace(view.row, robot_residual_deg=0.0002 * k))
        for k, view in enumerate(views)
    ]
    picture = residual_picture(small)
    assert picture is not None
    texts = [item for item in ET.fromstring(picture.svg).iter() if item.tag.endswith("}text")]
    labels = [item for item in texts if "rotate(-90" in item.get("transform", "")]
    ticks = [item for item in texts if "text-anchor: end" in item.get("style", "")]
    assert len(labels) == 3
    assert max(len(item.text or "") for item in ticks) >= 6  # such as 0.0005
    # Digits of DejaVu Sans are 0.64 em wide, letters reach 0.76 em up and 0.24 em down.
    size, right = 9.0, max(float(item.get("x", "nan")) for item in labels)
    assert min(float(item.get("x", "nan")) for item in labels) - 0.76 * size > 0
    for item in ticks:
        left = float(item.get("x", "nan")) - 0.64 * size * len(item.text or "")
        assert right + 0.24 * size < left


def test_corrections_show_the_old_value_and_the_new_one(tmp_path: Path) -> None:
    session = record(tmp_path, count=8, images=False)
    _, _, document = solved(session, tmp_path)
    old = list(session.stations[2].pose or ())
    common = {"at": "2026-11-25T09:25:00+01:00", "file": "session.yaml", "before": None}
    lines = [
        {**common, "action": "correct", "station": 3, "after": "x", "replaced": old,
         "typed": [old[0], "17.20", *old[2:]]},
        {**common, "action": "fix cell", "key": "pendant.rotation", "after": "y",
         "replaced": "fixed-zyx", "typed": "fixed-xyz"},
    ]  # fmt: skip
    text = "\n".join(json.dumps(line) for line in lines) + "\n"
    (tmp_path / "journal.jsonl").write_text(text, encoding="utf-8")
    html = report(tmp_path, session, document)
    done = html[html.index("What was done") :]
    assert f"Y {old[1]} → 17.20" in done
    assert f"X {old[0]} →" not in done
    assert "pendant.rotation fixed-zyx → fixed-xyz" in done


def test_arrows_point_from_the_points_seen_to_where_the_result_puts_them(
    recorded: Recorded,
) -> None:
    folder, session, document, _, _ = recorded
    placed = placement(stored(document), session.cell)
    views = viewed(folder, session, document)
    for view, picture in zip(
        views, thumbnails(views, folder, session.cell.camera.image_size_px), strict=True
    ):
        assert view.seen is not None
        assert view.expected is not None
        # OpenCV's own projection instead of ours
        F, X, B = view.base_T_flange, placed.camera, placed.board
        chain = np.linalg.inv(X) @ F @ B if X_is_fixed(session) else np.linalg.inv(F @ X) @ B
        rvec, _ = cv2.Rodrigues(chain[:3, :3])
        camera = session.cell.camera
        pixels, _ = cv2.projectPoints(
            session.cell.board.points(), rvec, chain[:3, 3], np.array(camera.matrix),
            np.array(camera.distortion),
        )  # fmt: skip
        assert view.expected == pytest.approx(pixels[:, 0], abs=1e-6)
        assert picture.svg is not None
        starts = re.findall(r"M([-\d.]+) ([-\d.]+)L([-\d.]+) ([-\d.]+)M", picture.svg)
        arrows = np.array(starts, float)[: len(view.seen)]
        offset = (pixels[:, 0] - view.seen) * picture.gain
        assert arrows[:, :2] == pytest.approx(view.seen, abs=0.06)
        assert arrows[:, 2:] - arrows[:, :2] == pytest.approx(offset, abs=0.11)
        assert picture.rms_px == pytest.approx(np.sqrt(np.mean((pixels[:, 0] - view.seen) ** 2)))


def X_is_fixed(session: Session) -> bool:
    return session.cell.mount == "eye-to-hand"


def test_map_of_the_work_volume_agrees_with_the_document_and_with_simulation(
    recorded: Recorded,
) -> None:
    document, cell = recorded.document, recorded.session.cell
    placed = placement(stored(document), cell)
    views = viewed(recorded.folder, recorded.session, document)
    poses = np.array([view.base_T_flange for view in views])
    covariance, T = covariance_of(stored(document).covariance), placed.delivered
    u = uncertainty(cell, T, covariance, poses)
    corners = u[::2, ::4, ::4]
    told = stored(document).wider * corners.max()
    assert told == pytest.approx(document["uncertainty"]["work_volume_mm"], rel=1e-3)
    rng = np.random.default_rng(1)
    xi = rng.multivariate_normal(np.zeros(6), covariance, size=4000)
    place = places(cell)[0, 0, 0][None]
    seen = place if cell.work_volume.frame == "camera" else apply(np.linalg.inv(T), place)
    moved = apply(displaced(T, xi), seen)[:, 0] - apply(T, seen)[0]
    assert u[0, 0, 0] == pytest.approx(np.sqrt((moved**2).sum(axis=1).mean()), rel=0.05)


def test_course_falls_and_ends_at_the_stated_uncertainty(recorded: Recorded) -> None:
    problem, result, _ = solved(recorded.session, recorded.folder)
    points = course(problem, result)
    assert [point.count for point in points] == list(range(3, 9))
    picks = [point.pick_mm for point in points]
    assert all(later <= earlier for earlier, later in pairwise(picks))
    assert picks[-1] == pytest.approx(result.uncertainty.pick_mm, rel=0.02)
    assert points[-1].work_volume_mm == pytest.approx(result.uncertainty.work_volume_mm, rel=0.02)
    assert course(problem, replace(result, pick=None)) == ()


@pytest.mark.parametrize("mount", ["eye-to-hand", "eye-in-hand"])
def test_four_axis_robot_with_a_measured_height_has_a_course_and_without_shows_what_is_known(
    mount: Mount, tmp_path: Path
) -> None:
    session = record(tmp_path, mount=mount, count=6, images=False, axes=4)
    problem, result, _ = solved(session, tmp_path)
    points = course(problem, result)
    assert points[-1].pick_mm == pytest.approx(result.uncertainty.pick_mm, rel=0.02)
    board = replace(session.cell.board, height_mm=None)
    session = replace(session, cell=replace(session.cell, board=board))
    problem, result, document = solved(session, tmp_path)
    assert course(problem, result) == ()
    text = Reader(report(tmp_path, session, document)).text
    x, y, z = document[session.cell.camera_key]["position_mm"]
    assert z is None
    assert f"x {number(x, 4)}, y {number(y, 4)}, z not known" in text
    assert "U of a pick (k = 2) not known" in text


def test_slip_shows_in_verdict_findings_table_and_figure(tmp_path: Path) -> None:
    session = record(tmp_path, count=8, images=False, slip=4)
    _, _, document = solved(session, tmp_path)
    reader = Reader(report(tmp_path, session, document))
    assert "NOT ACCEPTED" in reader.text
    assert "ERROR: " in reader.text
    assert "BROKEN" in reader.text
    assert "Station 4 (not used)" in reader.text
    assert re.search(r"position: (9\.|10)\S* mm at station 4", reader.text)


HOSTILE = '<script>alert(1)</script>" onload="x" \u202e&amp; \x00 $x$'


def test_how_well_board_and_lens_are_known_stands_beside_them(recorded: Recorded) -> None:
    session = recorded.session
    plain = session.cell
    silent = replace(plain.board, scale_u=None, bow_u_mm=0.05)
    cell_ = replace(plain, board=silent, camera=replace(plain.camera, u=None))
    page = report(recorded.folder, replace(session, cell=cell_), recorded.document)
    assert "lengths 0.24 % (assumed), flatness 0.1 mm<" in page
    assert "focal length 0.2 %, centre 4 px, image corner 1 px (assumed)" in page
    given = replace(plain.camera, u=LensU(0.0003, 0.5, 0.2))
    cell_ = replace(plain, board=replace(silent, scale_u=0.0005), camera=given)
    page = report(recorded.folder, replace(session, cell=cell_), recorded.document)
    assert "lengths 0.1 %, flatness 0.1 mm<" in page
    assert "focal length 0.06 %, centre 1 px, image corner 0.4 px<" in page
    part = PartLensU(focal=0.0003, absent=("center_px", "edge_px"))
    cell_ = replace(plain, camera=replace(plain.camera, u=part))
    page = report(recorded.folder, replace(session, cell=cell_), recorded.document)
    assert "centre 4 px, image corner 1 px (centre and image corner assumed)" in page


def test_every_text_of_a_session_is_escaped(tmp_path: Path) -> None:
    session = record(tmp_path, count=6, images=False)
    _, _, document = solved(session, tmp_path)
    cell = session.cell
    marked = replace(
        session, name=HOSTILE, operator=HOSTILE, created=HOSTILE,
        cell=replace(
            cell, name=HOSTILE, camera=replace(cell.camera, name=HOSTILE),
            robot=cell.robot and replace(cell.robot, name=HOSTILE),
            pendant=replace(
                cell.pendant, active_tool=Active(HOSTILE, (HOSTILE,)), active_frame=Active(HOSTILE),
            ),
        ),
        stations=tuple(
            replace(s, note=HOSTILE, operator=HOSTILE, taken=HOSTILE, accepted=(HOSTILE,))
            for s in session.stations
        ),
    )  # fmt: skip
    said = dict.fromkeys(("code", "message", "remedy", "typed", "suggested", "field"), HOSTILE)
    point = TouchedPoint(1, HOSTILE, (0.0, 0.0, 0.0), (0.0, 0.0, 0.0), 1.0, 1.0, False)
    pointer = Pointer((0.0, 0.0, 150.0), 0.1)
    found = replace(
        stored(document),
        findings=(Finding(level=Level.ERROR, **said),),
        inputs={HOSTILE: HOSTILE},
        systematic=(SystematicError(HOSTILE, value_mm=1.0, u_mm=1.0),),
        proof=StoredProof(False, (point,), 1.0, 1.0, (0.0, 0.0, 0.0), (), pointer, 1.0),
    )
    line: dict[str, Any] = dict.fromkeys(("at", "who", "action", "reason"), HOSTILE)
    line |= {"replaced": HOSTILE, "typed": HOSTILE, "key": HOSTILE}
    line |= {"accepted": [HOSTILE], "file": "session.yaml", "before": None, "after": "x"}
    (tmp_path / "journal.jsonl").write_text(json.dumps(line) + "\n", encoding="utf-8")
    how = {"printed": PRINTED, "program": "stationbook 0.1.0", "result_sha256": HOSTILE}
    html = record_page(marked, record_body(tmp_path, marked, found, **how))
    tags = Reader(html).tags
    assert "script" not in {tag for tag, _ in tags}
    assert not [a for _, a in tags if "onload" in a]
    assert "\u202e" not in html
    assert "\x00" not in html
    assert html.count("&lt;script&gt;alert(1)") > 20


def test_document_with_nothing_known_still_gives_a_record(tmp_path: Path) -> None:
    session = record(tmp_path, count=3, images=False)
    for document in (
        {},
        {"verdict": None, "stations": None, "findings": None, "uncertainty": None, "noise": None},
        {"base_T_camera": None, "stations": [{"id": 1}], "inputs": {}, "proof": None},
    ):
        text = Reader(report(tmp_path, session, document)).text
        assert "NOT ACCEPTED" in text
        assert "not known" in text
        assert "Not wholly known" in text
        assert not re.search(r"\bnan\b|\bNone\b", text)
    empty = replace(session, stations=())
    assert "nothing to draw" in Reader(report(tmp_path, empty, {})).text


def test_missing_and_damaged_files_are_told_and_the_rest_is_shown(tmp_path: Path) -> None:
    session = record(tmp_path, count=6, factor=0.25)
    _, _, document = solved(session, tmp_path)
    (tmp_path / "images" / "001.png").unlink()
    (tmp_path / "images" / "002.png").write_bytes(b"\x89PNG\r\n\x1a\n cut")
    (tmp_path / "points" / "003.csv").write_text("id,u_px\nx")
    text = Reader(report(tmp_path, session, document)).text
    assert "no such file" in text
    assert "the file is cut off" in text
    assert "station 3: " in text
    assert "CHANGED since the result was computed" in text
    assert "Station 6" in text


def test_image_outside_the_session_is_never_shown(tmp_path: Path) -> None:
    inside = tmp_path / "session"
    inside.mkdir()
    cv2.imwrite(str(tmp_path / "secret.png"), np.full((40, 40), 99, np.uint8))
    session = record(inside, count=3, images=False)
    stations = tuple(replace(s, image="../secret.png") for s in session.stations)
    html = report(inside, replace(session, stations=stations), {})
    assert "image/jpeg" not in html
    assert "is not a path inside this folder" in Reader(html).text


def test_session_changed_after_solving_is_told(tmp_path: Path) -> None:
    session = record(tmp_path, count=6, images=False)
    _, _, document = solved(session, tmp_path)
    assert "All files are those that the result was computed from" in report(
        tmp_path, session, document
    )
    store(tmp_path, replace(session, operator="somebody else"))
    changed = report(tmp_path, session, document)
    assert "CHANGED since the result was computed: session.yaml" in changed


def test_damaged_transform_is_refused_with_a_sentence(tmp_path: Path) -> None:
    session = record(tmp_path, count=3, images=False)
    with pytest.raises(StationbookError, match="base_T_camera"):
        report(tmp_path, session, {"base_T_camera": {"matrix": 1}})


@pytest.mark.parametrize(
    "damage",
    [{"stations": [None]}, {"findings": [3]}, {"inputs": 3}, {"uncertainty": {"pick_mm": "x"}},
     {"verdict": "perhaps"}, {"proof": {"points": 1}}, {"unknown": 1}],
    ids=lambda damage: str(next(iter(damage))),
)  # fmt: skip
def test_damaged_result_is_refused_naming_the_line(damage: dict[str, Any]) -> None:
    with pytest.raises(FileError, match="result\\.yaml") as refusal:
        stored({"format": 1, "mount": "eye-to-hand"} | damage)
    assert refusal.value.line is not None


@pytest.fixture(scope="module")
def large(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[Path, Session, dict[str, Any]]]:
    """Yield 15 stations with images of five megapixels."""
    folder = tmp_path_factory.mktemp("large")
    session = record(folder, count=15, factor=0.25)
    session = replace(session, cell=scaled(cell(), 2.0))
    texture = np.random.default_rng(2).normal(120, 12, (2048, 2560)).clip(0, 255).astype(np.uint8)
    small = cv2.imread(str(folder / str(session.stations[0].image)), cv2.IMREAD_GRAYSCALE)
    big = cv2.resize(small, (2560, 2048)) // 2 + texture // 2
    image = cv2.imencode(".png", big, [cv2.IMWRITE_PNG_COMPRESSION, 1])[1].tobytes()
    for station in session.stations:
        (folder / str(station.image)).write_bytes(image)
        path = folder / str(station.points)
        rows = np.loadtxt(path, delimiter=",", skiprows=1)
        rows[:, 1:] = (rows[:, 1:] + 0.5) * 8 - 0.5
        np.savetxt(path, rows, "%d,%.4f,%.4f", header="id,u_px,v_px", comments="")
    store(folder, session)
    _, _, document = solved(session, folder)
    yield folder, session, document
    shutil.rmtree(folder)


def test_fifteen_stations_of_five_megapixels_take_three_seconds_and_five_megabytes(large) -> None:
    times = []
    for _ in range(2):  # matplotlib reads its fonts the first time
        started = time.process_time()  # all threads: more than the clock shows on an idle machine
        html = report(*large)
        times.append(time.process_time() - started)
        if times[-1] < SECONDS:
            break
    assert min(times) < SECONDS
    assert 200_000 < len(html.encode()) < LARGEST
    assert html.count("image/jpeg") == 15


def test_long_sessions_show_the_worst_stations_only(tmp_path: Path) -> None:
    session = record(tmp_path, count=6, images=False)
    stations = tuple(replace(session.stations[k % 6], id=k + 1) for k in range(300))
    rows = [{"id": k + 1, "used": k != 7, "robot_residual_mm": 0.001 * k} for k in range(300)]
    long = replace(session, stations=stations)
    html = report(tmp_path, long, {"stations": rows})
    assert len(re.findall(r"<svg role", html)) == 40
    text = Reader(html).text
    assert "Station 8 (not used)" in text
    assert "Station 300 " in text
    assert "Shown are 40 of 300 stations" in text


@pytest.mark.skipif(not shutil.which("chromium"), reason="chromium missing")
@pytest.mark.skipif(not shutil.which("pdftotext"), reason="poppler-utils missing")
def test_printed_by_a_browser_nothing_is_cut_off(recorded: Recorded, tmp_path: Path) -> None:
    paper = "A4" if recorded.session.cell.mount == EYE_TO_HAND else "Letter"
    page = recorded.html.replace("size: A4;", f"size: {paper};", 1)
    (tmp_path / "r.html").write_text(page, encoding="utf-8")
    command = ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"]
    command += [f"--user-data-dir={tmp_path / 'profile'}", f"--print-to-pdf={tmp_path / 'r.pdf'}"]
    subprocess.run(
        [*command, (tmp_path / "r.html").as_uri()], check=True, timeout=90, capture_output=True
    )
    boxes = subprocess.run(
        ["pdftotext", "-bbox", "r.pdf", "-"], cwd=tmp_path, capture_output=True, check=True
    ).stdout.decode()
    (width, height), *_ = re.findall(r'<page width="([\d.]+)" height="([\d.]+)"', boxes)
    expected = {"A4": (595, 842), "Letter": (612, 792)}[paper]
    assert (float(width), float(height)) == pytest.approx(expected, abs=1.5)
    margin = 12 * 72 / 25.4  # the page's side margins are 13 mm
    words = re.findall(r'xMin="([\d.]+)" yMin="[\d.]+" xMax="([\d.]+)"[^>]*>([^<]*)<', boxes)
    outside = [w for a, b, w in words if float(a) < margin or float(b) > expected[0] - margin]
    assert outside == []
    assert "accredited" in boxes
    assert re.search(r">ACCEPTED<", boxes)
    text = subprocess.run(
        ["pdftotext", "-layout", "r.pdf", "-"], cwd=tmp_path, capture_output=True, check=True
    ).stdout.decode()
    sheets = [[line.strip() for line in sheet.splitlines() if line.strip()]
              for sheet in text.split("\f")]  # fmt: skip
    last = {sheet[-2] for sheet in sheets if len(sheet) > 1}  # above the number of the page
    assert not last & set(re.findall(r"<h[23]>([^<]*)<", page))


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (0.1234, "0.12"),
        (0.00001234, "0.000012"),
        (123.4, "120"),
        (0.0, "0"),
        (0.0996, "0.10"),
        (None, "not known"),
    ],
)
def test_uncertainties_have_two_significant_digits(value: float | None, shown: str) -> None:
    assert rounded(value) == shown


def test_small_pieces() -> None:
    assert number(-0.0001, 2) == "0.00"
    assert number(-1.25, 1, "mm") == "−1.2 mm"
    assert number(None, 3) == "not known"
    assert safe("a<b>\u202e\u2028") == "a&lt;b&gt;  "
