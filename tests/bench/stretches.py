"""Can stretches decoded in processes of their own beat the decoder's frame threads?

    python tests/bench/stretches.py CLIP [--repeat N] [--rounds R] [--brief] [--between LOW HIGH]

By turns, each in processes of its own: decoding alone as the program does it (thread type AUTO),
decoding alone on one thread, decoding in two processes that share the key frames, and the whole
`vidspin measure`.  Medians of processor and wall seconds are printed, the largest resident set,
and what follows for two cores: an arrangement that wastes nothing needs half of the processor
seconds; what runs on one core after the last frame counts in full.

``--repeat`` repeats the packets of a clip that begins with a key frame; with a whole number of
turns in the clip (constant speed) the spin goes on over the joins.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import av

from vidspin.night.processes import ENVIRONMENT  # as a worker of a batch has it

DECODE = """
import av, sys
path, kind, part, parts = sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4])
with av.open(path, options={"ignore_editlist": "1"}) as source:
    stream = source.streams.best("video")
    keys = [p.dts for p in source.demux(stream) if p.size and p.is_keyframe] + [None]
with av.open(path, options={"ignore_editlist": "1"}) as source:
    stream = source.streams.best("video")
    if kind == "AUTO":
        stream.thread_type = "AUTO"
    else:
        stream.codec_context.thread_count = 1
    first, last = (keys[(len(keys) - 1) * k // parts] for k in (part, part + 1))
    if part:
        source.seek(first, stream=stream)
    count = 0
    for packet in source.demux(stream):
        if packet.dts is not None and packet.dts < first:
            continue
        if last is not None and packet.dts is not None and packet.dts >= last:
            break
        if packet.size:
            count += len(stream.decode(packet))
    print(count + len(stream.decode(None)))
"""


def repeated(clip: Path, times: int, folder: Path) -> Path:
    """Write the clip's packets several times after each other."""
    target = folder / f"long{clip.suffix}"
    with av.open(str(target), "w") as out:
        stream, offset = None, 0
        for _ in range(times):
            with av.open(str(clip), options={"ignore_editlist": "1"}) as source:
                video = source.streams.video[0]
                stream = stream or out.add_stream_from_template(video)
                packets = [packet for packet in source.demux(video) if packet.size]
                shown = sorted(int(packet.pts or 0) for packet in packets)
                for packet in packets:
                    packet.pts, packet.dts = (packet.pts or 0) + offset, (packet.dts or 0) + offset
                    packet.stream = stream
                    out.mux(packet)
                offset += len(shown) * (shown[1] - shown[0])
    return target


def spent(*commands: list[str]) -> tuple[float, float, float]:
    """Run commands side by side: processor s, wall s, largest resident set in MiB."""
    began = time.perf_counter()
    environment = {**os.environ, **ENVIRONMENT}
    at_work = [
        subprocess.Popen(command, stdout=subprocess.DEVNULL, env=environment)
        for command in commands
    ]
    used, peak = 0.0, 0.0
    for process in at_work:
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode not in (0, 5):  # 5: unresolved, the result is there
            raise SystemExit(f"{process.args} ended with {process.returncode}")
        used += usage.ru_utime + usage.ru_stime
        peak = max(peak, usage.ru_maxrss / 1024)
    return used, time.perf_counter() - began, peak


def main() -> None:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("clip", type=Path)
    parser.add_argument("--repeat", type=int, default=1)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--brief", action="store_true", help="AUTO and measure only")
    parser.add_argument("--between", nargs=2, default=("0", "6000"))
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        clip = asked.clip
        if asked.repeat > 1:
            clip = repeated(clip, asked.repeat, Path(place))
        decode = [sys.executable, "-c", DECODE, str(clip)]
        measure = [
            sys.executable, "-m", "vidspin", "measure", str(clip), "--out", place, "--quiet",
            "--overwrite", "--between", *asked.between,
        ]  # fmt: skip
        ways = {
            "decode AUTO": [[*decode, "AUTO", "0", "1"]],
            "decode one thread": [[*decode, "NONE", "0", "1"]],
            "decode two stretches": [[*decode, "NONE", str(k), "2"] for k in range(2)],
            "measure": [measure],
        }
        if asked.brief:
            ways = {name: ways[name] for name in ("decode AUTO", "measure")}
        rounds = [{name: spent(*way) for name, way in ways.items()} for _ in range(asked.rounds)]
        print(f"{clip.name}: {clip.stat().st_size / 1e6:.0f} MB, {asked.rounds} rounds")
        for name in ways:
            cpu, wall, peak = (statistics.median(r[name][k] for r in rounds) for k in range(3))
            ratio, over = (
                statistics.median(r[name][k] / r["decode AUTO"][k] for r in rounds) for k in (0, 1)
            )
            print(
                f"{name:22s} {cpu:7.2f} s cpu (x {ratio:.3f}) {wall:7.2f} s wall (x {over:.3f}) "
                f"{peak:5.0f} MiB"
            )


if __name__ == "__main__":
    main()
