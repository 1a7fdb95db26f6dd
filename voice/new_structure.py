"""Starting files for structures of the user's own."""

from __future__ import annotations

import json
import shlex
from importlib import resources
from pathlib import Path
from string import Template

from shared import FileError, StructureError, write_atomic

__all__ = ["write_new_structure"]


def write_new_structure(path: str | Path) -> Path:
    """Write a commented structure file to begin with.

    Parameters
    ----------
    path : str or Path
        The file, which must not exist; its name ends in .toml and becomes that of the structure.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    StructureError
        If the name doesn't end in .toml or can't be the name of a structure.
    FileError
        If the file exists or can't be written.
    """
    target = Path(path)
    if target.suffix != ".toml" or not target.stem.isprintable():
        raise StructureError(
            f"{path} can't be the name of a structure file; a name that ends in .toml is "
            "accepted, such as my-synth.toml.",
            path=path,
        )
    template = (resources.files("voice") / "new-structure.toml").read_text(encoding="utf-8")
    # A TOML string is escaped as one of JSON is.
    name = json.dumps(target.stem, ensure_ascii=False)[1:-1]
    try:
        file = shlex.quote(str(path))
        text = Template(template).substitute(name=name, file=file)
        write_atomic(target, text, overwrite=False)
    except UnicodeEncodeError as error:
        raise FileError(
            f"{path!r} holds signs that no text can hold. Choose another name.", path=target
        ) from error
    return target
