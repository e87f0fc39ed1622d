"""How a result looks: one function a figure, each takes the result and gives file contents.

Every figure reads the one result and measures nothing.  Drawing libraries are loaded when
the first figure is drawn.
"""

from __future__ import annotations

from vidspin.records import Result

# Loaded beforehand, where there is time and room, the first figure need not wait for them.
DRAWN_WITH = (
    "vidspin.figures.speed", "matplotlib.figure", "matplotlib.backends.backend_agg",
    "matplotlib.backends.backend_svg",
)  # fmt: skip


def draw_all(result: Result) -> dict[str, bytes]:
    """Draw every picture of a result folder.

    Parameters
    ----------
    result : Result
        What was measured.

    Returns
    -------
    dict of str to bytes
        File name to content: ``speed.png``, ``speed.svg``, ``spinchart.png``, ``survey.png``
        and a strip for each event that has pictures, such as ``release.png``.
    """
    from vidspin.figures.chart import spin_chart
    from vidspin.figures.speed import speed_figure
    from vidspin.figures.still import survey_picture
    from vidspin.figures.strips import event_strips

    # what needs no drawing library before it is loaded: its 40 MiB stay
    others = {
        "spinchart.png": spin_chart(result),
        "survey.png": survey_picture(result),
        **event_strips(result),
    }
    return {**speed_figure(result), **others}


__all__ = ["DRAWN_WITH", "draw_all"]
