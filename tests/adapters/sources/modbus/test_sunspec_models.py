"""The tables of the SunSpec models have the published lengths, places and types."""

import pytest

from meterd.adapters.sources.modbus.sunspec_models import MODELS, TYPES, layout


@pytest.mark.parametrize(
    ("number", "length", "places"),
    # lengths and places (from the model ID on) as in the model definitions shipped with pysunspec2 1.3.7
    [
        (101, 50, {"W": 14, "WH": 24}), (103, 50, {"W": 14, "WH": 24}), (113, 60, {"W": 22, "WH": 32}),
        (201, 105, {"W": 18, "TotWhExp": 38, "TotWhImp": 46, "TotWh_SF": 54}),
        (203, 105, {"W": 18, "TotWhExp": 38, "TotWhImp": 46, "TotWh_SF": 54}),
        (213, 124, {"W": 28, "TotWhExp": 60, "TotWhImp": 68}),
        (701, 121, {"W": 10, "Hz": 17, "TotWhInj": 19, "TotWhAbs": 23, "WL3": 87, "VL3L1": 92, "TotWh_SF": 120}),
        (714, 118, {"DCW": 6, "DCWhInj": 7, "DCWH_SF": 18, "Prt1.DCW": 32, "Prt4.DCWhInj": 108}),
        (802, 62, {"SoC": 11, "V": 34, "A": 44, "W": 47, "W_SF": 63}),
    ],
)  # fmt: skip
def test_models_have_their_published_length_and_places(number: int, length: int, places: dict[str, int]) -> None:
    points = MODELS[number]
    assert sum(point.registers for point in points.values()) == length
    assert {name: points[name].offset + 2 for name in places} == places


def test_every_scale_factor_is_in_its_model() -> None:
    for points in MODELS.values():
        for name, point in points.items():
            assert point.name == name
            assert point.scale == "" or points[point.scale].type == "sunssf"
            assert point.registers == TYPES[point.type][0]


def test_model_201_has_its_own_names_of_line_voltages() -> None:
    assert "PPVphAB" in MODELS[201]
    assert "PhVphAB" in MODELS[203]
    assert MODELS[201]["PPVphAB"].offset == MODELS[203]["PhVphAB"].offset


def test_places_follow_one_another() -> None:
    points = layout("int16 A A_SF: I\nsunssf - -: A_SF\nacc32 Wh -: E1 E2")
    assert [(point.name, point.offset, point.unit, point.scale) for point in points.values()] == [
        ("I", 0, "A", "A_SF"), ("A_SF", 1, "", ""), ("E1", 2, "Wh", ""), ("E2", 4, "Wh", ""),
    ]  # fmt: skip
