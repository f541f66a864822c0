"""Pages for the repair bench: boards on their way, and one board's repair sheet."""

from __future__ import annotations

from typing import cast

from flask import Flask, g, jsonify, redirect, render_template, request, session, url_for
from markupsafe import Markup
from werkzeug.wrappers import Response as AnyResponse

from vision.review.boards import load_board
from vision.review.practice import CAUTIONS, CONTACT_CAUTION, DEFERS, FIRST_CAUTION, actions
from vision.review.repair import Sheet, record_repair, repair_sheet, sheet_json
from vision.review.security import actor
from vision.review.sheet import sheet_map
from vision.review.shop import Shop
from vision.review.state import bench_boards, board_state
from vision.setup.family import SIDE_WORDS, Side

TURNS = (0, 90, 180, 270)


def add(app: Flask, shop: Shop) -> None:
    """Add the pages to an app."""

    @app.get("/bench")
    def bench() -> str:
        return render_template("bench.html", boards=bench_boards(shop.engine))

    @app.get("/board/<key:key>/repair")
    def repair(key: int) -> str:
        sheet, turn = _sheet(shop, key), _turn()
        family = shop.families(sheet.board.family_id)
        return render_template(
            "repair.html", sheet=sheet, turn=turn, turns=TURNS, sides=SIDE_WORDS, cautions=CAUTIONS,
            contact=CONTACT_CAUTION, first=FIRST_CAUTION, defers=DEFERS, map=Markup(sheet_map(sheet, family, turn)),
            state=board_state(shop.engine, sheet.board.unit_id),
            actions={"joint": actions("joint"), "chip": actions("chip")})

    @app.get("/board/<key:key>/repair.json")
    def repair_json(key: int) -> AnyResponse:
        sheet = _sheet(shop, key)
        return jsonify(sheet_json(sheet))

    @app.post("/board/<key:key>/repair")
    def mended(key: int) -> AnyResponse:
        this, _ = load_board(shop.engine, key)
        count = record_repair(
            shop.engine, key, finding_ids=_keys("finding"), escape_ids=_keys("escape"),
            action=request.form.get("action", ""), note=request.form.get("note", ""), by=actor())
        state = board_state(shop.engine, this.unit_id)
        session["told"] = (f"Recorded: {count} {'finding' if count == 1 else 'findings'} mended by {g.person.name}. "
                           f"{state.asks}")
        return redirect(url_for("repair", key=key, side=request.args.get("side"), turn=request.args.get("turn")))


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
