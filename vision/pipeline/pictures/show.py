"""Write the pictures of a graded board: an overlay a view, and a sheet for each joint or chip that wants one."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path

import cv2

from models.limits import LimitSheet
from models.vocabulary import ACCEPT
from vision.pipeline.folder import BoardFiles
from vision.pipeline.inspection import ChipInspection, Inspection, JointInspection
from vision.pipeline.measure import ViewSurfaces, see_view
from vision.pipeline.pictures.overlay import draw_view
from vision.pipeline.pictures.traces import find_traces
from vision.pipeline.pictures.zoom import draw_zoom, encoded
from vision.pipeline.view.capture import load_view
from vision.setup.family import Family
from vision.setup.station import Station


def write_pictures(inspection: Inspection, files: BoardFiles, family: Family, station: Station, sheet: LimitSheet, *,
                   overlays: Path | None = None, zooms: Path | None = None, places: Collection[str] = (),
                   seen: Sequence[ViewSurfaces] = ()) -> list[Path]:
    """Write overlays and sheets into their folders and return the paths; folders are made.

    Sheets are written for every joint and chip that is not accepted, or for those named by `places` (`REF.PIN`,
    `REF`). Views that are not among `seen` are read and segmented again.
    """
    wanted = [] if zooms is None else wanted_parts(inspection, places)
    for folder in (overlays, zooms):
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)
    written = []
    for view in _views(files, family, station, seen, None if overlays is not None else {p.view for p in wanted}):
        balls = any(joint.measurements.get("ball_count", 0.0) > 0.0 for joint in inspection.joints)
        traces = find_traces(view, balls=balls)
        if overlays is not None:
            path = overlays / overlay_file(inspection.serial, view.capture.view)
            picture = draw_view(view, inspection, traces)
            good, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 88])
            if good:
                path.write_bytes(data.tobytes())
                written.append(path)
        for part in wanted:
            if zooms is not None and part.view == view.capture.view:
                path = zooms / zoom_file(inspection.serial, part.name)
                path.write_bytes(encoded(draw_zoom(view, traces, inspection, part, family, station, sheet)))
                written.append(path)
    return written


def wanted_parts(inspection: Inspection, places: Collection[str] = ()) -> list[JointInspection | ChipInspection]:
    """Return the joints and chips named by `places`, or without any those that are not accepted."""
    parts: list[JointInspection | ChipInspection] = [*inspection.joints, *inspection.chips]
    if places:
        return [part for part in parts if part.name in places]
    return [part for part in parts if part.verdict != ACCEPT]


def overlay_file(serial: str, view: str) -> str:
    """Return the file name of an overlay: `B0042_v1_overlay.jpg`."""
    return f"{serial}_{view}_overlay.jpg"


def zoom_file(serial: str, place: str) -> str:
    """Return the file name of a sheet: `B0042_J1.3_zoom.png`; what a file name cannot hold becomes a dash."""
    return re.sub(r"[^\w.-]", "-", f"{serial}_{place}_zoom.png")


def _views(files: BoardFiles, family: Family, station: Station, seen: Sequence[ViewSurfaces],
           only: Collection[str] | None) -> Iterator[ViewSurfaces]:
    """Yield the views to draw, one at a time: those at hand, the others read again."""
    known = {view.capture.view: view for view in seen}
    for view in family.views:
        if only is not None and view.name not in only:
            continue
        yield known.get(view.name) or see_view(load_view(view.name, files.pictures, station), family, view, station)
