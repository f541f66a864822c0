"""Who may use the page, and what it refuses: passwords, sessions, and requests that mean harm."""

from __future__ import annotations

from html.parser import HTMLParser

import pytest
import review_boards as boards

pytest.importorskip("flask", reason="the extra `review` is not installed")

from flask import Flask
from page_client import Visitor
from sqlalchemy import Engine, func, select

from vision.records.database import reading
from vision.records.schema import Review
from vision.review.app import create_app
from vision.review.boards import load_board
from vision.review.decisions import Actor, Decision, decide
from vision.review.people import add_person, remove_person
from vision.review.security import Attempts, is_loopback, local_target
from vision.review.shop import Settings

OPERATOR = Actor("test")
PAGES = ("/", "/finding/1", "/board/1", "/board/1/repair", "/bench", "/rules", "/settle", "/blind")
ALL = ("/next", "/find?serial=B1", "/board/1/repair.json", "/picture/finding/1/all.jpg", "/picture/good/1/all.jpg",
       "/picture/joint/1/1/all.jpg", *PAGES)


# --- who may --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ALL)
def test_nobody_sees_anything_without_logging_in(locked: Flask, path: str) -> None:
    answer = Visitor(locked).get(path)
    assert answer.status_code == 302
    assert answer.headers["Location"].startswith("/login?to=")
    assert b"invented" not in answer.data


def test_passwords_are_kept_as_argon2id_and_checked(locked: Flask, engine: Engine) -> None:
    from vision.records.schema import PERSON

    with reading(engine) as connection:
        stored = connection.execute(select(PERSON.c.password).where(PERSON.c.name == "Ada")).scalar_one()
    assert stored.startswith("$argon2id$v=19$")  # the encoding of RFC 9106's reference implementation
    visitor = Visitor(locked)
    assert visitor.log_in("Ada", "three green goats").status_code == 403
    assert visitor.get("/").status_code == 302
    assert visitor.log_in("Nobody", "three green boats").status_code == 403
    assert visitor.log_in(" Ada ", "three green boats").status_code == 302
    assert visitor.get("/").status_code == 200
    assert boards.trail(engine)[-3:] == [("Ada", "login refused"), ("Nobody", "login refused"), ("Ada", "login")]


def test_passwords_cannot_be_tried_in_bulk(locked: Flask) -> None:
    thief = Visitor(locked, "10.9.9.9")
    codes = [thief.log_in("Ada", f"wrong number {number}").status_code for number in range(7)]
    assert codes == [403] * 5 + [429] * 2
    assert thief.log_in("Ada", "three green boats").status_code == 429  # not even with the right one
    assert Visitor(locked, "10.9.9.8").log_in("Ada", "three green boats").status_code == 302  # nobody is locked out
    many = Visitor(locked, "10.9.9.7")
    codes = [many.log_in(f"name {number}", "wrong wrong wrong").status_code for number in range(31)]
    assert codes[-1] == 429


def test_attempts_are_forgotten_after_their_time() -> None:
    clock = [0.0]
    attempts = Attempts(2, 60.0, lambda: clock[0])
    attempts.failed("a")
    clock[0] = 30.0
    attempts.failed("a")
    assert attempts.wait("a") == 30
    assert attempts.wait("b") == 0
    clock[0] = 61.0
    assert attempts.wait("a") == 0


def test_a_new_password_ends_every_session(locked: Flask, engine: Engine) -> None:
    ada, bo = Visitor(locked), Visitor(locked)
    ada.log_in("Ada", "three green boats")
    bo.log_in("Bo", "seven tall lamps")
    add_person(engine, "Ada", "four green boats", may_settle=True, by=OPERATOR)
    assert ada.get("/").status_code == 302
    remove_person(engine, "Bo", by=OPERATOR)
    assert bo.get("/").status_code == 302


def test_leaving_ends_the_session(locked: Flask) -> None:
    ada = Visitor(locked)
    ada.log_in("Ada", "three green boats")
    assert ada.post("/logout").headers["Location"] == "/login"
    assert ada.get("/").status_code == 302


@pytest.mark.parametrize(("name", "password", "message"), [
    ("Cy", "short", "wanted 10 to 200"), ("Cy", "x" * 201, "wanted 10 to 200"), ("Cy", "a" * 12, "easily guessed"),
    ("somebody at all", "Somebody At All", "easily guessed"), ("", "three green boats", "printable"),
    ("a\nb\x07", "three green boats", "printable"), ("n" * 61, "three green boats", "printable")])
def test_people_need_a_name_and_a_good_password(engine: Engine, name: str, password: str, message: str) -> None:
    from models.errors import MeniscopeError

    with pytest.raises(MeniscopeError, match=message):
        add_person(engine, name, password, may_settle=False, by=OPERATOR)


# --- hostile requests -------------------------------------------------------------------------------------------------


def test_every_answer_carries_a_strict_policy(ada: Visitor) -> None:
    """No inline script or style, nothing from elsewhere, no frames (W3C Content Security Policy Level 3)."""
    for path in (*ALL, "/nowhere", "/static/page.css"):
        with ada.get(path) as answer:
            headers = answer.headers
        policy = dict(part.strip().split(" ", 1) for part in headers["Content-Security-Policy"].split(";"))
        assert policy["default-src"] == "'none'"
        assert policy["script-src"] == policy["style-src"] == policy["form-action"] == "'self'"
        assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
        assert headers["X-Content-Type-Options"] == "nosniff"


class _Inline(HTMLParser):
    """Collects what the policy would block, and addresses that lead elsewhere."""

    def __init__(self) -> None:
        super().__init__()
        self.bad: list[str] = []
        self.script = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        self.bad += [f"{tag} {name}" for name in values if name == "style" or name.startswith("on")]
        self.script = tag in ("script", "style")
        for name in ("src", "href", "action"):
            if (values.get(name) or "/").split(":")[0] not in ("", "/") and not (values.get(name) or "").startswith(
                    ("/", "#")):
                self.bad.append(f"{tag} {name} {values[name]}")

    def handle_data(self, data: str) -> None:
        if self.script and data.strip():
            self.bad.append("inline script or style")


@pytest.mark.parametrize("path", [*PAGES, "/login", "/nowhere"])
def test_pages_hold_nothing_inline_and_nothing_foreign(ada: Visitor, path: str) -> None:
    ada.decide(1, "cannot_tell")
    parser = _Inline()
    parser.feed(ada.get(path).get_data(as_text=True))
    assert parser.bad == []


@pytest.mark.parametrize("path", ["/finding/1", "/finding/1/settle", "/undo/1", "/later/1", "/board/1/missed",
                                  "/board/1/repair", "/blind", "/logout", "/look", "/login"])
def test_forms_from_elsewhere_are_refused(app: Flask, ada: Visitor, engine: Engine, path: str) -> None:
    good = {"form": ada.token(), "call": "real", "version": "0", "name": "Eve"}
    for data, headers in (({**good, "form": ""}, {}), ({**good, "form": "guess"}, {}),
                          (good, {"Origin": "https://evil.example"}), (good, {"Origin": "null"}),
                          (good, {"Sec-Fetch-Site": "cross-site"})):
        assert ada.client.post(path, data=data, headers=headers).status_code == 403
    assert app.test_client().post(path, data={"form": "", "call": "real"}).status_code == 403
    with reading(engine) as connection:
        assert connection.execute(select(func.count(Review.id))).scalar_one() == 0


def test_a_token_of_one_person_is_worth_nothing_to_another(app: Flask, ada: Visitor) -> None:
    eve = Visitor(app)
    eve.log_in("Eve")
    eve.get("/finding/1")
    assert eve.token() != ada.token()
    assert eve.client.post("/finding/1", data={"form": ada.token(), "call": "real", "version": "0"}).status_code == 403


def test_nothing_is_changed_by_looking(ada: Visitor) -> None:
    for path in ("/undo/1", "/later/1", "/logout", "/look", "/board/1/missed"):
        assert ada.get(path).status_code in (404, 405)


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8650", "127.0.0.1.evil.example", "0.0.0.0", "[::2]"])
def test_a_foreign_name_that_points_here_is_refused(ada: Visitor, host: str) -> None:
    assert ada.client.get("/", headers={"Host": host}).status_code == 400


@pytest.mark.parametrize("host", ["localhost:8650", "127.0.0.1", "[::1]:8650"])
def test_its_own_names_are_taken(ada: Visitor, host: str) -> None:
    assert ada.client.get("/login", headers={"Host": host}).status_code in (200, 302)


def test_the_session_cookie_is_out_of_reach(app: Flask, engine: Engine) -> None:
    cookie = Visitor(app).get("/login").headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert "Secure" not in cookie
    safe = create_app(engine, Settings(passwords=False, loopback=False, secure_cookies=True))
    assert "Secure" in Visitor(safe).get("/login").headers["Set-Cookie"]


def test_a_forged_or_foreign_session_is_no_session(app: Flask, engine: Engine) -> None:
    other = create_app(engine, Settings(passwords=False))  # another server has another secret
    visitor = Visitor(other)
    visitor.log_in("Ada")
    cookie = visitor.client.get_cookie("meniscope_review")
    assert cookie is not None
    stranger = app.test_client()
    for value in (cookie.value, "e30.aaaa.bbbb", "nonsense", ""):
        stranger.set_cookie("meniscope_review", value)
        assert stranger.get("/").status_code == 302


@pytest.mark.parametrize("path", [
    "/picture/finding/1/..%2f..%2f..%2fetc%2fpasswd.jpg", "/picture/finding/1/../../../etc/passwd", "/static/../app.py",
    "/static/..%2fapp.py", "/static/%2e%2e/app.py", "/picture/finding/-1/all.jpg", "/picture/finding/1e3/all.jpg",
    "/picture/finding/999999999999999999999/all.jpg", "/picture/joint/1/0/all.jpg", "/picture/joint/1/999/all.jpg",
    "/finding/999", "/finding/99999999999999999999999", "/board/0", "/board/999/repair", "/finding/1%00",
    "/find?serial=%00", "/find?serial=no-such", "/find"])
def test_paths_that_lead_nowhere_lead_nowhere(ada: Visitor, path: str) -> None:
    answer = ada.get(path)
    assert answer.status_code in (404, 400)
    assert b"root:" not in answer.data
    assert b"Traceback" not in answer.data
    assert b"import " not in answer.data


@pytest.mark.parametrize("query", ["after=nonsense", "after=2026-01-01~1", "after=9999-99-99T00:00:00%2B00:00~1",
                                   "after=2026-01-01T00:00:00%2B00:00~9999999999999999999", "after=%00~%ff"])
def test_a_nonsense_place_in_the_queue_is_its_beginning(ada: Visitor, query: str) -> None:
    answer = ada.get(f"/?{query}")
    assert answer.status_code == 200
    assert b"B1" in answer.data


@pytest.mark.parametrize("data", [
    {}, {"call": "real"}, {"call": "real", "version": "-1"}, {"call": "real", "version": "٣"},
    {"call": "real", "version": "99999999999999"}, {"call": "", "version": "0"}, {"call": "escape", "version": "0"},
    {"call": "real", "version": "0", "corrected": "no_such"}, {"call": ["real"] * 3, "version": "0x0"}])
def test_forms_that_make_no_sense_change_nothing(ada: Visitor, engine: Engine, data: dict[str, str]) -> None:
    assert ada.post("/finding/1", data).status_code == 400
    assert load_board(engine, 1)[0].open_findings == 6


def test_huge_forms_are_not_read(ada: Visitor) -> None:
    assert ada.post("/finding/1", {"call": "real", "version": "0", "note": "x" * 200_000}).status_code == 413


def test_text_of_people_and_files_stays_text(engine: Engine) -> None:
    evil = "<img src=x onerror=alert(1)>"
    boards.save(engine, boards.inspection(f'B"><script>alert(1)</script>{evil}', boards.MIXED))
    app = create_app(engine, Settings(passwords=False))
    visitor = Visitor(app)
    visitor.log_in(f"Eve {evil}")
    decide(engine, 1, Decision("cannot_tell", note=f"</textarea>{evil}"), Actor(f"Eve {evil}"), version=0)
    for path in ("/", "/finding/1", "/finding/2", "/board/1", "/board/1/repair", "/settle", "/rules", "/bench"):
        page = visitor.get(path).get_data(as_text=True)
        assert "<img src=x" not in page
        assert "<script>alert" not in page


@pytest.mark.parametrize(("text", "wanted"), [
    ("/board/3?x=1", "/board/3?x=1"), ("//evil.example", "/"), ("https://evil.example", "/"), ("/\\evil.example", "/"),
    ("javascript:alert(1)", "/"), ("", "/"), ("/a\r\nSet-Cookie: x=1", "/"), ("evil", "/")])
def test_a_login_leads_nowhere_else(text: str, wanted: str) -> None:
    assert local_target(text) == wanted


@pytest.mark.parametrize(("host", "alone"), [
    ("127.0.0.1", True), ("127.8.9.1", True), ("::1", True), ("localhost", True), ("0.0.0.0", False), ("::", False),
    ("192.168.1.4", False), ("station-7", False), ("", False)])
def test_only_loopback_counts_as_this_machine_alone(host: str, alone: bool) -> None:
    assert is_loopback(host) == alone


def test_errors_tell_no_insides(ada: Visitor, monkeypatch: pytest.MonkeyPatch) -> None:
    from vision.records.errors import RecordsError
    from vision.review import pages_decide

    def fails(*_: object, **__: object) -> None:
        raise RecordsError("database results.sqlite: another program holds it locked; wait, then try again")

    monkeypatch.setattr(pages_decide, "waiting_boards", fails)
    answer = ada.get("/")
    assert answer.status_code == 503
    assert "another program holds it locked" in answer.get_data(as_text=True)
