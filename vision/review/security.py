"""Who may use the page, and what a hostile browser may not: sessions, CSRF, headers, host names, rate of logins."""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from urllib.parse import urlsplit

from flask import Flask, Response, abort, g, redirect, request, session, url_for
from sqlalchemy import Engine
from werkzeug.wrappers import Response as AnyResponse

from vision.review.decisions import Actor
from vision.review.people import Person, find_person

SESSION_HOURS = 12
#: A form holds a decision and a note; nothing larger is read.
MOST_FORM_BYTES = 64 * 1024

#: No script, style or picture but this server's own files, nothing inline, no frames, no forms to elsewhere.
POLICY = ("default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
          "form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
HEADERS = {
    "Content-Security-Policy": POLICY, "X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin", "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), usb=()",
}


class Attempts:
    """Counts failed logins by key over a sliding time, so that passwords cannot be tried in bulk."""

    def __init__(self, most: int, seconds: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._most, self._seconds, self._clock = most, seconds, clock
        self._failed: dict[str, deque[float]] = {}
        self._lock = threading.Lock()

    def wait(self, key: str) -> int:
        """Return how many seconds a key must wait before it may try again; 0: it may."""
        now = self._clock()
        with self._lock:
            failed = self._recent(key, now)
            return 0 if len(failed) < self._most else max(1, round(failed[0] + self._seconds - now))

    def failed(self, key: str) -> None:
        """Count a failed login."""
        now = self._clock()
        with self._lock:
            if len(self._failed) > 10_000:  # somebody tries endless names: forget those that are over
                for old in [name for name in self._failed if not self._recent(name, now)]:
                    del self._failed[old]
            self._recent(key, now).append(now)

    def _recent(self, key: str, now: float) -> deque[float]:
        failed = self._failed.setdefault(key, deque(maxlen=self._most))
        while failed and now - failed[0] >= self._seconds:
            failed.popleft()
        return failed


def is_loopback(host: str) -> bool:
    """Say whether an address to bind to is reached from this machine alone."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def guard(app: Flask, engine: Engine, *, passwords: bool, loopback: bool, secure_cookies: bool) -> None:
    """Put the checks before and the headers behind every request of an app."""
    app.config.update(
        SECRET_KEY=secrets.token_bytes(32), SESSION_COOKIE_NAME="meniscope_review", SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Strict", SESSION_COOKIE_SECURE=secure_cookies,
        PERMANENT_SESSION_LIFETIME=timedelta(hours=SESSION_HOURS), SESSION_REFRESH_EACH_REQUEST=False,
        MAX_CONTENT_LENGTH=MOST_FORM_BYTES, MAX_FORM_MEMORY_SIZE=MOST_FORM_BYTES, MAX_FORM_PARTS=200)

    @app.before_request
    def _check() -> AnyResponse | None:
        if loopback and not is_loopback(urlsplit(f"//{request.host}").hostname or ""):
            abort(400, "this page answers to its local address only")  # a foreign name that points here
        if request.endpoint == "static":
            return None
        if request.method == "POST":
            check_form()
        g.person = _person(engine, passwords)
        if g.person is None and request.endpoint not in ("login", "look"):
            session.pop("name", None)
            return redirect(url_for("login", to=request.full_path.rstrip("?") if request.method == "GET" else "/"))
        return None

    @app.after_request
    def _headers(response: Response) -> Response:
        for name, value in HEADERS.items():
            response.headers[name] = value
        response.headers.setdefault("Cache-Control", "no-store")
        return response


def _person(engine: Engine, passwords: bool) -> Person | None:
    """Return who is logged in. A session ends with the shift, and when password or rights of the person change."""
    name, since = session.get("name"), session.get("since")
    if not isinstance(name, str) or not isinstance(since, (int, float)):
        return None
    began = datetime.fromtimestamp(since, UTC)
    if datetime.now(UTC) - began > timedelta(hours=SESSION_HOURS):
        return None
    if not passwords:
        return Person(name, True, True, began)
    person = find_person(engine, name)
    return None if person is None or person.changed_at > began else person


def log_in(name: str) -> None:
    """Begin a session with nothing of an earlier one in it."""
    session.clear()
    session.permanent = True
    session["name"], session["since"] = name, time.time()


def form_token() -> str:
    """Return the session's secret that every form carries."""
    if "form" not in session:
        session["form"] = secrets.token_hex(24)
    return str(session["form"])


def check_form() -> None:
    """Refuse a form that another site sent (CSRF): wrong origin, or without the session's secret."""
    origin = request.headers.get("Origin")
    if origin is not None and urlsplit(origin).netloc != request.host:
        abort(403, "this form came from another site")
    if request.headers.get("Sec-Fetch-Site", "same-origin") not in ("same-origin", "none"):
        abort(403, "this form came from another site")
    known, sent = str(session.get("form", "")), request.form.get("form", "")
    if not known or not hmac.compare_digest(known.encode(), sent.encode()):
        abort(403, "this form is no longer valid; go back, load the page again and repeat it")


def actor() -> Actor:
    """Return who acts in this request."""
    return Actor(g.person.name, request.remote_addr or "")


def local_target(text: str) -> str:
    """Return where to go after a login: a path of this page, never another site."""
    parts = urlsplit(text)
    plain = text.startswith("/") and not text.startswith(("//", "/\\")) and not parts.scheme and not parts.netloc
    return text if plain and text.isprintable() and "\\" not in text else "/"
