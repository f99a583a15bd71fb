"""How the tests look at a page: opened in Chromium, its errors collected, its accessibility examined."""

from collections.abc import Iterator
from contextlib import contextmanager

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page

PHONE, DESK, WALL = (390, 844), (1280, 900), (2560, 1440)


@contextmanager
def opened(
    browser: Browser, address: str, *, size: tuple[int, int] = DESK, dark: bool = False, language: str = "en-GB"
) -> Iterator[Page]:
    """A page in a fresh browser; errors of scripts and refused loads fail the test."""
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, color_scheme="dark" if dark else "light", locale=language
    )
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda message: wrong.append(message.text) if message.type == "error" else None)
    page.goto(address)
    yield page
    context.close()
    assert wrong == [], wrong


def log_in(page: Page, root: str, name: str, password: str) -> None:
    """As a person does, by the form."""
    page.goto(f"{root}/login")
    page.fill("#name", name)
    page.fill("#password", password)
    page.click("main button")
    page.wait_for_url(f"{root}/now")


def accessibility_faults(page: Page) -> list[str]:
    """What axe-core finds, with the place of each."""
    result = Axe().run(page).response["violations"]
    return [f"{item['id']}: {item['help']}: {[node['target'] for node in item['nodes'][:3]]}" for item in result]


def overflows(page: Page) -> bool:
    """Whether the page is wider than the window: only tables may scroll, inside their own region."""
    return bool(page.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth + 1"))
