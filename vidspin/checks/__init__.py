"""Is the recording whole, and may the verdict be believed?

One check is one function and one row in a registry.
"""
