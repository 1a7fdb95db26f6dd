"""What oscillators do over time, fitted to the partials of a note, for the search to begin with.

`tracks` follows the partials of a note, `model` is the compiled model, `entries` names what moves
and draws it, `fit` fits one note, `across` goes from one note to all, and `movements` hands the
fits to the search.
"""

from matcher.partial_fit.movements import Movements

__all__ = ["Movements"]
