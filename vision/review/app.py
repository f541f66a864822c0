"""The web page: one Flask app over one defect database."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import Any

from flask import Flask, Response, g, make_response, redirect, render_template, request, session, url_for
from sqlalchemy import Engine
from werkzeug.exceptions import HTTPException
from werkzeug.routing import IntegerConverter, Map
from werkzeug.wrappers import Response as AnyResponse

from models.errors import MeniscopeError
from models.vocabulary import finding_title
from vision import __version__
from vision.records.database import transaction
from vision.records.errors import RecordsError
from vision.review import pages_bench, pages_decide, pages_pictures, pages_study
from vision.review.boards import Families
from vision.review.decisions import CALL_WORDS, Actor, ConflictError, NotTakenBackError, UnknownError, note_audit
from vision.review.people import check_password, checked_name
from vision.review.pictures import NotShownError, Pictures
from vision.review.security import Attempts, actor, form_token, guard, local_target, log_in
from vision.review.shop import Settings, Shop
from vision.review.waiting import Desks
from vision.setup import Station

#: Failed logins: so many by name and address, and by address alone, in a quarter of an hour.
MOST_BY_NAME, MOST_BY_ADDRESS, ATTEMPT_SECONDS = 5, 30, 900.0
LOOKS = ("auto", "light", "dark")


class Key(IntegerConverter):
    """A key in an address: what both kinds of database take as one."""

    def __init__(self, map: Map) -> None:
        super().__init__(map, max=2**31 - 1)


def create_app(engine: Engine, settings: Settings | None = None, stations: Iterable[Station] = ()) -> Flask:
    """Return the app for an opened database.

    `stations` are station files with flat-fields, for exact slope maps; others are read from the records.
    """
    chosen = settings or Settings()
    app = Flask("vision.review", root_path=str(Path(__file__).parent))
    shop = Shop(engine, chosen, Pictures(engine, stations), Families(engine), Desks())
    guard(app, engine, passwords=chosen.passwords, loopback=chosen.loopback, secure_cookies=chosen.secure_cookies)
    app.url_map.converters["key"] = Key
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.filters |= {"day": day, "title_of": finding_title}

    @app.context_processor
    def _common() -> dict[str, Any]:
        look = request.cookies.get("look", "auto")
        return {"form": form_token(), "person": getattr(g, "person", None), "look": look if look in LOOKS else "auto",
                "calls": CALL_WORDS, "version": __version__, "told": session.pop("told", None)}

    _entrance(app, shop)
    _errors(app)
    pages_decide.add(app, shop)
    pages_pictures.add(app, shop)
    pages_bench.add(app, shop)
    pages_study.add(app, shop)
    return app


def day(moment: datetime) -> str:
    """Return date and time in this machine's own zone, and the zone's name: `2026-03-02 07:00 CET`."""
    return f"{moment.astimezone():%Y-%m-%d %H:%M %Z}"


def _entrance(app: Flask, shop: Shop) -> None:
    """Add login, logout and the choice of light or dark."""
    by_name = Attempts(MOST_BY_NAME, ATTEMPT_SECONDS)
    by_address = Attempts(MOST_BY_ADDRESS, ATTEMPT_SECONDS)

    @app.route("/login", methods=["GET", "POST"])
    def login() -> AnyResponse | str | tuple[str, int]:
        to = local_target(request.values.get("to", "/"))
        passwords = shop.settings.passwords
        if request.method == "GET":
            return redirect(to) if g.person else render_template("login.html", to=to, passwords=passwords)
        typed = request.form.get("name", "")
        address = request.remote_addr or ""
        if not passwords:
            try:
                name = checked_name(typed)
            except MeniscopeError as error:
                return render_template("login.html", to=to, passwords=False, problem=str(error)), 400
        else:
            key = f"{address}\n{' '.join(typed.split()).casefold()[:60]}"
            wait = max(by_name.wait(key), by_address.wait(address))
            if wait:
                problem = f"Too many failed logins. Wait {-(-wait // 60)} min, then try again."
                return render_template("login.html", to=to, passwords=True, problem=problem), 429
            person = check_password(shop.engine, typed, request.form.get("password", ""))
            if person is None:
                by_name.failed(key)
                by_address.failed(address)
                _note(shop, Actor(" ".join(typed.split())[:60] or "(nobody)", address), "login refused")
                return render_template("login.html", to=to, passwords=True, typed=typed[:60],
                                       problem="Name and password do not fit."), 403
            name = person.name
        log_in(name)
        _note(shop, Actor(name, address), "login")
        return redirect(to)

    @app.post("/logout")
    def logout() -> AnyResponse:
        _note(shop, actor(), "logout")
        session.clear()
        return redirect(url_for("login"))

    @app.post("/look")
    def look() -> AnyResponse:
        wanted = request.form.get("look", "auto")
        answer = make_response(redirect(local_target(request.form.get("to", "/"))))
        answer.set_cookie("look", wanted if wanted in LOOKS else "auto", max_age=31_536_000, httponly=True,
                          samesite="Strict", secure=shop.settings.secure_cookies)
        return answer


def _note(shop: Shop, by: Actor, action: str) -> None:
    printable = "".join(mark if mark.isprintable() else "?" for mark in by.name)
    with transaction(shop.engine) as connection:
        note_audit(connection, Actor(printable, by.address), action)


def _came_from() -> str:
    """Return the address of the board's page whose form was refused: the person goes on there. Else empty."""
    pages = {"mended": "repair", "not_mended": "repair", "missed": "board"}
    to, key = pages.get(request.endpoint or ""), (request.view_args or {}).get("key")
    if to is None or key is None or request.method != "POST" or getattr(g, "person", None) is None:
        return ""
    return url_for(to, key=key, side=request.args.get("side"), turn=request.args.get("turn"))


def _errors(app: Flask) -> None:
    """Show every failure as a page in plain words, with the right status."""

    def page(code: int, heading: str, words: str, finding: int | None = None) -> tuple[str, int]:
        return render_template("message.html", heading=heading, words=words, finding=finding, back=_came_from()), code

    @app.errorhandler(NotTakenBackError)
    def _not_taken_back(error: NotTakenBackError) -> tuple[str, int]:
        return page(409, "Not taken back", str(error), error.finding_id)

    @app.errorhandler(ConflictError)
    def _conflict(error: ConflictError) -> tuple[str, int]:
        return page(409, "Not saved", str(error))

    @app.errorhandler(UnknownError)
    def _unknown(error: UnknownError) -> tuple[str, int]:
        return page(404, "Not found", str(error))

    @app.errorhandler(NotShownError)
    def _not_shown(error: NotShownError) -> Response:
        return Response(str(error), 404, mimetype="text/plain")

    @app.errorhandler(RecordsError)
    def _records(error: RecordsError) -> tuple[str, int]:
        return page(503, "The database does not answer", str(error))

    @app.errorhandler(MeniscopeError)
    def _refused(error: MeniscopeError) -> tuple[str, int]:
        return page(400, "Not saved", str(error))

    @app.errorhandler(HTTPException)
    def _http(error: HTTPException) -> tuple[str, int]:
        return page(error.code or 500, error.name, error.description or "")


