"""What does every frame of the one pass say?

The frames of a recording go by here, one by one; what is kept of them is small and of known size.
"""
