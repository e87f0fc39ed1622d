"""How fast, how many turns, how sure?

The local quadratic regression on exact times, and every line of its budget.
"""
