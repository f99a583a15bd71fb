"""The look for accessibility faults finds what is planted, though rows that are built alike are looked at once."""

import pytest
from playwright.sync_api import Browser

from tests.adapters.web.browser import accessibility_faults

pytestmark = pytest.mark.slow
ROW = "<tr{}><td>cold store</td><td>12 kWh</td></tr>"
PAGE = """<!doctype html><html lang="en"><head><title>Energies</title><style>
body {{ color: #111; background: #fff }} .pale td {{ color: #ddd }} .own {{ {} }}</style></head>
<body><main><h1>Energies</h1><table>{}</table></main></body></html>"""


@pytest.mark.parametrize(
    ("style", "rows", "faults"),
    [
        ("", [""] * 9, 0),
        ("color: #ddd", [""] * 9, 0),
        ("", [*[""] * 7, ' class="pale"', ""], 1),
        ("", [' class="pale"'] * 9, 1),
        ("color: #ddd", [*[""] * 7, ' class="own"'], 1),
        ("", [*[""] * 7, ' role="nonsense"'], 1),
    ],
)
def test_a_row_that_is_unlike_the_others_is_looked_at(
    browser: Browser, style: str, rows: list[str], faults: int
) -> None:
    page = browser.new_page()
    try:
        page.set_content(PAGE.format(style, "".join(ROW.format(word) for word in rows)))
        results = accessibility_faults(page)
        assert len(results) == faults, results
        assert accessibility_faults(page) == results  # a second look is no other
    finally:
        page.close()
