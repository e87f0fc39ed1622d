"""The review page: who is let in, what is shown, and what is kept of a decision."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import jsonschema
import numpy as np
import pytest
from reviewing import NAME, asked, copied, decided, document, measured, served

from vidspin.cli.app import main
from vidspin.errors import ExitCode, UsageError
from vidspin.figures.stills import encode_jpeg
from vidspin.footage.frames import Recording
from vidspin.records import Ellipse, SightingFlag
from vidspin.review import Pictures, Review
from vidspin.review.history import read_decision
from vidspin.review.page import review_page
from vidspin.review.pictures import AFTER, BEFORE
from vidspin.review.scene import FLAG_WORDS, MOST_INSTANTS, Scene, upright
from vidspin.ring import even_angles, ring_points
from vidspin.store import load_schema, read_result


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return measured(tmp_path_factory.mktemp("review"))


@pytest.fixture(scope="module")
def review(result: Path) -> Iterator[Review]:
    """For tests that change nothing."""
    with served(result) as found:
        yield found


@pytest.fixture
def own(result: Path, tmp_path: Path) -> Path:
    return copied(result, tmp_path / "own")


# -------------------------------------------------------------------------- who is let in


def test_only_the_token_lets_in(review: Review) -> None:
    assert asked(review, "GET", f"/{review.token}/")[0] == 200
    wrong = review.token[:-1] + ("A" if review.token[-1] != "A" else "B")
    paths = ["/", "/favicon.ico", f"/{wrong}/", f"/{wrong}/state", f"/{review.token}", "//x/"]
    paths += [f"/{review.token}/../state", f"/x/{review.token}/state", f"{review.token}/"]
    for path in paths:
        code, body, _ = asked(review, "GET", path)
        assert (code, body) == (404, b""), path
    assert len(review.token) >= 43  # 256 bits


def test_every_review_has_a_token_of_its_own(review: Review, own: Path) -> None:
    with served(own) as other:
        assert other.token != review.token
        assert asked(other, "GET", f"/{review.token}/")[0] == 404


def test_it_listens_on_loopback_only(review: Review) -> None:
    assert review.address.startswith("http://127.0.0.1:")
    assert review._server.socket.getsockname()[0] == "127.0.0.1"


@pytest.mark.parametrize(
    ("headers", "code"),
    [
        ({"Host": "localhost"}, 403),
        ({"Host": "attacker.example"}, 403),
        ({"Host": None}, 403),
        ({"Origin": "http://attacker.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Sec_Fetch_Site": "cross-site"}, 403),
        ({"Sec_Fetch_Site": "same-site"}, 403),
        ({"Sec_Fetch_Site": "same-origin"}, 200),
        ({"Sec_Fetch_Site": "none"}, 200),
    ],
)
def test_other_hosts_and_origins_are_refused(
    review: Review, headers: dict[str, str | None], code: int
) -> None:
    for path in ("", "state", "sight?n=0", "frame?n=0"):
        found, body, sent = asked(review, "GET", f"/{review.token}/{path}", None, **headers)
        assert found == code and (code == 200 or body == b"")
        assert not [name for name in sent if name.startswith("access-control")]


def test_another_port_is_another_origin(review: Review) -> None:
    port = int(review.host.split(":")[1])
    other = f"http://127.0.0.1:{port - 1}"
    assert asked(review, "GET", f"/{review.token}/", None, Origin=other)[0] == 403
    assert asked(review, "GET", f"/{review.token}/", None, Host=other[7:])[0] == 403


@pytest.mark.parametrize(
    ("path", "headers", "code"),
    [
        ("decide", {"Origin": None}, 403),
        ("decide", {"Origin": "http://attacker.example"}, 403),
        ("decide", {"Content_Type": "text/plain"}, 403),
        ("decide", {"Content_Type": "application/x-www-form-urlencoded"}, 403),
        ("decide", {"Content_Type": None}, 403),
        ("done", {"Origin": None}, 403),
        ("done", {"Content_Type": "text/plain"}, 403),
        ("state", {}, 404),
        ("decide?x", {}, 404),
        ("other", {}, 404),
    ],
)
def test_a_decision_needs_origin_and_json(
    review: Review, path: str, headers: dict[str, str | None], code: int
) -> None:
    assert asked(review, "POST", f"/{review.token}/{path}", b"{}", **headers)[0] == code
    assert asked(review, "POST", f"/wrong/{path}", b"{}")[0] == 404
    assert asked(review, "GET", f"/{review.token}/")[0] == 200  # it is still there


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "HEAD", "TRACE", "FROB"])
def test_other_methods_find_nothing(review: Review, method: str) -> None:
    code, body, headers = asked(review, method, f"/{review.token}/")
    assert (code, body) == (404, b"")
    assert not [name for name in headers if name.startswith("access-control")]


def test_what_comes_in_is_bounded(review: Review) -> None:
    path = f"/{review.token}/decide"
    for length in ("99999999", "-1", "1e3", ""):
        assert asked(review, "POST", path, None, Content_Length=length)[0] == 413
    assert asked(review, "GET", "/" + "x" * 70_000)[0] == 414
    for query in ("n=-1", "n=1e9", "n=99999999", "n=0&n=1", "n=", "", "m=0", "n=0#", "n=%D9%A3"):
        for kind in ("sight", "frame"):
            asks = f"/{review.token}/{kind}?{query}"
            assert asked(review, "GET", asks)[0] == (200 if query == "n=0#" else 404), query


@pytest.mark.parametrize(
    "said",
    [
        b"", b"null", b"[]", b"{}", b"\xff", b"[" * 9000,
        {"event": "touch"}, {"action": "x"}, {"frame": -1}, {"frame": 10**8}, {"frame": True},
        {"frame": 1.5}, {"frame": None}, {"of": 1}, {"reason": 1}, {"event": []}, {"more": 1},
    ],
)  # fmt: skip
def test_what_is_no_decision_is_refused(said: Any) -> None:
    whole = {"event": "topple", "action": "overruled", "frame": 3, "reason": "seen", "of": ""}
    assert read_decision(json.dumps(whole).encode(), 10).frame == 3
    body = said if isinstance(said, bytes) else json.dumps(whole | said).encode()
    with pytest.raises(UsageError):
        read_decision(body, 10)


@pytest.mark.parametrize("reason", ["", "  ", "\n\t", "\u200b", "x" * 501])
def test_an_overruling_needs_its_reason(reason: str) -> None:
    said = {"event": "topple", "action": "overruled", "frame": 3, "reason": reason, "of": ""}
    with pytest.raises(UsageError, match="reason"):
        read_decision(json.dumps(said).encode(), 10)
    if len(reason) < 500:
        said["action"] = "confirmed"
        assert read_decision(json.dumps(said).encode(), 10).reason == ""


# --------------------------------------------------------------------------- what is shown


def test_the_page_holds_nothing_of_the_result_and_names_its_own_parts(review: Review) -> None:
    _, body, headers = asked(review, "GET", f"/{review.token}/")
    page, policy = body.decode(), headers["content-security-policy"]
    assert (body, policy) == review_page() and NAME not in page
    assert "unsafe" not in policy and "default-src 'none'" in policy
    for part in ("style", "script"):
        (text,) = re.findall(rf"<{part}>(.*?)</{part}>", page, flags=re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{part}-src 'sha256-{digest}'" in policy
    assert "innerHTML" not in page and not re.search(r"\son\w+=|style=", page)
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"
    assert headers["cross-origin-resource-policy"] == "same-origin"


def test_the_state_names_every_instant(review: Review, result: Path) -> None:
    state = json.loads(asked(review, "GET", f"/{review.token}/state")[1])
    d = document(result)
    listed = [(one["kind"], one["time_s"]) for one in state["instants"]]
    assert ("topple", d["topple"]["time_s"]) in listed and ("release", None) in listed
    alarms = [t for check in d["checks"] for t in check["at_s"]]
    assert [t for kind, t in listed if kind in ("fail", "check")] == sorted(alarms)
    topple = state["ends"]["topple"]
    times = read_result(result).sightings["time_s"]
    assert times[topple["frame"] - 1] < d["topple"]["time_s"] <= times[topple["frame"]]
    assert state["frames"] == len(times)


def test_many_instants_are_cut_and_the_rest_counted(result: Path) -> None:
    d = document(result)
    d["checks"][0]["at_s"] = [0.01 * k for k in range(1000)]
    state = Scene(d, read_result(result).sightings, "").state()
    assert len(state["instants"]) == MOST_INSTANTS
    assert state["left_out"] >= 1000 - MOST_INSTANTS


def test_the_frame_is_the_one_of_that_instant(review: Review, result: Path) -> None:
    footage = Recording.open([result.with_suffix(".mp4")])
    lumas = {frame.index: frame.luma.copy() for frame in footage.stream()}
    for n in (0, 1, 100, 209, review.scene.frames - 1, 50):
        code, jpeg, headers = asked(review, "GET", f"/{review.token}/frame?n={n}")
        assert code == 200 and headers["content-type"] == "image/jpeg"
        shown = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_GRAYSCALE)
        apart = {k: float(np.abs(shown.astype(int) - lumas[k]).mean()) for k in (n, n - 1, n + 1)
                 if k in lumas}  # fmt: skip
        assert min(apart, key=apart.__getitem__) == n


def test_the_drawing_lies_on_the_mark(review: Review, result: Path) -> None:
    """The ring's own brightness says where the mark is, without any model."""
    marks = document(result)["marks"]
    bright = document(result)["top"]["bright_mark"]
    angles, apart = even_angles(360), []
    for n in range(10, 180, 7):
        sight = review.scene.sight(n)
        x, y, major, minor, tilt = sight["ring"]
        ring = Ellipse(x, y, major, minor, np.radians(tilt))
        jpeg = review.pictures.jpeg(n)
        if not sight["marks"]:
            continue  # no mark was fitted
        assert jpeg is not None and len(sight["marks"]) == 2 * marks
        shown = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_GRAYSCALE)
        px, py = ring_points(ring, 1.0, angles)
        profile = cv2.remap(
            cv2.GaussianBlur(shown, (0, 0), 2.0), px.astype(np.float32)[None],
            py.astype(np.float32)[None], cv2.INTER_LINEAR,
        )[0].astype(float)  # fmt: skip
        brightest = int(np.argmax(profile) if bright else np.argmin(profile))
        x1, y1, x2, y2 = sight["marks"][0]
        drawn = int(np.argmin(np.hypot(px - x2, py - y2)))
        apart.append((drawn - brightest + 180) % 360 - 180)
    # in some frames something else on the ring is darker than the mark
    assert len(apart) > 15 and float(np.median(np.abs(apart))) < 8.0


def test_every_flag_has_its_words() -> None:
    assert set(FLAG_WORDS) == set(SightingFlag) - {SightingFlag.NONE}


class Counted:
    """A recording that counts how often it is decoded."""

    def __init__(self, footage: Recording) -> None:
        self._footage, self.facts, self.calls = footage, footage.facts, 0

    def passing(self, time_s: float, *, before: int, after: int, every: int = 1) -> Any:
        self.calls += 1
        return self._footage.passing(time_s, before=before, after=after, every=every)


def test_pictures_are_kept_within_bounds(result: Path) -> None:
    counted: Any = Counted(Recording.open([result.with_suffix(".mp4")]))
    times = read_result(result).sightings["time_s"]
    few = Pictures(counted, times, encode_jpeg, most_bytes=60_000)
    for n in range(0, len(times), 5):
        assert few.jpeg(n) is not None
        assert few.kept_bytes <= 60_000
    tiny = Pictures(counted, times, encode_jpeg, most_bytes=1)
    assert tiny.jpeg(7) is not None and len(tiny._kept) == 1
    many = Pictures(counted, times, encode_jpeg)
    counted.calls = 0
    for n in range(50 - BEFORE, 50 + AFTER):
        assert many.jpeg(n if n != 50 - BEFORE else 50) is not None
    assert counted.calls == 1


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_the_picture_stands_as_players_show_it(turn: int, mirrored: bool) -> None:  # noqa: FBT001
    stored = np.arange(12).reshape(3, 4)
    shown = np.rot90(np.fliplr(stored) if mirrored else stored, -turn // 90)
    chapter = {"width": 4, "height": 3, "rotation": turn, "mirrored": mirrored,
               "sample_aspect": "1/1"}  # fmt: skip
    (width, height), (a, b, c, d, e, f) = upright(chapter)
    assert (height, width) == shown.shape
    for row in range(3):
        for column in range(4):
            x, y = column + 0.5, row + 0.5
            at = int(b * x + d * y + f), int(a * x + c * y + e)
            assert shown[at] == stored[row, column]


# ----------------------------------------------------------------------- what is refused


def test_a_missing_recording_is_told(own: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own.with_suffix(".mp4").unlink()
    assert main(["look", str(own), "--no-browser"]) == ExitCode.UNREADABLE
    said = capsys.readouterr()
    assert said.out == "" and said.err.count("\n") == 1
    assert f"{NAME}.mp4: the recording is not beside the result" in said.err
    assert "--recording" in said.err


def test_another_recording_is_refused(own: Path, capsys: pytest.CaptureFixture[str]) -> None:
    clip = own.with_suffix(".mp4")
    whole = clip.read_bytes()
    changed = whole[:-20] + bytes([whole[-20] ^ 1]) + whole[-19:]
    for data in (changed, whole + b"\0", whole[:-1]):
        clip.write_bytes(data)
        assert main(["look", str(own), "--no-browser"]) == ExitCode.CHECK_FAILED
        assert "this is not the file that was measured" in capsys.readouterr().err
    clip.write_bytes(whole)
    options = ["--recording", str(clip), "--recording", str(clip)]
    assert main(["look", str(own), "--no-browser", *options]) == ExitCode.USAGE
    assert "--recording: the recording has 1 file(s), not 2" in capsys.readouterr().err


def test_what_is_no_result_is_refused(
    own: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["look", str(tmp_path / "nothing"), "--no-browser"]) == ExitCode.USAGE
    arrays = dict(np.load(own / "sightings.npz"))
    arrays["x_px"] = arrays["x_px"][:-1]
    np.savez(own / "sightings.npz", **arrays)
    assert main(["look", str(own), "--no-browser"]) == ExitCode.USAGE
    err = capsys.readouterr().err
    assert "nothing: there is no such folder" in err
    assert "x_px is not one entry for each frame" in err


def test_a_recording_that_vanishes_is_told_on_the_page(own: Path) -> None:
    with served(own) as review:
        own.with_suffix(".mp4").unlink()
        code, body, _ = asked(review, "GET", f"/{review.token}/frame?n=5")
        assert code == 409 and "no such file" in json.loads(body)["error"]


# -------------------------------------------------------------------------- what is kept


def test_a_confirmation_is_kept(own: Path) -> None:
    before = document(own)
    with served(own) as review:
        code, state = decided(review, action="confirmed", reason="seen twice")
        assert code == 200 and state["reviews"][0]["action"] == "confirmed"
        assert decided(review, action="confirmed")[0] == 200
        assert review.decisions == 2
    after = document(own)
    jsonschema.validate(after, load_schema())
    first, second = after.pop("reviews")
    assert after == before  # nothing else changed
    at = before["topple"]["time_s"]
    assert (first["event"], first["from_s"], first["to_s"]) == ("topple", at, at)
    assert first["reason"] == "seen twice" and second["reason"] is None
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", first["at"])
    report = (own / "report.html").read_text("utf-8")
    assert "Confirmed by a person" in report and "seen twice" in report
    read_result(own)


def test_an_overruling_keeps_both_values_and_earlier_entries(own: Path) -> None:
    before = document(own)
    times = read_result(own).sightings["time_s"]
    with served(own) as review:
        assert decided(review, action="confirmed")[0] == 200
        frame = review.scene.frame_at(before["topple"]["time_s"]) + 4
        code, state = decided(review, frame=frame, reason="</script><b>rim\u202e touches")
        assert code == 200 and state["ends"]["topple"]["overruled"]
        assert state["ends"]["topple"]["frame"] == frame
        assert decided(review, event="release", frame=9, reason="finger gone")[0] == 200
    after = document(own)
    jsonschema.validate(after, load_schema())
    own_s = before["topple"]["time_s"]
    assert after["topple"]["time_s"] == times[frame]
    assert after["topple"]["measured_s"] == own_s and after["topple"]["overruled"]
    assert after["topple"]["reason"].startswith("</script>")  # not the release's reason
    assert after["release"]["reason"] == "finger gone"
    assert after["spin_time"]["seconds"] == pytest.approx(times[frame] - times[9])
    kinds = [(one["event"], one["action"]) for one in after["reviews"]]
    assert kinds == [("topple", "confirmed"), ("topple", "overruled"), ("release", "overruled")]
    assert after["reviews"][1]["from_s"] == own_s and after["reviews"][1]["to_s"] == times[frame]
    assert after["reviews"][2]["from_s"] is None
    report = (own / "report.html").read_text("utf-8")
    assert "</script><b>" not in report and "finger gone" in report
    # the frames around the new instant are the ones that are shown
    shown = [s["time_s"] for s in after["stills"] if s["kind"] == "topple"]
    assert any(abs(t - times[frame]) < 1e-6 for t in shown)
    assert set(after["files"]) == {p.name for p in own.iterdir()} - {"spin.json"}


def test_working_out_again_keeps_the_history(own: Path, tmp_path: Path) -> None:
    with served(own) as review:
        assert decided(review, action="confirmed", reason="seen")[0] == 200
    out = tmp_path / "again"
    main(["measure", "--from", str(own), "--out", str(out), "--every", "0.5", "--quiet"])
    assert document(out / own.name)["reviews"] == document(own)["reviews"]


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_what_cannot_be_kept_leaves_the_result_as_it_was(own: Path) -> None:
    before = contents(own)
    with served(own) as review:
        for said, word in (
            ({"frame": 100, "reason": ""}, "reason"),
            ({"frame": 10**8, "reason": "x"}, "no such frame"),
            ({"event": "release", "frame": review.scene.frames - 1, "reason": "x"}, "topple"),
            ({"frame": 100, "reason": "x", "of": "0" * 64}, "was changed since"),
        ):
            code, answer = decided(review, **said)
            assert code == 409 and word in answer["error"], said
        (own / "notes.txt").write_text("mine", "utf-8")
        for action in ("confirmed", "overruled"):
            code, answer = decided(review, action=action, frame=150, reason="x")
            assert code == 409 and "notes.txt" in answer["error"]
        assert review.decisions == 0
    assert contents(own) == before | {"notes.txt": b"mine"}
    assert [path.name for path in own.parent.iterdir() if path.name.startswith(".")] == []


def test_a_result_that_changed_meanwhile_is_not_overwritten(own: Path) -> None:
    with served(own) as review:
        text = (own / "spin.json").read_text("utf-8")
        (own / "spin.json").write_text(text + " ", "utf-8")
        code, answer = decided(review, action="confirmed")
        assert code == 409 and "was changed since it was opened" in answer["error"]
    assert (own / "spin.json").read_text("utf-8") == text + " "


def test_overruling_at_the_same_frame_is_no_overruling(own: Path) -> None:
    with served(own) as review:
        assert decided(review, frame=200, reason="x")[0] == 200
        code, answer = decided(review, frame=200, reason="y")
        assert code == 409 and "already" in answer["error"]
    assert len(document(own)["reviews"]) == 1


def test_an_instant_is_the_frame_s_also_where_the_clock_is_corrected(tmp_path: Path) -> None:
    clip = tmp_path / "wheatear.mp4"
    told = ["--rpm", "620", "--size", "240x180", "--seconds", "4", "--quiet"]
    assert main(["simulate", str(clip), *told]) == ExitCode.DONE
    fast = 1 + 200e-6
    pairs = [f"--reference={t}={t / fast:.6f}" for t in (0.1, 3.9)]
    known = [*pairs, "--reference-within", "0.00005"]
    main(["measure", str(clip), "--between", "500", "700", *known, "--quiet"])
    found = clip.with_suffix(".spin")
    times = read_result(found).sightings["time_s"]
    assert times[90] == pytest.approx(3.0 / fast, abs=5e-5) and times[90] < 2.9999
    with served(found) as review:
        assert asked(review, "GET", f"/{review.token}/frame?n=90")[0] == 200
        assert decided(review, frame=90, reason="seen")[0] == 200
        assert decided(review, frame=90, action="confirmed")[0] == 200
        assert json.loads(asked(review, "GET", f"/{review.token}/state")[1])["ends"]["topple"][
            "told"
        ].startswith("0:00:02.999")
    said = document(found)
    assert said["topple"]["time_s"] == pytest.approx(times[90], abs=1e-9)
    assert [one["to_s"] for one in said["reviews"]] == [said["topple"]["time_s"]] * 2


def test_the_end_waits_for_a_decision_that_is_being_kept(own: Path) -> None:
    before = contents(own)
    with served(own) as review:
        review.end()
        with pytest.raises(OSError):
            asked(review, "GET", f"/{review.token}/state")
    assert review._lock.locked()
    assert contents(own) == before


# ----------------------------------------------------------------------------- the command


def started(result: Path, *more: str) -> tuple[subprocess.Popen[str], str]:
    command = [sys.executable, "-m", "vidspin", "look", str(result), "--no-browser", *more]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    return process, process.stdout.readline().removeprefix("look at ").strip()


@pytest.mark.usefixtures("ctrl_c_is_heard")
def test_ctrl_c_ends_it_with_0_and_says_so(result: Path) -> None:
    process, address = started(result)
    with urllib.request.urlopen(address, timeout=300) as page:
        assert page.status == 200
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=300)
    assert process.returncode == ExitCode.DONE and err == ""
    assert out.endswith(f"review ended; decisions kept in {NAME}.spin: 0\n")


@pytest.mark.usefixtures("ctrl_c_is_heard")
def test_programs_read_address_and_decisions_as_json(result: Path) -> None:
    process, told = started(result, "--json")
    with urllib.request.urlopen(json.loads(told)["address"], timeout=300) as page:
        assert page.status == 200
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=300)
    assert process.returncode == ExitCode.DONE and err == ""
    assert json.loads(out) == {"result": str(result.resolve()), "decisions": 0}


def test_the_page_s_button_ends_it(result: Path) -> None:
    process, address = started(result)
    origin = "/".join(address.split("/")[:3])
    headers = {"Origin": origin, "Content-Type": "application/json"}
    request = urllib.request.Request(address + "done", b"{}", headers)
    with urllib.request.urlopen(request, timeout=300) as answer:
        assert answer.status == 200
    out, err = process.communicate(timeout=300)
    assert process.returncode == ExitCode.DONE and err == "" and "review ended" in out
