"""A browser without a screen for the page: keeps its session and knows its form token."""

from __future__ import annotations

import re
from typing import Any

from flask import Flask
from werkzeug.test import TestResponse


class Visitor:
    """One person at the page."""

    def __init__(self, app: Flask, address: str = "127.0.0.1") -> None:
        self.client = app.test_client()
        self.address = address

    def get(self, path: str, **more: Any) -> TestResponse:
        return self.client.get(path, environ_base={"REMOTE_ADDR": self.address}, **more)

    def post(self, path: str, data: dict[str, Any] | None = None, **more: Any) -> TestResponse:
        """Send a form with the session's token."""
        if not self.token():
            self.get("/board/1")  # any page with a form
        values = {"form": self.token()} | (data or {})
        return self.client.post(path, data=values, environ_base={"REMOTE_ADDR": self.address}, **more)

    def token(self) -> str:
        with self.client.session_transaction() as session:
            return str(session.get("form", ""))

    def log_in(self, name: str, password: str = "") -> TestResponse:
        self.get("/login")
        return self.post("/login", {"name": name, "password": password, "to": "/"})

    def decide(self, finding: int, call: str, **more: str) -> TestResponse:
        """Decide on a finding as its page asks, with the version that the page shows, board in hand."""
        said = {"call": call, "version": self.version(finding), "unseen": "yes"}
        return self.post(f"/finding/{finding}", said | more)

    def version(self, finding: int, step: str = "") -> str:
        """Return the version that a finding's page, or the page of its step `/settle`, shows."""
        page = self.get(f"/finding/{finding}{step}").get_data(as_text=True)
        found = re.search(r'name="version" value="(\d+)"', page)
        assert found is not None
        return found[1]
