"""The page as a program sees it: what it shows, what it takes, and what it refuses."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from itertools import pairwise

import pytest
import review_boards as boards

pytest.importorskip("flask", reason="the extra `review` is not installed")

from flask import Flask
from page_client import Visitor
from sqlalchemy import Engine, func, select

from vision.records.database import reading
from vision.records.schema import AUDIT, Review
from vision.review.app import create_app
from vision.review.boards import load_board, load_case
from vision.review.decisions import Actor, Decision, decide
from vision.review.people import add_person, remove_person
from vision.review.security import Attempts, is_loopback, local_target
from vision.review.shop import Settings
from vision.review.state import board_state

OPERATOR = Actor("test")
PAGES = ("/", "/finding/1", "/board/1", "/board/1/repair", "/bench", "/rules", "/settle", "/blind")
ALL = ("/next", "/find?serial=B1", "/board/1/repair.json", "/picture/finding/1/all.jpg", "/picture/good/1/all.jpg",
       "/picture/joint/1/1/all.jpg", *PAGES)


@pytest.fixture
def app(engine: Engine) -> Flask:
    boards.save(engine, boards.inspection("B1", boards.MIXED))
    boards.save(engine, boards.inspection("B2", boards.MIXED, minute=1))
    return create_app(engine, Settings(passwords=False))


@pytest.fixture
def locked(engine: Engine) -> Flask:
    boards.save(engine, boards.inspection("B1", boards.MIXED))
    add_person(engine, "Ada", "three green boats", may_settle=True, by=OPERATOR)
    add_person(engine, "Bo", "seven tall lamps", may_settle=False, by=OPERATOR)
    return create_app(engine, Settings(passwords=True, loopback=False))


@pytest.fixture
def ada(app: Flask) -> Visitor:
    visitor = Visitor(app)
    assert visitor.log_in("Ada").status_code == 302
    return visitor


def trail(engine: Engine) -> list[tuple[str, str]]:
    with reading(engine) as connection:
        return [(row.who, row.action) for row in connection.execute(select(AUDIT).order_by(AUDIT.c.id))]


# --- the work ---------------------------------------------------------------------------------------------------------


def test_a_finding_is_shown_with_all_that_a_decision_needs(ada: Visitor) -> None:
    page = ada.get("/finding/1").get_data(as_text=True)
    assert "coverage 212 deg, needs at least 270 deg" in page
    assert "1 of 6 to decide" in page
    for layer in ("all", "light0", "light1", "slope"):
        assert f"/picture/finding/1/{layer}.jpg" in page
    assert "/picture/good/1/all.jpg" in page
    assert "J2" not in re.sub(r'value="[^"]*"', "", page)  # the form's random mark may hold any letters
    assert 'aria-label="Board map: J1.1 is marked"' in page
    assert "data-preload=\"/picture/finding/2/all.jpg" in page


def test_deciding_goes_on_through_the_board_and_to_the_next(ada: Visitor, engine: Engine) -> None:
    found = boards.findings(engine, 1)
    order = [key for name, key in found.items() if name not in ("X2.1 blowhole", "J1.3 bridge")]
    assert ada.get("/next").headers["Location"] == f"/finding/{order[0]}"
    for key, following in pairwise(order):
        assert ada.decide(key, "real").headers["Location"] == f"/finding/{following}"
    other_board = min(boards.findings(engine, 2).values())
    assert ada.decide(order[-1], "false_call").headers["Location"] == f"/finding/{other_board}"
    assert load_board(engine, 1)[0].open_findings == 0


def test_undo_brings_the_finding_back(ada: Visitor, engine: Engine) -> None:
    ada.decide(1, "real", note="sure")
    page = ada.get("/finding/2").get_data(as_text=True)
    undo = re.search(r'action="(/undo/\d+)"', page)
    assert undo is not None
    assert "Last: B1 J1.1, partial wetting: real defect" in page
    assert ada.post(undo[1]).headers["Location"] == "/finding/1"
    assert "Taken back. The finding waits again." in ada.get("/finding/1").get_data(as_text=True)
    assert load_case(engine, 1).found.standing is None
    assert ada.post(undo[1]).status_code == 409


def test_two_people_on_one_finding(app: Flask, ada: Visitor, engine: Engine) -> None:
    bo = Visitor(app)
    bo.log_in("Bo")
    seen = bo.version(1)
    ada.decide(1, "real")
    refused = bo.post("/finding/1", {"call": "false_call", "version": seen, "note": "looks good to me"})
    page = refused.get_data(as_text=True)
    assert refused.status_code == 409
    assert "Ada decided “real defect” while you were looking" in page
    assert 'value="looks good to me"' in page  # what Bo typed is not lost
    assert load_board(engine, 1)[0].open_findings == 5
    assert [item for item in trail(engine) if item[1] == "decide"] == [("Ada", "decide")]


def test_two_people_are_sent_to_two_boards(app: Flask, ada: Visitor, engine: Engine) -> None:
    ada.get(ada.get("/next").headers["Location"])
    bo = Visitor(app)
    bo.log_in("Bo")
    assert bo.get("/next").headers["Location"] == f"/finding/{min(boards.findings(engine, 2).values())}"
    assert "Ada looks at this board too." in bo.get("/finding/1").get_data(as_text=True)


def test_a_board_put_off_comes_back_last(ada: Visitor, engine: Engine) -> None:
    second = min(boards.findings(engine, 2).values())
    assert ada.post("/later/1", follow_redirects=False).headers["Location"] == "/next"
    assert ada.get("/next").headers["Location"] == f"/finding/{second}"
    ada.post(f"/later/{second}")
    assert ada.get("/next").headers["Location"] == "/finding/1"


def test_from_finding_to_closed(ada: Visitor, engine: Engine) -> None:
    """The way of a board over the page; grading again is the pipeline's."""
    found = boards.findings(engine, 1)
    for name, key in found.items():
        if name not in ("X2.1 blowhole", "J1.3 bridge"):  # the bridge is decided at its other end
            ada.decide(key, "real" if name.startswith("C1") else "false_call")
    page = ada.get("/board/1/repair").get_data(as_text=True)
    assert "Usually: Heat both ends together" in page
    assert "Real defects wait for the iron." in page
    assert "at most 3 s a contact" in page
    done = ada.post("/board/1/repair", {"finding": str(found["C1 chip_shifted"]), "action": "chip replaced"})
    assert done.status_code == 302
    assert "Recorded: 1 finding mended by Ada." in ada.get("/board/1/repair").get_data(as_text=True)
    assert board_state(engine, 1).kind == "grade again"
    assert "B1" in ada.get("/bench").get_data(as_text=True)
    boards.save(engine, boards.inspection("B1", minute=99, take=1))
    assert ada.get("/find?serial=B1").headers["Location"] == "/board/3"
    assert "Closed: the newest inspection passed." in ada.get("/board/3").get_data(as_text=True)
    assert "B1" not in ada.get("/bench").get_data(as_text=True)


def test_a_missed_defect_is_reported_from_the_board(ada: Visitor, engine: Engine) -> None:
    ada.post("/board/2/missed", {"place": "X2.3", "finding": "no_solder"})
    ada.post("/board/2/missed", {"place": "C2", "finding": "chip_missing"})
    page = ada.get("/board/2/repair").get_data(as_text=True)
    assert "X2.3: no solder" in page
    assert "C2: chip missing" in page
    assert ada.post("/board/2/missed", {"place": "X2.3", "finding": "chip_missing"}).status_code == 400
    assert ada.post("/board/2/missed", {"place": "X9.3", "finding": "no_solder"}).status_code == 404


def test_blind_mode_hides_the_opinion_of_the_program(ada: Visitor, engine: Engine) -> None:
    page = ada.get("/blind").get_data(as_text=True)
    body = page[page.index("<main"):]
    for word in ("reject", "needs at", "limit", "coverage", "/picture/finding/", "Rule", "verdict"):
        assert word not in body
    seen = set()
    for _ in range(4):
        look = re.search(r'name="look" value="([\d-]+)"', ada.get("/blind").get_data(as_text=True))
        assert look is not None
        seen.add(look[1])
        ada.post("/blind", {"look": look[1], "call": "real", "corrected": "blowhole"})
    assert len(seen) >= 3
    assert load_board(engine, 1)[0].open_findings == 6
    assert {action for _, action in trail(engine)} <= {"login", "blind", "control"}
    stale = ada.post("/blind", {"look": "1-9999", "call": "real"})
    assert stale.status_code == 302
    assert "nothing was saved" in ada.get("/blind").get_data(as_text=True)


def test_disagreement_is_settled_over_the_page_by_who_may(locked: Flask, engine: Engine) -> None:
    ada, bo = Visitor(locked), Visitor(locked)
    ada.log_in("Ada", "three green boats")
    bo.log_in("Bo", "seven tall lamps")
    bo.decide(1, "cannot_tell")
    assert "somebody could not tell" in ada.get("/settle").get_data(as_text=True)
    assert "Only people who may settle" in bo.get("/finding/1").get_data(as_text=True)
    assert bo.post("/finding/1/settle", {"call": "real", "version": "1"}).status_code == 403
    assert ada.post("/finding/1/settle", {"call": "real", "version": ada.version(1)}).headers["Location"] == "/settle"
    assert "Nothing is to be settled." in ada.get("/settle").get_data(as_text=True)


def test_the_rules_page_shows_how_false_calls_developed(ada: Visitor) -> None:
    ada.decide(1, "false_call")
    page = ada.get("/rules").get_data(as_text=True)
    assert "partial wetting when coverage below 270 deg" in page
    assert "1 false call</strong> of 1 decided: 100 %" in page
    assert re.search(r"<th scope=\"col\">20\d\d-W\d\d</th>", page)


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
    assert trail(engine)[-3:] == [("Ada", "login refused"), ("Nobody", "login refused"), ("Ada", "login")]


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
