"""In which order the tests of a whole run begin, and which of them one worker must run together.

What takes long begins early, so that no worker is left alone with it at the end; between those stand the other files, because
much of what takes long only waits. Renew the table now and then: `pytest --durations=60` names the longest tests.
"""

from collections.abc import Iterable
from functools import cache
from pathlib import Path

WEB = "tests/adapters/web/"
# the files that look at the page of a running demo: half of them at one, half at another
DEMOS = (f"{WEB} first demo", f"{WEB} second demo")
SECOND_FROM = f"{WEB}pages/test_e"
# Seconds by the clock while other work took the machine, so only their order counts. A file, or a test that shares nothing
# with the others of its file and may run beside them.
SECONDS = {
    DEMOS[0]: 200,
    DEMOS[1]: 200,
    "tests/faults/test_i_drift.py": 150,
    "tests/faults/test_i_drift_loads.py": 120,
    "tests/faults/test_b_broker.py": 110,
    "tests/faults/test_drift_cases.py": 100,
    "tests/faults/test_i_store_files.py": 90,
    "tests/faults/test_i_shares.py::test_i2_who_does_not_take_its_share_is_left_alone_and_tried_one_at_a_time": 88,
    "tests/acceptance/test_opsd.py": 85,
    "tests/acceptance/test_uci.py": 85,
    "tests/faults/test_i_broker.py": 85,
    "tests/acceptance/test_controllers.py": 83,
    "tests/app/operations/test_late_readings.py": 80,
    "tests/faults/test_e_process.py": 80,
    "tests/faults/test_i_broker.py::test_i13_topics_that_are_granted_and_not_delivered_are_named_within_75_s_beside_others": 79,
    "tests/adapters/web/test_app.py": 75,
    "tests/simulator/test_drift_acceptance.py": 75,
    "tests/simulator/test_sharing.py": 75,
    "tests/app/cli/test_demo.py": 70,
    "tests/app/operations/test_retention_job.py": 70,
    "tests/faults/test_g_rounds.py": 70,
    "tests/faults/test_i_digests.py": 70,
    "tests/acceptance/test_site_a.py": 65,
    "tests/faults/test_register_scale_live.py": 63,
    "tests/acceptance/test_bad_input.py": 60,
    "tests/acceptance/test_secrets.py": 60,
    "tests/adapters/web/test_registry.py": 60,
    "tests/app/operations/test_whole_history.py": 60,
    "tests/faults/test_i_shares.py": 60,
    "tests/faults/test_g_rounds.py::test_i1_decisions_as_far_apart_as_a_power_is_believed_are_no_outage": 59,
    "tests/bench/test_bench_energy.py": 55,
    "tests/bench/test_bench_history.py": 55,
    "tests/bench/test_bench_load.py": 55,
    "tests/bench/test_bench_page.py": 55,
    "tests/bench/test_bench_rounds.py": 55,
    "tests/acceptance/test_kill.py": 51,
    "tests/adapters/web/test_connections.py": 50,
    "tests/faults/test_d10_readings.py": 50,
    "tests/faults/test_d_storage.py": 50,
    "tests/faults/test_i_start.py": 50,
    "tests/faults/test_i_unusual_use.py": 50,
    "tests/acceptance/test_example_controllers.py": 45,
    "tests/faults/test_g_rounds.py::test_i1_loads_that_are_read_less_often_than_the_sample_make_no_wrong_sign": 44,
    "tests/adapters/web/provider_login/test_routes.py": 40,
    "tests/app/operations/test_archive_check.py": 40,
    "tests/app/operations/test_drift_job.py": 40,
    "tests/app/operations/test_history.py": 40,
    "tests/app/operations/test_recompute.py": 40,
    "tests/faults/test_i10_correction.py": 40,
    "tests/faults/test_i_own_clock.py": 40,
    "tests/adapters/web/test_guard.py": 35,
    "tests/app/operations/test_archive.py": 35,
    "tests/faults/test_c8_meter_clock.py": 35,
    "tests/faults/test_i_broker.py::test_b18_a_client_certificate_that_is_missing_or_of_another_authority_is_named": 30,
}
# the folders of the other files, dear ones first
FOLDERS = ("acceptance", "simulator", "faults", "app", "bench", "adapters/web", "adapters", "core")
EARLY = 0.5  # what takes long has begun when this share of the other files has


@cache
def looks_at_the_demo(file: str) -> bool:
    """Whether a test of this file asks for the running demo or for the browser."""
    text = (Path(__file__).parents[1] / file).read_text(encoding="utf-8")
    return file.startswith(WEB) and ("mill: Mill" in text or "browser: Browser" in text)


def unit_of(nodeid: str) -> str:
    """What one worker runs together with this test: its file, files that look at the same demo, or the test alone."""
    file = nodeid.partition("::")[0]
    if nodeid.partition("[")[0] in SECONDS:
        return nodeid
    return DEMOS[file >= SECOND_FROM] if looks_at_the_demo(file) else file


def places(nodeids: Iterable[str]) -> dict[str, float]:
    """The place of each unit of these tests, from 0 to 1."""
    units = list(dict.fromkeys(map(unit_of, nodeids)))
    seconds = {unit: SECONDS.get(unit.partition("[")[0], 0) for unit in units}
    long = sorted((unit for unit in units if seconds[unit]), key=lambda unit: (-seconds[unit], unit))
    others = sorted((unit for unit in units if not seconds[unit]), key=_folder)
    first = {unit: EARLY * number / len(long) for number, unit in enumerate(long)}
    return first | {unit: number / len(others) for number, unit in enumerate(others)}


def _folder(unit: str) -> int:
    return next((i for i, name in enumerate(FOLDERS) if unit.startswith(f"tests/{name}/")), len(FOLDERS))
