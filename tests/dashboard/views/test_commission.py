"""The page of commissioning and seasons, through its forms, on a real store held by a real collector."""

from __future__ import annotations

from tests.dashboard.views.test_sample_forms import collector, page, press, told  # noqa: F401  (fixtures)

NAME = "Heron-Point"


def choose(app, *keys: str) -> None:
    next(one for one in app.pills if one.label == "Items").set_value(list(keys))


def test_what_is_said_on_the_page_is_recorded_and_no_longer_open(page, collector):  # noqa: F811
    app = page("commission")
    text = told(app)
    assert "nothing of this commissioning is on record" in text and "does not replace the acceptance" in text
    assert "OPEN: nothing on record" in text and "NOT KNOWN" in text
    # 18 + 150 L at 100 mg/L: 16.8 g of chlorine; 5.25 % w/v NaOCl has 50.0 g a litre
    assert "How much bleach: 336 mL where the label says 5.25 %" in text
    app = press(app, f"Record for {NAME}")
    assert "Choose at least one item." in told(app)
    choose(app, "level", "valves")
    app = press(app, f"Record for {NAME}")
    assert "Give the name of the person who says so." in told(app)
    next(one for one in app.text_input if one.label.startswith("Who says so")).set_value("Ann Lund")
    choose(app, "level", "valves")
    app = press(app, f"Record for {NAME}")
    text = told(app)
    assert "Hung level, or upright, valves on either side: done, by Ann Lund." in text
    assert "commissioning not finished, 9 of 11 items open" in text
    found = collector.client().ask("SELECT item, state, who FROM commissioning_entry ORDER BY item")
    assert found.to_dict("list") == {
        "item": ["level", "valves"], "state": ["done"] * 2, "who": ["Ann Lund"] * 2}


def test_a_figure_is_of_one_item_and_needed_by_it(page, collector):  # noqa: F811
    app = page("commission")
    next(one for one in app.text_input if one.label.startswith("Who says so")).set_value("Ann Lund")
    choose(app, "flow-check")
    app = press(app, f"Record for {NAME}")
    assert "flow-check is done with its figure only: give its flow in L/min" in told(app)
    figure = next(one for one in app.number_input if one.label.startswith("Figure"))
    figure.set_value(18.5)
    choose(app, "flow-check", "level")
    app = press(app, f"Record for {NAME}")
    assert "A figure is of one item" in told(app)
    choose(app, "flow-check")
    app = press(app, f"Record for {NAME}")
    assert "done, 18.5 L/min" in told(app)
    assert collector.client().ask("SELECT value FROM commissioning_entry")["value"].tolist() == [18.5]


def test_figures_of_the_water_are_held_against_their_limits(page, collector):  # noqa: F811
    app = page("commission")
    next(one for one in app.number_input if one.label.startswith("Iron")).set_value(0.5)
    next(one for one in app.number_input if one.label.startswith("Hardness")).set_value(60.0)
    [one for one in app.text_input if one.label.startswith("Who says so")][1].set_value("Bo Reed")
    app = press(app, f"Record the water of {NAME}")
    text = told(app)
    assert "2 figures of the water, by Bo Reed." in text
    assert "NOT KEPT" in text and "Have an iron filter fitted or checked." in text
    assert len(collector.client().ask("SELECT * FROM feed_water")) == 2


def test_a_season_is_another_list_with_what_is_known_of_frost(page, collector):  # noqa: F811
    app = page("commission")
    app.segmented_control[0].set_value("shut-down")
    text = told(app.run())
    assert "nothing of this seasonal shut-down is on record" in text
    assert "Frost: not known." in text and "stops no warning" in text
    assert "Hung level" not in text


def test_the_cabins_page_leads_here(page, collector):  # noqa: F811
    app = page("cabin")
    assert any("Commissioning" in one.proto.label for one in app.get("page_link"))
