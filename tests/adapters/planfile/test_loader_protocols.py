"""Sources of field protocols in a plan: every address and option is checked, every fault has its place and remedy."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import PlanError, load_plan
from tests.plans import write
from tests.protocol_plans import SOUND, files


@pytest.mark.parametrize(
    ("protocol", "address", "what", "right"),
    [
        ("modbus", "3/holding/72", "no register address", "such as 3/holding/72/float32"),
        ("modbus", "3/holding/72/float", "type 'float' is not known", "write one of int16"),
        ("sunspec", "1/203/TotWhimp", "no point 'TotWhimp'", "did you mean TotWhImp?"),
        ("sunspec", "1/700/W", "model 700 is not known", "write one of 101"),
        ("mbus", "300/1.8.0", "'300' is no primary address", "0 to 250"),
        ("mbus", "1234567/1.8.0", "'1234567' is no secondary address", "eight digits"),
        ("mbus", "5/zz", "'zz' is no record", "8C1004"),
        ("sml", "import", "'import' is no OBIS code", "such as 1.8.0"),
        ("http", "status", "'status' is no path", "such as /status"),
        ("iec62056-21", "1-8-0", "'1-8-0' is no OBIS code", "such as 1.8.0"),
    ],
)
def test_wrong_address_has_its_place_and_remedy(
    tmp_path: Path, protocol: str, address: str, what: str, right: str
) -> None:
    with pytest.raises(PlanError) as caught:
        load_plan(write(tmp_path, files(protocol, address)))
    (fault,) = caught.value.faults
    assert fault.file == "inputs.csv"
    assert what in fault.what
    assert right in fault.right


@pytest.mark.parametrize("protocol", SOUND)
def test_field_means_nothing_here(tmp_path: Path, protocol: str) -> None:
    with pytest.raises(PlanError, match=f"means nothing to protocol {protocol}"):
        load_plan(write(tmp_path, files(protocol, SOUND[protocol], field="/import")))


@pytest.mark.parametrize(
    ("protocol", "options", "what"),
    [
        ("modbus", 'framing = "ascii"', "framing is one of tcp, rtu"),
        ("modbus", "period_s = 0", "period_s is 0.1"),
        ("modbus", "perod_s = 5", "unknown option 'perod_s'"),
        ("sunspec", "base = 70000", "base is -1"),
        ("mbus", "port = 70000", "port is 1 to 65535"),
        ("sml", 'timeout_s = "long"', "timeout_s"),
        ("iec62056-21", 'start = "now"', "start is one of"),
        ("dlms-push", 'framing = "wrapper"', "framing is one of hdlc, mbus"),
    ],
)
def test_wrong_option_is_named(tmp_path: Path, protocol: str, options: str, what: str) -> None:
    with pytest.raises(PlanError, match=what):
        load_plan(write(tmp_path, files(protocol, SOUND[protocol], options=options)))
