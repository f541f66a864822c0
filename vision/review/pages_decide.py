"""Pages where a person decides: the queue, one finding at a time, one board whole; and the pictures they show."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from flask import Flask, Response, g, redirect, render_template, request, session, url_for
from markupsafe import Markup
from sqlalchemy import select
from werkzeug.exceptions import BadRequest
from werkzeug.wrappers import Response as AnyResponse

from models.vocabulary import CHIP_FINDINGS, FINDING, JOINT_FINDINGS
from vision.records.database import reading
from vision.records.schema import FamilyChip, FamilyJoint, InspectionRow, JointResult
from vision.review.agreement import opinions
from vision.review.boards import Case, Found, GoodPlace, good_place, load_board, load_case, newest_inspection
from vision.review.decisions import (
    CALL_WORDS,
    ConflictError,
    Decision,
    UnknownError,
    decide,
    report_escape,
    settle,
    undo,
)
from vision.review.drawing import Mark, board_map, value_scale
from vision.review.pictures import NotShownError, Window, part_half_mm, place_window
from vision.review.security import actor
from vision.review.shop import Shop
from vision.review.state import board_state, history
from vision.review.waiting import COUNTED, PAGE, count_waiting, next_finding, ungraded_boards, waiting_boards
from vision.setup import Family

#: Boards that a person may put off; the oldest come back first.
MOST_LATER = 40
PICTURE_SECONDS = 7 * 24 * 3600


def add(app: Flask, shop: Shop) -> None:
    """Add the pages to an app."""
    _queue_pages(app, shop)
    _finding_pages(app, shop)
    _board_pages(app, shop)
    _picture_pages(app, shop)


def _queue_pages(app: Flask, shop: Shop) -> None:
    @app.get("/")
    def queue() -> str:
        after = _place(request.args.get("after", ""))
        boards = waiting_boards(shop.engine, after=after, limit=PAGE + 1)
        more = len(boards) > PAGE
        count = count_waiting(shop.engine)
        return render_template(
            "queue.html", boards=boards[:PAGE], others=shop.desks.others(g.person.name), later=_later(), after=after,
            more=f"{boards[PAGE - 1].started_at.isoformat()}~{boards[PAGE - 1].inspection_id}" if more else "",
            count=f"more than {COUNTED}" if count > COUNTED else str(count), ungraded=ungraded_boards(shop.engine))

    @app.get("/next")
    def next_one() -> AnyResponse:
        others = shop.desks.others(g.person.name)
        key = next_finding(shop.engine, leave_out=[*others, *_later()])
        if key is None and _later():
            session.pop("later", None)
            key = next_finding(shop.engine, leave_out=others)
        if key is None:
            session["told"] = "No finding waits." if not others else "The boards that wait are with other people."
            return redirect(url_for("queue"))
        return redirect(url_for("finding", key=key))

    @app.get("/find")
    def find() -> AnyResponse:
        serial = request.args.get("serial", "").strip()
        return redirect(url_for("board", key=newest_inspection(shop.engine, serial)))


def _finding_pages(app: Flask, shop: Shop) -> None:
    @app.get("/finding/<key:key>")
    def finding(key: int) -> str:
        return _finding_page(shop, load_case(shop.engine, key))

    @app.post("/finding/<key:key>")
    def decide_one(key: int) -> AnyResponse | tuple[str, int]:
        return _take(shop, key, settling=False)

    @app.post("/finding/<key:key>/settle")
    def settle_one(key: int) -> AnyResponse | tuple[str, int]:
        return _take(shop, key, settling=True)

    @app.post("/undo/<key:review>")
    def undo_one(review: int) -> AnyResponse:
        key = undo(shop.engine, review, actor())
        if _last().get("review") == review:
            session.pop("last", None)
        session["told"] = "Taken back. The finding waits again."
        return redirect(url_for("finding", key=key))

    @app.post("/later/<key:key>")
    def later(key: int) -> AnyResponse:
        case = load_case(shop.engine, key)
        session["later"] = [*_later(), case.board.inspection_id][-MOST_LATER:]
        return redirect(url_for("next_one"))


def _take(shop: Shop, key: int, *, settling: bool) -> AnyResponse | tuple[str, int]:
    """Record what the form says and go on; a conflict shows the finding as it is now, with what was typed."""
    if settling and not g.person.may_settle:
        return render_template("message.html", heading="Not allowed", words="Your account may not settle; ask "
                               "somebody who may."), 403
    call = request.form.get("call", "")
    corrected = request.form.get("corrected", "") if call != "false_call" else ""
    decision = Decision(call, corrected, request.form.get("note", ""))
    version = _number("version")
    try:
        review = (settle if settling else decide)(shop.engine, key, decision, actor(), version=version)
    except ConflictError as error:
        case = load_case(shop.engine, key)
        return _finding_page(shop, case, problem=str(error), typed=decision), 409
    case = load_case(shop.engine, key)
    session["last"] = {"review": review, "words": f"{case.board.serial} {case.found.place}, {case.found.title}: "
                                                  f"{CALL_WORDS[call]}"}
    if settling:
        return redirect(url_for("to_settle"))
    leave_out = [*shop.desks.others(g.person.name), *_later()]
    following = next_finding(shop.engine, inspection_id=case.board.inspection_id, after=key, leave_out=leave_out)
    return redirect(url_for("next_one") if following is None else url_for("finding", key=following))


def _finding_page(shop: Shop, case: Case, problem: str = "", typed: Decision | None = None) -> str:
    found, board = case.found, case.board
    shop.desks.sit(board.inspection_id, g.person.name)
    family = shop.families(board.family_id)
    leave_out = [*shop.desks.others(g.person.name), *_later()]
    following = next_finding(shop.engine, inspection_id=board.inspection_id, after=found.id,
                             leave_out=leave_out) if found.id in case.waiting[-1:] else _after(case)
    if following == found.id:
        following = None
    with reading(shop.engine) as connection:
        said = opinions(connection, found.id)
    part = FINDING[found.finding].part
    layers = shop.pictures.layers(board.inspection_id)
    chosen = request.args.get("layer", "all")
    return render_template(
        "finding.html", case=case, found=found, board=board, layers=layers, problem=problem, typed=typed,
        layer=chosen if chosen in dict(layers) else "all", about=FINDING[found.finding].text,
        good=good_place(shop.engine, board, found, family), scale=Markup(value_scale(found)),
        map=Markup(_found_map(family, case.others, found)), choices=_choices(part, found.finding),
        following=following, last=_last(), opinions=said, limit=shop.settings.repair_limit,
        place_in_line=case.waiting.index(found.id) + 1 if found.id in case.waiting else 0,
        others=shop.desks.others(g.person.name).get(board.inspection_id))


def _after(case: Case) -> int | None:
    """Return the finding of the same board that waits next, or None."""
    rest = [key for key in case.waiting if key != case.found.id]
    return next((key for key in rest if key > case.found.id), rest[0] if rest else None)


def _found_map(family: Family, found: tuple[Found, ...], here: Found) -> str:
    marks = [Mark(item.x_mm, item.y_mm, item.verdict, f"{item.place}: {item.title}", "", item.id == here.id)
             for item in found]
    return board_map(family, marks, f"Board map: {here.place} is marked", side=family.seen_from)


def _choices(part: str, besides: str = "") -> list[tuple[str, str]]:
    names = JOINT_FINDINGS if part == "joint" else CHIP_FINDINGS
    return [(name, FINDING[name].title) for name in names if name != besides]


def _board_pages(app: Flask, shop: Shop) -> None:
    @app.get("/board/<key:key>")
    def board(key: int) -> str:
        this, found = load_board(shop.engine, key)
        family = shop.families(this.family_id)
        marks = [Mark(item.x_mm, item.y_mm, item.verdict, f"{item.place}: {item.title}") for item in found]
        parts = [(f"joint {joint.name}", joint.name) for joint in family.joints]
        parts += [(f"chip {chip.ref}", chip.ref) for chip in family.chips]
        title = f"Board map: {len(found)} {'finding' if len(found) == 1 else 'findings'}"
        return render_template(
            "board.html", board=this, found=found, state=board_state(shop.engine, this.unit_id),
            events=history(shop.engine, this.unit_id), parts=parts, last=_last(),
            map=Markup(board_map(family, marks, title, side=family.seen_from)),
            choices=[*_choices("joint"), *_choices("chip")])

    @app.post("/board/<key:key>/missed")
    def missed(key: int) -> AnyResponse:
        this, _ = load_board(shop.engine, key)
        joint_id, chip_id = _part(shop, this.family_id, request.form.get("place", ""))
        report_escape(shop.engine, key, joint_id=joint_id, chip_id=chip_id, finding=request.form.get("finding", ""),
                      note=request.form.get("note", ""), by=actor())
        session["told"] = "Recorded as a missed defect. It stands on the repair sheet now."
        return redirect(url_for("board", key=key))


def _part(shop: Shop, family_id: int, name: str) -> tuple[int | None, int | None]:
    """Return the keys (joint, chip) of a place of a family by its name."""
    family = shop.families(family_id)
    joint = next((item for item in family.joints if item.name == name), None)
    with reading(shop.engine) as connection:
        if joint is not None:
            query = select(FamilyJoint.id).where(FamilyJoint.family_id == family_id, FamilyJoint.ref == joint.ref,
                                                 FamilyJoint.pin == joint.pin)
            return int(connection.execute(query).scalar_one()), None
        chip = connection.execute(select(FamilyChip.id).where(FamilyChip.family_id == family_id,
                                                              FamilyChip.ref == name)).scalar()
    if chip is None:
        raise UnknownError(f"place {name[:40]!r}: not on a board of this family")
    return None, int(chip)


def _picture_pages(app: Flask, shop: Shop) -> None:
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
        return _picture(shop, inspection, row.view, Window(part.x_mm, part.y_mm, part_half_mm(part)), layer)


def _found_and_family(shop: Shop, key: int) -> tuple[Found, Family]:
    case = load_case(shop.engine, key)
    return case.found, shop.families(case.board.family_id)


def _picture(shop: Shop, inspection: int, view: str, window: Window, layer: str) -> Response:
    response = Response(shop.pictures.cut(inspection, view, window, layer), mimetype="image/jpeg")
    response.headers["Cache-Control"] = f"private, max-age={PICTURE_SECONDS}"
    return response


def _later() -> list[int]:
    kept = session.get("later", [])
    return [key for key in kept if isinstance(key, int)] if isinstance(kept, list) else []


def _last() -> dict[str, Any]:
    last = session.get("last")
    return last if isinstance(last, dict) else {}


def _number(name: str) -> int:
    text = request.form.get(name, "")
    if not (text.isdecimal() and text.isascii() and len(text) < 10):
        raise BadRequest("this form is not complete; load the page again")
    return int(text)


def _place(text: str) -> tuple[datetime, int] | None:
    """Return a place in the queue from an address, None for its beginning or for nonsense."""
    moment, _, key = text.partition("~")
    try:
        at = datetime.fromisoformat(moment)
    except ValueError:
        return None
    if at.tzinfo is None or not (key.isdecimal() and key.isascii() and len(key) < 10):
        return None
    return at, int(key)
