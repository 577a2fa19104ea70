"""The materials table, and its extension by a file."""

from pathlib import Path

import pytest

from monitor.errors import InputError
from monitor.planning.materials import load_materials, material

EXTRA = """
[delrin]
kc = { value = 180.0, source = "data sheet" }
bulking = { value = 5.0, source = "measured" }
chip_form = { value = "curl", source = "seen" }
speed_m_min = { value = [20.0, 60.0], source = "data sheet" }
crackle = { value = 0.1, source = "heard" }
"""


def test_the_four_materials_of_the_interface_are_there_with_a_source_for_every_value() -> None:
    table = load_materials()
    assert set(table) == {"acrylic", "hardwood", "burl", "softwood"}
    for entry in table.values():
        assert {"kc", "bulking", "chip_form", "speed_m_min", "crackle"} <= set(entry.sources)
        assert all(source.strip() for source in entry.sources.values())


def test_only_acrylic_softens() -> None:
    assert {key for key, entry in load_materials().items() if entry.softens_c is not None} == {"acrylic"}


def test_acrylic_can_soften_its_own_chip() -> None:
    # Heating PMMA from 20 C to its glass transition takes density * heat capacity * rise, with the ranges
    # of makers' data sheets: 1.19 g/cm^3, 1.26 to 1.46 J/gK, 105 to 110 C. A specific cutting energy (N/mm^2,
    # the same as J/cm^3) above it softens the whole chip, as everybody who drills it knows.
    coldest, hottest = 1.19 * 1.26 * (105 - 20), 1.19 * 1.46 * (110 - 20)
    assert 125 < coldest < hottest < 160
    assert material("acrylic").kc > (coldest + hottest) / 2


def test_a_file_adds_materials(tmp_path: Path) -> None:
    path = tmp_path / "more.toml"
    path.write_text(EXTRA)
    table = load_materials(path)
    assert table["delrin"].kc == 180.0
    assert table["delrin"].name == "delrin"
    assert "acrylic" in table
    assert "delrin" not in load_materials()


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("180.0", '"hard"', r"delrin\.kc: 'hard' is not a number from 1 to 20000"),
        ('{ value = 180.0, source = "data sheet" }', "180.0", r"delrin\.kc: write kc = \{ value"),
        ('"curl"', '"spiral"', r'delrin\.chip_form: "spiral" is none of curl'),
        ("[20.0, 60.0]", "[60.0, 20.0]", r"delrin\.speed_m_min: 60 is above 20"),
        ("[20.0, 60.0]", "20.0", r"delrin\.speed_m_min: write two numbers"),
        ("[delrin]", "[delrin]\nbulkin = 3", r'delrin\.bulkin: unknown key; did you mean "bulking"'),
        ("[delrin]", '[delrin]\nnotes = "slippery"', r"delrin\.notes: write a list of sentences"),
        ("180.0,", "180.0, range = [1.0, 9.0],", r"delrin\.kc: 180 is outside its own range"),
        ("180.0,", "180.0, range = 3,", r"delrin\.kc\.range: write two numbers"),
        ("[delrin]", "delrin = 3\n[x]", r'"delrin" is not a table'),
        ("[delrin]", "[delrin", "not valid TOML"),
    ],
)
def test_a_bad_file_is_refused_with_the_place_and_the_mend(
    tmp_path: Path, old: str, new: str, message: str
) -> None:
    path = tmp_path / "more.toml"
    path.write_text(EXTRA.replace(old, new))
    with pytest.raises(InputError, match=message):
        load_materials(path)


def test_what_is_known_of_a_value_and_what_is_not(tmp_path: Path) -> None:
    acrylic = material("acrylic")
    assert acrylic.span("bulking")[0] < acrylic.bulking < acrylic.span("bulking")[1]
    assert acrylic.heat_j_cm3k == pytest.approx(1.19 * 1.36, abs=0.01)  # data sheets, as above
    path = tmp_path / "more.toml"
    path.write_text(EXTRA)
    delrin = load_materials(path)["delrin"]
    assert delrin.span("kc") == (180.0, 180.0)
    assert delrin.heat_j_cm3k is None


def test_the_lightest_wood_chips_are_those_of_the_conversion_tables() -> None:
    # Dobie and Wright (1972), quoted in Briggs's forest-products conversion tables, table 7-1: sawdust takes
    # 2.50 times the volume of the wood, planer shavings 4.00. Of drilling chips nothing was found.
    for key in ("hardwood", "burl", "softwood"):
        low, high = material(key).span("bulking")
        assert (low, high) == (2.50, 4.00)
        assert low <= material(key).bulking <= high


def test_a_missing_file_and_an_unknown_material_are_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"none\.toml: cannot be read"):
        load_materials(tmp_path / "none.toml")
    with pytest.raises(InputError, match="known: acrylic, burl, hardwood, softwood"):
        material("granite")
