"""A real browser for the tests of the map: one process, a fresh page for each question, everything it says noted."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")


def browser_path() -> str | None:
    """Return the browser: the one RISKMAP_BROWSER names, else the first found by its usual names."""
    named = os.environ.get("RISKMAP_BROWSER")
    return named or next((found for name in NAMES if (found := shutil.which(name))), None)


def why_not() -> str:
    """Return why no browser test can run here; empty where one can."""
    try:
        import playwright.sync_api  # noqa: F401
    except ImportError:
        return "playwright is not installed (pip install -e '.[check]')"
    return "" if browser_path() else f"no browser found ({', '.join(NAMES)}; RISKMAP_BROWSER names another)"


@dataclass
class Seen:
    """A page, and all it asked for and complained of."""

    page: Any
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)
    dialogs: list[str] = field(default_factory=list)

    def js(self, code: str, argument: Any = None) -> Any:
        return self.page.evaluate(code, argument)

    def text(self, selector: str) -> str:
        return self.page.inner_text(selector)

    def screen_place(self, place: str) -> tuple[float, float]:
        """Where a place of the map (JavaScript that gives a LatLng) lies in the window."""
        x, y = self.js(
            f"""(() => {{
              const box = rm.map.getContainer().getBoundingClientRect(), at = rm.map.latLngToContainerPoint({place});
              return [box.x + at.x, box.y + at.y];
            }})()"""
        )
        return x, y

    def wait(self, condition: str, seconds: float = 20) -> None:
        """Wait until some JavaScript holds; the page's policy forbids playwright's own way of polling."""
        for _ in range(int(seconds * 50)):
            if self.js(condition):
                return
            self.page.wait_for_timeout(20)
        raise AssertionError(f"never came true: {condition}")


class Browser:
    """One browser process."""

    def __init__(self) -> None:
        from playwright.sync_api import sync_playwright

        self.driver = sync_playwright().start()
        self.process = self.driver.chromium.launch(executable_path=browser_path(), args=["--no-sandbox"])

    def close(self) -> None:
        self.process.close()
        self.driver.stop()

    @contextmanager
    def open(self, file: Path, *, before: str = "", ready: bool = True, **context: Any) -> Iterator[Seen]:
        """Open a file in a fresh context; `before` is JavaScript that runs before the page's own."""
        context.setdefault("viewport", {"width": 1280, "height": 800})
        here = self.process.new_context(**context)
        if before:
            here.add_init_script(before)
        page = here.new_page()
        seen = Seen(page)
        page.on("request", lambda request: seen.requests.append(request.url))
        page.on("pageerror", lambda error: seen.complaints.append(f"error: {error}"))
        page.on("console", lambda message: seen.complaints.append(f"{message.type}: {message.text}"))
        page.on("dialog", lambda dialog: (seen.dialogs.append(dialog.message), dialog.dismiss()))
        page.goto(file.as_uri())
        if ready:
            seen.wait("document.documentElement.classList.contains('ready')")
            page.wait_for_timeout(80)  # two frames, so that what was asked for is drawn
        try:
            yield seen
        finally:
            here.close()
