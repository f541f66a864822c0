"""Pages for the engineer: how the rules fare, what has to be settled, and blind looks for agreement studies."""

from __future__ import annotations

from flask import Flask, g, redirect, render_template, request, session, url_for
from markupsafe import Markup
from werkzeug.wrappers import Response as AnyResponse

from models.vocabulary import FINDING, JOINT_FINDINGS
from vision.review.agreement import BlindLook, disputes, next_look, pair_agreements
from vision.review.decisions import CANNOT_TELL, Decision, decide_blind, look_blind
from vision.review.drawing import value_spread
from vision.review.pages_pictures import joint_not_shown
from vision.review.rules import DRAWN, RuleRecord, rule_records
from vision.review.security import actor
from vision.review.shop import Shop

PERIODS = (7, 30, 90, 365)


def add(app: Flask, shop: Shop) -> None:
    """Add the pages to an app."""

    @app.get("/rules")
    def rules() -> str:
        text = request.args.get("days", "90")
        days = int(text) if text in {str(period) for period in PERIODS} else 90
        records = rule_records(shop.engine, days=days)
        drawn = [(record, Markup(_spread(record))) for record in records[:60]]
        return render_template("rules.html", records=drawn, days=days, periods=PERIODS)

    @app.get("/settle")
    def to_settle() -> str:
        return render_template("settle.html", disputes=disputes(shop.engine), pairs=pair_agreements(shop.engine))

    @app.get("/blind")
    def blind() -> str:
        return _blind_page(shop, next_look(shop.engine, g.person.name))

    @app.post("/blind")
    def blind_said() -> AnyResponse | tuple[str, int]:
        call = request.form.get("call", "")
        corrected = request.form.get("corrected", "") if call == "real" else ""
        decision = Decision(call, corrected, request.form.get("note", ""))
        look = next_look(shop.engine, g.person.name)
        # The page tells no keys of findings: what is judged is what is next for this person.
        if look is None or request.form.get("look") != f"{look.inspection_id}-{look.joint_id}":
            session["told"] = "You have judged this joint already; nothing was saved."
        elif (call != CANNOT_TELL and request.form.get("unseen") != "yes"
              and joint_not_shown(shop, look.inspection_id, look.joint_id)):
            return _blind_page(shop, look, "Nothing was saved: the picture cannot be shown, so say below that you have "
                               "the board itself before you.", decision), 400
        elif look.finding_id is None:
            look_blind(shop.engine, look.inspection_id, look.joint_id, decision, actor())
        else:
            decide_blind(shop.engine, look.finding_id, decision, actor())
        return redirect(url_for("blind"))


def _blind_page(shop: Shop, look: BlindLook | None, problem: str = "", typed: Decision | None = None) -> str:
    layers = [] if look is None else shop.pictures.layers(look.inspection_id)
    chosen = request.args.get("layer", "all")
    return render_template(
        "blind.html", shown=look, layers=layers, layer=chosen if chosen in dict(layers) else "all", problem=problem,
        typed=typed, gone="" if look is None else joint_not_shown(shop, look.inspection_id, look.joint_id),
        choices=[(name, FINDING[name].title) for name in JOINT_FINDINGS])


def _spread(record: RuleRecord) -> str:
    return value_spread(record.measure, record.limit, record.side, record.real_values[:DRAWN],
                        record.false_values[:DRAWN])
