"""From attempts to better tops: starts, run-down laws, comparisons, forecasts.

Each module holds the analysis of its name: ``starts.starts``, ``rundown.fit_rundown``,
``mechanics.drag_of``, ``compare.compare``, ``forecast.forecast`` and
``topple.expected_topple``.  They take `attempt.Attempt` values (see `vidspin.read_attempt`) and
return frozen values with numpy arrays; a ``table()`` gives columns of equal length, ready for a
data frame.  ``docs/examples`` shows them at work.
"""
