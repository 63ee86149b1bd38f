"""Directions of effect (common practice, no source): used only to see whether changes pull together."""

import pytest

from lapkit.analysers.setups.effects import EFFECTS, PHASES, describe_effects, setup_effects
from lapkit.errors import LapkitError
from lapkit.model.setup.file import make_sheet
from lapkit.model.setup.sheet import QUANTITIES, split_key

# Common practice, no source: more front weight or more cross weight (right front plus left rear) makes a left-turning
# car tighter, a smaller front bar freer, a higher track bar freer.
FACTS = [
    ({"front_weight": "50 %"}, {"front_weight": "51 %"}, "tighter"),
    ({"cross_weight_fr_rl": "50 %"}, {"cross_weight_fr_rl": "52 %"}, "tighter"),
    ({"anti_roll_bar_diameter": {"front": "30 mm"}}, {"anti_roll_bar_diameter": {"front": "25 mm"}}, "looser"),
    ({"track_bar_height": {"left": "250 mm"}}, {"track_bar_height": {"left": "260 mm"}}, "looser"),
    ({"track_bar_height": {"right": "250 mm"}}, {"track_bar_height": {"right": "260 mm"}}, "looser"),
]


@pytest.mark.parametrize(("before", "after", "direction"), FACTS)
def test_facts_of_the_trade(before, after, direction):
    table = setup_effects(make_sheet("A", before), make_sheet("B", after))
    assert direction in set(table[list(PHASES)].to_numpy().ravel())
    assert not {"tighter", "looser"} - {direction} & set(table[list(PHASES)].to_numpy().ravel())
    back = setup_effects(make_sheet("B", after), make_sheet("A", before))
    assert direction not in set(back[list(PHASES)].to_numpy().ravel())


def test_together_or_against_each_other():
    one = make_sheet("A", {"cross_weight_fr_rl": "50 %", "track_bar_height": {"left": "250 mm"}, "final_drive": 3.1})
    two = make_sheet("B", {"cross_weight_fr_rl": "52 %", "track_bar_height": {"left": "240 mm"}, "final_drive": 3.2})
    said = " ".join(describe_effects(setup_effects(one, two)))
    assert "both pull tighter: they work together" in said
    assert "No usual direction is known for: final drive" in said
    assert "common practice, no source" in said and "makers" in said
    against = make_sheet(
        "C", {"cross_weight_fr_rl": "52 %", "track_bar_height": {"left": "260 mm"}, "final_drive": 3.1}
    )
    assert "work against each other" in " ".join(describe_effects(setup_effects(one, against)))


def test_a_right_turning_track_exchanges_the_sides():
    one = make_sheet("A", {"cross_weight_fr_rl": "50 %", "spring_rate": {"fl": "100 N/mm"}})
    two = make_sheet("B", {"cross_weight_fr_rl": "51 %", "spring_rate": {"fl": "110 N/mm"}})
    table = setup_effects(one, two, turning="right").set_index("quantity")
    assert table.loc["cross_weight_fr_rl", "middle"] == "looser"
    assert table.loc["spring_rate_fl", "entry"] == "tighter"
    with pytest.raises(LapkitError, match="turning='up'"):
        setup_effects(one, two, turning="up")


def test_every_line_of_the_table_is_a_quantity_of_a_sheet():
    for key in EFFECTS:
        name, part = split_key(key)
        assert name in QUANTITIES and (not part or part in QUANTITIES[name].per)


def test_alike_sheets_say_so():
    sheet = make_sheet("A", {"final_drive": 3.1})
    assert describe_effects(setup_effects(sheet, sheet)) == ["The two sheets are alike."]
