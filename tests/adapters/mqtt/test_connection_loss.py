"""Why a connection ended, from what the broker says and how long it lasted; waits that spread; sentences of TLS."""

import pytest

from meterd.adapters.mqtt.connection_loss import (
    SHORT_S,
    SHUTTING_DOWN,
    TAKEN_OVER,
    ConnectionLoss,
    LastError,
    Pauses,
    certificate_words,
    retry_delays,
    unanswered_words,
)


def test_a_broker_that_names_a_twin_is_believed_only_of_a_short_connection() -> None:
    loss = ConnectionLoss()
    assert not loss.made(0.0)
    assert loss.ended(1.0, TAKEN_OVER, wanted=False)
    loss.made(2.0)
    assert not loss.ended(2.0 + SHORT_S, TAKEN_OVER, wanted=False), "a session that lasted was no fight of two"
    loss.made(10.0)
    assert not loss.ended(11.0, TAKEN_OVER, wanted=True), "we ended it ourselves"


def test_a_silent_broker_that_takes_us_back_at_once_had_a_twin() -> None:
    loss = ConnectionLoss()
    loss.made(0.0)
    loss.ended(1.0, 0, wanted=False)
    assert loss.made(2.0)
    loss.ended(3.0, 0, wanted=False)
    loss.not_made()  # it turned the first attempt away: a broker that restarts
    assert not loss.made(5.0)
    loss.ended(6.0, SHUTTING_DOWN, wanted=False)
    assert not loss.made(7.0), "it said that it ends"


def test_short_connections_are_counted_in_a_row_and_the_time_away_is_known() -> None:
    loss = ConnectionLoss()
    for count in (1, 2, 3):
        loss.made(10.0 * count)
        loss.ended(10.0 * count + 1, 0, wanted=False)
        assert loss.in_a_row == count
    loss.made(50.0)
    assert loss.down_s == pytest.approx(19.0)
    loss.ended(50.0 + SHORT_S, 0, wanted=False)
    assert loss.in_a_row == 0


@pytest.mark.parametrize("short", [0, 1, 5, 50])
def test_waits_double_and_never_pass_the_longest(short: int) -> None:
    for _ in range(50):
        first, longest = retry_delays(1.0, 60.0, short)
        assert 0 < first <= longest <= 60.0
        assert first >= min(0.5 * 2.0 ** min(short, 10), 45.0)
    assert retry_delays(5.0, 1.0, 0)[1] == 5.0, "the longest is never below the least"


def test_pauses_double_up_to_the_longest_and_begin_anew_after_a_connection() -> None:
    pauses = Pauses(1.0, 8.0)
    waits = [pauses.next_s() for _ in range(6)]
    assert 0.5 <= waits[0] <= 1.5
    assert waits[1:3] == [waits[0] * 2, waits[0] * 4]
    assert waits[4] == waits[5] <= 8.0
    pauses.begin(0)
    assert pauses.next_s() <= 1.5


def test_the_last_words_of_the_library_are_kept_and_go_nowhere() -> None:
    last = LastError()
    last.logger().error("socket %s", "gone")
    assert last.words == "socket gone"
    last.logger().warning("no error")
    assert last.words == "socket gone"


@pytest.mark.parametrize(
    ("text", "has", "message"),
    [
        ("TLSV13_ALERT_CERTIFICATE_REQUIRED", True, "asks for a client certificate"),
        ("SSLV3_ALERT_HANDSHAKE_FAILURE", False, "asks for a client certificate"),
        ("SSLV3_ALERT_HANDSHAKE_FAILURE", True, "refuses our client certificate"),
        ("TLSV1_ALERT_UNKNOWN_CA", True, "refuses our client certificate"),
        ("CERTIFICATE_VERIFY_FAILED", False, "is not trusted (ca_file)"),
        ("connection reset", True, ""),
    ],
)
def test_alerts_of_tls_say_whose_certificate_it_is_about(text: str, *, has: bool, message: str) -> None:
    results = certificate_words(text, has_certificate=has)
    assert message in results
    assert bool(results) == bool(message)


def test_a_connection_closed_before_its_answer_names_the_certificate_only_with_tls() -> None:
    plain = unanswered_words("reset", tls=False, has_certificate=False)
    assert plain == "the broker closed the connection before it answered"
    assert "may ask for a client certificate" in unanswered_words("reset", tls=True, has_certificate=False)
    assert "may not know the authority" in unanswered_words("reset", tls=True, has_certificate=True)
    assert "is not trusted" in unanswered_words("CERTIFICATE_VERIFY_FAILED", tls=True, has_certificate=True)
