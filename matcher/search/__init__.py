"""Search for the candidate with the lowest loss, by ask and tell over the unit box.

This package knows vectors in [0, 1]^n and losses. What a vector means, how it sounds and how it
is judged is handed to it as a plain callable.
"""

__all__: list[str] = []
