"""Pages for the repair bench: boards on their way, and one board's repair sheet."""

from __future__ import annotations

from typing import cast

from flask import Flask, g, jsonify, redirect, render_template, request, session, url_for
from markupsafe import Markup
from werkzeug.wrappers import Response as AnyResponse

from vision.review.bench_marks import Shown, picture_words, shown
from vision.review.boards import load_board
from vision.review.pictures import place_window
from vision.review.practice import CAUTIONS, CONTACT_CAUTION, DEFERS, FIRST_CAUTION, actions
from vision.review.repair import record_repair, repair_sheet, undo_repair
from vision.review.search import find_board
from vision.review.security import actor
from vision.review.sheet import sheet_map, stop_window
from vision.review.shop import Shop
from vision.review.state import bench_boards, board_state
from vision.review.stops import Sheet, sheet_json
from vision.setup import Family
from vision.setup.family import SIDE_WORDS, Side

TURNS = (0, 90, 180, 270)


def add(app: Flask, shop: Shop) -> None:
    """Add the pages to an app."""
    _board_finder(app, shop)

    @app.get("/board/<key:key>/repair")
    def repair(key: int) -> str:
        sheet, turn = _sheet(shop, key), _turn()
        family = shop.families(sheet.board.family_id)
        return render_template(
            "repair.html", sheet=sheet, turn=turn, turns=TURNS, sides=SIDE_WORDS, cautions=CAUTIONS,
            contact=CONTACT_CAUTION, first=FIRST_CAUTION, defers=DEFERS, map=Markup(sheet_map(sheet, family, turn)),
            seen=_seen(shop, sheet, family, turn), pictures_lie=picture_words(sheet, family, turn),
            state=board_state(shop.engine, sheet.board.unit_id),
            actions={"joint": actions("joint"), "chip": actions("chip")})

    @app.get("/board/<key:key>/repair.json")
    def repair_json(key: int) -> AnyResponse:
        sheet = _sheet(shop, key)
        return jsonify(sheet_json(sheet))

    @app.post("/board/<key:key>/repair")
    def mended(key: int) -> AnyResponse:
        before = _sheet(shop, key)
        findings, escapes = _keys("finding"), _keys("escape")
        count = record_repair(
            shop.engine, key, finding_ids=findings, escape_ids=escapes,
            action=request.form.get("action", ""), note=request.form.get("note", ""), by=actor())
        stop = next((stop for stop in before.stops if {*findings} & {*stop.finding_ids}
                     or {*escapes} & {*stop.escape_ids}), None)
        also = " Recorded with it: your decision, a real defect." if stop is not None and stop.decides else ""
        state = board_state(shop.engine, before.board.unit_id)
        session["told"] = (f"Recorded: {count} {'finding' if count == 1 else 'findings'} mended by {g.person.name}."
                           f"{also} {state.asks}")
        return _back(key, None if stop is None else stop.number)

    @app.post("/board/<key:key>/repair/undo")
    def not_mended(key: int) -> AnyResponse:
        repair = next(iter(_keys("repair")), 0)
        done = next((done for done in _sheet(shop, key).done if done.undo == repair), None)
        undo_repair(shop.engine, key, repair, actor())
        after = _sheet(shop, key)
        waits = next((stop for stop in after.stops if done is not None and stop.number == done.number), None)
        decision = ", and the decision that was recorded with it" if done is not None and done.decided else ""
        again = "" if waits is None else f" {waits.name} waits for the iron again."
        session["told"] = f"Taken back: the repair{decision}.{again}"
        return _back(key, None if done is None else done.number)


def _board_finder(app: Flask, shop: Shop) -> None:
    @app.get("/bench")
    def bench() -> str:
        return render_template("bench.html", boards=bench_boards(shop.engine), search=None)

    @app.get("/bench/find")
    def bench_find() -> AnyResponse | tuple[str, int]:
        search = find_board(shop.engine, request.args.get("serial", ""))
        if search.hit is None:
            return render_template("bench.html", boards=bench_boards(shop.engine), search=search), 404
        if search.words:
            session["told"] = search.words
        return redirect(url_for("repair", key=search.hit.inspection_id))


def _back(key: int, number: int | None) -> AnyResponse:
    """Return to the sheet as it was turned, at the stop where the person was."""
    return redirect(url_for("repair", key=key, side=request.args.get("side"), turn=request.args.get("turn"),
                            _anchor=None if number is None else f"stop{number}"))


def _seen(shop: Shop, sheet: Sheet, family: Family, turn: int) -> dict[int, Shown]:
    """Return how the picture of each stop lies: that of its first finding, or of its joint where it was missed."""
    found = {item.id: item for item in load_board(shop.engine, sheet.board.inspection_id)[1]}
    windows = {stop.number: place_window(family, found[key]) if (key := stop.wrong[0].finding_id) is not None
               else stop_window(stop, family) for stop in sheet.stops}
    return {stop.number: shown(stop, windows[stop.number], sheet, family, turn) for stop in sheet.stops}


def _sheet(shop: Shop, key: int) -> Sheet:
    board, _ = load_board(shop.engine, key)
    side = request.args.get("side", "")
    return repair_sheet(shop.engine, key, shop.families(board.family_id),
                        side=cast(Side, side) if side in SIDE_WORDS else None, repair_limit=shop.settings.repair_limit)


def _turn() -> int:
    text = request.args.get("turn", "0")
    return int(text) if text in {str(turn) for turn in TURNS} else 0


def _keys(name: str) -> list[int]:
    return [int(text) for text in request.form.getlist(name)[:50] if text.isdecimal() and text.isascii()
            and len(text) < 10]
