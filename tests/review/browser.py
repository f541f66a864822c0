"""A real Chromium without a window, driven by its own chromedriver, and the page served as it is on the line."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from flask import Flask

CHROMIUM, DRIVER = shutil.which("chromium"), "/usr/bin/chromedriver"
FLAGS = ("--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
         "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage", "--force-color-profile=srgb")


def need_chromium() -> None:
    """Skip where no browser can be had."""
    pytest.importorskip("selenium", reason="selenium is not installed (pip install selenium)")
    if CHROMIUM is None or not Path(DRIVER).exists():
        pytest.skip("Chromium is not installed (Debian: apt-get install chromium chromium-driver)")
#: Whether a page takes keys and touches that lead on; pages without the script always do.
AWAKE = """return document.readyState === "complete" && (!document.querySelector("script[src*='page.js']")
               || document.documentElement.dataset.awake === "yes")"""


@contextmanager
def served(app: Flask) -> Iterator[str]:
    """Serve an app with the server of `meniscope review`; gives its address."""
    import waitress

    server = waitress.create_server(app, host="127.0.0.1", port=0, threads=6, ident="")
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.effective_port}"
    finally:
        server.close()
        server.task_dispatcher.shutdown()
        thread.join(10)


class Browser:
    """One person's browser, with a profile of its own."""

    def __init__(self, profile: Path, base: str, width: int = 1280, height: int = 800) -> None:
        from selenium import webdriver
        from selenium.webdriver.chrome.service import Service

        options = webdriver.ChromeOptions()
        options.binary_location = str(CHROMIUM)
        for flag in (*FLAGS, f"--user-data-dir={profile}"):
            options.add_argument(flag)
        self.base = base
        self.driver = webdriver.Chrome(options=options, service=Service(DRIVER))
        self.size(width, height)

    def size(self, width: int, height: int) -> None:
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride",
                                    {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False})

    def scheme(self, name: str) -> None:
        """Prefer `light` or `dark`, as the system's setting would."""
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia",
                                    {"features": [{"name": "prefers-color-scheme", "value": name}]})

    def open(self, path: str) -> None:
        self.driver.get(self.base + path)

    @property
    def path(self) -> str:
        return str(self.driver.current_url).removeprefix(self.base)

    def keys(self, *keys: str) -> None:
        """Press keys wherever the focus is, each as soon as the page takes it."""
        from selenium.webdriver.common.action_chains import ActionChains

        for key in keys:
            self.wait_awake()
            ActionChains(self.driver).send_keys(key).perform()

    def wait_awake(self) -> None:
        """Wait until the page has been shown for long enough to take keys and touches that lead on."""
        self.wait(lambda: bool(self.js(AWAKE)), "the page to take keys")

    def when_a_page_comes(self, code: str) -> None:
        """Run this in each page from now on, the moment its script has begun: what bounces falls on the next page."""
        self.driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {
            "source": f"document.addEventListener('DOMContentLoaded', () => {{ {code} }});"})

    def tab_to(self, words: str, most: int = 80) -> None:
        """Press Tab until the focus is on what bears these words, as a person without a mouse must."""
        for _ in range(most):
            self.keys("\ue004")
            if words in self.js("return (document.activeElement.innerText || '') + ' ' + "
                                "(document.activeElement.labels?.[0]?.innerText || '')"):
                return
        raise AssertionError(f"{most} times Tab did not reach {words!r}")

    def js(self, code: str, *values: Any) -> Any:
        return self.driver.execute_script(code, *values)

    def text(self) -> str:
        return str(self.js("return document.body.innerText"))

    def wait(self, condition: Callable[[], bool], what: str, seconds: float = 20.0) -> None:
        from selenium.common.exceptions import WebDriverException

        end = time.monotonic() + seconds
        while True:
            try:
                if condition():
                    return
            except WebDriverException:  # between two pages there is nothing to ask
                pass
            if time.monotonic() > end:
                raise AssertionError(f"waited in vain for {what}; at {self.path}: {self.text()[:500]}")
            time.sleep(0.05)

    def wait_text(self, words: str) -> None:
        self.wait(lambda: words in self.text(), repr(words))

    def log_in(self, name: str) -> None:
        """Log in with the keyboard alone; the name field has the focus."""
        self.open("/login")
        self.wait(lambda: self.js("return document.activeElement.tagName") == "INPUT", "the focus on the name")
        self.keys(name, "\ue007")
        self.wait(lambda: self.path == "/", "the queue")

    def complaints(self) -> list[str]:
        """Return what the browser complained of: blocked by the policy, not found, script errors."""
        return [entry["message"] for entry in self.driver.get_log("browser")]

    def close(self) -> None:
        self.driver.quit()


#: Opens a browser of its own for a person of this name, or for nobody yet.
Open = Callable[..., Browser]
