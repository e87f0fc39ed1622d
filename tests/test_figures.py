"""The figures: they are there, say what they must, and claim nothing that is not known."""

from __future__ import annotations

import dataclasses
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest
from fabricate import Kind, fabricate
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from vidspin.figures import draw_all
from vidspin.figures.chart import spin_chart
from vidspin.figures.placing import LABEL_DISTANCE, apart
from vidspin.figures.speed import speed_figure
from vidspin.figures.still import looked_at_picture, survey_picture
from vidspin.figures.stills import draw_stills
from vidspin.figures.strips import event_strips
from vidspin.figures.style import broken_at_gaps, time_ticks
from vidspin.frames.pictures import strip
from vidspin.records import Candidate, Ellipse, Frame, Result, Settings, SpinChart, Strip
from vidspin.wording import odds, percent, signed

SVG = "{http://www.w3.org/2000/svg}"
CASES: list[tuple[Kind, float, int]] = [
    ("resolved", 12.0, 1),
    ("resolved", 60.0, 2),
    ("resolved", 6000.0, 1),
    ("unresolved", 12.0, 3),
    ("unresolved", 60.0, 1),
    ("partial", 60.0, 1),
]


def decoded(png: bytes) -> NDArray[np.uint8]:
    picture = cv2.imdecode(np.frombuffer(png, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    return picture.astype(np.uint8)


def svg_words(svg: bytes) -> list[str]:
    """Return the texts of an SVG, title and description left out."""
    root = ET.fromstring(svg)
    texts = root.iter(f"{SVG}text")
    return [" ".join("".join(node.itertext()).split()) for node in texts]


@pytest.mark.parametrize(("kind", "duration_s", "marks"), CASES)
def test_every_picture_is_drawn_and_wide_enough(kind: Kind, duration_s: float, marks: int) -> None:
    pictures = draw_all(fabricate(kind, duration_s=duration_s, marks=marks))
    expected = {"speed.png", "speed.svg", "spinchart.png", "survey.png", "release.png"}
    assert set(pictures) == expected | ({"topple.png"} if kind == "resolved" else set())
    for name, content in pictures.items():
        if name.endswith(".png"):
            picture = decoded(content)
            assert picture.shape[1] == 1200, name
            assert picture.std() > 10, name


def test_nothing_is_drawn_up_to_the_edge_of_the_sheet() -> None:
    """White margins on all sides: no words are cut off."""
    for kind, duration_s, marks in CASES:
        pictures = draw_all(fabricate(kind, duration_s=duration_s, marks=marks))
        for name, content in pictures.items():
            if name.endswith(".png"):
                picture = decoded(content)
                edges = (picture[:3], picture[-3:], picture[:, :3], picture[:, -3:])
                assert all((edge == 255).all() for edge in edges), (kind, duration_s, name)


def test_speed_figure_names_units_and_events() -> None:
    words = svg_words(speed_figure(fabricate())["speed.svg"])
    joined = "\n".join(words)
    assert "speed, rev/min" in words
    assert "time from the first frame, s" in words
    assert "release at 2.133 ± 0.034 s" in joined
    assert "topple at 56.400 ± 0.034 s" in joined
    assert "1818.52 ± 0.17 rev/min" in joined
    assert "touch at" in joined
    assert "clockwise as the camera sees it" in joined


def test_long_recording_has_a_time_axis_in_hours_minutes_seconds() -> None:
    words = svg_words(speed_figure(fabricate(duration_s=6000))["speed.svg"])
    assert "time from the first frame, h:mm:ss" in words
    assert "1:15:00" in words


def test_unresolved_speed_figure_states_it_and_draws_every_candidate() -> None:
    result = fabricate("unresolved")
    svg = speed_figure(result)["speed.svg"]
    joined = "\n".join(svg_words(svg))
    assert "ALIAS ORDER UNRESOLVED" in joined
    for candidate in result.alias.candidates:
        named = rf"order {re.escape(signed(candidate.order))} . {percent(candidate.probability)}"
        assert re.search(named, joined)
    assert not re.search(r"\d ± [\d.]+ rev/min", joined)


def test_odds_are_written_out_whatever_their_size() -> None:
    values = (0.01, 9.96, 46, 99.4, 99.5, 99.7, 100, 46_432)
    told = ["1:100", "10:1", "46:1", "99:1", "100:1", "100:1", "100:1", "46 000:1"]
    assert [odds(value) for value in values] == told
    assert odds(1 / 99.7) == "1:100"


def test_unresolved_candidates_are_all_drawn_in_the_same_way() -> None:
    """Nothing but the label tells the likeliest: none is drawn as fact."""
    result = fabricate("unresolved")
    both = speed_figure(result)["speed.svg"].decode()
    styles = re.findall(r'style="fill: none; stroke: (#1a1a1a); stroke-width: ([\d.]+)', both)
    lines = re.findall(r"stroke: #1a1a1a; stroke-width: ([\d.]+)", both)
    assert len(lines) >= len(result.alias.candidates)
    assert len({width for _, width in styles} | set(lines)) == 1


def test_svg_can_be_told_by_a_screen_reader() -> None:
    root = ET.fromstring(speed_figure(fabricate())["speed.svg"])
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == "title desc"
    title, desc = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert desc is not None
    assert title.text == "Speed of evening_07 against time"
    assert "release at 2.133 ± 0.034 s, 1818.52 ± 0.17 rev/min" in (desc.text or "")


def test_svg_of_an_unresolved_result_tells_its_candidates() -> None:
    root = ET.fromstring(speed_figure(fabricate("unresolved"))["speed.svg"])
    desc = root.findtext(f"{SVG}desc") or ""
    assert "ALIAS ORDER UNRESOLVED" in desc
    assert "order -2 ↺ 9.0 %, 3560.6 rev/min counterclockwise" in desc


def test_odd_names_do_not_break_the_svg() -> None:
    result = fabricate(duration_s=12)
    named = dataclasses.replace(result.footage, name='<b>&"top" $x^2$ ½ 🌀')
    svg = speed_figure(dataclasses.replace(result, footage=named))["speed.svg"]
    assert '<b>&"top" $x^2$ ½ 🌀' in svg_words(svg)


def test_same_result_gives_the_same_pictures() -> None:
    assert draw_all(fabricate()) == draw_all(fabricate())


@pytest.mark.filterwarnings("error")
def test_result_without_any_speed_can_be_drawn() -> None:
    result = fabricate(duration_s=12)
    nan = np.full_like(result.curve.time_s, np.nan)
    curve = dataclasses.replace(
        result.curve,
        speed_rad_s=nan,
        u95_speed_rad_s=nan,
        u95_total_rad_s=nan,
        residual_rad=np.full_like(result.curve.residual_rad, np.nan),
    )
    empty = dataclasses.replace(result, curve=curve, release=None, topple=None, touches=())
    assert "no speed is known" in svg_words(speed_figure(empty)["speed.svg"])


@pytest.mark.filterwarnings("error")
def test_a_top_that_stands_still_can_be_drawn() -> None:
    result = fabricate(duration_s=12)
    nothing = np.zeros_like(result.curve.time_s)
    curve = dataclasses.replace(result.curve, speed_rad_s=nothing)
    still = dataclasses.replace(result, curve=curve, release=None, topple=None, touches=())
    assert "0.00" in svg_words(speed_figure(still)["speed.svg"])


def test_many_candidates_keep_their_names_apart() -> None:
    result = fabricate("unresolved")
    candidates = tuple(
        Candidate(n, 400.0 * n + 100.0, 1 / 30, None, None) for n in range(-15, 16) if n
    )
    alias = dataclasses.replace(result.alias, candidates=candidates)
    words = svg_words(speed_figure(dataclasses.replace(result, alias=alias))["speed.svg"])
    named = [word for word in words if word.startswith("order ")]
    assert len(named) == len(set(named)) == 14
    assert "16 less likely not named" in words


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=14))
def test_names_keep_their_distance_and_their_order(wished: list[float]) -> None:
    heights = np.sort(np.array(wished))
    places = apart(heights)
    assert (np.diff(places) > 0.99 * LABEL_DISTANCE).all()
    assert places.min() >= 0.0
    assert places.max() <= 1.0 + 1e-9


def test_names_that_are_far_apart_stay_where_they_are() -> None:
    np.testing.assert_allclose(apart(np.array([0.1, 0.5, 0.9])), [0.1, 0.5, 0.9])


def test_lines_do_not_bridge_missing_rows() -> None:
    time = np.array([0.5, 1.5, 2.5, 6.5, 7.5])
    value = np.arange(5.0)
    broken_time, broken = broken_at_gaps(time, value)
    np.testing.assert_array_equal(broken_time, [0.5, 1.5, 2.5, 4.5, 6.5, 7.5])
    np.testing.assert_array_equal(broken, [0, 1, 2, np.nan, 3, 4])


@pytest.mark.parametrize(
    ("end_s", "first", "last", "title"),
    [
        (0.25, "0.00", "0.25", "s"),
        (12.0, "0", "12", "s"),
        (60.0, "0", "60", "s"),
        (287.0, "0:00:00", "0:04:00", "h:mm:ss"),
        (6000.0, "0:00:00", "1:30:00", "h:mm:ss"),
        (100_000.0, "0:00:00", "24:00:00", "h:mm:ss"),
    ],
)
def test_ticks_of_time_are_round(end_s: float, first: str, last: str, title: str) -> None:
    ticks, words, name = time_ticks(0.0, end_s, most=9)
    assert 2 <= len(ticks) <= 9
    assert (words[0], words[-1]) == (first, last)
    assert name.endswith(f", {title}")


# ------------------------------------------------------------------------ spin chart


def chart_of(result: Result, chart: SpinChart) -> Result:
    return dataclasses.replace(result, chart=chart)


def test_spin_chart_leaves_gaps_in_time_empty() -> None:
    result = fabricate(duration_s=60)
    chart = result.chart
    keep = (chart.whole_time_s < 20) | (chart.whole_time_s > 40)
    gapped = dataclasses.replace(
        chart, whole=chart.whole[keep], whole_time_s=chart.whole_time_s[keep]
    )
    picture = decoded(spin_chart(chart_of(result, gapped)))
    middle = picture[300, 84 + (1176 - 84) // 2]
    beside = picture[200:400, 200]
    assert tuple(middle) == (236, 226, 214)  # the colour of nothing, blue first
    assert not (beside == middle).all(axis=1).any()


def test_spin_chart_circles_the_fitted_phase_of_every_mark() -> None:
    """Twice the marks give twice the circles."""

    def circled(marks: int) -> int:
        picture = decoded(spin_chart(fabricate(duration_s=60, marks=marks)))[560:]
        return int((picture == (0, 94, 213)).all(axis=2).sum())

    assert circled(2) == pytest.approx(2 * circled(1), rel=0.15)


def test_spin_chart_without_zooms_can_be_drawn() -> None:
    result = fabricate(duration_s=12)
    bare = dataclasses.replace(result.chart, zooms=(), zoom_time_s=(), zoom_seen_rad=())
    assert decoded(spin_chart(chart_of(result, bare))).shape[1] == 1200


def test_spin_chart_of_an_empty_recording_can_be_drawn() -> None:
    result = fabricate(duration_s=12)
    empty = SpinChart(np.zeros((0, 180), np.uint8), np.zeros(0), (), (), ())
    assert decoded(spin_chart(chart_of(result, empty))).shape[1] == 1200


# --------------------------------------------------------------------- still, strips


def test_survey_draws_the_ellipse_where_the_ring_is() -> None:
    result = fabricate()
    picture = decoded(survey_picture(result))
    ring, zoom = result.survey.ring, (1200 - 70 - 24) / 960 * 0.5
    x, y = 70 + (ring.x_px + ring.major_px) * zoom, 92 + ring.y_px * zoom
    around = picture[round(y) - 3 : round(y) + 4, round(x) - 3 : round(x) + 4].astype(int)
    blue, green, red = around[..., 0], around[..., 1], around[..., 2]
    assert ((blue > 190) & (green > 140) & (red < 120)).any()


def test_survey_of_a_portrait_recording_fits_the_sheet() -> None:
    result = fabricate()
    survey = result.survey
    tall = dataclasses.replace(
        survey, picture=np.ascontiguousarray(survey.picture.T), activity=survey.activity.T
    )
    chapter = dataclasses.replace(result.footage.chapters[0], rotation_deg=90)
    footage = dataclasses.replace(result.footage, chapters=(chapter,))
    picture = decoded(survey_picture(dataclasses.replace(result, survey=tall, footage=footage)))
    assert picture.shape[1] == 1200
    assert picture.shape[0] < 1050


def test_picture_of_a_failure_shows_the_frame() -> None:
    picture = decoded(looked_at_picture(np.tile(np.arange(200, dtype=np.uint8), (120, 1)), "a"))
    assert picture.shape[1] == 1200
    assert picture[300, 200].mean() < picture[300, 1100].mean()


def test_strips_are_named_after_their_events() -> None:
    result = fabricate()
    touch = Strip("touch", result.strips[0].time_s, result.strips[0].pictures)
    strips = (*result.strips, touch, touch)
    drawn = event_strips(dataclasses.replace(result, strips=strips))
    assert list(drawn) == ["release.png", "topple.png", "touch.png", "touch-2.png"]


def test_strip_frames_after_the_event_are_framed_in_its_colour() -> None:
    result = fabricate()
    assert result.release is not None
    sharp = dataclasses.replace(result, release=dataclasses.replace(result.release, u95_s=0.001))
    picture = decoded(event_strips(sharp)["release.png"])
    green = (picture == (90, 121, 0)).all(axis=2)
    first_row, second_row = green[80:330].sum(), green[340:640].sum()
    assert first_row < 100  # four frames before the release
    assert second_row > 3000  # three frames after it


def test_strip_frames_within_the_uncertainty_are_dashed() -> None:
    result = fabricate()
    assert result.release is not None
    wide = dataclasses.replace(result, release=dataclasses.replace(result.release, u95_s=0.3))
    sharp = dataclasses.replace(result, release=dataclasses.replace(result.release, u95_s=0.001))
    plain, dashed = (
        (decoded(event_strips(one)["release.png"]) == (90, 121, 0)).all(axis=2)
        for one in (sharp, wide)
    )
    assert dashed[80:330].sum() > 1000  # of the four frames before it, those within ± as well
    assert 1000 < dashed[340:640].sum() < 0.7 * plain[340:640].sum()


@pytest.mark.parametrize(("turned", "corner"), [(0, 0), (90, 1), (180, 3), (270, 2)])
def test_stills_of_events_are_upright_as_players_show_them(turned: int, corner: int) -> None:
    result = fabricate()
    shape = result.strips[0].pictures[0].shape
    picture = np.zeros(shape, np.uint8)
    picture[: shape[0] // 2, : shape[1] // 2] = 255  # upper left corner as stored
    strips = tuple(
        dataclasses.replace(one, pictures=(picture,) * len(one.pictures)) for one in result.strips
    )
    chapter = dataclasses.replace(result.footage.chapters[0], rotation_deg=turned)
    footage = dataclasses.replace(result.footage, chapters=(chapter,))
    made = dataclasses.replace(result, strips=strips, footage=footage)
    still = decoded(draw_stills(made)["still-release-01.jpg"])[..., 0]
    strip = decoded(event_strips(made)["release.png"])[96:368, 28:300, 0]  # the first one
    for one in (still, strip):
        rows, columns = one.shape[0] // 2, one.shape[1] // 2
        quarters = [one[:rows, :columns], one[:rows, columns:], one[rows:, :columns],
                    one[rows:, columns:]]  # fmt: skip
        assert int(np.argmax([quarter.mean() for quarter in quarters])) == corner


def test_picture_of_a_mark_that_could_not_be_followed_shows_its_path() -> None:
    still = np.full((120, 200), 128, np.uint8)
    path = Ellipse(100.0, 60.0, 60.0, 40.0, 0.0)
    plain, ringed = (decoded(looked_at_picture(still, "a", found=f)) for f in (None, path))
    assert (plain[92:760] != ringed[92:760]).any(axis=2).sum() > 1000
    assert (plain[:50] != ringed[:50]).any()  # and another heading


def test_strip_without_an_event_can_be_drawn() -> None:
    result = dataclasses.replace(fabricate(), release=None)
    assert "release.png" in event_strips(result)


def test_strip_of_an_overruled_event_can_be_drawn() -> None:
    stated = Settings(release_s=2.0, overrule_reason="seen")
    assert "release.png" in event_strips(fabricate(settings=stated))


def test_slow_motion_is_named_in_the_figures() -> None:
    result = fabricate(duration_s=12)
    slow = dataclasses.replace(result.footage, time_scale=Fraction(1, 8))
    words = svg_words(speed_figure(dataclasses.replace(result, footage=slow))["speed.svg"])
    assert any("1 s of the file is 1/8 s of the scene" in word for word in words)


def test_importing_the_figures_loads_no_drawing_library() -> None:
    code = "import sys, vidspin.figures; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_drawing_never_loads_pyplot() -> None:
    code = (
        f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r});"
        "from fabricate import fabricate;"
        "from vidspin.figures import draw_all; draw_all(fabricate(duration_s=12.0));"
        "sys.exit('matplotlib.pyplot' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("duration_s", [720.0, 3600.0])
def test_the_last_time_of_an_axis_is_not_cut_off(duration_s: float) -> None:
    pictures = draw_all(fabricate("resolved", duration_s=duration_s, marks=1))
    for name in ("speed.png", "spinchart.png"):
        assert (decoded(pictures[name])[:, -2:] == 255).all(), name


@pytest.mark.parametrize(("u95_s", "first_s", "last_s"), [(0.1, 4.87, 6.0), (2.9, 2.1, 7.9)])
def test_frames_of_a_release_cover_its_interval(
    u95_s: float, first_s: float, last_s: float
) -> None:
    """One of them must show the hand and a later one none, or nobody can confirm the instant."""
    result = fabricate("resolved")

    def passing(time_s: float, *, before: int, after: int, every: int = 1) -> Any:
        middle = round(time_s * 30)
        for k in range(max(middle - before, 0), middle + after):
            if (k - middle) % every == 0:
                yield Frame(k, 0, k, k / 30, np.zeros((64, 64), np.uint8))

    footage: Any = SimpleNamespace(
        facts=dataclasses.replace(result.footage, frame_rate=Fraction(30)), passing=passing
    )
    made = strip(footage, result.survey, "release", 5.0, 32.0, 32.0, u95_s)
    assert made is not None and len(made.time_s) == 12
    assert made.time_s[0] == pytest.approx(first_s, abs=0.04)
    assert made.time_s[-1] >= last_s - 0.04
