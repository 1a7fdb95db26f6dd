"""Write `structure.schema.json` anew: ``python -m voice.make_structure_schema``.

Run it after a change of the catalogue or of the format; a test compares the committed file.
"""

from __future__ import annotations

from shared import write_atomic
from voice.structure_schema import STRUCTURE_SCHEMA_PATH, structure_schema_text

__all__ = ["main"]


def main() -> None:
    """Write the schema file beside the module that describes it."""
    write_atomic(STRUCTURE_SCHEMA_PATH, structure_schema_text(), overwrite=True)


if __name__ == "__main__":
    main()
