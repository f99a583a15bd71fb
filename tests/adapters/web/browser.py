"""How the tests look at a page: opened in Chromium, its errors collected, its accessibility examined."""

from collections.abc import Iterator
from contextlib import contextmanager

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, ConsoleMessage, Error, Page, expect

WAIT_MS = 60_000  # on a busy machine
expect.set_options(timeout=WAIT_MS / 2)
PHONE, DESK, WALL = (390, 844), (1280, 900), (2560, 1440)


_FREE: dict[tuple[Browser, str], Page] = {}  # to open a window takes as much as two pages in it
_AXE = Axe().axe_script


@contextmanager
def opened(
    browser: Browser, address: str, *, size: tuple[int, int] = DESK, dark: bool = False, language: str = "en-GB"
) -> Iterator[Page]:
    """A page in a window that remembers nobody; errors of scripts and refused loads fail the test."""
    page = _FREE.pop((browser, language), None) or _new(browser, language)
    look(page, size, dark)
    wrong: list[str] = []

    def error(thrown: Error) -> None:
        wrong.append(str(thrown))

    def console(message: ConsoleMessage) -> None:
        if message.type == "error":
            wrong.append(message.text)

    page.on("pageerror", error)
    page.on("console", console)
    page.goto(address)
    yield page
    page.remove_listener("pageerror", error)
    page.remove_listener("console", console)
    page.unroute_all()
    page.context.clear_cookies()
    page.goto("about:blank")  # nothing goes on in it
    _FREE[browser, language] = page
    assert wrong == [], wrong


def _new(browser: Browser, language: str) -> Page:
    context = browser.new_context(locale=language)
    context.set_default_timeout(WAIT_MS)
    return context.new_page()


def look(page: Page, size: tuple[int, int], dark: bool) -> None:
    """Show what is open in a window of this size, by day or by night."""
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.emulate_media(media="null", color_scheme="dark" if dark else "light")  # whatever a test before has set


def log_in(page: Page, root: str, name: str, password: str) -> None:
    """As a person does, by the form."""
    page.goto(f"{root}/login")
    page.fill("#name", name)
    page.fill("#password", password)
    page.click("main button")
    page.wait_for_url(f"{root}/now")


# Contrast takes four fifths of an examination, and rows that are built alike have the same: each make is looked at once.
# Colours follow the attributes named here, and the place in the page.
_MARK_ALIKE = """
() => {
  const colours =
    /^(class|role|scope|tabindex|open|hidden|disabled|fill|stroke|data-plot|aria-(current|invalid|selected|pressed))$/;
  const make = (element) => element.tagName + [...element.attributes].filter((item) => colours.test(item.name))
    .map((item) => item.name + '=' + item.value) + '(' + [...element.children].map(make) + ')';
  const seen = new Set();
  const walk = (element, place) => {
    const own = place + '>' + make(element);
    element.toggleAttribute('data-alike', seen.has(own));
    if (seen.has(own)) return;
    seen.add(own);
    for (const child of element.children) walk(child, place + '>' + element.tagName + '.' + element.getAttribute('class'));
  };
  walk(document.body, '');
}"""
_EXAMINE = """
async (part) => {
  const rules = { 'color-contrast': { enabled: false } };
  const found = (await axe.run(part || document, { resultTypes: ['violations'], rules })).violations;
  const distinct = { include: [part || 'html'], exclude: ['[data-alike]'] };
  const colours = { resultTypes: ['violations'], runOnly: ['color-contrast'] };
  return found.concat((await axe.run(distinct, colours)).violations);
}"""


def accessibility_faults(page: Page, part: str = "") -> list[str]:
    """What axe-core finds, with the place of each; in a part of the page where another test sees the rest of it."""
    if not page.evaluate("'axe' in window"):
        page.evaluate(_AXE)
    page.evaluate(_MARK_ALIKE)
    violations = page.evaluate(_EXAMINE, part)
    return [f"{item['id']}: {item['help']}: {[node['target'] for node in item['nodes'][:3]]}" for item in violations]


def unreadable(page: Page, *, at_night: tuple[int, int], by_day: tuple[int, int]) -> list[str]:
    """What axe-core finds and what is cut off in two windows, each one with other colours, of one page that is open."""
    faults = []
    for size, dark in ((at_night, True), (by_day, False)):
        look(page, size, dark)
        faults += [f"{size[0]} wide: {fault}" for fault in accessibility_faults(page)]
        faults += [f"{size[0]} wide: cut off"] if overflows(page) else []
    return faults


def overflows(page: Page) -> bool:
    """Whether the page is wider than the window: only tables may scroll, inside their own region."""
    return bool(page.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth + 1"))
