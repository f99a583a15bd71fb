"""Which tests a whole run leaves out: studies, years of data, hundreds of repetitions, daemons that are watched for minutes.

`.ci/run` runs them after the others.

Each subject here has quicker tests beside it, so that `pytest` alone sees most of what can break in less time;
`pytest --thorough` runs what is named here, and `pytest PATH` all of a path.
"""

THOROUGH = frozenset(
    (
        "tests/acceptance/test_controllers.py",
        "tests/acceptance/test_example_controllers.py",
        "tests/acceptance/test_kill.py",
        "tests/acceptance/test_opsd.py",
        "tests/acceptance/test_site_a.py",
        "tests/acceptance/test_uci.py",
        "tests/adapters/archive/test_servers.py",
        "tests/adapters/planfile/test_plan_fuzz.py",
        "tests/adapters/store/test_joined_figures.py::test_the_same_at_length",
        "tests/adapters/store/test_joined_readings.py::test_the_same_at_length",
        "tests/adapters/store/test_schema_repair.py",
        "tests/adapters/web/test_guard.py::test_ten_thousand_guesses_and_heavy_questions_leave_page_and_health_to_others",
        "tests/adapters/web/test_registry.py::test_the_interface_survives_what_a_fuzzer_makes_of_its_document",
        "tests/app/cli/test_demo.py",
        "tests/app/cli/test_fleet.py",
        "tests/app/cli/test_worked_example.py",
        "tests/app/daemon/test_job_runner.py",
        "tests/app/daemon/test_outside_forecast.py",
        "tests/app/daemon/test_zone_update.py",
        "tests/app/operations/test_archive_check.py::test_a_store_from_an_archive_alone",
        "tests/app/operations/test_forecast_history.py",
        "tests/app/operations/test_history.py",
        "tests/app/operations/test_late_readings.py",
        "tests/app/operations/test_retention_job.py",
        "tests/app/operations/test_site_studies.py",
        "tests/app/operations/test_whole_history.py",
        "tests/bench/",
        "tests/core/drift/test_unmetered_load.py",
        "tests/core/forecast/test_outside.py",
        "tests/core/pv/test_roof_shade.py::test_a_year_without_shade_shows_none",
        "tests/core/unusual/test_watch.py",
        "tests/faults/test_d10_readings.py",
        "tests/faults/test_drift_cases.py",
        "tests/faults/test_e_process.py::test_e6_memory_is_flat_over_many_ticks",
        "tests/faults/test_g_rounds.py",
        "tests/faults/test_i10_correction.py",
        "tests/faults/test_i_broker.py::test_i13_topics_that_are_granted_and_not_delivered_are_named_within_75_s_beside_others",
        "tests/faults/test_i_digests.py::test_i11_killed_again_and_again_while_readings_of_any_day_come_in_every_digest_holds",
        "tests/faults/test_i_digests.py::test_i11_of_many_copies_with_one_byte_changed_none_is_sound_and_has_other_numbers",
        "tests/faults/test_i_drift.py",
        "tests/faults/test_i_drift_loads.py",
        "tests/faults/test_i_own_clock.py",
        "tests/faults/test_i_pv_loss.py::test_shade_that_has_grown_since_the_year_before_is_told_with_its_hours",
        "tests/faults/test_i_shares.py",
        "tests/faults/test_i_start.py",
        "tests/faults/test_i_store_files.py",
        "tests/faults/test_i_unusual_use.py",
        "tests/faults/test_register_scale_live.py",
        "tests/simulator/",
    )
)


def is_thorough(nodeid: str) -> bool:
    """Whether a test is named above, alone, by its file or by its folder."""
    test = nodeid.partition("[")[0]
    file = test.partition("::")[0]
    return bool(THOROUGH & {test, file, *(f"{file[:i]}/" for i, letter in enumerate(file) if letter == "/")})
