"""The user's price list, stock and own guards."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import make_inputs, make_settings

from riskmap.choose.catalogue import open_catalogue
from riskmap.choose.cost import bill_of
from riskmap.choose.part import Part
from riskmap.choose.worth import replace_costs, worth_taken
from riskmap.errors import InputError
from riskmap.model import GuardLists, GuardSettings, Settings
from riskmap.read.guard_lists import read_guard_lists
from riskmap.read.settings import settings_from


def read(folder: Path, currency: str = "", wage: float | None = None, **texts: str) -> tuple[Settings, Any]:
    """Write small tables beside a site file and read them."""
    names = {}
    for name, text in texts.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
        names[name] = f"{name}.csv"
    settings = make_settings(
        file=folder / "site.toml",
        date=dt.date(2026, 10, 15),
        guards=GuardSettings(currency=currency, labour_per_hour=wage, **names),
    )
    return settings, read_guard_lists(settings)


def faults(found: Any) -> list[str]:
    """Every fault as its line."""
    return [problem.line() for problem in found.problems]


def test_prices_by_key_label_and_common_name(tmp_path: Path) -> None:
    text = "Guard,Price,Height_mm\nshelter_solid,6.50,1200\nVented vinyl collar,1.10,\nTree tube,9.00,1800\nt_post,4,\n"
    settings, found = read(tmp_path, prices=text)
    assert faults(found) == []
    assert found.read_as[0].rows == 4
    catalogue = open_catalogue(settings, found.lists)
    tube = catalogue.known["shelter_solid"]
    assert tube.heights_mm == (1200, 1800)  # the heights that the list sells
    for height_mm, price in ((1200, 6.5), (1800, 9.0)):
        bill = bill_of(Part(guard=tube, height_mm=height_mm), 12, catalogue.rates)
        assert bill.material == pytest.approx(price + catalogue.rates.small["timber_stake"] + 2 * 0.08)
    assert catalogue.rates.small["t_post"] == 4
    taken = {one.topic: one.taken for one in catalogue.assumptions}
    assert taken["guards.prices"].startswith("built-in central prices in USD of ")
    assert "that the price list leaves out" in taken["guards.prices"]


def test_prices_of_rolls_in_feet_and_inches(tmp_path: Path) -> None:
    settings, found = read(tmp_path, prices="guard;price;height_in;roll_ft\nhwcloth_quarter;60,5;24;50\n")
    (line,) = found.lists.prices
    assert (line.price, line.height_mm) == (60.5, pytest.approx(609.6))
    assert line.roll_m == pytest.approx(15.24)
    catalogue = open_catalogue(settings, found.lists)
    part = Part(guard=catalogue.known["hwcloth_quarter"], height_mm=609.6, standoff_mm=50)
    pieces = int(15.24 / ((2 * 3.141592653589793 * 60 + 40) / 1000))
    assert bill_of(part, 20, catalogue.rates).material == pytest.approx(60.5 / pieces + 1.5 + 3 * 0.08)


def test_every_fault_of_a_price_list_is_said(tmp_path: Path) -> None:
    text = "guard,price,currency\nshelter_sold,5,\nvinyl_collar,cheap,\nweed_mat,,\ncage_2x4,5,GBP\n"
    _, found = read(tmp_path, prices=text)
    assert faults(found) == [
        "prices.csv, row 2, column guard: 'shelter_sold' is no guard; did you mean 'shelter_solid'? "
        "riskmap show guards lists them (guards.prices)",
        "prices.csv, row 3, column price: 'cheap' is no number from 0 up; write a plain number (guards.prices)",
        "prices.csv, row 4, column price: there is no price; write one, or leave the row out (guards.prices)",
        "prices.csv, row 5, column currency: 'GBP' is not USD, the currency of this site; write every price in one "
        "currency (guards.currency) (guards.prices)",
    ]


def test_columns_that_nobody_knows_are_faults(tmp_path: Path) -> None:
    _, found = read(tmp_path, prices="guard,prise\nweed_mat,5\n")
    assert any("there is no column 'price'" in line for line in faults(found))
    assert any("column prise" in line and "did you mean 'price'?" in line for line in faults(found))


def test_a_list_that_is_not_there(tmp_path: Path) -> None:
    settings = make_settings(file=tmp_path / "site.toml", guards=GuardSettings(prices="no.csv"))
    (line,) = faults(read_guard_lists(settings))
    assert "no.csv" in line and "guards.prices" in line


def test_another_currency_leaves_out_what_has_no_price(tmp_path: Path) -> None:
    text = "guard,price,currency\nshelter_solid,3.20,gbp\ntimber_stake,0.9,GBP\n"
    settings, found = read(tmp_path, currency="GBP", wage=18.0, prices=text)
    assert faults(found) == []
    catalogue = open_catalogue(settings, found.lists)
    assert catalogue.rates.currency == "GBP"
    assert catalogue.rates.small == {"timber_stake": 0.9}
    priced = {guard.key for guard in catalogue.guards if guard.price_central is not None}
    assert priced == {"shelter_solid"}
    assert "without a price in GBP left out" in catalogue.assumptions[0].taken


def test_what_has_no_price_in_another_currency_is_said_to_cost_nothing(tmp_path: Path) -> None:
    text = "guard,price\nshelter_solid,3.20\ntimber_stake,0.9\n"
    settings, found = read(tmp_path, currency="GBP", wage=18.0, prices=text)
    taken = {one.topic: one.taken for one in open_catalogue(settings, found.lists).assumptions}["guards.small"]
    assert "Gate in a fence" in taken and "Tie or wire clip" in taken and "Timber stake" not in taken


def test_what_trees_are_worth_is_listed_or_said_to_be_ours(tmp_path: Path) -> None:
    """A row of the price list may say what a tree costs to replace; figures in dollars are no silent pounds."""
    trees = make_inputs([(0, 0), (1, 0), (2, 0)], cost_to_replace=np.array([99.0, np.nan, np.nan])).trees
    text = "guard,price\nshelter_solid,3.20\nreplace_whip,5\n"
    settings, found = read(tmp_path, currency="GBP", wage=18.0, prices=text)
    rates = open_catalogue(settings, found.lists).rates
    assert replace_costs(trees, np.array([12.0, 12.0, 30.0]), rates.small).tolist() == [99.0, 5.0, 40.0]
    (told,) = worth_taken(trees, rates)
    assert told.taken.startswith("2 trees at GBP 5 (whip), 40 (container) or 650 (standard)")
    assert told.why == "nobody gave their value, figures in USD taken as they stand"
    (told,) = worth_taken(trees, open_catalogue(make_settings()).rates)
    assert told.why == "nobody gave their value"


def test_another_currency_asks_for_a_wage(tmp_path: Path) -> None:
    settings, found = read(tmp_path, currency="GBP", prices="guard,price\nshelter_solid,3.20\n")
    with pytest.raises(InputError, match=r"write what an hour of work costs in GBP \(guards.labour_per_hour\)"):
        open_catalogue(settings, found.lists)


def test_stock(tmp_path: Path) -> None:
    _, found = read(tmp_path, stock="guard,pieces,height_mm\nshelter_solid,40,1200\n")
    (line,) = found.lists.stock
    assert (line.key, line.pieces, line.height_mm) == ("shelter_solid", 40, 1200)


def test_own_guards_in_the_columns_of_the_catalogue(tmp_path: Path) -> None:
    text = (
        "key,label,kind,opening_mm,mesh,wire_mm,heights_mm,standoff_min_mm,stiff,price_central,minutes\n"
        "iron_cage,Wrought iron cage,cylinder,60,welded,6,1800,300,true,180,40\n"
    )
    settings, found = read(tmp_path, own=text)
    assert faults(found) == []
    guard = open_catalogue(settings, found.lists).known["iron_cage"]
    assert (guard.opening_mm, guard.stiff, guard.heights_mm, guard.price_central) == (60, True, (1800,), 180)


def test_own_guards_at_fault(tmp_path: Path) -> None:
    text = "key,label,kind,heights_mm\na,A,balloon,1200\nb,B,tube,tall\n"
    lines = faults(read(tmp_path, own=text)[1])
    assert "'balloon' is no kind of guard; write one of wrap, cylinder, tube" in lines[0]
    assert "row 3: this row is no guard" in lines[1]


def test_own_guards_as_a_spreadsheet_writes_them(tmp_path: Path) -> None:
    """Spreadsheets turn flags into capitals; what a user writes of sources is nobody's business."""
    text = (
        "key,label,kind,heights_mm,solid,stiff,source,grade\nmine,Mine\u2028too,tube,1200,TRUE,False,a leaflet,good\n"
    )
    _, found = read(tmp_path, own=text)
    assert faults(found) == []
    (guard,) = found.lists.own
    assert (guard.solid, guard.stiff, guard.label) == (True, False, "Mine\u2028too")


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        (
            "solid=yes",
            "row 2: this row is no guard: solid 'yes' is neither true nor false; write numbers, true or false",
        ),
        ("minutes=x5", "row 2: this row is no guard: minutes 'x5' is no number"),
        ("on_month=Mai", "row 2: this row is no guard: on_month 'Mai' is no whole number"),
        ("on_month=13", "row 2, column on_month: '13' is no month from 1 to 12"),
        ("minutes=nan", "row 2, column minutes: 'nan' is no number from 0 up"),
        ("price_central=inf", "row 2, column price_central: 'inf' is no number from 0 up"),
        ("price_central=-4", "row 2, column price_central: '-4' is no number from 0 up"),
        ("life_years=0", "row 2, column life_years: '0' is no number above 0"),
        ("heights_mm=", "row 2, column heights_mm: there is no height"),
        ("key=a;b", "row 2, column key: 'a;b' is no name for a guard"),
        ("currency=GBP", "row 2, column currency: 'GBP' is not USD, the currency of this site"),
    ],
)
def test_every_odd_cell_of_an_own_guard_is_said(tmp_path: Path, cells: str, said: str) -> None:
    name, _, cell = cells.partition("=")
    row = {"key": "mine", "label": "Mine", "kind": "line", "heights_mm": "1200", name: cell}
    _, found = read(tmp_path, own=f"{','.join(row)}\n{','.join(row.values())}\n")
    assert any(said in line for line in faults(found)), faults(found)


def test_an_own_guard_stands_once(tmp_path: Path) -> None:
    _, found = read(tmp_path, own="key,label,kind,heights_mm\na,A,tube,600\na,B,tube,900\n")
    assert "row 3, column key: 'a' stands twice" in faults(found)[0]


def test_a_comma_that_may_part_thousands_is_asked_about(tmp_path: Path) -> None:
    """1,250 is a thousand to some and one and a quarter to others; a cell that tells decides for its column."""
    _, found = read(tmp_path, prices='guard,price\nmulch_ring,"1,250"\n')
    assert faults(found) == [
        "prices.csv, row 2, column price: '1,250' has two readings: the comma may part thousands or decimals; write it "
        "with a point or without a comma (guards.prices)"
    ]
    for rows, prices in (
        ('mulch_ring,"1,250"\nweed_mat,2.50', (1250, 2.5)),
        ('mulch_ring,"1,250"\nweed_mat,"2,5"', (1.25, 2.5)),
    ):
        _, found = read(tmp_path, prices=f"guard,price\n{rows}\n")
        assert faults(found) == [] and tuple(line.price for line in found.lists.prices) == prices
    _, found = read(tmp_path, prices="guard;price\nmulch_ring;1,250\n")  # whoever parts cells by ; writes decimals so
    assert found.lists.prices[0].price == 1.25


def test_a_comma_without_quotes_is_no_lower_price(tmp_path: Path) -> None:
    _, found = read(tmp_path, prices="guard,price\nmulch_ring,1,250\n")
    assert "row 2: this row has more cells than there are headers" in faults(found)[0]


def test_pieces_are_whole(tmp_path: Path) -> None:
    _, found = read(tmp_path, stock="guard,pieces\nshelter_solid,2.5\n")
    assert "row 2, column pieces: '2.5' is no whole number" in faults(found)[0]


def test_letters_of_a_list_that_nobody_can_tell_name_its_own_key(tmp_path: Path) -> None:
    (tmp_path / "prices.csv").write_bytes("guard,price,é\nш,5,ж\n".encode("utf-16-le")[:-1])
    settings = make_settings(file=tmp_path / "site.toml", guards=GuardSettings(prices="prices.csv"))
    for line in faults(read_guard_lists(settings)):
        assert line.endswith("(guards.prices)") and "trees." not in line


def test_own_prices_in_another_currency_hold_also_under_a_name_of_ours(tmp_path: Path) -> None:
    text = "key,label,kind,heights_mm,price_central,currency\nshelter_solid,Tube,tube,1200,4,GBP\n"
    settings, found = read(tmp_path, currency="GBP", wage=18.0, own=text)
    assert faults(found) == []
    assert open_catalogue(settings, found.lists).known["shelter_solid"].price_central == 4


def test_no_lists() -> None:
    assert read_guard_lists(make_settings()).lists == GuardLists()


def test_a_currency_without_prices_or_wage_is_a_fault_of_the_site_file(tmp_path: Path) -> None:
    """Said with every other fault, before any data is read."""
    given: dict[str, Any] = {
        "date": dt.date(2026, 10, 15),
        "trees": {"file": "trees.csv"},
        "guards": {"currency": "GBP"},
        "choice": {"floor": "much"},
    }
    with pytest.raises(InputError) as caught:
        settings_from(given, tmp_path / "site.toml")
    said = str(caught.value)
    assert "site.toml" in said
    for key in ("(guards.currency)", "(guards.labour_per_hour)", "choice.floor"):
        assert key in said
    del given["choice"]
    for guards in ({"currency": "usd"}, {"currency": "GBP", "prices": "prices.csv", "labour_per_hour": 18.0}):
        settings_from({**given, "guards": guards}, tmp_path / "site.toml")
