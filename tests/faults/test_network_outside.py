"""All balances of a site that do not close together are reported by the running daemon, though every board is inside its band."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import load_plan
from tests.brokers import Mosquitto, until
from tests.faults.mill import FAR, MAY, PLAN, message, publish, sending, shown
from tests.faults.page_client import asked
from tests.faults.test_c_time import Wall

pytestmark = pytest.mark.slow
MINUTE = 60_000
SUBS = """\
    { point = "s1", role = "sub", below = "q03", rating_a = 32 },
    { point = "s2", role = "sub", below = "q03", rating_a = 32 },
"""


@pytest.mark.parametrize(
    ("second_wh", "reported"), [(100, True), (150, False)], ids=["a sixth is missing", "all is there"]
)
def test_a_riser_that_lacks_a_sixth_is_reported_though_its_board_is_inside(
    second_wh: int, reported: bool, tmp_path: Path
) -> None:
    """Feeder q03 carries 18 kW, 15 kW are measured below it: no board sees that, the global test does."""
    wall = Wall(MAY - 2 * MINUTE)
    path = tmp_path / "mill.toml"
    with Mosquitto() as broker, sending(broker.port) as out:
        plan = PLAN.format(port=broker.port, limits=FAR, options="", zone="Europe/Vienna")
        path.write_text(plan.replace('    { point = "roof"', SUBS + '    { point = "roof"'), encoding="utf-8")
        with asked(load_plan(path).site, tmp_path / "s.sqlite", wall.clock()) as page:
            assert until(out.connected)
            assert page.looks_again()
            sent = []
            for minute in range(-1, 20):
                values = shown(minute) | {
                    "s1": {"import": 9_000 + 150 * minute},
                    "s2": {"import": 9_000 + second_wh * minute},
                }
                sent += [(f"m/{point}", message(MAY + minute * MINUTE, **item)) for point, item in values.items()]
            publish(out, sent)
            wall.skip(18 * 60)
            assert until(
                lambda: (s := page.page_values("now")) and s["boards"] and s["boards"][0]["verdict"] == "inside", 90
            )
            assert page.looks_again()
            results = page.findings()
    assert ("network-outside-mill" in results) is reported, results
    if reported:
        assert "2 balances from 2026-05-04T00:00:00Z" in results["network-outside-mill"]["text"]
        assert "q03" in results["network-outside-mill"]["evidence"][0]
