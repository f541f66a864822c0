"""Pages where a person decides: the queue, one finding at a time, one board whole."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from flask import Flask, g, redirect, render_template, request, session, url_for
from markupsafe import Markup
from sqlalchemy import select
from werkzeug.exceptions import BadRequest
from werkzeug.wrappers import Response as AnyResponse

from models.vocabulary import CHIP_FINDINGS, FINDING, JOINT_FINDINGS
from vision.records.database import reading
from vision.records.schema import FamilyChip, FamilyJoint
from vision.review.agreement import opinions
from vision.review.boards import Case, Found, good_place, load_board, load_case
from vision.review.decisions import (
    CALL_WORDS,
    CANNOT_TELL,
    FALSE_CALL,
    ConflictError,
    Decision,
    NotTakenBackError,
    UnknownError,
    decide,
    last_words,
    report_escape,
    settle,
    undo,
)
from vision.review.drawing import Mark, board_map, value_scale
from vision.review.marks import marks_of, measured_at, scale_bar
from vision.review.pictures import Window, place_window
from vision.review.search import Search, find_board
from vision.review.security import actor
from vision.review.shop import Shop
from vision.review.state import board_state, history
from vision.review.waiting import COUNTED, PAGE, count_waiting, next_finding, ungraded_boards, waiting_boards
from vision.setup import Family

#: Boards that a person may put off; the oldest come back first.
MOST_LATER = 40


def add(app: Flask, shop: Shop) -> None:
    """Add the pages to an app."""
    _queue_pages(app, shop)
    _finding_pages(app, shop)
    _board_pages(app, shop)


def _queue_pages(app: Flask, shop: Shop) -> None:
    @app.get("/")
    def queue() -> str:
        return _queue(shop)

    @app.get("/next")
    def next_one() -> AnyResponse:
        others = shop.desks.others(g.person.name)
        key = next_finding(shop.engine, leave_out=_left_out(shop))
        if key is None and _later():
            session.pop("later", None)
            key = next_finding(shop.engine, leave_out=others)
        if key is None:
            session["told"] = "No finding waits." if not others else "The boards that wait are with other people."
            return redirect(url_for("queue"))
        return redirect(url_for("finding", key=key))

    @app.get("/find")
    def find() -> AnyResponse | tuple[str, int]:
        search = find_board(shop.engine, request.args.get("serial", ""))
        if search.hit is None:
            return _queue(shop, search), 404
        if search.words:
            session["told"] = search.words
        return redirect(url_for("board", key=search.hit.inspection_id))


def _queue(shop: Shop, search: Search | None = None) -> str:
    """Return the page of the boards that wait, with what a search for a board came to."""
    after = _place(request.args.get("after", ""))
    boards = waiting_boards(shop.engine, after=after, limit=PAGE + 1)
    more = len(boards) > PAGE
    count = count_waiting(shop.engine)
    return render_template(
        "queue.html", boards=boards[:PAGE], others=shop.desks.others(g.person.name), later=_later(), after=after,
        more=f"{boards[PAGE - 1].started_at.isoformat()}~{boards[PAGE - 1].inspection_id}" if more else "",
        count=f"more than {COUNTED}" if count > COUNTED else str(count), ungraded=ungraded_boards(shop.engine),
        search=search)


def _finding_pages(app: Flask, shop: Shop) -> None:
    @app.get("/finding/<key:key>")
    def finding(key: int) -> str:
        return _finding_page(shop, load_case(shop.engine, key))

    @app.post("/finding/<key:key>")
    def decide_one(key: int) -> AnyResponse | tuple[str, int]:
        return _take(shop, key, settling=False)

    @app.route("/finding/<key:key>/settle", methods=["GET", "POST"])
    def settle_one(key: int) -> AnyResponse | str | tuple[str, int]:
        """Settling is a step of its own: first this page without keys for its buttons, then one of them."""
        if not g.person.may_settle:
            return render_template("message.html", heading="Not allowed", words="Your account may not settle; ask "
                                   "somebody who may."), 403
        if "call" in request.form:
            return _take(shop, key, settling=True)
        typed = _typed() if request.method == "POST" else None
        return _finding_page(shop, load_case(shop.engine, key), typed=typed, settling=True)

    @app.post("/undo/<key:review>")
    def undo_one(review: int) -> AnyResponse:
        try:
            key = undo(shop.engine, review, actor())
        except NotTakenBackError:
            _forget(review)
            raise
        _forget(review)
        session["told"] = "Taken back. The finding waits again."
        return redirect(url_for("finding", key=key))

    @app.post("/later/<key:key>")
    def later(key: int) -> AnyResponse:
        case = load_case(shop.engine, key)
        session["later"] = [*_later(), case.board.inspection_id][-MOST_LATER:]
        return redirect(url_for("next_one"))


def _typed() -> Decision:
    """Return what the form says."""
    call = request.form.get("call", "")
    return Decision(call, request.form.get("corrected", "") if call != FALSE_CALL else "", request.form.get("note", ""))


def _take(shop: Shop, key: int, *, settling: bool) -> AnyResponse | tuple[str, int]:
    """Record what the form says and go on; a conflict shows the finding as it is now, with what was typed."""
    decision, version = _typed(), _number("version")
    case = load_case(shop.engine, key)
    blindly = decision.call != CANNOT_TELL and request.form.get("unseen") != "yes"
    if blindly and version == case.version and _why_not_shown(shop, case):
        return _finding_page(shop, case, problem="Nothing was saved: the picture cannot be shown, so say below that "
                             "you have the board itself before you.", typed=decision, settling=settling), 400
    try:
        review = (settle if settling else decide)(shop.engine, key, decision, actor(), version=version)
    except ConflictError as error:
        return _finding_page(shop, load_case(shop.engine, key), problem=str(error), typed=decision), 409
    case = load_case(shop.engine, key)
    session["last"] = {"review": review, "words": f"{case.board.serial} {case.found.place}, {case.found.title}: "
                                                  f"{CALL_WORDS[decision.call]}"}
    if settling:
        state = board_state(shop.engine, case.board.unit_id)
        if state.inspection_id == case.board.inspection_id and state.kind not in ("decide", "settle"):
            session["told"] = f"Board {case.board.serial} {state.way_on}."
        return redirect(url_for("to_settle"))
    if not case.waiting:
        return redirect(url_for("done", key=case.board.inspection_id))
    following = next_finding(shop.engine, inspection_id=case.board.inspection_id, after=key,
                             leave_out=_left_out(shop))
    return redirect(url_for("next_one") if following is None else url_for("finding", key=following))


def _left_out(shop: Shop) -> list[int]:
    """Return the boards that other people look at or that this person put off."""
    return [*shop.desks.others(g.person.name), *_later()]


def _why_not_shown(shop: Shop, case: Case) -> str:
    """Return why the finding's picture cannot be shown; empty where it can."""
    found = case.found
    return shop.pictures.why_not(found.inspection_id, found.view,
                                 place_window(shop.families(case.board.family_id), found))


def _finding_page(shop: Shop, case: Case, problem: str = "", typed: Decision | None = None,
                  settling: bool = False) -> str:
    found, board = case.found, case.board
    shop.desks.sit(board.inspection_id, g.person.name)
    family = shop.families(board.family_id)
    following = next_finding(shop.engine, inspection_id=board.inspection_id, after=found.id,
                             leave_out=_left_out(shop)) if found.id in case.waiting[-1:] else _after(case)
    if following == found.id:
        following = None
    with reading(shop.engine) as connection:
        said = opinions(connection, found.id)
    part = FINDING[found.finding].part
    layers = shop.pictures.layers(board.inspection_id)
    chosen = request.args.get("layer", "all")
    good, window = good_place(shop.engine, board, found, family), place_window(family, found)
    asked = [item.id for item in case.others if item.verdict != "indicator" or item.id == found.id]
    gone = _why_not_shown(shop, case)
    good_gone = "" if good is None else shop.pictures.why_not(
        good.inspection_id, good.view, Window(good.x_mm, good.y_mm, window.half_mm))
    marks = None if gone else marks_of(found, family, measured_at(shop.engine, found), window,
                                       shop.pictures.seen(found.inspection_id, found.view).upright)
    if typed is None and found.standing is None:
        typed = last_words(shop.engine, found.id, actor())
    return render_template(
        "finding.html", case=case, found=found, board=board, layers=layers, problem=problem, typed=typed,
        layer=chosen if chosen in dict(layers) else "all", about=FINDING[found.finding].text, good=good,
        gone=gone, good_gone=good_gone, marks=marks, marks_on=request.args.get("marks") != "off",
        bar=Markup(scale_bar(window)),
        scale=Markup(value_scale(found)), map=Markup(_found_map(family, case.others, found)),
        choices=_choices(part, found.finding), settling=settling and found.standing is not None,
        following=following, last=_last(), opinions=said, limit=shop.settings.repair_limit,
        place_in_line=asked.index(found.id) + 1, asked=len(asked), waits=found.id in case.waiting,
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

    @app.get("/board/<key:key>/done")
    def done(key: int) -> AnyResponse | str:
        """Say where a board goes whose findings are all decided, before the next one comes."""
        this, found = load_board(shop.engine, key)
        state = board_state(shop.engine, this.unit_id)
        if state.kind == "decide" or state.inspection_id != key:
            return redirect(url_for("next_one"))
        following = next_finding(shop.engine, leave_out=_left_out(shop)) or next_finding(
            shop.engine, leave_out=shop.desks.others(g.person.name))
        return render_template(
            "done.html", board=this, found=found, state=state, last=_last(), others=shop.desks.others(g.person.name),
            following=None if following is None else load_case(shop.engine, following))

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


def _later() -> list[int]:
    kept = session.get("later", [])
    return [key for key in kept if isinstance(key, int)] if isinstance(kept, list) else []


def _forget(review: int) -> None:
    """Offer a decision no longer to be taken back."""
    if _last().get("review") == review:
        session.pop("last", None)


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
