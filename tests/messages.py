"""Collecting every error message from the code, for ``docs/messages.md``.

Run ``python -m tests.messages`` from the repository's root to write the page anew.
"""

from __future__ import annotations

import ast
import re
from dataclasses import dataclass
from pathlib import Path

__all__ = ["PAGE", "Message", "collect_messages", "page_text"]

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "docs" / "messages.md"
_ERRORS = {
    "AudioError": "Recordings and sounds",
    "TargetError": "Targets and manifests",
    "PatchError": "Patch files",
    "StructureError": "Structure files and panels",
    "RunFolderError": "Run folders",
    "FileError": "Files",
    "ParameterError": "Settings and values",
    "CommandLineError": "The command line",
}
# Stands for what differs, until sentences are told apart by their full stops.
_GAP = "\0"
# Some messages give the advice behind a semicolon.
_ADVICE = re.compile(r"; ((?:give|name|leave|set|take|begin|write|remove|tell|hand|choose) .*)\Z")
_WITHOUT_CURE = "Give what the message says is accepted."
_HEAD = """# Messages and their cures

Every message of earwright is one line: what was wrong and its value, what is accepted, what to do.
`...` stands for what differs from case to case: a name, a value, a range. The exit status is 2,
and nothing is half written. The list is collected from the code; `earwright: note:` lines are no
errors: they say what was assumed.
"""


@dataclass(frozen=True, order=True)
class Message:
    """One message: the error that carries it, what it says, and the cure."""

    error: str
    says: str
    cure: str


def collect_messages() -> list[Message]:
    """Read the messages of all places that raise one of our errors with a text of their own."""
    found = set()
    for package in ("shared", "voice", "matcher"):
        for path in sorted((ROOT / package).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                message = _message(node)
                if message is not None:
                    found.add(message)
    return sorted(found)


def page_text() -> str:
    """Write the page: a table for each kind of error."""
    messages = collect_messages()
    parts = [_HEAD]
    for error, title in _ERRORS.items():
        rows = [f"| {_cell(m.says)} | {_cell(m.cure)} |" for m in messages if m.error == error]
        parts.append(
            "\n".join([f"## {title}\n", "| message | cure |", "| --- | --- |", *rows]) + "\n"
        )
    return "\n".join(parts)


def _message(node: ast.AST) -> Message | None:
    """Read the text of a call that makes one of our errors."""
    if not isinstance(node, ast.Call) or not node.args:
        return None
    name = getattr(node.func, "id", getattr(node.func, "attr", ""))
    if name not in _ERRORS:
        return None
    text = re.sub(rf"({_GAP}[ ,]*){{2,}}", f"{_GAP} ", _text(node.args[0])).strip()
    if not re.search(r"[a-z]{3} [a-z]", text):
        # The words come from elsewhere, where they are collected.
        return None
    # Sentences begin with a capital; a cure that is put in as a whole has its words elsewhere.
    says, *cures = re.split(r"\. (?=[A-Z])", text, maxsplit=1)
    advice = _ADVICE.search(says)
    if advice and not cures:
        says, cures = says[: advice.start()], [advice[1][:1].upper() + advice[1][1:]]
    cure = f"{cures[0].strip().rstrip('.')}." if cures else _WITHOUT_CURE
    return Message(name, says.rstrip(f". {_GAP}").replace(_GAP, "..."), cure.replace(_GAP, "..."))


def _text(node: ast.expr) -> str:
    """Write an expression as its constant parts, with dots for all others."""
    if isinstance(node, ast.Constant):
        return str(node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join(map(_text, node.values))
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return _text(node.left) + _text(node.right)
    return _GAP


def _cell(text: str) -> str:
    """Keep a text in its cell of a table, and its signs as they are."""
    shown = " ".join(text.split()).replace("\\", "\\\\").replace("|", "\\|")
    return re.sub(r"([*<_`\[])", r"\\\1", shown)


if __name__ == "__main__":
    PAGE.write_text(page_text(), encoding="utf-8")
