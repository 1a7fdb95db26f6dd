"""What oscillators do over time, fitted to the partials of a note, for the search to begin with.

`tracks` follows the partials of a note, `_paths` and `_rows` are the compiled model, `walks` leads
down, `entries` names what moves, `draws` draws it, `lines` and `fit` put many walks together,
`across` goes from one note to all, `key_rule` says how they follow the key, `vectors` makes
candidates of the fits, and `supply` hands them to the search.
"""

from matcher.partial_fit.supply import Movements
from matcher.partial_fit.vectors import movement_jumps, movement_starts, movement_vectors

__all__ = ["Movements", "movement_jumps", "movement_starts", "movement_vectors"]
