"""Write `patch.schema.json` anew: ``python -m shared.make_patch_schema``.

Run it after a change of the catalogue; a test compares the committed file with the catalogue.
"""

from __future__ import annotations

from shared.files import write_atomic
from shared.patch_schema import SCHEMA_PATH, schema_text

__all__ = ["main"]


def main() -> None:
    """Write the schema file beside the module that describes it."""
    write_atomic(SCHEMA_PATH, schema_text(), overwrite=True)


if __name__ == "__main__":
    main()
