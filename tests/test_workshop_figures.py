"""Figures, page, text and tables of the analyses: they say what they must and nothing else."""

from __future__ import annotations

import csv
import io
import json
import xml.etree.ElementTree as ET
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from simulated_attempts import Law, attempt, spin

import vidspin.figures.rundown as figures_rundown
import vidspin.figures.starts as figures_starts
from vidspin.figures.compare import compare_figure
from vidspin.figures.forecast import forecast_figure, topple_figure
from vidspin.figures.plot import render
from vidspin.figures.rundown import rundown_figure, scientific
from vidspin.figures.starts import starts_figure
from vidspin.figures.starts_page import starts_page
from vidspin.workshop.attempt import Attempt, cut_at
from vidspin.workshop.compare import compare
from vidspin.workshop.drag import air
from vidspin.workshop.forecast import forecast
from vidspin.workshop.mechanics import Body, body_from, drag_of
from vidspin.workshop.plain import columns_csv, jsonable
from vidspin.workshop.rundown import fit_rundown, forms_of_power
from vidspin.workshop.starts import starts
from vidspin.workshop.telling import (
    compare_text,
    forecast_text,
    rundown_text,
    starts_text,
    topple_text,
)
from vidspin.workshop.topple import expected_topple

SVG = "{http://www.w3.org/2000/svg}"
LAW = Law(0.2, 0.0, 4e-4)
LAMINAR = forms_of_power("3/2")[:1]
EVIL = "<script>alert(1)</script>"


def some(count: int = 4) -> list[Attempt]:
    rng = np.random.default_rng(31)
    made = []
    for tip in ("ruby", "steel"):
        for k in range(count):
            turning = spin(LAW.scaled(np.exp(rng.normal(0, 0.01))), rng.normal(1400, 60))
            facts = {"tip": tip, "operator": tip[0]}
            made.append(
                attempt(turning, rng, name=f"{tip} {k}", facts=facts, noise_rad=0.01, frame_rate=3)  # type: ignore[arg-type]
            )
    owl = Attempt("owl", {"tip": "ruby"}, resolved=False, candidates=((1777.7, 0.6),))
    return [*made, owl]


MADE = some()


def check(pictures: dict[str, bytes], name: str) -> str:
    """Both files are there and sound; the words of the SVG come back."""
    assert set(pictures) == {f"{name}.png", f"{name}.svg"}
    picture = cv2.imdecode(np.frombuffer(pictures[f"{name}.png"], np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None and picture.shape[1] == 1200
    root = ET.fromstring(pictures[f"{name}.svg"])
    assert root.find(f"{SVG}title") is not None and root.find(f"{SVG}desc") is not None
    return "\n".join(" ".join("".join(t.itertext()).split()) for t in root.iter(f"{SVG}text"))


def test_starts_are_drawn_and_told_without_a_doubtful_speed() -> None:
    found = starts(MADE, by="tip")
    words = check(starts_figure(found), "starts")
    assert "ruby: 4 starts" in words and "1 left out, not binned" in words
    assert "1777" not in words and "1778" not in words
    text = starts_text(found)
    assert "owl: alias order unresolved; could be 1778 (60 %) rev/min" in text
    assert "Freedman" in text and "ruby against steel" in text
    assert len(columns_csv(found.table()).splitlines()) == 9
    assert "no start can be counted" in check(starts_figure(starts([MADE[-1]])), "starts")


def drawn(draw: Any, monkeypatch: pytest.MonkeyPatch, module: Any) -> Any:
    """Return the figure that is drawn, its axes still to be asked."""
    kept: list[Any] = []

    def keep(name: str, do: Any, **rest: Any) -> dict[str, bytes]:
        def both(figure: Any) -> None:
            do(figure)
            kept.append(figure)

        return render(name, both, **rest)

    monkeypatch.setattr(module, "render", keep)
    draw()
    return kept[0]


def test_whiskers_of_single_starts_are_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    found = starts(
        [replace(a, release=replace(a.release, u95_rpm=90.0)) for a in MADE if a.release],
        by="tip",
    )
    figure = drawn(lambda: starts_figure(found), monkeypatch, figures_starts)
    low, high = figure.axes[0].get_xlim()
    for group in found.groups:
        assert low < (group.rpm - group.u95_rpm).min()
        assert high > (group.rpm + group.u95_rpm).max()


@pytest.mark.parametrize("torque", [False, True])
def test_the_legend_of_a_run_down_lies_on_no_curve(
    torque: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = fit_rundown(MADE[0])
    drag = drag_of(found, Body(2e-5, 0.02, 0.045), air()) if torque else None
    rows = MADE[0].rows
    assert rows is not None
    table = rows.time_s, rows.speed_rad_s
    figure = drawn(lambda: rundown_figure(found, table, drag), monkeypatch, figures_rundown)
    asked = 0
    for axes in figure.axes:
        if axes.get_legend() is None:
            continue
        box = axes.get_legend().get_window_extent()
        beside = [a for a in figure.axes if a.bbox.bounds == axes.bbox.bounds]
        for line in (line for a in beside for line in a.get_lines() if len(line.get_xdata())):
            points = line.get_transform().transform(line.get_xydata())
            asked += 1
            assert not box.count_contains(points), line.get_label()
    assert asked >= (6 if torque else 4)


def test_the_page_is_one_harmless_file() -> None:
    evil = replace(MADE[0], name=EVIL, facts={"tip": EVIL})
    found = starts([evil, *MADE[1:]], by="tip")
    page = starts_page(found, starts_figure(found)["starts.svg"], version="0")
    assert "<script" not in page and "&lt;script&gt;" in page
    assert "default-src 'none'" in page and "http-equiv" in page
    assert "src=" not in page and "<link" not in page
    assert "Left out, not binned" in page and "1778 (60 %)" in page
    assert page.count('<div class="wide" tabindex="0"') == page.count("<table>") + 1


def test_a_comparison_is_drawn_and_told_with_its_verdict() -> None:
    found = compare(MADE, by="tip")
    words = check(compare_figure(found), "compare")
    assert found.differences[0].verdict in words.replace("\n", " ")
    assert "changes together with the groups: operator" in words
    text = compare_text(found)
    assert found.differences[0].verdict in text
    assert "from start to start they scatter by" in text and "measurement is uncertain by" in text
    assert "their effect cannot be told" in text and "owl: alias order unresolved" in text


def test_a_forecast_is_drawn_and_told() -> None:
    found = forecast(MADE[:4], forms=LAMINAR)
    words = check(forecast_figure(found, MADE[:4], 180.0), "forecast")
    assert "target 0:03:00" in words and "95 % of the next starts" in words
    text = forecast_text(found, targets_s=[180.0, 9000.0], releases_rpm=[1300.0, 1700.0, 9000.0])
    assert "1 in 2 starts reach it from" in text and "39 in 40 reach it from" in text
    ends = f"this curve, which ends at {found.release_rpm[-1]:.0f} rev/min"
    assert f"to spin 2:30:00: not reached within {ends}" in text
    assert "faster than any start so far" in text and "at 9000 rev/min: beyond this curve" in text


def test_an_expected_topple_is_drawn_and_told_with_what_it_rests_on() -> None:
    cut = cut_at(MADE[0], 100.0)
    found = expected_topple(cut, forms=LAMINAR)
    words = check(topple_figure(found, cut), "forecast")
    assert "100 to 500 rev/min" in words and "topple expected at" in words
    assert "rests on: speed at the topple 100 to 500 rev/min, assumed" in topple_text(found)


def test_a_run_down_is_drawn_and_told_with_torque_and_floor() -> None:
    found = fit_rundown(MADE[0], forms=forms_of_power("3/2"))
    drag = drag_of(found, Body(2e-5, 0.02, 0.045), air())
    rows = MADE[0].rows
    assert rows is not None and drag.floor_un_m is not None and drag.ratio is not None
    words = check(rundown_figure(found, (rows.time_s, rows.speed_rad_s), drag), "rundown")
    assert "smooth free disc of this size" in words and "power, mW" in words
    assert "constant + power 3/2, weight" in rundown_text(found, drag)
    speed = drag.speed_rpm * np.pi / 30
    slowing = found.deceleration(speed)[0]
    assert drag.torque_un_m == pytest.approx(2e-5 * slowing * 1e6, rel=1e-12)
    assert drag.power_mw == pytest.approx(2e-5 * slowing * speed * 1e3, rel=1e-12)
    assert drag.ratio == pytest.approx(drag.torque_un_m / drag.floor_un_m)
    # 2 % standard uncertainty of the moment of inertia outweighs all else: twice that, expanded
    assert drag.u95_torque_un_m / drag.torque_un_m == pytest.approx(0.04, rel=0.01)
    plain = drag_of(found, Body(2e-5), air())
    assert plain.floor_un_m is None and set(plain.table()) < set(drag.table())
    assert "taken as exact" in plain.note
    assert body_from(None, 45.0) is None
    check(rundown_figure(found), "rundown")


def test_numbers_with_powers_of_ten_keep_value_and_uncertainty_together() -> None:
    assert scientific(2.4e-4, 7e-7) == "(2.4000 ± 0.0070)e-4"
    assert scientific(0.35, 2.9e-5) == "0.350000 ± 0.000029"


def test_json_holds_no_nan_and_csv_no_formula() -> None:
    document = jsonable({"a": np.array([1.0, np.nan]), "b": (np.float64(np.inf), True, None)})
    assert json.dumps(document, allow_nan=False) == '{"a": [1.0, null], "b": [null, true, null]}'
    text = columns_csv({"name": ["=1+1", "x"], "value": np.array([np.nan, 0.5])})
    assert list(csv.reader(io.StringIO(text)))[1:] == [["'=1+1", ""], ["x", "0.5"]]
    json.dumps(jsonable(starts(MADE, by="tip")), allow_nan=False)
    json.dumps(jsonable(compare(MADE, by="tip")), allow_nan=False)


def test_times_of_a_long_attempt_are_hours_minutes_and_seconds() -> None:
    rng = np.random.default_rng(32)
    turning = spin(LAW.scaled(0.1), 1400.0)
    long = attempt(turning, rng, name="wren", noise_rad=0.01, frame_rate=1)  # type: ignore[arg-type]
    assert long.rows is not None and long.rows.time_s[-1] > 600
    words = check(rundown_figure(fit_rundown(long, forms=LAMINAR)), "rundown")
    assert "h:mm:ss" in words and "0:10:00" in words
    cut = cut_at(long, 400.0)
    words = check(topple_figure(expected_topple(cut, forms=LAMINAR), cut), "forecast")
    assert "h:mm:ss" in words
