"""`can_take` of consumers.csv: read from a CSV file and from a pattern, every fault with its place and what would be right."""

from pathlib import Path

import pytest

from meterd.adapters.planfile.loader import PlanError, load_plan
from meterd.core.model.plan import Input, Site
from meterd.core.model.reading import CAN_TAKE
from tests.plans import FILES, write


def load(folder: Path, can_take: str, source: str = "", **files: str) -> Site:
    """The plan with one consumer that says what it could take."""
    sheet = f"consumer,max_w,can_take,can_take_source\noven,6000,{can_take},{source}\n"
    write(folder, {**FILES, "consumers.csv": sheet, **files})
    return load_plan(folder).site


def test_topic_field_and_the_only_source(tmp_path: Path) -> None:
    """Without a field the payload is the number; a pointer or a SenML name follows after #."""
    for written, topic, where in (
        ("plant/oven", "plant/oven", ""),
        ("plant/oven#/can/take", "plant/oven", "/can/take"),
        ("plant/oven#oven:can-take", "plant/oven", "oven:can-take"),
    ):
        (meter_input,) = load(tmp_path, written).can_take_inputs
        assert meter_input == Input("oven", CAN_TAKE, "broker", topic, where, "W", where="consumer oven")


def test_every_copy_of_a_pattern_has_its_own(tmp_path: Path) -> None:
    """{n} is the number of the copy; its address may be that of the room's meter."""
    room = FILES["patterns/room.toml"] + 'can_take = "rooms/{n}#room-{n}:can-take"\n'
    site = load(tmp_path, "", **{"patterns/room.toml": room})
    assert [(meter_input.point, meter_input.address, meter_input.field) for meter_input in site.can_take_inputs] == [
        (f"room-0{i}-heater", f"rooms/0{i}", f"room-0{i}:can-take") for i in (1, 2, 3)
    ]
    assert {meter_input.register for meter_input in site.inputs} & {CAN_TAKE} == set()


@pytest.mark.parametrize(
    ("can_take", "source", "what", "right"),
    [
        ("plant/+/oven", "", "holds a wildcard", "name each topic"),
        ("energy/mill/share/oven", "", "below the own output", "topic of the controller"),
        ("plant/{n}", "", "placeholder", "inside a pattern"),
        ("plant/oven#a b", "", "neither a JSON Pointer nor a SenML name", "TOPIC#/pointer"),
        ("plant/oven#/~2", "", "neither a JSON Pointer nor a SenML name", "TOPIC#/pointer"),
        ("plant/oven", "other", "source other does not exist", "broker"),
        ("", "broker", "can_take_source without can_take", "write the topic"),
        ("#/x", "", "empty", "write 1 to"),
    ],
)
def test_faults_name_place_and_remedy(tmp_path: Path, can_take: str, source: str, what: str, right: str) -> None:
    with pytest.raises(PlanError) as caught:
        load(tmp_path, can_take, source)
    (fault,) = caught.value.faults
    assert str(fault).startswith("consumers.csv:2")
    assert what in str(fault)
    assert right in str(fault)


def test_two_sources_need_a_name_and_two_consumers_two_topics(tmp_path: Path) -> None:
    """Which of two brokers it is must be written; what one says is not what the other says."""
    two = FILES["site.toml"].replace(
        "[[repeat]]",
        '[[source]]\nname = "broker"\nprotocol = "mqtt"\n[[source]]\nname = "far"\nprotocol = "mqtt"\nhost = "far"\n[[repeat]]',
        1,
    )
    inputs = FILES["patterns/room.toml"].replace('address = "rooms', 'source = "far"\naddress = "rooms')
    files = {"site.toml": two, "patterns/room.toml": inputs}
    assert load(tmp_path, "plant/oven", "far", **files).can_take_inputs[0].source == "far"
    with pytest.raises(PlanError, match="several sources"):
        load(tmp_path, "plant/oven", **files)
    same = "consumer,max_w,can_take\na,1,x\nb,1,x\n"
    with pytest.raises(PlanError, match="is that of a"):
        load(tmp_path, "", **{"consumers.csv": same})
