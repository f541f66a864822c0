"""The pictures that the pages show: cut-outs of findings, of good joints beside them, and of single joints."""

from __future__ import annotations

from flask import Flask, Response
from sqlalchemy import select

from vision.records.database import reading
from vision.records.schema import FamilyJoint, InspectionRow, JointResult
from vision.review.boards import Found, GoodPlace, good_place, load_case
from vision.review.pictures import NotShownError, Window, part_half_mm, place_window
from vision.review.shop import Shop
from vision.setup import Family

#: How long a browser may keep a picture: a file whose bytes change is another one, or none.
PICTURE_SECONDS = 7 * 24 * 3600


def add(app: Flask, shop: Shop) -> None:
    """Add the pictures to an app."""

    @app.get("/picture/finding/<key:key>/<layer>.jpg")
    def picture_of_finding(key: int, layer: str) -> Response:
        found, family = _found_and_family(shop, key)
        return _picture(shop, found.inspection_id, found.view, place_window(family, found), layer)

    @app.get("/picture/good/<key:key>/<layer>.jpg")
    def picture_of_good(key: int, layer: str) -> Response:
        case = load_case(shop.engine, key)
        family = shop.families(case.board.family_id)
        good: GoodPlace | None = good_place(shop.engine, case.board, case.found, family)
        if good is None:
            raise NotShownError("no accepted joint of this kind is in the records yet")
        half = place_window(family, case.found).half_mm  # the same scale for both
        return _picture(shop, good.inspection_id, good.view, Window(good.x_mm, good.y_mm, half), layer)

    @app.get("/picture/joint/<key:inspection>/<key:joint>/<layer>.jpg")
    def picture_of_joint(inspection: int, joint: int, layer: str) -> Response:
        return _picture(shop, inspection, *_joint_window(shop, inspection, joint), layer)


def joint_not_shown(shop: Shop, inspection: int, joint: int) -> str:
    """Return why the picture of a joint cannot be shown, in words for the page; empty where it can."""
    try:
        return shop.pictures.why_not(inspection, *_joint_window(shop, inspection, joint))
    except NotShownError as error:
        return str(error)


def _joint_window(shop: Shop, inspection: int, joint: int) -> tuple[str, Window]:
    """Return the view that shows a joint, and what its picture shows. Raises NotShownError for an unknown joint."""
    result = JointResult.__table__.c
    with reading(shop.engine) as connection:
        row = connection.execute(
            select(result.view, InspectionRow.family_id, FamilyJoint.ref, FamilyJoint.pin)
            .join(InspectionRow, InspectionRow.id == result.inspection_id)
            .join(FamilyJoint, FamilyJoint.id == result.joint_id)
            .where(result.inspection_id == inspection, result.joint_id == joint)).first()
    if row is None:
        raise NotShownError("no such joint in the records")
    part = next(item for item in shop.families(row.family_id).joints if (item.ref, item.pin) == (row.ref, row.pin))
    return row.view, Window(part.x_mm, part.y_mm, part_half_mm(part))


def _found_and_family(shop: Shop, key: int) -> tuple[Found, Family]:
    case = load_case(shop.engine, key)
    return case.found, shop.families(case.board.family_id)


def _picture(shop: Shop, inspection: int, view: str, window: Window, layer: str) -> Response:
    response = Response(shop.pictures.cut(inspection, view, window, layer), mimetype="image/jpeg")
    response.headers["Cache-Control"] = f"private, max-age={PICTURE_SECONDS}"
    return response
